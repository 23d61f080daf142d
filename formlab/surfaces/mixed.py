r"""Mixed models by REML on small dense problems, with degrees of freedom that respect the levels of error.

:math:`y = X b + \sum_k Z_k u_k + e`, :math:`V = \sum_k \sigma_k^2 Z_k Z_k^\top + \sigma^2 I`. Residual maximum likelihood
(Patterson & Thompson 1971) by average information with step halving, variances kept at zero or above; degrees of freedom
by Satterthwaite (1946) from the expected information; standard errors enlarged for the estimation of V by
Kenward & Roger (1997, Biometrics 53:983-997).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from formlab.surfaces.least_squares import check_estimable
from formlab.surfaces.noise import Noise
from formlab.surfaces.parts import Features, LeastSquaresPart
from formlab.surfaces.sampling import ensemble, evenly, strata
from formlab.surfaces.scales import Scale

__all__ = ["MixedFit", "least_squares_part", "reml", "variance_parts"]

_SMALLEST, _WIDEST = 0.003, 100.0  # of a level's standard deviation over the residual's
_KNEE = (
    0.33  # below this many standard errors of a group's mean, a level's standard deviation is evenly likely
)


@dataclass(frozen=True)
class MixedFit:
    """A mixed model fitted by REML.

    Attributes
    ----------
    levels : tuple of str
        Levels beside the residual.
    variance : ndarray
        Of the levels, then the residual.
    coef, std_error, df : ndarray of shape (p,)
        `std_error` with the Kenward-Roger correction, `df` by Satterthwaite.
    plain_error : ndarray of shape (p,)
        Standard errors at the estimated variances as if they were known.
    covariance : ndarray of shape (p, p)
        Of the coefficients, corrected.
    log_likelihood : float
        Residual log likelihood.
    """

    levels: tuple[str, ...]
    variance: np.ndarray
    coef: np.ndarray
    std_error: np.ndarray
    plain_error: np.ndarray
    df: np.ndarray
    covariance: np.ndarray
    log_likelihood: float
    information: np.ndarray
    _sensitivity: np.ndarray
    _plain: np.ndarray
    groups: tuple[int, ...]
    # columns, values, pieces of V, what is known of it, about how large it is
    _given: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, float]

    def contrast_df(self, row: np.ndarray) -> float:
        """Return Satterthwaite's degrees of freedom of a linear combination of coefficients, at most those of the residual."""
        value = row @ self._plain @ row
        slope = np.array([row @ s @ row for s in self._sensitivity])
        spread = slope @ _inverse(self.information) @ slope
        most = len(self._given[1]) - len(self.coef)
        return min(float(2 * value**2 / spread), most) if spread > 0 else float(most)

    def test(self, rows: np.ndarray) -> tuple[float, int, float, float]:
        """Return F, its degrees of freedom and p of several linear combinations of coefficients being zero together.

        Denominator degrees of freedom by Fai & Cornelius (1996): Satterthwaite's for each independent combination,
        pooled so that F has the right expectation.
        """
        from scipy.stats import f as f_law

        values, vectors = np.linalg.eigh(rows @ self.covariance @ rows.T)
        turned = vectors.T @ rows
        parts = (turned @ self.coef) ** 2 / values
        df = np.array([self.contrast_df(row) for row in turned])
        q, statistic = len(rows), float(parts.mean())
        if q == 1:
            bottom = float(df[0])
        else:
            expected = float(np.where(df > 2, df / np.maximum(df - 2, 1e-9), 0.0).sum())
            bottom = 2 * expected / (expected - q) if expected > q else 1.0
        bottom = min(bottom, 1e9)
        return statistic, q, bottom, float(f_law.sf(statistic, q, bottom))

    @cached_property
    def components(self) -> pd.DataFrame:
        """Variance components: level, groups, variance, sd, low, high (95 % of the sd, by profile likelihood)."""
        rows = []
        for k, name in enumerate([*self.levels, "residual"]):
            count = self.groups[k] if k < len(self.levels) else None
            low, high = self._profile(k)
            rows.append(
                (name, count, self.variance[k], np.sqrt(self.variance[k]), np.sqrt(low), np.sqrt(high))
            )
        return pd.DataFrame(rows, columns=["level", "groups", "variance", "sd", "low", "high"])

    def _profile(self, k: int, fall: float = 1.920729) -> tuple[float, float]:
        """Where the likelihood, the other variances at their best, has fallen by half of chi-square's 95 % point."""
        from scipy.optimize import brentq

        unit = float(self.variance.sum())
        if unit <= _rounding(self._given[1]):  # the likelihood rises without end towards no error
            return 0.0, unit
        least = 1e-8 * unit

        def short(variance: float) -> float:
            theta = np.where(self.variance > 0, self.variance, 1e-3 * unit)
            theta[k] = variance
            return self.log_likelihood - _climb(theta, *self._given, hold=k)[0] - fall

        best = max(float(self.variance[k]), least)
        if short(best) >= 0:  # it is zero but for rounding, and the likelihood rises without end towards it
            return 0.0, best
        low = 0.0 if short(least) <= 0 else float(brentq(short, least, best, xtol=1e-6 * best))
        high = max(2 * best, 0.01 * unit)
        while short(high) < 0:
            high *= 4
            if high > 1e8 * unit:
                return low, np.inf
        return low, float(brentq(short, best, high, xtol=1e-6 * high))


