"""Parts of a posterior: one way of writing a response, linear in its columns, and joint draws from it.

A part turns correlated standard normal scatter at batch and slab level into draws of its coefficients, so
that responses read on the same slabs are drawn with the correlation that their errors have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
import pandas as pd

from formlab.surfaces.scales import Scale

__all__ = ["Drawn", "ErrorSplit", "Features", "LeastSquaresPart", "Part", "Scatter", "TermFeatures"]


class Base(Protocol):
    """What columns are made of, for any frame of formulas; shared by many parts."""

    def base(self, frame: pd.DataFrame) -> np.ndarray: ...


class Features(Protocol):
    """Columns of a model, made from the columns of its variables."""

    @property
    def variables(self) -> Base: ...

    def expand(self, base: np.ndarray) -> np.ndarray: ...


class TermFeatures:
    """The terms of a model space as features."""

    def __init__(self, space: Any) -> None:
        self.variables, self.expand = space, space.expand


def columns_of(features: Features, frame: pd.DataFrame) -> np.ndarray:
    """Return the columns of complete formulas, shape (n, p)."""
    return features.expand(features.variables.base(frame))


@dataclass(frozen=True)
class Scatter:
    """Standard normal scatter behind a joint draw, of one response.

    Attributes
    ----------
    batch : ndarray of shape (draws, n_batches)
    slab : ndarray of shape (draws, n_slabs)
    """

    batch: np.ndarray
    slab: np.ndarray


@dataclass(frozen=True)
class Drawn:
    """Draws of one part: coefficients and standard deviations of the error levels, on the scale of the fit.

    ``sd_test`` is error of a test session or operator: it touches what is measured, once a batch.
    """

    part: Part
    coef: np.ndarray  # (draws, p)
    sd_batch: np.ndarray  # (draws,)
    sd_slab: np.ndarray
    sd_reading: np.ndarray
    sd_test: np.ndarray

    def take(self, rows: np.ndarray) -> Drawn:
        levels = (self.sd_batch[rows], self.sd_slab[rows], self.sd_reading[rows], self.sd_test[rows])
        return Drawn(self.part, self.coef[rows], *levels)


class Part(Protocol):
    """One way of writing a response."""

    @property
    def features(self) -> Features: ...

    @property
    def scale(self) -> Scale: ...

    def draw(self, scatter: Scatter, rng: np.random.Generator) -> Drawn: ...

    def moments(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        """Mean and standard deviation of the predictor on the scale of the fit, and degrees of freedom."""
        ...

    @property
    def hat(self) -> np.ndarray: ...

    @property
    def residual(self) -> np.ndarray: ...

    @property
    def spread(self) -> tuple[float, float, float]:
        """Typical standard deviations of batch, slab and reading (with its session)."""
        ...


@dataclass(frozen=True)
class ErrorSplit:
    """How one residual variance divides among batch, slab and reading where trials cannot tell them apart.

    Shares are drawn from a Dirichlet law: with weights in proportion to the squares of the brief's guesses
    times `strength` where it has any, else uniform between batch and slab. Only new batches and accepted
    batches depend on it, and means of bounded responses a little.
    """

    weights: tuple[float, float, float] = (1.0, 1.0, 0.0)

    @classmethod
    def of(cls, guesses: Sequence[float | None], strength: float = 12.0) -> ErrorSplit:
        if not any(guesses):
            return cls()
        squares = np.array([(g or 0.0) ** 2 for g in guesses])
        weights = strength * squares / squares.sum()
        return cls((float(weights[0]), float(weights[1]), float(weights[2])))

    def without_batch(self) -> ErrorSplit:
        """The split of what is left once batches are told apart."""
        return ErrorSplit((0.0, *self.weights[1:])) if any(self.weights[1:]) else ErrorSplit((0.0, 1.0, 0.0))

    def draw(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Return shares, shape (draws, 3)."""
        gamma = np.column_stack([rng.gamma(w, size=draws) if w else np.zeros(draws) for w in self.weights])
        total = gamma.sum(axis=1, keepdims=True)
        return np.where(total > 0, gamma / np.where(total > 0, total, 1.0), np.array(self.mean))

    @property
    def mean(self) -> tuple[float, float, float]:
        total = sum(self.weights)
        return tuple(w / total for w in self.weights)  # type: ignore[return-value]


