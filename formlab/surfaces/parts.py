"""Parts of a posterior: one way of writing a response, linear in its columns, and joint draws from it.

A part turns correlated standard normal scatter at batch and slab level into draws of its coefficients, so
that responses read on the same slabs are drawn with the correlation that their errors have.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np
import pandas as pd

from formlab.surfaces.leave_out import left_out
from formlab.surfaces.noise import Noise, Scatter
from formlab.surfaces.scales import Scale
from formlab.surfaces.shared import Shared

__all__ = [
    "Drawn",
    "Features",
    "GaussianPart",
    "LeastSquaresPart",
    "Part",
    "TermFeatures",
    "columns_of",
    "student_of_added",
]


class Base(Protocol):
    """What columns are made of, for any frame of formulas; shared by many parts."""

    def base(self, frame: pd.DataFrame) -> np.ndarray: ...


class Features(Protocol):
    """Columns of a model, made from the columns of its variables."""

    @property
    def variables(self) -> Base: ...

    def expand(self, base: np.ndarray) -> np.ndarray: ...


class TermFeatures(Shared):
    """The terms of a model space as features."""

    def __init__(self, space: Any) -> None:
        self.variables, self.expand = space, space.expand


def columns_of(features: Features, frame: pd.DataFrame) -> np.ndarray:
    """Return the columns of complete formulas, shape (n, p)."""
    return features.expand(features.variables.base(frame))


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
    def y(self) -> np.ndarray:
        """Values on the scale of the fit, shape (n,); of those that are censored, a draw."""
        ...

    @property
    def hat(self) -> np.ndarray: ...

    @property
    def residual(self) -> np.ndarray:
        """Posterior mean of the errors, shape (n,), without `passing`."""
        ...

    @property
    def passing(self) -> np.ndarray:
        """Posterior mean of what test sessions, operators and a history did to each value, shape (n,)."""
        ...

    @property
    def precision(self) -> np.ndarray:
        """Inverse covariance of the values with the surface integrated out, shape (n, n), up to a factor."""
        ...

    @property
    def pulled(self) -> np.ndarray:
        """The same times the values, shape (n,)."""
        ...

    @property
    def spread(self) -> tuple[float, float, float]:
        """Typical standard deviations of batch, slab and reading (with its session)."""
        ...

    def pull(self, columns: np.ndarray) -> np.ndarray:
        """How far each value pulls the predictor at k formulas, shape (k, n)."""
        ...

    def added(self, columns: np.ndarray) -> np.ndarray:
        """Student's t of each column of shape (n, k) were it added to the model alone; shape (k,). 0 where it cannot be told."""
        ...


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
        return self.y - self.columns @ self.coef - self.passing

    @property
    def passing(self) -> np.ndarray:
        return self.noise.passing(self.ratios, self.pulled)

    @cached_property
    def precision(self) -> np.ndarray:
        inverse = np.linalg.inv(self.noise.covariance(self.ratios))
        xt = self.columns.T @ inverse
        return np.asarray(inverse - xt.T @ self.inverse @ xt)

    @property
    def pulled(self) -> np.ndarray:
        return self.precision @ self.y

    @property
    def spread(self) -> tuple[float, float, float]:
        batch, slab, reading, test = self.s * self.noise.levels(self.ratios, 1)[0]
        return float(batch), float(slab), float(np.hypot(reading, test))

    def pull(self, columns: np.ndarray) -> np.ndarray:
        return columns @ self.gain

    def added(self, columns: np.ndarray) -> np.ndarray:
        # the column would take the last degree of freedom, or what is left is rounding: no error to hold it against
        if self.df <= 1 or self.rss <= 1e-20 * float(self.y @ self.y):
            return np.zeros(columns.shape[1])
        turned = self.precision @ columns
        return student_of_added(
            turned.T @ self.y, columns, turned, lambda square: (self.rss - square) / (self.df - 1)
        )

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
    def y(self) -> np.ndarray:
        """Values on the scale of the fit, shape (n,)."""
        return self._y + self.centre

    @property
    def residual(self) -> np.ndarray:
        return self._y - self._f @ self._w - self.passing

    @property
    def passing(self) -> np.ndarray:
        return self.noise.passing(self.sds, self.pulled)

    @property
    def precision(self) -> np.ndarray:
        return self._inverse

    @property
    def pulled(self) -> np.ndarray:
        return self._inverse @ self._y

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

    def pull(self, columns: np.ndarray) -> np.ndarray:
        return self._whiten(columns) @ self.gain

    def added(self, columns: np.ndarray) -> np.ndarray:
        turned = self._inverse @ columns
        return student_of_added(turned.T @ self._y, columns, turned, np.ones_like)

    def left_out(self, groups: np.ndarray) -> np.ndarray:
        """Return the log density of each group of values given the others, shape (groups,)."""
        return left_out(self._inverse, self._y, groups)


def student_of_added(
    pull: np.ndarray, columns: np.ndarray, turned: np.ndarray, variance: Callable[[np.ndarray], np.ndarray]
) -> np.ndarray:
    """Student's t of columns added one at a time: pull over its standard deviation; 0 where the model holds the column.

    `turned` are the columns times the inverse covariance of the values with the surface integrated out, `pull` that
    of the values; `variance` tells what is left per degree of freedom once a column has taken its sum of squares.
    """
    size = np.einsum("ij,ij->j", columns, turned)
    held = size < 1e-9 * np.einsum("ij,ij->j", columns, columns) * np.abs(size).max(initial=1e-300)
    size = np.where(held, 1.0, size)
    rest = np.maximum(variance(np.where(held, 0.0, pull**2 / size)), 1e-300)
    return np.where(held, 0.0, pull / np.sqrt(size * rest))
