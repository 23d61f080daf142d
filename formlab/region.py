"""The region: every formula that ranges and limits allow, times the settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import RegionError
from formlab.html import Markup, escape, fold, headed, panel, table
from formlab.polytope import Polytope, Rule
from formlab.steps import nearest_on_steps

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

    Examples
    --------
    >>> brief = Brief(ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 5, "high": 25},
    ...     {"name": "chalk", "low": 20, "high": 90}], limit=[{"expression": "chalk >= 3 oil"}])
    >>> region = Region.from_brief(brief)
    >>> region.contains(pd.DataFrame({"oil": [10.0, 20.0], "chalk": [40.0, 40.0]})).tolist()
    [True, False]
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

    @cached_property
    def _parts(self) -> list[Polytope]:
        """The polytope, or its part at every combination of levels that a limit ties to something else.

        Parts without a formula are left out; levels that no limit names go through all their values in each.
        """
        used = (
            np.any([rule.coefficients for rule in self.polytope.rules], axis=0) if self.polytope.rules else []
        )
        tied = {name for name, uses in zip(self.polytope.names, used) if uses and name in self.levels}
        if not tied:
            return [self.polytope] if len(self.polytope.vertices) else []
        choices = [levels if name in tied else [None] for name, levels in self.levels.items()]
        return [part for part in map(self._slice, product(*choices)) if len(part.vertices)]

    def _slice(self, combo: tuple[float | None, ...]) -> Polytope:
        """The polytope with the settings that have levels held at one combination; None leaves one as it is."""
        low, high = self.polytope.lower.copy(), self.polytope.upper.copy()
        for name, value in zip(self.levels, combo):
            if value is not None:
                k = self.polytope.names.index(name)
                low[k] = high[k] = value
        return Polytope(self.polytope.names, low, high, self.polytope.rules)

    def over(self, polytope: Polytope) -> Region:
        """Return the same region over another polytope of the same variables: with a range that is wider, say, or fixed."""
        other = object.__new__(Region)
        other.brief, other.polytope = self.brief, polytope
        other.levels, other.categories = dict(self.levels), dict(self.categories)
        return other

    @classmethod
    def from_brief(cls, brief: Brief) -> Region:
        """Return the region of `brief`; it may be empty, see `is_empty`."""
        return cls(brief)

    # ---- is there anything? ---------------------------------------------------------------------

    @property
    def is_empty(self) -> bool:
        """Whether no formula fulfils all ranges and limits."""
        return not self._parts

    def why_empty(self) -> list[str]:
        """Return a smallest set of ranges and limits that conflict, in words; empty if none do.

        Smallest means that without any one of them there would be a formula.
        """
        words = self.polytope.conflict()
        if words or not self.is_empty:
            return words
        return [
            f"{', '.join(f'{n} = {v:g}' for n, v in zip(self.levels, combo))} ({'; '.join(self._slice(combo).conflict())})"
            for combo in product(*self.levels.values())
        ]

    def flat(self) -> list[str]:
        """Return what the ranges and limits leave no room to vary, and the smallest set that does it, in words.

        Examples
        --------
        >>> brief = Brief(basis="fraction", ingredient=[
        ...     {"name": "a", "low": 0.2, "high": 0.5}, {"name": "b", "low": 0.5, "high": 0.8}],
        ...     limit=[{"expression": "a >= 0.5"}])
        >>> Region.from_brief(brief).flat()[0]
        'a can only be 0.5: a at most 0.5; a >= 0.5'
        """
        polytope, words, pinned = self.check().polytope, [], []
        low, high = polytope.vertices.min(axis=0), polytope.vertices.max(axis=0)
        for k in polytope.free:
            if high[k] - low[k] <= 1e-7 * (polytope.upper[k] - polytope.lower[k]):
                unit = np.eye(len(low))[k]
                why = dict.fromkeys(polytope.reasons(unit, low[k]) + polytope.reasons(-unit, -low[k]))
                words.append(f"{polytope.names[k]} can only be {low[k]:g}: {'; '.join(why)}")
                pinned.append(k)
        gaps = np.abs(polytope.gaps(polytope.vertices)[:, 2 * len(low) :]).max(axis=0)
        for rule, gap in zip(polytope.rules, gaps):
            moving = set(np.flatnonzero(rule.coefficients)) & set(polytope.free) - set(pinned)
            if rule.sense != "=" and gap <= 1e-7 and moving:
                sign = 1.0 if rule.sense == ">=" else -1.0
                why = dict.fromkeys(polytope.reasons(sign * np.array(rule.coefficients), sign * rule.bound))
                words.append(f"{rule.text} is always met with nothing to spare: {'; '.join(why)}")
        return words

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
        self.check()
        vertices = np.vstack([part.vertices for part in self._parts])
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

    def vertices(self, *, settings: bool = False) -> pd.DataFrame:
        """Return the extreme vertices.

        They follow from ranges and limits together, so a bound that was rounded, and that no formula can
        reach, gives none of its own.

        Parameters
        ----------
        settings : bool, default=False
            Cross the formulas with every corner of the numeric settings and every category; without,
            only ingredients are listed (and settings that a limit ties to them).
        """
        parts = self._formula_parts()
        if settings:
            parts = self._parts
        frame = _frame(np.vstack([part.vertices for part in parts]), parts[0].names)
        return self._cross_categories(frame) if settings else frame

    def face_centroids(self, dimension: int) -> pd.DataFrame:
        """Return the mean of the vertices of every face of one dimension (1 edges, 2 plane faces)."""
        parts = self._formula_parts()
        points = [part.vertices[face].mean(axis=0) for part in parts for face in part.faces(dimension)]
        return _frame(np.reshape(points, (-1, len(parts[0].names))), parts[0].names)

    def centre(self) -> pd.DataFrame:
        """Return the mean of the vertices as one row; levels at the nearest one, first category."""
        self.check()
        mean = np.mean(np.vstack([part.vertices for part in self._parts]), axis=0)
        frame = _frame(mean[None, :], self.polytope.names)
        return self.nearest(self._cross_categories(frame).head(1))

    @cached_property
    def formulas(self) -> Polytope:
        """The polytope over ingredients alone, or over all where a limit ties settings to them."""
        count = len(self.brief.ingredients)
        rules = [r for r in self.polytope.rules if any(r.coefficients[:count])]
        tied = any(any(rule.coefficients[count:]) for rule in rules)
        if tied or count in (0, len(self.polytope.names)):
            return self.polytope
        cut = tuple(Rule(rule.coefficients[:count], rule.sense, rule.bound, rule.text) for rule in rules)
        names, low, high = self.polytope.names, self.polytope.lower, self.polytope.upper
        return Polytope(names[:count], low[:count], high[:count], cut)

    def _formulas(self) -> Polytope:
        return self.formulas

    def _formula_parts(self) -> list[Polytope]:
        self.check()
        return self._parts if self.formulas is self.polytope else [self.formulas]

    # ---- pseudo-components ----------------------------------------------------------------------

    @cached_property
    def _pseudo(self) -> tuple[list[str], np.ndarray, float]:
        """What shares a total: names, the lows that limits leave of them, and what is left above those lows."""
        brief = self.brief
        names = [n for n in brief.varied if brief.basis == "fraction" or n in brief.rubbers]
        low = self.implied_ranges().loc[names, "implied_low"].to_numpy()
        total = brief.total if brief.basis == "fraction" else 100.0
        pool = brief.ingredient_names if brief.basis == "fraction" else brief.rubbers
        span = total - sum(v for n, v in brief.fixed.items() if n in pool) - low.sum()
        if len(names) < 2 or span <= 1e-9 * total:
            raise RegionError(
                f"Pseudo-components need two ingredients or more that share a total and have room to vary; widen a range. Here "
                f"there are {names} in basis {brief.basis!r}."
            )
        return names, low, float(span)

    def to_pseudo(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the formulas of `frame` in L-pseudo-components: ``(x - low) / (total - sum of lows)``, which sum to 1.

        Kurotori (1966); the lows are those that ranges and limits together leave, so rounded ones are
        tightened first. In basis phr the components are the rubbers.

        Returns
        -------
        DataFrame of shape (n, q)
            One column for each varied ingredient that shares the total; index kept.

        Raises
        ------
        RegionError
            If fewer than two ingredients share a total, or they have no room.
        """
        names, low, span = self._pseudo
        amounts = self.brief.amounts(frame)
        return (amounts[names] - low) / span

    def from_pseudo(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return formulas from L-pseudo-components; the way back from `to_pseudo`.

        Fixed ingredients are filled in; other columns of the brief are taken from the frame as they are.
        """
        names, low, span = self._pseudo
        missing = [name for name in names if name not in frame]
        if missing:
            raise RegionError(
                f"The frame lacks the pseudo-components {missing}; add them. It has {list(frame.columns)}."
            )
        actual = frame.assign(**{n: low[k] + span * frame[n].to_numpy(float) for k, n in enumerate(names)})
        settings = [name for name in self.brief.setting_names if name in frame]
        return pd.concat([self.brief.amounts(actual), frame[settings]], axis=1)

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
        pick = rng.integers(len(self._parts), size=n)
        points = np.empty((n, len(self.polytope.names)))
        for k, part in enumerate(self._parts):
            points[pick == k] = part.sample(int((pick == k).sum()), rng)
        frame = _frame(points, self.polytope.names)
        for name, levels in self.levels.items():
            k = self.polytope.names.index(name)
            if self._parts[0].lower[k] < self._parts[0].upper[k]:  # no limit ties it
                frame[name] = rng.choice(np.array(levels), size=n)
        for name, categories in self.categories.items():
            frame[name] = rng.choice(np.array(categories, dtype=object), size=n)
        return frame[self.brief.columns]

    def contains(self, frame: pd.DataFrame, tolerance: float = 1e-6) -> pd.Series:
        """Return whether each formula lies in the region, as booleans on the frame's index.

        `tolerance` is in units of the ranges.
        """
        inside = [not words for words in self.why_outside(frame, tolerance)]
        return pd.Series(inside, index=frame.index, name="inside", dtype=bool)

    def why_outside(self, frame: pd.DataFrame, tolerance: float = 1e-6) -> list[str]:
        """Return, for each row of `frame`, the ranges and limits it breaks, in words; empty text if none.

        `tolerance` is in units of the ranges.
        """
        full = self.brief.complete(frame)
        names = list(self.polytope.names)
        words = [f"{n} below {v:g}" for n, v in zip(names, self.polytope.lower)]
        words += [f"{n} above {v:g}" for n, v in zip(names, self.polytope.upper)]
        words += [rule.text for rule in self.polytope.rules]
        broken = [self.polytope.gaps(full[names].to_numpy(float)) < -tolerance]
        for name, levels in self.levels.items():
            apart = np.abs(full[name].to_numpy(float)[:, None] - np.array(levels)).min(axis=1)
            broken.append(apart[:, None] > tolerance * (max(levels) - min(levels)))
            words.append(f"{name} is not one of {levels}")
        for name, categories in self.categories.items():
            broken.append(~full[name].isin(categories).to_numpy()[:, None])
            words.append(f"{name} is not one of {categories}")
        marks = np.hstack(broken)
        return ["; ".join(words[k] for k in np.flatnonzero(row)) if row.any() else "" for row in marks]

    def nearest(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the nearest formula of the region to each row of `frame`, distances in units of the ranges.

        Numeric levels go to the nearest ones that are allowed; an unknown category is an error.

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
                    f"Formula {full.index[odd].tolist()[0]!r} has {name!r} = {full[name][odd].iloc[0]!r}; "
                    f"use one of {allowed}."
                )
        snapped, names = self._snap(full), list(self.polytope.names)
        wanted = full[names].to_numpy(float)
        found = np.array([part.nearest(snapped[names].to_numpy(float)) for part in self._parts])
        width = np.where(
            self.polytope.upper > self.polytope.lower, self.polytope.upper - self.polytope.lower, 1.0
        )
        best = (((found - wanted) / width) ** 2).sum(axis=2).argmin(axis=0)
        snapped[names] = found[best, np.arange(len(full))]
        return snapped[self.brief.columns]

    def round(self, frame: pd.DataFrame, step: float | Mapping[str, float]) -> pd.DataFrame:
        """Return formulas on the steps of a scale, still inside, as near as they can be.

        Near is the sum of the changes in units of the ranges; solved as a mixed-integer program.

        Parameters
        ----------
        frame : DataFrame
            Formulas, inside the region or not.
        step : float, or mapping of ingredient to float
            Step in the brief's unit, of every varied ingredient or of those named. Others that vary are
            free to make up the balance.

        Raises
        ------
        RegionError
            If no formula on these steps is allowed.

        Examples
        --------
        >>> brief = Brief(basis="fraction", total=100, ingredient=[
        ...     {"name": n, "low": 10, "high": 60} for n in ("a", "b", "c")])
        >>> formula = pd.DataFrame({"a": [33.3], "b": [33.3], "c": [33.4]})
        >>> Region.from_brief(brief).round(formula, 0.5).to_numpy().tolist()
        [[33.0, 33.5, 33.5]]
        """
        self.check()
        steps = dict(step) if isinstance(step, Mapping) else dict.fromkeys(self.brief.varied, float(step))
        wrong = [n for n, size in steps.items() if n not in self.brief.varied or not size > 0]
        if wrong:
            raise RegionError(
                f"The step of {wrong[0]!r} is {steps[wrong[0]]!r}; give steps above 0, for {self.brief.varied}."
            )
        full = self.brief.complete(frame)
        names = list(self.polytope.names)
        sizes = np.array([steps.get(name, 0.0) for name in names])
        held = np.array([name not in self.brief.varied for name in names])
        out = full.copy()
        for position, x in enumerate(full[names].to_numpy(float)):
            low, high = (np.where(held, x, end) for end in (self.polytope.lower, self.polytope.upper))
            found = nearest_on_steps(Polytope(tuple(names), low, high, self.polytope.rules), x, sizes)
            if found is None:
                raise RegionError(
                    f"Formula {full.index.tolist()[position]!r} has no allowed formula on these steps nearby. "
                    "Use a finer step, or leave an ingredient out of `step`, so that it makes up the balance."
                )
            out.iloc[position, [out.columns.get_loc(name) for name in names]] = found
        return out

    # ---- helpers --------------------------------------------------------------------------------

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
        varied, settings = len(self.brief.varied), len(self.brief.settings)
        counts = f"{varied} ingredient{'' if varied == 1 else 's'}, {settings} setting{'' if settings == 1 else 's'}"
        return f"Region({counts}: {self._size()})"

    __str__ = __repr__

    def _size(self) -> str:
        count = sum(len(part.vertices) for part in self._parts)
        return f"{count} {'vertex' if count == 1 else 'vertices'}, dimension {max(part.dimension for part in self._parts)}"

    def _repr_html_(self) -> str:
        if self.is_empty:
            return panel("Region", "Empty: these cannot hold together: " + "; ".join(self.why_empty()))
        flat = [Markup(f"<p>{escape(words)}</p>") for words in self.flat()]
        ranges = self.implied_ranges()
        lost = (ranges["implied_low"] - ranges["low"]) + (ranges["high"] - ranges["implied_high"])
        cut = lost > 1e-9 * (ranges["high"] - ranges["low"])
        varied = ranges[ranges["low"] < ranges["high"]].rename(index=self.brief.title_of)
        varied = headed(varied).reset_index()
        narrowed = f"narrow {cut.sum()} of {len(varied)} ranges" if cut.any() else "narrow no range"
        verdict = f"{self._size()}. The limits {narrowed}."
        return panel(
            "Region", verdict, *flat, fold("What the limits leave of each range", table(varied, rows=40))
        )


def _frame(points: np.ndarray, names: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame(points, columns=list(names))
