"""Can it be trusted? Each value, and each batch, against what the others say."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.errors import FitError
from formlab.surfaces.parts import Part

if TYPE_CHECKING:
    from formlab.surfaces.surface import Surface

__all__ = [
    "batch_degrees",
    "diagnostics",
    "leave_one_batch_out",
    "normal_quantiles",
    "over_parts",
    "without_each_batch",
]


def diagnostics(surface: Surface) -> pd.DataFrame:
    """Return one row a value, on the scale of the fit.

    Returns
    -------
    DataFrame
        trial, batch, measured, fitted (with what its test session, operator or history did), residual, leverage, studentised (how far the
        value is from what all others lead one to expect, its batch-mates too, over the error without it: it need not have
        the sign of the residual; 0 where a single degree of freedom leaves no such error), cook
        (Cook's distance), left_out (predicted with the whole batch left out), left_out_error. Where readings are
        censored also censored (below, above or nothing); measured is then the mean of what may lie behind them.
    """
    y, groups, one = surface.values.eta, surface.values.batches, np.eye(len(surface.values.eta))
    looks: list[Callable[[Part], np.ndarray]] = [
        lambda part: y - part.residual,
        lambda part: np.diag(part.hat),
        lambda part: y - _left_out_error(part, groups),
        lambda part: part.added(one),  # a value left out is one with a coefficient of its own
    ]
    fitted, leverage, left, studentised = (over_parts(surface, look) for look in looks)
    residual = y - fitted
    p = leverage.sum()
    s2 = float(residual @ residual) / max(len(y) - p, 1e-9)
    room = np.maximum(1 - leverage, 1e-12)
    table = pd.DataFrame(
        {
            "trial": surface.values.labels["trial"],
            "batch": surface.values.labels["batch"],
            "measured": y,
            "fitted": fitted,
            "residual": residual,
            "leverage": leverage,
            "studentised": studentised,
            "cook": residual**2 * leverage / (max(p, 1e-9) * s2 * room**2) if s2 > 0 else 0.0,
            "left_out": left,
            "left_out_error": y - left,
        }
    )
    side = surface.values.side
    return (
        table.assign(censored=np.select([side < 0, side > 0], ["below", "above"], ""))
        if side.any()
        else table
    )


def over_parts(surface: Surface, look: Callable[[Part], np.ndarray]) -> np.ndarray:
    """What is seen of each part on the scale of the fit, averaged by their weights."""
    same = [(p, w) for p, w in zip(surface.parts, surface.weights) if p.scale == surface.values.scale]
    return np.asarray(sum(w * look(p) for p, w in same) / sum(w for _, w in same))


def _left_out_error(part: Part, groups: np.ndarray) -> np.ndarray:
    """Error of each value predicted from the other groups, at the part's own hyperparameters.

    With the inverse covariance P of the values, the surface integrated out, they are P_gg^-1 (P y)_g: the others tell
    of a session or history that they share with the group.
    """
    precision, pulled = part.precision, part.pulled
    out, order, counts = np.empty(len(pulled)), np.argsort(groups, kind="stable"), np.bincount(groups)
    for size in np.unique(counts):  # groups of one size are solved for at once
        rows = order[np.repeat(counts == size, counts)].reshape(-1, size)
        blocks = precision[rows[:, :, None], rows[:, None, :]]
        # the others tell nothing of some direction of a group: the smallest error that agrees
        solved = np.linalg.pinv(blocks, rcond=size * np.finfo(float).eps, hermitian=True)
        out[rows] = (solved @ pulled[rows][:, :, None])[:, :, 0]
    return out


def batch_degrees(surface: Surface, whole: bool = False) -> int | None:
    """Return the degrees of freedom between batches that the terms leave; None where batches are not repeated.

    How many dimensions the batches have beyond the terms of the model; beyond the linear ones of all factors where the
    kind is not least squares and the number of terms is not fixed, unless the `whole` model is meant.
    """
    if "batch" not in surface.noise.names:
        return None
    if whole or surface.kind == "least squares":
        x = surface.space.matrix(surface.formulas)
    else:
        x = np.column_stack([np.ones(len(surface.formulas)), surface.space.base(surface.formulas)])
    both = np.column_stack([x, np.eye(surface.values.batches.max() + 1)[surface.values.batches]])
    return int(np.linalg.matrix_rank(both) - np.linalg.matrix_rank(x))


def without_each_batch(surface: Surface) -> pd.DataFrame:
    """Return every coefficient with each batch left out, at the error ratios (and hyperparameters) of the whole fit.

    Of kinds other than least squares: the nearest coefficients over the region, as in `Surface.coefficients`; their
    standard error is that of the whole fit.

    Returns
    -------
    DataFrame
        batch, term, estimate, without, std_error (of the latter), moved (difference in its own standard errors),
        overturned (told from zero on one side only, or with another sign).
    """
    from scipy.stats import t

    found = _refitted_without(surface) if surface.kind == "least squares" else _pulled_without(surface)
    table = found.merge(surface.coefficients[["term", "estimate", "low", "high"]], on="term")
    half = t.ppf(0.975, table["df"].clip(lower=1)) * table["std_error"]
    before = np.sign(table["low"]) * (np.sign(table["low"]) == np.sign(table["high"]))
    after = np.sign(table["without"]) * (table["without"].abs() > half)
    table["moved"] = (table["without"] - table["estimate"]) / table["std_error"].where(table["std_error"] > 0)
    names = [n for n, term in zip(surface.space.names, surface.space.terms) if term.degree > 0]
    # priors hold coefficients back: without reason they move by less than 0.7 of the whole fit's errors
    much = 1.0 if surface.origins else 1.5
    table["overturned"] = table["term"].isin(names) & (before != after) & (table["moved"].abs() > much)
    table["overturned"] &= table["low"].notna()  # what is not judged is not overturned
    return table[["batch", "term", "estimate", "without", "std_error", "moved", "overturned"]]


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Median along the first axis."""
    order = np.argsort(values, axis=0)
    below = np.cumsum(weights[order], axis=0) < weights.sum() / 2
    place = np.take_along_axis(order, below.sum(axis=0)[None], axis=0)
    return np.take_along_axis(values, place, axis=0)[0]


WITHOUT = ["batch", "term", "without", "std_error", "df"]


def _refitted_without(surface: Surface) -> pd.DataFrame:
    """The whole model by generalised least squares without each batch that it can spare."""
    x, y, groups = surface.space.matrix(surface.formulas), surface.values.eta, surface.values.batches
    v = np.eye(len(y))
    if surface.mixed is not None:
        v = surface.noise.covariance(np.sqrt(surface.mixed.variance))
    rows = []
    for g in range(groups.max() + 1):
        keep = groups != g
        if keep.sum() <= x.shape[1] or np.linalg.matrix_rank(x[keep]) < x.shape[1]:
            continue
        inverse = np.linalg.inv(v[np.ix_(keep, keep)])
        phi = np.linalg.inv(x[keep].T @ inverse @ x[keep])
        coef = phi @ x[keep].T @ inverse @ y[keep]
        rest = y[keep] - x[keep] @ coef
        df = int(keep.sum() - x.shape[1])
        error = np.sqrt(np.diag(phi) * (rest @ inverse @ rest) / df)
        label = surface.values.labels["batch"].to_numpy()[groups == g][0]
        rows += [(label, n, c, e, df) for n, c, e in zip(surface.space.names, coef, error)]
    return pd.DataFrame(rows, columns=WITHOUT)


def _pulled_without(surface: Surface) -> pd.DataFrame:
    """A batch left out pulls no more than its prediction from the others would; the middle over the parts."""
    groups, whole = surface.values.batches, surface.coefficients

    def shift(part: Part) -> np.ndarray:
        each = part.pull(surface.nearest(part)) * _left_out_error(part, groups)
        return np.stack([each[:, groups == g].sum(axis=1) for g in range(groups.max() + 1)])

    full = surface.in_full
    same = [(shift(p), w) for p, w in zip(full.parts, full.weights) if p.scale == surface.values.scale]
    without = whole["estimate"].to_numpy() - _weighted_median(*map(np.array, zip(*same)))
    first = pd.Series(groups).drop_duplicates().index
    labels = surface.values.labels["batch"].to_numpy()[first]
    rows = [
        (label, n, c, e, np.inf)
        for label, row in zip(labels, without)
        for n, c, e in zip(whole["term"], row, whole["std_error"])
    ]
    return pd.DataFrame(rows, columns=WITHOUT)


def normal_quantiles(surface: Surface) -> pd.DataFrame:
    """Return residuals against normal quantiles (Blom's plotting positions): trial, quantile, residual, in rising order."""
    from scipy.special import ndtri

    check = surface.diagnostics[surface.values.side == 0].sort_values("residual", kind="stable")
    n = len(check)
    place = ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    return pd.DataFrame(
        {"trial": check["trial"].to_numpy(), "quantile": place, "residual": check["residual"].to_numpy()}
    )


def leave_one_batch_out(surface: Surface) -> pd.DataFrame:
    """Return every value predicted with its batch left out, the error ratios estimated anew each time.

    For the whole model (least squares, mixed where batches repeat).

    Returns
    -------
    DataFrame
        trial, batch, measured, predicted, error, std_error (of predicting one such value), on the scale of the fit.

    Raises
    ------
    FitError
        If without some batch the whole model cannot be estimated, readings are censored, or the response is no measure.
    """
    if surface.values.side.any() or surface.response.kind != "measure":
        what = "has censored readings" if surface.values.side.any() else f"is a {surface.response.kind}"
        raise FitError(
            f"Response {surface.name!r} {what}, and this is least squares. Use its diagnostics: left_out is predicted with the "
            "batch left out."
        )
    from formlab.surfaces.least_squares import solve
    from formlab.surfaces.mixed import reml

    x, y, groups = surface.space.matrix(surface.formulas), surface.values.eta, surface.values.batches
    names, noise = surface.space.names, surface.noise
    predicted, error = np.empty(len(y)), np.empty(len(y))
    for g in range(groups.max() + 1):
        out = groups == g
        keep = ~out
        try:
            if surface.mixed is None:
                fit = solve(x[keep], y[keep], names)
                covariance, coef, v = fit.inverse * fit.s**2, fit.coef, np.eye(len(y)) * fit.s**2
            else:
                mixed = reml(x[keep], y[keep], noise.subset(keep), names, near=surface.mixed.variance)
                covariance, coef, v = mixed.covariance, mixed.coef, noise.covariance(np.sqrt(mixed.variance))
        except FitError as why:
            label = surface.values.labels["batch"].to_numpy()[out][0]
            raise FitError(f"Batch {label!r} cannot be left out; make it again. Without it: {why}") from None
        # what values of other batches tell of a session or history that they share
        share = np.linalg.solve(v[np.ix_(keep, keep)], v[np.ix_(keep, out)]).T
        apart = x[out] - share @ x[keep]
        predicted[out] = x[out] @ coef + share @ (y[keep] - x[keep] @ coef)
        own = np.diag(v)[out] - (share * v[np.ix_(out, keep)]).sum(axis=1)
        error[out] = np.sqrt(np.einsum("ij,jk,ik->i", apart, covariance, apart) + own)
    labels = surface.values.labels
    return pd.DataFrame(
        {
            "trial": labels["trial"],
            "batch": labels["batch"],
            "measured": y,
            "predicted": predicted,
            "error": y - predicted,
            "std_error": error,
        }
    )
