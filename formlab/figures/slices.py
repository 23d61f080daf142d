"""Formulas to draw at: along one factor, over two, over three, with the sums kept and the region known."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import FormlabError
from formlab.progress import along
from formlab.region import Region

__all__ = [
    "EDGE",
    "certainty",
    "factors",
    "held",
    "looked_at",
    "move",
    "numeric",
    "reference",
    "slack",
    "tied",
]

EDGE = 1e-6  # of a range: what rounding may put outside
BLOCK = 400  # formulas predicted at a time, so that a bar moves


def reference(brief: Brief, at: Any = None) -> pd.DataFrame:
    """Return the formula a figure is drawn at, one complete row.

    Parameters
    ----------
    at : mapping, Series, one-row DataFrame, or anything with a `frame` such as a Suggestion
        Left out: today's formula where it is allowed, else the centre of the region.
    """
    if at is None:
        region, today = Region.from_brief(brief), brief.baseline
        if today is not None and bool(region.contains(today).iloc[0]):
            return today.reset_index(drop=True)
        return brief.complete(region.centre()).reset_index(drop=True)
    frame = at.frame if hasattr(at, "frame") else at
    full = brief.complete(frame)
    if len(full) != 1:
        raise FormlabError(f"at= is one formula; it was given {len(full)}. Pass one row: frame.iloc[[0]].")
    return full.reset_index(drop=True)


def factors(brief: Brief) -> list[str]:
    """Varied ingredients and all settings, in column order."""
    return [*brief.varied, *brief.setting_names]


def numeric(brief: Brief, *names: str) -> None:
    """Check that names are numeric factors of the brief.

    Raises
    ------
    FormlabError
        Naming the one that is not, and those that are.
    """
    allowed = [n for n in factors(brief) if n in brief.ranges]
    for name in names:
        if name not in allowed:
            raise FormlabError(f"{name!r} cannot be an axis; choose a numeric factor of {allowed}.")


def move(brief: Brief, at: pd.DataFrame, changes: Mapping[str, Any] | pd.DataFrame) -> pd.DataFrame:
    """Return formulas with some factors set, one row a value, everything else as in `at`.

    Ingredients that share a sum (all of them in the fraction basis, several rubbers in phr) keep it: the other
    varied ones give way in proportion to their amounts (Cox 1971, Biometrika 58:155-159).
    """
    changes = pd.DataFrame(changes).reset_index(drop=True)
    out = at.loc[at.index.repeat(len(changes))].reset_index(drop=True)
    for name in changes:
        out[name] = changes[name].to_numpy()
    for names, total in _sums(brief):
        if any(n in changes for n in names):
            giving = [n for n in names if n in brief.varied and n not in changes]
            if giving:
                room = total - out[[n for n in names if n not in giving]].sum(axis=1).to_numpy()
                share = at[giving].iloc[0].to_numpy(float)
                share = share / share.sum() if share.sum() > 0 else np.full(len(giving), 1 / len(giving))
                out[giving] = room[:, None] * share
    return out


def _sums(brief: Brief) -> list[tuple[list[str], float]]:
    if brief.basis == "fraction":
        return [(brief.ingredient_names, float(brief.total))]
    return [(brief.rubbers, 100.0)] if len(brief.rubbers) > 1 else []


def tied(brief: Brief, x: str, y: str) -> bool:
    """Whether x and y share a sum that no other ingredient helps to keep, so that one follows from the other."""
    return any({n for n in names if n in brief.varied} == {x, y} for names, _ in _sums(brief))


def slack(region: Region, frame: pd.DataFrame) -> np.ndarray:
    """Return how far inside ranges and limits formulas are, in units of the ranges; below -`EDGE` is outside.

    What is the same for all of them and holds (a fixed amount, a kept sum, one left out everywhere) is left
    aside: it says nothing about where on a slice the edge is.
    """
    names = list(region.polytope.names)
    gaps = region.polytope.gaps(region.brief.complete(frame)[names].to_numpy(float))
    says = (np.ptp(gaps, axis=0) > EDGE) | (gaps.min(axis=0) < -EDGE)
    return gaps[:, says].min(axis=1) if says.any() else np.full(len(frame), 1.0)


def held(brief: Brief, at: pd.DataFrame, shown: Sequence[str], shared: bool = False) -> str:
    """Return in words what a figure holds: "at oil 14 phr, cure 16 min; kaolin 4 %, silica 8 % in proportion".

    With `shared` the factors shown keep the sum between them, and the rest stands still.
    """
    moving = {n for names, _ in _sums(brief) if any(s in names for s in shown) for n in names} - set(shown)
    rest = [n for n in factors(brief) if n not in shown]
    still = _amounts(brief, at, [n for n in rest if shared or n not in moving])
    giving = _amounts(brief, at, [n for n in rest if not shared and n in moving])
    parts = ([f"at {still}"] if still else []) + ([f"{giving} giving way in proportion"] if giving else [])
    return "; ".join(parts)


def _amounts(brief: Brief, at: pd.DataFrame, names: Sequence[str]) -> str:
    values = at.iloc[0]
    shown = {n: f"{values[n]:.4g}" if n in brief.ranges else str(values[n]) for n in names}
    return ", ".join(f"{brief.title_of(n)} {text} {brief.unit(n)}".strip() for n, text in shown.items())


def certainty(surfaces: Sequence[Any], frame: pd.DataFrame) -> np.ndarray:
    """Return 1 less the doubt about the mean, as a part of that at the worst trial; negative is beyond the trials.

    A mean that is less sure than at any trial is a hidden extrapolation, even inside every range
    (Montgomery, Peck & Vining, Introduction to Linear Regression Analysis, section 3.8). Counted on the
    scale of the fit; of several surfaces the one that is worst off.
    """
    return looked_at(surfaces, frame)[1]


def looked_at(
    surfaces: Sequence[Any], frame: pd.DataFrame, fill: Callable[[np.ndarray], np.ndarray] = np.asarray
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return the mean of every surface by its name, and `certainty`, of formulas that are predicted once.

    `fill` carries what is known at these formulas, and smooth, to as many more as are drawn.
    """
    means, worst = {}, np.zeros(1)
    for surface in along(surfaces, "predicting", words=[s.response.title for s in surfaces]):
        blocks = [frame.iloc[k : k + BLOCK] for k in range(0, len(frame), BLOCK)]
        told = [_doubt(surface, some) for some in along(blocks, "block")]
        mean, doubt = (np.concatenate(part) for part in zip(*told))
        _, at_trials = _doubt(surface, surface.formulas.drop_duplicates())
        means[surface.name] = fill(mean)
        worst = np.maximum(worst, fill(doubt) / at_trials.max())
    return means, 1.0 - worst


def _doubt(surface: Any, frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """The mean, and its standard deviation carried to the scale of the fit."""
    mean, std = surface.predict(frame, return_std=True, outside="ignore")
    scale = surface.values.scale
    return mean, np.asarray(std / scale.slope(scale.forward(mean)))
