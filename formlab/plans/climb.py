"""All trials of a design moved at once inside the region, by quasi-Newton steps.

Where several trials must move together, moves of one at a time creep. Here steps are those of limited-memory BFGS
(Liu & Nocedal 1989, Math. Program. 45:503), within the faces of the region that trials stand on; a trial that meets
another face stays on it. Moves of single trials, before and after, leave faces. Many designs climb in step.
"""

from __future__ import annotations

import numpy as np

from formlab.plans.criteria import informations, inverses
from formlab.plans.lines import Lines
from formlab.plans.problem import Problem

__all__ = ["Climb"]

MEMORY = 8  # steps that the curvature is learned from
FIRST = 0.1  # longest first step of a trial, in ranges
SHORTER, SHORTEST = 0.3, 10  # by how much a step that does not gain is cut, and how often
LOOK_BACK = 5  # steps that have to gain enough together
ON_A_FACE = 1e-9  # of a range
LEVEL = 1e-9  # slope, in score a range, that is none
RISE = 1e-4  # share of the gain that the slope promises


class Climb:
    """What climbs of one problem share, for trials that share no error.

    Parameters
    ----------
    problem : Problem
    lines : Lines
        Straight moves of a trial.
    """

    def __init__(self, problem: Problem, lines: Lines) -> None:
        self.problem, self.basis, self.lines = problem, problem.basis, lines
        polytope = problem.basis.region.polytope
        width = np.where(polytope.upper > polytope.lower, polytope.upper - polytope.lower, 1.0)
        ways = np.vstack([directions for _, directions in lines.groups]) / width
        _, size, right = np.linalg.svd(ways, full_matrices=False)
        free = right[size > 1e-9 * size[0]]
        self.ways = free * width  # (k, d): what a trial can do, in units of the variables
        self.facets = (lines.lhs * width) @ free.T  # (m, k)
        self._own = np.diag(problem.weight_matrix)
        self._projectors: dict[bytes, np.ndarray] = {}

    def up(self, points: np.ndarray, enough: float, most: int) -> tuple[np.ndarray, np.ndarray]:
        """Return designs (b, n, v) after at most so many steps, each until a few gain less than `enough`; and the gains (b,)."""
        done, on = points.copy(), np.arange(len(points))
        designs = _Designs(self, points)
        first, last = designs.score.copy(), designs.score.copy()
        for turn in range(most):
            ends = ~designs.step(enough) | (turn == most - 1)
            if ends.any():
                done[on[ends]] = designs.points[ends]
                last[on[ends]] = designs.score[ends]
                on = on[~ends]
                designs.only(~ends)
            if not len(on):
                break
        able = np.isfinite(first)
        return done, np.subtract(last, first, out=np.zeros(len(first)), where=able)

    def value(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return scores (b,), columns (b, n, p) and inverses of the information (b, p, p)."""
        weight, x = self.problem.weight, self.basis.matrix(points)
        m = informations(x, self._own, self.problem.prior)
        inverse = inverses(m)
        if weight is None:
            sign, log = np.linalg.slogdet(m)
            return np.where((sign > 0) & np.isfinite(log), log / m.shape[1], -np.inf), x, inverse
        trace = np.einsum("pq,bpq->b", weight, inverse)
        good = (trace > 0) & (trace < np.inf)
        return np.where(good, -np.log(np.where(good, trace, 1.0)), -np.inf), x, inverse

    def slope(self, points: np.ndarray, x: np.ndarray, inverse: np.ndarray) -> np.ndarray:
        """Return the gradient of the score in the ways that trials can go, (b, n, k)."""
        weight = self.problem.weight
        if weight is None:
            by_column = (2 / x.shape[2]) * (x @ inverse)
        else:
            dw = inverse @ weight
            trace = np.einsum("bpp->b", dw)
            by_column = (2 / np.where(trace > 0, trace, np.inf))[:, None, None] * (x @ (dw @ inverse))
        by_column = (self._own[:, None] * by_column) @ self.basis.transform.T
        return self.basis.derivative(points, by_column) @ self.ways.T

    def projectors(self, met: np.ndarray) -> np.ndarray:
        """Return what keeps a step within the faces met, (N, k, k), for facets met (N, m)."""
        out = np.empty((len(met), len(self.ways), len(self.ways)))
        for i, which in enumerate(met):
            key = which.tobytes()
            if key not in self._projectors:
                _, size, right = np.linalg.svd(self.facets[which], full_matrices=False)
                across = right[size > 1e-9]
                self._projectors[key] = np.eye(len(self.ways)) - across.T @ across
            out[i] = self._projectors[key]
        return out


class _Designs:
    """Designs on their way up: points (b, n, v) and what is known there."""

    def __init__(self, climb: Climb, points: np.ndarray) -> None:
        self.climb, self.points = climb, points.copy()
        self.score, x, inverse = climb.value(points)
        self.slope = climb.slope(points, x, inverse)
        b, n, k = self.slope.shape
        self.met = np.zeros((b, n, len(climb.facets)), dtype=bool)
        self.within = np.broadcast_to(np.eye(k), (b, n, k, k)).copy()
        self.steps, self.falls = np.zeros((MEMORY, b, n, k)), np.zeros((MEMORY, b, n, k))
        self.curved = np.zeros((MEMORY, b))  # 1 / (step . fall), 0 where there is none
        self.length = np.zeros(b)
        self.before = np.full((LOOK_BACK, b), -np.inf)
        self._meet()

    def only(self, which: np.ndarray) -> None:
        """Forget all but some designs."""
        for name in ("points", "score", "slope", "met", "within", "length"):
            setattr(self, name, getattr(self, name)[which])
        for name in ("steps", "falls", "curved", "before"):
            setattr(self, name, getattr(self, name)[:, which])

    def _room(self) -> np.ndarray:
        lines = self.climb.lines
        return np.asarray(lines.rhs - self.points[..., : lines.lhs.shape[1]] @ lines.lhs.T)

    def _meet(self) -> None:
        """Learn which facets trials stand on; what was learned of the curvature is kept within them."""
        met = self._room() < ON_A_FACE
        new = (met & ~self.met).any(axis=2)
        if new.any():
            self.met |= met
            self.within[new] = self.climb.projectors(self.met[new])
            self.steps, self.falls = (_turned(self.within, each) for each in (self.steps, self.falls))
            self.curved = np.where(self.curved > 0, _curvature(self.steps, self.falls), 0.0)

    def step(self, enough: float) -> np.ndarray:
        """Take one step; return which designs go on."""
        slope = _turned(self.within, self.slope)
        way = self._uphill(slope)
        room = self._room()
        speed = way @ self.climb.facets.T
        ahead = (speed > 1e-12) & ~self.met
        reach = np.where(ahead, np.maximum(room, 0.0) / np.where(ahead, speed, 1.0), np.inf).min(axis=2)
        points, gained = self.points.copy(), np.zeros(len(way), dtype=bool)
        taken, score, left = np.zeros_like(way), self.score.copy(), np.arange(len(way))
        fall, share = self.slope.copy(), 1.0
        for _ in range(SHORTEST):
            tried = way[left] * np.minimum(share, reach[left])[..., None]
            there = self.climb.lines.moved(self.points[left], tried @ self.climb.ways)
            found, x, inverse = self.climb.value(there)
            promised = np.einsum("bnk,bnk->b", slope[left], tried)
            up = found > self.score[left] + RISE * np.maximum(promised, 0.0)
            some = left[up]
            if len(some):
                points[some], score[some], taken[some], gained[some] = there[up], found[up], tried[up], True
                fall[some] = self.climb.slope(there[up], x[up], inverse[up])
            left = left[~up]
            if not len(left):
                break
            share *= SHORTER
        # a design that found no way up forgets the curvature and tries once more, straight up
        again = ~gained & self.curved.any(axis=0)
        self._learn(taken, self.slope - fall, gained)
        self.points, self.score, self.slope = points, score, fall
        self.curved[:, again] = 0.0
        self._meet()
        goes_on = again | (gained & (score >= self.before[0] + enough))
        self.before = np.vstack([self.before[1:], np.where(again, -np.inf, score)])
        return np.asarray(goes_on)

    def _uphill(self, slope: np.ndarray) -> np.ndarray:
        """The direction of limited-memory BFGS, straight up where there is none or it does not rise."""
        q, turns = slope.copy(), np.zeros(self.curved.shape)
        for j in range(MEMORY):
            turns[j] = self.curved[j] * np.einsum("bnk,bnk->b", self.steps[j], q)
            q -= turns[j][:, None, None] * self.falls[j]
        steepest = np.abs(slope).max(axis=(1, 2))
        straight = np.where(steepest > LEVEL, FIRST / np.maximum(steepest, LEVEL), 0.0)
        known = self.curved.any(axis=0)
        q *= np.where(known, self.length, straight)[:, None, None]
        for j in reversed(range(MEMORY)):
            back = self.curved[j] * np.einsum("bnk,bnk->b", self.falls[j], q)
            q += (turns[j] - back)[:, None, None] * self.steps[j]
        rises = np.einsum("bnk,bnk->b", q, slope) > 0
        self.curved[:, ~rises] = 0.0
        q = np.where(rises[:, None, None], q, straight[:, None, None] * slope)
        return _turned(self.within, q)  # what rounding has put across a face must not lead out of the region

    def _learn(self, step: np.ndarray, fall: np.ndarray, taken: np.ndarray) -> None:
        """Remember the newest step first."""
        fall = _turned(self.within, fall)
        curved = _curvature(step[None], fall[None])[0]
        new = taken & (curved > 0)
        size = np.einsum("bnk,bnk->b", fall, fall)
        self.length = np.where(new, 1 / np.where(new, curved * size, 1.0), self.length)
        for kept, one in ((self.steps, step), (self.falls, fall), (self.curved, curved)):
            kept[1:, new], kept[0, new] = kept[:-1, new].copy(), one[new]


def _turned(within: np.ndarray, each: np.ndarray) -> np.ndarray:
    return np.asarray((within @ each[..., None])[..., 0])


def _curvature(steps: np.ndarray, falls: np.ndarray) -> np.ndarray:
    """1 / (step . fall), shape (j, b); 0 where the score does not bend down along the step."""
    product = np.einsum("jbnk,jbnk->jb", steps, falls)
    size = np.einsum("jbnk,jbnk->jb", steps, steps) * np.einsum("jbnk,jbnk->jb", falls, falls)
    good = product > 1e-10 * np.sqrt(size)
    return np.where(good, 1 / np.where(good, product, 1.0), 0.0)
