"""Search for an optimal design: exchange from many starts, then moves inside the region and what recombines them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from formlab.errors import PlanError
from formlab.plans.exchange import Found, Problem, one_start
from formlab.plans.pool import recombined
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
    seeds = seed.spawn(starts)
    jobs: list[Any] = [(problem, s, k) for k, s in enumerate(seeds)]
    work.at(0)
    found = _ranked(over_workers(one_start, jobs, n_jobs, what="start"))
    if not np.isfinite(found[0].score):
        raise PlanError(
            f"{problem.structure.n} trials cannot estimate the {len(problem.basis.space)} terms with these batches: "
            "every start was singular. Add trials or batches, or choose a smaller model."
        )
    if polish and any(lines.count for lines in problem.lines.values()):
        work.at(1)
        able = [f for f in found if np.isfinite(f.score)]
        found = _ranked([*found, *recombined(problem, able, seed.spawn(1)[0], starts / STARTS, n_jobs)])
    return found[0]


def _ranked(found: Iterable[Found]) -> list[Found]:
    """Best first; scores closer than 1e-9 count as equal and the lowest start comes first."""
    return sorted(found, key=lambda f: (-round(f.score, 9) if np.isfinite(f.score) else np.inf, f.start))
