"""Confirmation of what was predicted, and promises kept and scored."""

import shutil

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2, norm

from formlab import Region, demo, fit, open_series, suggest
from formlab.errors import SuggestError
from formlab.report.story import story_of
from formlab.suggest import (
    beside_promised,
    confirm,
    confirm_promise,
    confirmation_trials,
    score_promises,
    settle_promises,
)
from formlab.suggest.conformance import as_judged, passes
from formlab.suggest.promises import _likeness, made_with, promised_formula
from tests.test_suggest import two_known


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


def test_limits_decide_where_they_can_and_are_not_compared():
    """Smear is to be at most 20: below 15 is met, above 25 is not, above 15 is open."""
    brief, surfaces = two_known()
    smear = brief.by_name["smear"]
    low, high = smear.target
    assert np.isinf(low) and np.isfinite(high)
    batch = pd.DataFrame({"smear": [high - 5, high - 6], "smear_censored": ["below", ""]})
    assert passes(smear, batch) is True
    assert passes(smear, batch.assign(smear_censored=["above", ""])) is None
    assert passes(smear, pd.DataFrame({"smear": [high + 5.0], "smear_censored": ["above"]})) is False
    assert passes(smear, batch.drop(columns="smear_censored")) is True
    assert passes(smear, batch.assign(smear=np.nan)) is None
    assert np.isnan(as_judged(smear, batch)) and as_judged(smear, batch[["smear"]]) == high - 5.5
    middle = smear.model_copy(update={"statistic": "median"})
    three = pd.DataFrame({"smear": [1.0, 5.0, 9.0], "smear_censored": ["below", "", "above"]})
    assert as_judged(middle, three) == 5.0  # wherever the outer two lie

    made = pd.DataFrame({"oil": [5.0], "chalk": [80.0], "batch": ["B9"], "hardness": [60.0], "smear": [high - 5],
                         "smear_censored": ["below"]})  # fmt: skip
    got = confirm(brief, IndependentBatches(surfaces), made, seed=1)
    assert got.table["response"].tolist() == ["hardness"]
    drawn = IndependentBatches(surfaces).draw(4000, seed=1).accepted(brief.complete(made), seed=2)[:, 0, 1]
    share = float(got.verdict.rsplit("probability of ", 1)[1].rstrip("."))
    assert (
        "Read only below or above, and so in no limits above: smear of batch B9; that this reads so"
        in got.verdict
    )
    assert share == pytest.approx((drawn <= high - 5).mean(), abs=0.03)
    above = made.assign(smear=high + 1, smear_censored="above")
    failed = confirm(brief, IndependentBatches(surfaces), above, seed=1)
    assert failed.verdict.startswith(
        "Beyond the target, whatever lies behind their limits: smear of batch B9. "
    )
    some = Region.from_brief(brief).sample(400, seed=1)
    means = surfaces.means(some)
    off = np.abs(means[:, 1] - high) + 1e3 * ~brief.by_name["hardness"].meets(means[:, 0])
    edge = some.iloc[[int(off.argmin())]].reset_index(drop=True)
    hardness = surfaces.means(edge)[:, 0]
    made, above = (
        m[["batch", "smear", "smear_censored"]].join(edge).assign(hardness=hardness) for m in (made, above)
    )
    lower, none, higher = (
        confirm(brief, IndependentBatches(surfaces), one, seed=1).updated["after"].iloc[0]
        for one in (made.assign(smear=high - 1), made.drop(columns=["smear", "smear_censored"]), above)
    )
    assert higher < none < lower  # a limit is evidence too
    with pytest.raises(SuggestError, match="All readings of the confirmation trials are limits"):
        confirm(brief, IndependentBatches(surfaces), made.drop(columns="hardness"), seed=1)


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
    assert list(got["batch"]) == ["B1, B2"]
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


def test_batches_of_one_formula_count_less_than_of_several():
    """Whether its true mean meets the targets is one event for all of them; the correlation by counting in a simulation."""
    rng = np.random.default_rng(1)
    meets = rng.random(200_000) < 0.9
    two = meets[:, None] & (rng.random((200_000, 2)) < 0.75 / 0.9)
    together = np.corrcoef(two.T.astype(float))[0, 1]
    assert_allclose(_likeness(pd.Series({"true_mean": 0.9, "accepted": 0.75})), together, atol=0.01)
    alone, alike = (
        score_promises([0.75] * 6, [False] * 6, counts=c).shift for c in (1.0, 1 / (1 + 5 * together))
    )
    assert alone < alike < score_promises([0.75], [False]).shift


