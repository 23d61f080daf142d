"""Exchange of the units of one design for candidates.

Every unit (a day, batch, load or slab) is visited in turn; all its options are scored at once and the
best is taken if it gains. The principle of exchange is that of Fedorov (1972); options of whole batches
under generalised least squares follow Goos & Vandebroek (2001).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from formlab.plans.candidates import Candidates
from formlab.plans.criteria import TINY, State, score
from formlab.plans.problem import ENOUGH, Begun, Found, Problem
from formlab.plans.structure import Structure
from formlab.plans.together import exchanged_together

__all__ = ["at_random", "exchanged", "information_score"]

SWEEPS = (2, 40)  # at most: with a ridge, and others


def at_random(problem: Problem, rng: Any, candidates: Candidates | None = None) -> Begun:
    """Return random candidates in the structure, those of the problem if none are given."""
    c = candidates or problem.candidates
    return Begun(c, _random_choice(c, problem.structure, rng))


def exchanged(
    problem: Problem,
    begun: Sequence[Begun],
    rng: Any,
    enough: float = ENOUGH,
    sweeps: tuple[int, int] = SWEEPS,
) -> list[Found]:
    """Return what exchange makes of designs, each until a sweep over it gains less than `enough`.

    Those at random first go through sweeps for D with a ridge, large and then small, for many of them cannot tell the
    terms apart. `sweeps` is how many those are at most, and how many all others; a design that cannot tell its terms
    apart after them has a score of -inf.
    """
    if problem.in_step:
        return exchanged_together(problem, begun, enough, sweeps)
    return [_exchanged_alone(problem, b, rng, enough, sweeps) for b in begun]


def _exchanged_alone(
    problem: Problem, begun: Begun, rng: Any, enough: float, sweeps: tuple[int, int]
) -> Found:
    few, most = sweeps
    c, choice, w = begun.candidates, begun.choice, problem.weight_matrix
    x = c.columns(choice)
    if begun.at_random:
        ridge = 1e-4 * max(1.0, float(np.trace(x.T @ w @ x))) / x.shape[1]
        state = State(x, w, problem.prior, None, ridge=ridge)
        _exchange(problem, c, state, choice, rng, few)
        state = State(state.x, w, problem.prior, None, ridge=1e-3 * ridge)
        _exchange(problem, c, state, choice, rng, few if problem.weight is not None else most)
        x = c.columns(choice)
    reached = information_score(problem, x)
    if np.isfinite(reached):
        state = State(x, w, problem.prior, problem.weight)
        _exchange(problem, c, state, choice, rng, most, enough)
        reached = state.score
    return Found(c.points(choice), reached)


def information_score(problem: Problem, x: np.ndarray) -> float:
    """Return the score of columns, -inf where they cannot tell the terms apart."""
    return score(x.T @ problem.weight_matrix @ x + problem.prior, problem.weight)


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
    problem: Problem, c: Candidates, state: State, choice: dict[str, np.ndarray], rng: Any, most: int,
    enough: float = ENOUGH,
) -> None:  # fmt: skip
    """Exchange options of units until a sweep gains less than `enough`; `choice` and `state` are changed in place."""
    units = problem.units()
    for _ in range(most):
        gained = sum([_visit(c, state, choice, *units[k]) for k in rng.permutation(len(units))])
        state.refresh()
        if gained < enough:
            return


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
