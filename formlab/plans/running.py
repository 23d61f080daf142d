"""How the batches of a plan are run: in which order, what changeovers take, and what is thrown away to warm up."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
import pandas as pd

from formlab.errors import PlanError
from formlab.html import counted
from formlab.plans.ask import Ask, Made
from formlab.plans.order import (
    Changeovers,
    apart_in_loads,
    changeover_cost,
    colour_order,
    random_order,
    spread_evenly,
    trend_order,
)
from formlab.plans.structure import Structure

__all__ = ["Running"]

ORDERS = ("random", "trend", "colour")
DAY_H = 8.0  # of milling, where the brief does not say how many batches a day takes; an assumption


@dataclass
class Running:
    """Wishes about the run, as in `lay_out`.

    Raises
    ------
    PlanError
        If the order is unknown, one by colour lacks the colour, or there are fewer than no warm-up batches.
    """

    order: str = "random"
    colour: str | None = None
    changeovers: pd.DataFrame | None = None
    warm_up: int = 0

    def __post_init__(self) -> None:
        if self.order not in ORDERS:
            raise PlanError(f"order = {self.order!r}; use one of {', '.join(ORDERS)}.")
        if self.order == "colour" and self.colour is None:
            raise PlanError(
                "order = 'colour' needs colour: name the setting or ingredient whose changes need cleaning."
            )
        if self.warm_up < 0:
            raise PlanError(f"warm_up = {self.warm_up}; give at least 0.")

    def arranged(self, ask: Ask, made: Made) -> tuple[np.ndarray, dict[str, float]]:
        """Return rows in run order, and the batches, hours and kg that running them so takes beside the trials.

        What must be known of either goes into the notes.
        """
        warming = self._warming(ask, made.structure)
        rows, minutes, kg = self._ordered(ask, made)
        ask.notes += _waiting(ask, apart_in_loads(made.structure, rows), len(made.structure.rows("batch")))
        return rows, {"batches": float(warming), "hours": minutes / 60, "kg": kg}

    def _warming(self, ask: Ask, structure: Structure) -> int:
        days = len(structure.rows("day")) if "day" in structure.groups else 0
        total = self.warm_up * max(days, 1)
        if total:
            when = (
                f", {self.warm_up} before the first batch of each day," if days else " before the first batch"
            )
            ask.notes.append(
                f"{counted(total, 'warm-up batch')}{when} count{'s' if total == 1 else ''} in the cost."
            )
        return total

    def _ordered(self, ask: Ask, made: Made) -> tuple[np.ndarray, float, float]:
        """Rows in the order asked for; minutes and kg of its changeovers."""
        rng = np.random.default_rng([ask.seed, 1])
        structure = made.structure
        if self.order == "colour":
            names = ask.region.categories.get(str(self.colour), [])
            rows, notes, minutes, kg = colour_order(structure, made.frame, self._cleaning, rng, names)
            ask.notes += notes
            return rows, minutes, kg
        if self.order == "trend":
            basis = ask.basis
            rows, largest = trend_order(structure, basis.raw(basis.points(made.frame)), rng)
            ask.notes.append(
                "Run order nearly free of time trends: no model column has a correlation above "
                f"{ceil(100 * largest) / 100:.2f} with a linear or quadratic one."
            )
        else:
            rows = random_order(structure, rng)
        loose = [k for k, role in enumerate(made.roles) if role == "control"]
        if loose and not {"day", "block", "base"} & set(structure.groups):
            rows = spread_evenly(structure, rows, structure.groups["batch"][loose].tolist())
        if self.colour is None or self.changeovers is None:
            return rows, 0.0, 0.0
        minutes, kg = changeover_cost(structure, made.frame, self._cleaning, rows)
        ask.notes.append(f"Changeovers of {self.colour} in this order take {minutes:g} min and {kg:g} kg.")
        return rows, minutes, kg

    @property
    def _cleaning(self) -> Changeovers:
        return Changeovers(str(self.colour), self.changeovers)


def _waiting(ask: Ask, apart: int, batches: int) -> list[str]:
    """A note if a load must wait more than a day of milling for its last batch."""
    plant = ask.brief.plant
    per_day = plant.batches_per_day or (DAY_H / plant.mill_h if plant.mill_h else None)
    if not per_day or apart <= per_day:
        return []
    advice = (
        f" A number of batches that is a multiple of {plant.slabs_per_load}, the slabs of a load, lets each load take neighbours."
        if plant.slabs_per_load and batches % plant.slabs_per_load
        else ""
    )
    return [
        f"A press load takes slabs of batches up to {apart} places apart in the run, about {apart / per_day:.2g} days of milling: "
        f"see that the compound may rest so long before it is pressed.{advice}"
    ]
