"""Recipe arithmetic: what materials contain, the weigh-up of a batch, and changes of a formula.

The shares, volumes, costs and phr of `formlab.amounts` are offered from here too, so that one name serves.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd

from formlab.amounts import (
    ByName,
    Formulas,
    checked,
    cost_per_kg,
    cost_per_litre,
    cost_per_piece,
    densities_of,
    density,
    from_phr,
    from_volume_fractions,
    mass_fractions,
    names_of,
    of_each,
    present,
    sum_of,
    to_phr,
    volume_fractions,
    volumes,
    wrong,
)
from formlab.errors import RecipeError

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
    "without_traces",
]

Contains: TypeAlias = Mapping[str, Mapping[str, float]]
Hold: TypeAlias = Literal["volume", "mass", "density", "cost", "cost_per_litre"]


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
    table = checked(weighed)
    shares = _content_table(names_of(table), contains)
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
    table = checked(substances)
    materials = list(contains)
    shares = _content_table(materials, contains)
    deciders = {name: _decider(name, contains[name], names_of(table)) for name in materials}
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
    rest = table - (needed @ shares).reindex(names_of(table), axis=table.ndim - 1).fillna(0.0)
    _not_overdrawn(table, needed, rest)
    parts = {decides: name for name, decides in deciders.items()}
    pure = [n for n in names_of(rest) if n not in parts and not (n in shares and _empty(rest[n], table))]
    order = [parts.get(name, name) for name in names_of(table) if name in parts or name in pure]
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
    table, names = checked(amounts), names_of(amounts)
    shares = dict(shares)
    problems = [
        wrong(f"share of '{name}'", share, "a mass fraction, 0 to 1")
        if name in names
        else wrong(f"share of '{name}'", None, f"one of the ingredients {names}")
        for name, share in shares.items()
        if name not in names or not 0 <= share <= 1
    ]
    if problems:
        raise RecipeError(problems)
    return sum_of(table * pd.Series({name: float(shares.get(name, 0.0)) for name in names}))


def _content_table(materials: list[str], contains: Contains) -> pd.DataFrame:
    """Return mass fractions with materials as rows and the substances that stay in the batch as columns."""
    problems = [
        wrong(f"contains of '{name}'", dict(parts), "mass fractions of 0 or more that sum to 1")
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
        raise RecipeError(
            f"Nothing says how much '{material}' to weigh; the formula has no {wanted}. Add it."
        )
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
    short = [f"'{name}'" for name in names_of(rest) if np.any(np.asarray(rest[name]) < floor)]
    short += [f"'{name}'" for name in names_of(needed) if np.any(np.asarray(needed[name]) < floor)]
    if short:
        raise RecipeError(
            f"The materials bring more than the formula asks for: {', '.join(short)}. "
            "Ask for more of it, or take less of the material that brings it."
        )


def _empty(column: Any, table: Any) -> bool:
    return bool(np.all(np.abs(np.asarray(column)) <= 1e-9 * max(1.0, float(np.max(table.to_numpy())))))


def _name_of(amounts: Any) -> Any:
    """Return what `rename` needs to give a Series its name back; nothing changes in a frame."""
    return amounts.name if amounts.ndim == 1 else {}


# ---- weigh-up ---------------------------------------------------------------------------------------------


def without_traces(amounts: pd.Series) -> pd.Series:
    """Return the amounts of one formula that are there: less than a billionth of it is arithmetic, and nobody weighs it."""
    return amounts[amounts > 1e-9 * amounts.sum()]


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
        raise RecipeError(
            f"Give weigh_up one formula as a Series, not a {type(amounts).__name__}: frame.loc[name]."
        )
    planned = 1000.0 * from_phr(amounts, _batch_kg(amounts, batch_kg, litres, densities))
    steps = resolution_g if isinstance(resolution_g, Mapping) else dict.fromkeys(amounts.index, resolution_g)
    step = of_each(amounts, steps, "resolution", "g", above_zero=True)
    weighed = (planned / step).round() * step
    lost = planned.index[(planned > 0) & (weighed <= 0)]
    if len(lost):
        repair = "Make a larger batch, use a finer scale or weigh it as a masterbatch."
        raise RecipeError(
            [wrong(name, f"{planned[name]:.4g} g", f"{step[name] / 2:g} g or more", repair) for name in lost]
        )
    error = (100.0 * (weighed - planned)).div(planned.where(planned > 0, np.inf))
    columns = {
        "amount": amounts.astype(float),
        "planned_g": planned,
        "weighed_g": weighed,
        "rounding_error_percent": error,
        "resolution_g": step,
        "within_limit": error.abs() <= limit_percent,
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
    table = checked(amounts)
    present(table, {"ingredient": ingredient, "by": by})
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
    return checked(moved)


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
        raise RecipeError([wrong("by", by, "phr, mass or volume")])
    before = checked(amounts)
    present(before, {"out": out})
    if out == into or not 0 <= amount <= before[out]:
        raise RecipeError(
            f"A swap takes {amount:g} of '{out}' for '{into}'; the formula has {before[out]:g} of '{out}'. "
            "Take no more than it has, and exchange it for another ingredient."
        )
    before = before if into in before.index else pd.concat([before, pd.Series({into: 0.0})])
    after = before.copy()
    known = densities_of(before, densities)
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
        raise RecipeError([wrong("hold", hold, f"one of {', '.join(need)}")])
    if ("d" in need[hold] and densities is None) or ("p" in need[hold] and prices is None):
        wanted = ["densities"] * ("d" in need[hold]) + ["prices"] * ("p" in need[hold])
        raise RecipeError(f"Holding the {hold} needs {' and '.join(wanted)}. Give them by ingredient.")
    one = table * 0.0 + 1.0
    specific = one / densities_of(table, densities) if densities is not None else one
    price = one * of_each(table, prices, "price", "currency/kg") if prices is not None else one
    mass, volume, cost = sum_of(table), sum_of(table * specific), sum_of(table * price)
    if hold == "density":
        return one - specific.mul(mass / volume, axis=0)
    if hold == "cost":
        return price.sub(cost / mass, axis=0)
    if hold == "cost_per_litre":
        return price - specific.mul(cost / volume, axis=0)
    return specific if hold == "volume" else one
