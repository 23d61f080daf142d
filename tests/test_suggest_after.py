"""What follows from a suggestion: trade-offs, replacement, robustness, confirmation, rehearsal, next trials."""

import shutil
import sys

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog
from scipy.stats import chi2, norm

from formlab import Brief, demo, fit, open_series, suggest
from formlab.errors import SuggestError
from formlab.html import number
from formlab.plans import Plan
from formlab.region import Region
from formlab.report.story import story_of
from formlab.suggest import (
    confirm,
    conformance,
    cost_frontier,
    cost_scenarios,
    find_conflict,
    next_trials,
    operating_window,
    rehearse,
    replace_ingredient,
    response_frontier,
    risks,
    score_promises,
    settle_promises,
    strayed_conformance,
    trial_cost,
)
from formlab.terms import ModelSpace
from tests.known_surfaces import KnownSurfaces
from tests.test_suggest import brief_of, hardness


def smear(frame):
    return 5.0 + 1.0 * frame["oil"].to_numpy()


TWO = [
    {"name": "hardness", "unit": "Shore A", "at_least": 40.0, "matters": 1.0},
    {"name": "smear", "unit": "x", "at_most": 20.0, "matters": 1.0},
]


def two_known(**changes):
    brief = brief_of(response=TWO, **changes)
    return brief, KnownSurfaces(brief, [hardness, smear], [2.0, 1.5], [1.0, 0.5])


def test_cost_rises_with_the_confidence_asked():
    brief, surfaces = two_known()
    frame = cost_frontier(brief, surfaces, confidences=(0.6, 0.9, 0.98), seed=2)
    assert frame["cost_per_litre"].is_monotonic_increasing
    assert_allclose(frame["conformance"], frame["asked"], atol=0.025)


def test_frontier_of_two_responses_is_the_line_between_the_corners():
    """Hardness 40 + 0.1 chalk - 0.5 oil against smear 5 + oil: the best has chalk at its top throughout."""
    brief = brief_of(response=[TWO[0], {"name": "smear", "at_least": 20.0}])
    surfaces = KnownSurfaces(brief, [hardness, smear], [2.0, 1.5])
    frame = response_frontier(brief, surfaces, "hardness", "smear", points=5, seed=1)
    assert_allclose(frame["chalk"].iloc[:-1], 150, atol=0.1)
    assert_allclose(frame["hardness"].iloc[:-1], 55 - 0.5 * (frame["smear"].iloc[:-1] - 5), atol=0.02)


def test_frontiers_are_held_against_today():
    brief, surfaces = two_known(current={"oil": 5.0, "chalk": 60.0})
    today = brief.costs(brief.baseline)["per_litre"].iloc[0]
    frame = cost_frontier(brief, surfaces, confidences=(0.6, 0.9), seed=2)
    assert_allclose(frame["saving"], today - frame["cost_per_litre"], atol=1e-12)
    both = response_frontier(brief, surfaces, "hardness", "smear", points=3, seed=1)
    assert_allclose(both["hardness change"], both["hardness"] - 43.5)
    assert_allclose(both["smear change"], both["smear"] - 10.0)


def test_risks_of_a_formula_do_not_depend_on_what_else_is_asked():
    series = open_series("demo_trials/drafting_block")
    draws = fit(series.brief, series.trials(), kind="least squares", seed=1).draw(2000, seed=1)
    ends = Region(series.brief).sample(2, 5)
    together = risks(series.brief, draws, ends, guard=1.0)
    alone = pd.concat([risks(series.brief, draws, ends.iloc[[k]], guard=1.0) for k in range(2)])
    pd.testing.assert_frame_equal(together, alone)


