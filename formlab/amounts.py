"""Amounts of a formula: checked, as shares, by volume, in phr, and what they weigh and cost.

A formula is a Series (labels = ingredients) or a row of a DataFrame (columns = ingredients) of amounts by
mass in one unit: phr, g, kg or fraction. Answers keep those labels, and the input is never changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, TypeAlias, TypeVar

import numpy as np
import pandas as pd

from formlab.errors import Problem, RecipeError

__all__ = [
    "cost_per_kg",
    "cost_per_litre",
    "cost_per_piece",
    "density",
    "from_phr",
    "from_volume_fractions",
    "mass_fractions",
    "to_phr",
    "volume_fractions",
    "volumes",
]

Formulas = TypeVar("Formulas", pd.Series, pd.DataFrame)
ByName: TypeAlias = "Mapping[str, float] | pd.Series"


# ---- shares, volume, density, cost ------------------------------------------------------------------------


def mass_fractions(amounts: Formulas) -> Formulas:
    """Return each ingredient's share of the mass of its formula, 0 to 1.

    Parameters
    ----------
    amounts : Series, or DataFrame of shape (n_formulas, n_ingredients)
        Amounts by mass, finite and not negative, in one unit per formula.

    Raises
    ------
    RecipeError
        If an amount is negative, missing or infinite, or a formula sums to zero; all places are named.

    Examples
    --------
    >>> import pandas as pd
    >>> mass_fractions(pd.Series({"SBR": 100.0, "chalk": 80.0, "oil": 18.0, "sulfur": 2.0}))
    SBR       0.50
    chalk     0.40
    oil       0.09
    sulfur    0.01
    dtype: float64
    """
    return shares_of(checked(amounts))


def volumes(amounts: Formulas, densities: ByName) -> Formulas:
    """Return the volume of each line: cm3 for amounts in g (so cm3 per 100 g of rubber for phr), l for kg.

    `densities` in g/cm3 by ingredient; more names than the formula has are no harm.
    """
    return checked(amounts) / densities_of(amounts, densities)


def volume_fractions(amounts: Formulas, densities: ByName) -> Formulas:
    """Return each ingredient's share of the volume of its formula, 0 to 1; `densities` in g/cm3."""
    return shares_of(volumes(amounts, densities))


def from_volume_fractions(fractions: Formulas, densities: ByName) -> Formulas:
    """Return amounts by mass from fractions by volume: g per cm3 of compound (volumes in l give kg).

    The way back from `volume_fractions`; `to_phr` or `from_phr` put the amounts on the basis wanted.

    Examples
    --------
    >>> import pandas as pd
    >>> share = pd.Series({"SBR": 0.8, "chalk": 0.2})
    >>> to_phr(from_volume_fractions(share, {"SBR": 0.94, "chalk": 2.71}), ["SBR"]).round(2)
    SBR      100.00
    chalk     72.07
    dtype: float64
    """
    return checked(fractions) * densities_of(fractions, densities)


def density(amounts: pd.Series | pd.DataFrame, densities: ByName) -> Any:
    """Return the calculated density of the compound in g/cm3: mass over the sum of the volumes.

    A float for one formula, a Series for a table. Air, and volume change in cure, are left out, so a
    measured density that differs tells of a weighing, a dispersion fault or air. The mean weighted by phr
    would be too high. Source: Hofmann, Rubber Technology Handbook (formula from memory).
    """
    table = checked(amounts)
    return sum_of(table) / sum_of(table / densities_of(amounts, densities))


def cost_per_kg(amounts: pd.Series | pd.DataFrame, prices: ByName) -> Any:
    """Return the cost of materials per kg of compound; `prices` in currency per kg, by ingredient."""
    table = checked(amounts)
    return sum_of(table * of_each(amounts, prices, "price", "currency/kg")) / sum_of(table)


def cost_per_litre(amounts: pd.Series | pd.DataFrame, densities: ByName, prices: ByName) -> Any:
    """Return the cost of materials per litre of compound: cost per kg times density.

    Moulded goods are sold by volume, so this, and not cost per kg, is what a cheap dense filler must lower.
    """
    return cost_per_kg(amounts, prices) * density(amounts, densities)


def cost_per_piece(
    amounts: pd.Series | pd.DataFrame,
    densities: ByName,
    prices: ByName,
    volume_cm3: float,
    loss_fraction: float = 0.0,
) -> Any:
    """Return the cost of materials of one piece: `volume_cm3`, and `loss_fraction` of it more for flash."""
    problems = []
    if not (np.isfinite(volume_cm3) and volume_cm3 > 0):
        problems.append(wrong("volume_cm3", volume_cm3, "a volume above 0 cm3"))
    if not (np.isfinite(loss_fraction) and loss_fraction >= 0):
        problems.append(wrong("loss_fraction", loss_fraction, "a fraction, 0 or more"))
    if problems:
        raise RecipeError(problems)
    return cost_per_litre(amounts, densities, prices) * (volume_cm3 / 1000.0) * (1.0 + loss_fraction)


# ---- phr and totals ---------------------------------------------------------------------------------------


