"""Which trials share a block, day, base mixing, batch or press load, and the errors they share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import PlanError

__all__ = ["COLUMNS", "LABELS", "Structure", "default_ratios"]

LEVELS = ("block", "day", "base", "batch", "load")  # slab: every row is its own
COLUMNS = {"block": "block", "day": "day", "base": "base", "batch": "batch", "load": "load"}
LABELS = {"block": "K", "day": "D", "base": "A", "batch": "B", "load": "L"}


@dataclass(frozen=True)
class Structure:
    """Groups of n trials by level, as labels 0, 1, …; levels that do not exist are left out.

    Attributes
    ----------
    n : int
        Trials.
    groups : dict of str to ndarray of shape (n,)
        Levels out of block, day, base, batch, load.
    ratios : dict of str to float
        Variance of each level over the variance of a slab as measured.
    """

    n: int
    groups: dict[str, np.ndarray]
    ratios: dict[str, float] = field(default_factory=dict)

    @cached_property
    def random(self) -> dict[str, np.ndarray]:
        """Levels that add an error shared by several trials."""
        return {
            level: labels
            for level, labels in self.groups.items()
            if self.ratios.get(level, 0.0) > 0 and len(np.unique(labels)) < self.n
        }

    def rows(self, level: str) -> list[np.ndarray]:
        """Return the rows of every unit of a level, in label order."""
        if level not in self._rows:
            labels = self.groups.get(level, np.arange(self.n))
            self._rows[level] = [np.flatnonzero(labels == k) for k in np.unique(labels)]
        return self._rows[level]

    @cached_property
    def _rows(self) -> dict[str, list[np.ndarray]]:
        """Rows of the units of levels asked for before."""
        return {}

    def with_levels(self, levels: Iterable[str]) -> Structure:
        """Return the same trials with further levels that they have no labels for, as `from_frame` reads them.

        One block, a day and a base mixing for each batch, a load for each slab.
        """
        batch = self.groups["batch"]
        alone = {"block": np.zeros(self.n, int), "day": batch, "base": batch, "load": np.arange(self.n)}
        wanted = {*self.groups, *levels}
        groups = {
            level: self.groups.get(level, alone.get(level, batch)) for level in LEVELS if level in wanted
        }
        return Structure(self.n, groups, self.ratios)

    def covariance(self, ratios: Mapping[str, float] | None = None) -> np.ndarray:
        """Return the covariance of the readings' means in units of the slab variance, shape (n, n)."""
        ratios = self.ratios if ratios is None else ratios
        out = np.eye(self.n)
        for level, labels in self.groups.items():
            out += ratios.get(level, 0.0) * (labels[:, None] == labels[None, :])
        return out

    def weight(self, ratios: Mapping[str, float] | None = None) -> np.ndarray:
        """Return the inverse of the covariance, shape (n, n)."""
        return np.asarray(np.linalg.inv(self.covariance(ratios)))

    @cached_property
    def is_simple(self) -> bool:
        """Whether no two trials share an error."""
        return not self.random

    @property
    def nested_batches(self) -> bool:
        """Whether the batch is the only level at which trials share an error."""
        return set(self.random) <= {"batch"}

    @classmethod
    def from_frame(cls, frame: pd.DataFrame, ratios: Mapping[str, float]) -> Structure:
        """Read the structure off a plan's columns; without a batch column each row is its own batch.

        Trials without a label share a block with their round, a day or base mixing with their batch.
        """
        groups = {}
        rows = pd.Series([f"row {k}" for k in range(len(frame))], index=frame.index)
        batch = (
            frame["batch"].astype(object).where(frame["batch"].notna(), rows) if "batch" in frame else rows
        )
        apart = {"day": batch, "base": batch}
        if "round" in frame:
            apart["block"] = "round " + frame["round"].astype(str)
        for level, column in COLUMNS.items():
            if column in frame and frame[column].notna().any():
                filled = frame[column].astype(object)
                groups[level] = pd.factorize(filled.where(filled.notna(), apart.get(level, rows)))[0]
            elif level == "batch":
                groups[level] = np.arange(len(frame))
        if "round" in frame and frame["round"].nunique() > 1:
            groups.setdefault("block", pd.factorize(frame["round"])[0])
        return cls(len(frame), groups, dict(ratios))


def default_ratios(brief: Brief, given: Mapping[str, float] | None = None) -> tuple[dict[str, float], str]:
    """Return variance ratios over a slab as measured, and in words where they come from.

    The batch ratio is the median over the responses that have `sd_batch` with `sd_slab` or
    `sd_reading`; without any it is 1 (common practice, no source). Blocks, days and base mixings are
    taken as variable as a batch, loads half of it, unless given.
    """
    found = []
    for response in brief.responses:
        slab = (response.sd_slab or 0.0) ** 2 + (response.sd_reading or 0.0) ** 2 / response.readings
        if response.sd_batch is not None and slab > 0:
            found.append(response.sd_batch**2 / slab)
    batch = float(np.median(found)) if found else 1.0
    ratios = {"block": batch, "day": batch, "base": batch, "batch": batch, "load": batch / 2}
    source = (
        f"batch to slab variance {batch:.3g}, from the sds of {len(found)} response{'' if len(found) == 1 else 's'}"
        if found
        else "batch to slab variance 1, an assumption (the brief gives no sds)"
    )
    unknown = sorted(set(given or {}) - set(ratios))
    if unknown:
        raise PlanError(f"ratios has {unknown[0]!r}; choose among the levels of error {', '.join(ratios)}.")
    wrong = {k: v for k, v in (given or {}).items() if not 0 <= v < np.inf}
    if wrong:
        name, value = next(iter(wrong.items()))
        raise PlanError(f"ratios: {name} = {value!r}; give a variance ratio of at least 0.")
    if given:
        ratios.update({k: float(v) for k, v in given.items()})
        source = "variance ratios given: " + ", ".join(f"{k} {v:g}" for k, v in given.items())
    return ratios, source
