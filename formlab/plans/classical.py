"""Plans from the textbooks, as frames with the brief's columns: no search, no order yet.

Mixture plans live on the simplex of pseudo-components over the lower bounds; factorial ones in phr and
settings, coded -1 … 1 over the ranges, with the coded designs of pyDOE3.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, combinations_with_replacement, product
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import PlanError
from formlab.region import Region

__all__ = [
    "box_behnken",
    "centroid",
    "composite",
    "factorial",
    "from_two_levels",
    "lattice",
    "two_level_factors",
    "vertices",
]


# ---- mixtures ---------------------------------------------------------------------------------------


def lattice(brief: Brief, degree: int = 2) -> pd.DataFrame:
    """Return the {q, m} simplex lattice (Scheffé 1958) in pseudo-components.

    Its (q + m - 1)! / (m! (q - 1)!) points are all shares that are multiples of 1/m.
    """
    if degree < 1:
        raise PlanError(f"degree = {degree}; give a lattice 1, 2, 3, …")
    names = _mixture(brief, "lattice")
    q = len(names)
    rows = []
    for chosen in combinations_with_replacement(range(q), degree):
        rows.append(np.bincount(chosen, minlength=q) / degree)
    return _cross_settings(brief, _from_pseudo(brief, names, np.array(rows)))


def centroid(brief: Brief, largest: int | None = None, axial: bool = False) -> pd.DataFrame:
    """Return the simplex centroid (Scheffé 1963): the centroids of all subsets of ingredients.

    Parameters
    ----------
    largest : int, optional
        Subsets of at most this many (and the overall centroid).
    axial : bool, default=False
        Also the points half way from the centroid to each vertex.
    """
    names = _mixture(brief, "centroid")
    q = len(names)
    sizes = [k for k in range(1, q + 1) if k <= (largest or q) or k == q]
    rows = [np.isin(np.arange(q), chosen) / k for k in sizes for chosen in combinations(range(q), k)]
    if axial:
        rows += [(np.eye(q)[k] + 1.0 / q) / 2 for k in range(q)]
    return _cross_settings(brief, _from_pseudo(brief, names, np.array(rows)))


def vertices(brief: Brief, region: Region, centroids: Sequence[int] | None = None) -> pd.DataFrame:
    """Return the extreme vertices, centroids of faces and the overall centroid (McLean & Anderson 1966).

    Parameters
    ----------
    centroids : sequence of int, optional
        Dimensions of the faces whose centroids are added; those of one less than the region if left out.
    """
    found = [region.vertices()]
    names = list(found[0].columns)
    polytope = region.formulas
    if polytope.dimension < 1:
        raise PlanError(
            "kind 'vertices' needs ingredients that vary; this region has only one formula. Widen a range."
        )
    wanted = [polytope.dimension - 1] if centroids is None else list(centroids)
    found += [region.face_centroids(k) for k in wanted if 0 < k < polytope.dimension]
    found.append(pd.DataFrame(polytope.vertices.mean(axis=0)[None, :], columns=names))
    frame = pd.concat(found, ignore_index=True)
    return _cross_settings(brief, frame)


def _mixture(brief: Brief, kind: str) -> list[str]:
    """Ingredients whose shares form the simplex."""
    if brief.basis == "fraction":
        names = list(brief.varied)
    else:
        names = [n for n in brief.varied if n in brief.rubbers]
        if len(names) < len(brief.varied):
            raise PlanError(
                f"kind {kind!r} is for shares that sum to a total; in basis 'phr' the ingredients vary independently. "
                "Use kind 'factorial', 'composite' or 'optimal', or write the brief in basis 'fraction'."
            )
    if len(names) < 2:
        raise PlanError(
            f"kind {kind!r} needs at least 2 ingredients that vary; the brief has {len(names)}. Give more of them a range."
        )
    return names


def _from_pseudo(brief: Brief, names: list[str], shares: np.ndarray) -> pd.DataFrame:
    """x = low + (free total) * share: the simplex over the lower bounds."""
    low = np.array([brief.ranges[n][0] for n in names])
    if brief.basis == "fraction":
        whole = brief.total - sum(brief.fixed.values())
    else:
        whole = 100.0 - sum(v for n, v in brief.fixed.items() if n in brief.rubbers)
    amounts = low + (whole - low.sum()) * shares
    frame = pd.DataFrame(amounts, columns=names)
    for name, value in brief.fixed.items():
        frame[name] = value
    return frame[brief.ingredient_names]


def _cross_settings(brief: Brief, formulas: pd.DataFrame) -> pd.DataFrame:
    """Every formula at every corner of the settings that it does not hold already."""
    out = formulas.reset_index(drop=True)
    for setting in brief.settings:
        if setting.name in out:
            continue
        values: list[Any] = (
            list(setting.range) if setting.is_numeric else list(map(str, setting.levels or []))
        )
        out = out.merge(pd.DataFrame({setting.name: values}), how="cross")
    return out[brief.columns]


# ---- factorials -------------------------------------------------------------------------------------


def factorial(brief: Brief, levels: int | dict[str, int] = 2) -> pd.DataFrame:
    """Return the full factorial in phr and settings.

    Parameters
    ----------
    levels : int or dict of str to int, default=2
        How many evenly spaced values a range is tried at; numeric levels and categories are all used.
    """
    from pyDOE3 import fullfact

    numeric, categories = _factors(brief, "factorial")
    values: list[list[Any]] = []
    for name in numeric:
        wanted = levels if isinstance(levels, int) else levels.get(name, 2)
        if wanted < 2:
            raise PlanError(f"levels of {name!r} = {wanted}; give a factor of a factorial at least 2.")
        fixed = _given_levels(brief, name)
        values.append(fixed if fixed is not None else np.linspace(*brief.ranges[name], wanted).tolist())
    values += list(categories.values())
    codes = fullfact([len(v) for v in values]).astype(int)
    columns = {
        n: [v[k] for k in codes[:, i]] for i, (n, v) in enumerate(zip([*numeric, *categories], values))
    }
    return brief.complete(pd.DataFrame(columns))


def composite(brief: Brief, axial: str | float = "rotatable", centres: int = 4) -> pd.DataFrame:
    """Return the central composite plan (Box & Wilson 1951), inscribed so that ranges are kept.

    Parameters
    ----------
    axial : {"rotatable", "orthogonal", "face"} or float, default="rotatable"
        Distance of the axial points in units of the cube; the cube shrinks so that they touch the ranges.
    centres : int, default=4
        Centre points. Categories repeat the whole plan.
    """
    numeric, categories = _factors(brief, "composite")
    if len(numeric) < 2:
        raise PlanError(
            f"kind 'composite' needs at least 2 numeric factors; the brief has {len(numeric)}. Use kind 'factorial' or 'optimal'."
        )
    coded = _composite_code(len(numeric), axial, centres)
    return _decode(brief, numeric, categories, coded)


def _composite_code(k: int, axial: str | float, centres: int) -> np.ndarray:
    """Cube, star and centre; from 5 factors on the cube is the smallest fraction of resolution V."""
    from pyDOE3 import ccdesign

    from formlab.plans.screening import fraction

    if not (axial in ("rotatable", "orthogonal", "face") or (isinstance(axial, (int, float)) and axial >= 1)):
        raise PlanError(
            f"axial = {axial!r}; use 'rotatable', 'orthogonal', 'face' or a number of at least 1."
        )
    if k < 5 and axial in ("rotatable", "orthogonal"):
        coded = ccdesign(k, center=(0, centres), alpha=axial, face="circumscribed")
        return np.asarray(coded / np.abs(coded).max())
    cube = fraction([f"x{i}" for i in range(k)], resolution=5).coded
    f, n = len(cube), len(cube) + 2 * k + centres
    known = {"rotatable": f**0.25, "face": 1.0, "orthogonal": (f * (n**0.5 - f**0.5) ** 2 / 4) ** 0.25}
    distance = known[axial] if isinstance(axial, str) else float(axial)
    star = np.vstack([distance * np.eye(k), -distance * np.eye(k)])
    coded = np.vstack([cube, star, np.zeros((centres, k))])
    return np.asarray(coded / max(1.0, distance))


def box_behnken(brief: Brief, centres: int = 4) -> pd.DataFrame:
    """Return the plan of Box & Behnken (1960): midpoints of edges of the cube, no corners; 3 factors or more."""
    from pyDOE3 import bbdesign

    numeric, categories = _factors(brief, "box-behnken")
    if len(numeric) < 3:
        raise PlanError(
            f"kind 'box-behnken' needs at least 3 numeric factors; the brief has {len(numeric)}. Use kind 'factorial' or 'optimal'."
        )
    return _decode(
        brief, numeric, categories, np.asarray(bbdesign(len(numeric), center=centres), dtype=float)
    )


def two_level_factors(brief: Brief) -> tuple[list[str], dict[str, list[Any]]]:
    """Return the factors of a screening plan and their two values.

    Raises
    ------
    PlanError
        If a category has more than two levels, or ingredients share a total.
    """
    numeric, categories = _factors(brief, "screening")
    many = [n for n, levels in categories.items() if len(levels) > 2]
    if many:
        raise PlanError(
            f"kind 'screening' tries two levels, but {many[0]!r} has {len(categories[many[0]])}. "
            "Use kind 'optimal' with model 'linear', or leave two levels."
        )
    return [*numeric, *categories], {**{n: list(brief.ranges[n]) for n in numeric}, **categories}


def from_two_levels(
    brief: Brief, names: list[str], levels: dict[str, list[Any]], coded: np.ndarray
) -> pd.DataFrame:
    """Return a coded plan of -1 and 1 in the brief's units."""
    columns = {n: [levels[n][int(v > 0)] for v in coded[:, k]] for k, n in enumerate(names)}
    return brief.complete(pd.DataFrame(columns))