def test_risks_of_one_normal_response():
    """JCGM 106:2012 9.5 for a normal true value and a normal error, by numerical integration."""
    brief = brief_of()

    class Measured(KnownSurfaces):
        def draw(self, draws, seed=None):
            drawn = super().draw(draws, seed)
            error = np.random.default_rng(99).normal(size=(draws, 1, 1))
            drawn.accepted = lambda frame, seed=None: drawn.new_batch(frame) + error
            return drawn

    surfaces = Measured(brief, [hardness], [1e-9], [2.0])
    frame = pd.DataFrame({"oil": [0.0], "chalk": [10.0]})  # mean 41, limit 40
    got = risks(brief, surfaces.draw(400_000, 1), frame).iloc[0]
    grid = np.linspace(-8, 8, 20_001)
    weight = norm.pdf(grid) / norm.pdf(grid).sum()
    true = 41 + 2.0 * grid
    passes = norm.cdf(true - 40)
    assert_allclose(got["consumers_risk"], (weight * passes * (true < 40)).sum(), atol=2e-3)
    assert_allclose(got["producers_risk"], (weight * (1 - passes) * (true >= 40)).sum(), atol=2e-3)
    guarded = risks(brief, surfaces.draw(400_000, 1), frame, guard=1.0).iloc[0]
    assert guarded["consumers_risk"] < got["consumers_risk"]
    assert guarded["producers_risk"] > got["producers_risk"]


def test_window_of_a_linear_surface():
    """Hardness falls by 0.1 per chalk and 0.5 per oil, so the worst corner of the window is known."""
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    start = {"oil": 10.0, "chalk": 100.0}  # mean 45
    window = operating_window(brief, surfaces, start, confidence=0.8, draws=20_000, seed=1)
    margin = 45 - 40 - 2.0 * norm.ppf(0.8)
    size = margin / (0.5 * 1.5 + 0.1 * 7.5)
    assert_allclose(window.loc["oil", "plus_minus"], size * 1.5, rtol=0.03)
    assert_allclose(window.loc["chalk", "high"], 100 + size * 7.5, rtol=0.03)


def test_straying_costs_what_the_normal_law_says():
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    got = strayed_conformance(
        brief, surfaces, {"oil": 5.0, "chalk": 60.0}, {"oil": 4.0}, draws=4000, batches=2000, seed=1
    )
    assert_allclose(got["as_planned"], norm.cdf(3.5 / 2), atol=0.02)
    oil = np.maximum(5 + 4.0 * np.linspace(-4, 4, 2001), 0)  # nobody weighs less than nothing
    weight = norm.pdf(np.linspace(-4, 4, 2001))
    expected = (weight * norm.cdf((6.0 - 0.5 * oil) / 2)).sum() / weight.sum()
    assert_allclose(got["strayed"], expected, atol=0.02)


def test_lots_cost_what_the_normal_law_says():
    """Hardness falls by 0.5 per phr of oil: active content, density and viscosity add as independent errors do."""
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    lots = {"oil": {"active": 0.10, "density": 0.08, "hardness": 1.5}}
    got = strayed_conformance(
        brief, surfaces, {"oil": 10.0, "chalk": 60.0}, lots=lots, draws=4000, batches=4000, seed=1
    )
    mean = hardness(pd.DataFrame({"oil": [10.0], "chalk": [60.0]}))[0]
    z = np.linspace(-5, 5, 201)
    weight = norm.pdf(z)
    oil = 10 * (1 + 0.10 * z[:, None]) / (1 + 0.08 * z)
    p = norm.cdf((mean - 0.5 * (oil - 10) - 40) / np.hypot(2.0, 1.5))
    assert_allclose(got["as_planned"], norm.cdf((mean - 40) / 2.0), atol=0.02)
    assert_allclose(got["strayed"], (weight[:, None] * weight * p).sum() / weight.sum() ** 2, atol=0.02)
    assert abs(got["strayed"] - got["as_planned"]) > 0.02


@pytest.mark.parametrize(
    ("lots", "words"),
    [
        ({"hoil": {"active": 0.1}}, r"lots: 'hoil' is no ingredient; choose among"),
        (
            {"oil": {"colour": 0.1}},
            r"lots of oil: 'colour' is not known; give any of \['active', 'density', 'hardness'\]",
        ),
    ],
)
def test_lots_of_what_is_not_there_are_refused(lots, words):
    brief = brief_of()
    with pytest.raises(SuggestError, match=words):
        strayed_conformance(
            brief, KnownSurfaces(brief, [hardness], [2.0]), {"oil": 5.0, "chalk": 60.0}, lots=lots
        )


