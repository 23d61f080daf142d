"""Amounts and settings that a person can weigh and set: rounded where that stays inside the region."""

from __future__ import annotations

import numpy as np

from formlab.plans.basis import Basis
from formlab.plans.structure import Structure

__all__ = ["nice_step", "tidy"]

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


def tidy(basis: Basis, points: np.ndarray, structure: Structure, levels: dict[str, np.ndarray]) -> np.ndarray:
    """Return points on steps of at most 1/200 of each range; units that would leave the region stay.

    Ends of ranges, vertices and levels are kept as they are; in a blend one ingredient takes the balance.
    """
    polytope = basis.region.polytope
    out = points.copy()
    for level, cols in levels.items():
        for rows in structure.rows(level):
            moved = out[rows].copy()
            moved[:, cols] = _rounded(basis, out[rows][0], cols)[cols]
            if polytope.contains(moved[:, : len(basis.numeric)], 1e-9).all():
                out[rows] = moved
    return out


def _rounded(basis: Basis, point: np.ndarray, cols: np.ndarray) -> np.ndarray:
    polytope = basis.region.polytope
    out = point.copy()
    width = polytope.upper - polytope.lower
    tied = np.zeros(len(width), dtype=bool)
    for rule in polytope.rules:
        if rule.sense == "=":
            tied |= np.asarray(rule.coefficients) != 0
    for k in [c for c in cols if c < len(width)]:
        at_end = min(point[k] - polytope.lower[k], polytope.upper[k] - point[k]) < 1e-9 * max(
            width[k], 1e-300
        )
        if width[k] > 0 and not at_end and basis.numeric[k] not in basis.region.levels:
            step = nice_step(width[k])
            out[k] = round(round(point[k] / step) * step, 12)
    mine = [c for c in cols if c < len(width) and tied[c] and width[c] > 0]
    if mine:  # the one with the widest range takes what rounding left over
        balance = max(mine, key=lambda c: width[c])
        total = float(sum(point[c] for c in mine))
        out[balance] = round(total - float(sum(out[c] for c in mine if c != balance)), 12)
    return out
