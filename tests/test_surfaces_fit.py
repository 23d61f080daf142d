"""Fitting through a brief: refusals in full, draws, scales, correlation, what is shown."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import t as student

from formlab.brief import Brief
from formlab.errors import FitError
from formlab.surfaces import Surface, fit

INF = float("inf")


def brief(responses=({"name": "hardness"},), **more):
    return Brief(
        ingredient=[
            {"name": "rubber", "role": "rubber", "density": 0.93},
            {"name": "oil", "role": "oil", "low": 5, "high": 25, "density": 0.91},
            {"name": "chalk", "role": "filler", "low": 20, "high": 100, "density": 2.7},
        ],
        response=list(responses),
        **more,
    )


def trials(n=20, seed=0, noise=0.5):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({"oil": rng.uniform(5, 25, n), "chalk": rng.uniform(20, 100, n)})
    frame["hardness"] = 50 - frame["oil"] + 0.2 * frame["chalk"] + rng.normal(0, noise, n)
    return frame


AT = pd.DataFrame({"oil": [10.0, 20.0], "chalk": [40.0, 80.0]}, index=["today", "new"])


def message(*args, **kwargs):
    with pytest.raises(FitError) as caught:
        fit(*args, **kwargs)
    return str(caught.value)


# ---- refusals ------------------------------------------------------------------------------------------


def test_too_few_trials():
    assert message(brief(), trials(4), kind="least squares") == (
        "6 terms cannot be estimated from n_samples = 4 trials. Add at least 2 trial(s), or choose a smaller model than "
        "quadratic."
    )
    assert message(brief(), trials(6), kind="least squares") == (
        "Response 'hardness': 6 terms from n_samples = 6 trials leave no degree of freedom for error, so no interval can be "
        "given. Add at least 1 trial(s), or choose a smaller model."
    )
    assert message(brief(), trials(3)) == (
        "Response 'hardness' has n_samples = 3 trials; kind 'auto' needs at least 4. Add at least 1 trial(s)."
    )
    assert message(brief(), trials(0)) == (
        "There are no trials (n_samples = 0). Load results first, or pass a frame with one row a trial."
    )


def test_term_that_cannot_be_told_apart():
    frame = trials().assign(chalk=lambda f: 3 * f["oil"] + 10)
    assert message(brief(model="linear"), frame, kind="least squares") == (
        "Term 'chalk' is a combination of the other terms in these 20 trials, so its coefficient cannot be estimated. "
        "Vary it separately, or choose a smaller model (model, setting_model, crossed)."
    )


def test_no_variation():
    assert message(brief(), trials().assign(hardness=50.0)) == (
        "Response 'hardness' reads 50 in all 20 trials; a response without variation has no surface. Check the test and its "
        "resolution, or leave it out."
    )


@pytest.mark.parametrize(
    ("kind", "law"), [("averaged", "measure"), ("least squares", "measure"), ("auto", "pass")]
)
def test_an_ingredient_that_is_newer_than_the_trials(kind, law):
    parts = [
        {"name": "rubber", "role": "rubber"},
        {"name": "oil", "low": 0, "high": 20},
        {"name": "talc", "low": 0, "high": 20},
    ]
    made = Brief(ingredient=parts, response=[{"name": "y", "kind": law}], model="linear")
    read = np.array([0, 1, 0, 0, 1, 0, 1, 1, 0, 1, 0, 1, 1, 1.0])
    frame = pd.DataFrame({"rubber": 100.0, "oil": np.linspace(0, 20, 14), "talc": 0.0, "y": read})
    with pytest.raises(
        FitError, match="Response 'y': no trial had any 'talc', so what it does cannot be estimated. Make"
    ):
        fit(made, frame, kind=kind, seed=1)


def test_all_at_a_bound():
    bounded = brief([{"name": "hardness", "bounds": [0, 100], "scale": "logit"}])
    assert message(bounded, trials().assign(hardness=100.0)) == (
        "20 reading(s) of 'hardness' lie at or beyond the bounds of its scale (logit between 0 and 100): trial '0' reads 100. "
        'Use scale = "identity", or wider bounds.'
    )


def test_some_at_a_bound_are_fitted_as_measured_where_the_scale_was_free():
    frame = trials()
    frame.loc[3, "hardness"] = 0.0
    surface = fit(brief([{"name": "hardness", "bounds": [0, INF]}]), frame, kind="least squares")["hardness"]
    assert surface.summary["scale"] == "as measured"
    said = "1 reading(s) lie at or beyond the bounds, where the scale (log) ends: fitted as measured."
    assert any(text.startswith(said) for text in surface.warnings_)


def test_shares_that_do_not_quite_sum_to_one():
    blend = Brief(
        basis="fraction",
        ingredient=[{"name": n, "low": 0, "high": 1} for n in "abc"],
        response=[{"name": "y"}],
    )
    frame = pd.DataFrame(np.random.default_rng(1).dirichlet([2, 2, 2], 10), columns=list("abc"))
    frame.loc[4, "a"] -= 0.0006
    assert message(blend, frame.assign(y=np.arange(10.0))) == (
        "1 of 10 trials have ingredients that do not sum to 1: trial '4' sums to 0.9994. Rounded shares make terms that "
        "cannot be told apart look estimable. Scale them: names = ['a', 'b', 'c']; trials[names] = "
        "trials[names].div(trials[names].sum(axis=1), axis=0) * 1"
    )


def test_names_are_checked():
    assert message(brief(), trials().rename(columns={"oil": "Oil"})) == (
        "The trials lack column 'oil'; add or rename it: it has 'Oil', which differs only in case."
    )
    assert message(brief(), trials().drop(columns="hardness")) == (
        "The trials lack response 'hardness'; add its column. They have 'oil', 'chalk'."
    )
    assert message(brief(), trials(), responses=["smear"]) == (
        "'smear' is not a response of the brief; choose among ['hardness']."
    )
    assert message(brief(), trials(), kind="magic") == (
        "kind = 'magic'; use one of 'auto', 'least squares', 'averaged', 'gaussian process'."
    )


def test_missing_category():
    mould = Brief(setting=[{"name": "mould", "levels": ["old", "new"]}], response=[{"name": "y"}])
    frame = pd.DataFrame({"mould": ["old", None, "new", "old", "new"], "y": [1.0, 2, 3, 4, 5]})
    assert message(mould, frame) == "Row 2 of the trials has no 'mould'; write one of ['old', 'new']."


def test_censored_readings_are_refused_with_their_number():
    frame = trials().assign(hardness_censored=["above"] * 3 + [None] * 17)
    assert message(brief(), frame, responses=["hardness"], kind="least squares") == (
        "3 of 20 readings of 'hardness' are censored (such as '<0.5'); a fit by least squares takes only readings that are "
        "numbers, and with those left out it would be wrong. Give it readings within the test's range, or use another kind: "
        '"auto", "averaged" and "gaussian process" take such readings for what they say.'
    )


def test_the_others_can_be_fitted_without_the_censored_response():
    two = Brief(
        setting=[{"name": "x", "low": -1, "high": 1}],
        response=[{"name": n} for n in ("wear", "tear", "gloss")],
        setting_model="linear",
    )
    x = np.linspace(-1, 1, 6)
    frame = pd.DataFrame({"x": x, "wear": 2 + x**2, "tear": 1 - x**3, "gloss": x + x**2})
    frame["wear_censored"] = ["below", "", None, None, None, "above"]
    words = (
        "2 of 6 readings of 'wear' are censored (such as '<0.5'); a fit by least squares takes only readings that are "
        "numbers, and with those left out it would be wrong. Give it readings within the test's range, or use another kind: "
        '"auto", "averaged" and "gaussian process" take such readings for what they say, or fit the others with '
        "responses=['tear', 'gloss'] (formlab fit FOLDER --responses tear gloss)."
    )
    assert message(two, frame, kind="least squares") == words
    kept = fit(two, frame, responses=["tear", "gloss"], kind="least squares")
    assert kept.names == ["tear", "gloss"]
    frame["gloss_censored"] = ["below", *[None] * 5]
    assert message(two, frame, kind="least squares") == (
        "2 of 6 readings of 'wear' and 1 of 6 readings of 'gloss' are censored (such as '<0.5'); a fit by least squares takes "
        "only readings that are numbers, and with those left out it would be wrong. Give them readings within the test's "
        'range, or use another kind: "auto", "averaged" and "gaussian process" take such readings for what they say, '
        "or fit the others with responses=['tear'] (formlab fit FOLDER --responses tear)."
    )


def test_one_slab_has_one_formula():
    frame = trials().assign(trial=["T1"] * 2 + [f"T{k}" for k in range(2, 20)])
    assert message(brief(), frame).startswith("Trial 'T1' has 'oil' = ")


# ---- least squares and its draws -----------------------------------------------------------------------


def test_intervals_are_the_textbook_ones():
    frame = trials()
    surface = fit(brief(model="linear"), frame, kind="least squares")["hardness"]
    x = np.column_stack([np.ones(20), frame["oil"] / 10 - 1.5, frame["chalk"] / 40 - 1.5])
    b, rss, *_ = np.linalg.lstsq(x, frame["hardness"], rcond=None)
    s2 = float(rss[0]) / 17
    at = np.array([[1, -0.5, -0.5], [1, 0.5, 0.5]])
    h = np.einsum("ij,jk,ik->i", at, np.linalg.inv(x.T @ x), at)
    quantile = student.ppf(0.975, 17)
    table = surface.predict_table(AT)
    assert list(table.index) == ["today", "new"]
    assert_allclose(table["mean"], at @ b, rtol=1e-10)
    assert_allclose(table["std_error"], np.sqrt(s2 * h), rtol=1e-10)
    assert_allclose(table["high"] - table["mean"], quantile * np.sqrt(s2 * h), rtol=1e-9)
    assert_allclose(table["batch_high"] - table["mean"], quantile * np.sqrt(s2 * (1 + h)), rtol=1e-9)
    mean, std = surface.predict(AT, return_std=True)
    assert_allclose(mean, table["mean"])
    assert_allclose(std, table["std_error"])


def test_draws_follow_the_posterior():
    surfaces = fit(brief(model="linear"), trials(), kind="least squares")
    table = surfaces["hardness"].predict_table(AT)
    drawn = surfaces.sample(AT, 40_000, "mean", seed=1)[:, :, 0]
    assert_allclose(np.quantile(drawn, [0.025, 0.975], axis=0), table[["low", "high"]].T, atol=0.02)
    reading = surfaces.sample(AT, 40_000, "reading", seed=1)[:, :, 0]
    assert_allclose(
        np.quantile(reading, [0.025, 0.975], axis=0), table[["batch_low", "batch_high"]].T, atol=0.03
    )
    batch = surfaces.sample(AT, 40_000, "new_batch", seed=1)[:, :, 0]
    assert drawn.std() < batch.std() < reading.std()


def test_draws_are_kept_and_cut_together():
    surfaces = fit(
        brief([{"name": "hardness"}], plant={"slabs_per_batch": 3}), trials(), kind="averaged", seed=1
    )
    draws = surfaces.draw(200, seed=3)
    whole, accepted = draws.mean(AT), draws.accepted(AT)
    assert whole.shape == (200, 2, 1)
    rows = np.array([5, 17, 100, 3])
    assert_allclose(draws.subset(rows).mean(AT), whole[rows])
    assert_allclose(draws.subset(rows).accepted(AT), accepted[rows])
    assert_allclose(draws.take(7).accepted(AT), accepted[:7])
    assert_allclose(surfaces.draw(200, seed=3).accepted(AT), accepted)
    assert_allclose(draws.values(draws.columns(AT), "mean"), whole)


def test_same_seed_same_answer():
    for kind in ("auto", "gaussian process", "averaged"):
        first = fit(brief(), trials(12), kind=kind, seed=5)["hardness"].predict_table(AT)
        again = fit(brief(), trials(12), kind=kind, seed=5)["hardness"].predict_table(AT)
        pd.testing.assert_frame_equal(first, again)


def test_input_is_not_changed():
    frame = trials()
    before = frame.copy()
    fit(brief(), frame, kind="least squares")
    pd.testing.assert_frame_equal(frame, before)


# ---- scales --------------------------------------------------------------------------------------------


def test_log_mean_is_the_lognormal_one():
    rng = np.random.default_rng(2)
    x = np.tile([-1.0, 1.0], 400)
    y = np.exp(1 + 0.3 * x + rng.normal(0, 0.6, 800))
    one = Brief(
        setting=[{"name": "x", "low": -1, "high": 1}],
        response=[{"name": "y", "bounds": [0, INF]}],
        setting_model="linear",
    )
    surface = fit(one, pd.DataFrame({"x": x, "y": y}), kind="least squares")["y"]
    at = pd.DataFrame({"x": [-1.0, 1.0]})
    truth = np.exp(1 + 0.3 * np.array([-1, 1]) + 0.18)
    assert_allclose(surface.predict(at), truth, rtol=0.08)
    assert_allclose(surface.predict(at), [y[x < 0].mean(), y[x > 0].mean()], rtol=0.05)
    assert_allclose(surface.predict_median(at), np.exp([0.7, 1.3]), rtol=0.08)
    assert_allclose(np.median(surface.draw_scale(at, 500), axis=0), [0.7, 1.3], atol=0.06)


# ---- more than one response ------------------------------------------------------------------------------


def pair(correlation, n=60, seed=3, batches=None):
    rng = np.random.default_rng(seed)
    frame = trials(n, seed).drop(columns="hardness")
    root = np.linalg.cholesky([[1, correlation], [correlation, 1]])
    error = rng.normal(size=(n, 2)) @ root.T
    frame["hardness"] = 50 - frame["oil"] + error[:, 0]
    frame["smear"] = 5 + 0.1 * frame["oil"] + error[:, 1]
    return frame


@pytest.mark.parametrize("correlation", [-0.8, 0.0, 0.8])
def test_errors_of_responses_are_drawn_correlated(correlation):
    two = brief([{"name": "hardness"}, {"name": "smear"}], model="linear")
    surfaces = fit(two, pair(correlation), kind="least squares")
    assert_allclose(surfaces.slab_correlation.loc["hardness", "smear"], correlation, atol=0.2)
    mean = surfaces.sample(AT, 4000, "mean", seed=1)[:, 0, :]
    assert_allclose(np.corrcoef(mean.T)[0, 1], correlation, atol=0.2)
    reading = surfaces.sample(AT, 4000, "reading", seed=1)[:, 0, :]
    assert_allclose(np.corrcoef(reading.T)[0, 1], correlation, atol=0.2)


def test_missing_readings_are_allowed():
    frame = pair(0.7)
    frame.loc[frame.index[::3], "smear"] = np.nan
    two = brief([{"name": "hardness"}, {"name": "smear"}], model="linear")
    surfaces = fit(two, frame, kind="least squares")
    assert surfaces["hardness"].summary["trials"] == 60
    assert surfaces["smear"].summary["trials"] == 40
    assert surfaces.slab_correlation.loc["hardness", "smear"] > 0.4


def test_correlation_at_batch_level_is_kept_apart():
    rng = np.random.default_rng(8)
    n, slabs = 30, 4
    oil = np.repeat(rng.uniform(5, 25, n), slabs)
    batch = np.repeat(np.arange(n), slabs)
    shared = rng.normal(size=n)[batch]
    frame = pd.DataFrame({"oil": oil, "chalk": 40.0 + 20 * np.sin(batch), "batch": batch})
    frame["hardness"] = 50 - oil + 1.5 * shared + rng.normal(0, 0.5, n * slabs)
    frame["smear"] = 5 + 0.1 * oil - 1.5 * shared + rng.normal(0, 0.5, n * slabs)
    two = brief([{"name": "hardness"}, {"name": "smear"}], model="linear")
    surfaces = fit(two, frame, kind="least squares", seed=1)
    assert surfaces.batch_correlation.loc["hardness", "smear"] < -0.7
    assert abs(surfaces.slab_correlation.loc["hardness", "smear"]) < 0.25


# ---- auto ----------------------------------------------------------------------------------------------


def test_more_terms_than_trials_is_no_obstacle():
    wide = Brief(
        setting=[{"name": n, "low": -1, "high": 1} for n in "abcdef"],
        response=[{"name": "y"}],
        setting_model="quadratic",
    )
    rng = np.random.default_rng(4)
    frame = pd.DataFrame(rng.uniform(-1, 1, (18, 6)), columns=list("abcdef"))
    frame["y"] = 3 * frame["a"] - 2 * frame["b"] + frame["a"] * frame["b"] + rng.normal(0, 0.2, 18)
    surface = fit(wide, frame, seed=1)["y"]
    assert surface.solution is None
    assert any(
        "28 terms cannot be estimated from n_samples = 18 trials" in text for text in surface.warnings_
    )
    at = pd.DataFrame(rng.uniform(-1, 1, (100, 6)), columns=list("abcdef"))
    truth = 3 * at["a"] - 2 * at["b"] + at["a"] * at["b"]
    table = surface.predict_table(at)
    assert ((table["low"] <= truth) & (truth <= table["high"])).mean() > 0.85
    assert np.corrcoef(table["mean"], truth)[0, 1] > 0.95


def test_contest_is_reported():
    surface = fit(brief(), trials(16), seed=1)["hardness"]
    assert list(surface.contest.columns) == [
        "kind",
        "variables",
        "scale",
        "score",
        "behind",
        "std_error",
        "weight",
    ]
    assert set(surface.contest["kind"]) == {"gaussian process", "averaged", "least squares"}
    assert_allclose(surface.contest["weight"].sum(), 1)
    assert surface.contest["score"].is_monotonic_decreasing
    assert_allclose(sum(surface.weights), 1)


@settings(max_examples=5, deadline=None)
@given(st.floats(0.1, 1000), st.floats(-100, 100))
def test_unit_of_the_response_does_not_matter(factor, shift):
    frame = trials(14)
    other = frame.assign(hardness=factor * frame["hardness"] + shift)
    plain = fit(brief(), frame, kind="gaussian process", seed=2)["hardness"].predict_table(AT)
    scaled = fit(brief(), other, kind="gaussian process", seed=2)["hardness"].predict_table(AT)
    assert_allclose(scaled["mean"], factor * plain["mean"] + shift, rtol=1e-6, atol=1e-6 * factor * 50)
    assert_allclose(scaled["high"] - scaled["low"], factor * (plain["high"] - plain["low"]), rtol=1e-5)


def test_guesses_of_the_brief_steer_the_error():
    few = trials(8, noise=1.0)
    small = fit(brief([{"name": "hardness", "sd_slab": 0.1}]), few, kind="gaussian process", seed=1)[
        "hardness"
    ]
    large = fit(brief([{"name": "hardness", "sd_slab": 4.0}]), few, kind="gaussian process", seed=1)[
        "hardness"
    ]
    assert small.summary["s"] < large.summary["s"]


# ---- shown -----------------------------------------------------------------------------------------------


def test_what_is_shown():
    surfaces = fit(brief([{"name": "hardness", "label": "Hardness <A>"}]), trials(), seed=1)
    surface = surfaces["hardness"]
    assert isinstance(surface, Surface)
    assert repr(surface) == "Surface('hardness': auto, 20 trials)"
    assert repr(surfaces) == "Surfaces(hardness: 20 trials)"
    html = surface._repr_html_() + surfaces._repr_html_()
    assert "Hardness &lt;A&gt;" in html and "<A>" not in html
    assert list(surface.coefficients.columns) == [
        "term", "estimate", "std_error", "t", "df", "p", "low", "high", "vif"
    ]  # fmt: skip
    text = str(surface)
    assert (
        text.startswith(f"Hardness <A> (hardness): {surface.verdict}") and "on the scale of the fit" in text
    )
    assert " inf" not in text and "std_error" not in text
    with pytest.raises(KeyError, match="'smear' was not fitted; fitted are"):
        surfaces["smear"]


def test_coefficients_of_auto_come_near_the_truth():
    table = fit(brief(), trials(24), seed=1)["hardness"].coefficients.set_index("term")
    assert_allclose(table.loc["oil", "estimate"], -10, atol=1.0)
    assert_allclose(table.loc["chalk", "estimate"], 8, atol=1.0)
    assert table.loc["oil", "high"] < 0


def test_medians_of_draws_are_those_predicted():
    """On a log scale half of all slabs lie below the median, more than half below the mean."""
    rng = np.random.default_rng(0)
    frame = pd.DataFrame({"oil": np.linspace(0, 20, 16)})
    frame["crumb"] = np.exp(1 + 0.05 * frame["oil"] + rng.normal(0, 0.4, 16))
    brief = Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 20}],
        response=[{"name": "crumb", "bounds": [0, float("inf")]}],
        model="linear",
    )
    surfaces, at = fit(brief, frame, kind="least squares", seed=1), pd.DataFrame({"oil": [5.0, 15.0]})
    median = surfaces.sample(at, 4000, of="median", seed=1)[:, :, 0]
    assert_allclose(np.median(median, axis=0), surfaces["crumb"].predict_median(at), rtol=0.02)
    readings = surfaces.sample(at, 4000, of="reading", seed=1)[:, :, 0]
    assert_allclose((readings < np.median(median, axis=0)).mean(axis=0), 0.5, atol=0.03)
    assert (
        surfaces.sample(at, 400, seed=1)[:, :, 0] > surfaces.sample(at, 400, of="median", seed=1)[:, :, 0]
    ).all()
    with pytest.raises(FitError) as caught:
        surfaces.sample(at, 10, of="mode")
    assert str(caught.value) == "of = 'mode'; use one of 'mean', 'median', 'typical', 'new_batch', 'reading'."


# ---- what trials frames hold ---------------------------------------------------------------------------


def test_readings_that_do_not_count_do_not_choose_the_scale():
    frame = trials().assign(status="ok")
    frame.loc[3, "status"], frame.loc[3, "hardness"] = "set aside", 0.0
    surface = fit(brief([{"name": "hardness", "bounds": [0, INF]}]), frame, kind="least squares")["hardness"]
    assert surface.summary["scale"] == "log"


def test_a_load_that_is_not_known_is_a_trials_own():
    """One slab that never saw the press must not take the press loads out of the fit."""
    frame = trials(24).assign(batch=np.repeat(range(12), 2), load=np.tile(["a", "b", "c"], 8), status="ok")
    frame["load"] = frame["load"].astype(object).where(frame.index != 5, None)
    frame.loc[5, "status"] = "stuck"
    frame.loc[5, "hardness"] = np.nan
    for column in ("oil", "chalk"):
        frame[column] = frame.groupby("batch")[column].transform("first")
    surface = fit(brief(model="linear"), frame, kind="least squares")["hardness"]
    assert surface.noise.names == ("batch", "load")
    frame.loc[5, ["status", "hardness"]] = ["ok", 40.0]  # made, but nobody wrote down where
    read = fit(brief(model="linear"), frame, kind="least squares")["hardness"]
    assert read.noise.names == ("batch", "load") and read.noise.codes[1].max() == 3


def test_a_trial_is_of_one_batch():
    frame = trials().assign(trial=["A", "A", *map(str, range(2, 20))], batch=[f"B{k}" for k in range(20)])
    frame.loc[1, ["oil", "chalk"]] = frame.loc[0, ["oil", "chalk"]]
    assert message(brief(), frame) == (
        "Trial 'A' has 'batch' = B0 in one line and B1 in another. A trial is one slab with one batch and one load; give "
        "different slabs different trial names."
    )


def test_lines_without_a_trial_name_are_trials_of_their_own():
    frame = trials().assign(trial=[None, None, *map(str, range(2, 20))])
    surface = fit(brief(), frame, kind="least squares")["hardness"]
    assert list(surface.diagnostics["trial"].iloc[:3]) == ["row 1", "row 2", "2"]


# ---- what cannot be fitted -----------------------------------------------------------------------------


def test_nothing_varies():
    still = Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 5, "high": 5}],
        response=[{"name": "y"}],
    )
    frame = pd.DataFrame({"y": [1.0, 2, 3, 4, 5]})
    for kind in ("auto", "averaged", "gaussian process"):
        assert message(still, frame, kind=kind) == (
            "Response 'y': the brief varies no ingredient and no setting, so there is no surface to find. Widen a range, or "
            'use kind = "least squares" for the mean and its error.'
        )
    assert_allclose(fit(still, frame, kind="least squares")["y"].coefficients["estimate"], [3.0])


def blend(names, n, seed=0):
    rng = np.random.default_rng(seed)
    made = Brief(
        basis="fraction",
        ingredient=[{"name": name, "low": 0, "high": 1} for name in names],
        response=[{"name": "y"}],
    )
    frame = pd.DataFrame(rng.dirichlet(np.ones(len(names)), n), columns=list(names))
    return made, frame.assign(y=rng.normal(size=n))


def test_averaging_needs_more_trials_than_shares():
    made, frame = blend("abcdef", 6)
    assert message(made, frame[:5], kind="averaged").startswith(
        "6 terms cannot be estimated from n_samples = 5"
    )
    assert message(made, frame, kind="averaged").startswith(
        "Response 'y': 6 terms from n_samples = 6 trials leave no degree of freedom for error"
    )
    for few in (frame[:5], frame):
        contest = fit(made, few, seed=1)["y"].contest
        assert set(contest["kind"]) == {"gaussian process"}


def test_a_share_that_was_never_tried_is_not_taken_for_nothing():
    """Its coefficient stands under no prior, so an average would call it zero, and be sure of it."""
    made, frame = blend("abcd", 15)
    frame["y"] += 50
    frame[["a", "b", "c"]] = frame[["a", "b", "c"]].div(1 - frame["d"], axis=0)
    frame["d"] = 0.0
    said = message(made, frame, kind="averaged")
    assert said.startswith("Response 'y': no trial had any 'd', so what it does cannot be estimated.")
    table = fit(made, frame, seed=1)["y"].predict_table(
        pd.DataFrame({"a": [0.2], "b": 0.1, "c": 0.1, "d": 0.6})
    )
    assert table["low"].iloc[0] > 40


def test_analysis_stands_on_the_scale_of_the_tables():
    """Where most of the posterior lives on the scale as measured, so does the analysis of variance."""
    frame = trials(24, noise=0.02).assign(hardness=lambda f: f["hardness"] - f["hardness"].min() + 0.05)
    surface = fit(brief([{"name": "hardness", "bounds": [0, INF]}]), frame, seed=1)["hardness"]
    assert surface.values.scale.kind == "identity" and surface.contest["scale"].nunique() == 2
    table = surface.anova.set_index("source")
    assert_allclose(table.loc["total", "ss"], frame["hardness"].var() * 23)


def test_a_level_that_was_never_tried_is_named():
    mould = Brief(setting=[{"name": "mould", "levels": ["a", "b", "c"]}], response=[{"name": "y"}])
    frame = pd.DataFrame({"mould": ["a", "b"] * 4, "y": np.arange(8.0)})
    assert message(mould, frame, kind="least squares") == (
        "Term 'mould[b]' is a combination of the other terms in these 8 trials, so its coefficient cannot be estimated. Vary "
        "it separately, or choose a smaller model (model, setting_model, crossed). 'mould' was never 'c': try it, or drop that level."
    )
