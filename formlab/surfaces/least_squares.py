r"""Least squares in scaled columns by QR with iterative refinement, and what is judged by it.

:math:`y = X b + e`, :math:`\hat b = R^{-1} Q^\top y`; refinement of solution and residual together follows
Björck (1967, BIT 7:257-278), with residuals accumulated in extended precision.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from formlab.errors import FitError

__all__ = ["Solution", "SurfaceRegressor", "anova", "leave_one_out", "press", "solve"]

_DEPENDENT = 1e-12  # part of a unit column that earlier columns leave over, below which it is rounding


@dataclass(frozen=True)
class Solution:
    """A least-squares fit of p terms to n values.

    Attributes
    ----------
    coef, std_error : ndarray of shape (p,)
    inverse : ndarray of shape (p, p)
        :math:`(X^\\top X)^{-1}`.
    gain : ndarray of shape (p, n)
        What turns values into coefficients.
    residual, leverage : ndarray of shape (n,)
    rss : float
        Residual sum of squares.
    df : int
        Residual degrees of freedom, n - p.
    condition : float
        Condition number of the columns scaled to unit length.
    vif : ndarray of shape (p,)
        Variance inflation: about the mean where a constant is a column, about zero otherwise.
    """

    coef: np.ndarray
    std_error: np.ndarray
    inverse: np.ndarray
    gain: np.ndarray
    residual: np.ndarray
    leverage: np.ndarray
    rss: float
    df: int
    condition: float
    vif: np.ndarray

    @property
    def s(self) -> float:
        """Residual standard deviation; nan without residual degrees of freedom."""
        return float(np.sqrt(self.rss / self.df)) if self.df else float("nan")


def check_estimable(x: np.ndarray, names: Sequence[str], model: str = "") -> None:
    """Raise FitError if there are fewer trials than terms, or a term cannot be told apart.

    Raises
    ------
    FitError
        Naming how many trials are missing, or the first term that is a combination of the others.
    """
    _factored(x, names, model)


def _factored(x: np.ndarray, names: Sequence[str], model: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lengths of the columns, and Q and R of the columns scaled to length 1; what `check_estimable` raises."""
    n, p = x.shape
    if n < p:
        raise FitError(
            f"{p} terms cannot be estimated from n_samples = {n} trial{'s' if n != 1 else ''}. Add at least {p - n} "
            f"trial(s), or choose a smaller model{f' than {model}' if model else ''}."
        )
    length = np.linalg.norm(x, axis=0)
    length = np.where(length > 0, length, 1.0)
    q, r = np.linalg.qr(x / length)
    left = np.abs(np.diag(r))
    if (left < _DEPENDENT).any():
        name = names[int(np.argmax(left < _DEPENDENT))]
        raise FitError(
            f"Term {name!r} is a combination of the other terms in these {n} trials, so its coefficient cannot be "
            "estimated. Vary it separately, or choose a smaller model (model, setting_model, crossed)."
        )
    return length, q, r


def solve(x: np.ndarray, y: np.ndarray, names: Sequence[str], model: str = "") -> Solution:
    """Return the least-squares fit of `y` to the columns of `x`.

    Parameters
    ----------
    x : ndarray of shape (n, p)
    y : ndarray of shape (n,)
    names : sequence of str
        Of the p terms, for messages.
    model : str
        What the model is called, for messages.

    Raises
    ------
    FitError
        See `check_estimable`.
    """
    scale, q, r = _factored(x, names, model)
    n, p = x.shape
    coef, residual = _refined(x / scale, y, q, r)
    inverse_r = np.linalg.inv(r)
    inverse = (inverse_r @ inverse_r.T) / np.outer(scale, scale)
    rss = float(residual @ residual)
    s2 = rss / (n - p) if n > p else np.nan
    return Solution(
        coef=coef / scale,
        std_error=np.sqrt(s2 * np.diag(inverse)),
        inverse=inverse,
        gain=(inverse_r @ q.T) / scale[:, None],
        residual=residual,
        leverage=np.minimum((q**2).sum(axis=1), 1.0),
        rss=rss,
        df=n - p,
        condition=float(np.linalg.cond(r)),
        vif=_variance_inflation(x, inverse),
    )