@dataclass(frozen=True)
class Noise:
    """Levels of error of the values of one response, as far as trials tell them apart.

    Attributes
    ----------
    batch, slab : ndarray of int, shape (n,)
        Which batch and slab of the series each value belongs to.
    names : tuple of str
        Levels beside the residual.
    codes : tuple of ndarray of int
        Group of each value, by level; -1 where the level does not touch it.
    known : ndarray of shape (n,)
        Variance that is known beforehand: of the mean of its readings.
    split : ErrorSplit
        Of the residual where batches are not repeated, else of it without batches.
    """

    batch: np.ndarray
    slab: np.ndarray
    names: tuple[str, ...] = ()
    codes: tuple[np.ndarray, ...] = ()
    known: np.ndarray | float = 0.0
    split: ErrorSplit = field(default_factory=ErrorSplit)
    single_reading: float = 0.0  # variance of one reading, where it was taken from repeats

    def relative(self, variance: float) -> Noise:
        """Return the same with known variances in units of `variance`."""
        return replace(self, known=self.known / variance, single_reading=self.single_reading / variance)

    def subset(self, keep: np.ndarray) -> Noise:
        """Return the levels of some of the values."""
        codes = tuple(_renumbered(c[keep]) for c in self.codes)
        known = self.known if np.ndim(self.known) == 0 else np.asarray(self.known)[keep]
        return replace(self, batch=self.batch[keep], slab=self.slab[keep], codes=codes, known=known)

    @property
    def sharing(self) -> np.ndarray:
        """Which values share a group, shape (levels, n, n)."""
        n = len(self.slab)
        same = [(c[:, None] == c[None, :]) & (c[:, None] >= 0) for c in self.codes]
        return np.array(same, dtype=float).reshape(-1, n, n)

    def covariance(self, sds: np.ndarray) -> np.ndarray:
        """Return the covariance of the values' errors; `sds` are those of the levels, then the residual's."""
        v = (
            np.tensordot(sds[:-1] ** 2, self.sharing, axes=1)
            if self.names
            else np.zeros((len(self.slab),) * 2)
        )
        return v + np.diag(sds[-1] ** 2 + np.broadcast_to(self.known, len(self.slab)))

    def errors(self, sds: np.ndarray, scatter: Scatter, rng: np.random.Generator) -> np.ndarray:
        """Return errors with that covariance, shape (draws, n), made from the scatter that responses share."""
        draws, n = len(scatter.slab), len(self.slab)
        own = np.sqrt(sds[-1] ** 2 + np.broadcast_to(self.known, n))
        repeats = len(np.unique(self.slab)) < n
        out = own * (rng.standard_normal((draws, n)) if repeats else scatter.slab[:, self.slab])
        for name, code, sd in zip(self.names, self.codes, sds):
            if name == "batch":
                out = out + sd * scatter.batch[:, self.batch]
            elif name == "slab":
                out = out + sd * scatter.slab[:, self.slab]
            else:
                effect = rng.standard_normal((draws, int(code.max()) + 1))[:, code]
                out = out + sd * np.where(code >= 0, effect, 0.0)
        return out

    def levels(self, sds: np.ndarray, draws: int, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return standard deviations of batch, slab, reading and test, shape (draws, 4).

        Days, lots, blocks and press loads belong to a new batch; sessions and operators to the test; the shift of
        a history to neither, for a new batch is made and tested as today. Without a generator the split of what cannot be told apart is at its mean.
        """
        shares = np.broadcast_to(self.split.mean, (draws, 3)) if rng is None else self.split.draw(draws, rng)
        variance = np.zeros((draws, 4))
        residual = sds[-1] ** 2
        if "slab" in self.names:  # repeated readings of a slab: the residual is the test's
            variance[:, 2] = residual
        else:
            variance[:, :3] = residual * shares
        variance[:, 2] += self.single_reading
        for name, sd in zip(self.names, sds):
            if name == "history":
                continue
            place = {"slab": 1, "session": 3, "operator": 3}.get(name, 0)
            variance[:, place] += sd**2
        return np.sqrt(variance)


def _renumbered(code: np.ndarray) -> np.ndarray:
    """Groups numbered from 0 without gaps; -1 stays."""
    return np.unique(np.append(code, -1), return_inverse=True)[1][:-1] - 1


@dataclass(frozen=True)
class LeastSquaresPart:
    r"""A polynomial under a flat prior, at one ratio of the error levels.

    Coefficients are Student about (generalised) least squares, the variance scaled inverse chi-square:
    :math:`\sigma^2 \mid y \sim \mathrm{RSS} / \chi^2_\nu`, :math:`b \mid \sigma, y \sim N(\hat b, \sigma^2 (X^\top V^{-1} X)^{-1})`
    (Box & Tiao 1973, section 2.7; prior proportional to :math:`1 / \sigma^2`).
    """

    features: Features
    scale: Scale
    coef: np.ndarray
    gain: np.ndarray
    inverse: np.ndarray
    rss: float
    df: float
    noise: Noise
    ratios: np.ndarray  # standard deviations of the levels and the residual, in units of sigma
    columns: np.ndarray  # (n, p), of the trials
    y: np.ndarray
    extra: np.ndarray | None = (
        None  # (p, r): what a prior adds to the scatter of the coefficients, in units of sigma
    )

    @property
    def s(self) -> float:
        return float(np.sqrt(self.rss / self.df))

    @property
    def hat(self) -> np.ndarray:
        """How far each value pulls each fit, shape (n, n)."""
        return self.columns @ self.gain

    @property
    def residual(self) -> np.ndarray:
        """Posterior mean of the errors, shape (n,)."""
        return self.y - self.columns @ self.coef

    @property
    def spread(self) -> tuple[float, float, float]:
        batch, slab, reading, test = self.s * self.noise.levels(self.ratios, 1)[0]
        return float(batch), float(slab), float(np.hypot(reading, test))

    def draw(self, scatter: Scatter, rng: np.random.Generator) -> Drawn:
        draws = len(scatter.slab)
        sigma = np.sqrt(self.rss / rng.chisquare(self.df, draws))
        move = self.noise.errors(self.ratios, scatter, rng) @ self.gain.T
        if self.extra is not None:
            move += rng.standard_normal((draws, self.extra.shape[1])) @ self.extra.T
        coef = self.coef + sigma[:, None] * move
        sds = sigma[:, None] * self.noise.levels(self.ratios, draws, rng)
        return Drawn(self, coef, *sds.T)

    def moments(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        variance = np.einsum("ij,jk,ik->i", columns, self.inverse, columns)
        return columns @ self.coef, self.s * np.sqrt(np.maximum(variance, 0)), float(self.df)


class GaussianPart:
    r"""A Gaussian prior on coefficients, at fixed hyperparameters, and its posterior.

    With columns :math:`F`, :math:`w \sim N(0, I)` after scaling and error covariance :math:`V`,
    draws follow Matheron's rule: :math:`w_0 + F^\top (F F^\top + V)^{-1} (y - F w_0 - e)` with
    :math:`w_0` from the prior and :math:`e \sim N(0, V)`.

    Parameters
    ----------
    features : Features
    scale : Scale
    columns : ndarray of shape (n, p)
        Of the trials.
    root : ndarray of shape (p,) or (p, p)
        A square root of the prior covariance of the columns' coefficients: diagonal, or a full matrix.
    y : ndarray of shape (n,)
        On the scale of the fit.
    noise : Noise
    sds : ndarray
        Standard deviations of the error levels, the residual's last.
    centre : float
        Prior mean of the first column's coefficient, the constant's.
    """

    def __init__(
        self, features: Features, scale: Scale, columns: np.ndarray, root: np.ndarray, y: np.ndarray,
        noise: Noise, sds: np.ndarray, centre: float = 0.0,
    ) -> None:  # fmt: skip
        self.features, self.scale, self.noise, self.sds = features, scale, noise, sds
        self.root = root
        self._f = self._whiten(columns)
        self.covariance = noise.covariance(sds)
        total = self._f @ self._f.T + self.covariance
        self._cholesky = np.linalg.cholesky(total)
        self._inverse = np.linalg.inv(total)
        self.gain = self._f.T @ self._inverse
        self._y, self.centre = y - centre, centre
        self._w = self.gain @ self._y

    def _whiten(self, columns: np.ndarray) -> np.ndarray:
        return columns * self.root if self.root.ndim == 1 else columns @ self.root

    @property
    def spread(self) -> tuple[float, float, float]:
        batch, slab, reading, test = self.noise.levels(self.sds, 1)[0]
        return float(batch), float(slab), float(np.hypot(reading, test))

    @property
    def residual(self) -> np.ndarray:
        """Posterior mean of the errors, shape (n,)."""
        return self._y - self._f @ self._w

    @property
    def hat(self) -> np.ndarray:
        """How far each value pulls each fit, shape (n, n)."""
        return self._f @ self.gain

    def draw(self, scatter: Scatter, rng: np.random.Generator) -> Drawn:
        draws, p = len(scatter.slab), self._f.shape[1]
        prior = rng.standard_normal((draws, p))
        error = self.noise.errors(self.sds, scatter, rng)
        w = prior + (self._y - prior @ self._f.T - error) @ self.gain.T
        coef = w * self.root if self.root.ndim == 1 else w @ self.root.T
        coef[:, 0] += self.centre
        return Drawn(self, coef, *self.noise.levels(self.sds, draws, rng).T)

    def moments(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        f = self._whiten(columns)
        k = f @ self._f.T
        variance = (f**2).sum(axis=1) - np.einsum("ij,jk,ik->i", k, self._inverse, k)
        return self.centre + f @ self._w, np.sqrt(np.maximum(variance, 0)), float("inf")

    def left_out(self, groups: np.ndarray) -> np.ndarray:
        """Return the log density of each group of values given the others, shape (groups,)."""
        return left_out(self._inverse, self._y, groups)


NEVER = -30.0  # log density of what a model says can never be, in units of the values' own spread


def left_out_student(inverse: np.ndarray, y: np.ndarray, df: int, groups: np.ndarray) -> np.ndarray:
    """Return the log density of each group given the others where the variance is unknown, shape (groups,).

    `inverse` is the projected inverse covariance in units of sigma², with `df` its rank; the prior of sigma²
    is proportional to one over it. A group without which the fit is undetermined gets `NEVER` a value.
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
        density = (
            gammaln((left + m) / 2) - gammaln(left / 2) - 0.5 * m * np.log(np.pi * rest) + 0.5 * log_det
            - 0.5 * (left + m) * np.log1p(square / rest)
        )  # fmt: skip
        out[g] = max(density, out[g])
    return out


def left_out(inverse: np.ndarray, y: np.ndarray, groups: np.ndarray) -> np.ndarray:
    r"""Return log N(y_g | the rest) for each group, from the inverse covariance (closed form by blocks).

    With :math:`Q = K^{-1}`: mean :math:`y_g - Q_{gg}^{-1} (Q y)_g`, covariance :math:`Q_{gg}^{-1}`
    (Rasmussen & Williams 2006, eq. 5.12, for blocks).
    """
    pull = inverse @ y
    if groups.max() + 1 == len(y):
        q = np.diag(inverse)[np.argsort(groups)]
        return 0.5 * (np.log(q / (2 * np.pi)) - pull[np.argsort(groups)] ** 2 / q)
    out = np.empty(groups.max() + 1)
    for g in range(len(out)):
        rows = np.flatnonzero(groups == g)
        block = inverse[np.ix_(rows, rows)]
        error = np.linalg.solve(block, pull[rows])
        out[g] = 0.5 * (np.linalg.slogdet(block)[1] - len(rows) * np.log(2 * np.pi) - error @ pull[rows])
    return out
