"""New starts among the points of the best designs so far, again and again.

Units that moved to where they gain stand where no candidate was near; exchange over the points of many such designs
puts them together anew, from a random choice of them or from half of one design and half of another, and what it finds
moves in its turn: a memetic algorithm (Moscato 1989). Beside some of it a few units of one of the designs are sent
elsewhere: to candidates, from where exchange orders the whole design anew without the places they left, unless those
are drawn again, or anywhere in the region, for exchange returns to corners where designs that stand off them may be better.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from formlab.plans.candidates import Candidates
from formlab.plans.exchange import at_random, exchanged, information_score
from formlab.plans.polish import moved
from formlab.plans.problem import Begun, Found, Problem
from formlab.progress import along
from formlab.workers import over_workers

__all__ = ["recombined"]

MANY = (80, 24, 60)  # designs kept, tasks of a round and rounds, at most
SHARED = (8, 8, 6)  # the same where trials share errors: units are then exchanged one by one
KEEPING = 64_000  # designs kept, times trials times terms
WORK = 32_000  # tasks of a round, times trials times terms
LARGE = 15_000  # trials times terms of a design that is given one round for A and I
POOLED = 12  # designs, at most, whose points are exchanged at a time
STRAYING = 12  # tasks of a round that send units elsewhere too; it seldom finds a better design, but then a much better one
ANYWHERE = 2  # of these, those that put units anywhere, where others go to candidates
STARTS = 4  # of a task; one where trials share errors
ASTRAY = 12  # units put elsewhere at a time, at most: one alone mostly finds its way back
FRESH = 300  # candidates, at most, that a design with such units is exchanged for
PATIENCE = (
    15,
    25,
)  # rounds in a row that gain next to nothing, after which there are no more: one a term within these
NEXT_TO_NOTHING = 1e-4
ROUGH = 1e-3  # gain of a whole sweep below which it stops, except at the end
NEAR = 1.0  # between X'X over terms of two designs, of which the better is kept: about that of one that has a trial elsewhere
FAR = 3.0  # of score, from the designs kept: one so far below tells its terms apart too badly to begin with
LAST = 2  # designs that move to the end


def recombined(
    problem: Problem, found: list[Found], seed: Any, share: float = 1.0, n_jobs: int | None = None
) -> list[Found]:
    """Return the best designs met, after a share of the usual rounds; the answer does not depend on `n_jobs`."""
    many, tasks, count = effort(problem, share)
    terms, (least, longest) = len(problem.basis.space), PATIENCE
    patience = min(2 * terms, int(np.clip(terms, least, longest)))
    first, *seeds, last = seed.spawn(count + 2)
    kept = _best(problem, _all_moved(problem, found[:many], first, n_jobs, ROUGH), many)
    since, before = 0, kept[0].score
    for each in along(seeds, "round"):
        some = problem.shared_out(tasks, STARTS)
        jobs = [(problem, kept, s, which) for s, which in zip(each.spawn(len(some)), some)]
        made = over_workers(_tasks, jobs, n_jobs, what="start")
        kept = _best(problem, [*kept, *(f for one in made for f in one)], many)
        since += 1
        if kept[0].score > before + NEXT_TO_NOTHING:
            since, before = 0, kept[0].score
        if since >= share * patience:
            break
    return _all_moved(problem, kept[:LAST], last, n_jobs)


def effort(problem: Problem, share: float = 1.0) -> tuple[int, int, int]:
    """How many designs are kept, how many tasks a round has, and how many rounds there are.

    A round takes longer more than in proportion to trials times terms, so rounds fall more than in proportion; for D it
    takes half as long as for A and I.
    """
    size = problem.structure.n * len(problem.basis.space)
    simple = problem.structure.is_simple
    kept, tasks, most = MANY if simple else SHARED
    rounds = (LARGE / size) ** 1.5 * (1 if problem.weight is not None else 2) / (1 if simple else 4.5)
    kept, tasks = int(np.clip(KEEPING / size, 5, kept)), int(np.clip(WORK / size, 8, tasks))
    return kept, tasks, int(np.clip(share * min(rounds, most), 2, most))


def _all_moved(
    problem: Problem, found: list[Found], seed: Any, n_jobs: int | None, *enough: float
) -> list[Found]:
    some = problem.shared_out(len(found))
    jobs = [(problem, [found[k] for k in which], s, *enough) for s, which in zip(seed.spawn(len(some)), some)]
    return [f for one in over_workers(_moved, jobs, n_jobs, what="moving units") for f in one]


def _moved(problem: Problem, found: list[Found], seed: Any, *enough: float) -> list[Found]:
    return moved(problem, found, np.random.default_rng(seed), *enough)


def _tasks(problem: Problem, kept: list[Found], seed: Any, tasks: np.ndarray) -> list[Found]:
    """What some tasks of a round come to.

    A task takes the best of a few starts among the points of some designs, two of three from half of one and half of
    another; the first ones also send a few units of a design elsewhere. All that is then moved.
    """
    rng = np.random.default_rng(seed)
    starts = STARTS if problem.structure.is_simple else 1
    begun = []
    for task in tasks:
        mixed = [kept[k] for k in np.sort(rng.permutation(len(kept))[:POOLED])]
        pooled, begin = _pooled(problem, mixed), (_anew if task % 3 == 2 else _bred)
        begun += [begin(problem, pooled, mixed, rng) for _ in range(starts)]
    anywhere = int((tasks < (ANYWHERE if problem.in_step else STRAYING)).sum())
    sent = int((tasks < STRAYING).sum()) - anywhere
    begun += [_sent_away(problem, kept, rng) for _ in range(sent)]
    found = exchanged(problem, begun, rng, ROUGH)
    tried, away = found[: len(tasks) * starts], found[len(tasks) * starts :]
    tried = [max(tried[k : k + starts], key=lambda f: f.score) for k in range(0, len(tried), starts)]
    able = [f for f in [*tried, *away] if np.isfinite(f.score)]
    if anywhere:
        points = problem.basis.points(problem.basis.region.sample(ASTRAY * anywhere, rng))
        able += [_astray(problem, kept, some, rng) for some in np.array_split(points, anywhere)]
    return moved(problem, able, rng, ROUGH) if able else []


def _anew(problem: Problem, pooled: Candidates, kept: list[Found], rng: Any) -> Begun:
    return at_random(problem, rng, pooled)


def _bred(problem: Problem, pooled: Candidates, kept: list[Found], rng: Any) -> Begun:
    """A design that has about half of its units from one of the best and half from another."""
    one, other = rng.integers(len(kept), size=2)
    choice = {}
    for level, options in pooled.options.items():
        count = len(options) // len(kept)
        mine, theirs = one * count + np.arange(count), other * count + rng.permutation(count)
        choice[level] = np.empty(problem.structure.n, dtype=int)
        for rows, pick in zip(problem.structure.rows(level), np.where(rng.random(count) < 0.5, mine, theirs)):
            choice[level][rows] = pick
    worst = kept[-1].score - FAR
    if pooled.allows(choice).all() and information_score(problem, pooled.columns(choice)) > worst:
        return Begun(pooled, choice, at_random=False)
    return at_random(problem, rng, pooled)


def _sent_away(problem: Problem, kept: list[Found], rng: np.random.Generator) -> Begun:
    """One of the designs with a few units at candidates, and as candidates those, others and its other units."""
    [(level, cols)] = problem.candidates.positions.items()
    options = problem.candidates.options[level]
    fresh = options[rng.permutation(len(options))[:FRESH]]
    own = kept[rng.integers(len(kept))].points[:, cols]
    n = len(own)
    which = rng.choice(n, size=1 + int(rng.integers(min(n, ASTRAY))), replace=False)
    own[which] = fresh[rng.integers(len(fresh), size=len(which))]
    candidates = Candidates(problem.candidates.positions, {level: np.vstack([own, fresh])}, problem.basis)
    return Begun(candidates, {level: np.arange(n)}, at_random=False)


def _astray(problem: Problem, kept: list[Found], anywhere: np.ndarray, rng: np.random.Generator) -> Found:
    """One of the designs with a few units put at some of the points given, where their rows allow it."""
    basis, units = problem.basis, problem.units()
    found = kept[rng.integers(len(kept))]
    points = found.points.copy()
    count = 1 + int(rng.integers(min(len(units), len(anywhere))))
    for new, which in zip(anywhere, rng.choice(len(units), size=count, replace=False)):
        level, rows = units[which]
        cols, trial = problem.candidates.positions[level], points[rows]
        trial[:, cols] = new[cols]
        if basis.region.polytope.contains(trial[:, : len(basis.numeric)], 1e-7).all():
            points[rows] = trial
    return replace(found, points=points, score=-np.inf)


def _best(problem: Problem, found: Iterable[Found], many: int) -> list[Found]:
    """The best designs that are not too near a better one, best first, at most so many."""
    out: list[Found] = []
    seen = np.empty((0, len(problem.basis.space) ** 2))
    for f in sorted(found, key=lambda f: -f.score):
        if len(out) == many or not np.isfinite(f.score):
            break
        x = problem.basis.matrix(f.points)
        tells = (x.T @ x).ravel() / x.shape[1]
        if not len(seen) or ((seen - tells) ** 2).sum(axis=1).min() > NEAR**2:
            out.append(f)
            seen = np.vstack([seen, tells])
    return out


def _pooled(problem: Problem, kept: list[Found]) -> Candidates:
    """What the units of each level are in the designs kept."""
    options = {}
    for level, cols in problem.candidates.positions.items():
        rows = np.array([rows[0] for rows in problem.structure.rows(level)])
        options[level] = np.vstack([f.points[np.ix_(rows, cols)] for f in kept])
    return Candidates(problem.candidates.positions, options, problem.basis)
