"""Continuous improvement of a design: every unit moves along straight lines inside the region."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from formlab.plans.criteria import TINY, State
from formlab.progress import along

if TYPE_CHECKING:
    from formlab.plans.exchange import Found, Problem

__all__ = ["polish_design", "wander"]

SWEEPS = 60
ENOUGH = 2e-6  # gain of a whole sweep below which it stops
ROUGH = 1e-3, 1e-4  # the same while wandering: first look, and second where it may be worth it
WARMTH = 0.03  # loss of score that wandering accepts at first
KICKED = 4  # units changed at a time, at most


def polish_design(problem: Problem, found: Found, seed: Any) -> Found:
    """Return the design after moving every unit until no straight move inside the region gains."""
    walk = _Walk(problem, found.points, np.random.default_rng(seed))
    walk.settle(ENOUGH)
    if not walk.state.score > found.score:
        return found
    return type(found)(walk.points, walk.state.score, found.start)


def wander(problem: Problem, found: Found, seed: Any, kicks: int) -> Found:
    """Return the best design met on a walk: a few units at random candidates, settled, kept if not much worse.

    What counts as not much worse shrinks to nothing along the walk, as in simulated annealing (Kirkpatrick,
    Gelatt & Vecchi 1983), here over settled designs.
    """
    rng = np.random.default_rng(seed)
    now = best = found
    for k in along(range(kicks), "step"):
        walk = _Walk(problem, _kicked(problem, now.points, rng), rng)
        if not np.isfinite(walk.state.score):
            continue
        walk.settle(ROUGH[0])
        if walk.state.score > best.score - WARMTH:
            walk.settle(ROUGH[1])
        if walk.state.score > now.score - WARMTH * (1 - k / kicks):
            now = type(found)(walk.points, walk.state.score, found.start)
        if now.score > best.score + TINY:
            best = now
    return polish_design(problem, best, rng)


def _kicked(problem: Problem, points: np.ndarray, rng: Any) -> np.ndarray:
    """A few units put at random candidates that their rows allow."""
    c, units = problem.candidates, problem.units()
    out = points.copy()
    count = min(len(units), 1 + int(rng.integers(KICKED)))
    for k in rng.choice(len(units), size=count, replace=False):
        level, rows = units[k]
        trial = out[rows].copy()
        trial[:, c.positions[level]] = c.options[level][rng.integers(len(c.options[level]))]
        if problem.basis.region.polytope.contains(trial[:, : len(problem.basis.numeric)], 1e-7).all():
            out[rows] = trial
    return out


class _Walk:
    """A design on the move."""

    def __init__(self, problem: Problem, points: np.ndarray, rng: Any) -> None:
        self.points, self.rng = points.copy(), rng
        columns = problem.basis.matrix(points)
        self.state = State(columns, problem.weight_matrix, problem.prior, problem.weight, ridge=1e-12)
        self.lines = problem.lines
        self.units = [(level, rows) for level, rows in problem.units() if self.lines[level].count]

    def settle(self, enough: float) -> None:
        """Sweep over all units until a sweep gains less than `enough`."""
        for _ in range(SWEEPS):
            gained = 0.0
            for k in self.rng.permutation(len(self.units)):
                gained += self._move(*self.units[k])
            self.state.refresh()
            if gained < enough:
                return

    def _move(self, level: str, rows: np.ndarray) -> float:
        """Take the best step of one unit along any of its lines; return the gain."""
        lines = self.lines[level]
        directions, tau, coefficients = lines.through(self.points[rows], self.rng, self.state.x[rows])
        if not len(directions):
            return 0.0
        gains = self.state.line_gains(rows, coefficients, tau)
        q, t = np.unravel_index(int(np.argmax(gains)), gains.shape)
        if not gains[q, t] > TINY:
            return 0.0
        new = lines.moved(self.points[rows], tau[q, t] * directions[q])
        self.points[rows] = new
        self.state.replace(rows, lines.basis.matrix(new))
        return float(gains[q, t])
