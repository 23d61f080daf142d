"""What a plan costs: batches, loads, kg of each material, money, mill and press hours."""

from __future__ import annotations

from math import ceil

import pandas as pd

from formlab.brief import Brief

__all__ = ["cost_of"]

FINALS_SHARE = (
    1 / 3
)  # of a mixing's mill time goes into the finals; an assumption, common practice, no source


def cost_of(
    brief: Brief, frame: pd.DataFrame, extra_batches: int = 0, extra_hours: float = 0.0, extra_kg: float = 0.0
) -> tuple[pd.Series, pd.DataFrame]:
    """Return a summary and the materials of a plan's frame.

    Parameters
    ----------
    extra_batches : int
        Warm-up and cleaning batches, of the first formula.
    extra_hours, extra_kg : float
        Changeovers; what cleaning takes is priced like the rest of the plan's material.

    Where the frame has no loads, as few are counted as hold all slabs, those of one load alike in its settings.

    Returns
    -------
    summary : Series
        batches, loads, slabs, kg, mill_h, press_h, money: NaN where the brief does not say.
    materials : DataFrame
        ingredient, kg, price, money.
    """
    plant = brief.plant
    formulas = frame.groupby("batch", sort=False)[brief.ingredient_names].first()
    batches, slabs = len(formulas), len(frame)
    if extra_batches:
        formulas = pd.concat([formulas, *[formulas.iloc[:1]] * extra_batches])
    kg = plant.batch_kg if plant.batch_kg is not None else float("nan")
    totals = formulas.sum(axis=1)
    shares = formulas.div(totals, axis=0) if brief.ingredient_names else formulas
    used = (shares * kg).sum()
    used *= 1 + extra_kg / max(float(used.sum()), 1e-300)
    price = pd.Series({p.name: p.price for p in brief.ingredients}, dtype=float)
    materials = pd.DataFrame({"kg": used, "price": price.reindex(used.index)})
    materials["money"] = materials["kg"] * materials["price"]
    per_load = plant.slabs_per_load or slabs
    loads = frame["load"].nunique() if "load" in frame else _least_loads(brief, frame, per_load)
    mill = _mill_hours(brief, frame, len(formulas)) + extra_hours
    press = loads * plant.press_h if plant.press_h is not None else float("nan")
    money = float(materials["money"].sum(skipna=False)) if len(materials) else 0.0
    if plant.rate_per_h is not None:
        money += plant.rate_per_h * (mill + press)
    summary = pd.Series(
        {
            "batches": batches + extra_batches,
            "loads": loads,
            "slabs": slabs,
            "kg": kg * len(formulas) + extra_kg,
            "mill_h": mill,
            "press_h": press,
            "money": money,
        },
        name="cost",
        dtype=float,
    )
    return summary, materials.rename_axis("ingredient").reset_index()


def _least_loads(brief: Brief, frame: pd.DataFrame, per_load: int) -> int:
    shared = [s.name for s in brief.settings if s.changes == "load"]
    alike = frame.groupby(shared, dropna=False).size() if shared else [len(frame)]
    return sum(ceil(count / per_load) for count in alike)


def _mill_hours(brief: Brief, frame: pd.DataFrame, batches: int) -> float:
    """Mill time; where base mixings are split, a base takes what is left of a mixing without its finals."""
    hours = brief.plant.mill_h
    if hours is None:
        return float("nan")
    if "base" not in frame:
        return batches * hours
    bases = frame["base"].fillna(frame["batch"]).nunique()  # a batch without a base is mixed whole
    return bases * hours * (1 - FINALS_SHARE) + batches * hours * FINALS_SHARE
