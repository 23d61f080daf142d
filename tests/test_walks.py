"""Published examples through the whole path of a user's data: folder or frame, fit, suggestion."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import formlab as fl
from formlab.suggest import desirability

TREAD = Path(__file__).parent / "reference" / "tread_compound"


@pytest.fixture(scope="module")
def tread():
    series = fl.open_series(TREAD)
    return series.brief, fl.fit(series.brief, series.trials(), kind="least squares", seed=1)


def test_tread_coefficients(tread):
    """Derringer & Suich (1980, J. Quality Technology 12:214-219), abrasion index in coded units.

    The brief's codes run from -1 to 1 where the paper's run from -1.633 to 1.633.
    """
    _, surfaces = tread
    got = surfaces["abrasion_index"].coefficients.set_index("term")["estimate"]
    k = 1.633
    paper = {
        "1": 139.12, "silica": 16.49, "silane": 17.88, "sulfur": 10.91,
        "silica²": -4.01, "silane²": -3.45, "sulfur²": -1.57,
        "silica × silane": 5.13, "silica × sulfur": 7.13, "silane × sulfur": 7.88,
    }  # fmt: skip
    scale = {name: k ** (0 if name == "1" else 2 if ("×" in name or "²" in name) else 1) for name in paper}
    for name, value in paper.items():
        assert_allclose(got[name] / scale[name], value, atol=0.006, err_msg=name)
    assert_allclose(surfaces["abrasion_index"].summary["s"], 5.61, atol=0.005)


def test_tread_optimum(tread):
    """The same paper: overall desirability 0.583 at (-0.0525, 0.148, -0.868), predicted 129.4, 1300, 465.9, 68.0."""
    brief, surfaces = tread
    answer = fl.suggest(brief, surfaces, maximise="desirability", seed=1)
    coded = (answer.formula[["silica", "silane", "sulfur"]] - [50, 1.2, 2.3]) / [10, 0.5, 0.5]
    assert_allclose(coded, [-0.0525, 0.148, -0.868], atol=1e-3)
    assert_allclose(answer.desirability, 0.583, atol=5e-4)
    assert_allclose(answer.predicted["mean"], [129.4, 1300, 465.9, 68.0], rtol=5e-4)
    by_hand = desirability(brief, np.array([[129.4, 1300.0, 465.9, 68.0]]))
    assert_allclose(answer.desirability, by_hand[0], atol=2e-3)


# McLean & Anderson (1966, Technometrics 8:447-454): flare candles in magnesium, sodium nitrate, strontium nitrate, binder
FLARE = """
.40 .10 .47 .03 75;   .40 .10 .42 .08 180;     .60 .10 .27 .03 195;       .60 .10 .22 .08 300
.40 .47 .10 .03 145;  .40 .42 .10 .08 230;     .60 .27 .10 .03 220;       .60 .22 .10 .08 350
.50 .10 .345 .055 220; .50 .345 .10 .055 260;  .40 .2725 .2725 .055 190;  .60 .1725 .1725 .055 310
.50 .235 .235 .03 260; .50 .21 .21 .08 410;    .50 .2225 .2225 .055 425
"""


@pytest.fixture(scope="module")
def flare():
    names = ["magnesium", "sodium_nitrate", "strontium_nitrate", "binder"]
    ranges = [(0.40, 0.60), (0.10, 0.50), (0.10, 0.50), (0.03, 0.08)]
    brief = fl.Brief(
        basis="fraction",
        model="quadratic",
        ingredient=[{"name": n, "low": low, "high": high} for n, (low, high) in zip(names, ranges)],
        response=[{"name": "light", "scale": "identity"}],
    )
    rows = [line.split() for line in FLARE.replace("\n", ";").split(";") if line.strip()]
    return brief, pd.DataFrame(np.array(rows, dtype=float), columns=[*names, "light"])


def test_flare_plan_is_the_region(flare):
    """Eight vertices, six face centroids and the centroid are the paper's fifteen blends."""
    brief, data = flare
    region = fl.Region.from_brief(brief)
    points = pd.concat([region.vertices(), region.face_centroids(2), region.centre()[brief.ingredient_names]])
    paper = data[brief.ingredient_names].to_numpy()
    assert len(points) == len(paper) == 15
    for point in points.to_numpy():
        assert np.abs(paper - point).max(axis=1).min() < 1e-9


def test_flare_optimum(flare):
    """The paper's best blend (0.5233, 0.2299, 0.1669, 0.0800), predicted 397.6 (the paper prints 397.48)."""
    brief, data = flare
    surfaces = fl.fit(brief, data, kind="least squares", seed=1)
    answer = fl.suggest(brief, surfaces, maximise="light", seed=1)
    assert_allclose(answer.formula, [0.5233, 0.2299, 0.1669, 0.0800], atol=2e-4)
    assert_allclose(answer.predicted.loc["light", "mean"], 397.6, atol=0.05)
