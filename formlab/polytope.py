"""Convex geometry of ranges and linear rules: vertices, faces, conflicts, nearest and random points.

A polytope is ``{x : lower <= x <= upper, rules}`` with every variable bounded. Vertices come from the
double description method (Motzkin, Raiffa, Thompson & Thrall 1953), started from the box of the ranges
and cut by one rule after another.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np

from formlab.errors import RegionError

__all__ = ["Polytope", "Rule"]

TOLERANCE = 1e-9  # of a range: closer than this to a face counts as on it
MOST_VERTICES = 200_000
MOST_STARTS = 500  # vertices mixed into the starts of random walks


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
    def scaled_rules(self) -> list[tuple[np.ndarray, float, str]]:
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
        for a, _, _ in self.scaled_rules:
            tied = np.flatnonzero(np.abs(a) > 0)
            if len(tied):
                group[np.isin(group, group[tied])] = group[tied].min()
        return [np.flatnonzero(group == g) for g in np.unique(group)]

    @cached_property
    def vertices(self) -> np.ndarray:
        """Extreme vertices, shape (n_vertices, d), in lexical order; none if the set is empty."""
        for a, bound, sense in self.scaled_rules:  # rules that fixed variables alone decide
            if not np.any(a) and (bound < -TOLERANCE or (sense == "=" and bound > TOLERANCE)):
                return np.empty((0, len(self.names)))
        if len(self.free) == 0:
            return self.lower[None, :].copy()
        if max(map(len, self.blocks)) >= 8 and not _can_hold(self._parts(), TOLERANCE):
            return np.empty((0, len(self.names)))  # spares the long way to the same answer
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
        rules = [(a[block], b, s) for a, b, s in self.scaled_rules if np.any(a[block])]
        dimension = size
        while rules and len(points):
            sides = [(points @ a - bound, sense) for a, bound, sense in rules]
            first = max(range(len(rules)), key=lambda k: _cut_off(*sides[k]))
            a, bound, sense = rules.pop(first)
            flat = sense == "=" and np.ptp(points @ a) > TOLERANCE
            points, tight = _cut(points, tight, a, bound, sense, dimension)
            dimension -= int(flat)
        return points

    @cached_property
    def tight(self) -> np.ndarray:
        """Which faces each vertex lies on: shape (n_vertices, 2 * free + inequalities), boolean."""
        u = self._scale(self.vertices)
        gaps = [u, 1.0 - u]
        gaps += [(b - u @ a)[:, None] for a, b, s in self.scaled_rules if s == "<="]
        return np.hstack(gaps) <= 1e-7

    @cached_property
    def dimension(self) -> int:
        """Affine dimension; -1 if the set is empty."""
        return _affine_rank(self._scale(self.vertices))

    def faces(self, dimension: int) -> list[np.ndarray]:
        """Return the faces of one dimension, each as row numbers into `vertices`."""
        if not 0 <= dimension <= self.dimension:
            return []
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
            raise RegionError(
                "The region is empty: no point fulfils all ranges and limits. Widen one of them."
            )
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
            + [a[None, :] for a, _, s in self.scaled_rules if s == "<="]
        )
        bounds = np.concatenate(
            [np.zeros(len(centre)), np.ones(len(centre)), [b for _, b, s in self.scaled_rules if s == "<="]]
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
        if not self.rules or not any(np.any(a) for a, _, _ in self.scaled_rules):
            return self._unscale(rng.random((n, len(self.free))))
        t_vertices = (u - centre) @ basis
        shape = np.linalg.cholesky(np.cov(t_vertices.T).reshape(k, k) + 1e-12 * np.eye(k))
        g, h = self.inequalities()
        g = g @ shape  # walk in coordinates where the set is roughly round
        start = t_vertices[rng.permutation(len(u))[:MOST_STARTS]]
        y = np.linalg.solve(shape, (rng.dirichlet(np.ones(len(start)), size=n) @ start).T).T
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

        Smallest means that leaving out any one of them leaves a point; there may be other such sets.
        """
        return [] if len(self.vertices) else _deletion_filter(self._parts(), [])

    def reasons(self, coefficients: np.ndarray, bound: float) -> list[str]:
        """Return a smallest set of ranges and rules that keep ``coefficients @ x <= bound``.

        Empty if they do not; names the same kind of set as `conflict`.
        """
        row, scaled = self._scaled_part(np.asarray(coefficients, dtype=float), bound)
        beyond = _Part(-row, "<=", -scaled - 1e-3, "")  # a thousandth of the ranges further
        return _deletion_filter(self._parts(), [beyond])

    def _scaled_part(self, a: np.ndarray, bound: float) -> tuple[np.ndarray, float]:
        width = np.where(
            self.upper > self.lower, self.upper - self.lower, np.maximum(np.abs(self.lower), 1.0)
        )
        size = float(np.linalg.norm(a * width)) or 1.0
        return a * width / size, float(bound - a @ self.lower) / size

    def _parts(self) -> list[_Part]:
        """Every end of a range and every rule by itself, over all variables moved to start at 0."""
        wanted = []
        for name, unit, low, high in zip(self.names, np.eye(len(self.names)), self.lower, self.upper):
            if low == high:
                wanted.append((unit, "=", low, f"{name} = {low:g}"))
            else:
                wanted.append((unit, ">=", low, f"{name} at least {low:g}"))
                wanted.append((unit, "<=", high, f"{name} at most {high:g}"))
        wanted += [(np.asarray(r.coefficients, dtype=float), r.sense, r.bound, r.text) for r in self.rules]
        parts = []
        for a, sense, bound, text in wanted:
            row, scaled = self._scaled_part(a, bound)
            sign = -1.0 if sense == ">=" else 1.0
            parts.append(_Part(sign * row, "=" if sense == "=" else "<=", sign * scaled, text))
        return parts


