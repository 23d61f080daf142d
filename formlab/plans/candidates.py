"""Points worth trying: vertices, centroids of edges and faces, the centre, interior points, times levels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np

from formlab.plans.basis import Basis
from formlab.plans.tidy import rounded
from formlab.polytope import Polytope
from formlab.region import Region

__all__ = ["Candidates", "level_of", "level_variables"]

MOST = 1200  # whole-point or batch candidates kept; vertices first
TABLED = 30_000  # combinations of all levels, at most, whose columns are worked out beforehand


def level_of(region: Region, has: set[str]) -> dict[str, str]:
    """Return the level at which each variable of a point changes, among the levels a plan has."""
    brief = region.brief
    out = dict.fromkeys(brief.ingredient_names, "batch")
    for setting in brief.settings:
        out[setting.name] = setting.changes if setting.changes in has else "batch"
    return out


def level_variables(basis: Basis, levels: dict[str, str]) -> dict[str, np.ndarray]:
    """Return the positions in a point of the variables of each level, coarse levels first."""
    out: dict[str, list[int]] = {}
    for k, name in enumerate(basis.variables):
        out.setdefault(levels[name], []).append(k)
    order = ["day", "base", "batch", "load", "slab"]
    return {level: np.array(out[level]) for level in order if level in out}


@dataclass
class Candidates:
    """Options for the variables of each level, and combinations of them as columns of the model.

    Attributes
    ----------
    positions : dict of str to ndarray
        Which entries of a point each level sets.
    options : dict of str to ndarray of shape (N_level, k)
    basis : Basis
    """

    positions: dict[str, np.ndarray]
    options: dict[str, np.ndarray]
    basis: Basis

    @property
    def levels(self) -> list[str]:
        return list(self.options)

    @classmethod
    def build(cls, basis: Basis, positions: dict[str, np.ndarray], rng: Any, most: int = MOST) -> Candidates:
        """Return the candidates for a model: as many levels of a setting as its degree asks for."""
        options = {level: _level_options(basis, cols, rng, most) for level, cols in positions.items()}
        return cls(positions, options, basis)

    @cached_property
    def sizes(self) -> tuple[int, ...]:
        """How many options each level has."""
        return tuple(len(o) for o in self.options.values())

    @cached_property
    def table(self) -> np.ndarray:
        """Orthonormal columns of every combination, levels in order; shape (N_1, N_2, …, p)."""
        return self.basis.matrix(self._every).reshape(*self.sizes, -1)

    @cached_property
    def allowed(self) -> np.ndarray:
        """Which combinations lie in the region; shape (N_1, N_2, …)."""
        return self._inside(self._every).reshape(self.sizes)

    @cached_property
    def first(self) -> dict[str, int]:
        """One allowed combination; of pooled designs, the first trial of the first."""
        k = int(self.allowed.argmax()) if self._tabled else 0
        return {level: int(i) for level, i in zip(self.levels, np.unravel_index(k, self.sizes))}

    @property
    def _tabled(self) -> bool:
        return math.prod(self.sizes) <= TABLED

    @cached_property
    def _every(self) -> np.ndarray:
        grid = np.indices(self.sizes).reshape(len(self.sizes), -1)
        return self.points(dict(zip(self.levels, grid)))

    def points(self, choice: dict[str, np.ndarray]) -> np.ndarray:
        """Return the points (…, v) that options of every level make, each level's choice of shape (…)."""
        out = np.empty((*choice[self.levels[0]].shape, len(self.basis.variables)))
        for level, cols in self.positions.items():
            out[..., cols] = self.options[level][choice[level]]
        return out

    def columns(self, choice: dict[str, np.ndarray]) -> np.ndarray:
        """Return the orthonormal columns of these points, shape (…, p)."""
        if self._tabled:
            return np.asarray(self.table[tuple(choice[level] for level in self.levels)])
        return self.basis.matrix(self.points(choice))

    def allows(self, choice: dict[str, np.ndarray]) -> np.ndarray:
        """Return which of these points lie in the region, shape (…)."""
        if self._tabled:
            return np.asarray(self.allowed[tuple(choice[level] for level in self.levels)])
        return self._inside(self.points(choice))

    def _inside(self, points: np.ndarray) -> np.ndarray:
        numeric = points[..., : len(self.basis.numeric)]
        inside = self.basis.region.polytope.contains(numeric.reshape(-1, numeric.shape[-1]), 1e-7)
        return inside.reshape(points.shape[:-1])


