import datetime

import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import Brief, recipe
from formlab.errors import BriefError, PlanError
from formlab.regrind import Regrind, check_regrind, exploded, parent_formula, steady_state

PARTS = [
    {"name": "sbr", "role": "rubber", "density": 0.94},
    {"name": "chalk", "role": "filler", "low": 50, "high": 150, "density": 2.71},
    {"name": "own", "role": "regrind", "low": 0, "high": 60, "density": 1.5},
]
BRIEF = Brief(ingredient=PARTS, current={"chalk": 100, "own": 0})
PLAN = pd.DataFrame({"batch": ["B01", "B01", "B02"], "chalk": [50.0, 50.0, 150.0], "own": [0.0, 0.0, 50.0]})


def test_words_and_age():
    own = Regrind(ingredient="own", parent="B01", colour="white", made="2031-05-01", generation=2)
    assert own.described(datetime.date(2031, 5, 15)) == "parent B01, white, 14 days old, generation 2"
    assert (
        Regrind(ingredient="own").described()
        == "no parent in this series yet, colour not known, age not known, generation 1"
    )


def test_a_batch_of_the_series_is_the_parent():
    formula, words = parent_formula(BRIEF, Regrind(ingredient="own", parent="B02"), PLAN)
    assert formula.to_dict() == {"sbr": 100.0, "chalk": 150.0, "own": 50.0}
    assert words == "Regrind 'own' is ground from batch B02."


def test_todays_formula_stands_in_while_there_is_none():
    formula, words = parent_formula(BRIEF, Regrind(ingredient="own"), PLAN)
    assert formula.to_dict() == {"sbr": 100.0, "chalk": 100.0, "own": 0.0}
    assert (
        words
        == "The series has no regrind of its own yet. Ground scrap of today's formula stands in for 'own'."
    )


def test_without_one_the_middle_of_the_region_is_to_be_made():
    formula, words = parent_formula(Brief(ingredient=PARTS), Regrind(ingredient="own"))
    assert_allclose(formula[["sbr", "chalk"]], [100, 100], rtol=1e-6)
    assert "Make a batch in the middle of the ranges, cure and grind it" in words


def test_a_parent_that_is_not_in_the_plan_is_refused():
    with pytest.raises(PlanError) as caught:
        parent_formula(BRIEF, Regrind(ingredient="own", parent="B07"), PLAN)
    assert str(caught.value) == "Regrind 'own' has the parent 'B07'; name one of the batches ['B01', 'B02']."


def test_exploded_keeps_mass_and_leaves_no_regrind_to_count_again():
    out = exploded(BRIEF, PLAN, [Regrind(ingredient="own", parent="B01")], PLAN)
    assert list(out.columns) == ["sbr", "chalk"]
    assert_allclose(out.sum(axis=1), BRIEF.amounts(PLAN).sum(axis=1), rtol=1e-12)
    assert_allclose(out.iloc[2], [100 + 50 / 1.5, 150 + 25 / 1.5], rtol=1e-12)
    with pytest.raises(BriefError) as caught:
        BRIEF.complete(out)
    assert "'own'" in str(caught.value)


def test_the_exploded_density_is_between_parent_and_rest():
    out = exploded(BRIEF, PLAN, [Regrind(ingredient="own", parent="B01")], PLAN).iloc[2]
    dense = {"sbr": 0.94, "chalk": 2.71}
    parent, rest = (recipe.density(pd.Series({"sbr": 100.0, "chalk": c}), dense) for c in (50.0, 150.0))
    assert parent < recipe.density(out, dense) < rest


def test_never_both_and_never_rubber():
    parts = [*PARTS[:2], PARTS[2] | {"contains": {"own": 0.6, "chalk": 0.4}, "counts_as_rubber": True}]
    twice = Brief(
        ingredient=[PARTS[0] | {"low": 60, "high": 90}, PARTS[1], parts[2] | {"low": 10, "high": 40}]
    )
    with pytest.raises(BriefError) as caught:
        check_regrind(twice, [Regrind(ingredient="old")])
    assert str(caught.value) == (
        "3 problems:\n"
        "  regrind 'own', contains: ['chalk']. Expected no other ingredient. "
        "Keep it as an ingredient of its own, or leave it out and give what it brings; never both.\n"
        "  regrind 'own', counts_as_rubber: True. Expected false. Its rubber is cured and would count twice.\n"
        "  regrind: 'old'. Expected an ingredient of role regrind: ['own']."
    )
    check_regrind(BRIEF, [Regrind(ingredient="own")])


def test_steady_state_book_keeping():
    # Recomputed from the geometric series: 5, 10, 20 and 30 % by mass of regrind.
    frame = pd.DataFrame({"chalk": 100.0, "own": [200 * r / (1 - r) for r in (0.05, 0.10, 0.20)]})
    out = steady_state(BRIEF, frame)
    assert_allclose(out["mean_passes"], [1.0526, 1.1111, 1.25], atol=5e-5)
    assert_allclose(out["reground_twice_or_more"], [0.0025, 0.01, 0.04], rtol=1e-9)
