"""A target may speak of the mean or of the median: where slabs scatter on a log scale the verdict can hang on it."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.stats import chi2, norm, t

from formlab import Brief, fit, open_series, panel, suggest
from formlab.errors import BriefError
from formlab.panel.words import predictions
from formlab.suggest.confirm import confirm
from formlab.suggest.conformance import conformance
from formlab.suggest.frontier import cost_frontier, response_frontier

AT = pd.DataFrame({"oil": [10.0]})
LIMIT = 10.0


def brief(statistic=None, **more):
    crumb = {"name": "crumb", "unit": "mg", "bounds": [0.0, np.inf], "at_most": LIMIT, **more}
    rubber = {"name": "rubber", "role": "rubber", "price": 2.0, "density": 0.94}
    return Brief(
        ingredient=[rubber, {"name": "oil", "low": 0, "high": 20, "price": 1.0, "density": 0.9}],
        response=[crumb if statistic is None else crumb | {"statistic": statistic}],
        model="linear",
    )


def trials():
    """Lognormal crumb with median 8 and mean 8 exp(0.9² / 2) = 12 at 10 phr of oil, limit 10."""
    oil = np.tile(np.linspace(0, 20, 30), 4)
    error = 0.9 * np.random.default_rng(5).permutation(norm.ppf((np.arange(120) + 0.5) / 120))
    return pd.DataFrame({"oil": oil, "crumb": np.exp(np.log(8) + 0.01 * (oil - 10) + error)})


def closed_form(frame):
    """Chance that median and mean of a lognormal response are at most the limit, under the prior 1 / sigma².

    The predictor is Student about least squares; the mean adds half the variance, RSS over chi-square.
    """
    x, y = np.column_stack([np.ones(len(frame)), frame["oil"]]), np.log(frame["crumb"])
    coef, rss = np.linalg.lstsq(x, y, rcond=None)[:2]
    row, df = np.array([1.0, 10.0]), len(y) - 2
    root, rss = np.sqrt(row @ np.linalg.inv(x.T @ x) @ row), float(rss[0])
    short = np.log(LIMIT) - row @ coef
    median = t.cdf(short / (root * np.sqrt(rss / df)), df)

    def below(u):
        return chi2.pdf(u, df) * norm.cdf((short - rss / u / 2) / (root * np.sqrt(rss / u)))

    return median, quad(below, *chi2.ppf([1e-10, 1 - 1e-10], df))[0]


def test_the_verdict_turns_with_the_statistic():
    median, mean = closed_form(trials())
    assert median > 0.95 and mean < 0.1  # else the data do not part them
    for statistic, expected in [(None, mean), ("mean", mean), ("median", median)]:
        asked = brief(statistic)
        surfaces = fit(asked, trials(), kind="least squares", seed=1)
        figures = conformance(asked, surfaces.draw(20_000, seed=2), AT)[0]
        assert_allclose(figures.true_mean, expected, atol=0.006)
        row = suggest(asked, surfaces, maximise="conformance", alternatives=0, explain=False, seed=3)
        assert ("true median" in row.verdict) == (statistic == "median")


def test_predictions_are_of_the_statistic():
    frame = trials()
    means, medians = (fit(brief(s), frame, kind="least squares", seed=1) for s in ("mean", "median"))
    assert_allclose(medians["crumb"].predict(AT), means["crumb"].predict_median(AT), rtol=1e-12)
    s = medians["crumb"].solution.s
    assert_allclose(means["crumb"].predict(AT) / medians["crumb"].predict(AT), np.exp(s**2 / 2), rtol=1e-9)
    table = medians["crumb"].predict_table(AT).iloc[0]
    assert table["low"] < table["mean"] < table["high"] < means["crumb"].predict_table(AT)["mean"].iloc[0]
    same = [
        surfaces.sample(AT, 500, of=of, seed=4) for surfaces, of in ((medians, "typical"), (means, "median"))
    ]
    assert_allclose(*same)
    assert_allclose(
        medians.sample(AT, 500, seed=4), means.sample(AT, 500, of="typical", seed=4)
    )  # "mean" stays the mean


def test_a_new_batch_is_judged_by_its_own_median():
    """Without batch error the median of a batch over its slabs is that of all slabs, its mean is larger."""
    asked = brief("median").model_copy(update={"plant": {"slabs_per_batch": 5}})
    draws = fit(asked, trials(), kind="least squares", seed=1).draw(2000, seed=2)
    batch, read = (values[:, 0, 0] for values in (draws.new_batch(AT), draws.accepted(AT)))
    assert_allclose(np.median(batch), 8, rtol=0.15)
    assert_allclose(np.median(read), 8, rtol=0.15)
    made = pd.DataFrame(
        {"oil": 10.0, "batch": "C1", "trial": ["a", "b", "c", "c"], "crumb": [4.0, 8.0, 30.0, 50.0]}
    )
    checked = confirm(asked, fit(asked, trials(), kind="least squares", seed=1), made, draws=200, seed=1)
    assert checked.table["observed"].tolist() == [8.0]  # the middle slab, not the mean of the readings


def test_frontiers_and_panel_speak_of_it():
    means, medians = (fit(brief(s), trials(), kind="least squares", seed=1) for s in ("mean", "median"))
    asked = {"confidences": (0.9,), "cost": "cost_per_kg", "seed": 2}
    assert cost_frontier(brief("median"), medians, **asked)["reached"].all()
    assert not cost_frontier(brief("mean"), means, **asked)["reached"].all()
    shown = panel(brief("median"), medians).state.outcome(AT)
    assert shown.predicted.loc["crumb", "target"] == "median at most 10 mg"
    assert_allclose(shown.predicted.loc["crumb", "mean"], medians["crumb"].predict(AT)[0])
    assert shown.conformance.of == "true median"
    assert "the formula's true median meets all targets" in shown.conformance.table()["meaning"].tolist()


def test_response_frontier_is_of_the_statistic():
    two = brief("median").model_copy(
        update={"responses": [brief("median").responses[0], {"name": "rise", "at_least": 1.0}]}
    )
    frame = trials().assign(rise=lambda f: f["oil"] + np.random.default_rng(1).normal(0, 0.1, len(f)))
    surfaces = fit(two, frame, kind="least squares", seed=1)
    front = response_frontier(two, surfaces, "crumb", "rise", points=3, seed=1)
    assert_allclose(front["crumb"], surfaces["crumb"].predict_median(front))
    assert two.true_words == "true mean (median of crumb)"


def test_only_a_measure_has_a_median():
    with pytest.raises(BriefError) as caught:
        brief("median", kind="count")
    assert str(caught.value) == (
        "1 problem:\n  response[1].statistic: 'median'. Expected \"mean\" for a count: only a measure is judged by its median."
    )
    with pytest.raises(BriefError, match="response\\[1\\].statistic: 'mode'. Expected 'mean' or 'median'"):
        brief("mode")


def test_briefs_from_before_keep_their_id():
    assert brief().brief_id == brief("mean").brief_id != brief("median").brief_id
    series = open_series("demo_trials/ink_wedge")
    assert series.brief.brief_id in set(series.trials()["brief_id"])


def test_figures_and_panel_name_the_statistic():
    from formlab import figures

    medians = fit(brief("median"), trials(), kind="least squares", seed=1)
    answer = suggest(brief("median"), medians, maximise="conformance", alternatives=0, explain=False, seed=3)
    assert answer.predicted.loc["crumb", "target"] == "median at most 10 mg"
    rows = figures.predicted_against_targets(answer)
    figure = np.ravel(rows)[0].figure
    words = [text.get_text() for text in figure.legends[0].get_texts()]
    assert words[:2] == ["suggested: predicted median", "95 % of the median"]
    assert "true median meets all targets" in figure.get_suptitle()
    shown = str(predictions(brief("median"), panel(brief("median"), medians).state.outcome(AT), None))
    assert "95 % of the median" in shown and "mean" not in shown