def test_confirmation_p_value_is_uniform_when_the_prediction_is_right():
    brief, surfaces = two_known()
    frame = pd.DataFrame({"oil": [5.0, 9.0], "chalk": [80.0, 120.0], "batch": ["B1", "B2"]})
    rng = np.random.default_rng(4)
    p = []
    for k in range(200):
        shift = rng.normal(size=2) * surfaces.sds
        made = frame.copy()
        values = surfaces.means(frame) + shift + rng.normal(size=(2, 2)) * surfaces.batch_sds
        made["hardness"], made["smear"] = values.T
        p.append(confirm(brief, IndependentBatches(surfaces), made, draws=800, seed=k).p_value)
    counts = np.histogram(p, bins=5, range=(0, 1))[0]
    assert chi2.sf(((counts - 40) ** 2 / 40).sum(), 4) > 0.001


class IndependentBatches:
    """Known surfaces whose batch errors follow the seed given, as those of `Draws` do."""

    def __init__(self, surfaces):
        self.surfaces = surfaces

    def draw(self, draws, seed=None):
        drawn, surfaces = self.surfaces.draw(draws, seed), self.surfaces

        def accepted(frame, seed=None, slabs=None):
            noise = np.random.default_rng(seed).normal(size=(draws, 2)) * surfaces.batch_sds
            return drawn.mean(frame) + noise[:, None, :]

        drawn.accepted = accepted
        return drawn


def test_confirmation_takes_the_error_of_the_slabs_that_were_cut():
    """Slabs of one batch read as far apart as their own error says: fewer of them, wider limits."""
    series = open_series("demo_trials/drafting_block")
    surfaces = fit(series.brief, series.trials(), kind="least squares", seed=1)
    made = series.brief.complete(series.brief.baseline).assign(batch="B90", trial="T90", erasure=88.0)
    cut = pd.concat([made.assign(trial=f"T{90 + k}") for k in range(4)], ignore_index=True)
    one, four = (confirm(series.brief, surfaces, t, seed=1).table.iloc[0] for t in (made, cut))
    asked = surfaces.draw(4000, seed=3).accepted(made, slabs=1)[:, 0, 0]
    assert_allclose(one[["low", "high"]].astype(float), np.quantile(asked, [0.025, 0.975]), atol=0.25)
    planned = confirm(series.brief, surfaces, made.drop(columns="trial"), seed=1).table.iloc[0]
    widths = [line["high"] - line["low"] for line in (one, planned, four)]
    assert widths[0] > 1.05 * widths[1] > 1.05 * widths[2]  # 1, 2 (the brief's) and 4 slabs


def test_confirmation_says_which_batch_disagrees():
    brief, surfaces = two_known()
    made = pd.DataFrame({"oil": [5.0], "chalk": [80.0], "batch": ["B9"], "hardness": [70.0], "smear": [10.0]})
    got = confirm(brief, IndependentBatches(surfaces), made, seed=1)
    assert not got.agrees
    assert "They do NOT agree: hardness of batch B9 lies farthest out, above the prediction." in got.verdict


def test_confirmation_updates_conformance_as_the_normal_law_says():
    """Normal prior and normal error: the posterior of a mean is known in closed form."""
    brief, surfaces = two_known()
    made = pd.DataFrame(
        {"oil": 5.0, "chalk": 80.0, "batch": ["B1", "B2"], "hardness": [46.0, 47.0], "smear": [9.0, 10.0]}
    )
    got = confirm(brief, IndependentBatches(surfaces), made, draws=60_000, seed=1).updated
    means = surfaces.means(brief.complete(made.head(1)))[0]
    sds, errors, ends = np.array([2.0, 1.5]), np.array([1.0, 0.5]) / np.sqrt(2), np.array([40.0, 20.0])
    read = made[["hardness", "smear"]].mean().to_numpy()
    weight = sds**2 / (sds**2 + errors**2)
    after, after_sd = means + weight * (read - means), sds * np.sqrt(1 - weight)
    side = np.array([1, -1])
    assert list(got["batch"]) == ["B1"]
    assert_allclose(got["before"][0], np.prod(norm.cdf(side * (means - ends) / sds)), atol=0.006)
    assert_allclose(got["after"][0], np.prod(norm.cdf(side * (after - ends) / after_sd)), atol=0.006)


