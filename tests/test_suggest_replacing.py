"""Replacing one ingredient by another, and what it costs to make sure."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from formlab import Brief
from formlab.errors import SuggestError
from formlab.html import number
from formlab.suggest import replace_ingredient, trial_cost
from tests.known_surfaces import KnownSurfaces


def replaced():
    data = {
        "basis": "fraction",
        "ingredient": [
            {"name": "rubber", "role": "rubber", "low": 0.4, "high": 0.4, "density": 0.94, "price": 2.0},
            {"name": "silica", "role": "filler", "low": 0, "high": 0.6, "density": 2.0, "price": 1.6},
            {"name": "kaolin", "role": "filler", "low": 0, "high": 0.6, "density": 2.6, "price": 0.3},
        ],
        "response": [{"name": "hardness", "at_least": 50.0, "matters": 1.0}],
        "current": {"rubber": 0.4, "silica": 0.6, "kaolin": 0.0},
        "piece": {"volume_cm3": 10.0, "per_year": 1000.0},
        "plant": {"mill_h": 1.0, "press_h": 0.5, "rate_per_h": 50.0, "slabs_per_load": 2, "batch_kg": 10.0},
    }  # fmt: skip
    brief = Brief.model_validate(data)
    return brief, KnownSurfaces(brief, [lambda f: 40 + 25 * f["silica"].to_numpy()], [0.5])


def test_replacement_goes_as_far_as_the_target_lets_it():
    brief, surfaces = replaced()
    got = replace_ingredient(brief, surfaces, "silica", "kaolin", shares=(0.0, 0.2, 0.9), seed=1)
    needed = (10 + 0.5 * norm.ppf(0.9)) / 25  # silica for hardness 50 with probability 0.9
    assert_allclose(got.table["silica"].iloc[:2], [needed, needed], atol=0.01)
    assert list(got.table["reached"]) == [True, True, False]
    row = got.table.iloc[1]
    assert_allclose(row["saving_per_year"], 1000 * row["saving_per_piece"])
    assert "of silica can go" in got.verdict
    with pytest.raises(SuggestError, match="needs a \\[current\\] formula that holds some of it"):
        replace_ingredient(brief, surfaces, "kaolin", "silica")


@pytest.mark.parametrize(
    ("out", "into", "words"),
    [
        ("rubber", "kaolin", "'rubber' is fixed in the brief; give it a range from low to high first."),
        ("silica", "rubber", "'rubber' is fixed in the brief; give it a range from low to high first."),
        ("silica", "silica", "Replacing 'silica' by itself changes nothing; name two ingredients."),
    ],
)
def test_only_what_varies_is_replaced_and_by_something_else(out, into, words):
    brief, surfaces = replaced()
    with pytest.raises(SuggestError) as caught:
        replace_ingredient(brief, surfaces, out, into)
    assert str(caught.value) == words


def test_replacement_is_weighed_against_the_trials_that_would_make_sure():
    brief, surfaces = replaced()
    got = replace_ingredient(brief, surfaces, "silica", "kaolin", shares=(0.0, 0.2, 0.9), batches=3, seed=1)
    best = got.table[got.table["reached"]]["saving_per_year"].max()  # no silica can go without kaolin
    assert got.trials_cost == got.trials.cost["money"]
    assert got.notes[-1].endswith(
        f"as much as {number(365 * got.trials_cost / best, 2)} days of a saving of {best:.4g} EUR per year that kaolin brings."
    )
    assert "3 more batches would make surer" in got.notes[-1]
    assert "at probability" in got.verdict and got.verdict.endswith(
        f" Of it {best:.4g} EUR come from kaolin: with no more of it than today the cheapest formula saves 0."
    )
    assert got.trials.frame["batch"].nunique() == 3
    assert set(got.trials.frame["brief_id"]) == {brief.brief_id}
    unsure = replace_ingredient(brief, surfaces, "silica", "kaolin", shares=(0.35, 0.9), seed=1)
    assert "no share of silica can be replaced by kaolin at probability 0.90" in unsure.verdict
    assert "4 more batches would tell about 35 %" in unsure.notes[-1]
    chance = unsure.table["conformance"].iloc[0]
    assert 0.1 < chance < 0.9 and unsure.table["conformance"].iloc[1] < 0.1
    assert unsure.notes[0].startswith(
        f"The data cannot tell about 35 %: probability {chance:.2f}, and a saving of"
    )
    assert not any("about 90 %" in note for note in unsure.notes)
    assert (
        unsure.trials.frame["silica"] <= 0.65 * 0.6 + 1e-9
    ).all()  # trials of formulas that replace as much
    assert "4 more batches" not in str(
        replace_ingredient(brief, surfaces, "silica", "kaolin", shares=(0.2,), batches=0, seed=1)
    )


def test_replacement_says_what_must_change_with_it():
    """Softer kaolin asks for less oil: hardness 40 + 25 silica + 10 kaolin - 50 oil, all shares of 1."""
    brief, _ = replaced()
    data = brief.model_dump(by_alias=True, exclude_none=True)
    oil = {"name": "oil", "role": "oil", "low": 0, "high": 0.2, "density": 0.9, "price": 0.1}
    data["ingredient"] = [*data["ingredient"], oil]
    data["current"] = {"rubber": 0.4, "silica": 0.5, "kaolin": 0.0, "oil": 0.1}
    data["response"] = [{"name": "hardness", "at_least": 47.0, "matters": 1.0}]
    data["plant"] = {}
    brief = Brief.model_validate(data)
    surfaces = KnownSurfaces(
        brief, [lambda f: 40 + 25 * f["silica"] + 10 * f["kaolin"] - 50 * f["oil"]], [0.1]
    )
    got = replace_ingredient(brief, surfaces, "silica", "kaolin", shares=(0.5,), seed=1)
    row = got.table.iloc[0]
    assert got.notes[0] == (
        f"With {100 * row['gone']:.0f} % of silica gone these change too: oil from 0.1 to {row['oil']:.3g} fraction."
    )
    assert row["oil"] < 0.05
    assert got.notes[1].endswith("add [plant] mill_h and rate_per_h to the brief.") and np.isnan(
        got.trials_cost
    )


def test_cost_of_trials():
    brief, _ = replaced()
    assert trial_cost(brief, 4) == pytest.approx(4 * 50 + 4 / 2 * 0.5 * 50)
    assert trial_cost(brief, 4, brief.baseline) == pytest.approx(250 + 4 * 10 * (0.4 * 2.0 + 0.6 * 1.6))


def test_no_more_goes_than_the_range_lets():
    """Silica's range ends at 0.2 of a mix that has 0.6: two thirds can go at most, and asking for all of it is said to be more."""
    brief, _ = replaced()
    data = brief.model_dump(by_alias=True, exclude_none=True)
    data["ingredient"][1]["low"] = 0.2
    brief = Brief.model_validate(data)
    surfaces = KnownSurfaces(brief, [lambda f: 60 + 25 * f["silica"].to_numpy()], [0.5])
    got = replace_ingredient(brief, surfaces, "silica", "kaolin", shares=(0.5, 1.0), batches=0, seed=1)
    assert got.table["at_least"].tolist() == [0.5]
    assert got.notes[0] == (
        "100 % cannot be replaced: the range of silica ends at 0.2 fraction, which leaves 67 % of today's amount to go. Lower its "
        "low in the brief to ask for more."
    )