def _level_options(basis: Basis, cols: np.ndarray, rng: Any, most: int) -> np.ndarray:
    """Combinations of what the tied variables of a level, its free settings and its categories can be."""
    d = len(basis.numeric)
    numeric = [int(c) for c in cols if c < d]
    parts: list[tuple[list[int], np.ndarray]] = []
    settings = set(basis.region.brief.setting_names)
    tied = _tied(basis.region.polytope)
    grid = [c for c in numeric if basis.numeric[c] in settings and c not in tied]
    body = [c for c in numeric if c not in grid]
    per_setting = {c: _setting_levels(basis, basis.numeric[c])[:, None] for c in grid}
    categories = [int(c) for c in cols if c >= d]
    combos = int(np.prod([len(v) for v in per_setting.values()], dtype=float))
    combos *= int(np.prod([len(list(basis.categories.values())[c - d]) for c in categories], dtype=float))
    if body:
        parts.append((body, _body_points(basis, body, rng, max(60, most // max(1, combos)))))
    parts += [([c], values) for c, values in per_setting.items()]
    for c in categories:
        count = len(list(basis.categories.values())[c - d])
        parts.append(([c], np.arange(float(count))[:, None]))
    out = np.empty((int(np.prod([len(v) for _, v in parts])), len(cols)))
    place = {int(c): k for k, c in enumerate(cols)}
    for row, chosen in enumerate(product(*[v for _, v in parts])):
        for (where, _), values in zip(parts, chosen):
            for c, value in zip(where, values):
                out[row, place[c]] = value
    return out


def _tied(polytope: Polytope) -> set[int]:
    """Variables that a rule ties to others."""
    return {int(polytope.free[k]) for block in polytope.blocks if len(block) > 1 for k in block}


def _setting_levels(basis: Basis, name: str) -> np.ndarray:
    if name in basis.region.levels:
        return np.array(basis.region.levels[name])
    low, high = basis.region.implied_ranges().loc[name, ["implied_low", "implied_high"]].astype(float)
    power = max((t.factors.count(name) for t in basis.space.terms), default=1)
    return np.linspace(low, high, max(2, power + 1))


def _body_points(basis: Basis, body: list[int], rng: Any, most: int) -> np.ndarray:
    """Vertices, centroids of edges and faces, the centre and interior points of the tied variables."""
    polytope = basis.region.polytope
    names = tuple(basis.numeric[c] for c in body)
    rules = tuple(
        type(r)(tuple(r.coefficients[c] for c in body), r.sense, r.bound, r.text)
        for r in polytope.rules
        if any(r.coefficients[c] for c in body)
        and not any(v for c, v in enumerate(r.coefficients) if c not in body)
    )
    part = Polytope(names, polytope.lower[body], polytope.upper[body], rules)
    vertices = part.vertices
    if part.dimension == 0:
        return vertices[:1]
    keep = vertices
    if len(vertices) > most:
        keep = vertices[np.sort(rng.choice(len(vertices), most, replace=False))]
    found = [keep, vertices.mean(axis=0)[None, :]]
    found += [_levels_inside(part)]
    if len(vertices) <= 300:
        for dimension in range(1, min(part.dimension, 4)):
            if dimension > 1 and len(vertices) > 120:
                break
            found.append(np.array([vertices[face].mean(axis=0) for face in part.faces(dimension)]))
    room = most - sum(len(f) for f in found)
    if room < 0:
        extra = np.vstack(found[1:])
        found = [
            keep,
            extra[np.sort(rng.choice(len(extra), max(most // 2, most - len(keep)), replace=False))]
            if len(extra) > max(most // 2, most - len(keep))
            else extra,
        ]
    inside = part.sample(min(60, max(10, room)), rng)
    steps = np.array([rounded(part, basis.region.levels, point, range(len(names))) for point in inside])
    found.append(np.where(part.contains(steps, 1e-9)[:, None], steps, inside))
    out = _snapped(basis, names, np.vstack([f for f in found if len(f)]), part)
    return out[
        np.sort(
            np.unique(
                np.round(out / np.where(part.upper > 0, part.upper, 1.0), 10), axis=0, return_index=True
            )[1]
        )
    ]


def _levels_inside(part: Polytope) -> np.ndarray:
    """Three levels of every free variable where no rule ties them and there are few."""
    if part.rules or not 0 < len(part.free) <= 5:
        return np.empty((0, len(part.names)))
    grid = np.array(list(product([0.0, 0.5, 1.0], repeat=len(part.free))))
    out = np.repeat(part.lower[None, :], len(grid), axis=0)
    out[:, part.free] += grid * (part.upper - part.lower)[part.free]
    return out


def _snapped(basis: Basis, names: tuple[str, ...], points: np.ndarray, part: Polytope) -> np.ndarray:
    """Numeric levels of tied settings at a real level; points that this puts outside are left out."""
    tied_levels = [n for n in names if n in basis.region.levels]
    if not tied_levels:
        return points
    out = points.copy()
    for name in tied_levels:
        grid = np.array(basis.region.levels[name])
        k = names.index(name)
        out[:, k] = grid[np.abs(out[:, k, None] - grid).argmin(axis=1)]
    return out[part.contains(out, 1e-9)]