def reml(
    x: np.ndarray, y: np.ndarray, noise: Noise, names: Sequence[str], model: str = "",
    near: np.ndarray | None = None,
) -> MixedFit:  # fmt: skip
    """Return the REML fit of a mixed model.

    `near` are variances of much the same data, to start from instead of from afar.

    Raises
    ------
    FitError
        Too few trials, or a term that cannot be told apart.
    """
    check_estimable(x, names, model)
    pieces = np.concatenate([noise.sharing, np.eye(len(y))[None]])
    known = np.diag(np.broadcast_to(noise.known, len(y)).astype(float))
    residual = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    unit = float(residual @ residual) / max(len(y) - x.shape[1], 1)
    rounding = _rounding(y)
    if unit <= rounding:  # a perfect fit: there is no error to share out
        theta = np.append(np.zeros(len(pieces) - 1), rounding or 1.0)
        return _fitted(theta, x, y, pieces, known, unit, noise)
    best: tuple[float, np.ndarray] | None = None
    starts = [np.full(len(pieces), unit * share / max(len(pieces) - 1, 1)) for share in (0.5, 0.05, 0.95)]
    for start, share in zip(starts, (0.5, 0.05, 0.95)):
        start[-1] = unit * (1 - share)
    for start in starts if near is None else [np.maximum(near, 0.02 * unit)]:
        value, theta = _climb(start, x, y, pieces, known, unit)
        if best is None or value > best[0] + 1e-10:
            best = value, theta
    assert best is not None
    return _fitted(best[1], x, y, pieces, known, unit, noise)


def _rounding(y: np.ndarray) -> float:
    """Return the variance below which what is left over may be rounding of `y` alone."""
    return 1e-18 * float(np.max(y**2))


