"""Tolerance factors against published tables, and what tolerance limits hold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2, norm

from formlab.brief import Brief
from formlab.errors import FitError
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


def howe(n: int, content: float, confidence: float) -> float:
    """Two-sided factor after Howe (1969), as the handbook prints it."""
    z, least = norm.ppf((1 + content) / 2), chi2.ppf(1 - confidence, n - 1)
    return float(z * np.sqrt((n - 1) * (1 + 1 / n) / least))


def natrella(n: int, content: float, confidence: float) -> float:
    """One-sided factor after Natrella (1963), as the handbook prints it."""
    z, sure = norm.ppf(content), norm.ppf(confidence)
    a, b = 1 - sure**2 / (2 * (n - 1)), z**2 - sure**2 / n
    return float((z + np.sqrt(z**2 - a * b)) / a)


def test_approximations_of_the_handbook():
    """The same page: Howe 2.217 and Natrella 1.8752 for 43 wafers, 5.2808 for 6; exact factors are near the first two only."""
    assert_allclose(howe(43, 0.90, 0.99), 2.217316, atol=6e-7)
    assert_allclose([natrella(43, 0.90, 0.99), natrella(6, 0.90, 0.99)], [1.875190, 5.280827], atol=6e-7)
    assert_allclose(two_sided_factor(43, 0.90, 0.99), howe(43, 0.90, 0.99), rtol=0.003)
    assert_allclose(one_sided_factor(43, 0.90, 0.99), natrella(43, 0.90, 0.99), rtol=0.001)
    for n in TABLE:
        assert_allclose(two_sided_factor(n, 0.95), howe(n, 0.95, 0.95), rtol=0.004)


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


def test_ratings_have_no_tolerance_limits():
    brief = Brief(setting=[{"name": "x", "low": -1, "high": 1}], response=[{"name": "y", "kind": "rating"}])
    x = np.linspace(-1, 1, 40)
    y = np.clip(np.round(3 + 1.5 * x + np.random.default_rng(0).normal(0, 0.8, 40)), 1, 5)
    surface = fit(brief, pd.DataFrame({"x": x, "y": y}))["y"]
    with pytest.raises(FitError) as caught:
        tolerance_table(surface, pd.DataFrame({"x": [0.0]}))
    assert str(caught.value) == (
        "Response 'y' is a rating: its values are no continuous law, so it has no tolerance limits. Give a response of kind "
        "'measure'."
    )
    assert not any("not normal" in text or "standard deviations from" in text for text in surface.warnings_)