def test_promises_are_scored_and_only_misses_widen():
    bad = score_promises([0.9] * 20, [True] * 12 + [False] * 8)
    assert_allclose(bad.brier, (12 * 0.01 + 8 * 0.81) / 20)
    assert bad.honest(0.9) < 0.8
    good = score_promises([0.9] * 20, [True] * 20)
    assert good.shift == 0.0 and good.honest(0.9) == pytest.approx(0.9)
    with pytest.raises(SuggestError, match="Give as many outcomes as claims"):
        score_promises([1.0], [True])


@pytest.fixture
def suggested(tmp_path):
    """The ink wedge in a folder of its own, its trials, their surfaces, and what is suggested from them."""
    series = open_series(shutil.copytree("demo_trials/ink_wedge", tmp_path / "wedge"))
    trials = series.trials()
    surfaces = fit(series.brief, trials, kind="least squares", seed=1)
    return series, trials, surfaces, suggest(series.brief, surfaces, seed=1, explain=False, alternatives=0)


def test_promises_are_kept_in_the_series_and_settled_by_later_batches(suggested, tmp_path):
    series, trials, _, answer = suggested
    brief = series.brief
    series.save_promise(answer, who="A")
    kept = open_series(tmp_path / "wedge").promises()
    assert_allclose(kept["accepted"], [answer.conformance.accepted])
    assert settle_promises(brief, kept, trials).empty  # nothing of that formula has been made yet
    made = answer.frame.loc[[0, 0]].assign(
        batch=["B90", "B91"], **demo.TRUTHS["ink_wedge"](brief, answer.frame).iloc[0]
    )
    made.loc[made["batch"] == "B91", "hardness"] = 80.0
    settled = settle_promises(brief, kept, made.reset_index(drop=True))
    assert list(settled["batch"]) == ["B90", "B91"]
    assert list(settled["came_true"]) == [True, False]
    kept.at[0, "made"] = ["B90"]
    assert list(settle_promises(brief, kept, made.reset_index(drop=True))["batch"]) == ["B91"]


def test_a_report_tells_of_past_promises_and_lowers_its_claims(suggested):
    series, trials, surfaces, answer = suggested
    brief = series.brief
    series.save_promise(answer)
    assert set(series.promises()["made"].iloc[0]) == set(trials["batch"])
    ruined = answer.frame.loc[[0] * 6].assign(
        batch=[f"B9{k}" for k in range(6)], trial=[f"T9{k}" for k in range(6)]
    )
    ruined = ruined.assign(**demo.TRUTHS["ink_wedge"](brief, answer.frame).iloc[0]).assign(hardness=80.0)
    later = pd.concat([trials, ruined], ignore_index=True)
    story = story_of(series, later, surfaces, None, None, "least squares", 0.9, 1, lambda place, name: None)
    assert story.answer.shift < 0
    assert any(note.startswith("Of 6 promises at") and "0 came true" in note for note in story.answer.notes)


def test_two_targets_that_fight_and_what_each_must_give():
    """Hardness at least 50 wants no oil, slip at least 25 wants 20 of it: linear, so the answer is known."""
    brief = brief_of(
        response=[
            {"name": "hardness", "unit": "Shore A", "at_least": 50.0, "matters": 1.0},
            {"name": "slip", "unit": "x", "at_least": 25.0, "matters": 1.0},
            {"name": "smear", "at_most": 90.0, "matters": 1.0},
        ]
    )
    surfaces = KnownSurfaces(brief, [hardness, smear, smear], [0.5, 0.5, 0.5])
    conflict = find_conflict(brief, surfaces, confidence=0.9, seed=1)
    assert conflict.fighting == conflict.sets["targets"].iloc[-1] == ("hardness", "slip")
    give = conflict.give.set_index("response")["give"]
    # slip 25 + m at oil = 20 + m leaves hardness 45 - m / 2; both need about 1.6 of their sds
    assert 5.0 < give["hardness"] < 6.6
    assert 10.0 < give["slip"] < 13.2
    assert (
        "hardness and slip fight most: both together are met with probability 0.00 at best. To"
        in conflict.words
    )
    # 3 m is 10 and three margins of the doubt: slip 25 - m at oil = 20 - m leaves hardness 45 + m / 2
    assert 3.3 < conflict.give["equally"].iloc[0] == conflict.give["equally"].iloc[1] < 4.4