def _projection(
    theta: np.ndarray, x: np.ndarray, pieces: np.ndarray, known: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    v = np.tensordot(theta, pieces, axes=1) + known
    inverse = np.linalg.inv(v)
    xt = x.T @ inverse
    phi = np.linalg.inv(xt @ x)
    return v, inverse, phi, inverse - xt.T @ phi @ xt


def _value(theta: np.ndarray, x: np.ndarray, y: np.ndarray, pieces: np.ndarray, known: np.ndarray) -> float:
    """Residual log likelihood with its constant, as other programs print it; -inf where V cannot be inverted."""
    try:
        v, _, phi, p = _projection(theta, x, pieces, known)
    except np.linalg.LinAlgError:  # one level explains all but rounding
        return -np.inf
    df = len(y) - x.shape[1]
    logs = np.linalg.slogdet(v)[1] - np.linalg.slogdet(phi)[1]
    return float(-0.5 * (logs + y @ p @ y + df * np.log(2 * np.pi)))


def _climb(
    theta: np.ndarray, x: np.ndarray, y: np.ndarray, pieces: np.ndarray, known: np.ndarray, unit: float,
    hold: int | None = None,
) -> tuple[float, np.ndarray]:  # fmt: skip
    """Average-information steps on the variances that are above zero, halved until the likelihood rises.

    The variance numbered `hold` stays as it is.
    """
    floor = np.append(np.zeros(len(theta) - 1), 1e-8 * unit)
    theta = np.maximum(theta, floor)
    value = _value(theta, x, y, pieces, known)
    for _ in range(200):
        p = _projection(theta, x, pieces, known)[3]
        py = p @ y
        turned = np.array([z @ py for z in pieces])
        score = -0.5 * np.array([(p * z).sum() - py @ z @ py for z in pieces])
        average = 0.5 * turned @ p @ turned.T
        free = ((theta > floor) | (score > 0)) & (np.arange(len(theta)) != hold)
        step = np.zeros(len(theta))
        step[free] = _inverse(average[np.ix_(free, free)]) @ score[free]
        for half in range(40):
            new = np.maximum(theta + step * 0.5**half, floor)
            now = _value(new, x, y, pieces, known)
            if now >= value - 1e-9 * max(abs(value), 1.0):  # lower by rounding only
                break
        else:
            break
        moved = np.abs(new - theta).max()
        gained = now - value
        theta, value = new, now
        if moved < 1e-11 * unit or (gained < 1e-13 * max(abs(value), 1.0) and moved < 1e-8 * unit):
            break
    return value, theta


def _inverse(information: np.ndarray) -> np.ndarray:
    """Pseudo-inverse of an information matrix, in units of its diagonal: variances may be of very different sizes."""
    unit = np.sqrt(np.maximum(np.diag(information), 1e-300))
    return np.asarray(
        np.linalg.pinv(information / np.outer(unit, unit), hermitian=True) / np.outer(unit, unit)
    )


def _fitted(
    theta: np.ndarray, x: np.ndarray, y: np.ndarray, pieces: np.ndarray, known: np.ndarray, unit: float,
    noise: Noise,
) -> MixedFit:  # fmt: skip
    _, inverse, phi, p = _projection(theta, x, pieces, known)
    information = 0.5 * np.array([[((p @ a) * (p @ b).T).sum() for b in pieces] for a in pieces])
    w = _inverse(information)
    xt = x.T @ inverse
    first = np.array([-xt @ z @ xt.T for z in pieces])
    sensitivity = np.array([-phi @ f @ phi for f in first])
    correction = np.zeros_like(phi)
    for i, a in enumerate(pieces):
        for j, b in enumerate(pieces):
            correction += w[i, j] * (xt @ a @ inverse @ b @ xt.T - first[i] @ phi @ first[j])
    covariance = phi + 2 * phi @ correction @ phi
    plain = np.sqrt(np.diag(phi))
    slopes = np.array([np.diag(s) for s in sensitivity]).T
    spread = np.einsum("ji,ik,jk->j", slopes, w, slopes)
    df = np.divide(2 * plain**4, spread, out=np.full(len(plain), np.inf), where=spread > 0)
    return MixedFit(
        levels=noise.names,
        variance=theta,
        coef=phi @ xt @ y,
        std_error=np.sqrt(np.maximum(np.diag(covariance), plain**2)),
        plain_error=plain,
        df=np.minimum(df, len(y) - x.shape[1]),
        covariance=covariance,
        log_likelihood=_value(theta, x, y, pieces, known),
        information=information,
        _sensitivity=sensitivity,
        _plain=phi,
        groups=tuple(int(c.max()) + 1 for c in noise.codes),
        _given=(x, y, pieces, known, unit),
    )


def variance_parts(
    features: Features, scale: Scale, x: np.ndarray, y: np.ndarray, noise: Noise, rng: np.random.Generator,
    keep: int = 32,
) -> list[LeastSquaresPart]:  # fmt: skip
    """Return the posterior of a polynomial under a flat prior, equally likely parts at different ratios of the variances.

    The coefficients are integrated out, which is REML's likelihood (Harville 1974). Prior: one over sigma² for the
    residual variance; for the ratio r of the batches' standard deviation to the residual's, m values a batch,
    proportional to (1 + m (r / 0.33)²)^(-1/2): even near zero, and one over r where batches show, which gives
    intervals between few batches the width of Student's law with their degrees of freedom. Other levels, of which
    there are often two or three groups: half-Cauchy with scale 1. One level is integrated over a grid, several are
    sampled.
    """
    # known variances of readings stay in proportion to the residual's at its least-squares size
    fit = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    unit = max(float(fit @ fit) / max(len(y) - x.shape[1], 1), 1e-300)
    noise = noise.relative(max(unit - float(np.mean(noise.known)), 0.1 * unit))
    density = _RatioDensity(x, y, noise)
    k = len(noise.names)
    if k == 1:
        draws = np.exp(_spread_evenly(density, keep))[:, None]
    else:
        start = np.log(rng.uniform(0.05, 2.0, (max(24, 4 * k), k)))
        chain = ensemble(density, start, 360, 60, rng)
        draws = np.exp(chain[evenly(len(chain), 8 * keep, rng)])
    ratios = [np.append(d, 1.0) for d in draws]
    found = [least_squares_part(features, scale, x, y, noise, r) for r in ratios]
    # what is kept of many draws spans how much they leave open
    width = [float(part.moments(x.mean(axis=0)[None])[1][0]) for part in found]
    return [found[i] for i in np.argsort(width, kind="stable")[strata(len(found), keep)]]


class _RatioDensity:
    """Log posterior density of the logs of the levels' standard deviations over the residual's."""

    def __init__(self, x: np.ndarray, y: np.ndarray, noise: Noise) -> None:
        self._pieces = noise.sharing
        self._both = np.column_stack([x, y])
        self._own = np.diag(1 + np.broadcast_to(noise.known, len(y)))
        batch = np.array([name == "batch" for name in noise.names])
        size = np.array([(c >= 0).sum() / (c.max() + 1) for c in noise.codes])
        self._knee, self._tail = np.where(batch, size / _KNEE**2, 1.0), np.where(batch, 0.5, 1.0)

    def __call__(self, u: np.ndarray) -> np.ndarray:
        inside = ((u > np.log(_SMALLEST)) & (u < np.log(_WIDEST))).all(axis=1)
        ratio = np.exp(np.where(inside[:, None], u, 0.0))
        lower = np.linalg.cholesky(np.tensordot(ratio**2, self._pieces, axes=1) + self._own)
        n, p = len(self._own), self._both.shape[1] - 1
        white = np.linalg.solve(lower, np.broadcast_to(self._both, (len(u), n, p + 1)))
        diagonal = np.abs(np.diagonal(np.linalg.qr(white, mode="r"), axis1=1, axis2=2))
        log_p = -np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
        log_p -= np.log(diagonal[:, :p]).sum(axis=1)
        log_p -= (n - p) * np.log(np.maximum(diagonal[:, p], 1e-300))
        log_p += (np.log(ratio) - self._tail * np.log1p(self._knee * ratio**2)).sum(axis=1)
        return np.where(inside, log_p, -np.inf)


def _spread_evenly(density: _RatioDensity, keep: int) -> np.ndarray:
    """Points of one variable that part its density into equal shares, shape (keep,)."""
    edge = 1e-9
    u = np.linspace(np.log(_SMALLEST) + edge, np.log(_WIDEST) - edge, 160)
    log_p = density(u[:, None])
    p = np.exp(log_p - log_p.max())
    below = np.concatenate([[0.0], np.cumsum((p[1:] + p[:-1]) / 2)])
    return np.interp((np.arange(keep) + 0.5) / keep, below / below[-1], u)


def least_squares_part(
    features: Features, scale: Scale, x: np.ndarray, y: np.ndarray, noise: Noise, ratios: np.ndarray
) -> LeastSquaresPart:
    """Return generalised least squares under a flat prior at given ratios of the error levels."""
    inverse = np.linalg.inv(noise.covariance(ratios))
    xt = x.T @ inverse
    phi = np.linalg.inv(xt @ x)
    gain = phi @ xt
    coef = gain @ y
    residual = y - x @ coef
    rss, df = float(residual @ inverse @ residual), len(y) - x.shape[1]
    return LeastSquaresPart(features, scale, coef, gain, phi, rss, df, noise, ratios, x, y)
