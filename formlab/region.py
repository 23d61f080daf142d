"""The region: every formula that ranges and limits allow, times the settings."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import RegionError
from formlab.html import fold, panel, table
from formlab.polytope import Polytope, Rule

__all__ = ["Region"]


class Region:
    """Convex set of formulas, times the settings of a brief.

    Build it with `Region.from_brief`. Frames that go in and come out have the brief's columns: every
    ingredient in the brief's basis, then every setting in its unit.

    Attributes
    ----------
    brief : Brief
    polytope : Polytope
        Over all ingredients and numeric settings.
    """

    def __init__(self, brief: Brief) -> None:
        self.brief = brief
        low, high = np.array(list(brief.ranges.values()), dtype=float).reshape(-1, 2).T
        self.polytope = Polytope(tuple(brief.ranges), low, high, brief.rules)
        self.levels = {
            s.name: sorted(float(v) for v in s.levels)
            for s in brief.settings
            if s.levels is not None and s.is_numeric
        }
        self.categories = {s.name: list(map(str, s.levels or [])) for s in brief.settings if not s.is_numeric}

    @classmethod
    def from_brief(cls, brief: Brief) -> Region:
        """Return the region of a brief; it may be empty, see `is_empty`."""
        return cls(brief)

    # ---- is there anything? ---------------------------------------------------------------------

    @property
    def is_empty(self) -> bool:
        """Whether no formula fulfils all ranges and limits."""
        return len(self.polytope.vertices) == 0

    def why_empty(self) -> list[str]:
        """Return a smallest set of ranges and limits that conflict, in words; empty if none do."""
        return self.polytope.conflict()

    def check(self) -> Region:
        """Return the region itself.

        Raises
        ------
        RegionError
            If it is empty, with the smallest set of ranges and limits that conflict.
        """
        if self.is_empty:
            raise RegionError(
                "No formula fulfils all ranges and limits. These cannot hold together: "
                + "; ".join(self.why_empty())
                + ". Widen one of them."
            )
        return self

    # ---- shape ----------------------------------------------------------------------------------

    def implied_ranges(self) -> pd.DataFrame:
        """Return what ranges and limits together leave of each range.

        Returns
        -------
        DataFrame
            Index: ingredient or numeric setting; columns unit, low, high, implied_low, implied_high.
        """
        vertices = self.check().polytope.vertices
        names = list(self.polytope.names)
        return pd.DataFrame(
            {
                "unit": [self.brief.unit(name) for name in names],
                "low": self.polytope.lower,
                "high": self.polytope.upper,
                "implied_low": vertices.min(axis=0),
                "implied_high": vertices.max(axis=0),
            },
            index=pd.Index(names, name="name"),
        )

    def _formulas(self) -> Polytope:
        """The polytope over ingredients alone, or over all where a limit ties settings to them."""
        count = len(self.brief.ingredients)
        rules = [rule for rule in self.polytope.rules if not any(rule.coefficients[count:])]
        if len(rules) < sum(any(rule.coefficients[:count]) for rule in self.polytope.rules) or not count:
            return self.polytope
        cut = tuple(Rule(rule.coefficients[:count], rule.sense, rule.bound, rule.text) for rule in rules)
        return Polytope(
            self.polytope.names[:count], self.polytope.lower[:count], self.polytope.upper[:count], cut
        )

    def vertices(self, *, settings: bool = False) -> pd.DataFrame:
        """Return the extreme vertices.

        Parameters
        ----------
        settings : bool, default=False
            Cross the formulas with every corner of the numeric settings and every category; without,
            only ingredients are listed (and settings that a limit ties to them).
        """
        self.check()
        if not settings:
            polytope = self._formulas()
            return pd.DataFrame(polytope.vertices, columns=list(polytope.names))
        frame = pd.DataFrame(self.polytope.vertices, columns=list(self.polytope.names))
        return self._cross_categories(self._snap(frame))

    def face_centroids(self, dimension: int) -> pd.DataFrame:
        """Return the mean of the vertices of every face of one dimension (1 edges, 2 plane faces)."""
        self.check()
        polytope = self._formulas()
        points = [polytope.vertices[face].mean(axis=0) for face in polytope.faces(dimension)]
        return pd.DataFrame(np.array(points).reshape(-1, len(polytope.names)), columns=list(polytope.names))

    def centre(self) -> pd.DataFrame:
        """Return the mean of the vertices as one row; levels at the nearest one, first category."""
        frame = pd.DataFrame(
            self.check().polytope.vertices.mean(axis=0)[None, :], columns=list(self.polytope.names)
        )
        return self._cross_categories(self._snap(frame)).head(1)

    # ---- points ---------------------------------------------------------------------------------

    def sample(self, n: int, seed: Any = None) -> pd.DataFrame:
        """Return n formulas uniform over the region, each level and category equally likely.

        Parameters
        ----------
        n : int
        seed : int, numpy Generator or None
        """
        rng = np.random.default_rng(seed)
        self.check()
        combos = list(product(*self.levels.values()))
        if not self.levels:
            frame = pd.DataFrame(self.polytope.sample(n, rng), columns=list(self.polytope.names))
        else:
            slices = [s for s in (self._slice(combo) for combo in combos) if len(s.vertices)]
            pick = rng.integers(len(slices), size=n)
            points = np.empty((n, len(self.polytope.names)))
            for k, part in enumerate(slices):
                points[pick == k] = part.sample(int((pick == k).sum()), rng)
            frame = pd.DataFrame(points, columns=list(self.polytope.names))
        for name, levels in self.categories.items():
            frame[name] = rng.choice(np.array(levels, dtype=object), size=n)
        return frame[self.brief.columns]

    def _slice(self, combo: tuple[float, ...]) -> Polytope:
        """The polytope with the numeric-level settings held at one combination."""
        low, high = self.polytope.lower.copy(), self.polytope.upper.copy()
        for name, value in zip(self.levels, combo):
            k = self.polytope.names.index(name)
            low[k] = high[k] = value
        return Polytope(self.polytope.names, low, high, self.polytope.rules)

    def contains(self, frame: pd.DataFrame, tolerance: float = 1e-6) -> pd.Series:
        """Return whether each formula lies in the region, as booleans on the frame's index."""
        full = self.brief.complete(frame)
        inside = self.polytope.contains(full[list(self.polytope.names)].to_numpy(float), tolerance)
        for name, levels in self.levels.items():
            gap = np.abs(full[name].to_numpy(float)[:, None] - np.array(levels)).min(axis=1)
            inside &= gap <= tolerance * (max(levels) - min(levels))
        for name, allowed in self.categories.items():
            inside &= full[name].isin(allowed).to_numpy()
        return pd.Series(inside, index=frame.index, name="inside")

    def why_outside(self, frame: pd.DataFrame, tolerance: float = 1e-6) -> list[str]:
        """Return, for each row, the ranges and limits it breaks, in words; empty text if none."""
        full = self.brief.complete(frame)
        names = list(self.polytope.names)
        x = full[names].to_numpy(float)
        gaps = self.polytope.gaps(x)
        words = [f"{n} below {v:g}" for n, v in zip(names, self.polytope.lower)]
        words += [f"{n} above {v:g}" for n, v in zip(names, self.polytope.upper)]
        words += [rule.text for rule in self.polytope.rules]
        out = []
        for row, line in zip(gaps, full.to_dict("records")):
            broken = [word for gap, word in zip(row, words) if gap < -tolerance]
            broken += [
                f"{name} is not one of {allowed}"
                for name, allowed in self._allowed().items()
                if not any(
                    line[name] == a or (name in self.levels and abs(line[name] - float(a)) < 1e-9)
                    for a in allowed
                )
            ]
            out.append("; ".join(broken))
        return out

    def nearest(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the nearest formula of the region to each row, distances in units of the ranges.

        Levels are rounded to the nearest one; an unknown category is an error.

        Raises
        ------
        RegionError
            If a category is not one of the setting's levels.
        """
        self.check()
        full = self.brief.complete(frame)
        for name, allowed in self.categories.items():
            odd = ~full[name].isin(allowed)
            if odd.any():
                raise RegionError(
                    f"Formula {full.index[odd.to_numpy()][0]!r} has {name!r} = {full[name][odd].iloc[0]!r}; "
                    f"allowed are {allowed}."
                )
        names = list(self.polytope.names)
        snapped = self._snap(full)
        moved = np.empty((len(full), len(names)))
        combos = (
            snapped[list(self.levels)].apply(tuple, axis=1) if self.levels else pd.Series([()] * len(full))
        )
        for combo in set(combos):
            rows = np.array([c == combo for c in combos])
            part = self._slice(combo)
            if not len(part.vertices):
                raise RegionError(f"No formula is allowed at {dict(zip(self.levels, combo))}.")
            moved[rows] = part.nearest(snapped.loc[rows, names].to_numpy(float))
        out = snapped.copy()
        out[names] = moved
        return out[self.brief.columns]

    # ---- helpers --------------------------------------------------------------------------------

    def _allowed(self) -> dict[str, list[Any]]:
        return {**self.levels, **self.categories}

    def _snap(self, frame: pd.DataFrame) -> pd.DataFrame:
        out = frame.copy()
        for name, levels in self.levels.items():
            grid = np.array(levels)
            gap = np.abs(out[name].to_numpy(float)[:, None] - grid)
            out[name] = grid[gap.argmin(axis=1)]
        return out

    def _cross_categories(self, frame: pd.DataFrame) -> pd.DataFrame:
        for name, levels in self.categories.items():
            frame = frame.merge(pd.DataFrame({name: pd.Series(levels, dtype=object)}), how="cross")
        return frame[[name for name in self.brief.columns if name in frame]]

    def __repr__(self) -> str:
        if self.is_empty:
            return f"Region(empty: {'; '.join(self.why_empty())})"
        return (
            f"Region({len(self.brief.varied)} ingredients, {len(self.brief.settings)} settings: "
            f"{len(self.polytope.vertices)} vertices, dimension {self.polytope.dimension})"
        )

    __str__ = __repr__

    def _repr_html_(self) -> str:
        if self.is_empty:
            return panel("Region", "Empty: these cannot hold together: " + "; ".join(self.why_empty()))
        ranges = self.implied_ranges().reset_index()
        return panel(
            "Region",
            f"{len(self.polytope.vertices)} vertices in {self.polytope.dimension} dimensions.",
            fold("What the limits leave of each range", table(ranges, rows=40)),
        )
