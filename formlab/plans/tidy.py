"""Amounts and settings that a person can weigh and set: rounded where that stays inside the region."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.plans.basis import Basis
from formlab.plans.structure import Structure
from formlab.polytope import Polytope
from formlab.region import Region

if TYPE_CHECKING:
    from formlab.plans.candidates import Candidates

__all__ = ["nice_step", "rounded", "tidied", "tidy"]

PARTS = 200  # a range is cut into at least so many steps
SETTING_PARTS = 50  # and that of a setting, for a press or a mill is not set so finely as a scale weighs


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
    """Return points on steps of at most 1/200 of each range, 1/50 of a setting's; units that would leave the region stay.

    Candidates (vertices, centroids, levels) are kept as they are; in a blend one ingredient takes the balance.
    """
    polytope = basis.region.polytope
    out = points.copy()
    for level, cols in candidates.positions.items():
        for rows in structure.rows(level):
            if _is_one_of(out[rows[0], cols], candidates.options[level]):
                _plain(polytope, out, rows, [c for c in cols if c < len(basis.numeric)])
                continue
            for choice in _near(basis.region, out[rows][0], cols):
                moved = out[rows].copy()
                moved[:, cols] = choice[cols]
                if polytope.contains(moved[:, : len(basis.numeric)], 1e-9).all():
                    out[rows] = moved
                    break
            _plain(
                polytope, out, rows, [c for c in cols if c < len(basis.numeric)]
            )  # a balance of 1e-16 is none
    return out


def tidied(region: Region, frame: pd.DataFrame, names: Collection[str]) -> pd.DataFrame:
    """Return formulas with `names` on steps of at most 1/200 of each range, 1/50 of a setting's.

    They are as they were where that would leave the region.
    """
    polytope, out, every = region.polytope, frame.copy(), list(region.polytope.names)
    cols = [k for k, name in enumerate(every) if name in names]
    for row, point in zip(out.index, out[every].to_numpy(float)):
        for choice in _near(region, point, cols):
            if polytope.contains(choice[None], 1e-9).all():
                out.loc[row, every] = choice
                break
    return out


def _plain(polytope: Polytope, out: np.ndarray, rows: np.ndarray, cols: list[int]) -> None:
    """Take the last digits of a computed corner away, in place, where it stays inside."""
    moved = out[rows].copy()
    moved[:, cols] = np.round(moved[:, cols], 10) + 0.0
    if polytope.contains(moved[:, : len(polytope.names)], 1e-9).all():
        out[rows] = moved


def _near(region: Region, point: np.ndarray, cols: Iterable[int]) -> Iterator[np.ndarray]:
    """The point on steps, with each ingredient of a blend taking the balance; then some a step up or down instead."""
    polytope, levels, cols = region.polytope, region.levels, list(cols)
    settings = set(region.brief.setting_names)
    width = polytope.upper - polytope.lower
    parts = [SETTING_PARTS if name in settings else PARTS for name in polytope.names]
    steps = [nice_step(w, p) if w > 0 else 0.0 for w, p in zip(width, parts)]
    free, blend = _free(polytope, point, cols), _blend(polytope, cols)
    for balance in [None, *(c for c in blend if c in free)]:
        yield rounded(polytope, levels, point, cols, balance, steps=steps)
    mine = [c for c in free if polytope.names[c] not in levels][:8]
    half = np.array([steps[c] / 2 for c in mine])
    found = []
    for signs in product((-1.0, 1.0), repeat=len(mine)):
        moved = point.copy()
        moved[mine] += np.array(signs) * half
        found.append(rounded(polytope, levels, moved, cols, total=float(point[blend].sum()), steps=steps))
    away = [float((((other - point)[mine] / half) ** 2).sum()) for other in found]
    yield from (found[k] for k in np.argsort(away, kind="stable"))


def _free(polytope: Polytope, point: np.ndarray, cols: Iterable[int]) -> list[int]:
    """Variables that vary and are not at an end of their range."""
    low, high = polytope.lower, polytope.upper
    width = high - low
    return [
        c for c in cols
        if c < len(width) and width[c] > 0 and min(point[c] - low[c], high[c] - point[c]) >= 1e-9 * width[c]
    ]  # fmt: skip


def _blend(polytope: Polytope, cols: Iterable[int]) -> list[int]:
    """Variables that share a fixed total."""
    wide = polytope.upper > polytope.lower
    shared = [r for r in polytope.rules if r.sense == "="]
    return [c for c in cols if c < len(wide) and wide[c] and any(r.coefficients[c] for r in shared)]


def _is_one_of(values: np.ndarray, options: np.ndarray) -> bool:
    scale = np.maximum(np.abs(options).max(axis=0), 1e-300)
    return bool((np.abs(options - values) <= 1e-9 * scale).all(axis=1).any())


def rounded(
    polytope: Polytope,
    levels: Collection[str],
    point: np.ndarray,
    cols: Iterable[int],
    balance: int | None = None,
    total: float | None = None,
    steps: Sequence[float] | None = None,
) -> np.ndarray:
    """Return a point with some variables on `steps` (nice ones where left out); levels, ends of ranges and other columns stay.

    In a blend `balance`, or the one with the widest range that is not at an end of it, takes what rounding left over.
    """
    cols = list(cols)
    out, width = point.copy(), polytope.upper - polytope.lower
    free, blend = _free(polytope, point, cols), _blend(polytope, cols)
    for k in free:
        if polytope.names[k] not in levels:
            step = nice_step(width[k]) if steps is None else steps[k]
            out[k] = round(round(point[k] / step) * step, 12)
    if blend:
        if balance is None:
            balance = max(blend, key=lambda c: (c in free, float(width[c])))
        whole = round(float(point[blend].sum()) if total is None else total, 9)
        left = round(whole - float(sum(out[c] for c in blend if c != balance)), 9)
        ends = np.array([polytope.lower[balance], polytope.upper[balance]])
        near = np.abs(ends - left) < 1e-9 * width[balance]  # rounding alone may not leave the range
        out[balance] = ends[near][0] if near.any() else left
    return out
