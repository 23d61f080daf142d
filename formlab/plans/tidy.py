"""Amounts and settings that a person can weigh and set: rounded where that stays inside the region."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING

import numpy as np

from formlab.plans.basis import Basis
from formlab.plans.structure import Structure
from formlab.polytope import Polytope

if TYPE_CHECKING:
    from formlab.plans.candidates import Candidates

__all__ = ["nice_step", "rounded", "tidy"]

PARTS = 200  # a range is cut into at least so many steps


def nice_step(width: float, parts: int = PARTS) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that cuts a width into at least `parts` steps.

    Examples
    --------
    >>> nice_step(20.0, 50), nice_step(0.4)
    (0.2, 0.002)
    """
    power = 10.0 ** np.floor(np.log10(width / parts))
    return float(max(m * power for m in (1, 2, 5) if m * power <= width / parts * (1 + 1e-9)))


def tidy(basis: Basis, points: np.ndarray, structure: Structure, candidates: Candidates) -> np.ndarray:
    """Return points on steps of at most 1/200 of each range; units that would leave the region stay.

    Candidates (vertices, centroids, levels) are kept as they are; in a blend one ingredient takes the balance.
    """
    polytope = basis.region.polytope
    out = points.copy()
    for level, cols in candidates.positions.items():
        for rows in structure.rows(level):
            if _is_one_of(out[rows[0], cols], candidates.options[level]):
                continue
            moved = out[rows].copy()
            moved[:, cols] = rounded(polytope, basis.region.levels, out[rows][0], cols)[cols]
            if polytope.contains(moved[:, : len(basis.numeric)], 1e-9).all():
                out[rows] = moved
    return out


def _is_one_of(values: np.ndarray, options: np.ndarray) -> bool:
    scale = np.maximum(np.abs(options).max(axis=0), 1e-300)
    return bool((np.abs(options - values) <= 1e-9 * scale).all(axis=1).any())


def rounded(
    polytope: Polytope, levels: Collection[str], point: np.ndarray, cols: Iterable[int]
) -> np.ndarray:
    """Return a point with some variables on nice steps; levels, ends of ranges and other columns stay."""
    out = point.copy()
    width = polytope.upper - polytope.lower
    mine = [c for c in cols if c < len(width) and width[c] > 0]
    for k in mine:
        at_end = min(point[k] - polytope.lower[k], polytope.upper[k] - point[k]) < 1e-9 * width[k]
        if not at_end and polytope.names[k] not in levels:
            step = nice_step(width[k])
            out[k] = round(round(point[k] / step) * step, 12)
    blend = [c for c in mine if any(r.sense == "=" and r.coefficients[c] for r in polytope.rules)]
    if blend:  # the one with the widest range takes what rounding left over
        balance = max(blend, key=lambda c: float(width[c]))
        total = float(sum(point[c] for c in blend))
        left = round(total - float(sum(out[c] for c in blend if c != balance)), 12)
        ends = np.array([polytope.lower[balance], polytope.upper[balance]])
        near = np.abs(ends - left) < 1e-9 * width[balance]  # rounding alone may not leave the range
        out[balance] = ends[near][0] if near.any() else left
    return out