def test_promises_are_kept_in_the_series_and_settled_by_later_batches(suggested, tmp_path):
    series, trials, _, answer = suggested
    brief = series.brief
    series.save_promise(answer, who="A")
    kept = open_series(tmp_path / "wedge").promises()
    assert_allclose(kept["accepted"], [answer.conformance.accepted])
    assert settle_promises(brief, kept, trials).empty  # nothing of that formula has been made yet
    meets = {"erasure": 70.0, "crumble": 33.0, "hardness": 59.0, "smear": 33.0}
    assert all(bool(brief.by_name[name].meets(value)) for name, value in meets.items())
    made = answer.frame.loc[[0, 0]].assign(batch=["B90", "B91"], **meets)
    made.loc[made["batch"] == "B91", "hardness"] = 80.0
    settled = settle_promises(brief, kept, made.reset_index(drop=True))
    assert list(settled["batch"]) == ["B90", "B91"]
    assert list(settled["came_true"]) == [True, False]
    kept.at[0, "made"] = ["B90"]
    assert list(settle_promises(brief, kept, made.reset_index(drop=True))["batch"]) == ["B91"]


def test_a_promise_may_be_older_than_an_ingredient_or_a_setting(suggested):
    """It held none of a new ingredient; what a new setting was is not known, so it is no test."""
    series, trials, _, answer = suggested
    series.save_promise(answer)
    kept = series.promises()
    made = answer.frame.assign(batch="B90", **demo.TRUTHS["ink_wedge"](series.brief, answer.frame).iloc[0])
    more = series.brief.model_dump(by_alias=True, exclude_none=True)
    more["ingredient"].append({"name": "talc", "low": 0.0, "high": 5.0, "density": 2.7, "price": 0.5})
    new = type(series.brief)(**more)
    assert len(settle_promises(new, kept, made.assign(talc=0.0))) == 1
    assert settle_promises(new, kept, made.assign(talc=3.0)).empty
    assert promised_formula(new, kept.iloc[-1])["talc"].tolist() == [0.0]
    more["setting"] = [*more["setting"], {"name": "press_c", "low": 140, "high": 160}]
    more["current"]["press_c"] = 150
    assert settle_promises(type(new)(**more), kept, made.assign(talc=0.0, press_c=150.0)).empty
    with pytest.raises(SuggestError, match="The promise is older than the setting 'press_c'"):
        promised_formula(type(new)(**more), kept.iloc[-1])


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
    assert any(
        note.startswith("Of 6 batches promised to pass at") and ", 0 did" in note
        for note in story.answer.notes
    )


# ---- the batches themselves ----------------------------------------------------------------------------


def test_confirmation_batches_go_on_from_the_trials_and_are_all_of_one_formula(suggested):
    series, trials, surfaces, answer = suggested
    brief = series.brief
    plan = confirmation_trials(brief, answer, series.trials(unread=True), 3, surfaces=surfaces, seed=1)
    assert list(plan.frame["batch"].unique()) == ["B19", "B20", "B21"]
    assert len(plan.frame) == 3 * brief.plant.slabs_per_batch and set(plan.frame["round"]) == {2}
    width = pd.Series({n: high - low for n, (low, high) in brief.ranges.items()})
    off = (plan.frame[brief.varied] - answer.frame[brief.varied].iloc[0]).abs() / width[brief.varied]
    assert (off <= 0.01).all(axis=None) and Region.from_brief(brief).contains(plan.frame).all()
    with pytest.raises(SuggestError, match="count = 0; ask for at least 1"):
        confirmation_trials(brief, answer, trials, 0)


def test_what_is_expected_of_confirmation_batches_is_the_normal_law():
    """One response, a known mean and errors of batches: each passes with Phi, all of them by the integral over the mean."""
    brief, surfaces = two_known()
    at = {"oil": 5.0, "chalk": 80.0}
    plan = confirmation_trials(
        brief, at, pd.DataFrame(), 2, slabs=1, surfaces=IndependentBatches(surfaces), seed=1
    )
    rng = np.random.default_rng(3)
    ends = np.array([r.target for r in brief.responses])
    means = (
        surfaces.means(brief.complete(pd.DataFrame([at])))[0] + rng.normal(size=(200_000, 2)) * surfaces.sds
    )
    inside = norm.cdf((ends[:, 1] - means) / surfaces.batch_sds) - norm.cdf(
        (ends[:, 0] - means) / surfaces.batch_sds
    )
    one = inside.prod(axis=1)
    said = plan.notes[0]
    each, every = (
        float(said.split(word)[1].split(",")[0].split(":")[0]) for word in ("probability ", "all 2 with ")
    )
    assert_allclose([each, every], [one.mean(), (one**2).mean()], atol=0.03)


def test_a_promise_is_held_against_what_was_known_then(suggested):
    series, trials, surfaces, answer = suggested
    brief = series.brief
    series.save_promise(answer)
    promise = series.promises().iloc[-1]
    with pytest.raises(SuggestError, match="No batch of the promised formula has been read since"):
        confirm_promise(brief, promise, trials, kind="least squares", seed=1)
    made = confirmation_trials(brief, answer, trials, 2).frame
    truth = demo.TRUTHS["ink_wedge"](brief, made)
    later = pd.concat([trials, made.assign(**truth)], ignore_index=True)
    assert made_with(promise) == ("least squares", False) and made_with(pd.Series()) == ("auto", False)
    told = confirm_promise(brief, promise, later, seed=1)  # the kind that it was made with
    by_hand = confirm(brief, fit(brief, trials, kind="least squares", seed=1), made.assign(**truth), seed=1)
    pd.testing.assert_frame_equal(told.table, by_hand.table)
    meets = told.table.set_index(["batch", "response"])["meets"]
    for part in brief.responses:
        assert meets["B19", part.name] == (
            bool(part.meets(truth[part.name].mean())) if part.has_target else None
        )
    assert "of 2 batches meet all targets that were read." in told.verdict


