"""Search over a region: moves that stay inside, one population a combination of levels.

A point moves along a straight line and stops at the face it would cross, so every formula that is tried
is allowed. Direct search is used because a probability counted from draws has steps, no slopes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from formlab.polytope import Polytope
from formlab.progress import tick
from formlab.region import Region
from formlab.workers import one_thread

__all__ = ["Found", "Score", "search"]

# What a search minimises: for each formula, how far it is from acceptable (0 = acceptable), and a value.
Score = Callable[[pd.DataFrame], tuple[np.ndarray, np.ndarray]]

POPULATION = 16
PROPOSALS = 20
SMALLEST_STEP = 1e-6


@dataclass
class Found:
    """Formulas that were tried and their scores, best first."""

    formulas: pd.DataFrame
    shortfall: np.ndarray
    value: np.ndarray


class _Slice:
    """The part of a region at one combination of numeric levels and categories."""

    def __init__(self, region: Region, polytope: Polytope, fixed: dict[str, object]) -> None:
        self.region, self.polytope, self.fixed = region, polytope, fixed
        self.centre, self.basis = polytope.frame
        self.g, self.h = polytope.inequalities()
        self.corners = self.inward(polytope.vertices)

    @property
    def dimension(self) -> int:
        return self.basis.shape[1]

    def inward(self, x: np.ndarray) -> np.ndarray:
        """Reduced coordinates of points, shape (n, dimension)."""
        return (self.polytope._scale(x) - self.centre) @ self.basis

    def frame(self, t: np.ndarray) -> pd.DataFrame:
        """Formulas of reduced coordinates."""
        x = self.polytope._unscale(self.centre + t @ self.basis.T)
        out = pd.DataFrame(x, columns=list(self.polytope.names))
        for name, value in self.fixed.items():
            out[name] = value
        return out[self.region.brief.columns]

    def move(self, start: np.ndarray, step: np.ndarray) -> np.ndarray:
        """Return start + step, cut short at the first face it would cross."""
        speed = step @ self.g.T
        slack = np.maximum(self.h - start @ self.g.T, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(speed > 1e-15, slack / speed, np.inf).min(axis=1)
        return start + np.minimum(reach, 1.0)[:, None] * step


def _slices(region: Region) -> list[_Slice]:
    found = []
    for combo in product(*region.levels.values()):
        polytope = region._slice(combo) if region.levels else region.polytope
        if not len(polytope.vertices):
            continue
        for chosen in product(*region.categories.values()):
            found.append(_Slice(region, polytope, dict(zip(region.categories, chosen))))
    return found


def _order(shortfall: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Row numbers, best first: acceptable ones by value, the others by how far they are."""
    short = np.where(shortfall > 0, shortfall, 0.0)
    return np.lexsort((np.where(short > 0, 0.0, value), short))


