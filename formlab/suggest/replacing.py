"""A cheaper ingredient for a dear one: how much can be replaced, what must change with it, what it saves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import SuggestError
from formlab.html import Markup, escape, fold, number, panel, table
from formlab.progress import along
from formlab.region import Region
from formlab.suggest.question import Question
from formlab.suggest.seek import FINAL_DRAWS, SEARCH_DRAWS, search_until

__all__ = ["Replacement", "replace_ingredient", "trial_cost"]


@dataclass(frozen=True)
class Replacement:
    """What replacing an ingredient step by step would do.

    Attributes
    ----------
    table : DataFrame
        One row a share: at_least (the share of today's amount that had to go), gone (the share that does), reached,
        conformance, cost per kg, litre and piece, saving per kg, per
        piece and per year against today, and the whole formula.
    verdict : str
    notes : list of str
    """

    out: str
    into: str
    table: pd.DataFrame
    verdict: str
    notes: list[str]

    def __str__(self) -> str:
        text = self.table.to_string(index=False, float_format=lambda v: number(v, 4))
        return "\n".join([self.verdict, "", text, "", *self.notes])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        first = [
            "at_least",
            "gone",
            "reached",
            "conformance",
            "per_piece",
            "saving_per_piece",
            "saving_per_year",
        ]
        rest = [name for name in self.table if name not in first or name == "at_least"]
        return panel(
            f"{self.into} for {self.out}",
            self.verdict,
            table(self.table[[n for n in first if n in self.table]].rename(columns=_in_words), rows=20),
            fold("Formulas and all costs", table(self.table[rest].rename(columns=_in_words), rows=20)),
            *(Markup(f"<p>{escape(note)}</p>") for note in self.notes),
        )


def _in_words(column: str) -> str:
    """Head of a column for people; ingredients and settings keep their names."""
    heads = {"at_least": "share that had to go", "gone": "share that goes", "reached": "confidence reached"}
    if column.startswith(("per_", "saving_per_")):
        return f"{'cost ' if column.startswith('per_') else ''}{column.replace('_', ' ')}"
    return heads.get(column, column)


def trial_cost(brief: Brief, batches: int, frame: pd.DataFrame | None = None) -> float:
    """Return what trial batches cost: mill and press hours at the plant's rate, and the material (currency).

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
    loads = batches * plant.slabs_per_batch / (plant.slabs_per_load or 1)
    hours = batches * plant.mill_h + loads * (plant.press_h or 0.0)
    material = 0.0
    if frame is not None and plant.batch_kg and brief.has_costs:
        material = batches * plant.batch_kg * float(brief.costs(frame)["per_kg"].mean())
    return hours * plant.rate_per_h + material


def replace_ingredient(
    brief: Brief,
    surfaces: Any,
    out: str,
    into: str,
    *,
    shares: Sequence[float] = (0.0, 0.25, 0.5, 0.75, 1.0),
    confidence: float = 0.90,
    of: str = "true_mean",
    prices: Mapping[str, float] | None = None,
    seed: int | None = None,
    progress: bool | None = None,
) -> Replacement:
    """Return the cheapest formula at each share of today's `out` that is replaced, everything else free to follow.

    Parameters
    ----------
    brief : Brief
        With ``[current]``, prices and densities.
    surfaces : Surfaces
        Fitted to old and bridging trials together.
    out, into : str
        The ingredient to be replaced and the one that may take its place.
    shares : sequence of float
        Shares of today's amount of `out` that must be gone, 0 to 1.
    confidence, of, prices, seed, progress
        As in `suggest`.

    Returns
    -------
    Replacement
        One line a share: whether the confidence is reached, costs, savings against today, and the formula.

    Raises
    ------
    SuggestError
        If there is no current formula, or it holds none of `out`.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
    >>> steps = replace_ingredient(series.brief, surfaces, "silica", "kaolin", shares=(0.25,), seed=1)
    >>> bool(steps.table["reached"].iloc[0])
    True
    """
    today = brief.baseline
    for name in (out, into):
        if name not in brief.ingredient_names:
            raise SuggestError(
                f"{name!r} is not an ingredient of the brief; choose among {brief.ingredient_names}."
            )
    if today is None or float(today[out].iloc[0]) <= 0:
        raise SuggestError(
            f"Replacing {out!r} needs a [current] formula that holds some of it; add it to the brief."
        )
    held = float(today[out].iloc[0])
    seeds = [int(v) for v in np.random.SeedSequence(seed).generate_state(3)]
    draws, final = surfaces.draw(SEARCH_DRAWS, seed=seeds[0]), surfaces.draw(FINAL_DRAWS, seed=seeds[1])
    goal = ("minimise", "cost_per_piece" if brief.piece else "cost_per_litre")
    base = brief.costs(today, prices).iloc[0]
    lines, notes = [], []
    for share in along(shares, "replacing", progress, [f"{100 * share:.0f} %" for share in shares]):
        part = _with_most(brief, out, (1 - share) * held)
        region = Region.from_brief(part)
        if region.is_empty:
            notes.append(
                f"{100 * share:.0f} % cannot be replaced inside the region: {'; '.join(region.why_empty())}."
            )
            continue
        question = Question(brief, surfaces, draws, goal, confidence, of, prices=prices, seed=seeds[2])
        found, figures, _ = search_until(question, region, final, seeds[2])
        best = found.formulas.head(1)
        p, error = getattr(figures, of), figures.error(of)
        line = {
            "at_least": share,
            "gone": 1 - float(best[out].iloc[0]) / held,
            "reached": p >= confidence - 2 * error,
        }
        lines.append(line | _line(brief, best, base, p, prices))
    frame = pd.DataFrame(lines)
    return Replacement(out, into, frame, _verdict(brief, out, into, frame, confidence), notes)


def _with_most(brief: Brief, name: str, most: float) -> Brief:
    """The same brief with an ingredient held at or below an amount."""
    data = brief.model_dump(by_alias=True, exclude_none=True)
    for line in data["ingredient"]:
        if line["name"] == name:
            line["high"] = max(min(line["high"], most), line["low"])
    return Brief(**data)


def _line(brief: Brief, best: pd.DataFrame, base: pd.Series, p: float, prices: Any) -> dict[str, Any]:
    cost = brief.costs(best, prices).iloc[0]
    line: dict[str, Any] = {"conformance": p, **cost.to_dict()}
    for name in cost.index:
        line[f"saving_{name}"] = float(base[name] - cost[name])
    if brief.piece is not None and brief.piece.per_year:
        line["saving_per_year"] = line["saving_per_piece"] * brief.piece.per_year
    line.update(best.iloc[0][[*brief.varied, *brief.setting_names]].to_dict())
    return line


def _verdict(brief: Brief, out: str, into: str, frame: pd.DataFrame, confidence: float) -> str:
    good = frame[frame["reached"]] if len(frame) else frame
    if not len(good):
        return (
            f"With what is known now no share of {out} can be replaced by {into} at probability {confidence:.2f}. "
            "The next trials are what would tell."
        )
    key = "saving_per_year" if "saving_per_year" in good else "saving_per_litre"
    best = good.loc[good[key].idxmax()]
    worth = f"{number(best[key], 4)} {brief.currency} {key.removeprefix('saving_').replace('_', ' ')}"
    return (
        f"{100 * best['gone']:.0f} % of {out} can go, with {number(best[into], 3)} {brief.amount_unit} of {into}: "
        f"saves {worth} against today, at probability {best['conformance']:.2f} that all targets are met."
    )
