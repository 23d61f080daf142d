"""Exchange of the units of one design for candidates.

Every unit (a day, batch, load or slab) is visited in turn; all its options are scored at once and the
best is taken if it gains. The principle of exchange is that of Fedorov (1972); options of whole batches
under generalised least squares follow Goos & Vandebroek (2001).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from formlab.plans.basis import Basis
from formlab.plans.candidates import Candidates
from formlab.plans.criteria import TINY, State, score
from formlab.plans.lines import Lines
from formlab.plans.structure import Structure

__all__ = ["Found", "Problem", "exchanged", "information_score", "one_start", "random_design"]

SWEEPS = 40
ENOUGH = 1e-7  # gain of a whole sweep below which it stops


@dataclass
class Problem:
    """All that a search needs: model, candidates, structure, and what is known beforehand.

    Attributes
    ----------
    prior : ndarray of shape (p, p)
        Information from earlier trials or a prior, in the orthonormal columns.
    weight : ndarray of shape (p, p) or None
        None for D, else the matrix of a trace criterion.
    """

    basis: Basis
    candidates: Candidates
    structure: Structure
    prior: np.ndarray
    weight: np.ndarray | None

    @cached_property
    def weight_matrix(self) -> np.ndarray:
        """Inverse covariance of the trials."""
        return self.structure.weight()

    @cached_property
    def lines(self) -> dict[str, Lines]:
        """Straight moves of the variables of each level."""
        return {level: Lines(self.basis, cols) for level, cols in self.candidates.positions.items()}

    @cached_property
    def moving(self) -> list[tuple[str, np.ndarray]]:
        """Units that lines can move, by level and size: the level, and rows of shape (u, s)."""
        found: dict[tuple[str, int], list[np.ndarray]] = {}
        for level, rows in self.units():
            if self.lines[level].count:
                found.setdefault((level, len(rows)), []).append(rows)
        return [(level, np.array(rows)) for (level, _), rows in found.items()]

    def units(self) -> list[tuple[str, np.ndarray]]:
        """Every unit whose variables can be chosen: its level and rows."""
        return [
            (level, rows)
            for level in self.candidates.levels
            if len(self.candidates.options[level]) > 1
            for rows in self.structure.rows(level)
        ]


@dataclass
class Found:
    """A design that a start ended in: points (n, v) and its score."""

    points: np.ndarray
    score: float
    start: int = 0


def one_start(
    problem: Problem, seed: Any, start: int = 0, candidates: Candidates | None = None, enough: float = ENOUGH
) -> Found:
    """Return what exchange makes of a random design of some candidates, those of the problem if left out.

    It ends with a sweep that gains less than `enough`.
    """
    rng = np.random.default_rng(seed)
    c = candidates or problem.candidates
    choice = _random_choice(c, problem.structure, rng)
    w = problem.weight_matrix
    x = c.columns(choice)
    ridge = 1e-4 * max(1.0, float(np.trace(x.T @ w @ x))) / x.shape[1]
    state = State(x, w, problem.prior, None, ridge=ridge)
    _exchange(problem, c, state, choice, rng, 2)
    state = State(state.x, w, problem.prior, None, ridge=1e-3 * ridge)
    _exchange(problem, c, state, choice, rng, 2 if problem.weight is not None else SWEEPS)
    return exchanged(problem, c, choice, rng, enough, start)


def exchanged(
    problem: Problem, c: Candidates, choice: dict[str, np.ndarray], rng: Any, enough: float, start: int = 0
) -> Found:
    """Return what exchange makes of a design given by candidate numbers, until a sweep gains less than `enough`."""
    x = c.columns(choice)
    reached = information_score(problem, x)
    if np.isfinite(reached):
        state = State(x, problem.weight_matrix, problem.prior, problem.weight)
        _exchange(problem, c, state, choice, rng, enough=enough)
        reached = state.score
    return Found(c.points(choice), reached, start)


def information_score(problem: Problem, x: np.ndarray) -> float:
    """Return the score of columns, -inf where they cannot tell the terms apart."""
    return score(x.T @ problem.weight_matrix @ x + problem.prior, problem.weight)


def random_design(problem: Problem, rng: Any, exchanged: bool = False) -> np.ndarray:
    """Return the columns of random candidates in the structure, if wanted exchanged for a better rank."""
    c = problem.candidates
    choice = _random_choice(c, problem.structure, rng)
    x = c.columns(choice)
    if exchanged:
        w = problem.weight_matrix
        ridge = 1e-4 * max(1.0, float(np.trace(x.T @ w @ x))) / x.shape[1]
        state = State(x, w, problem.prior, None, ridge=ridge)
        _exchange(problem, c, state, choice, rng, 2)
        x = state.x
    return x


def _random_choice(c: Candidates, structure: Structure, rng: Any) -> dict[str, np.ndarray]:
    """A random allowed option for every unit, as one candidate number a row and level."""
    choice = {level: np.zeros(structure.n, dtype=int) for level in c.levels}
    for level in c.levels:
        for rows in structure.rows(level):
            choice[level][rows] = rng.integers(len(c.options[level]))
    for _ in range(50):
        bad = ~c.allows(choice)
        if not bad.any():
            return choice
        for level in c.levels:
            for rows in structure.rows(level):
                if bad[rows].any() and rng.random() < 0.7:
                    choice[level][rows] = rng.integers(len(c.options[level]))
    return {level: np.full(structure.n, k) for level, k in c.first.items()}


def _exchange(
    problem: Problem, c: Candidates, state: State, choice: dict[str, np.ndarray], rng: Any, most: int = SWEEPS,
    enough: float = ENOUGH,
) -> None:  # fmt: skip
    """Exchange options of units until a sweep gains less than `enough`; `choice` and `state` are changed in place."""
    simple = problem.structure.is_simple and len(c.levels) == 1
    units = problem.units()
    for _ in range(most):
        if simple:
            gained = _swap_rows(c, state, choice)
        else:
            gained = sum([_visit(c, state, choice, *units[k]) for k in rng.permutation(len(units))])
        state.refresh()
        if gained < enough:
            return


def _swap_rows(c: Candidates, state: State, choice: dict[str, np.ndarray]) -> float:
    """Exchange every row for its best candidate, the most promising first, if it still gains; return the gain."""
    level = c.levels[0]
    best, hoped = state.best_swaps(c.table, c.allowed)
    gained = 0.0
    for row in np.argsort(-hoped):
        if not hoped[row] > TINY:
            break
        gain = state.replace(np.array([row]), c.table[[best[row]]], TINY)
        if gain:
            choice[level][row] = best[row]
            gained += gain
    return gained


def _visit(c: Candidates, state: State, choice: dict[str, np.ndarray], level: str, rows: np.ndarray) -> float:
    """Give one unit its best option; return the gain."""
    count = len(c.options[level])
    index = {
        name: np.broadcast_to(np.arange(count)[:, None], (count, len(rows)))
        if name == level
        else np.broadcast_to(choice[name][rows], (count, len(rows)))
        for name in c.levels
    }
    gains = state.gains(rows, c.columns(index))
    gains[~c.allows(index).all(axis=1)] = -np.inf
    best = int(np.argmax(gains))
    if not gains[best] > TINY:
        return 0.0
    choice[level][rows] = best
    state.replace(rows, c.columns({name: choice[name][rows] for name in c.levels}))
    return float(gains[best])