def _better(new: tuple[np.ndarray, np.ndarray], old: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    short_new, short_old = np.maximum(new[0], 0.0), np.maximum(old[0], 0.0)
    closer = short_new < short_old
    same = (short_new == short_old) & ((short_new == 0) & (new[1] < old[1]))
    return closer | same


def search(
    region: Region,
    score: Score,
    *,
    seed: object = None,
    pool: int = 4000,
    rounds: int = 60,
    starts: pd.DataFrame | None = None,
    most_slices: int = 4,
) -> Found:
    """Return the formulas with the least value among the acceptable ones, or the nearest to acceptable.

    Parameters
    ----------
    region : Region
    score : callable
        ``score(frame) -> (shortfall, value)``, arrays of shape (n,).
    seed : int, numpy Generator or None
    pool : int
        Uniform formulas that are looked at before the best are improved.
    rounds : int
        Improvement rounds of a population; fewer if its steps have become smaller than 1e-6 of the region.
    starts : DataFrame, optional
        Formulas to start from beside the pool.
    most_slices : int
        How many combinations of levels and categories are improved, the most promising first.

    Returns
    -------
    Found
        Every member of the final populations, best first.
    """
    # the matrix products of a search are many and small: threads would only wait for each other
    with one_thread():
        return _search(region, score, np.random.default_rng(seed), pool, rounds, starts, most_slices)  # type: ignore[arg-type]


def _search(
    region: Region,
    score: Score,
    rng: np.random.Generator,
    pool: int,
    rounds: int,
    starts: pd.DataFrame | None,
    most_slices: int,
) -> Found:
    found = []
    for part in _slices(region):
        t = _pool(part, pool, rng)
        if starts is not None and len(starts):
            own = np.ones(len(starts), dtype=bool)
            for name, value in part.fixed.items():
                own &= (starts[name] == value).to_numpy()
            inside = part.polytope.nearest(starts.loc[own, list(part.polytope.names)].to_numpy(float))
            t = np.vstack([part.inward(inside), t])
        scores = score(part.frame(t))
        rank = _order(*scores)
        found.append((part, t[rank], scores[0][rank], scores[1][rank]))
    found.sort(key=lambda item: (max(item[2][0], 0.0), item[3][0] if item[2][0] <= 0 else 0.0))
    results = [_improve(part, t, score, rng, rounds) for part, t, _, _ in found[:most_slices]]
    shortfall = np.concatenate([r.shortfall for r in results])
    value = np.concatenate([r.value for r in results])
    rank = _order(shortfall, value)
    formulas = pd.concat([r.formulas for r in results], ignore_index=True).iloc[rank].reset_index(drop=True)
    return Found(formulas, shortfall[rank], value[rank])


def _pool(part: _Slice, pool: int, rng: np.random.Generator) -> np.ndarray:
    """Uniform points and corners, half of the latter drawn towards the middle."""
    t = part.inward(part.polytope.sample(pool, rng)) if part.dimension else part.corners[:1]
    corners = part.corners[rng.permutation(len(part.corners))[:400]]
    return np.vstack([t, corners, 0.5 * corners])


def _improve(part: _Slice, t: np.ndarray, score: Score, rng: np.random.Generator, rounds: int) -> Found:
    members = t[:POPULATION].copy()
    best = tuple(np.array(a) for a in score(part.frame(members)))
    k = part.dimension
    if k == 0:
        return Found(part.frame(members), *best)
    spread = np.ptp(part.corners, axis=0).max()
    step = np.full(len(members), 0.25 * spread)
    for _ in range(rounds):
        tick()
        n = len(members)
        owner = np.repeat(np.arange(n), PROPOSALS)
        trial = part.move(members[owner], _steps(part, members, owner, step, rng))
        scores = score(part.frame(trial))
        improved = np.zeros(n, dtype=bool)
        for m in range(n):
            rows = np.flatnonzero(owner == m)
            row = rows[_order(scores[0][rows], scores[1][rows])[0]]
            new = scores[0][row : row + 1], scores[1][row : row + 1]
            old = best[0][m : m + 1], best[1][m : m + 1]
            if _better(new, old)[0]:
                members[m], best[0][m], best[1][m] = trial[row], scores[0][row], scores[1][row]
                improved[m] = True
        step = np.where(improved, np.minimum(step * 1.3, 0.5 * spread), step * 0.5)
        if (step < SMALLEST_STEP * spread).all():
            break
        stuck = step < SMALLEST_STEP * spread
        step[stuck] = SMALLEST_STEP * spread
    rank = _order(*best)
    return Found(part.frame(members[rank]), best[0][rank], best[1][rank])


def _steps(
    part: _Slice, members: np.ndarray, owner: np.ndarray, step: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Directions: towards corners, along differences of members, and at random, of each member's length."""
    count, k = len(owner), part.dimension
    kind = rng.integers(4, size=count)
    aim = part.corners[rng.integers(len(part.corners), size=count)] - members[owner]
    apart = members[rng.integers(len(members), size=count)] - members[rng.integers(len(members), size=count)]
    out = rng.normal(size=(count, k))
    out[kind == 1] = aim[kind == 1] * rng.choice([-1.0, 1.0], size=(int((kind == 1).sum()), 1))
    out[kind == 2] = apart[kind == 2]
    out[kind == 3] = np.eye(k)[rng.integers(k, size=int((kind == 3).sum()))] * rng.choice([-1.0, 1.0])
    length = np.linalg.norm(out, axis=1, keepdims=True)
    length[length == 0] = 1.0
    return out / length * (step[owner] * rng.random(count) ** 0.5)[:, None]