def test_three_targets_that_only_together_are_too_much():
    """Two of u >= 0.6, v >= 0.6 and u + v <= 1 can be met, three lack 0.2 and three margins of the doubt."""
    brief = brief_of(
        response=[
            {"name": "u", "unit": "x", "at_least": 0.6, "matters": 0.05},
            {"name": "v", "unit": "x", "at_least": 0.6, "matters": 0.05},
            {"name": "sum", "unit": "x", "at_most": 1.0, "matters": 0.1},
            {"name": "smear", "at_most": 90.0, "matters": 1.0},
        ]
    )
    u, v = (lambda f: f["oil"].to_numpy() / 30), (lambda f: f["chalk"].to_numpy() / 150)
    surfaces = KnownSurfaces(brief, [u, v, lambda f: u(f) + v(f), smear], [0.01, 0.01, 0.01, 0.5])
    conflict = find_conflict(brief, surfaces, confidence=0.9, draws=800, seed=1)
    assert conflict.fighting == ("u", "v", "sum")
    assert (conflict.sets["best"].iloc[:-1] >= 0.9).all() and conflict.sets["best"].iloc[-1] < 0.01
    lacking = 0.2 + 3 * 0.01 * norm.ppf(0.9 ** (1 / 3))
    give = conflict.give.set_index("response")
    assert_allclose(give["give"], lacking, atol=0.011)  # sizes are found to a tenth of what matters
    assert_allclose(give["equally"], np.array([1, 1, 2]) * lacking / 4, atol=0.011)
    assert_allclose(give["alone"], 1.0)
    assert conflict.words.startswith(
        "u, v and sum fight most: all three together are met with probability 0.00 at best, any two of them with 0.90 or more. "
        "To reach 0.90 for all targets, relax u (at least 0.6 x) by 0.2"
    )
    assert ". Or each a little: u (at least 0.6 x) by 0.0" in conflict.words


def test_two_fights_at_once_are_said():
    """Relaxing either target of one pair leaves the other pair fighting."""
    ends = {"u": 0.9, "v": 0.9, "less": -0.1, "few": -0.1}
    brief = brief_of(response=[{"name": n, "at_least": e, "matters": 0.01} for n, e in ends.items()])
    u, v = (lambda f: f["oil"].to_numpy() / 30), (lambda f: f["chalk"].to_numpy() / 150)
    surfaces = KnownSurfaces(brief, [u, v, lambda f: -u(f), lambda f: -v(f)], [0.01] * 4)
    conflict = find_conflict(brief, surfaces, confidence=0.9, seed=1)
    assert set(conflict.fighting) in ({"u", "less"}, {"v", "few"})
    assert np.isinf(conflict.give[["give", "equally"]]).all(axis=None)
    assert conflict.words.endswith(
        f"No relaxing of one of {' and '.join(conflict.fighting)} is enough, nor of all together: other targets fight as well."
    )


def test_a_target_out_of_reach_is_not_said_to_fight():
    """Hardness is 55 at most, so 58 asks 3 more of the region and 1.28 sds of the doubt."""
    brief = brief_of(
        response=[{"name": "hardness", "unit": "Shore A", "at_least": 58.0, "matters": 1.0}, TWO[1]]
    )
    surfaces = KnownSurfaces(brief, [hardness, smear], [0.5, 0.5])
    conflict = find_conflict(brief, surfaces, confidence=0.9, draws=4000, seed=1)
    assert list(conflict.give["response"]) == ["hardness"]
    assert_allclose(conflict.give["give"], 3 + 0.5 * norm.ppf(0.9), atol=0.13)
    assert conflict.words.startswith("Out of reach even alone: hardness with probability 0.00 at best. ")
    assert "it takes hardness (at least 58 Shore A) by 3." in conflict.words
    answer = suggest(brief, surfaces, confidence=0.9, alternatives=0, seed=1)
    assert answer.notes[1].startswith("Out of reach even alone: hardness")
    calm = find_conflict(*two_known(), confidence=0.9, seed=1)
    assert calm.give.empty and calm.words.endswith("at best: none has to give.")


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