@dataclass(frozen=True, eq=False)
class _Part:
    """One ``row @ u (<=, =) bound`` of unit length, and its words."""

    row: np.ndarray
    sense: str
    bound: float
    text: str


def _deletion_filter(parts: list[_Part], always: list[_Part]) -> list[str]:
    """Leave out one part after another; keep those without which the rest could hold.

    Deletion filter of Chinneck & Dravnieks (1991, ORSA J. Computing 3:157), from the front and from the
    back, as the order decides which of several conflicts is found; the shorter one is taken.
    """
    if _can_hold([*parts, *always]):
        return []
    found = []
    for order in (parts, parts[::-1]):
        left = parts
        for part in order:
            rest = [other for other in left if other is not part]
            if not _can_hold([*rest, *always]):
                left = rest
        found.append(left)
    return [part.text for part in min(found, key=len)]


def _can_hold(parts: list[_Part], tolerance: float = TOLERANCE / 100) -> bool:
    """Whether all parts can hold: the least violation that all can share (phase one) is zero."""
    from scipy.optimize import linprog

    stretch = 1000.0  # far above the solver's own tolerance
    rows = np.array([part.row for part in parts])
    bounds = stretch * np.array([part.bound for part in parts])
    equal = np.array([part.sense == "=" for part in parts])
    lhs = np.vstack([rows, -rows[equal]])
    answer = linprog(
        np.append(np.zeros(rows.shape[1]), 1.0),
        A_ub=np.column_stack([lhs, -np.ones(len(lhs))]),
        b_ub=np.append(bounds, -bounds[equal]),
        bounds=[(None, None)] * rows.shape[1] + [(0.0, None)],
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
    )
    return bool(answer.fun <= stretch * tolerance)


def _affine_rank(points: np.ndarray) -> int:
    if len(points) == 0:
        return -1
    if points.shape[1] == 0:
        return 0
    return int(np.linalg.matrix_rank(points - points[0], tol=1e-7))


def _cut_off(side: np.ndarray, sense: str) -> tuple[bool, int]:
    """Order of the cuts: equalities, then what cuts off most vertices, so that few are carried along."""
    return sense == "=", int((side > TOLERANCE).sum())


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
    # A vertex on just `dimension` faces is where they cross, so any two that share all but one join in an edge.
    simple = tight.sum(axis=1) == dimension
    keep = simple[pairs].any(axis=1) if len(pairs) else np.empty(0, dtype=bool)
    doubtful = np.flatnonzero(~keep)
    for some in np.array_split(doubtful, 1 + len(doubtful) * len(tight) // 20_000_000):
        common = marks[pairs[some, 0]] * marks[pairs[some, 1]]
        on_all = common @ marks.T >= common.sum(axis=1, keepdims=True) - 0.5
        keep[some] = on_all.sum(axis=1) == 2
    return pairs[keep].astype(int)