def test_a_promise_made_with_a_history_is_held_against_it_too(suggested):
    series, trials, _, answer = suggested
    brief = series.brief
    old = trials.head(12).assign(
        block="history", batch=[f"H{k}" for k in range(12)], trial=[f"H{k}" for k in range(12)]
    )
    rows = pd.concat([trials, old], ignore_index=True)
    made = confirmation_trials(brief, answer, trials, 1).frame
    later = pd.concat([rows, made.assign(**demo.TRUTHS["ink_wedge"](brief, made))], ignore_index=True)
    promise = pd.Series(answer.promise() | {"made": sorted(set(trials["batch"]))})
    assert made_with(pd.Series(answer.promise() | {"history": np.True_}))[1]
    told = confirm_promise(brief, promise, later, seed=1)
    with_it = confirm(brief, fit(brief, rows, kind="least squares", seed=1), later.tail(len(made)), seed=1)
    assert_allclose(told.table["predicted"], with_it.table["predicted"], rtol=0.01)


def test_a_new_suggestion_stands_beside_the_promised_formula_that_was_made(suggested):
    series, trials, surfaces, answer = suggested
    brief = series.brief
    assert beside_promised(brief, surfaces, answer, series.promises(), trials) == ""
    series.save_promise(answer)
    assert beside_promised(brief, surfaces, answer, series.promises(), trials) == ""  # none was made
    made = confirmation_trials(brief, answer, trials, 2).frame
    later = pd.concat([trials, made.assign(**demo.TRUTHS["ink_wedge"](brief, made))], ignore_index=True)
    assert beside_promised(brief, surfaces, answer, series.promises(), later) == ""  # the same formula
    other = suggest(brief, surfaces, confidence=0.5, premium=0, explain=False, alternatives=0, seed=1)
    said = beside_promised(brief, surfaces, other, series.promises(), later, seed=1)
    cheaper = 100 * (1 - other.cost["per_piece"] / brief.costs(answer.frame)["per_piece"].iloc[0])
    assert "of which 2 batches were read" in said
    assert f"this new one {other.conformance.true_mean:.2f}; it costs {cheaper:.1f} % less per piece" in said


def test_batches_that_could_not_be_made_break_a_promise(suggested):
    series, trials, surfaces, answer = suggested
    brief = series.brief
    series.save_promise(answer)
    promise = series.promises().iloc[-1]
    made = confirmation_trials(brief, answer, trials, 2).frame
    read = made.assign(**demo.TRUTHS["ink_wedge"](brief, made), status="ok")
    read.loc[read["batch"] == "B19", [*brief.response_names, "status"]] = [*[np.nan] * 4, "stuck"]
    later = pd.concat([trials, read], ignore_index=True)
    settled = settle_promises(brief, series.promises(), later).set_index("batch")["came_true"]
    assert not settled["B19"] and set(settled.index) == {"B19", "B20"}
    told = confirm_promise(brief, promise, later, kind="least squares", seed=1)
    assert told.verdict.startswith("Could not be made: B19 (stuck). ") and set(told.table["batch"]) == {"B20"}
    none = later[later["batch"] != "B20"]
    with pytest.raises(SuggestError, match=r"Could not be made: B19 \(stuck\)\. Make some of it"):
        confirm_promise(brief, promise, none, kind="least squares", seed=1)
    # weighed a little differently, they are of one formula still
    read = made.assign(**demo.TRUTHS["ink_wedge"](brief, made))
    read["silica"] *= np.where(read["batch"] == "B19", 1.001, 1.0)
    assert confirm(brief, surfaces, read, seed=1).updated["batch"].tolist() == ["B19, B20"]


def test_batches_of_one_formula_have_one_prediction():
    """Else chance of the draws would show as a difference between batches that are one."""
    brief, surfaces = two_known()
    made = pd.DataFrame(
        {"batch": list("ABCD"), "oil": [5.0, 5.0, 5.0, 8.0], "chalk": 80.0, "hardness": 45.0, "smear": 10.0}
    )
    table = confirm(brief, IndependentBatches(surfaces), made, draws=400, seed=1).table.set_index(
        ["response", "batch"]
    )
    for name in ("hardness", "smear"):
        lines = table.loc[name, ["predicted", "low", "high"]]
        assert (lines.loc[["A", "B", "C"]].nunique() == 1).all() and (lines.loc["D"] != lines.loc["A"]).all()
