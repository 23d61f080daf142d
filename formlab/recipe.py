"""Recipe arithmetic: phr, mass, volume, density, cost, what materials contain, and the weigh-up.

A formula is a Series (labels = ingredients) or a row of a DataFrame (columns = ingredients) of amounts by
mass in one unit: phr, g, kg or fraction. Answers keep those labels, and the input is never changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Literal, TypeAlias, TypeVar

import numpy as np
import pandas as pd

from formlab.errors import Problem, RecipeError

__all__ = [
    "as_materials",
    "as_substances",
    "cost_per_kg",
    "cost_per_litre",
    "cost_per_piece",
    "density",
    "from_phr",
    "from_volume_fractions",
    "mass_fractions",
    "move",
    "swap",
    "to_phr",
    "total_of",
    "volume_fractions",
    "volumes",
    "weigh_up",
]

Formulas = TypeVar("Formulas", pd.Series, pd.DataFrame)
ByName: TypeAlias = "Mapping[str, float] | pd.Series"
Contains: TypeAlias = Mapping[str, Mapping[str, float]]
Hold: TypeAlias = Literal["volume", "mass", "density", "cost", "cost_per_litre"]


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
    return _shares(_checked(amounts))


def volumes(amounts: Formulas, densities: ByName) -> Formulas:
    """Return the volume of each line: cm3 for amounts in g (so cm3 per 100 g of rubber for phr), l for kg.

    `densities` in g/cm3 by ingredient; more names than the formula has are no harm.
    """
    return _checked(amounts) / _densities(amounts, densities)


def volume_fractions(amounts: Formulas, densities: ByName) -> Formulas:
    """Return each ingredient's share of the volume of its formula, 0 to 1; `densities` in g/cm3."""
    return _shares(volumes(amounts, densities))


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
    return _checked(fractions) * _densities(fractions, densities)


def density(amounts: pd.Series | pd.DataFrame, densities: ByName) -> Any:
    """Return the calculated density of the compound in g/cm3: mass over the sum of the volumes.

    A float for one formula, a Series for a table. Air, and volume change in cure, are left out, so a
    measured density that differs tells of a weighing, a dispersion fault or air. The mean weighted by phr
    would be too high. Source: Hofmann, Rubber Technology Handbook (formula from memory).
    """
    table = _checked(amounts)
    return _total(table) / _total(table / _densities(amounts, densities))


