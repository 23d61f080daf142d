"""Many designs whose trials share no error, changed in step by exchange for candidates and by moves inside the region.

One change of one design is so little arithmetic that asking for it costs more than doing it. Changing many designs at a
time, each by a row of its own, shares that cost; what becomes of a design does not hang on those beside it, but for
rounding and the directions that are tried at random.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from formlab.plans.candidates import Candidates
from formlab.plans.climb import Climb
from formlab.plans.criteria import (
    TINY,
    best_swaps,
    informations,
    inverses,
    score,
    trace_gain,
    trial_line_gains,
)
from formlab.plans.lines import Lines
from formlab.plans.problem import ENOUGH, Begun, Found, Problem

__all__ = ["exchanged_together", "moved_together"]

CREEPING = 5e-3  # gain of a sweep of single trials below which all are moved at once
STEPS = 40  # of a climb, at most
SHARE = 0.1  # of `enough`: what a few steps of a climb have to gain
CACHED = 60_000  # trials times lines times terms looked at together; more would leave a processor's cache


class Together:
    """Designs under search.

    Parameters
    ----------
    x : ndarray of shape (b, n, p)
        Columns of every design.
    problem : Problem
    weight : ndarray of shape (p, p) or None
        As in `criteria.State`.
    ridge : ndarray of shape (b,)
        Added to the diagonal of the information of each.
    """

    def __init__(self, x: np.ndarray, problem: Problem, weight: np.ndarray | None, ridge: np.ndarray) -> None:
        self.x, self.weight, self.own = x, weight, np.diag(problem.weight_matrix)
        self._prior = problem.prior + ridge[:, None, None] * np.eye(x.shape[2])
        self.d = np.empty_like(self._prior)
        self.dsd = None if weight is None else np.empty_like(self._prior)
        self.trace = np.zeros(len(x))
        self.refresh(np.arange(len(x)))

    def refresh(self, which: np.ndarray) -> None:
        """Compute everything of some designs from their columns, so that rounding does not build up."""
        d = inverses(self._information(which))
        self.d[which] = d = (d + d.transpose(0, 2, 1)) / 2
        if self.weight is not None and self.dsd is not None:
            dw = d @ self.weight
            self.dsd[which], self.trace[which] = dw @ d, np.einsum("bpp->b", dw)

    def _information(self, which: np.ndarray) -> np.ndarray:
        return informations(self.x[which], self.own, self._prior[which])

    def scores(self) -> list[float]:
        return [score(m, self.weight) for m in self._information(np.arange(len(self.x)))]

    def best_swaps(self, b: int, new: np.ndarray, allowed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """As `criteria.best_swaps`, for one of the designs."""
        traced = None if self.dsd is None else (self.dsd[b], float(self.trace[b]))
        return best_swaps(self.x[b], self.own, self.d[b], traced, new, allowed)

    def line_gains(self, which: np.ndarray, coefficients: np.ndarray, tau: np.ndarray) -> np.ndarray:
        """As `criteria.trial_line_gains`, for every trial of some designs, all in one row."""
        shape = (len(which), self.x.shape[1], -1)
        parts = coefficients.reshape(len(coefficients), *shape[:2], *coefficients.shape[2:])
        traced = None if self.dsd is None else (self.dsd[which], self.trace[which])
        wx = self.own[:, None] * self.x[which]
        gains = trial_line_gains(
            self.d[which], traced, wx, self.own, parts, tau.reshape(*shape[:2], *tau.shape[1:])
        )
        return gains.reshape(tau.shape)

    def change(self, which: np.ndarray, new: np.ndarray, hoped: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Put new rows into designs, the most promising first, where that still gains when its turn comes.

        Parameters
        ----------
        which : ndarray of int, shape (m,)
            The designs.
        new : ndarray of shape (m, n, p)
            A row for every place.
        hoped : ndarray of shape (m, n)
            What each would gain alone; those of no more than `TINY` are not tried.

        Returns
        -------
        taken : ndarray of bool, shape (m, n)
        gained : ndarray of shape (m,)
        """
        taken, gained = np.zeros(hoped.shape, dtype=bool), np.zeros(len(which))
        order, many = np.argsort(-hoped, axis=1), (hoped > TINY).sum(axis=1)
        for turn in range(int(many.max(initial=0))):
            still = np.flatnonzero(many > turn)
            rows = order[still, turn]
            gain = self._replace(which[still], rows, new[still, rows])
            taken[still, rows] = gain > 0
            gained[still] += gain
        return taken, gained

    def _replace(self, b: np.ndarray, rows: np.ndarray, new: np.ndarray) -> np.ndarray:
        """Put one row into each of the designs `b` if it gains; return the gains, 0 where nothing was done."""
        old = self.x[b, rows]
        u = np.empty((len(b), 2, old.shape[1]))
        np.subtract(new, old, out=u[:, 0])
        np.multiply(self.own[rows, None], old, out=u[:, 1])
        ud = u @ (self.d if len(b) == len(self.d) else self.d[b])
        a = ud @ u.transpose(0, 2, 1)
        aa, ab, bb = a[:, 0, 0], a[:, 0, 1] + 1.0, a[:, 1, 1] - self.own[rows]
        ratio = ab * ab - aa * bb
        good = (ratio > 0) & (ratio < np.inf)
        safe = np.where(good, ratio, 1.0)
        middle = np.empty_like(a)
        middle[:, 0, 0], middle[:, 1, 1] = -bb / safe, -aa / safe
        middle[:, 0, 1] = middle[:, 1, 0] = ab / safe
        step = middle @ ud
        if self.weight is None:
            gain = np.where(good, np.log(safe) / self.x.shape[2], -np.inf)
        else:
            trace = self.trace[b] - np.einsum("bij,bij->b", step, ud @ self.weight)
            gain = trace_gain(self.trace[b], trace, good & (trace < np.inf))
        good = gain > TINY
        done, at = b[good], rows[good]
        change = ud[good].transpose(0, 2, 1) @ step[good]
        if len(done) == len(self.d):
            self.d -= change
        else:
            self.d[done] -= change
        self.x[done, at] = new[good]
        if self.weight is not None:
            self.trace[done] = trace[good]
        return np.where(good, gain, 0.0)


