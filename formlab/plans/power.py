"""Power: how surely a plan would show a difference that matters, and the smallest one it shows."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from formlab.plans.basis import Basis
from formlab.plans.structure import Structure

__all__ = ["factor_contrasts", "power", "power_of_difference", "smallest_difference"]

ALPHA, WANTED = 0.05, 0.80


def power(noncentrality: float, df: float, df_error: float, alpha: float = ALPHA) -> float:
    """Return the power of an F test, from its noncentrality: sum of squared effects over error variance.

    Examples
    --------
    Main effect of 2 sd in one run of a 2³ plan: coefficient 1, standard error sqrt(1/8), 4 error df.

    >>> round(power(8.0, 1, 4), 4)
    0.5716
    """
    from scipy.stats import f, ncf

    if df_error < 1:
        return float("nan")
    return float(ncf.sf(f.isf(alpha, df, df_error), df, df_error, noncentrality))


def power_of_difference(difference: float, std_error: float, df_error: float, alpha: float = ALPHA) -> float:
    """Return the power of a two-sided t test of one contrast."""
    return power((difference / std_error) ** 2, 1, df_error, alpha)


def smallest_difference(
    std_error: float, df_error: float, alpha: float = ALPHA, wanted: float = WANTED
) -> float:
    """Return the smallest difference seen with the wanted power; NaN without error degrees of freedom."""
    return _smallest(float(df_error), alpha, wanted) * std_error if df_error >= 1 else float("nan")


@cache
def _smallest(df_error: float, alpha: float, wanted: float) -> float:
    """The same in standard errors."""
    from scipy.optimize import brentq

    top = 10.0
    while power_of_difference(top, 1.0, df_error, alpha) < wanted and top < 1e7:
        top *= 4
    return float(brentq(lambda d: power_of_difference(d, 1.0, df_error, alpha) - wanted, 1e-6, top))


def factor_contrasts(basis: Basis) -> pd.DataFrame:
    """Return, for each factor, the two formulas between which its effect is taken, as points.

    The factor goes from its lowest to its highest value through the centre of the region, others held; in
    a blend the others give way in proportion (the direction of Cox 1971). Categories: first to last level.

    Returns
    -------
    DataFrame
        factor, from, to (values), start, end (points).
    """
    region = basis.region
    centre = basis.points(region.centre())[0]
    lines: list[list[Any]] = []
    for k, name in enumerate(basis.variables):
        if k >= len(basis.numeric):
            ends = [centre.copy(), centre.copy()]
            ends[0][k], ends[1][k] = 0, len(basis.categories[name]) - 1
            words = [basis.categories[name][0], basis.categories[name][-1]]
        else:
            found = _ends(basis, centre, k)
            if found is None:
                continue
            size = abs(found[1][k] - found[0][k])  # what is nothing beside the range is nothing
            ends, words = found, [f"{round(end[k] / size, 9) * size + 0.0:.4g}" for end in found]
        lines.append([name, *words, *ends])
    return pd.DataFrame(lines, columns=["factor", "from", "to", "start", "end"])


def _ends(basis: Basis, centre: np.ndarray, k: int) -> list[np.ndarray] | None:
    polytope = basis.region.polytope
    d = len(basis.numeric)
    if polytope.upper[k] <= polytope.lower[k]:
        return None
    direction = np.zeros(d)
    direction[k] = 1.0
    for rule in polytope.rules:
        a = np.asarray(rule.coefficients, dtype=float)
        if rule.sense == "=" and a[k] != 0:
            others = (a != 0) & (np.arange(d) != k) & (polytope.upper > polytope.lower)
            total = float(a[others] @ centre[:d][others])
            if total != 0:
                direction[others] -= a[k] * centre[:d][others] / total
    reach = [_reach(basis, centre, sign * direction) for sign in (-1.0, 1.0)]
    if reach[0] + reach[1] < 1e-9 * (polytope.upper[k] - polytope.lower[k]):
        return None
    out = []
    for sign, far in zip((-1.0, 1.0), reach):
        point = centre.copy()
        point[:d] += sign * far * direction
        out.append(point)
    return out


def _reach(basis: Basis, centre: np.ndarray, direction: np.ndarray) -> float:
    """How far the region goes from its centre along a direction."""
    polytope = basis.region.polytope
    unit = direction / np.abs(direction).max()
    now, then = polytope.gaps(centre[None, : len(direction)])[0], None
    then = polytope.gaps((centre[: len(direction)] + unit)[None])[0]
    falling = then < now - 1e-12
    equal = np.concatenate([np.zeros(2 * len(direction), bool), [r.sense == "=" for r in polytope.rules]])
    use = falling & ~equal.astype(bool)
    return (
        float((np.maximum(now[use], 0) / (now - then)[use]).min() / np.abs(direction).max())
        if use.any()
        else 0.0
    )


def level_degrees(structure: Structure, degrees: pd.DataFrame, level: str) -> float:
    """Degrees of freedom of the error that a factor of one level is tested against."""
    left = dict(zip(degrees["level"], degrees["df"]))
    names = {"slab": ["slab", "trial"]}.get(level, [level, "slab", "trial"])
    return float(next((left[n] for n in names if n in left), 0))
