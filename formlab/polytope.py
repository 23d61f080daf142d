"""Convex geometry of ranges and linear rules: vertices, faces, conflicts, nearest and random points.

A polytope is ``{x : lower <= x <= upper, rules}`` with every variable bounded. Vertices come from the
double description method (Motzkin, Raiffa, Thompson & Thrall 1953), started from the box of the ranges
and cut by one rule after another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np

from formlab.errors import RegionError

__all__ = ["Polytope", "Rule"]

TOLERANCE = 1e-9  # of a range: closer than this to a face counts as on it
MOST_VERTICES = 200_000


@dataclass(frozen=True)
class Rule:
    """``coefficients @ x  (<=, >=, =)  bound``, and the words it was written in."""

    coefficients: tuple[float, ...]
    sense: str
    bound: float
    text: str = ""


@dataclass(frozen=True)
class Polytope:
    """Bounded convex set of points over named variables.

    Attributes
    ----------
    names : tuple of str
        The d variables, in column order.
    lower, upper : ndarray of shape (d,)
        Ranges, ``lower <= upper``; equal means fixed.
    rules : tuple of Rule
        Linear equalities and inequalities over all d variables.
    """

    names: tuple[str, ...]
    lower: np.ndarray
    upper: np.ndarray
    rules: tuple[Rule, ...] = field(default=())

    # ---- scaled form: every free variable runs from 0 to 1 --------------------------------------

    @cached_property
    def free(self) -> np.ndarray:
        """Positions of the variables whose range is not a point."""
        return np.flatnonzero(self.upper > self.lower)

    @cached_property
    def width(self) -> np.ndarray:
        return (self.upper - self.lower)[self.free]

    @cached_property
    def _scaled_rules(self) -> list[tuple[np.ndarray, float, str]]:
        """Rules over the free variables as ``a @ u <= b`` or ``= b``, with unit-length a."""
        scaled = []
        for rule in self.rules:
            a = np.asarray(rule.coefficients, dtype=float)
            bound = rule.bound - a @ self.lower
            a = a[self.free] * self.width
            size = np.linalg.norm(a)
            if size > 0:
                a, bound = a / size, bound / size
            if rule.sense == ">=":
                a, bound = -a, -bound
            scaled.append((a, float(bound), "=" if rule.sense == "=" else "<="))
        return scaled

    def _unscale(self, u: np.ndarray) -> np.ndarray:
        x = np.repeat(self.lower[None, :], len(u), axis=0)
        x[:, self.free] += u * self.width
        # exact ends, so that a vertex typed in the brief is the vertex that comes out
        return np.clip(x, self.lower, self.upper)

    def _scale(self, x: np.ndarray) -> np.ndarray:
        return (np.asarray(x, dtype=float)[:, self.free] - self.lower[self.free]) / self.width

    # ---- vertices -------------------------------------------------------------------------------

    @cached_property
    def blocks(self) -> list[np.ndarray]:
        """Free variables in groups that no rule ties together, so that vertices are products."""
        group = np.arange(len(self.free))
        for a, _, _ in self._scaled_rules:
            tied = np.flatnonzero(np.abs(a) > 0)
            if len(tied):
                group[np.isin(group, group[tied])] = group[tied].min()
        return [np.flatnonzero(group == g) for g in np.unique(group)]

    @cached_property
    def vertices(self) -> np.ndarray:
        """Extreme vertices, shape (n_vertices, d), in lexical order; none if the set is empty."""
        if any(len(self.free) == 0 or not np.any(a) for a, _, _ in self._scaled_rules):
            for a, bound, sense in self._scaled_rules:
                if not np.any(a) and (bound < -TOLERANCE or (sense == "=" and abs(bound) > TOLERANCE)):
                    return np.empty((0, len(self.names)))
        if len(self.free) == 0:
            return self.lower[None, :].copy()
        parts = [self._block_vertices(block) for block in self.blocks]
        count = int(np.prod([len(part) for part in parts], dtype=float))
        if count > MOST_VERTICES:
            raise RegionError(
                f"The region has {count} vertices; at most {MOST_VERTICES} are handled. "
                "Fix some of the ingredients or settings."
            )
        u = np.empty((count, len(self.free)))
        for row, chosen in enumerate(product(*parts)):
            for block, point in zip(self.blocks, chosen):
                u[row, block] = point
        u = np.round(u, 12) + 0.0
        return self._unscale(u[np.lexsort(u.T[::-1])])

    def _block_vertices(self, block: np.ndarray) -> np.ndarray:
        size = len(block)
        if size > 16:
            raise RegionError(
                f"{size} variables are tied together by limits; at most 16 are handled. "
                "Fix some of the ingredients or settings."
            )
        points = np.array(list(product([0.0, 1.0], repeat=size)))
        tight = np.hstack([points == 0.0, points == 1.0])
        rules = [(a[block], b, s) for a, b, s in self._scaled_rules if np.any(a[block])]
        dimension = size
        for a, bound, sense in sorted(rules, key=lambda rule: rule[2] != "="):
            flat = sense == "=" and np.ptp(points @ a) > TOLERANCE if len(points) else False
            points, tight = _cut(points, tight, a, bound, sense, dimension)
            dimension -= int(flat)
        return points

    @cached_property
    def tight(self) -> np.ndarray:
        """Which faces each vertex lies on: shape (n_vertices, 2 * free + inequalities), boolean."""
        u = self._scale(self.vertices)
        gaps = [u, 1.0 - u]
        gaps += [(b - u @ a)[:, None] for a, b, s in self._scaled_rules if s == "<="]
        return np.hstack(gaps) <= 1e-7

    @cached_property
    def dimension(self) -> int:
        """Affine dimension; -1 if the set is empty."""
        return _affine_rank(self._scale(self.vertices))

    def faces(self, dimension: int) -> list[np.ndarray]:
        """Return the faces of one dimension, each as row numbers into `vertices`."""
        u = self._scale(self.vertices)
        level = [frozenset(range(len(u)))]
        facets = {frozenset(np.flatnonzero(column)) for column in self.tight.T}
        for wanted in range(self.dimension - 1, dimension - 1, -1):
            below = {face & facet for face in level for facet in facets if not face <= facet}
            level = [f for f in below if f and _affine_rank(u[sorted(f)]) == wanted]
        return sorted((np.array(sorted(face)) for face in level), key=lambda face: tuple(face))

    # ---- points ---------------------------------------------------------------------------------

    def gaps(self, x: np.ndarray) -> np.ndarray:
        """Return how far each point is inside, in units of the ranges; negative means outside.

        Shape (n, 2 d + rules): ranges first, lower then upper, then the rules in order.
        """
        x = np.asarray(x, dtype=float)
        width = np.where(self.upper > self.lower, self.upper - self.lower, 1.0)
        columns = [(x - self.lower) / width, (self.upper - x) / width]
        for rule in self.rules:
            a = np.asarray(rule.coefficients, dtype=float)
            size = np.linalg.norm(a * width) or 1.0
            gap = (rule.bound - x @ a) / size
            gap = -gap if rule.sense == ">=" else -np.abs(gap) if rule.sense == "=" else gap
            columns.append(gap[:, None])
        return np.hstack(columns)

    def contains(self, x: np.ndarray, tolerance: float = 1e-6) -> np.ndarray:
        """Return whether each row of x lies inside, up to `tolerance` of the ranges."""
        return np.asarray((self.gaps(x) >= -tolerance).all(axis=1))

    @cached_property
    def frame(self) -> tuple[np.ndarray, np.ndarray]:
        """A point inside and an orthonormal basis of the affine hull, in scaled coordinates."""
        if not len(self.vertices):
            raise RegionError("The region is empty: no point fulfils all ranges and limits.")
        u = self._scale(self.vertices)
        centre = u.mean(axis=0)
        if self.dimension == 0:
            return centre, np.empty((len(centre), 0))
        _, _, basis = np.linalg.svd(u - centre, full_matrices=False)
        return centre, basis[: self.dimension].T

    def inequalities(self) -> tuple[np.ndarray, np.ndarray]:
        """Return (G, h) with the set = {centre + basis @ t : G t <= h}, G of shape (m, dimension)."""
        centre, basis = self.frame
        rows = np.vstack(
            [-np.eye(len(centre)), np.eye(len(centre))]
            + [a[None, :] for a, _, s in self._scaled_rules if s == "<="]
        )
        bounds = np.concatenate(
            [np.zeros(len(centre)), np.ones(len(centre)), [b for _, b, s in self._scaled_rules if s == "<="]]
        )
        g, h = rows @ basis, bounds - rows @ centre
        matters = np.linalg.norm(g, axis=1) > 1e-12
        return g[matters], h[matters]

    def sample(self, n: int, seed: Any = None, steps: int | None = None) -> np.ndarray:
        """Return n points uniform over the set (hit-and-run, Smith 1984), shape (n, d).

        Every point is the end of its own walk, so the rows are independent.
        """
        rng = np.random.default_rng(seed)
        centre, basis = self.frame
        k = basis.shape[1]
        if k == 0:
            return np.repeat(self._unscale(centre[None, :]), n, axis=0)
        u = self._scale(self.vertices)
        if not self.rules or not any(np.any(a) for a, _, _ in self._scaled_rules):
            return self._unscale(rng.random((n, len(self.free))))
        t_vertices = (u - centre) @ basis
        shape = np.linalg.cholesky(np.cov(t_vertices.T).reshape(k, k) + 1e-12 * np.eye(k))
        g, h = self.inequalities()
        g = g @ shape  # walk in coordinates where the set is roughly round
        y = np.linalg.solve(shape, (rng.dirichlet(np.ones(len(u)), size=n) @ t_vertices).T).T
        slack = h - y @ g.T
        for _ in range(steps or 20 * k + 40):
            direction = rng.normal(size=(n, k))
            direction /= np.linalg.norm(direction, axis=1, keepdims=True)
            speed = direction @ g.T
            with np.errstate(divide="ignore", invalid="ignore"):
                reach = np.maximum(slack, 0.0) / speed
            forward = np.where(speed > 1e-14, reach, np.inf).min(axis=1)
            back = np.where(speed < -1e-14, reach, -np.inf).max(axis=1)
            step = back + rng.random(n) * (forward - back)
            y += step[:, None] * direction
            slack -= step[:, None] * speed
        return self._unscale(centre + y @ shape.T @ basis.T)

    def nearest(self, x: np.ndarray) -> np.ndarray:
        """Return the nearest point of the set to each row, distances in units of the ranges.

        Least distance programming by non-negative least squares (Lawson & Hanson 1974, ch. 23).
        """
        from scipy.optimize import nnls

        centre, basis = self.frame
        if basis.shape[1] == 0:
            return np.repeat(self._unscale(centre[None, :]), len(x), axis=0)
        g, h = self.inequalities()
        out = np.empty((len(x), len(self.names)))
        for row, u in enumerate(self._scale(np.asarray(x, dtype=float))):
            t0 = (u - centre) @ basis
            excess = g @ t0 - h  # want min |s| subject to -g s >= excess
            if (excess <= 1e-12).all():
                t = t0
            else:
                lhs = np.vstack([-g.T, excess[None, :]])
                y, _ = nnls(lhs, np.append(np.zeros(g.shape[1]), 1.0))
                r = lhs @ y - np.append(np.zeros(g.shape[1]), 1.0)
                t = t0 - r[:-1] / r[-1]
            out[row] = self._unscale((centre + basis @ t)[None, :])[0]
        return out

    # ---- conflicts ------------------------------------------------------------------------------

    def conflict(self) -> list[str]:
        """Return a smallest set of ranges and rules that cannot all hold; empty if they can.

        Deletion filter (Chinneck & Dravnieks 1991): leave out one after another, keep those without
        which the rest would be feasible.
        """
        parts = self._parts()
        if self._feasible(parts):
            return []
        for part in list(parts):
            rest = [other for other in parts if other is not part]
            if not self._feasible(rest):
                parts = rest
        return [part[3] for part in parts]

    def _parts(self) -> list[tuple[np.ndarray, str, float, str]]:
        d = len(self.names)
        parts = []
        for k, name in enumerate(self.names):
            unit = np.eye(d)[k]
            if self.lower[k] == self.upper[k]:
                parts.append((unit, "=", float(self.lower[k]), f"{name} = {self.lower[k]:g}"))
                continue
            parts.append((unit, ">=", float(self.lower[k]), f"{name} at least {self.lower[k]:g}"))
            parts.append((unit, "<=", float(self.upper[k]), f"{name} at most {self.upper[k]:g}"))
        for rule in self.rules:
            parts.append((np.asarray(rule.coefficients), rule.sense, rule.bound, rule.text))
        return parts

    @staticmethod
    def _feasible(parts: Sequence[tuple[np.ndarray, str, float, str]]) -> bool:
        from scipy.optimize import linprog

        if not parts:
            return True
        upper = [(a if s == "<=" else -a, b if s == "<=" else -b) for a, s, b, _ in parts if s != "="]
        equal = [(a, b) for a, s, b, _ in parts if s == "="]
        answer = linprog(
            np.zeros(len(parts[0][0])),
            A_ub=np.array([a for a, _ in upper]) if upper else None,
            b_ub=np.array([b for _, b in upper]) if upper else None,
            A_eq=np.array([a for a, _ in equal]) if equal else None,
            b_eq=np.array([b for _, b in equal]) if equal else None,
            bounds=(None, None),
        )
        return answer.status != 2


def _affine_rank(points: np.ndarray) -> int:
    if len(points) == 0:
        return -1
    if points.shape[1] == 0:
        return 0
    return int(np.linalg.matrix_rank(points - points[0], tol=1e-7))


def _cut(
    points: np.ndarray, tight: np.ndarray, a: np.ndarray, bound: float, sense: str, dimension: int
) -> tuple[np.ndarray, np.ndarray]:
    """One step of double description: keep the vertices on the right side, add those on cut edges."""
    side = points @ a - bound
    side[np.abs(side) < TOLERANCE] = 0.0
    above, below = np.flatnonzero(side > 0), np.flatnonzero(side < 0)
    keep = side == 0 if sense == "=" else side <= 0
    pairs = _edges(tight, above, below, dimension)
    new_points = np.empty((0, points.shape[1]))
    new_tight = np.empty((0, tight.shape[1]), dtype=bool)
    if len(pairs):
        i, j = pairs.T
        weight = (side[i] / (side[i] - side[j]))[:, None]
        new_points = points[i] + weight * (points[j] - points[i])
        new_tight = tight[i] & tight[j]
    out = np.vstack([points[keep], new_points])
    marks = np.vstack([tight[keep], new_tight])
    if sense != "=":
        on = np.concatenate([side[keep] == 0, np.ones(len(new_points), dtype=bool)])
        marks = np.hstack([marks, on[:, None]])
    return out, marks


def _edges(tight: np.ndarray, above: np.ndarray, below: np.ndarray, dimension: int) -> np.ndarray:
    """Pairs (above, below) joined by an edge: no third vertex lies on all the faces they share."""
    marks = tight.astype(np.float32)
    found = []
    for chunk in np.array_split(above, max(1, len(above) * max(1, len(below)) // 2_000_000)):
        shared = marks[chunk] @ marks[below].T
        i, j = np.nonzero(shared >= dimension - 1)
        found.append(np.column_stack([chunk[i], below[j]]))
    pairs = np.vstack(found) if found else np.empty((0, 2), dtype=int)
    keep = np.ones(len(pairs), dtype=bool)
    step = max(1, 20_000_000 // max(1, len(tight)))
    for start in range(0, len(pairs), step):
        part = pairs[start : start + step]
        common = marks[part[:, 0]] * marks[part[:, 1]]
        on_all = common @ marks.T >= common.sum(axis=1, keepdims=True) - 0.5
        keep[start : start + step] = on_all.sum(axis=1) == 2
    return pairs[keep].astype(int)
