"""Continuous improvement of a design: every unit moves along straight lines inside the region."""

from __future__ import annotations

from typing import Any

import numpy as np

from formlab.plans.criteria import TINY, State
from formlab.plans.lines import Lines

__all__ = ["polish_design"]

SWEEPS = 60
ENOUGH = 2e-6  # gain of a whole sweep below which it stops


def polish_design(problem: Any, found: Any, seed: Any) -> Any:
    """Return the design after moving every unit until no straight move inside the region gains."""
    rng = np.random.default_rng(seed)
    basis = problem.basis
    points = found.points.copy()
    state = State(basis.matrix(points), problem.structure.weight(), problem.prior, problem.weight)
    lines = {level: Lines(basis, cols) for level, cols in problem.candidates.positions.items()}
    units = [(level, rows) for level, rows in problem.units() if lines[level].count]
    before = state.score
    for _ in range(SWEEPS):
        gained = 0.0
        for k in rng.permutation(len(units)):
            level, rows = units[k]
            gained += _move(lines[level], state, points, rows, rng)
        state.refresh()
        if gained < ENOUGH:
            break
    if not state.score > before:
        return found
    return type(found)(points, state.score, found.start)


def _move(lines: Lines, state: State, points: np.ndarray, rows: np.ndarray, rng: Any) -> float:
    """Take the best step of one unit along any of its lines; return the gain."""
    directions, tau, coefficients = lines.through(points[rows], rng)
    if not len(directions):
        return 0.0
    gains = state.line_gains(rows, coefficients, tau)
    q, t = np.unravel_index(int(np.argmax(gains)), gains.shape)
    if not gains[q, t] > TINY:
        return 0.0
    new = lines.moved(points[rows], tau[q, t] * directions[q])
    points[rows] = new
    state.replace(rows, lines.basis.matrix(new))
    return float(gains[q, t])
