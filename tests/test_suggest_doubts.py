"""What is said beside a suggestion: beyond what was tried, a flat optimum, a verdict that hangs on the prior."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from formlab import fit, suggest
from formlab.region import Region
from formlab.suggest.doubts import beyond_read, beyond_tried, flat_optimum, under_other_priors
from formlab.suggest.search import Found
from tests.known_surfaces import KnownSurfaces
from tests.test_suggest import brief_of, hardness


def test_amounts_beyond_what_was_tried_are_named():
    brief = brief_of()
    trials = pd.DataFrame({"oil": [2.0, 10.0], "chalk": [60.0, 150.0]})
    inside, beyond = (pd.DataFrame({"oil": [v], "chalk": [100.0]}) for v in (5.0, 14.0))
    assert beyond_tried(brief, trials, inside) == []
    assert beyond_tried(brief, trials, beyond) == [
        "oil = 14 phr lies beyond what was tried (2 to 10): what is predicted there is extrapolated."
    ]


def test_what_is_predicted_beyond_every_reading_is_named():
    brief = brief_of(response=[{"name": "bloom", "unit": "mg"}, {"name": "hardness", "unit": "Shore A"},
                               {"name": "grade", "kind": "rating"}])  # fmt: skip
    trials = pd.DataFrame({"bloom": [3.3, 9.0, np.nan], "hardness": [40.0, 55.0, 60.0], "grade": [2, 2, 2]})
    told = pd.DataFrame(
        {"mean": [1.8, 58.0, 2.5], "batch_low": [-0.9, 41.0, 1.0]}, index=["bloom", "hardness", "grade"]
    )
    assert beyond_read(brief, trials, told) == [
        "bloom = 1.8 mg lies below every reading (3.3 to 9): no trial has shown that it gets there. bloom of a batch may come "
        "out below 0 as predicted, all readings are above. If it cannot be, give it bounds = [0, inf] in the brief."
    ]
    told["mean"], told["batch_low"] = [5.0, 61.0, 2.5], [1.0, 50.0, 1.0]
    assert beyond_read(brief, trials, told) == [
        "hardness = 61 Shore A lies above every reading (40 to 60): no trial has shown that it gets there."
    ]
    told["mean"] = [5.0, 58.0, 2.5]
    assert beyond_read(brief, trials, told) == []
    aside = trials.assign(status=["ok", "ok", "set aside"])  # the 60 does not count
    assert beyond_read(brief, aside, told)[0].startswith(
        "hardness = 58 Shore A lies above every reading (40 to 55)"
    )


def test_what_a_little_less_certainty_would_save_is_said_where_the_confidence_is_not_reached():
    """Hardness 55 ± 8 at the corner of most chalk, 47 asked: as sure as one sd. Dear chalk makes less of it worth while."""
    dear = brief_of(
        response=[{"name": "hardness", "at_least": 47.0}],
        ingredient=[{"name": "rubber", "role": "rubber", "density": 0.94, "price": 2.0},
                    {"name": "oil", "role": "oil", "low": 0, "high": 30, "density": 0.91, "price": 1.2},
                    {"name": "chalk", "role": "filler", "low": 0, "high": 150, "density": 2.71, "price": 9.0}],
    )  # fmt: skip
    cheap = brief_of(response=[{"name": "hardness", "at_least": 47.0}])
    surfaces = KnownSurfaces(dear, [hardness], [8.0])
    asked = {"minimise": "cost_per_kg", "alternatives": 0, "seed": 3}
    answer = suggest(dear, surfaces, confidence=0.95, **asked)
    assert not answer.reached and abs(answer.conformance.true_mean - norm.cdf(1.0)) < 0.02
    note = next(n for n in answer.notes if n.startswith("The most probable formula is dear"))
    assert "with probability 0.80 costs" in note and note.endswith("confidence=0.80 shows it.")
    less = suggest(dear, surfaces, confidence=0.80, premium=0, explain=False, **asked)
    said = float(note.split("costs ")[1].split(" %")[0]) / 100
    assert less.reached and abs(said - (1 - less.cost["per_kg"] / answer.cost["per_kg"])) < 0.003
    surest = suggest(cheap, KnownSurfaces(cheap, [hardness], [8.0]), confidence=0.95, **asked)
    assert not any(
        "is dear" in n for n in surest.notes
    )  # chalk is the cheapest: the surest formula costs least


def test_an_optimum_is_flat_if_nearly_as_cheap_formulas_lie_far_apart():
    brief = brief_of()
    formulas = pd.DataFrame({"oil": [5.0, 5.1, 18.0], "chalk": [60.0, 60.5, 60.0]})
    apart = Found(formulas, np.zeros(3), np.array([1.0, 1.001, 1.009]))
    said = flat_optimum(brief, apart)
    assert said == [
        "The optimum is flat: within 1 % of the best value are formulas with oil from 5 to 18 phr."
    ]
    assert flat_optimum(brief, Found(formulas, np.zeros(3), np.array([1.0, 1.001, 1.02]))) == []
    assert flat_optimum(brief, Found(formulas, np.array([0, 0, 0.1]), np.array([1.0, 1.001, 1.009]))) == []


def test_whether_targets_can_be_met_at_all():
    """Hardness 55 at best, its error an sd of 2 for all formulas alike: one target hangs on the error alone."""
    for least, said in (
        (90.0, "In none of the draws does any"),
        (50.0, "is nearly sure (some formula does in 9"),
    ):
        brief = brief_of(response=[{"name": "hardness", "at_least": least}])
        answer = suggest(
            brief, KnownSurfaces(brief, [hardness], [2.0]), confidence=0.999, alternatives=0, seed=3
        )
        assert any(said in note for note in answer.notes)
    brief = brief_of(response=[{"name": "hardness", "at_least": 56.0}])
    answer = suggest(brief, KnownSurfaces(brief, [hardness], [2.0]), confidence=0.9, alternatives=0, seed=3)
    note = next(note for note in answer.notes if note.startswith("Whether any formula"))
    percent = int(note.split(" of 100 draws")[0].split()[-1])
    assert abs(percent / 100 - norm.cdf(-1 / 2)) < 3 * np.sqrt(0.31 * 0.69 / 1000) + 0.005
    assert note.endswith("If so, this one does with probability 1.00.")


@pytest.fixture(scope="module")
def few():
    """So few and noisy trials that the prior has a say, and many exact ones where it has none."""
    brief = brief_of(response=[{"name": "hardness", "at_least": 40.0}])
    rng, made = np.random.default_rng(5), {}
    for name, count, sd in (("few", 9, 2.5), ("many", 80, 0.05)):
        frame = Region(brief).sample(count, 2)
        made[name] = frame.assign(hardness=hardness(frame) + rng.normal(0, sd, count))
    return brief, {name: fit(brief, frame, kind="gaussian process", seed=1) for name, frame in made.items()}


def test_a_verdict_is_tried_under_other_priors(few):
    brief, surfaces = few
    edge = brief.complete(pd.DataFrame({"oil": [20.0], "chalk": [110.0]}))

    def spread(part):
        (said,) = under_other_priors(brief, part, edge, "true_mean", None, 1)
        return abs(
            float(said.split("would be ")[1].split(",")[0]) - float(said.split("of double ")[1].rstrip("."))
        )

    assert spread(surfaces["many"]) < 0.02 < spread(surfaces["few"])
    (said,) = under_other_priors(brief, surfaces["few"], edge, "true_mean", 0.99, 1)
    assert said.endswith("the verdict hangs on the prior. More trials near this formula would settle it.")


def test_surfaces_without_priors_say_nothing_of_them(few):
    brief, _ = few
    assert (
        under_other_priors(
            brief,
            KnownSurfaces(brief, [hardness], [1.0]),
            brief.complete({"oil": 1.0, "chalk": 90.0}),
            "true_mean",
            0.9,
            1,
        )
        == []
    )


def test_the_doubts_are_in_the_notes_of_a_suggestion(few):
    brief, surfaces = few
    answer = suggest(brief, surfaces["few"], maximise="conformance", seed=1)
    assert any(note.startswith("With priors of half the scale") for note in answer.notes)