def to_phr(amounts: Formulas, rubbers: Iterable[str]) -> Formulas:
    """Return amounts in phr: scaled so that the lines in `rubbers` sum to 100.

    Factice and regrind do not count as rubber (common practice, no source); which lines do is for the
    caller to say. Rubber is defined by ISO 1382 (from memory).

    Raises
    ------
    RecipeError
        If a formula has no rubber, or a rubber named is not among its ingredients.
    """
    table, rubbers = checked(amounts), list(rubbers)
    names = names_of(table)
    absent = [name for name in rubbers if name not in names]
    if absent or not rubbers:
        raise RecipeError(
            f"The rubber lines given are {rubbers}, the formula has {names}. "
            "Name at least one of its ingredients; a blend without a rubber has no phr: keep it in fractions."
        )
    rubber = sum_of(table[rubbers])
    if np.any(np.asarray(rubber) <= 0):
        raise RecipeError(
            f"{which(table, np.atleast_1d(rubber) <= 0)} has no rubber ({', '.join(rubbers)} sum to 0). "
            "phr needs rubber; keep such a blend in fractions."
        )
    return table.div(rubber / 100.0, axis=0)


def from_phr(phr: Formulas, total: float | pd.Series) -> Formulas:
    """Return amounts scaled so that each formula sums to `total` (1 for fractions, 20 for a 20 kg batch).

    Examples
    --------
    >>> import pandas as pd
    >>> from_phr(pd.Series({"SBR": 100.0, "chalk": 150.0}), 20.0)
    SBR       8.0
    chalk    12.0
    dtype: float64
    """
    sizes = np.atleast_1d(np.asarray(total, dtype=float))
    if not (np.isfinite(sizes) & (sizes > 0)).all():
        raise RecipeError([wrong("total", total, "a total above 0")])
    return shares_of(checked(phr)).mul(total, axis=0)


# ---- checks and helpers -----------------------------------------------------------------------------------


def names_of(amounts: Any) -> list[str]:
    """Return the ingredients of a formula or table."""
    return list(amounts.index if amounts.ndim == 1 else amounts.columns)


def sum_of(table: Any) -> Any:
    """Return the sum of each formula: a float for one, a Series for a table."""
    return float(table.sum()) if table.ndim == 1 else table.sum(axis=1)


def shares_of(table: Any) -> Any:
    """Return a table over the sum of each formula."""
    return table.div(sum_of(table), axis=0)


def wrong(place: str, value: Any, expected: str, repair: str = "") -> Problem:
    """Return one wrong value as a problem; `place` is an argument, or formula and ingredient."""
    return Problem(column=place, value=value, expected=expected, repair=repair)


def which(table: Any, rows: np.ndarray) -> str:
    if table.ndim == 1:
        return "The formula" if table.name is None else f"Formula {table.name!r}"
    return f"Formula {table.index[np.flatnonzero(rows)[0]]!r}"


def checked(amounts: Any) -> Any:
    """Return amounts as floats, or name every amount that no formula can have."""
    if not isinstance(amounts, (pd.Series, pd.DataFrame)):
        raise RecipeError(f"Give a formula as a Series or a DataFrame, not a {type(amounts).__name__}.")
    names = names_of(amounts)
    if len(set(names)) < len(names):
        twice = sorted({name for name in names if names.count(name) > 1})
        raise RecipeError(f"Ingredients {twice} stand twice in the formula. Give each one line.")
    try:
        table = amounts.astype(float)
    except (TypeError, ValueError):
        table = amounts.apply(pd.to_numeric, errors="coerce").astype(float)
    values = table.to_numpy()
    good = np.isfinite(values) & (values >= 0)
    if not good.all():
        raise RecipeError(_bad_amounts(amounts, good))
    empty = np.atleast_1d(sum_of(table)) <= 0
    if empty.any():
        raise RecipeError(f"{which(table, empty)} sums to 0. Give at least one amount above 0.")
    return table


def _bad_amounts(amounts: Any, good: np.ndarray) -> list[Problem]:
    frame = amounts.to_frame().T if amounts.ndim == 1 else amounts
    one = amounts.ndim == 1 and amounts.name is None
    problems = []
    for i, j in np.argwhere(~np.atleast_2d(good)):
        place = ("" if one else f"formula {frame.index[i]!r}, ") + f"'{frame.columns[j]}'"
        value = frame.iloc[i, j]
        value = value.item() if isinstance(value, np.generic) else value
        repair = "Write 0 to leave an ingredient out."
        problems.append(wrong(place, value, "a finite amount, not negative", repair))
    return problems


def densities_of(amounts: Any, densities: ByName) -> pd.Series:
    """Return the density of each ingredient in g/cm3, all above 0."""
    return of_each(amounts, densities, "density", "g/cm3", above_zero=True)


def of_each(amounts: Any, values: ByName, what: str, unit: str, *, above_zero: bool = False) -> pd.Series:
    """Return the value of each ingredient in the order of the formula, or name all that lack one."""
    names, known = names_of(amounts), dict(values)
    expected = f"a {what} {'above 0' if above_zero else 'of 0 or more'} in {unit}"
    found = pd.Series({name: known.get(name) for name in names}, dtype=object)
    column = pd.to_numeric(found, errors="coerce")
    fine = np.isfinite(column) & ((column > 0) if above_zero else (column >= 0))
    if not fine.all():
        lacking = found[~fine.to_numpy()]
        raise RecipeError([wrong(f"{what} of '{name}'", value, expected) for name, value in lacking.items()])
    return column.astype(float)


def present(table: Any, given: Mapping[str, str]) -> None:
    """Raise for each named argument that is no ingredient of the formula."""
    names = names_of(table)
    absent = [wrong(role, name, f"one of {names}") for role, name in given.items() if name not in names]
    if absent:
        raise RecipeError(absent)
