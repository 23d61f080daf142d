"""Tolerance intervals: where a share of all slabs lies, said with a confidence.

Factors for a normal sample: exact by the non-central t law (one-sided) and by integration over the mean
(two-sided; Odeh & Owen 1980). For a formula of a surface, from the joint posterior of mean and error.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.errors import FitError
from formlab.surfaces.surface import check_shares

if TYPE_CHECKING:
    from formlab.surfaces.surface import Surface

__all__ = ["one_sided_factor", "tolerance_table", "two_sided_factor"]


def one_sided_factor(
    n: float, content: float = 0.95, confidence: float = 0.95, df: float | None = None
) -> float:
    """Return k so that mean + k s lies above a share `content` of a normal law, with `confidence`.

    Parameters
    ----------
    n : float
        Values behind the mean; for a formula of a surface, one over its leverage.
    content, confidence : float
        From 0 to 1.
    df : float, optional
        Degrees of freedom of s; n - 1 where left out.

    Examples
    --------
    >>> round(one_sided_factor(43, 0.90, 0.99), 4)
    1.874
    """
    from scipy.special import ndtri
    from scipy.stats import nct

    df = n - 1 if df is None else df
    return float(nct.ppf(confidence, df, ndtri(content) * np.sqrt(n)) / np.sqrt(n))


def two_sided_factor(
    n: float, content: float = 0.95, confidence: float = 0.95, df: float | None = None
) -> float:
    """Return k so that mean ± k s holds a share `content` of a normal law, with `confidence`; exact.

    Examples
    --------
    >>> round(two_sided_factor(10), 3)
    3.393
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr, ndtri
    from scipy.stats import chi2

    df = n - 1 if df is None else df
    nodes, weights = np.polynomial.hermite_e.hermegauss(60)
    weights = weights / weights.sum()
    shift = nodes / np.sqrt(n)
    # half-width r with Phi(shift + r) - Phi(shift - r) = content, by Newton steps
    r = np.full(len(nodes), ndtri((1 + content) / 2)) + np.abs(shift)
    for _ in range(60):
        held = ndtr(shift + r) - ndtr(shift - r) - content
        slope = np.exp(-0.5 * (shift + r) ** 2) + np.exp(-0.5 * (shift - r) ** 2)
        r = np.maximum(r - held * np.sqrt(2 * np.pi) / np.maximum(slope, 1e-280), 1e-9)

    def reached(k: float) -> float:
        return float(weights @ chi2.sf(df * r**2 / k**2, df)) - confidence

    return float(brentq(reached, 1e-3, 1e4, xtol=1e-12))


def tolerance_table(
    surface: Surface,
    frame: pd.DataFrame,
    content: float = 0.95,
    confidence: float = 0.95,
    *,
    draws: int = 4000,
    seed: int = 0,
) -> pd.DataFrame:
    """Return limits that hold a share of all slabs of all batches of a formula, each read once, index kept.

    Under each joint posterior draw of mean and error the share between mean ± k times its error is computed;
    k is the smallest with which a share `confidence` of the draws hold `content`. Exact for least squares up to
    the number of draws.

    Returns
    -------
    DataFrame
        low, high (two-sided), at_least, at_most (one-sided), in the response's own unit.

    Raises
    ------
    FitError
        If the response is a rating, count or pass/fail, or a share is not between 0 and 1.
    """
    from scipy.special import ndtri

    check_shares(content=content, confidence=confidence)
    if surface.response.kind != "measure":
        raise FitError(
            f"Response {surface.name!r} is a {surface.response.kind}: its values are no continuous law, so it has no tolerance "
            "limits. Give a response of kind 'measure'."
        )

    complete = surface.brief.complete(frame)
    eta, sd = _draw(surface, complete, draws, seed)
    scale = surface.values.scale
    middle = eta.mean(axis=0)
    spread = float(np.sqrt((sd**2).mean()))
    z1 = float(ndtri(content))
    lower = np.quantile(eta - z1 * sd[:, None], 1 - confidence, axis=0)
    upper = np.quantile(eta + z1 * sd[:, None], confidence, axis=0)
    half = np.array(
        [_half_width(eta[:, i] - middle[i], sd, content, confidence, spread) for i in range(len(middle))]
    )
    return pd.DataFrame(
        {
            "low": scale.inverse(middle - half),
            "high": scale.inverse(middle + half),
            "at_least": scale.inverse(lower),
            "at_most": scale.inverse(upper),
        },
        index=frame.index,
    )


def _draw(surface: Surface, frame: pd.DataFrame, draws: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Predictor on the scale of the fit, (draws, n), and the standard deviation of slabs of all batches, (draws,)."""
    from formlab.surfaces.noise import Scatter
    from formlab.surfaces.parts import columns_of

    rng = np.random.default_rng(seed)
    slabs, batches = len(surface.slabs), int(surface.slabs.batches.max()) + 1
    eta, sd = [], []
    for part, weight in zip(surface.parts, surface.weights):
        if part.scale != surface.values.scale:
            continue
        k = max(int(round(draws * weight)), 1)
        drawn = part.draw(Scatter(rng.standard_normal((k, batches)), rng.standard_normal((k, slabs))), rng)
        eta.append(drawn.coef @ columns_of(part.features, frame).T)
        sd.append(np.sqrt(drawn.sd_batch**2 + drawn.sd_slab**2 + drawn.sd_reading**2))
    return np.concatenate(eta), np.concatenate(sd)


def _half_width(off: np.ndarray, sd: np.ndarray, content: float, confidence: float, unit: float) -> float:
    """Smallest half-width about the middle that holds `content` under a share `confidence` of the draws."""
    from scipy.special import ndtr

    low, high = 0.0, 100 * (unit + float(np.abs(off).max()))
    for _ in range(60):
        middle = (low + high) / 2
        held = ndtr((off + middle) / sd) - ndtr((off - middle) / sd)
        low, high = (low, middle) if (held >= content).mean() >= confidence else (middle, high)
    return high
