"""Conformance and suggestions against closed forms, linear programming and desirability by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog
from scipy.stats import norm

from formlab import Brief, suggest
from formlab.errors import RecipeError, SuggestError
from formlab.region import Region
from formlab.suggest import conformance, desirability, score_promises
from formlab.suggest.question import Question
from formlab.suggest.search import search
from tests.known_surfaces import KnownSurfaces


def brief_of(**changes):
    data = {
        "ingredient": [
            {"name": "rubber", "role": "rubber", "density": 0.94, "price": 2.0},
            {"name": "oil", "role": "oil", "low": 0, "high": 30, "density": 0.91, "price": 1.2},
            {"name": "chalk", "role": "filler", "low": 0, "high": 150, "density": 2.71, "price": 0.2},
        ],
        "response": [{"name": "hardness", "unit": "Shore A", "at_least": 40.0, "matters": 1.0}],
        "piece": {"volume_cm3": 10.0},
    }
    return Brief.model_validate({**data, **changes})


def hardness(frame):
    return 40 + 0.1 * frame["chalk"].to_numpy() - 0.5 * frame["oil"].to_numpy()


def smear(frame):
    return 5.0 + 1.0 * frame["oil"].to_numpy()


TWO = [
    {"name": "hardness", "unit": "Shore A", "at_least": 40.0, "matters": 1.0},
    {"name": "smear", "unit": "x", "at_most": 20.0, "matters": 1.0},
]


def two_known(**changes):
    brief = brief_of(response=TWO, **changes)
    return brief, KnownSurfaces(brief, [hardness, smear], [2.0, 1.5], [1.0, 0.5])


def test_conformance_of_one_normal_response_is_the_normal_probability():
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0], [1.5])
    frame = pd.DataFrame({"oil": [10.0, 5.0], "chalk": [60.0, 60.0]})
    draws = surfaces.draw(200_000, seed=1)
    for row, got in zip(hardness(frame), conformance(brief, draws, frame, seed=1)):
        assert_allclose(got.true_mean, norm.cdf((row - 40) / 2.0), atol=4e-3)
        assert_allclose(got.new_batch, norm.cdf((row - 40) / 2.5), atol=4e-3)
        assert got.error("true_mean") < 2e-3


def test_cheapest_with_known_linear_surfaces_is_the_linear_programme():
    """With a known mean the chance constraint is linear, and least cost per litre is linear-fractional:
    exact by the transformation of Charnes & Cooper (1962, Naval Research Logistics Quarterly 9:181)."""
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    answer = suggest(brief, surfaces, minimise="cost_per_litre", confidence=0.9, premium=0, seed=3)
    margin = 2.0 * norm.ppf(0.9)
    # y = x t with t = 1 / volume; variables oil t, chalk t, t
    price = np.array([1.2, 0.2, 2.0 * 100])
    volume = np.array([1 / 0.91, 1 / 2.71, 100 / 0.94])
    exact = linprog(
        price,
        A_ub=[[0.5, -0.1, margin], [1, 0, -30], [0, 1, -150]],
        b_ub=[0, 0, 0],
        A_eq=[volume],
        b_eq=[1.0],
    )
    # the margin is counted from draws, so the optimum may stray by their error
    assert_allclose(answer.cost["per_litre"], exact.fun, rtol=2e-3)
    assert answer.reached
    assert abs(answer.conformance.true_mean - 0.9) < 0.02


@pytest.mark.parametrize("cost", ["cost_per_kg", "cost_per_litre", "cost_per_piece"])
@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.98])
def test_every_cost_is_that_of_the_linear_programme_on_the_same_draws(cost, confidence):
    """On one set of draws the chance of one linear response is a linear constraint, so nothing is left to chance."""
    limit = [{"expression": "oil + 0.2 chalk <= 40"}, {"expression": "2 oil - 0.05 chalk >= 4"}]
    brief = brief_of(limit=limit)
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    draws = surfaces.draw(1000, seed=4)
    need = int(np.ceil(confidence * 1000))
    margin = -np.sort(draws.shift[:, 0])[::-1][need - 1]  # what the mean must have above the target
    question = Question(brief, surfaces, draws, ("minimise", cost), confidence, "true_mean")
    found = search(Region.from_brief(brief), question, seed=1)
    # Charnes & Cooper: y = x t, with the divisor of the cost equal to 1; variables oil t, chalk t, t
    volume = np.array([1 / 0.91, 1 / 2.71, 100 / 0.94])
    divisor = np.array([1.0, 1.0, 100.0]) if cost == "cost_per_kg" else volume
    exact = linprog(
        [1.2, 0.2, 2.0 * 100],
        A_ub=[[0.5, -0.1, margin], [1, 0, -30], [0, 1, -150], [1, 0.2, -40], [-2, 0.05, 4]],
        b_ub=np.zeros(5),
        A_eq=[divisor],
        b_eq=[1.0],
    )
    per_piece = 10.0 / 1000 if cost == "cost_per_piece" else 1.0
    assert found.shortfall[0] <= 0
    assert_allclose(found.value[0], exact.fun * per_piece, rtol=1e-6)


def test_search_finds_the_corner_of_a_linear_programme():
    brief = brief_of(limit=[{"expression": "oil + 0.2 chalk <= 40"}])
    region = Region.from_brief(brief)

    def score(frame):
        short = np.maximum(60 - frame["oil"] * 1.0 - frame["chalk"] * 0.4, 0).to_numpy()
        return short, (1.2 * frame["oil"] + 0.2 * frame["chalk"]).to_numpy()

    found = search(region, score, seed=1)
    exact = linprog([1.2, 0.2], A_ub=[[1, 0.2], [-1, -0.4]], b_ub=[40, -60], bounds=[(0, 30), (0, 150)])
    assert_allclose(found.value[0], exact.fun, rtol=1e-5)
    assert region.contains(found.formulas).all()


def test_search_tries_levels_and_categories():
    brief = brief_of(
        setting=[
            {"name": "press", "levels": ["ram", "steam"]},
            {"name": "cuts", "levels": [1.0, 2.0, 4.0]},
        ]
    )

    def score(frame):
        value = (frame["press"] != "steam") * 5.0 + (frame["cuts"] - 2.0) ** 2 + (frame["oil"] - 7.0) ** 2
        return np.zeros(len(frame)), value.to_numpy()

    best = search(Region.from_brief(brief), score, seed=1).formulas.iloc[0]
    assert (best["press"], best["cuts"]) == ("steam", 2.0)
    assert_allclose(best["oil"], 7.0, atol=1e-3)


def test_unreachable_confidence_is_said_and_the_most_probable_formula_returned():
    brief = brief_of(response=[{"name": "hardness", "at_least": 55.0, "matters": 1.0}])
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    answer = suggest(brief, surfaces, confidence=0.9, seed=3)
    assert not answer.reached
    assert_allclose(answer.formula["chalk"], 150, atol=0.5)
    assert_allclose(answer.formula["oil"], 0, atol=0.2)
    assert_allclose(answer.conformance.true_mean, 0.5, atol=0.02)
    assert "The asked 0.90 is not reached; this is the most probable formula" in answer.verdict


def test_alternatives_are_the_cheapest_that_are_clearly_different():
    """Two oils of one effect: little of the better pair, or some of the worse; each gives up money only."""
    ingredients = [
        {"name": "rubber", "role": "rubber", "density": 1.0, "price": 2.0},
        {"name": "oil", "role": "oil", "low": 0, "high": 30, "density": 1.0, "price": 1.0},
        {"name": "ester", "role": "oil", "low": 0, "high": 30, "density": 1.0, "price": 1.1},
    ]
    brief = brief_of(ingredient=ingredients, response=[{"name": "softness", "at_most": 20.0, "matters": 1.0}])
    surfaces = KnownSurfaces(brief, [lambda f: (f["oil"] + f["ester"]).to_numpy()], [1.0])
    answer = suggest(brief, surfaces, minimise="cost_per_kg", premium=0, seed=3, explain=False)
    others = answer.alternatives
    total = 20 - norm.ppf(0.9)
    assert_allclose(answer.formula[["oil", "ester"]], [total, 0], atol=0.25)
    assert_allclose(others["ester"], [4.5, 9.0, 13.5], atol=0.1)  # steps of 15 % of the range of 30
    assert_allclose(others["oil"] + others["ester"], total, atol=0.25)
    extra = 100 * (others["cost per kg"] / answer.cost["per_kg"] - 1)
    assert list(others["gives up"]) == [f"{e:.1f} % dearer" for e in extra]
    assert (extra > 0).all() and (others["true_mean"] > 0.89).all()


def test_premium_buys_certainty_while_it_is_cheap_and_says_what_it_costs():
    """With a known mean the chance is a normal probability of the cost: spending stops where 1 % buys 0.05."""
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    asked = {"minimise": "cost_per_litre", "confidence": 0.9, "seed": 3, "explain": False}
    cheapest, little, enough = (suggest(brief, surfaces, premium=p, **asked) for p in (0, 0.001, 0.02))
    least = cheapest.cost["per_litre"]
    assert_allclose(little.cost["per_litre"] / least, 1.001, atol=5e-5)  # all of a little is spent
    z = (hardness(enough.frame) - 40.0) / 2.0
    a_little = little.cost["per_litre"] - least
    rise = (hardness(little.frame) - hardness(cheapest.frame)) / 2.0 / (a_little / least)
    assert_allclose(norm.pdf(z) * rise, 5.0, rtol=0.35)  # counted on 1,000 draws: the tail is rough
    extra = enough.cost["per_litre"] / least - 1
    assert 0.002 < extra < 0.02
    assert any(f"this one costs {100 * extra:.1f} % more" in note for note in enough.notes)
    with pytest.raises(SuggestError, match=r"surfaces = NoneType; give what formlab\.fit returned"):
        suggest(brief_of(), None)
    with pytest.raises(SuggestError, match=r"premium = 2; give a share of the cost, 0\.01 for 1 %\."):
        suggest(brief, surfaces, premium=2, **asked)


def test_past_misses_lower_claims_and_raise_what_is_required():
    brief = brief_of(current={"oil": 5.0, "chalk": 60.0})
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    asked = {"minimise": "cost_per_litre", "confidence": 0.9, "seed": 3, "explain": False, "premium": 0}
    ledger = score_promises([0.9] * 20, [True] * 12 + [False] * 8)
    plain, wary = suggest(brief, surfaces, **asked), suggest(brief, surfaces, ledger=ledger, **asked)
    assert wary.cost["per_litre"] > plain.cost["per_litre"]
    assert_allclose(wary.conformance.true_mean, 0.9, atol=0.01)
    assert_allclose(ledger.honest(ledger.raw(0.9)), 0.9, rtol=1e-12)
    assert_allclose(wary.current.loc["conformance of the true mean", "suggested"], wary.conformance.true_mean)
    assert_allclose(wary.current.loc["conformance as measured", "suggested"], wary.conformance.accepted)
    alone = norm.cdf((hardness(brief.baseline) - 40) / 2.0)[0]
    assert_allclose(
        wary.current.loc["conformance of the true mean", "today"], ledger.honest(alone), atol=0.01
    )
    assert wary.promise()["shift"] == ledger.shift < 0
    assert any(
        note.startswith("Of 20 batches promised to pass at 0.90 on average, 12 did") for note in wary.notes
    )


def test_a_trace_that_a_search_leaves_is_not_weighed():
    brief = brief_of()
    answer = suggest(brief, KnownSurfaces(brief, [hardness], [2.0]), seed=3, explain=False, alternatives=0)
    traced = replace(answer, formula=pd.Series({"rubber": 100.0, "oil": 3e-14, "chalk": 60.0}))
    assert list(traced.recipe(batch_kg=1.0)["ingredient"]) == ["rubber", "chalk"]
    little = replace(answer, formula=pd.Series({"rubber": 100.0, "oil": 1e-3, "chalk": 60.0}))
    with pytest.raises(RecipeError, match="oil: '0.00625 g'. Expected 0.5 g or more"):
        little.recipe(batch_kg=1.0)


def test_desirability_by_hand():
    """Weighted geometric mean of straight lines, Derringer & Suich (1980)."""
    brief = brief_of(
        response=[
            {"name": "a", "at_least": 10, "ideal": 20, "importance": 2},
            {"name": "b", "near": 5, "within": 2},
            {"name": "c", "at_most": 4},
        ]
    )
    got = desirability(brief, np.array([[15.0, 6.0, 3.0], [15.0, 6.0, 4.5], [25.0, 5.0, 1.0]]))
    assert_allclose(got, [(0.5**2 * 0.5 * 1.0) ** 0.25, 0.0, 1.0], rtol=1e-12)


def test_tyre_tread_of_derringer_and_suich():
    """Their surfaces and optimum (1980, J. Quality Technology 12:214), coded units. Values from memory."""
    b = np.array(
        [  # 1, x1, x2, x3, x1², x2², x3², x1x2, x1x3, x2x3
            [139.12, 16.49, 17.88, 10.91, -4.01, -3.45, -1.57, 5.13, 7.13, 7.88],
            [1261.11, 268.15, 246.50, 139.48, -83.55, -124.79, 199.17, 69.38, 94.13, 104.38],
            [400.38, -99.67, -31.40, -73.92, 7.93, 17.31, 0.43, 8.75, 6.25, 1.25],
            [68.91, -1.41, 4.32, 1.63, 1.56, 0.06, -0.32, -1.63, 0.13, -0.25],
        ]
    )

    def surface(row):
        def mean(frame):
            x, y, z = frame[["silica", "silane", "sulfur"]].to_numpy(float).T
            return b[row] @ np.array([x**0, x, y, z, x * x, y * y, z * z, x * y, x * z, y * z])

        return mean

    brief = Brief(
        setting=[{"name": n, "low": -1.633, "high": 1.633} for n in ("silica", "silane", "sulfur")],
        response=[
            {"name": "abrasion", "at_least": 120, "ideal": 170},
            {"name": "modulus", "at_least": 1000, "ideal": 1300},
            {"name": "elongation", "near": 500, "within": 100},
            {"name": "hardness", "near": 67.5, "within": 7.5},
        ],
    )
    surfaces = KnownSurfaces(brief, [surface(k) for k in range(4)], [1.0] * 4)
    answer = suggest(brief, surfaces, maximise="desirability", explain=False, alternatives=0, seed=1)
    assert_allclose(answer.desirability, 0.583, atol=5e-4)
    assert_allclose(answer.settings.astype(float), [-0.05, 0.145, -0.868], atol=5e-3)
    assert_allclose(answer.predicted["mean"], [129.5, 1300, 465.7, 68.0], rtol=2e-3)


def test_same_seed_same_answer():
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    one, two = (suggest(brief, surfaces, seed=5, explain=False) for _ in range(2))
    pd.testing.assert_series_equal(one.formula, two.formula)
    assert one.conformance == two.conformance


def test_against_today():
    brief = brief_of(current={"oil": 5.0, "chalk": 60.0})
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    answer = suggest(brief, surfaces, seed=5, explain=False)
    assert_allclose(answer.current.loc["hardness (Shore A)", "today"], 43.5)
    assert_allclose(answer.current.loc["oil (phr)", "change"], answer.formula["oil"] - 5.0)


def test_weigh_up_of_the_suggestion():
    brief = brief_of()
    answer = suggest(brief, KnownSurfaces(brief, [hardness], [2.0]), seed=5, explain=False)
    card = answer.recipe(batch_kg=12)
    assert_allclose(card["weighed_g"].sum(), 12_000, atol=2.0)
    with pytest.raises(SuggestError, match="No batch mass: pass batch_kg"):
        answer.recipe()


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"minimise": "price"},
         "minimise = 'price'; use one of ['cost_per_kg', 'cost_per_litre', 'cost_per_piece']."),
        ({"maximise": "shine"}, "maximise = 'shine'; use one of ['desirability', 'conformance', 'hardness']."),
        ({"confidence": 90}, "confidence = 90; give a probability between 0 and 1."),
        ({"of": "mean"}, "of = 'mean'; use one of ['true_mean', 'new_batch', 'accepted']."),
        ({"minimise": "cost_per_kg", "maximise": "hardness"},
         "Give one of minimise, maximise and score, not several."),
    ],
)  # fmt: skip
def test_wrong_questions(asked, message):
    brief = brief_of()
    with pytest.raises(SuggestError) as caught:
        suggest(brief, KnownSurfaces(brief, [hardness], [2.0]), **asked)
    assert str(caught.value) == message


def test_draws_that_share_a_model_are_a_cluster():
    """Half of the draws come from a model that always conforms, half from one that never does: two coins, not 200."""
    brief = brief_of(response=[{"name": "hardness", "at_least": 50.0}])
    rows = np.split(np.arange(200), 2)

    class Halves:
        by_part = property(lambda self: [rows])

        def typical(self, frame):
            return np.where(np.arange(200) < 100, 60.0, 40.0)[:, None, None] * np.ones((1, len(frame), 1))

        def new_batch(self, frame, seed=None):
            return self.typical(frame)

        accepted = new_batch

        def __len__(self):
            return 200

    figures = conformance(brief, Halves(), Region(brief).centre())[0]
    assert figures.true_mean == 0.5
    assert_allclose(figures.of_parts, 0.5 / np.sqrt(2))  # of the mean of two coins
    assert_allclose(figures.error("true_mean"), 0.5 / np.sqrt(200))