def test_replacement_is_weighed_against_the_trials_that_would_make_sure():
    brief, surfaces = replaced()
    got = replace_ingredient(brief, surfaces, "silica", "kaolin", shares=(0.0, 0.2, 0.9), batches=3, seed=1)
    best = got.table[got.table["reached"]]["saving_per_year"].max()
    assert_allclose(got.trials_cost, trial_cost(brief, 3, got.trials.frame))
    assert got.notes[-1].endswith(
        f"earned back in {number(365 * got.trials_cost / best, 2)} days of a saving of {best:.4g} EUR per year."
    )
    assert "3 more batches would make sure of" in got.notes[-1]
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


@pytest.fixture(scope="module")
def wedge():
    series = open_series("demo_trials/ink_wedge")
    trials = series.trials()
    return series.brief, trials, fit(series.brief, trials, kind="least squares", seed=1)


def test_next_trials_continue_the_plan_inside_the_region(wedge):
    brief, trials, surfaces = wedge
    plan = next_trials(brief, surfaces, trials, count=3, seed=4)
    assert list(plan.frame["trial"]) == ["T37", "T38", "T39"]
    assert list(plan.frame["batch"]) == ["B19", "B20", "B21"]
    assert set(plan.frame["round"]) == {2}
    assert Region(brief).contains(plan.frame).all()
    assert "Knowing everything would save" in plan.notes[-1]
    again = next_trials(brief, surfaces, trials, count=3, seed=4)
    pd.testing.assert_frame_equal(plan.frame, again.frame)
    with pytest.raises(SuggestError, match="count = 0; ask for at least 1 trial."):
        next_trials(brief, surfaces, trials, count=0)


def test_next_trials_keep_limits_in_which_a_level_stands():
    brief = brief_of(
        setting=[{"name": "cuts", "levels": [1.0, 20.0, 40.0]}],
        limit=[{"expression": "chalk + cuts <= 100"}],
    )
    surfaces = KnownSurfaces(brief, [lambda f: hardness(f) + 0.05 * f["cuts"].to_numpy()], [2.0], [1.0])
    for seed in range(3):
        chosen = next_trials(brief, surfaces, pd.DataFrame(), count=6, seed=seed).frame
        assert Region(brief).contains(chosen).all()


def test_next_trials_share_a_batch_and_fill_loads():
    """Slabs of a batch differ only in what changes with the load or slab; a load holds one press setting."""
    series = open_series("demo_trials/drafting_block")
    trials = series.trials()
    brief = series.brief.model_copy(
        update={"settings": (series.brief.settings[0].model_copy(update={"changes": "load"}),)}
    )
    surfaces = fit(brief, trials, kind="least squares", seed=1)
    plan = next_trials(brief, surfaces, trials, count=3, slabs=3, seed=4).frame
    assert list(plan.groupby("batch").size()) == [3, 3, 3]
    assert (plan.groupby("batch")[brief.ingredient_names].nunique() == 1).all().all()
    assert Region(brief).contains(plan).all()
    assert (plan.groupby("load")["cure_min"].nunique() == 1).all()
    assert plan.groupby("load").size().max() <= brief.plant.slabs_per_load
    with pytest.raises(SuggestError, match="slabs = 0; ask for at least 1 slab of a batch."):
        next_trials(brief, surfaces, trials, slabs=0)