def test_the_saving_of_the_other_ingredient_stands_apart_from_that_of_all_changes():
    """Chalk is cheaper than silica too, and may be had without kaolin: kaolin brings only what it is cheaper than chalk."""
    brief, _ = replaced()
    data = brief.model_dump(by_alias=True, exclude_none=True)
    chalk = {"name": "chalk", "role": "filler", "low": 0, "high": 0.6, "density": 2.6, "price": 0.4}
    data["ingredient"] = [*data["ingredient"], chalk]
    data["current"]["chalk"] = 0.0
    brief = Brief.model_validate(data)
    surfaces = KnownSurfaces(brief, [lambda f: 60 + 25 * f["silica"].to_numpy()], [0.5])
    got = replace_ingredient(brief, surfaces, "silica", "kaolin", shares=(1.0,), batches=2, seed=1)
    volume = sum(x / d for x, d in ((0.4, 0.94), (0.6, 2.6)))  # of either mix, litres a kg
    brings = 1000 * 0.010 * 0.6 * (0.4 - 0.3) / volume
    whole = got.table["saving_per_year"].iloc[0]
    assert whole > 5 * brings
    assert (
        f"Of it {brings:.4g} EUR come from kaolin: with no more of it than today the cheapest formula saves {whole - brings:.4g}."
        in got.verdict
    )
    assert got.notes[-1].endswith(
        f"as much as {number(365 * got.trials_cost / brings, 2)} days of a saving of {brings:.4g} EUR per year that kaolin brings."
    )
