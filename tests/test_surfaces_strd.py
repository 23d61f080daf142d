"""Certified values of the NIST Statistical Reference Datasets, linear least squares (data in reference/strd)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.surfaces.least_squares import solve

HOME = Path(__file__).parent / "reference" / "strd"

# name: (highest power or None for a line through zero, coefficients, their standard deviations, residual sd, R2)
ONES = [1.0] * 6
WAMPLER_SD = [
    2152.32624678170,
    2363.55173469681,
    779.343524331583,
    101.475507550350,
    5.64566512170752,
    0.112324854679312,
]
CERTIFIED = {
    "norris": (
        1,
        [-0.262323073774029, 1.00211681802045],
        [0.232818234301152, 0.429796848199937e-3],
        0.884796396144373,
        0.999993745883712,
    ),
    "pontius": (
        2,
        [0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14],
        [0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16],
        0.205177424076185e-3,
        0.999999900178537,
    ),
    "noint1": (None, [2.07438016528926], [0.165289256198347e-1], 3.56753034006338, 0.999365492298663),
    "noint2": (None, [0.727272727272727], [0.420827318078432e-1], 0.369274472937998, 0.993348115299335),
    "wampler3": (5, ONES, WAMPLER_SD, 2360.14502379268, 0.999995559025820),
    "wampler4": (5, ONES, [100 * s for s in WAMPLER_SD], 236014.502379268, 0.957478440825662),
    "wampler5": (5, ONES, [1e4 * s for s in WAMPLER_SD], 23601450.2379268, 0.224668921574940e-2),
    "filip": (
        10,
        [
            -1467.48961422980,
            -2772.17959193342,
            -2316.37108160893,
            -1127.97394098372,
            -354.478233703349,
            -75.1242017393757,
            -10.8753180355343,
            -1.06221498588947,
            -0.670191154593408e-1,
            -0.246781078275479e-2,
            -0.402962525080404e-4,
        ],
        [
            298.084530995537,
            559.779865474950,
            466.477572127796,
            227.204274477751,
            71.6478660875927,
            15.2897178747400,
            2.23691159816033,
            0.221624321934227,
            0.142363763154724e-1,
            0.535617408889821e-3,
            0.896632837373868e-5,
        ],
        0.334801051324544e-2,
        0.996727416185620,
    ),
}
DIGITS = {"wampler4": 7, "wampler5": 5.5, "filip": 5.5}  # 9 elsewhere


def columns(x, power):
    return x[:, None] if power is None else np.column_stack([x**k for k in range(power + 1)])


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified(name):
    power, coef, error, sd, r2 = CERTIFIED[name]
    data = pd.read_csv(HOME / f"{name}.csv")
    x, y = columns(data["x"].to_numpy(float), power), data["y"].to_numpy(float)
    fit = solve(x, y, [f"x^{k}" for k in range(x.shape[1])])
    rtol = 10.0 ** -DIGITS.get(name, 9)
    assert_allclose(fit.coef, coef, rtol=rtol)
    assert_allclose(fit.std_error, error, rtol=rtol)
    assert_allclose(fit.s, sd, rtol=rtol)
    total = (
        y @ y if power is None else ((y - y.mean()) ** 2).sum()
    )  # R² about zero where there is no constant
    assert_allclose(1 - fit.rss / total, r2, rtol=rtol)


def test_longley():
    data = pd.read_csv(HOME / "longley.csv")
    x = np.column_stack([np.ones(16), data.drop(columns="y")])
    fit = solve(x, data["y"].to_numpy(float), list("0123456"))
    coef = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910e-1,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-1,
        1829.15146461355,
    ]
    error = [
        890420.383607373,
        84.9149257747669,
        0.334910077722432e-1,
        0.488399681651699,
        0.214274163161675,
        0.226073200069370,
        455.478499142212,
    ]
    assert_allclose(fit.coef, coef, rtol=1e-9)
    assert_allclose(fit.std_error, error, rtol=1e-9)
    assert_allclose(fit.s, 304.854073561965, rtol=1e-9)


def test_constant_leading_digits():
    """Group means of values with seven constant leading digits keep the digits that are left."""
    pattern = np.array([0.2, 0.3, 0.1, 0.4, 0.2, 0.3, 0.1, 0.4, 0.3, 0.2])
    groups = np.repeat(np.arange(3), 10)
    y = 1_000_000 + np.tile(pattern, 3) + 0.1 * groups
    x = (groups[:, None] == np.arange(3)).astype(float)
    fit = solve(x, y, list("abc"))
    assert_allclose(fit.coef - 1_000_000, 0.25 + 0.1 * np.arange(3), atol=1e-8)