def test_another_round_is_worth_what_it_can_save_in_a_year():
    """A mean known to 2 is backed off by 1.28 of it; knowing it would take that back, at the price of the hardness."""
    few, many = (
        brief_of(piece={"volume_cm3": 10.0, "per_year": per_year}, plant={"mill_h": 1.0, "rate_per_h": 50.0})
        for per_year in (1000, 10_000_000)
    )
    words = [
        next_trials(b, KnownSurfaces(b, [hardness], [2.0], [1.0]), pd.DataFrame(), count=2, seed=1).notes[-1]
        for b in (few, many)
    ]
    assert all(f"this round costs {trial_cost(few, 2):.3g} EUR" in text for text in words)
    ends = [text.endswith("Another round is hardly worth its mill time.") for text in words]
    assert ends == [True, False]
    # every world is a linear-fractional programme: exact by Charnes & Cooper, with the litres equal to 1
    volume, z = [1 / 0.91, 1 / 2.71, 100 / 0.94], norm.ppf((np.arange(400) + 0.5) / 400)
    costs = [
        linprog([1.2, 0.2, 200.0], A_ub=[[0.5, -0.1, m], [1, 0, -30], [0, 1, -150]], b_ub=np.zeros(3),
                A_eq=[volume], b_eq=[1.0]).fun for m in [2.0 * norm.ppf(0.9), *(2.0 * z)]
    ]  # fmt: skip
    saved = float(words[1].split("It is ")[1].split(" EUR")[0])
    assert_allclose(
        saved, 10_000_000 * 10.0 / 1000 * (costs[0] - np.mean(costs[1:])), rtol=0.2
    )  # 400 worlds, 16 searched


def test_a_round_that_cannot_make_surer_is_not_worth_it():
    """Hardness is 55 at most: at least 30 is sure already, at least 55 is a coin that a trial would turn."""
    sure, open_ = (
        brief_of(response=[{"name": "hardness", "at_least": v, "matters": 1.0}]) for v in (30.0, 55.0)
    )
    words = [
        next_trials(
            b, KnownSurfaces(b, [hardness], [2.0], [1.0]), pd.DataFrame(), count=2, seed=1, **asked
        ).notes[-1]
        for b, asked in ((sure, {"maximise": "conformance"}), (open_, {}), (sure, {"maximise": "hardness"}))
    ]
    assert words[0].startswith("The best formula so far is 1.00 sure") and words[0].endswith("its mill time.")
    assert words[1].endswith("As likely is it that more trials find one.")
    assert words[2].startswith("Knowing everything would bring about 0 more of hardness") and words[
        2
    ].endswith("its mill time.")


def test_what_could_not_be_made_is_avoided():
    """Every blend with much oil stuck to the mill: conformance counts it, and the next trials stay away from it."""
    brief = brief_of(response=[{"name": "hardness", "at_least": 30.0, "sd_slab": 0.5}])
    rng = np.random.default_rng(3)
    frame = Region(brief).sample(40, 2)
    frame["hardness"] = hardness(frame) + rng.normal(0, 0.5, len(frame))
    stuck = frame["oil"] > frame["oil"].median()
    frame["status"] = np.where(stuck, "stuck", "ok")
    frame.loc[stuck, "hardness"] = np.nan
    surfaces = fit(brief, frame, kind="least squares", seed=1)
    draws = surfaces.draw(2000, seed=1)
    ends = frame.iloc[[frame["oil"].idxmax(), frame["oil"].idxmin()]][brief.columns]
    wet, dry = conformance(brief, draws, ends, seed=1)
    assert wet.made < 0.2 < 0.8 < dry.made
    assert wet.true_mean <= wet.made and dry.true_mean > 0.8
    ahead = next_trials(brief, surfaces, frame, count=3, maximise="hardness", seed=1).frame
    assert ahead["oil"].max() < frame["oil"].quantile(0.75)
    answer = suggest(brief, surfaces, maximise="conformance", seed=1, explain=False)
    assert answer.conformance.made > 0.8


def test_next_trials_teach_more_than_random_ones(wedge):
    """For a polynomial the doubt at the suggestion is its leverage, which needs no readings to be known."""
    brief, trials, surfaces = wedge
    near = next_trials(brief, surfaces, trials, count=4, seed=4).frame[brief.columns]
    best, space = demo_best(brief, surfaces), ModelSpace(brief)
    slabs = trials.drop_duplicates("trial")[brief.columns]

    def leverage(extra):
        x = space.matrix(pd.concat([slabs, extra], ignore_index=True))
        row = space.matrix(best)[0]
        return row @ np.linalg.solve(x.T @ x, row)

    random = [leverage(Region(brief).sample(4, seed)) for seed in range(20)]
    assert leverage(near) < np.quantile(random, 0.1)