def cost_per_kg(amounts: pd.Series | pd.DataFrame, prices: ByName) -> Any:
    """Return the cost of materials per kg of compound; `prices` in currency per kg, by ingredient."""
    table = _checked(amounts)
    return _total(table * _of_each(amounts, prices, "price", "currency/kg")) / _total(table)


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
        problems.append(_wrong("volume_cm3", volume_cm3, "a volume above 0 cm3"))
    if not (np.isfinite(loss_fraction) and loss_fraction >= 0):
        problems.append(_wrong("loss_fraction", loss_fraction, "a fraction, 0 or more"))
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
    table, rubbers = _checked(amounts), list(rubbers)
    names = _names(table)
    absent = [name for name in rubbers if name not in names]
    if absent or not rubbers:
        raise RecipeError(
            f"The rubber lines given are {rubbers}, the formula has {names}. "
            "Name at least one of its ingredients; a blend without a rubber has no phr: keep it in fractions."
        )
    rubber = _total(table[rubbers])
    if np.any(np.asarray(rubber) <= 0):
        raise RecipeError(
            f"{_which(table, np.atleast_1d(rubber) <= 0)} has no rubber ({', '.join(rubbers)} sum to 0). "
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
        raise RecipeError([_wrong("total", total, "a total above 0")])
    return _shares(_checked(phr)).mul(total, axis=0)


# ---- what materials contain -------------------------------------------------------------------------------


def as_substances(weighed: Formulas, contains: Contains) -> Formulas:
    """Return what is really in the batch when materials with contents are weighed.

    Parameters
    ----------
    weighed : Series or DataFrame
        Amounts by mass of the materials as weighed.
    contains : mapping of material to {substance: mass fraction}
        Fractions of one material sum to 1. ``carrier`` stays in the batch as ``<material>_carrier``; a
        carrier that is itself an ingredient is given by that ingredient's name. ``water`` is lost.
        A material may hold a substance of its own name (moist silica: silica 0.94, water 0.06).

    Returns
    -------
    Series or DataFrame
        Amounts by mass of the substances, in the order in which the materials bring them.

    Examples
    --------
    >>> import pandas as pd
    >>> as_substances(pd.Series({"SBR": 100.0, "s80": 2.5}), {"s80": {"sulfur": 0.8, "carrier": 0.2}})
    SBR            100.0
    sulfur           2.0
    s80_carrier      0.5
    dtype: float64
    """
    table = _checked(weighed)
    shares = _content_table(_names(table), contains)
    return table @ shares


def as_materials(substances: Formulas, contains: Contains) -> Formulas:
    """Return what to weigh so that the batch holds the substances given; the way back from `as_substances`.

    Each material in `contains` is fixed by one substance: the one of its own name, else its carrier where the
    table has a column for it, else the substance listed first. That substance then comes from materials in
    `contains` only; any other is topped up pure, and its line falls away when nothing is left to top up.
    A carrier that has no column follows from its material.

    Raises
    ------
    RecipeError
        If two materials are fixed by one substance, or a material brings more of something than asked.

    Examples
    --------
    Oil-extended rubber brings 37.5 of the 50 phr of oil:

    >>> import pandas as pd
    >>> wanted = pd.Series({"SBR": 100.0, "oil": 50.0})
    >>> as_materials(wanted, {"OE_SBR": {"SBR": 100 / 137.5, "oil": 37.5 / 137.5}}).round(6)
    OE_SBR    137.5
    oil        12.5
    dtype: float64
    """
    table = _checked(substances)
    materials = list(contains)
    shares = _content_table(materials, contains)
    deciders = {name: _decider(name, contains[name], _names(table)) for name in materials}
    _one_material_each(deciders)
    brought = shares.reindex(columns=list(deciders.values()), fill_value=0.0)
    try:
        inverse = np.linalg.inv(brought.to_numpy())
    except np.linalg.LinAlgError:
        raise RecipeError(
            f"The materials {materials} cannot be told apart by {list(deciders.values())}. "
            "List first, for each, the substance that only it brings."
        ) from None
    needed = table[list(deciders.values())] @ pd.DataFrame(inverse, index=brought.columns, columns=materials)
    rest = table - (needed @ shares).reindex(_names(table), axis=table.ndim - 1).fillna(0.0)
    _not_overdrawn(table, needed, rest)
    parts = {decides: name for name, decides in deciders.items()}
    pure = [n for n in _names(rest) if n not in parts and not (n in shares and _empty(rest[n], table))]
    order = [parts.get(name, name) for name in _names(table) if name in parts or name in pure]
    joined = pd.concat([needed, rest[pure]], axis=table.ndim - 1)
    return joined[order].clip(lower=0.0).rename(_name_of(substances))


def total_of(amounts: pd.Series | pd.DataFrame, shares: ByName) -> Any:
    """Return the total of one substance over all lines: the sum of amount times share, in the amounts' unit.

    Total sulfur takes share 1 for sulfur, 0.8 for its 80 % masterbatch and what the supplier states for
    factice. Ingredients without a share bring nothing; a share for one that is not there is an error.

    Examples
    --------
    >>> import pandas as pd
    >>> total_of(pd.Series({"SBR": 100.0, "factice": 100.0, "s80": 2.5}), {"s80": 0.8, "factice": 0.1})
    12.0
    """
    table, names = _checked(amounts), _names(amounts)
    shares = dict(shares)
    problems = [
        _wrong(f"share of '{name}'", share, "a mass fraction, 0 to 1") if name in names
        else _wrong(f"share of '{name}'", None, f"one of the ingredients {names}")
        for name, share in shares.items()
        if name not in names or not 0 <= share <= 1
    ]
    if problems:
        raise RecipeError(problems)
    return _total(table * pd.Series({name: float(shares.get(name, 0.0)) for name in names}))


# ---- weigh-up ---------------------------------------------------------------------------------------------


def weigh_up(
    amounts: pd.Series,
    *,
    batch_kg: float | None = None,
    litres: float | None = None,
    densities: ByName | None = None,
    resolution_g: float | Mapping[str, float] = 1.0,
    limit_percent: float = 1.0,
) -> pd.DataFrame:
    """Return the weigh-up of one batch, rounded to what each scale can show.

    Parameters
    ----------
    amounts : Series
        One formula by mass, in any unit.
    batch_kg, litres : float
        The size of the batch, one of the two; `litres` needs `densities` (g/cm3).
    resolution_g : float, or mapping by ingredient
        The smallest step of the scale in g.
    limit_percent : float
        A rounding error beyond this is marked in `within_limit`. The default of 1 % is the weighing tolerance
        of ISO 2393 for other ingredients; curatives may ask for less.

    Returns
    -------
    DataFrame
        Columns ``ingredient, amount, planned_g, weighed_g, rounding_error_percent, resolution_g,
        within_limit``, lines in the order given.

    Raises
    ------
    RecipeError
        If an ingredient would round to 0 g, or the batch has no size, two sizes or a size not above 0.

    Examples
    --------
    >>> import pandas as pd
    >>> formula = pd.Series({"SBR": 100.0, "sulfur": 1.75})
    >>> card = weigh_up(formula, batch_kg=1.0, resolution_g={"SBR": 1, "sulfur": 0.1})
    >>> card[["ingredient", "planned_g", "weighed_g"]].round(3)
      ingredient  planned_g  weighed_g
    0        SBR    982.801      983.0
    1     sulfur     17.199       17.2
    """
    if not isinstance(amounts, pd.Series):
        raise RecipeError(f"weigh_up takes one formula as a Series, not a {type(amounts).__name__}.")
    planned = 1000.0 * from_phr(amounts, _batch_kg(amounts, batch_kg, litres, densities))
    steps = resolution_g if isinstance(resolution_g, Mapping) else dict.fromkeys(amounts.index, resolution_g)
    step = _of_each(amounts, steps, "resolution", "g", above_zero=True)
    weighed = (planned / step).round() * step
    lost = planned.index[(planned > 0) & (weighed <= 0)]
    if len(lost):
        repair = "Make a larger batch, use a finer scale or weigh it as a masterbatch."
        raise RecipeError(
            [_wrong(name, f"{planned[name]:.4g} g", f"{step[name] / 2:g} g or more", repair) for name in lost]
        )
    error = (100.0 * (weighed - planned)).div(planned.where(planned > 0, np.inf))
    columns = {
        "amount": amounts.astype(float), "planned_g": planned, "weighed_g": weighed,
        "rounding_error_percent": error, "resolution_g": step, "within_limit": error.abs() <= limit_percent,
    }
    return pd.DataFrame(columns).rename_axis("ingredient").reset_index()


def _batch_kg(
    amounts: pd.Series, batch_kg: float | None, litres: float | None, densities: ByName | None
) -> float:
    if (batch_kg is None) == (litres is None):
        raise RecipeError(f"Here batch_kg = {batch_kg} and litres = {litres}. Give exactly one of the two.")
    if litres is None:
        return float(batch_kg)  # type: ignore[arg-type]
    if densities is None:
        raise RecipeError("A batch in litres needs densities in g/cm3. Give them, or give batch_kg.")
    return litres * density(amounts, densities)


# ---- changes of a formula ---------------------------------------------------------------------------------


def move(
    amounts: Formulas,
    ingredient: str,
    to: float,
    *,
    by: str,
    hold: Hold = "volume",
    densities: ByName | None = None,
    prices: ByName | None = None,
) -> Formulas:
    """Return the formula with one ingredient at a new amount and another making up for it.

    Parameters
    ----------
    amounts : Series or DataFrame
        Formulas by mass.
    ingredient : str
        The line to change.
    to : float
        Its new amount, in the unit of the formula.
    by : str
        The line that makes up for it.
    hold : {"volume", "mass", "density", "cost", "cost_per_litre"}
        What stays as it was: total volume, total mass, density, cost per kg or cost per litre.
    densities, prices : mapping by ingredient
        In g/cm3 and currency per kg; asked for only where `hold` needs them.

    Notes
    -----
    Each of these holds is linear: with a weight a for each line, the change of one line times its weight is
    made up by the other. a = 1/density for volume, 1 for mass, 1 - D/density for density D,
    price - c for cost per kg c, price - c/density for cost per litre c.

    Examples
    --------
    >>> import pandas as pd
    >>> formula = pd.Series({"SBR": 100.0, "chalk": 150.0, "pumice": 60.0})
    >>> known = {"SBR": 0.94, "chalk": 2.71, "pumice": 2.35}
    >>> move(formula, "pumice", 80.0, by="chalk", densities=known).round(3)
    SBR       100.000
    chalk     126.936
    pumice     80.000
    dtype: float64
    """
    table = _checked(amounts)
    _present(table, {"ingredient": ingredient, "by": by})
    if ingredient == by:
        raise RecipeError(f"'{by}' cannot make up for itself. Name another ingredient in `by`.")
    weights = _hold_weights(table, hold, densities, prices)
    if np.any(np.abs(np.asarray(weights[by])) < 1e-12):
        raise RecipeError(f"'{by}' does not change the {hold} here. Make up with another ingredient.")
    moved = table.copy()
    moved[ingredient] = float(to)
    moved[by] = table[by] - (float(to) - table[ingredient]) * weights[ingredient] / weights[by]
    if np.any(np.asarray(moved[by]) < 0):
        furthest = table[ingredient] + table[by] * weights[by] / weights[ingredient]
        limits = np.atleast_1d(np.asarray(furthest))[np.atleast_1d(np.asarray(moved[by])) < 0]
        raise RecipeError(
            f"'{ingredient}' at {to:g} would need '{by}' below 0 to hold the {hold}. "
            f"With '{by}' at 0 it reaches {', '.join(f'{value:.6g}' for value in limits[:5])}; stop there."
        )
    return _checked(moved)


def swap(
    amounts: pd.Series,
    out: str,
    into: str,
    amount: float,
    *,
    by: Literal["phr", "mass", "volume"] = "phr",
    densities: ByName,
    prices: ByName | None = None,
    rubbers: Iterable[str] | None = None,
    piece_cm3: float | None = None,
    loss_fraction: float = 0.0,
) -> pd.DataFrame:
    """Return a formula before and after `amount` of one ingredient is exchanged for another.

    Parameters
    ----------
    amounts : Series
        One formula by mass. `into` may be new to it.
    amount : float
        How much of `out` goes, in the unit of the formula.
    by : {"phr", "mass", "volume"}
        ``phr`` and ``mass`` put in as many parts as go out; they differ only where a rubber is exchanged and
        `rubbers` is given: by phr the new formula is then restated with its rubber at 100.
        ``volume`` puts in the same volume.
    densities, prices : mapping by ingredient
        In g/cm3 and currency per kg; costs are left out without prices.
    piece_cm3, loss_fraction : float
        For the cost of a piece, as in `cost_per_piece`.

    Returns
    -------
    DataFrame
        Columns ``before, after, change``; rows are the ingredients, then ``density_g_cm3``,
        ``cost_per_kg``, ``cost_per_litre`` and ``cost_per_piece`` as far as they were asked for.

    Examples
    --------
    >>> import pandas as pd
    >>> formula = pd.Series({"SBR": 100.0, "chalk": 150.0})
    >>> known = {"SBR": 0.94, "chalk": 2.71, "pumice": 2.35}
    >>> swap(formula, "chalk", "pumice", 60.0, by="volume", densities=known).round(3)
                    before    after  change
    SBR            100.000  100.000   0.000
    chalk          150.000   90.000 -60.000
    pumice           0.000   52.030  52.030
    density_g_cm3    1.546    1.496  -0.049
    """
    if by not in ("phr", "mass", "volume"):
        raise RecipeError([_wrong("by", by, "phr, mass or volume")])
    before = _checked(amounts)
    _present(before, {"out": out})
    if out == into or not 0 <= amount <= before[out]:
        raise RecipeError(
            f"A swap takes {amount:g} of '{out}' for '{into}'; the formula has {before[out]:g} of '{out}'. "
            "Take no more than it has, and exchange it for another ingredient."
        )
    before = before if into in before.index else pd.concat([before, pd.Series({into: 0.0})])
    after = before.copy()
    known = _densities(before, densities)
    after[out] -= amount
    after[into] += amount * (known[into] / known[out] if by == "volume" else 1.0)
    if by == "phr" and rubbers is not None:
        after = to_phr(after, rubbers)
    both = pd.DataFrame({"before": before, "after": after})
    figures = [_figures(both[side], densities, prices, piece_cm3, loss_fraction) for side in both]
    both = pd.concat([both, pd.DataFrame(figures, index=both.columns).T])
    return both.assign(change=both["after"] - both["before"])


def _figures(
    formula: pd.Series, densities: ByName, prices: ByName | None, piece_cm3: float | None, loss: float
) -> dict[str, float]:
    figures = {"density_g_cm3": density(formula, densities)}
    if prices is not None:
        figures["cost_per_kg"] = cost_per_kg(formula, prices)
        figures["cost_per_litre"] = cost_per_litre(formula, densities, prices)
        if piece_cm3 is not None:
            figures["cost_per_piece"] = cost_per_piece(formula, densities, prices, piece_cm3, loss)
    return figures


def _hold_weights(table: Any, hold: Hold, densities: ByName | None, prices: ByName | None) -> Any:
    """Return the weight of each line, of the table's own shape, whose weighted sum a move must keep."""
    need = {"volume": "d", "mass": "", "density": "d", "cost": "p", "cost_per_litre": "dp"}
    if hold not in need:
        raise RecipeError([_wrong("hold", hold, f"one of {', '.join(need)}")])
    if ("d" in need[hold] and densities is None) or ("p" in need[hold] and prices is None):
        wanted = ["densities"] * ("d" in need[hold]) + ["prices"] * ("p" in need[hold])
        raise RecipeError(f"Holding the {hold} needs {' and '.join(wanted)}. Give them by ingredient.")
    one = table * 0.0 + 1.0
    specific = one / _densities(table, densities) if densities is not None else one
    price = one * _of_each(table, prices, "price", "currency/kg") if prices is not None else one
    mass, volume, cost = _total(table), _total(table * specific), _total(table * price)
    if hold == "density":
        return one - specific.mul(mass / volume, axis=0)
    if hold == "cost":
        return price.sub(cost / mass, axis=0)
    if hold == "cost_per_litre":
        return price - specific.mul(cost / volume, axis=0)
    return specific if hold == "volume" else one


# ---- checks and helpers -----------------------------------------------------------------------------------


def _names(amounts: Any) -> list[str]:
    return list(amounts.index if amounts.ndim == 1 else amounts.columns)


def _name_of(amounts: Any) -> Any:
    """Return what `rename` needs to give a Series its name back; nothing changes in a frame."""
    return amounts.name if amounts.ndim == 1 else {}


def _total(table: Any) -> Any:
    return float(table.sum()) if table.ndim == 1 else table.sum(axis=1)


def _shares(table: Any) -> Any:
    return table.div(_total(table), axis=0)


def _wrong(place: str, value: Any, expected: str, repair: str = "") -> Problem:
    return Problem(column=place, value=value, expected=expected, repair=repair)


def _which(table: Any, rows: np.ndarray) -> str:
    if table.ndim == 1:
        return "The formula" if table.name is None else f"Formula {table.name!r}"
    return f"Formula {table.index[np.flatnonzero(rows)[0]]!r}"


def _checked(amounts: Any) -> Any:
    """Return amounts as floats, or name every amount that no formula can have."""
    if not isinstance(amounts, (pd.Series, pd.DataFrame)):
        raise RecipeError(f"A formula is a Series or a DataFrame, not a {type(amounts).__name__}.")
    names = _names(amounts)
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
    empty = np.atleast_1d(_total(table)) <= 0
    if empty.any():
        raise RecipeError(f"{_which(table, empty)} sums to 0. Give at least one amount above 0.")
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
        problems.append(_wrong(place, value, "a finite amount, not negative", repair))
    return problems


def _densities(amounts: Any, densities: ByName) -> pd.Series:
    return _of_each(amounts, densities, "density", "g/cm3", above_zero=True)


def _of_each(amounts: Any, values: ByName, what: str, unit: str, *, above_zero: bool = False) -> pd.Series:
    """Return the value of each ingredient in the order of the formula, or name all that lack one."""
    names, known = _names(amounts), dict(values)
    expected = f"a {what} {'above 0' if above_zero else 'of 0 or more'} in {unit}"
    found = pd.Series({name: known.get(name) for name in names}, dtype=object)
    column = pd.to_numeric(found, errors="coerce")
    fine = np.isfinite(column) & ((column > 0) if above_zero else (column >= 0))
    if not fine.all():
        lacking = found[~fine.to_numpy()]
        raise RecipeError([_wrong(f"{what} of '{name}'", value, expected) for name, value in lacking.items()])
    return column.astype(float)


def _present(table: Any, given: Mapping[str, str]) -> None:
    names = _names(table)
    absent = [_wrong(role, name, f"one of {names}") for role, name in given.items() if name not in names]
    if absent:
        raise RecipeError(absent)


def _content_table(materials: list[str], contains: Contains) -> pd.DataFrame:
    """Return mass fractions with materials as rows and the substances that stay in the batch as columns."""
    problems = [
        _wrong(f"contains of '{name}'", dict(parts), "mass fractions of 0 or more that sum to 1")
        for name, parts in contains.items()
        if any(not f >= 0 for f in parts.values()) or abs(sum(parts.values()) - 1.0) > 1e-6
    ]
    if problems:
        raise RecipeError(problems)
    rows: dict[str, dict[str, float]] = {}
    for name in materials:
        parts = contains.get(name, {name: 1.0})
        rows[name] = {_in_batch(name, part): float(f) for part, f in parts.items() if part != "water"}
    columns = list(dict.fromkeys(part for row in rows.values() for part in row))
    return pd.DataFrame.from_dict(rows, orient="index").reindex(columns=columns).fillna(0.0)


def _in_batch(material: str, part: str) -> str:
    return f"{material}_carrier" if part == "carrier" else part


def _decider(material: str, parts: Mapping[str, float], names: list[str]) -> str:
    """Return the substance that fixes how much of a material is weighed."""
    carrier = f"{material}_carrier"
    if material in parts and material in names:
        return material
    if "carrier" in parts and carrier in names:
        return carrier
    listed = [part for part in parts if part not in ("carrier", "water")]
    if not listed or listed[0] not in names:
        wanted = " or ".join(f"'{name}'" for name in [*listed[:1], carrier])
        raise RecipeError(f"Nothing says how much '{material}' to weigh; the formula has no {wanted}.")
    return listed[0]


def _one_material_each(deciders: Mapping[str, str]) -> None:
    for substance in deciders.values():
        rivals = [name for name, decides in deciders.items() if decides == substance]
        if len(rivals) > 1:
            raise RecipeError(
                f"'{substance}' comes with {rivals}, so it does not say how much of each to weigh. "
                "Give the carrier of each as a column, or keep one of them."
            )


def _not_overdrawn(table: Any, needed: Any, rest: Any) -> None:
    floor = -1e-9 * max(1.0, float(np.max(table.to_numpy())))
    short = [f"'{name}'" for name in _names(rest) if np.any(np.asarray(rest[name]) < floor)]
    short += [f"'{name}'" for name in _names(needed) if np.any(np.asarray(needed[name]) < floor)]
    if short:
        raise RecipeError(
            f"The materials bring more than the formula asks for: {', '.join(short)}. "
            "Ask for more of it, or take less of the material that brings it."
        )


def _empty(column: Any, table: Any) -> bool:
    return bool(np.all(np.abs(np.asarray(column)) <= 1e-9 * max(1.0, float(np.max(table.to_numpy())))))
