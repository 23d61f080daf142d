"""Levels of error: batches, slabs, readings, and whatever else groups the values of a response."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

__all__ = ["ErrorSplit", "Noise", "Scatter"]

PASSING = ("history", "session", "operator")  # levels that a new batch, made and tested today, has no part in


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

    def without_reading(self) -> ErrorSplit:
        """The split of what is left once readings are told apart."""
        return ErrorSplit((*self.weights[:2], 0.0)) if any(self.weights[:2]) else ErrorSplit((0.0, 1.0, 0.0))

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
        Of the residual where batches are not repeated, else of it without batches; where slabs are read in several
        sessions and batches have one slab each, of batches.
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

    @property
    def slabs_repeat(self) -> bool:
        """Whether slabs have several values, of several sessions or operators."""
        return len(np.unique(self.slab)) < len(self.slab)

    def errors(self, sds: np.ndarray, scatter: Scatter, rng: np.random.Generator) -> np.ndarray:
        """Return errors with that covariance, shape (draws, n), made from the scatter that responses share."""
        draws, n = len(scatter.slab), len(self.slab)
        own = np.sqrt(sds[-1] ** 2 + np.broadcast_to(self.known, n))
        out = own * (rng.standard_normal((draws, n)) if self.slabs_repeat else scatter.slab[:, self.slab])
        for name, code, sd in zip(self.names, self.codes, sds):
            if name == "batch":
                out = out + sd * scatter.batch[:, self.batch]
            elif name == "slab":
                out = out + sd * scatter.slab[:, self.slab]
            else:
                effect = rng.standard_normal((draws, int(code.max()) + 1))[:, code]
                out = out + sd * np.where(code >= 0, effect, 0.0)
        return out

    def passing(self, sds: np.ndarray, pulled: np.ndarray) -> np.ndarray:
        """Return the posterior mean of what histories, sessions and operators did to each value, shape (n,).

        `pulled` is the inverse covariance of the values, with the surface integrated out, times the values.
        """
        found = [np.zeros(len(self.slab))]
        for name, sd, same in zip(self.names, sds, self.sharing):
            if name in PASSING:
                found.append(sd**2 * (same @ pulled))
        return np.sum(found, axis=0)

    def levels(self, sds: np.ndarray, draws: int, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return standard deviations of batch, slab, reading and test, shape (draws, 4).

        Days, lots, blocks and press loads belong to a new batch; sessions and operators to the test; the shift of
        a history to neither, for a new batch is made and tested as today. Where slabs are read in several sessions the
        residual is the test's. Without a generator the split of what cannot be told apart is at its mean.
        """
        shares = np.broadcast_to(self.split.mean, (draws, 3)) if rng is None else self.split.draw(draws, rng)
        variance = np.zeros((draws, 4))
        residual = sds[-1] ** 2
        if self.slabs_repeat:
            variance[:, 2] = residual
        else:
            variance[:, :3] = residual * shares
        variance[:, 2] += self.single_reading
        for name, sd in zip(self.names, sds):
            if name == "history":
                continue
            if name == "batch" and self.slabs_repeat and "slab" not in self.names:  # one slab each
                variance[:, :2] += sd**2 * shares[:, :2]
                continue
            place = {"slab": 1, "session": 3, "operator": 3}.get(name, 0)
            variance[:, place] += sd**2
        return np.sqrt(variance)


def _renumbered(code: np.ndarray) -> np.ndarray:
    """Groups numbered from 0 without gaps; -1 stays."""
    return np.unique(np.append(code, -1), return_inverse=True)[1][:-1] - 1