def _refined(x: np.ndarray, y: np.ndarray, q: np.ndarray, r: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Solution and residual of the augmented system, corrected until the correction stops shrinking."""
    from scipy.linalg.lapack import dtrtrs  # checks of `solve_triangular` cost more than its work here

    r = np.asfortranarray(r)
    wide, tall = x.astype(np.longdouble), y.astype(np.longdouble)
    coef, residual = np.zeros(x.shape[1], np.longdouble), np.zeros(len(y), np.longdouble)
    last = np.inf
    for _ in range(12):
        f = np.asarray(tall - residual - wide @ coef, float)  # residual of r + X b = y
        g = np.asarray(-(wide.T @ residual), float)  # residual of X' r = 0
        u = dtrtrs(r, g, trans=1)[0]
        d = q.T @ f
        step = dtrtrs(r, d - u)[0]
        size = float(np.max(np.abs(step), initial=0.0))
        if not size < 0.5 * last:
            break
        coef = coef + step
        residual = residual + (f - q @ d) + q @ u
        last = size
    return np.asarray(coef, float), np.asarray(residual, float)


def _variance_inflation(x: np.ndarray, inverse: np.ndarray) -> np.ndarray:
    """(X'X)^-1_jj times the sum of squares of column j: about its mean where a constant is a column."""
    constant = np.ptp(x, axis=0) == 0
    centre = x.mean(axis=0) if constant.any() else 0.0
    squares = ((x - centre) ** 2).sum(axis=0)
    return np.where(constant, 1.0, np.diag(inverse) * squares)


def press(solution: Solution) -> float:
    """Return the sum of squared errors of prediction with each value left out in turn (Allen 1974).

    inf if a value decides a coefficient alone (leverage 1).
    """
    open_ = 1 - solution.leverage
    if (open_ < 1e-10).any():
        return float("inf")
    return float(((solution.residual / open_) ** 2).sum())


def leave_one_out(x: np.ndarray, y: np.ndarray, names: Sequence[str], model: str = "") -> np.ndarray:
    r"""Return each value as least squares predicts it from all others, shape (n,), from one factorisation.

    :math:`y_i - r_i / (1 - h_i)` with residual :math:`r` and leverage :math:`h` (Allen 1974); nan where a value
    decides a coefficient alone. Parameters and errors as of `solve`.
    """
    q = _factored(x, names, model)[1]
    residual, open_ = y - q @ (q.T @ y), 1 - np.einsum("ij,ij->i", q, q)
    return np.asarray(y - residual / np.where(open_ < 1e-10, np.nan, open_))


def anova(x: np.ndarray, y: np.ndarray, solution: Solution, groups: dict[str, list[int]]) -> pd.DataFrame:
    """Return the analysis of variance about the mean, with lack of fit against pure error.

    Parameters
    ----------
    x, y, solution
        As in `solve`.
    groups : dict
        Kind of term -> its columns. Their sums of squares are sequential, in this order; the first group must
        hold the constant, openly or as shares that sum to 1.

    Returns
    -------
    DataFrame
        Columns source, df, ss, ms, f, p. Pure error is the scatter among identical rows of `x`.
    """
    from scipy.stats import f as f_law

    n = len(y)
    rows, used, before = [], [], float(((y - y.mean()) ** 2).sum())
    total, residual_ms = before, solution.rss / solution.df if solution.df else np.nan
    model_ss, model_df = total - solution.rss, x.shape[1] - 1
    rows.append(("model", model_df, model_ss))
    for name, columns in groups.items():
        used += columns
        q = np.linalg.qr(x[:, used])[0]
        left = y - q @ (q.T @ y)
        df = len(columns) - (len(used) == len(columns))
        if df and len(groups) > 1:
            rows.append((f"  {name}", df, before - float(left @ left)))
        before = float(left @ left)
    rows.append(("residual", solution.df, solution.rss))
    pure_ss, pure_df = _pure_error(x, y)
    lack_df = solution.df - pure_df
    if pure_df and lack_df > 0:
        rows += [("  lack of fit", lack_df, solution.rss - pure_ss), ("  pure error", pure_df, pure_ss)]
    rows.append(("total", n - 1, total))
    table = pd.DataFrame(rows, columns=["source", "df", "ss"])
    table["ms"] = table["ss"] / table["df"].where(table["df"] > 0)
    against = pd.Series(residual_ms, index=table.index)
    against_df = pd.Series(float(solution.df), index=table.index)
    lack = table["source"] == "  lack of fit"
    if lack.any():
        against[lack], against_df[lack] = pure_ss / pure_df, pure_df
    tested = ~table["source"].isin(["residual", "  pure error", "total"]) & (against > 0) & (table["df"] > 0)
    table["f"] = (table["ms"] / against.where(against > 0)).where(tested)
    table["p"] = np.where(tested, f_law.sf(table["f"], table["df"], against_df.where(against_df > 0)), np.nan)
    return table


def _pure_error(x: np.ndarray, y: np.ndarray) -> tuple[float, int]:
    """Sum of squares and degrees of freedom among values of identical rows."""
    _, code = np.unique(np.round(x, 9), axis=0, return_inverse=True)
    code = code.ravel()
    count = np.bincount(code)
    mean = np.bincount(code, y) / count
    return float(((y - mean[code]) ** 2).sum()), int(len(y) - len(count))


class SurfaceRegressor(RegressorMixin, BaseEstimator):
    """Polynomial in free factors, fitted by least squares in scaled columns.

    For arrays and frames without a brief. Shares of one recipe are not free (they sum to 1): it refuses them.

    Parameters
    ----------
    order : {"linear", "interaction", "quadratic"}
        Which products of factors are terms beside the constant.

    Attributes
    ----------
    terms_ : list of str
        Names of the terms.
    coef_, std_error_ : ndarray of shape (p,)
        In the order of `terms_`, the constant first.
    residual_sd_ : float
    condition_ : float
        Condition number of the columns scaled to unit length.
    vif_ : ndarray of shape (p,)

    Examples
    --------
    >>> x = np.array([[0.0], [1.0], [2.0], [3.0]])
    >>> SurfaceRegressor().fit(x, [1.0, 3.0, 5.0, 7.0]).coef_.round(9)
    array([1., 2.])
    """

    def __init__(self, order: str = "linear") -> None:
        self.order = order

    def fit(self, X: Any, y: Any) -> SurfaceRegressor:
        """Fit the polynomial.

        Raises
        ------
        FitError
            An unknown order, too few trials, shares that sum to 1, or a term that cannot be told apart: named.
        """
        X, y = validate_data(self, X, y, y_numeric=True, dtype=np.float64)
        _refuse_shares(X, self._names())
        columns, self.terms_ = self._terms(X)
        solution = solve(columns, np.asarray(y, dtype=float), self.terms_, f"order={self.order!r}")
        self.coef_, self.std_error_, self.residual_sd_ = solution.coef, solution.std_error, solution.s
        self.condition_, self.vif_ = solution.condition, solution.vif
        return self

    def predict(self, X: Any) -> np.ndarray:
        """Return fitted values, shape (n,)."""
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=np.float64)
        return self._terms(X)[0] @ self.coef_

    def leave_one_out(self, X: Any, y: Any) -> np.ndarray:
        """Return each value of `y` as the others predict it, shape (n,): `leave_one_out` of the terms.

        What ``cross_val_predict(self, X, y, cv=LeaveOneOut())`` returns, without a fit for each value.
        """
        X, y = validate_data(self, X, dtype=np.float64), np.asarray(y, dtype=float)
        if y.shape != (len(X),) or not np.isfinite(y).all():
            raise FitError(f"y has shape {y.shape}; give {len(X)} finite numbers, one for each row of X.")
        _refuse_shares(X, self._names())
        columns, terms = self._terms(X)
        return leave_one_out(columns, y, terms, f"order={self.order!r}")

    def _names(self) -> list[str]:
        return list(getattr(self, "feature_names_in_", [f"x{k + 1}" for k in range(self.n_features_in_)]))

    def _terms(self, X: np.ndarray) -> tuple[np.ndarray, list[str]]:
        if self.order not in ("linear", "interaction", "quadratic"):
            raise FitError(f"order = {self.order!r}; use one of 'linear', 'interaction', 'quadratic'.")
        names, q = self._names(), X.shape[1]
        rows, terms = np.ascontiguousarray(X.T), ["1", *names]  # a factor a row: products are of whole rows
        made = [np.ones((1, len(X))), rows]
        if self.order != "linear":
            made += [rows[i] * rows[i + 1 :] for i in range(q - 1)]
            terms += [f"{a} × {b}" for a, b in combinations(names, 2)]
        if self.order == "quadratic":
            made.append(rows * rows)
            terms += [f"{name}²" for name in names]
        return np.concatenate(made).T, terms


def _refuse_shares(x: np.ndarray, names: list[str]) -> None:
    """Shares typed with a few decimals pass every rank test, and give errors a hundred times too large."""
    total = x.sum(axis=1)
    if x.shape[1] < 2 or (x < 0).any() or not len(x):
        return
    for whole in (1.0, 100.0):
        if np.all(np.abs(total - whole) < 0.01 * whole):
            raise FitError(
                f"Columns {', '.join(map(repr, names))} sum to {total.min():.6g} … {total.max():.6g} in every trial: "
                "they are shares of one whole and cannot vary freely, so a constant beside them cannot be estimated. "
                'Use a brief with basis = "fraction", or leave one share out.'
            )
