"""Natural scales: there and back, their means, the rule."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.stats import norm

from formlab.brief import Response
from formlab.errors import FitError
from formlab.surfaces import Scale
from formlab.surfaces.discrete import CategoryScale

INF = float("inf")
SCALES = [Scale(), Scale("log", 0.0), Scale("log", 2.0), Scale("log", high=100.0), Scale("logit", 0.0, 100.0)]
scales = pytest.mark.parametrize("scale", SCALES, ids=lambda s: s.text)


@scales
@given(st.floats(-4, 4))
def test_there_and_back(scale, eta):
    y = scale.inverse(np.array([eta]))
    assert scale.inside(y).all()
    assert_allclose(scale.forward(y), [eta], atol=1e-9)


@scales
@given(st.floats(-3, 3), st.floats(0.0, 1.5))
def test_mean_is_the_integral(scale, eta, variance):
    sd = np.sqrt(variance)
    exact = quad(lambda z: scale.inverse(np.array(eta + sd * z)) * norm.pdf(z), -9, 9)[0]
    found = scale.mean(np.array([eta]), variance)
    size = 100 if scale.kind == "logit" else max(abs(exact), 1.0)
    assert_allclose(found, [exact], atol=1e-4 * size)
    assert_allclose(scale.predictor(found, variance), [eta], atol=1e-6)


@scales
def test_slope_is_the_derivative(scale):
    eta = np.linspace(-2, 2, 9)
    numeric = (scale.inverse(eta + 1e-6) - scale.inverse(eta - 1e-6)) / 2e-6
    assert_allclose(scale.slope(eta), numeric, rtol=1e-6)


@scales
def test_means_rise_with_the_predictor(scale):
    for variance in (0.0, 0.1, 0.25, 0.26, 2.0):
        assert (np.diff(scale.mean(np.linspace(-4, 4, 200), variance)) > 0).all()


@pytest.mark.parametrize(
    ("bounds", "kind"),
    [((-INF, INF), "identity"), ((0, INF), "log"), ((-INF, 100), "log"), ((0, 100), "logit")],
)
def test_rule_of_auto(bounds, kind):
    assert Scale.of(Response(name="y", bounds=bounds)).kind == kind
    assert Scale.of(Response(name="y", bounds=bounds, scale="identity")).kind == "identity"


def test_erasing_is_log_of_what_is_left():
    """Erasing ratio E = 100 (1 - M/C): the distance to 100 is 100 M/C. Values of the logit from the same source list."""
    scale = Scale.of(Response(name="erasing", bounds=(-INF, 100)))
    left = np.array([0.20, 0.05, 1.3])  # M/C, the last one a smear
    assert_allclose(scale.forward(100 * (1 - left)), -np.log(100 * left))
    logit = Scale("logit", 0, 1)
    assert_allclose(
        logit.forward(np.array([0.80, 0.85, 0.90, 0.95, 0.99])),
        [1.386294, 1.734601, 2.197225, 2.944439, 4.595120],
        atol=6e-7,
    )


def test_logit_needs_two_bounds():
    with pytest.raises(FitError) as caught:
        Scale.of(Response(name="y", scale="logit", bounds=(0, INF)))
    assert str(caught.value) == (
        "Response 'y' asks for scale 'logit' but has bounds [0, inf]; give two finite bounds, for instance "
        "bounds = [0, 100]."
    )


def test_categories():
    scale = CategoryScale(categories=(1.0, 2.0, 3.0, 5.0), thresholds=(-1.0, 0.5, 2.0))
    eta = np.linspace(-3, 3, 7)
    assert_allclose(scale.chances(eta) @ [1, 2, 3, 5], scale.inverse(eta))
    assert_allclose(scale.forward(scale.inverse(eta)), eta, atol=1e-9)
    assert_allclose(
        scale.slope(eta), (scale.inverse(eta + 1e-6) - scale.inverse(eta - 1e-6)) / 2e-6, rtol=1e-6
    )
