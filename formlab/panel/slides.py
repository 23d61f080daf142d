"""One factor moves and the formula stays allowed: who gives way, and what stops it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.region import Region

__all__ = ["reach", "sharing", "slide", "stops"]

STILL = 1e-12  # of a range: slower than this is not towards a face


def sharing(brief: Brief, name: str) -> list[str]:
    """Return the other varied ingredients that share a fixed total with `name`; none where it stands alone."""
    pool = brief.ingredient_names if brief.basis == "fraction" else brief.rubbers
    return [n for n in pool if n != name and n in brief.varied] if name in pool else []


def stops(region: Region) -> list[str]:
    """Return what each face of the region is, in words, in the order of `Polytope.gaps`."""
    polytope, title = region.polytope, region.brief.title_of
    words = [f"{title(n)} is at its low, {v:g}" for n, v in zip(polytope.names, polytope.lower)]
    words += [f"{title(n)} is at its high, {v:g}" for n, v in zip(polytope.names, polytope.upper)]
    return words + [rule.text for rule in polytope.rules]


def slide(
    region: Region, start: pd.DataFrame, name: str, value: float, giving: Sequence[str]
) -> tuple[pd.DataFrame, list[str]]:
    """Return the formula with one numeric factor moved to `value`, or as near to it as the region lets it go.

    Parameters
    ----------
    region : Region
    start : DataFrame
        One allowed formula with all of the brief's columns.
    name : str
        An ingredient or a numeric setting.
    value : float
        Where it is to go, in its unit.
    giving : sequence of str
        Ingredients that give way so that a shared total is kept: in proportion to their amounts as long as they
        can; one that has come to an end of its range, or to a limit, stands still and the rest give way further
        (blending along a straight line: Cox 1971, Biometrika 58:155-159).

    Returns
    -------
    DataFrame of one row, list of str
        The formula, and what stopped it short of `value`; empty if nothing did.
    """
    names = list(region.polytope.names)
    x, hit = _as_far(region, start, name, value, giving)
    out = start.copy()
    out[names] = x
    words = stops(region) if len(hit) else []
    return out, [words[i] for i in hit]


def reach(region: Region, start: pd.DataFrame, name: str, giving: Sequence[str]) -> tuple[float, float]:
    """Return how far one numeric factor could go from an allowed formula, down and up, as `slide` goes."""
    k = region.polytope.names.index(name)
    low, high = (_as_far(region, start, name, value, giving)[0][k] for value in region.brief.ranges[name])
    return float(low), float(high)


def _as_far(
    region: Region, start: pd.DataFrame, name: str, value: float, giving: Sequence[str]
) -> tuple[np.ndarray, np.ndarray]:
    """The values of the numeric factors, and the numbers of the faces that stopped them."""
    polytope = region.polytope
    names = list(polytope.names)
    k, x = names.index(name), start[names].iloc[0].to_numpy(float)
    rules = np.reshape([rule.coefficients for rule in polytope.rules], (-1, len(names)))
    faces = np.vstack([np.eye(len(names)), np.eye(len(names)), rules]) != 0
    movers = [names.index(n) for n in giving]
    stopped = np.array([], dtype=int)
    while abs(value - x[k]) > 0:
        step = _direction(x, k, np.sign(value - x[k]), movers)
        gaps = polytope.gaps(x[None, :])[0]
        rate = polytope.gaps((x + step)[None, :])[0] - gaps
        with np.errstate(divide="ignore", invalid="ignore"):
            room = np.where(rate < -STILL, np.maximum(gaps, 0.0) / -rate, np.inf)
        if room.min() >= abs(value - x[k]):
            x = x + step * abs(value - x[k])
            x[k] = value
            break
        x = x + step * room.min()
        hit = np.flatnonzero(room <= room.min() * (1 + 1e-9) + 1e-12)
        left = [i for i in movers if not faces[hit][:, i].any()]
        if len(left) == len(movers) or not left:
            stopped = hit
            break
        movers = left
    return np.clip(x, polytope.lower, polytope.upper), stopped


def _direction(x: np.ndarray, k: int, sign: float, movers: list[int]) -> np.ndarray:
    """One unit of factor k, and what the movers give for it in proportion to their amounts."""
    step = np.zeros_like(x)
    step[k] = sign
    if movers:
        amounts = np.maximum(x[movers], 0.0)
        total = amounts.sum()
        step[movers] = -sign * (amounts / total if total > 0 else np.full(len(movers), 1 / len(movers)))
    return step
