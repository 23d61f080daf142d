"""Continuous improvement of a design: every unit moves along straight lines inside the region."""

from __future__ import annotations

from typing import Any

import numpy as np

from formlab.plans.basis import Basis
from formlab.plans.criteria import TINY, State
from formlab.polytope import Polytope

__all__ = ["Mover", "polish_design"]

SWEEPS = 30
STEPS = np.array([1.0, 0.5, 0.2, 0.07, 0.02, 0.005, 0.001])  # of the way to the border
RANDOM_DIRECTIONS = 4


def polish_design(problem: Any, found: Any, seed: Any) -> Any:
    """Return the design after moving every unit until no straight move inside the region gains."""
    rng = np.random.default_rng(seed)
    basis = problem.basis
    points = found.points.copy()
    state = State(basis.matrix(points), problem.structure.weight(), problem.prior, problem.weight)
    movers = {level: Mover(basis, cols) for level, cols in problem.candidates.positions.items()}
    units = [(level, rows) for level, rows in problem.units() if movers[level].count]
    before = state.score
    for _ in range(SWEEPS):
        gained = sum(
            [
                _move(movers[u[0]], state, points, u[1], rng)
                for u in (units[k] for k in rng.permutation(len(units)))
            ]
        )
        state.refresh()
        if gained < 1e-6:
            break
    if not state.score > before:
        return found
    return type(found)(points, state.score, found.start)


def _move(mover: Mover, state: State, points: np.ndarray, rows: np.ndarray, rng: Any) -> float:
    options = mover.options(points[rows], rng)
    if not len(options):
        return 0.0
    n, s, v = options.shape
    columns = mover.basis.matrix(options.reshape(n * s, v)).reshape(n, s, -1)
    gains = state.gains(rows, columns)
    best = int(np.argmax(gains))
    if not gains[best] > TINY:
        return 0.0
    points[rows] = options[best]
    state.replace(rows, columns[best])
    return float(gains[best])


class Mover:
    """Straight moves of some variables of a point that keep ranges and limits.

    Parameters
    ----------
    basis : Basis
    cols : ndarray of int
        Positions in a point of the variables that may move together; levels and categories stay.
    """

    def __init__(self, basis: Basis, cols: np.ndarray) -> None:
        self.basis = basis
        polytope = basis.region.polytope
        spread = np.ptp(polytope.vertices, axis=0)
        width = polytope.upper - polytope.lower
        self.cols = np.array(
            [
                c
                for c in cols
                if c < len(basis.numeric)
                and basis.numeric[c] not in basis.region.levels
                and spread[c] > 1e-9 * max(width[c], 1e-300)
            ],
            dtype=int,
        )
        self.directions = _directions(polytope, self.cols)
        self.count = len(self.directions)
        self.lhs, self.rhs = _half_spaces(polytope)

    def options(self, rows: np.ndarray, rng: Any) -> np.ndarray:
        """Return moved copies of some rows that share these variables, shape (N, s, v)."""
        directions = self.directions
        if self.count > 1:
            mixed = rng.normal(size=(RANDOM_DIRECTIONS, self.count)) @ directions
            directions = np.vstack([directions, mixed])
        reach_up = self._reach(rows, directions)
        reach_down = self._reach(rows, -directions)
        steps = np.concatenate([reach_up[:, None] * STEPS, -reach_down[:, None] * STEPS], axis=1)
        moves = (steps[:, :, None] * directions[:, None, :]).reshape(-1, directions.shape[1])
        moves = moves[np.abs(steps.ravel()) > 1e-12]
        out = np.repeat(rows[None, :, :], len(moves), axis=0)
        polytope = self.basis.region.polytope
        d = len(polytope.names)
        out[:, :, :d] = np.clip(out[:, :, :d] + moves[:, None, :], polytope.lower, polytope.upper)
        return out

    def _reach(self, rows: np.ndarray, directions: np.ndarray) -> np.ndarray:
        """How far all rows can go along each direction."""
        speed = directions @ self.lhs.T
        slack = np.maximum((self.rhs - rows[:, : self.lhs.shape[1]] @ self.lhs.T).min(axis=0), 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(speed > 1e-12, slack / speed, np.inf).min(axis=1)
        return np.where(np.isfinite(reach), reach, 0.0)


def _half_spaces(polytope: Polytope) -> tuple[np.ndarray, np.ndarray]:
    """Ranges and inequalities as G x <= h, each scaled to the ranges; equalities are kept by direction."""
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
    """Moves that keep every equality: along axes where free, else of two at a time, else of a null space."""
    d = len(polytope.names)
    if not len(cols):
        return np.empty((0, d))
    width = (polytope.upper - polytope.lower)[cols]
    equal = np.array([np.asarray(r.coefficients)[cols] for r in polytope.rules if r.sense == "="]).reshape(
        -1, len(cols)
    )
    equal = equal * width
    tied = np.abs(equal).sum(axis=0) > 0
    found = [np.eye(len(cols))[k] for k in np.flatnonzero(~tied)]
    positions = np.flatnonzero(tied)
    for i, a in enumerate(positions):
        for b in positions[i + 1 :]:
            pair = equal[:, [a, b]]
            if np.linalg.matrix_rank(pair, tol=1e-12) == 1:
                k = int(np.abs(pair).sum(axis=1).argmax())
                move = np.zeros(len(cols))
                move[a], move[b] = pair[k, 1], -pair[k, 0]
                found.append(move / np.abs(move).max())
    if len(positions):
        _, s, right = np.linalg.svd(equal, full_matrices=True)
        rank = int((s > 1e-12).sum())
        null = right[rank:]
        have = np.array(found).reshape(-1, len(cols))
        if (
            np.linalg.matrix_rank(np.vstack([have, null]), tol=1e-9) > np.linalg.matrix_rank(have, tol=1e-9)
            if len(have)
            else True
        ):
            found += list(null)
    out = np.zeros((len(found), d))
    out[:, cols] = np.array(found).reshape(-1, len(cols)) * width
    return out
