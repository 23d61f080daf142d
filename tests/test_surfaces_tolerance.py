"""Tolerance factors against published tables, and what tolerance limits hold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.brief import Brief
from formlab.surfaces import fit
from formlab.surfaces.tolerance import one_sided_factor, tolerance_table, two_sided_factor

# ISO 16269-6 and standard tables, confidence 95 % (n = 10 from memory: 2.911, 3.393); the rest recomputed.
TABLE = {  # n: one-sided 90, 95, 99 %; two-sided 90, 95, 99 %
    5: (3.4066, 4.2027, 5.7411, 4.2906, 5.0769, 6.5980),
    6: (3.0063, 3.7077, 5.0620, 3.7326, 4.4222, 5.7577),
    10: (2.3546, 2.9110, 3.9811, 2.8563, 3.3934, 4.4369),
    20: (1.9260, 2.3960, 3.2952, 2.3188, 2.7603, 3.6210),
    50: (1.6456, 2.0650, 2.8624, 1.9990, 2.3816, 3.1288),
}


@pytest.mark.parametrize("n", TABLE)
def test_factors(n):
    contents = (0.90, 0.95, 0.99)
    found = [one_sided_factor(n, c) for c in contents] + [two_sided_factor(n, c) for c in contents]
    assert_allclose(found, TABLE[n], atol=6e-5)


def test_handbook_example():
    """NIST/SEMATECH e-Handbook 7.2.6.3: 43 wafers, content 0.90, confidence 0.99; one-sided 1.8740 by non-central t."""
    assert_allclose(one_sided_factor(43, 0.90, 0.99), 1.8740, atol=6e-5)
    assert_allclose(two_sided_factor(43, 0.90, 0.99), 2.222825, atol=6e-7)
    assert_allclose(one_sided_factor(6, 0.90, 0.99), 4.411081, atol=6e-7)


def test_limits_of_one_formula_are_those_of_a_sample():
    """Ten slabs of one formula at each of two settings: the limits are mean ± k s with n_eff = 10 and 18 degrees of freedom."""
    rng = np.random.default_rng(3)
    brief = Brief(
        setting=[{"name": "x", "low": -1, "high": 1}], response=[{"name": "y"}], setting_model="linear"
    )
    frame = pd.DataFrame({"x": np.repeat([-1.0, 1.0], 10), "y": rng.normal(5, 1, 20)})
    surface = fit(brief, frame, kind="least squares")["y"]
    limits = tolerance_table(surface, pd.DataFrame({"x": [1.0]}), 0.90, 0.95, draws=60_000).iloc[0]
    mean, s = frame["y"][10:].mean(), surface.summary["s"]
    k1, k2 = one_sided_factor(10, 0.90, 0.95, df=18), two_sided_factor(10, 0.90, 0.95, df=18)
    assert_allclose(limits["at_least"], mean - k1 * s, atol=0.03)
    assert_allclose(limits["at_most"], mean + k1 * s, atol=0.03)
    assert_allclose([limits["low"], limits["high"]], [mean - k2 * s, mean + k2 * s], atol=0.03)
