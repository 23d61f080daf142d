"""Trials to make: plan rows whose names go on from the trials so far, and what batches cost."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import SuggestError

__all__ = ["money_of", "one_row", "plan_rows", "trial_cost"]


def one_row(brief: Brief, formula: Any) -> pd.DataFrame:
    """Return a suggestion, or one formula in any form, as one complete row."""
    frame = formula.frame if hasattr(formula, "frame") else formula
    full = brief.complete(frame)
    if len(full) != 1:
        raise SuggestError(
            f"One formula is expected; it was given {len(full)}. Pass one row: frame.iloc[[0]]."
        )
    return full.reset_index(drop=True)


def plan_rows(
    brief: Brief, chosen: pd.DataFrame, slabs: int, trials: pd.DataFrame, loads: Sequence[int]
) -> pd.DataFrame:
    """Return chosen formulas, `slabs` rows a batch, as plan rows whose names go on from the trials so far."""
    from formlab.plans.extend import next_labels

    def labels(column: str, letter: str, units: Sequence[int]) -> list[str]:
        taken = trials[column] if column in trials else pd.Series([], dtype=object)
        return next_labels(taken, pd.Series(units).astype(str), letter)

    count = len(chosen)
    if "trial" not in trials:  # each row is a trial
        trials = trials.assign(trial=[f"T{k + 1:02d}" for k in range(len(trials))])
    names = labels("trial", "T", range(count))
    last_run = (
        int(pd.to_numeric(trials["run_order"]).max()) if "run_order" in trials else int(names[0][1:]) - 1
    )
    out = pd.DataFrame(
        {
            "trial": names,
            "batch": labels("batch", "B", [k // slabs for k in range(count)]),
            "run_order": np.arange(last_run + 1, last_run + 1 + count),
            "round": (int(trials["round"].max()) if "round" in trials else 1) + 1,
            "brief_id": brief.brief_id,
        }
    )
    if "load" in trials or any(s.changes == "load" for s in brief.settings):
        out.insert(2, "load", labels("load", "L", loads))
    return out.join(brief.complete(chosen))


def money_of(plan: Any) -> float:
    """Return what the batches and loads of a plan cost, as `trial_cost` counts it; NaN where the plant does not say."""
    plant = plan.brief.plant
    if plant.mill_h is None or plant.rate_per_h is None:
        return float("nan")
    cost, material = plan.cost, plan.materials["money"].sum(skipna=False)
    hours = cost["mill_h"] + (0.0 if plant.press_h is None else cost["press_h"])
    return float(hours * plant.rate_per_h + (material if np.isfinite(material) else 0.0))


def trial_cost(brief: Brief, batches: int, frame: pd.DataFrame | None = None) -> float:
    """Return what trial batches cost, each with all its slabs: mill and press hours at the plant's rate, and the material (currency).

    Raises
    ------
    SuggestError
        If the brief's ``[plant]`` lacks mill_h or rate_per_h.
    """
    plant = brief.plant
    if plant.mill_h is None or plant.rate_per_h is None:
        raise SuggestError(
            "The cost of trials needs [plant] mill_h (h) and rate_per_h (currency per h); add them to the brief."
        )
    loads = ceil(batches * plant.slabs_per_batch / (plant.slabs_per_load or 1))
    hours = batches * plant.mill_h + loads * (plant.press_h or 0.0)
    material = 0.0
    if frame is not None and plant.batch_kg and brief.has_costs:
        material = batches * plant.batch_kg * float(brief.costs(frame)["per_kg"].mean())
    return hours * plant.rate_per_h + material
