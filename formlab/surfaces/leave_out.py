"""Densities of groups of values given all others, in closed form, and averaged over a posterior."""

from __future__ import annotations

import numpy as np

from formlab.surfaces.censored import log_density

__all__ = ["NEVER", "leave_out_average", "left_out", "left_out_student"]

NEVER = -30.0  # log density of what a model says can never be, in units of the values' own spread


def left_out_student(
    inverse: np.ndarray,
    y: np.ndarray,
    df: int,
    groups: np.ndarray,
    side: np.ndarray | None = None,
    limit: np.ndarray | None = None,
) -> np.ndarray:
    """Return the log density of each group given the others where the variance is unknown, shape (groups,).

    `inverse` is the projected inverse covariance in units of sigma², with `df` its rank; the prior of sigma²
    is proportional to one over it. A group without which the fit is undetermined gets `NEVER` a value. Of values that
    are censored (`side` not 0) it is the probability to lie beyond their `limit`.
    """
    from scipy.special import gammaln

    pull = inverse @ y
    whole = float(y @ pull)
    out = NEVER * np.bincount(groups).astype(float)
    for g in range(len(out)):
        rows = np.flatnonzero(groups == g)
        left, m = df - len(rows), len(rows)
        block = inverse[np.ix_(rows, rows)]
        sign, log_det = np.linalg.slogdet(block)
        if left < 1 or sign <= 0 or log_det < -60 * m:
            continue
        square = float(pull[rows] @ np.linalg.solve(block, pull[rows]))
        rest = max(whole - square, 1e-300)  # left * scale²
        if side is not None and limit is not None and side[rows].any():
            density = log_density(block, pull[rows], y[rows], side[rows], limit[rows], left, rest)
            out[g] = max(density, out[g])
            continue
        density = (
            gammaln((left + m) / 2) - gammaln(left / 2) - 0.5 * m * np.log(np.pi * rest) + 0.5 * log_det
            - 0.5 * (left + m) * np.log1p(square / rest)
        )  # fmt: skip
        out[g] = max(density, out[g])
    return out


def left_out(
    inverse: np.ndarray,
    y: np.ndarray,
    groups: np.ndarray,
    side: np.ndarray | None = None,
    limit: np.ndarray | None = None,
) -> np.ndarray:
    r"""Return log N(y_g | the rest) for each group, from inverse covariances (closed form by blocks).

    `inverse` has shape (..., n, n), `y` (n,) or (..., n), what is returned (..., groups). Of values that are censored
    (`side` not 0) it is the probability to lie beyond their `limit`. With :math:`Q = K^{-1}`: mean :math:`y_g - Q_{gg}^{-1} (Q y)_g`, covariance :math:`Q_{gg}^{-1}`
    (Rasmussen & Williams 2006, eq. 5.12, for blocks).
    """
    pull = (inverse @ y[..., None])[..., 0]
    beyond = np.zeros(len(groups), dtype=bool) if side is None else side != 0
    if groups.max() + 1 == len(groups) and not beyond.any():
        order = np.argsort(groups)
        q = np.diagonal(inverse, axis1=-2, axis2=-1)[..., order]
        return np.asarray(0.5 * (np.log(q / (2 * np.pi)) - pull[..., order] ** 2 / q))
    out = np.empty((*inverse.shape[:-2], groups.max() + 1))
    for g in range(out.shape[-1]):
        rows = np.flatnonzero(groups == g)
        block = inverse[..., rows[:, None], rows]
        if side is not None and limit is not None and beyond[rows].any():
            own = np.broadcast_to(y, pull.shape)
            for at in np.ndindex(pull.shape[:-1]):
                out[(*at, g)] = log_density(block[at], pull[at][rows], own[at][rows], side[rows], limit[rows])
            continue
        square = (np.linalg.solve(block, pull[..., rows, None])[..., 0] * pull[..., rows]).sum(axis=-1)
        out[..., g] = 0.5 * (np.linalg.slogdet(block)[1] - len(rows) * np.log(2 * np.pi) - square)
    return out


def leave_out_average(logs: np.ndarray) -> np.ndarray:
    """Return the log predictive density over draws whose weight is one over the density of what is left out.

    `logs` has shape (draws, groups); raw weights above mean times the root of the number of draws are cut to it.
    """
    weight = np.exp(logs.min(axis=0) - logs)
    weight = np.minimum(weight, weight.mean(axis=0) * np.sqrt(len(logs)))
    top = logs.max(axis=0)
    return np.log((weight * np.exp(logs - top)).sum(axis=0) / weight.sum(axis=0)) + top
