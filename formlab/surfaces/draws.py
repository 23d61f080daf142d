"""Joint posterior draws of all responses, and what formulas do under each of them."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.surfaces.meeting import Meeting
from formlab.surfaces.parts import Drawn
from formlab.workers import one_thread

if TYPE_CHECKING:
    from formlab.surfaces.surfaces import Surfaces

__all__ = ["Columns", "Draws"]

CHUNK = 512  # formulas at a time
Columns = Mapping[int, np.ndarray]  # model columns by the id of what makes them
Value = Callable[
    [int, Drawn, np.ndarray, np.ndarray], np.ndarray
]  # response, drawn part, its draws, predictor


@dataclass(frozen=True)
class Mixed:
    """Draws of one response: those of its parts, and which draw each of them is."""

    parts: tuple[Drawn, ...]
    rows: tuple[np.ndarray, ...]
    count: int

    def gather(self, name: str) -> np.ndarray:
        out = np.empty(self.count)
        for part, rows in zip(self.parts, self.rows):
            out[rows] = getattr(part, name)
        return out

    def take(self, keep: np.ndarray) -> Mixed:
        where = np.full(self.count, -1)
        parts, new_rows = [], []
        for part, rows in zip(self.parts, self.rows):
            where[:] = -1
            where[rows] = np.arange(len(rows))
            inside = where[keep] >= 0
            parts.append(part.take(where[keep][inside]))
            new_rows.append(np.flatnonzero(inside))
        return Mixed(tuple(parts), tuple(new_rows), len(keep))


class Draws:
    """One joint posterior draw of everything, `count` times: models, coefficients, error variances.

    Made by `Surfaces.draw`. It can be asked about any number of formulas; the noise of new batches is drawn
    once, so that what it returns is a smooth function of the formula.

    Attributes
    ----------
    count : int
    names : list of str
        Responses, in the order of the last axis.
    """

    def __init__(
        self,
        surfaces: Surfaces,
        responses: list[Mixed],
        correlation: tuple[np.ndarray, np.ndarray],
        seed: int,
        chance: np.ndarray | None = None,
    ) -> None:
        self.surfaces = surfaces
        self._chance = chance  # draws of the coefficients of the chance to make
        self._responses = responses
        self._roots = tuple(_root(c) for c in correlation)
        self._seed = seed
        self._rows = np.arange(responses[0].count if responses else 0)
        self._made: dict[tuple[int, int], tuple[np.ndarray, np.ndarray, np.ndarray]] = {}
        self._total = len(self._rows)

    @property
    def names(self) -> list[str]:
        return self.surfaces.names

    @property
    def count(self) -> int:
        return len(self._rows)

    def __len__(self) -> int:
        return self.count

    def __repr__(self) -> str:
        return f"Draws({self.count} of {len(self.names)} responses)"

    def subset(self, rows: np.ndarray) -> Draws:
        """Return only some of the draws, by position or mask."""
        rows = np.asarray(rows)
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows
        other = object.__new__(Draws)
        other.__dict__.update(self.__dict__)
        other._responses = [r.take(rows) for r in self._responses]
        other._rows = self._rows[rows]
        other._chance = None if self._chance is None else self._chance[rows]
        return other

    def take(self, k: int) -> Draws:
        """Return the first `k` draws."""
        return self.subset(np.arange(min(k, self.count)))

    def columns(self, frame: pd.DataFrame, only: Collection[int] | None = None) -> Columns:
        """Return the model columns of the formulas of `frame`, to be used again with `values` and `meeting`.

        All of them, or `only` those that are needed (`Meeting.needed`).
        """
        return self.surfaces.columns(frame, only)

    # ---- what formulas do -----------------------------------------------------------------------

    def mean(self, frame: pd.DataFrame) -> np.ndarray:
        """Return the true means of formulas, in own units, shape (draws, rows, responses).

        They are integrated over batches and slabs; the error of the test is no property of the eraser and
        stays out where readings tell it apart or the brief gives its size.
        """
        return self._of(frame, self._value("mean"))

    def median(self, frame: pd.DataFrame) -> np.ndarray:
        """Return true medians, half of all slabs below, in own units, shape (draws, rows, responses)."""
        return self._of(frame, self._value("median"))

    def typical(self, frame: pd.DataFrame) -> np.ndarray:
        """Return what targets speak of, in own units, shape (draws, rows, responses).

        `mean`, but true medians of the responses whose ``statistic`` in the brief is the median.
        """
        return self._of(frame, self._value("typical"))

    def new_batch(self, frame: pd.DataFrame, seed: int | None = None) -> np.ndarray:
        """Return the true values of one new batch: its mean (or median) over its own slabs, shape (draws, rows, responses)."""
        return self._of(frame, self._value("new_batch", seed))

    def accepted(self, frame: pd.DataFrame, seed: int | None = None, slabs: int | None = None) -> np.ndarray:
        """Return a new batch as measured, shape (draws, rows, responses).

        The mean of the brief's slabs (or of `slabs`) and readings; the median of the slabs where the target speaks of
        the median.
        """
        return self._of(frame, self._value("accepted", seed, slabs))

    def reading(self, frame: pd.DataFrame, seed: int | None = None) -> np.ndarray:
        """Return one reading of one slab of a new batch, shape (draws, rows, responses)."""
        return self._of(frame, self._value("reading", seed))

    def values(self, columns: Columns, of: str, seed: int | None = None) -> np.ndarray:
        """Return one of the six above, named by `of`, for `columns` made before; shape (draws, rows, responses)."""
        return self._each(columns, self._value(of, seed))

    @property
    def by_part(self) -> list[list[np.ndarray]]:
        """Of each response, the draws that come from one and the same part of its posterior."""
        return [[rows for rows in mixed.rows if len(rows)] for mixed in self._responses]

    def chance_to_make(self, frame: pd.DataFrame) -> np.ndarray:
        """Return the chance that formulas can be made at all, shape (draws, rows); 1 where no trial ever failed."""
        chance = self.surfaces.chance
        if chance is None or self._chance is None:
            return np.ones((self.count, len(frame)))
        return chance.at(self._chance, self.surfaces.brief.complete(frame))

    def meeting(
        self, targets: Mapping[str, tuple[float, float]], of: str = "mean", seed: int | None = None
    ) -> Meeting:
        """Return what tells fast how often targets are met together; see `Meeting`."""
        return Meeting(self, targets, of, seed)

    def _value(self, of: str, seed: int | None = None, slabs: int | None = None) -> Value:
        """What a predictor means in own units: a rising function of it for every draw."""
        if of == "mean":
            return _mean_of_slabs
        if of == "median":
            return _median_of_slabs
        parts = [self.surfaces.brief.by_name[n] for n in self.names]
        halves = [part.statistic == "median" for part in parts]  # type: ignore[union-attr]
        if of == "typical":
            return lambda k, *given: (_median_of_slabs if halves[k] else _mean_of_slabs)(k, *given)
        slabs = slabs or self.surfaces.brief.plant.slabs_per_batch
        batch, slab, reading = self._noise(seed, slabs)
        if of == "new_batch":
            return lambda k, d, rows, eta: d.part.scale.mean(
                eta + _col(d.sd_batch * batch[rows, k]), 0.0 if halves[k] else _col(d.sd_slab**2)
            )
        single = of == "reading"
        count = 1 if single else slabs
        readings = [1 if single else part.readings for part in parts]  # type: ignore[union-attr]

        def measure(k: int, d: Drawn, rows: np.ndarray, eta: np.ndarray) -> np.ndarray:
            read = []
            for j in range(count):
                noise = d.sd_batch * batch[rows, k] + d.sd_slab * slab[rows, j, k]
                noise = noise + d.sd_test * reading[rows, -1, k]  # a session's own error, once for the batch
                z, sd = _col(reading[rows, j, k]), _col(d.sd_reading)
                read.append(d.part.scale.read(eta + _col(noise), z, sd, readings[k]))
            return np.asarray(np.median(read, axis=0) if halves[k] else sum(read) / count)

        return measure

    def _of(self, frame: pd.DataFrame, function: Value) -> np.ndarray:
        """`_each` with columns made for some formulas at a time: of many models they take much memory."""
        starts = range(0, max(len(frame), 1), CHUNK)
        some = [self._each(self.columns(frame.iloc[start : start + CHUNK]), function) for start in starts]
        return some[0] if len(some) == 1 else np.concatenate(some, axis=1)

    def _each(self, columns: Columns, function: Value) -> np.ndarray:
        n = len(next(iter(columns.values())))
        out = np.empty((len(self.names), self.count, n))

        def fill(k: int) -> None:
            mixed = self._responses[k]
            for drawn, rows in zip(mixed.parts, mixed.rows):
                if not len(rows):
                    continue
                made = columns[id(drawn.part.features)].T
                for start in range(0, n, CHUNK):  # small enough to stay in cache
                    some = slice(start, start + CHUNK)
                    out[k, rows, some] = function(k, drawn, rows, drawn.coef @ made[:, some])

        if out.size < 200_000:
            for k in range(len(self.names)):
                fill(k)
        else:  # large arrays leave the interpreter lock, so threads help
            with one_thread(), ThreadPoolExecutor(min(len(self.names), os.cpu_count() or 1)) as pool:
                list(pool.map(fill, range(len(self.names))))
        return np.moveaxis(out, 0, 2)

    def _noise(self, seed: int | None, slabs: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Standard normal batch, slab and reading effects, correlated between responses; kept, and cut to the draws."""
        key = (self._seed + 1 if seed is None else seed, slabs)
        if key not in self._made:
            rng = np.random.default_rng(key[0])
            m = len(self.names)
            batch = rng.standard_normal((self._total, m)) @ self._roots[0].T
            slab = rng.standard_normal((self._total, slabs, m)) @ self._roots[1].T
            self._made[key] = batch, slab, rng.standard_normal((self._total, slabs + 1, m))
        batch, slab, reading = self._made[key]
        return batch[self._rows], slab[self._rows], reading[self._rows]


def _mean_of_slabs(k: int, d: Drawn, rows: np.ndarray, eta: np.ndarray) -> np.ndarray:
    return d.part.scale.mean(eta, _col(d.sd_batch**2 + d.sd_slab**2))


def _median_of_slabs(k: int, d: Drawn, rows: np.ndarray, eta: np.ndarray) -> np.ndarray:
    return d.part.scale.inverse(eta)


def _col(values: np.ndarray) -> np.ndarray:
    return values[:, None]


def _root(correlation: np.ndarray) -> np.ndarray:
    """A square root of a correlation matrix, its negative eigenvalues cut to zero."""
    values, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.maximum(values, 0))
    length = np.sqrt((root**2).sum(axis=1, keepdims=True))
    return root / np.where(length > 0, length, 1.0)