def _factors(brief: Brief, kind: str) -> tuple[list[str], dict[str, list[str]]]:
    """Numeric factors that vary on their own, and categories."""
    tied = brief.varied if brief.basis == "fraction" else [n for n in brief.varied if n in brief.rubbers]
    if tied:
        raise PlanError(
            f"kind {kind!r} varies every factor on its own, but {', '.join(map(repr, tied))} share a fixed total. "
            "Use kind 'lattice', 'centroid', 'vertices' or 'optimal', or write the brief in basis 'phr'."
        )
    numeric = [*brief.varied, *(s.name for s in brief.settings if s.is_numeric)]
    categories = {s.name: list(map(str, s.levels or [])) for s in brief.settings if not s.is_numeric}
    if not numeric and not categories:
        raise PlanError(
            f"kind {kind!r} needs factors that vary; the brief has none. Give a range to what may vary."
        )
    return numeric, categories


def _given_levels(brief: Brief, name: str) -> list[float] | None:
    part = brief.by_name[name]
    levels = getattr(part, "levels", None)
    return sorted(float(v) for v in levels) if levels else None


def _decode(
    brief: Brief, numeric: list[str], categories: dict[str, list[str]], coded: np.ndarray
) -> pd.DataFrame:
    """From -1 … 1 to the brief's units, repeated for every combination of categories."""
    low, high = np.array([brief.ranges[n] for n in numeric]).T
    values = (low + high) / 2 + coded * (high - low) / 2
    frame = pd.DataFrame(values, columns=numeric)
    combos = pd.DataFrame(list(product(*categories.values())), columns=list(categories))
    if categories:
        frame = frame.merge(combos, how="cross")
    return brief.complete(frame)
