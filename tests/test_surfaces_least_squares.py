"""Least squares: published fits, the estimator contract, refusals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from sklearn.model_selection import LeaveOneOut, cross_val_predict
from sklearn.utils.estimator_checks import parametrize_with_checks

from formlab.errors import FitError
from formlab.surfaces import SurfaceRegressor
from formlab.surfaces.least_squares import anova, leave_one_out, press, solve

TOO_FEW = "66 terms from ten factors, and the check offers at most 50 trials: refusing is right"


def refused_by_design(estimator):
    names = {
        "quadratic": [
            "check_estimators_dtypes",
            "check_dtype_object",
            "check_regressors_int",
            "check_regressors_no_decision_function",
        ],
    }.get(estimator.order, [])
    return dict.fromkeys(names, TOO_FEW)


@parametrize_with_checks(
    [SurfaceRegressor(), SurfaceRegressor(order="quadratic")], expected_failed_checks=refused_by_design
)
def test_sklearn_contract(estimator, check):
    check(estimator)


# NIST/SEMATECH e-Handbook 4.7.3 (CVD uniformity and stress; data Czitrom & Spagon 1997), x as printed.
CVD = np.array(
    [
        [1, 0, 4.6, 8.04],
        [0, 0, 6.2, 7.78],
        [0.71, -0.71, 3.4, 7.58],
        [-0.71, 0.71, 6.9, 7.27],
        [-1, 0, 7.3, 6.49],
        [0, 0, 6.4, 7.69],
        [-0.71, -0.71, 8.6, 6.66],
        [0, -1, 6.3, 7.16],
        [0.71, 0.71, 5.1, 8.33],
        [0, 1, 5.4, 8.19],
        [0, 0, 5.0, 7.90],
    ]
)
COEF = {  # order 1, x1, x2, x1x2, x1², x2²; the page's printed output, from memory, recomputed to more digits
    "uniformity": [5.866126, -1.909670, -0.224081, 1.686173, 0.133733, 0.033733],
    "stress": [7.790040, 0.735933, 0.496863, 0.069431, -0.528728, -0.118728],
}


@pytest.mark.parametrize(
    ("name", "column", "s", "r2", "adjusted", "out", "lack", "p"),
    [
        ("uniformity", 2, 0.723540, 0.871574, 0.743149, 13.040260, 0.855164, 0.578765),
        ("stress", 3, 0.077070, 0.991751, 0.983501, 0.103275, 0.225183, 0.873128),
    ],
)
def test_cvd_example(name, column, s, r2, adjusted, out, lack, p):
    x, y = pd.DataFrame(CVD[:, :2], columns=["x1", "x2"]), CVD[:, column]
    model = SurfaceRegressor("quadratic").fit(x, y)
    assert model.terms_ == ["1", "x1", "x2", "x1 × x2", "x1²", "x2²"]
    assert_allclose(model.coef_, COEF[name], atol=6e-7)
    assert_allclose(model.residual_sd_, s, atol=6e-7)
    columns = model._terms(x.to_numpy())[0]
    fit = solve(columns, y, model.terms_)
    assert_allclose(press(fit), out, atol=6e-7)
    table = anova(columns, y, fit, {"linear": [0, 1, 2], "higher": [3, 4, 5]}).set_index("source")
    total = table.loc["total", "ss"]
    assert_allclose(1 - fit.rss / total, r2, atol=6e-7)
    assert_allclose(1 - (fit.rss / fit.df) / (total / 10), adjusted, atol=6e-7)
    assert_allclose(table.loc["  lack of fit", ["f", "p"]].astype(float), [lack, p], atol=6e-7)


def test_too_few_trials():
    with pytest.raises(FitError) as caught:
        SurfaceRegressor().fit(np.eye(3)[:2] * [[1, 5, 1]], [1.0, 2.0])
    assert str(caught.value) == (
        "4 terms cannot be estimated from n_samples = 2 trials. Add at least 2 trial(s), or choose a smaller model "
        "than order='linear'."
    )


def test_term_that_cannot_be_told_apart_is_named():
    x = pd.DataFrame({"oil": [1.0, 2, 3, 4, 6], "chalk": [10.0, 20, 30, 40, 60]})
    with pytest.raises(FitError) as caught:
        SurfaceRegressor().fit(x, [1.0, 2, 3, 4, 5])
    assert str(caught.value) == (
        "Term 'chalk' is a combination of the other terms in these 5 trials, so its coefficient cannot be estimated. "
        "Vary it separately, or choose a smaller model (model, setting_model, crossed)."
    )


def test_rounded_shares_are_refused():
    shares = np.random.default_rng(1).dirichlet([1, 1, 1], 12).round(3)
    shares[0, 0] = 0.9994 - shares[0, 1] - shares[0, 2]
    with pytest.raises(FitError, match="they are shares of one whole") as caught:
        SurfaceRegressor().fit(pd.DataFrame(shares, columns=["a", "b", "c"]), np.arange(12.0))
    assert "sum to 0.999" in str(caught.value)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000))
def test_agrees_with_statsmodels(seed):
    import statsmodels.api as sm

    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(15), rng.normal(size=(15, 3)) * [1, 100, 0.01]])
    y = rng.normal(size=15)
    ours, theirs = solve(x, y, list("abcd")), sm.OLS(y, x).fit()
    assert_allclose(ours.coef, theirs.params, rtol=1e-8, atol=1e-10)
    assert_allclose(ours.std_error, theirs.bse, rtol=1e-8)
    assert_allclose(ours.leverage, theirs.get_influence().hat_matrix_diag, atol=1e-10)
    assert_allclose(press(ours), (theirs.get_influence().resid_press ** 2).sum(), rtol=1e-8)


@pytest.mark.parametrize("order", ["linear", "interaction", "quadratic"])
def test_left_out_values_are_those_of_a_fit_for_each(order):
    """Against scikit-learn's own loop over fits."""
    rng = np.random.default_rng(4)
    x, y = rng.uniform(-1, 1, (60, 6)), rng.normal(size=60)
    model = SurfaceRegressor(order=order)
    loop = cross_val_predict(SurfaceRegressor(order=order), x, y, cv=LeaveOneOut())
    assert_allclose(model.leave_one_out(x, y), loop, rtol=0, atol=1e-9)
    columns, terms = model._terms(x)
    assert_allclose(((y - loop) ** 2).sum(), press(solve(columns, y, terms)), rtol=1e-9)


def test_a_value_that_decides_a_term_alone_is_not_predicted():
    x = np.array([[0.0], [0.0], [0.0], [1.0]])
    left = SurfaceRegressor().leave_one_out(x, [1.0, 2.0, 3.0, 9.0])
    assert_allclose(left, [2.5, 2.0, 1.5, np.nan])
    with pytest.raises(FitError) as caught:
        SurfaceRegressor().leave_one_out(x, [1.0, 2.0, np.nan, 9.0])
    assert str(caught.value) == "y has shape (4,); give 4 finite numbers, one for each row of X."
    with pytest.raises(FitError, match="Term 'b' is a combination of the other terms in these 4 trials"):
        leave_one_out(np.column_stack([np.ones(4), x, x]), np.ones(4), ["1", "a", "b"])


def test_an_unknown_order_is_refused_everywhere():
    x = np.random.default_rng(0).random((9, 2)) - 0.5
    for act in (SurfaceRegressor.fit, SurfaceRegressor.leave_one_out):
        with pytest.raises(
            FitError, match="order = 'cubic'; use one of 'linear', 'interaction', 'quadratic'."
        ):
            act(SurfaceRegressor(order="cubic"), x, x[:, 0])