def demo_best(brief, surfaces):
    from formlab import suggest

    return suggest(brief, surfaces, seed=1, explain=False, alternatives=0).frame


def test_rehearsal_does_not_depend_on_workers():
    brief = brief_of(
        response=[{"name": "hardness", "near": 50.0, "within": 4.0, "sd_batch": 0.5, "sd_slab": 0.4}]
    )
    kwargs = {"batches": (8,), "runs": 3, "kind": "least squares", "seed": 3, "progress": False}
    one = rehearse(brief, {"hardness": {"chalk": 8.0, "oil": -6.0}}, **kwargs)
    two = rehearse(brief, {"hardness": {"chalk": 8.0, "oil": -6.0}}, **kwargs, n_jobs=2)
    pd.testing.assert_frame_equal(one, two)
    assert one["runs"].iloc[0] == 3
    with pytest.raises(SuggestError, match="names 'tar'; choose among the factors"):
        rehearse(brief, {"hardness": {"tar": 1.0}}, **kwargs)


def test_a_plan_of_ones_own_is_rehearsed_and_its_trials_have_a_price():
    """Hardness rises with chalk alone: two levels of it tell all, one level tells nothing and fits nothing."""
    brief = brief_of(
        model="linear", plant={"mill_h": 1.0, "rate_per_h": 50.0},
        response=[{"name": "hardness", "near": 50.0, "within": 4.0, "sd_batch": 0.2, "sd_slab": 0.2}],
    )  # fmt: skip
    guess, asked = (
        {"hardness": {"chalk": 8.0, "oil": -6.0}},
        {"runs": 4, "kind": "least squares", "seed": 3, "progress": False},
    )
    spread = pd.DataFrame({"oil": [0, 30, 0, 30, 15, 15, 0], "chalk": [0, 0, 150, 150, 75, 60, 75]})
    blind = spread.assign(chalk=75.0)
    good, none = (
        rehearse(brief, guess, plan=Plan.from_frame(brief, frame), **asked) for frame in (spread, blind)
    )
    assert list(good["batches"]) == [7] and good["runs"].iloc[0] == 4
    assert good["conforming"].iloc[0] > none["conforming"].iloc[0] == 0
    assert_allclose(good["trials_cost"], trial_cost(brief, 7, brief.complete(spread)))


def test_a_rehearsal_that_is_stopped_returns_what_is_done(monkeypatch):
    brief = brief_of(response=[{"name": "hardness", "near": 50.0, "within": 4.0, "sd_batch": 0.5}])
    module, calls = sys.modules["formlab.suggest.rehearse"], []
    one_run = module._one_run

    def stopped(*job):
        calls.append(1)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return one_run(*job)

    monkeypatch.setattr(module, "_one_run", stopped)
    end = rehearse(brief, batches=(8,), runs=5, kind="least squares", seed=3, progress=False)
    assert list(end["runs"]) == [2]


def test_costs_under_price_scenarios():
    """A dearer oil costs its amount times the difference, over mass or volume; blanks keep the brief's price."""
    brief = brief_of()
    formulas = brief.complete(pd.DataFrame({"oil": [10.0, 0.0], "chalk": [90.0, 90.0]}))
    prices = pd.DataFrame({"dear": {"oil": 2.2, "chalk": np.nan}})
    got = cost_scenarios(brief, formulas, prices).set_index(["formula", "scenario"])
    assert_allclose(got.loc[(0, "dear"), "per_kg"] - got.loc[(0, "brief"), "per_kg"], 10 * 1.0 / 200)
    volume = 10 / 0.91 + 90 / 2.71 + 100 / 0.94
    assert_allclose(got.loc[(0, "dear"), "per_litre"] - got.loc[(0, "brief"), "per_litre"], 10 * 1.0 / volume)
    assert_allclose(got.loc[(1, "dear")], got.loc[(1, "brief")])
