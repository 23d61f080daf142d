"""What holds a suggestion where it is, and the price of it, against linear programming and corners."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog
from scipy.stats import norm

from formlab import suggest
from formlab.polytope import Polytope
from formlab.region import Region
from formlab.suggest.binding import STEP
from tests.known_surfaces import KnownSurfaces
from tests.test_suggest import brief_of, hardness


def test_binding_target_has_the_price_of_the_linear_programme():
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    answer = suggest(brief, surfaces, minimise="cost_per_litre", confidence=0.9, premium=0, seed=3)
    line = answer.binding[answer.binding["what"].str.startswith("target")].iloc[0]
    cheaper = suggest(
        brief_of(response=[{"name": "hardness", "at_least": 39.0, "matters": 1.0}]),
        surfaces, minimise="cost_per_litre", confidence=0.9, premium=0, seed=3, explain=False,
    )  # fmt: skip
    assert_allclose(
        line["saves EUR per litre"], answer.cost["per_litre"] - cheaper.cost["per_litre"], atol=1e-3
    )


def test_a_binding_target_costs_what_the_region_without_it_would_save():
    """Without its target the cheapest is all chalk and no oil, or all of both: a corner, by enumeration."""
    brief = brief_of(response=[{"name": "hardness", "at_most": 48.0, "matters": 1.0}])
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    answer = suggest(brief, surfaces, minimise="cost_per_kg", premium=0, alternatives=0, seed=3)
    line = answer.binding[answer.binding["what"].str.startswith("target")].iloc[0]
    corners = Region.from_brief(brief).vertices()
    costs = brief.costs(corners)["per_kg"]
    assert_allclose(line["costs EUR per kg"], answer.cost["per_kg"] - costs.min(), atol=1e-6)
    assert line["costs EUR per kg"] > line["saves EUR per kg"] > 0
    at_corner = hardness(corners.loc[[costs.idxmin()]])[0]
    assert_allclose(float(line["free at"].split()[0]), at_corner + 2.0 * norm.ppf(0.99), atol=0.2)


def test_where_the_confidence_is_not_reached_the_price_is_probability():
    """The most probable formula is the corner of chalk 150 and no oil: hardness 40 + 15; 1 lower is half an sd."""
    brief = brief_of(response=[{"name": "hardness", "at_least": 56.0, "matters": 1.0}])
    answer = suggest(brief, Tried(brief, 200.0), confidence=0.9, alternatives=0, seed=3)
    table = answer.binding.set_index("what")
    here = norm.cdf(-1 / 2)
    assert not answer.reached and abs(answer.conformance.true_mean - here) < 0.02
    target = table.loc["target: hardness at least 56"]
    counting = 3 * np.sqrt(here * (1 - here) / 1000)  # of the draws that a search uses
    assert_allclose(target["gains probability"], norm.cdf(0) - here, atol=counting)
    assert_allclose(target["costs probability"], 1 - here, atol=counting)
    more_chalk = table.loc["range: chalk at its high 150"]
    assert_allclose(more_chalk["gains probability"], norm.cdf(-0.25 / 2) - here, atol=counting)
    assert not any(name.startswith("saves") for name in table)


def test_what_is_maximised_is_what_is_gained():
    brief = brief_of()
    surfaces = Tried(brief, 200.0)
    answer = suggest(brief, surfaces, maximise="hardness", seed=3)
    table = answer.binding.set_index("what")
    assert list(table.index) == [
        "range: oil at its low 0",
        "range: chalk at its high 150",
    ]  # nothing is asked of targets
    assert_allclose(
        table.loc["range: chalk at its high 150", "gains hardness, Shore A"], 0.1 * STEP * 150, rtol=1e-3
    )
    table = suggest(brief, surfaces, score=lambda f: -f["oil"] + f["chalk"], seed=3).binding.set_index("what")
    assert_allclose(table.loc["range: chalk at its high 150", "gains score"], STEP * 150, rtol=1e-3)
    far = brief_of(response=[{"name": "hardness", "at_least": 90.0, "matters": 1.0}])
    table = suggest(far, surfaces, maximise="desirability", seed=3).binding.set_index("what")
    assert set(table["remark"]) == {"no price: some target is missed, desirability is 0"}


def test_a_target_holds_what_is_maximised_under_a_confidence():
    """Least hardness that is 48 with probability 0.9; a unit less asked of it is a unit gained."""
    brief = brief_of(response=[{"name": "hardness", "unit": "Shore A", "at_least": 48.0, "matters": 1.0},
                               {"name": "grip"}])  # fmt: skip
    surfaces = KnownSurfaces(brief, [hardness, lambda f: -hardness(f)], [2.0, 1.0])
    answer = suggest(brief, surfaces, maximise="grip", confidence=0.9, seed=3)
    table = answer.binding.set_index("what")
    assert_allclose(table.loc["target: hardness at least 48 Shore A", "gains grip"], 1.0, rtol=0.01)


def test_a_score_of_ones_own_gives_way_to_the_most_probable_formula():
    """Where the confidence is not reached, the score does not decide."""
    brief = brief_of(response=[{"name": "hardness", "at_least": 56.0, "matters": 1.0}])
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    answer = suggest(brief, surfaces, score=lambda f: f["oil"], confidence=0.9, explain=False, seed=3)
    assert (
        not answer.reached and answer.formula["chalk"] == pytest.approx(150) and answer.formula["oil"] < 0.1
    )


def test_chance_of_a_target_is_that_of_the_formula_suggested_also_where_a_premium_is_spent():
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    asked = {"minimise": "cost_per_litre", "confidence": 0.8, "seed": 3}
    cheapest, surer = (suggest(brief, surfaces, premium=p, **asked) for p in (0, 0.02))
    assert surer.conformance.true_mean > cheapest.conformance.true_mean + 0.02
    for answer in (cheapest, surer):
        line = answer.binding[answer.binding["what"].str.startswith("target")].iloc[0]
        assert line["chance alone"] == answer.predicted.loc["hardness", "chance"]


def test_what_relaxing_saves_is_counted_for_a_thousand_pieces():
    surfaces = KnownSurfaces(brief_of(), [hardness], [2.0])
    answers = [
        suggest(brief_of(), surfaces, minimise=f"cost_per_{unit}", premium=0, seed=3)
        for unit in ("litre", "piece")
    ]
    litre, piece = (a.binding.iloc[0] for a in answers)
    assert_allclose(piece["saves EUR per 1000 pieces"], 10 * litre["saves EUR per litre"], rtol=0.02)
    assert "e-0" not in str(answers[1]) and "NaN" not in str(answers[1])


# ---- ranges and limits ----------------------------------------------------------------------------------------


class Tried(KnownSurfaces):
    """Known surfaces that know of trials with so much chalk."""

    chance = None

    def __init__(self, brief, most):
        super().__init__(brief, [hardness], [2.0])
        self.trials = brief.complete(pd.DataFrame({"oil": [0.0, 10.0, 30.0], "chalk": [0.0, 60.0, most]}))


def row(answer, start):
    assert "remark" not in answer.binding or (answer.binding["remark"] != "").any()
    return answer.binding[answer.binding["what"].str.startswith(start)].iloc[0]


def least(most_chalk=150.0, rules=()):
    """The least cost per kg of hardness 40 + 2 sds of doubt at 0.9: Charnes & Cooper, with the mass equal to 1."""
    margin = 2.0 * norm.ppf(0.9)
    a = [[0.5, -0.1, margin], [1, 0, -30], [0, 1, -most_chalk], *([*c, -b] for c, b in rules)]
    found = linprog([1.2, 0.2, 200.0], A_ub=a, b_ub=np.zeros(len(a)), A_eq=[[1, 1, 100]], b_eq=[1.0])
    return found.fun


ASKED = {"minimise": "cost_per_kg", "premium": 0, "alternatives": 0, "seed": 3}


def test_a_range_has_the_price_of_the_linear_programme():
    brief = brief_of()
    line = row(suggest(brief, Tried(brief, 200.0), **ASKED), "range: chalk at its high 150")
    assert line["if relaxed by"] == "7.5 phr"
    assert_allclose(line["saves EUR per kg"], least() - least(150 + STEP * 150), rtol=0.01)
    assert line.get("free at", "") == "" and pd.isna(line.get("costs EUR per kg"))
    assert line["remark"] == ""  # trials had more chalk than the brief asks for


@pytest.mark.parametrize(
    ("surfaces", "said"),
    [
        (lambda brief: Tried(brief, 150.0), "extrapolated: tried was 0 to 150"),
        (lambda brief: Tried(brief, 155.0), "extrapolated: tried was 0 to 155"),
        (lambda brief: KnownSurfaces(brief, [hardness], [2.0]), "extrapolated: beyond the region"),
    ],
)
def test_a_saving_beyond_what_was_tried_is_said_to_be_extrapolated(surfaces, said):
    brief = brief_of()
    answer = suggest(brief, surfaces(brief), **ASKED)
    line = row(answer, "range: chalk")
    assert line["remark"] == said and line["saves EUR per kg"] > 0
    assert said in str(answer) and said in answer._repr_html_()


def test_a_limit_has_the_price_of_the_linear_programme():
    """Its step is 5 % of what the region leaves of its left side, 0 to 130: 6.5 phr."""
    brief = brief_of(limit=[{"expression": "chalk + oil <= 130"}])
    line = row(suggest(brief, Tried(brief, 150.0), **ASKED), "limit: chalk + oil <= 130")
    step = STEP * 130
    assert line["if relaxed by"] == f"{step:g} phr"
    saved = least(rules=[([1, 1], 130)]) - least(rules=[([1, 1], 130 + step)])
    assert_allclose(line["saves EUR per kg"], saved, rtol=0.02)
    assert line.get("remark", "") == ""  # a trial had 180
    narrow = Tried(brief, 150.0)
    narrow.trials = narrow.trials.head(2)
    line = row(suggest(brief, narrow, **ASKED), "limit: chalk + oil <= 130")
    assert line["remark"] == "extrapolated: no trial went so far"


def test_what_has_no_price_says_why():
    dear = [dict(p) for p in brief_of().model_dump(exclude_none=True, by_alias=True)["ingredient"]]
    dear[1]["price"] = 9.0
    brief = brief_of(
        ingredient=dear,
        setting=[{"name": "cuts", "levels": [1.0, 2.0]}, {"name": "wait", "unit": "h", "low": 0, "high": 4}],
    )
    surfaces = KnownSurfaces(brief, [lambda f: hardness(f) - 10 * f["cuts"] - f["wait"]], [2.0])
    table = suggest(brief, surfaces, **ASKED).binding.set_index("what")
    assert table.loc["range: oil at its low 0", "remark"] == "no price: an amount cannot be below 0"
    assert pd.isna(table.loc["range: oil at its low 0", "saves EUR per kg"])
    asked = {**ASKED, "confidence": 0.999999}
    surfaces = KnownSurfaces(brief, [lambda f: hardness(f) - 100 - 10 * f["cuts"] - f["wait"]], [2.0])
    answer = suggest(brief, surfaces, **asked)
    assert "hardness is farther away than 64 times what matters." in answer.notes[1]
    assert not any(name.startswith("saves") for name in answer.binding)


def test_levels_and_settings_at_zero_have_no_price():
    brief = brief_of(
        response=[{"name": "hardness", "at_least": 52.0, "matters": 1.0}],
        setting=[{"name": "cuts", "levels": [1.0, 2.0]}, {"name": "wait", "unit": "h", "low": 0, "high": 4}],
    )
    surfaces = KnownSurfaces(brief, [lambda f: hardness(f) - 10 * (f["cuts"] - 1) - f["wait"]], [0.1])
    table = suggest(brief, surfaces, **ASKED).binding.set_index("what")
    assert table.loc["range: cuts at its low 1", "remark"] == "no price: other levels were not asked for"
    assert table.loc["range: wait at its low 0", "remark"] == "no price: below 0 may not exist"


def test_a_share_cannot_be_more_than_all():
    parts = [
        {"name": n, "low": 0, "high": 1, "density": 1.0, "price": p} for n, p in (("a", 1.0), ("b", 2.0))
    ]
    brief = brief_of(ingredient=parts, basis="fraction", piece=None)
    answer = suggest(brief, KnownSurfaces(brief, [lambda f: 60 + f["a"]], [1.0]), **ASKED)
    table = answer.binding.set_index("what")["remark"]
    assert table["range: a at its high 1"] == "no price: there is no more than all"
    assert table["range: b at its low 0"] == "no price: an amount cannot be below 0"


def test_a_wider_region_leaves_the_first_alone():
    region = Region(brief_of(setting=[{"name": "cuts", "levels": [1.0, 2.0]}]))
    box = region.polytope
    wider = region.over(Polytope(box.names, box.lower, box.upper * np.array([1, 1, 2, 1]), box.rules))
    assert wider.vertices()["chalk"].max() == 300 and region.vertices()["chalk"].max() == 150
    assert wider.levels == region.levels and wider.levels is not region.levels
