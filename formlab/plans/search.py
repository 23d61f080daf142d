"""Search for an optimal design: exchange from many starts, then moves inside the region and what recombines them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from formlab.errors import PlanError
from formlab.plans.exchange import at_random, exchanged
from formlab.plans.pool import effort, recombined
from formlab.plans.problem import Found, Problem
from formlab.progress import showing
from formlab.workers import over_workers

__all__ = ["STARTS", "search"]

STARTS = 40


def search(
    problem: Problem,
    seed: Any,
    starts: int = STARTS,
    polish: bool = True,
    n_jobs: int | None = None,
    progress: bool | None = None,
) -> Found:
    """Return the best design of many starts; the answer does not depend on `n_jobs`.

    Parameters
    ----------
    seed : numpy SeedSequence
    starts : int
        Random starts of the exchange; what recombines them takes rounds in proportion.
    polish : bool
        Whether units then move inside the region, and what is found is recombined.

    Raises
    ------
    PlanError
        If no start could estimate every term.
    """
    with showing("planning", 2, progress) as work:
        return _searched(problem, seed, starts, polish, n_jobs, work)


def _searched(problem: Problem, seed: Any, starts: int, polish: bool, n_jobs: int | None, work: Any) -> Found:
    share = starts / STARTS
    if polish:  # of large designs only the best few are moved and recombined
        starts = min(starts, 5 * effort(problem)[0])
    some = problem.shared_out(starts)
    jobs = [(problem, s, which) for s, which in zip(seed.spawn(len(some)), some)]
    work.at(0)
    found = _ranked(f for one in over_workers(_started, jobs, n_jobs, what="start") for f in one)
    if not np.isfinite(found[0].score):
        raise PlanError(
            f"{problem.structure.n} trials cannot estimate the {len(problem.basis.space)} terms with these batches: "
            "every start was singular. Add trials or batches, or choose a smaller model."
        )
    if polish and any(lines.count for lines in problem.lines.values()):
        work.at(1)
        able = [f for f in found if np.isfinite(f.score)]
        found = _ranked([*found, *recombined(problem, able, seed.spawn(1)[0], share, n_jobs)])
    return found[0]


def _started(problem: Problem, seed: Any, which: np.ndarray) -> list[Found]:
    rng = np.random.default_rng(seed)
    found = exchanged(problem, [at_random(problem, rng) for _ in which], rng)
    return [replace(f, start=int(k)) for f, k in zip(found, which)]


def _ranked(found: Iterable[Found]) -> list[Found]:
    """Best first; scores closer than 1e-9 count as equal and the lowest start comes first."""
    return sorted(found, key=lambda f: (-round(f.score, 9) if np.isfinite(f.score) else np.inf, f.start))
