"""Walks from a good design to better ones: a few units put elsewhere at random, then all moved to where they gain.

A step back is taken less and less, as in simulated annealing (Kirkpatrick, Gelatt & Vecchi 1983), here over designs
that were moved to where no unit gains alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from formlab.plans.criteria import TINY
from formlab.plans.polish import Design, polish_design
from formlab.progress import along

if TYPE_CHECKING:
    from formlab.plans.exchange import Found, Problem

__all__ = ["improve"]

STEPS = 80  # of a walk, at most
WORK = 20_000  # steps of a walk times trials times terms
ROUGH = 1e-3  # gain of a whole sweep below which it stops, except at the end
PROMISE = 0.05  # loss of score, once the units put elsewhere have settled, above which a step is given up
WARMTH = 0.005  # loss of score that a walk accepts at first
KICKED = 6  # units put elsewhere at a time, at most: one alone mostly finds its way back


def improve(problem: Problem, found: Found, seed: Any) -> Found:
    """Return the best design met on a walk that sets out from one that exchange has found."""
    rng = np.random.default_rng(seed)
    now = best = polish_design(problem, found, rng, ROUGH)
    steps = int(np.clip(WORK / (problem.structure.n * (len(problem.basis.space) + 20)), 2, STEPS))
    for k in along(range(steps), "step"):
        design, rows = _kicked(problem, now, rng)
        design.settle(ROUGH, only=rows)
        if design.state.score < now.score - PROMISE:
            continue
        design.settle(ROUGH)
        if design.state.score > now.score - WARMTH * (1 - k / steps):
            now = type(found)(design.points, design.state.score, found.start)
        if now.score > best.score + TINY:
            best = now
    return polish_design(problem, best, rng)


def _kicked(problem: Problem, found: Found, rng: Any) -> tuple[Design, np.ndarray]:
    """A few units put anywhere in the region that their rows allow, and which rows these are."""
    basis, units, points = problem.basis, problem.units(), found.points.copy()
    count = min(len(units), 1 + int(rng.integers(KICKED)))
    inside = basis.points(basis.region.sample(count, rng))
    moved = []
    for new, which in zip(inside, rng.choice(len(units), size=count, replace=False)):
        level, rows = units[which]
        cols, trial = problem.candidates.positions[level], points[rows]
        trial[:, cols] = new[cols]
        if basis.region.polytope.contains(trial[:, : len(basis.numeric)], 1e-7).all():
            points[rows] = trial
            moved.append(rows)
    return Design(problem, points, rng), np.concatenate([np.empty(0, dtype=int), *moved])
