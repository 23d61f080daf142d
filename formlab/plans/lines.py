"""Straight lines through a point that stay inside the region, with the model's columns along them.

Along a line within one block of the region every column is a polynomial of low degree in the way gone,
so a few evaluations give it everywhere on the line.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from formlab.plans.basis import Basis
from formlab.polytope import Polytope

__all__ = ["Lines"]

NODES = {1: [1.0], 2: [1.0, -1.0], 3: [1.0, -1.0, 0.5], 4: [1.0, -1.0, 0.5, -0.5]}
FINE = np.linspace(0.0, 1.0, 17), np.array([0.02, 0.005, 0.001])  # places along a line, and near its middle
COARSE = np.linspace(0.0, 1.0, 9), np.array([0.02])


class Lines:
    """Directions in which some variables of a point may move; levels and categories stay.

    Parameters
    ----------
    basis : Basis
    cols : ndarray of int
        Positions in a point of the variables that may move.
    coarse : bool
        Whether few places along a line are looked at, where something else finds the best of them.
    """

    def __init__(self, basis: Basis, cols: np.ndarray, coarse: bool = False) -> None:
        self.basis = basis
        self._even, self._near = COARSE if coarse else FINE
        polytope = basis.region.polytope
        spread = np.ptp(polytope.vertices, axis=0)
        width = polytope.upper - polytope.lower
        free = [
            int(c)
            for c in cols
            if c < len(basis.numeric)
            and basis.numeric[c] not in basis.region.levels
            and spread[c] > 1e-9 * max(width[c], 1e-300)
        ]
        self.groups = []
        for block in basis.blocks:
            part = np.array([c for c in free if c in block], dtype=int)
            directions = _directions(polytope, part)
            if len(directions):
                self.groups.append((basis.degree(block), directions))
        self.degree = max((d for d, _ in self.groups), default=1)
        self.count = sum(len(d) for _, d in self.groups)
        self.lhs, self.rhs = _half_spaces(polytope)
        self._nodes = np.array(NODES.get(self.degree) or np.linspace(-1, 1, self.degree + 1)[: self.degree])
        self._solve = np.linalg.inv(np.vander(self._nodes, self.degree + 1, increasing=True)[:, 1:])

    def through(
        self, rows: np.ndarray, rng: Any, here: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return lines through the rows of several units; the rows of a unit move together.

        Parameters
        ----------
        rows : ndarray of shape (u, s, v)
            Units, their rows, and what each row is.
        here : ndarray of shape (u, s, p)
            The columns of the rows.

        Returns
        -------
        directions : ndarray of shape (u, q, d)
        tau : ndarray of shape (u, q, T)
            How far to go along each, in units of the direction.
        coefficients : ndarray of shape (degree, u, q, s, p)
            Columns are ``matrix(rows) + sum_j tau**j coefficients[j - 1]``.
        """
        parts = []
        for _, found in self.groups:
            parts.append(found)
            if len(found) > 1:
                parts.append(rng.normal(size=(2, len(found))) @ found)
        directions = np.vstack(parts)
        up, down = self._reach(rows, directions)
        size = np.maximum(up, down)
        size[size <= 1e-9] = 0.0  # such a line is a point: nothing changes along it
        scaled = directions * size[..., None]
        safe = np.where(size > 0, size, 1.0)
        up, down = up / safe, down / safe
        tau = np.concatenate(
            [
                -down[..., None] + (up + down)[..., None] * self._even,
                up[..., None] * self._near,
                -down[..., None] * self._near,
            ],
            axis=2,
        )
        return scaled, tau, self._columns(rows, scaled, here)

    def _columns(self, rows: np.ndarray, directions: np.ndarray, here: np.ndarray) -> np.ndarray:
        u, q, d = directions.shape
        _, s, v = rows.shape
        points = np.empty((len(self._nodes), u, q, s, v))
        points[:] = rows[None, :, None]
        points[..., :d] += self._nodes[:, None, None, None, None] * directions[None, :, :, None, :]
        change = self.basis.matrix(points) - here[None, :, None]
        return np.tensordot(self._solve, change, axes=1)

    def best(
        self,
        rows: np.ndarray,
        rng: Any,
        here: np.ndarray,
        gains: Callable[[np.ndarray, np.ndarray], np.ndarray],
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return where each of several units would best go if it alone moved, (u, s, v), and what that would gain, (u,).

        Parameters
        ----------
        rows, here
            As in `through`.
        gains : callable
            From coefficients and tau, as `through` gives them, to gains of shape (u, q, T).
        """
        directions, tau, coefficients = self.through(rows, rng, here)
        found = gains(coefficients, tau)
        unit = np.arange(len(rows))
        line, step = np.unravel_index(found.reshape(len(rows), -1).argmax(axis=1), found.shape[1:])
        far = tau[unit, line, step][:, None] * directions[unit, line]
        return self.moved(rows, far[:, None]), found[unit, line, step]

    def moved(self, rows: np.ndarray, step: np.ndarray) -> np.ndarray:
        """Return rows moved by a step of their numeric variables, exact at the ranges."""
        polytope = self.basis.region.polytope
        d = len(polytope.names)
        there = np.clip(rows[..., :d] + step, polytope.lower, polytope.upper)
        out = np.empty((*there.shape[:-1], rows.shape[-1]))
        out[..., :d], out[..., d:] = there, rows[..., d:]
        return out

    def _reach(self, rows: np.ndarray, directions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """How far all rows of a unit can go along each direction, and against it; every line meets a range's end."""
        speed = directions @ self.lhs.T
        slack = np.maximum((self.rhs - rows[..., : self.lhs.shape[1]] @ self.lhs.T).min(axis=1), 0.0)
        still = np.abs(speed) < 1e-12
        way = slack[:, None, :] / np.where(still, 1.0, speed)
        up = np.where(still | (speed < 0), np.inf, way).min(axis=2)
        down = np.where(still | (speed > 0), np.inf, -way).min(axis=2)
        return up, down


def _half_spaces(polytope: Polytope) -> tuple[np.ndarray, np.ndarray]:
    """Ranges and inequalities as G x <= h, scaled to the ranges; directions keep the equalities."""
    d = len(polytope.names)
    width = np.where(polytope.upper > polytope.lower, polytope.upper - polytope.lower, 1.0)
    g = [np.diag(1 / width), -np.diag(1 / width)]
    h = [polytope.upper / width, -polytope.lower / width]
    for rule in polytope.rules:
        a = np.asarray(rule.coefficients, dtype=float)
        size = np.linalg.norm(a * width) or 1.0
        if rule.sense != "=":
            sign = 1.0 if rule.sense == "<=" else -1.0
            g.append(sign * a[None, :] / size)
            h.append(np.array([sign * rule.bound / size]))
    return np.vstack(g).reshape(-1, d), np.concatenate(h)


def _directions(polytope: Polytope, cols: np.ndarray) -> np.ndarray:
    """Moves of some variables that keep every equality: single ones, pairs, else a null space."""
    d = len(polytope.names)
    if not len(cols):
        return np.empty((0, d))
    width = (polytope.upper - polytope.lower)[cols]
    rows = [np.asarray(r.coefficients)[cols] for r in polytope.rules if r.sense == "="]
    equal = np.array(rows).reshape(-1, len(cols)) * width
    tied = np.abs(equal).sum(axis=0) > 0
    found = [np.eye(len(cols))[k] for k in np.flatnonzero(~tied)]
    found += _pairs(equal, np.flatnonzero(tied))
    if tied.any():
        _, s, right = np.linalg.svd(equal, full_matrices=True)
        null = right[int((s > 1e-12).sum()) :]
        have = np.array(found).reshape(-1, len(cols))
        if len(null) and (not len(have) or _rank(np.vstack([have, null])) > _rank(have)):
            found += list(null)
    out = np.zeros((len(found), d))
    out[:, cols] = np.array(found).reshape(-1, len(cols)) * width
    return out


def _pairs(equal: np.ndarray, positions: np.ndarray) -> list[np.ndarray]:
    """Two variables against each other, where every equality allows it."""
    found = []
    for i, a in enumerate(positions):
        for b in positions[i + 1 :]:
            pair = equal[:, [a, b]]
            if _rank(pair) == 1:
                k = int(np.abs(pair).sum(axis=1).argmax())
                move = np.zeros(equal.shape[1])
                move[a], move[b] = pair[k, 1], -pair[k, 0]
                found.append(move / np.abs(move).max())
    return found


def _rank(rows: np.ndarray) -> int:
    return int(np.linalg.matrix_rank(rows, tol=1e-10))
