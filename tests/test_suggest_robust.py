"""What weighing, lots and tests do to a formula: risks, window, straying."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from formlab import fit, open_series
from formlab.errors import SuggestError
from formlab.region import Region
from formlab.suggest import conformance, operating_window, risks, strayed_conformance
from tests.known_surfaces import KnownSurfaces
from tests.test_suggest import brief_of, hardness


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


def test_what_cannot_be_made_counts_as_in_conformance():
    series = open_series("demo_trials/drafting_block")
    brief, trials = series.brief, series.trials()
    stuck = trials["oil"] > trials["oil"].quantile(0.6)
    trials.loc[stuck, brief.response_names] = np.nan
    surfaces = fit(
        brief, trials.assign(status=trials["status"].mask(stuck, "stuck")), kind="least squares", seed=1
    )
    formula = Region.from_brief(brief).centre().iloc[[0]]
    figures = conformance(brief, surfaces.draw(4000, seed=2), formula)[0]
    assert figures.made < 0.9
    got = strayed_conformance(brief, surfaces, formula, {"oil": 0.0}, draws=4000, batches=2, seed=1)
    assert_allclose(got["as_planned"], figures.true_mean, atol=0.03)
    no_window = operating_window(brief, surfaces, formula, confidence=figures.made + 0.02, seed=1)
    assert (no_window["plus_minus"] == 0).all()
    [remark] = no_window["remark"].unique()
    assert remark.startswith("the formula itself reaches 0.") and remark.endswith(
        f" of {figures.made + 0.02:.2f}"
    )


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


def test_a_window_ends_where_a_range_does():
    """Oil stands at the least of its range, which is nothing; chalk at the most of its own."""
    brief = brief_of()
    surfaces = KnownSurfaces(brief, [hardness], [2.0])
    (least, _), (_, most) = brief.ranges["oil"], brief.ranges["chalk"]
    window = operating_window(brief, surfaces, {"oil": least, "chalk": most}, confidence=0.8, seed=1)
    assert window.loc["oil", "low"] == least and window.loc["oil", "high"] > least
    assert window.loc["chalk", "high"] == most and window.loc["chalk", "low"] < most
    assert window["remark"].to_dict() == {
        "oil": "low where its range ends",
        "chalk": "high where its range ends",
    }


def test_nothing_that_strays_is_no_robustness():
    brief = brief_of()
    with pytest.raises(SuggestError, match="Nothing strays: give sds, such as"):
        strayed_conformance(
            brief, KnownSurfaces(brief, [hardness], [2.0]), {"oil": 5.0, "chalk": 60.0}, seed=1
        )
