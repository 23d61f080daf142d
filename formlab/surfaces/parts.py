"""Parts of a posterior: one way of writing a response, linear in its columns, and joint draws from it.

A part turns correlated standard normal scatter at batch and slab level into draws of its coefficients, so
that responses read on the same slabs are drawn with the correlation that their errors have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import pandas as pd

from formlab.surfaces.scales import Scale

__all__ = ["Drawn", "ErrorSplit", "Features", "LeastSquaresPart", "Part", "Scatter"]


class Features(Protocol):
    """Named columns of a model for any frame of formulas."""

    def matrix(self, frame: pd.DataFrame) -> np.ndarray: ...


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
    """Draws of one part: coefficients and standard deviations of the error levels, on the scale of the fit."""

    part: Part
    coef: np.ndarray  # (draws, p)
    sd_batch: np.ndarray  # (draws,)
    sd_slab: np.ndarray
    sd_reading: np.ndarray

    def take(self, rows: np.ndarray) -> Drawn:
        return Drawn(
            self.part, self.coef[rows], self.sd_batch[rows], self.sd_slab[rows], self.sd_reading[rows]
        )


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
    def spread(self) -> tuple[float, float, float]:
        """Typical standard deviations of batch, slab and reading."""
        ...


@dataclass(frozen=True)
class ErrorSplit:
    """How one residual variance divides among batch, slab and reading where trials cannot tell them apart.

    Shares are drawn from a Dirichlet law: with weights in proportion to the squares of the brief's guesses
    times `strength` where it has any, else uniform between batch and slab. Only new batches and accepted
    batches depend on it, never the mean.
    """

    weights: tuple[float, float, float] = (1.0, 1.0, 0.0)
    strength: float = 12.0

    @classmethod
    def of(cls, guesses: Sequence[float | None]) -> ErrorSplit:
        if not any(guesses):
            return cls()
        squares = np.array([(g or 0.0) ** 2 for g in guesses])
        weights = 12.0 * squares / squares.sum()
        return cls((float(weights[0]), float(weights[1]), float(weights[2])))

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
class LeastSquaresPart:
    r"""A polynomial under a flat prior: coefficients Student about least squares, the variance scaled inverse chi-square.

    :math:`\sigma^2 \mid y \sim \mathrm{RSS} / \chi^2_\nu`, :math:`b \mid \sigma, y \sim N(\hat b, \sigma^2 (X^\top X)^{-1})`
    (Box & Tiao 1973, section 2.7; prior proportional to :math:`1 / \sigma^2`).
    """

    features: Features
    scale: Scale
    coef: np.ndarray
    gain: np.ndarray
    inverse: np.ndarray
    rss: float
    df: int
    rows: np.ndarray  # slabs that were read
    split: ErrorSplit = field(default_factory=ErrorSplit)

    @property
    def s(self) -> float:
        return float(np.sqrt(self.rss / self.df))

    @property
    def spread(self) -> tuple[float, float, float]:
        shares = self.split.mean
        return tuple(self.s * float(np.sqrt(w)) for w in shares)  # type: ignore[return-value]

    def draw(self, scatter: Scatter, rng: np.random.Generator) -> Drawn:
        draws = len(scatter.slab)
        sigma = np.sqrt(self.rss / rng.chisquare(self.df, draws))
        coef = self.coef + sigma[:, None] * (scatter.slab[:, self.rows] @ self.gain.T)
        sds = sigma[:, None] * np.sqrt(self.split.draw(draws, rng))
        return Drawn(self, coef, sds[:, 0], sds[:, 1], sds[:, 2])

    def moments(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        variance = np.einsum("ij,jk,ik->i", columns, self.inverse, columns)
        return columns @ self.coef, self.s * np.sqrt(np.maximum(variance, 0)), float(self.df)
