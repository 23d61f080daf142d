"""Published experiments, fitted through the brief like a user's own."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.brief import Brief
from formlab.surfaces import fit


def settings_brief(names, response="y", model="quadratic"):
    return Brief(
        setting=[{"name": n, "low": -1, "high": 1} for n in names],
        response=[{"name": response}],
        setting_model=model,
    )


def blend_brief(names, model="quadratic", low=0.0, high=1.0, total=1.0):
    return Brief(
        basis="fraction",
        total=total,
        ingredient=[{"name": n, "low": low, "high": high} for n in names],
        response=[{"name": "y"}],
        model=model,
    )


def coefficients(surface):
    return surface.coefficients.set_index("term")["estimate"]


def lattice(points, values):
    """One row a reading: each point with each of its values."""
    rows = [[*p, v] for p, vs in zip(points, values) for v in vs]
    return pd.DataFrame(rows, columns=[*"abcdefg"[: len(points[0])], "y"])


SIX = [(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5)]


def test_yarn_elongation():
    """NIST/SEMATECH e-Handbook 5.5.4 (Cornell), {3,2} lattice."""
    values = [
        [11.0, 12.4],
        [8.8, 10.0],
        [16.8, 16.0],
        [15.0, 14.8, 16.1],
        [17.7, 16.4, 16.6],
        [10.0, 9.7, 11.8],
    ]
    surface = fit(blend_brief("abc"), lattice(SIX, values), kind="least squares")["y"]
    assert_allclose(coefficients(surface), [11.7, 9.4, 16.4, 19.0, 11.4, -9.6], atol=1e-9)
    assert_allclose(surface.summary["s"], 0.85375, atol=5e-6)
    assert_allclose(surface.summary["r2"], 0.951356, atol=5e-7)
    assert_allclose(surface.summary["r2_adjusted"], 0.924331, atol=5e-7)


def test_central_composite():
    """NIST/SEMATECH e-Handbook 5.5.3.1.4: coefficients from memory (page rounds to two decimals), recomputed."""
    x = [(-1, -1), (1, -1), (-1, 1), (1, 1), *[(0, 0)] * 5, (-1.414, 0), (1.414, 0), (0, -1.414), (0, 1.414)]
    y = [64.33, 51.78, 77.3, 45.37, 62.08, 79.36, 75.29, 73.81, 69.45, 72.58, 37.42, 54.63, 54.18]
    frame = pd.DataFrame(x, columns=["x1", "x2"]).assign(y=y)
    surface = fit(settings_brief(["x1", "x2"]), frame, kind="least squares")["y"]
    expected = {
        "1": 71.997396,
        "x1": -11.776308,
        "x2": 0.740574,
        "x1²": -7.251457,
        "x2²": -7.549047,
        "x1 × x2": -4.845,
    }
    assert_allclose(coefficients(surface)[list(expected)], list(expected.values()), atol=6e-7)
    summary = surface.summary
    assert_allclose(
        [summary["s"], summary["r2"], summary["r2_adjusted"], summary["press"]],
        [5.769838, 0.889805, 0.811094, 696.25263],
        atol=6e-6,
    )
    lack = surface.anova.set_index("source").loc["  lack of fit"]
    assert lack["df"] == 3
    assert_allclose([lack["f"], lack["p"]], [0.460862, 0.724703], atol=6e-7)


def test_special_cubic_is_solved_exactly():
    """Cornell, Experiments with Mixtures, p. 35 (mite survival): the closed form of the simplex centroid."""
    points = [*SIX, (1 / 3, 1 / 3, 1 / 3)]
    y = [25.4, 28.6, 38.5, 3.4, 37.4, 10.7, 11.1]
    frame = lattice(points, [[v, v] for v in y])  # twice each, so that there is an error to speak of
    frame["y"] += np.tile([1e-9, -1e-9], 7)
    surface = fit(blend_brief("abc", "special cubic"), frame, kind="least squares")["y"]
    assert_allclose(coefficients(surface), [25.4, 28.6, 38.5, -94.4, 21.8, -91.4, -40.8], atol=1e-6)


FLARE = [  # McLean & Anderson 1966 (Technometrics 8:447)
    (0.40, 0.10, 0.47, 0.03, 75),
    (0.40, 0.10, 0.42, 0.08, 180),
    (0.60, 0.10, 0.27, 0.03, 195),
    (0.60, 0.10, 0.22, 0.08, 300),
    (0.40, 0.47, 0.10, 0.03, 145),
    (0.40, 0.42, 0.10, 0.08, 230),
    (0.60, 0.27, 0.10, 0.03, 220),
    (0.60, 0.22, 0.10, 0.08, 350),
    (0.50, 0.10, 0.345, 0.055, 220),
    (0.50, 0.345, 0.10, 0.055, 260),
    (0.40, 0.2725, 0.2725, 0.055, 190),
    (0.60, 0.1725, 0.1725, 0.055, 310),
    (0.50, 0.235, 0.235, 0.03, 260),
    (0.50, 0.21, 0.21, 0.08, 410),
    (0.50, 0.2225, 0.2225, 0.055, 425),
]


def test_flare_prediction_at_the_best_formula():
    """McLean & Anderson 1966: the quadratic reaches 397.6 (paper 397.48) at (0.5233, 0.2299, 0.1669, 0.0800)."""
    frame = pd.DataFrame(FLARE, columns=["a", "b", "c", "d", "y"])
    surface = fit(blend_brief("abcd"), frame, kind="least squares")["y"]
    best = pd.DataFrame([[0.5233, 0.2299, 0.1668, 0.0800]], columns=list("abcd"))
    assert_allclose(surface.predict(best), [397.6], atol=0.1)


DERRINGER = [  # Derringer & Suich 1980 (J. Quality Technology 12:214): silica, silane, sulfur; four responses
    (-1, -1, 1, 102, 900, 470, 67.5),
    (1, -1, -1, 120, 860, 410, 65),
    (-1, 1, -1, 117, 800, 570, 77.5),
    (1, 1, 1, 198, 2294, 240, 74.5),
    (-1, -1, -1, 103, 490, 640, 62.5),
    (1, -1, 1, 132, 1289, 270, 67),
    (-1, 1, 1, 132, 1270, 410, 78),
    (1, 1, -1, 139, 1090, 380, 70),
    (-1.633, 0, 0, 102, 770, 590, 76),
    (1.633, 0, 0, 154, 1690, 260, 70),
    (0, -1.633, 0, 96, 700, 520, 63),
    (0, 1.633, 0, 163, 1540, 380, 75),
    (0, 0, -1.633, 116, 2184, 520, 65),
    (0, 0, 1.633, 153, 1784, 290, 71),
    (0, 0, 0, 133, 1300, 380, 70),
    (0, 0, 0, 133, 1300, 380, 68.5),
    (0, 0, 0, 140, 1145, 430, 68),
    (0, 0, 0, 142, 1090, 430, 68),
    (0, 0, 0, 145, 1260, 390, 69),
    (0, 0, 0, 142, 1344, 390, 70),
]
FOUR = ["abrasion", "modulus", "elongation", "hardness"]


def test_tread_compound():
    frame = pd.DataFrame(DERRINGER, columns=["x1", "x2", "x3", *FOUR])
    brief = Brief(
        setting=[{"name": n, "low": -1, "high": 1} for n in ("x1", "x2", "x3")],
        response=[{"name": n} for n in FOUR],
    )
    surfaces = fit(brief, frame, kind="least squares")
    expected = {"1": 139.12, "x1": 16.49, "x2": 17.88, "x3": 10.91, "x1²": -4.01, "x2²": -3.45, "x3²": -1.57}
    expected |= {"x1 × x2": 5.13, "x1 × x3": 7.13, "x2 × x3": 7.88}
    assert_allclose(coefficients(surfaces["abrasion"])[list(expected)], list(expected.values()), atol=6e-3)
    assert_allclose(surfaces["abrasion"].summary["s"], 5.61, atol=5e-3)
    best = pd.DataFrame([[-0.0525, 0.148, -0.868]], columns=["x1", "x2", "x3"])
    predicted = [surfaces[n].predict(best)[0] for n in FOUR]
    assert_allclose(predicted, [129.4, 1300.0, 465.9, 68.0], rtol=2e-3)


@pytest.mark.parametrize(
    ("values", "coef", "s"),
    [  # Cornell, Experiments with Mixtures: octane p. 62, fish texture p. 9
        (
            [[2.5, 0.9], [4.5, 6.5], [5.2, 6.0], [10.2, 8.6], [8.9, 10.1], [5.2, 6.0]],
            [1.7, 5.5, 5.6, 23.2, 23.4, 0.2],
            0.993311,
        ),
        (
            [[2.02, 2.08], [1.47, 1.37], [1.93, 1.83], [1.91, 2.00], [1.98, 2.13], [1.80, 1.71]],
            [2.05, 1.42, 1.88, 0.88, 0.36, 0.42],
            0.072053,
        ),
    ],
)
def test_small_lattices(values, coef, s):
    surface = fit(blend_brief("abc"), lattice(SIX, values), kind="least squares")["y"]
    assert_allclose(coefficients(surface), coef, atol=1e-9)
    assert_allclose(surface.summary["s"], s, atol=6e-7)
