"""Plans spread over the region: no model, no two trials near each other, no corner left out."""

from __future__ import annotations

from typing import Any

import numpy as np

from formlab.plans.basis import Basis

__all__ = ["scaled", "spread"]

POOL = 3000
SWAPS = 400


def spread(basis: Basis, runs: int, rng: Any) -> np.ndarray:
    """Return points whose smallest distance to each other is large (maximin; Johnson, Moore & Ylvisaker 1990).

    Distances are in units of the ranges left by the limits; two categories are one unit apart. Points are
    chosen out of a uniform sample, farthest first, then exchanged while the smallest distance grows.
    """
    pool = basis.points(basis.region.sample(max(POOL, 20 * runs), rng))
    places = scaled(basis, pool)
    chosen = _exchange(places, _farthest_first(places, runs))
    return np.asarray(pool[chosen])


def scaled(basis: Basis, points: np.ndarray) -> np.ndarray:
    """Return points with ranges from 0 to 1 and categories as corners one unit apart."""
    d = len(basis.numeric)
    vertices = basis.region.polytope.vertices
    low, width = vertices.min(axis=0), np.ptp(vertices, axis=0)
    parts = [((points[:, :d] - low) / np.where(width > 0, width, 1.0))[:, width > 0]]
    for k, levels in enumerate(basis.categories.values()):
        parts.append(np.eye(len(levels))[points[:, d + k].astype(int)] / np.sqrt(2))
    return np.hstack(parts)


def _farthest_first(scaled: np.ndarray, runs: int) -> np.ndarray:
    start = int(np.square(scaled - scaled.mean(axis=0)).sum(axis=1).argmax())
    chosen = [start]
    nearest = np.square(scaled - scaled[start]).sum(axis=1)
    while len(chosen) < runs:
        chosen.append(int(nearest.argmax()))
        nearest = np.minimum(nearest, np.square(scaled - scaled[chosen[-1]]).sum(axis=1))
    return np.array(chosen)


def _exchange(scaled: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """Move one of the closest pair to the place farthest from all others, while that helps."""
    for _ in range(SWAPS):
        points = scaled[chosen]
        gaps = np.square(points[:, None] - points[None]).sum(axis=2) + np.diag(np.full(len(points), np.inf))
        pair = np.unravel_index(int(gaps.argmin()), gaps.shape)
        moved = False
        for k in pair:
            others = np.delete(chosen, k)
            nearest = np.min([np.square(scaled - scaled[o]).sum(axis=1) for o in others], axis=0)
            if nearest.max() > gaps.min() * (1 + 1e-9):
                chosen = chosen.copy()
                chosen[k] = int(nearest.argmax())
                moved = True
                break
        if not moved:
            return chosen
    return chosen
