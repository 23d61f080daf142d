"""Robustness: what weighing, lots and prices do to a formula, and how far all may stray together."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import SuggestError
from formlab.suggest.conformance import chance_of_all
from formlab.suggest.making import one_row

__all__ = ["cost_scenarios", "operating_window", "strayed_conformance"]

CORNERS = 256


def _strayed(brief: Brief, row: pd.DataFrame, moves: pd.DataFrame) -> pd.DataFrame:
    """Formulas that are off by `moves` (basis unit); what must sum to a total is brought back to it.

    A batch that holds too much of one line holds less of all others: the total is a matter of arithmetic.
    """
    out = row.loc[row.index.repeat(len(moves))].reset_index(drop=True)
    for name in moves:
        out[name] = np.maximum(out[name].to_numpy(float) + moves[name].to_numpy(float), 0.0 if name in
                               brief.ingredient_names else -np.inf)  # fmt: skip
    if brief.basis == "fraction":
        names, total = brief.ingredient_names, brief.total
    elif brief.rubbers:
        names, total = brief.rubbers, 100.0
    else:
        return out
    factor = total / out[names].sum(axis=1).to_numpy()
    scaled = brief.ingredient_names  # phr is taken on the rubber really weighed
    out[scaled] = out[scaled].to_numpy(float) * factor[:, None]
    return out


def strayed_conformance(
    brief: Brief,
    surfaces: Any,
    formula: Any,
    sds: Mapping[str, float] | None = None,
    *,
    lots: Mapping[str, Mapping[str, float]] | None = None,
    of: str = "true_mean",
    draws: int = 1000,
    batches: int = 200,
    seed: int | None = None,
) -> pd.Series:
    """Return the conformance of a formula that is weighed, or whose lots are, with errors.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
    formula : Suggestion, Series, mapping or one-row DataFrame
    sds : mapping of str to float, optional
        Standard deviation of what goes into the batch, by ingredient (basis unit) or setting (its unit).
    lots : mapping of str to mapping of str to float, optional
        By ingredient, how its lots differ. ``active`` and ``density``: relative standard deviations of active
        content, and of density, where a lighter lot fills more and acts as more. A response: the standard
        deviation (its unit) of what lots do to it by what no amount stands for, such as viscosity; it is known from
        batches of several lots. Every batch has lots of its own.
    of : {"true_mean", "new_batch", "accepted"}
    draws, batches : int
        Joint draws, and how many strayed batches.
    seed : int, optional

    Returns
    -------
    Series
        as_planned, strayed (averaged over batches), worst_tenth (the tenth percentile over batches).

    Raises
    ------
    SuggestError
        If a name is no ingredient, setting or response, or nothing strays.
    """
    sds, lots = sds or {}, lots or {}
    if not sds and not lots:
        raise SuggestError(
            "Nothing strays: give sds, such as {'oil': 0.2} for a standard deviation of 0.2 of what is weighed, or lots, such as "
            "{'factice': {'active': 0.03}}."
        )
    _check_strays(brief, sds, lots)
    rng = np.random.default_rng(seed)
    row = one_row(brief, formula)
    moves = pd.DataFrame(
        {name: sd * rng.standard_normal(batches) for name, sd in sds.items()}, range(batches)
    )
    shifts = np.zeros((batches, len(brief.responses)))
    for name, differs in lots.items():
        acts = 1 + differs.get("active", 0.0) * rng.standard_normal(batches)
        acts /= np.maximum(1 + differs.get("density", 0.0) * rng.standard_normal(batches), 0.1)
        moves[name] = moves.get(name, 0.0) + row[name].iloc[0] * (acts - 1)
        for k, response in enumerate(brief.response_names):
            shifts[:, k] += differs.get(response, 0.0) * rng.standard_normal(batches)
    frame = pd.concat([row, _strayed(brief, row, moves)], ignore_index=True)
    drawn = surfaces.draw(draws, seed=int(rng.integers(2**31)))
    p = chance_of_all(brief, drawn, frame, of, shifts=np.vstack([0 * shifts[:1], shifts]))
    return pd.Series(
        {"as_planned": p[0], "strayed": p[1:].mean(), "worst_tenth": np.quantile(p[1:], 0.1)}, name=of
    )


def _check_strays(brief: Brief, sds: Mapping[str, float], lots: Mapping[str, Mapping[str, float]]) -> None:
    unknown = [n for n in sds if n not in brief.columns or n not in brief.ranges]
    if unknown:
        raise SuggestError(
            f"{unknown[0]!r} is no ingredient or numeric setting; choose among {list(brief.ranges)}."
        )
    allowed = ["active", "density", *brief.response_names]
    for name, differs in lots.items():
        if name not in brief.ingredient_names:
            raise SuggestError(f"lots: {name!r} is no ingredient; choose among {brief.ingredient_names}.")
        wrong = [key for key in differs if key not in allowed]
        if wrong:
            raise SuggestError(f"lots of {name}: {wrong[0]!r} is not known; give any of {allowed}.")


def operating_window(
    brief: Brief,
    surfaces: Any,
    formula: Any,
    *,
    confidence: float = 0.80,
    of: str = "true_mean",
    tolerances: Mapping[str, float] | None = None,
    draws: int = 1000,
    seed: int | None = None,
) -> pd.DataFrame:
    """Return how far all varied ingredients and settings may stray together.

    The window is a box about the formula with sides in proportion to `tolerances`; it is made as large as
    possible while conformance stays at `confidence` at every corner tried (all of them up to 8 factors, 256 at
    random beyond) and at as many points inside. It ends where a range does: nothing is known beyond.

    Parameters
    ----------
    tolerances : mapping of str to float, optional
        Half-widths in proportion to each other; a twentieth of each range where left out.
    confidence : float
        Required at the edge of the window; below that of the formula itself.

    Returns
    -------
    DataFrame
        Index: factor; columns unit, low, nominal, high, plus_minus (before the window ends at a range), remark: where it ends
        at a range, or that the formula itself falls short, and all widths are zero. Amounts that have to sum to a total are
        brought back to it.
    """
    row = one_row(brief, formula)
    names = [n for n in [*brief.varied, *brief.setting_names] if n in brief.ranges]
    half = {n: (brief.ranges[n][1] - brief.ranges[n][0]) / 20 for n in names} | dict(tolerances or {})
    rng = np.random.default_rng(seed)
    drawn = surfaces.draw(draws, seed=int(rng.integers(2**31)))
    if 2 ** len(names) <= CORNERS:
        corners = np.array(list(product([-1.0, 1.0], repeat=len(names))))
    else:
        corners = rng.choice([-1.0, 1.0], size=(CORNERS, len(names)))
    unit = np.vstack([corners, rng.uniform(-1, 1, size=corners.shape), np.zeros((1, len(names)))])
    widths = np.array([half[n] for n in names])
    nominal = row[names].iloc[0].to_numpy(float)
    ends = np.array([brief.ranges[n] for n in names]).T
    least, most = np.minimum(ends[0] - nominal, 0.0), np.maximum(ends[1] - nominal, 0.0)

    def holds(size: float) -> bool:
        moves = np.clip(size * unit * widths, least, most)
        frame = _strayed(brief, row, pd.DataFrame(moves, columns=names))
        return bool((chance_of_all(brief, drawn, frame, of) >= confidence).all())

    low, high = 0.0, 1.0
    own = float(np.ravel(chance_of_all(brief, drawn, row, of))[0])
    if holds(0.0):
        while holds(high) and high < 64:
            low, high = high, 2 * high
        for _ in range(12):
            middle = (low + high) / 2
            low, high = (middle, high) if holds(middle) else (low, middle)
    ended = np.stack([low * widths > -least, low * widths > most])
    remarks = [" and ".join(end for end, met in zip(("low", "high"), both) if met) for both in ended.T]
    short = f"the formula itself reaches {own:.2f} of {confidence:.2f}"
    return pd.DataFrame(
        {
            "unit": [brief.unit(n) for n in names],
            "low": nominal + np.maximum(-low * widths, least),
            "nominal": nominal,
            "high": nominal + np.minimum(low * widths, most),
            "plus_minus": low * widths,
            "remark": [
                (f"{ends} where its range ends" if ends else "") if low > 0 else short for ends in remarks
            ],
        },
        index=pd.Index(names, name="factor"),
    )


def cost_scenarios(brief: Brief, formulas: pd.DataFrame, prices: pd.DataFrame) -> pd.DataFrame:
    """Return the costs of formulas under each price scenario, long form: formula, scenario, per_kg, per_litre, …

    `prices` is indexed by ingredient with one column a scenario (currency per kg); a missing price is the brief's.

    Raises
    ------
    SuggestError
        If `prices` has a line for something that is no ingredient.
    """
    unknown = [name for name in prices.index if name not in brief.ingredient_names]
    if unknown:
        raise SuggestError(
            f"prices has a line for {unknown[0]!r}, which is no ingredient of the brief. Use a table indexed by ingredient, such as "
            f"series.prices(); its lines are among {brief.ingredient_names}."
        )
    frames = []
    for scenario in ["brief", *prices.columns]:
        given = {} if scenario == "brief" else prices[scenario].dropna().to_dict()
        costs = brief.costs(formulas, given)
        costs.insert(0, "scenario", scenario)
        costs.insert(0, "formula", formulas.index)
        frames.append(costs)
    return pd.concat(frames, ignore_index=True)
