"""Continuous improvement of a design: every unit moves along straight lines inside the region."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from formlab.plans.criteria import TINY, State
from formlab.plans.lines import Lines
from formlab.plans.problem import Found, Problem
from formlab.plans.together import moved_together

__all__ = ["moved"]

SWEEPS = 60
ENOUGH = 2e-6  # gain of a whole sweep below which it stops


def moved(problem: Problem, found: Sequence[Found], rng: Any, enough: float = ENOUGH) -> list[Found]:
    """Return designs after moving every unit of each until a sweep of straight moves inside the region gains less."""
    if not problem.moving:
        return list(found)
    if problem.in_step:
        return moved_together(problem, found, rng, enough, SWEEPS)
    return [_moved_alone(problem, f, rng, enough) for f in found]


def _moved_alone(problem: Problem, found: Found, rng: Any, enough: float) -> Found:
    design = Design(problem, found.points, rng)
    design.settle(enough)
    if not design.state.score > found.score:
        return found
    return type(found)(design.points, design.state.score, found.start)


class Design:
    """A design on the move."""

    def __init__(self, problem: Problem, points: np.ndarray, rng: Any) -> None:
        self.points, self.rng, self.basis = points.copy(), rng, problem.basis
        columns = problem.basis.matrix(points)
        self.state = State(columns, problem.weight_matrix, problem.prior, problem.weight, ridge=1e-12)
        self.moves = [(problem.lines[level], rows) for level, rows in problem.moving]

    def settle(self, enough: float) -> None:
        """Sweep over all units until a sweep gains less than `enough`."""
        for _ in range(SWEEPS):
            gained = sum([self._sweep(lines, rows) for lines, rows in self.moves])
            self.state.refresh()
            if gained < enough:
                return

    def _sweep(self, lines: Lines, rows: np.ndarray) -> float:
        """Move units of one size to where each would gain most alone, best first, if it still gains; return the gain.

        All are looked at from the same design, which costs little more than looking at one.
        """
        new, hoped = lines.best(
            self.points[rows],
            self.rng,
            self.state.x[rows],
            lambda parts, tau: self.state.line_gains(rows, parts, tau),
        )
        columns, gained = self.basis.matrix(new), 0.0
        for u in np.argsort(-hoped):
            if not hoped[u] > TINY:
                break
            gain = self.state.replace(rows[u], columns[u], TINY)
            if gain:
                self.points[rows[u]] = new[u]
                gained += gain
        return gained