def exchanged_together(
    problem: Problem, begun: Sequence[Begun], enough: float, sweeps: tuple[int, int]
) -> list[Found]:
    """As `exchange.exchanged`."""
    few, most = sweeps
    sources, [level] = [b.candidates for b in begun], problem.candidates.levels
    choice = np.array([b.choice[level] for b in begun])
    x = np.array([c.table[k] for c, k in zip(sources, choice)])
    fresh = np.flatnonzero([b.at_random for b in begun])
    if len(fresh):
        moment = np.einsum("bnp,bnp,n->b", x[fresh], x[fresh], np.diag(problem.weight_matrix))
        ridge = 1e-4 * np.maximum(1.0, moment) / x.shape[2]
        state = Together(x[fresh], problem, None, ridge)
        choice[fresh] = _sweep(state, [sources[k] for k in fresh], choice[fresh], few)
        state = Together(state.x, problem, None, 1e-3 * ridge)
        last = few if problem.weight is not None else most
        choice[fresh] = _sweep(state, [sources[k] for k in fresh], choice[fresh], last)
        x[fresh] = state.x
    state = Together(x, problem, problem.weight, np.zeros(len(x)))
    able = np.isfinite(state.scores())
    choice = _sweep(state, sources, choice, most, enough, np.flatnonzero(able))
    reached = np.where(able, state.scores(), -np.inf)
    return [Found(c.points({level: k}), float(s)) for c, k, s in zip(sources, choice, reached)]


def _sweep(
    state: Together, sources: Sequence[Candidates], choice: np.ndarray, most: int, enough: float = ENOUGH,
    which: np.ndarray | None = None,
) -> np.ndarray:  # fmt: skip
    """Exchange the rows of designs for candidates, at most so many times; return which candidates they have then."""
    on = np.arange(len(choice)) if which is None else which
    for _ in range(most):
        if not len(on):
            break
        mine = [(b, sources[b]) for b in on.tolist()]
        best, hoped = map(np.array, zip(*(state.best_swaps(b, c.table, c.allowed) for b, c in mine)))
        new = np.array([c.table[k] for (_, c), k in zip(mine, best)])
        taken, gained = state.change(on, new, hoped)
        choice[on] = np.where(taken, best, choice[on])
        state.refresh(on)
        on = on[gained >= enough]
    return choice


def moved_together(
    problem: Problem, found: Sequence[Found], rng: Any, enough: float, most: int
) -> list[Found]:
    """Return designs after moves of single trials along straight lines and of all trials at once, until they gain less than `enough`."""
    basis, points = problem.basis, np.array([f.points for f in found])
    state = Together(basis.matrix(points), problem, problem.weight, np.full(len(points), 1e-12))
    [lines] = problem.lines.values()
    climb = Climb(problem, lines)
    few = int(max(1, CACHED // (points.shape[1] * lines.count * state.x.shape[2])))
    on = np.arange(len(points))
    for _ in range(most):
        if not len(on):
            break
        tried = [_best_moves(state, lines, points, on[k : k + few], rng) for k in range(0, len(on), few)]
        new, hoped = (np.concatenate(part) for part in zip(*tried))
        taken, gained = state.change(on, basis.matrix(new), hoped)
        points[on] = np.where(taken[:, :, None], new, points[on])
        state.refresh(on)
        creeps = gained < CREEPING
        slow = on[creeps]
        if len(slow):
            points[slow], more = climb.up(points[slow], SHARE * enough, STEPS)
            state.x[slow] = basis.matrix(points[slow])
            state.refresh(slow)
            gained[creeps] += more
        on = on[~creeps | (gained >= enough)]
    return [
        replace(f, points=p, score=reached) if reached > f.score else f
        for f, p, reached in zip(found, points, state.scores())
    ]


def _best_moves(
    state: Together, lines: Lines, points: np.ndarray, which: np.ndarray, rng: Any
) -> tuple[np.ndarray, np.ndarray]:
    """Where every trial of some designs would best go if it alone moved, (m, n, v), and what that would gain, (m, n)."""
    _, n, v = points.shape
    rows, here = points[which].reshape(-1, 1, v), state.x[which].reshape(-1, 1, state.x.shape[2])
    new, hoped = lines.best(
        rows, rng, here, lambda parts, tau: state.line_gains(which, parts[:, :, :, 0], tau)
    )
    return new.reshape(len(which), n, v), hoped.reshape(len(which), n)
