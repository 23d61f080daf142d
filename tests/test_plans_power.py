"""Power against published tables and worked examples."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from formlab import Brief
from formlab.plans import Plan
from formlab.plans.power import power, power_of_difference, smallest_difference

# Cohen 1988: sample sizes for a power of 0.80 at 5 % (0.80 from memory; more digits computed).
ONE_WAY = [(3, 0.25, 52, 0.796733), (4, 0.25, 45, 0.803987), (4, 0.40, 18, 0.798902), (5, 0.25, 39, 0.798187)]


@pytest.mark.parametrize(("groups", "f", "n", "expected"), ONE_WAY)
def test_one_way(groups, f, n, expected):
    found = power(groups * n * f**2, groups - 1, groups * (n - 1))
    assert_allclose(found, expected, atol=1e-6)
    assert_allclose(found, 0.80, atol=0.005)


def test_two_samples():
    """Cohen 1988: d = 0.5 needs 64 a group."""
    assert_allclose(power_of_difference(0.5, np.sqrt(2 / 64), 126), 0.801460, atol=1e-6)
    n = brentq(lambda n: power_of_difference(0.5, np.sqrt(2 / n), 2 * n - 2) - 0.80, 20, 200)
    assert_allclose(n, 63.7656, atol=1e-4)


@pytest.mark.parametrize(
    ("n", "expected", "beta"), [(3, 0.753402, 0.25), (4, 0.962124, 0.04), (5, 0.996352, 0.0)]
)
def test_plasma_etch_operating_characteristic(n, expected, beta):
    """Montgomery's plasma etching example, four powers at 1 %; type II errors from memory."""
    found = power(n * 6250 / 25**2, 3, 4 * (n - 1), alpha=0.01)
    assert_allclose(found, expected, atol=1e-6)
    assert_allclose(1 - found, beta, atol=0.01)


@pytest.mark.parametrize(("sigma", "expected"), [(1.0, 0.95), (2.0, None)])
def test_one_sample(sigma, expected):
    """δ = σ at α = β = 0.05: n = 15.0631 two-sided, 12.3205 one-sided (twice α, other tail negligible)."""
    if expected is None:
        assert power_of_difference(1.0, sigma / np.sqrt(15.0631), 14.0631) < 0.95
        return
    for alpha, known in ((0.05, 15.0631), (0.10, 12.3205)):
        n = brentq(lambda n, a=alpha: power_of_difference(1.0, sigma / np.sqrt(n), n - 1, a) - 0.95, 5, 60)
        assert_allclose(n, known, atol=1e-4)


@pytest.mark.parametrize(
    ("replicates", "effect", "expected"), [(1, 2.0, 0.571609), (2, 2.0, 0.955776), (4, 1.0, 0.779445)]
)
def test_two_level_factorial_through_a_plan(replicates, effect, expected):
    """2³ with main effects: λ = β² / (σ² [(X'X)^-1]_jj); computed. A plan's own table says the same."""
    parts = [{"name": "sbr", "role": "rubber"}, *({"name": f"z{k}", "low": 0, "high": 2} for k in range(3))]
    response = {"name": "hardness", "unit": "Shore A", "sd_reading": 1.0, "matters": effect}
    brief = Brief(ingredient=parts, response=[response])
    cube = np.array(np.meshgrid([0, 2], [0, 2], [0, 2])).reshape(3, -1).T
    frame = pd.DataFrame(np.tile(cube, (replicates, 1)), columns=["z0", "z1", "z2"])
    plan = Plan.from_frame(brief, frame, model="linear", ratios={"batch": 0})
    table = plan.judge().power
    assert_allclose(table["power"], expected, atol=1e-6)
    assert_allclose(table["df"], 8 * replicates - 4)


@pytest.mark.parametrize("df", [1, 4, 30])
def test_smallest_difference_is_seen_with_the_wanted_power(df):
    least = smallest_difference(0.7, df)
    assert_allclose(power_of_difference(least, 0.7, df), 0.80, atol=1e-9)


def test_no_error_no_power():
    assert np.isnan(power(8.0, 1, 0)) and np.isnan(smallest_difference(1.0, 0))
