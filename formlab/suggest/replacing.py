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
from formlab.suggest.making import money_of
from formlab.suggest.next import chosen_trials
from formlab.suggest.posterior import few, trials_of
from formlab.suggest.question import Question, usual_cost
from formlab.suggest.seek import FINAL_DRAWS, SEARCH_DRAWS, search_until
from formlab.terms import ModelSpace

__all__ = ["Replacement", "replace_ingredient"]


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
        What must change with it, and what the trials that would make sure cost against the saving.
    trials : Plan or None
        Those trials, of the share that saves most or, where none is sure enough, of the smallest; None where no share is
        possible.
    trials_cost : float
        In the brief's currency; NaN where its ``[plant]`` does not say what an hour costs.
    brief : Brief
    """

    out: str
    into: str
    brief: Brief
    table: pd.DataFrame
    verdict: str
    notes: list[str]
    trials: Any = None
    trials_cost: float = float("nan")

    def __str__(self) -> str:
        shown = self.table.rename(columns=self._head)
        text = shown.to_string(index=False, float_format=lambda v: number(v, 4))
        made = [] if self.trials is None else ["", self._made.to_string(index=False)]
        return "\n".join([self.verdict, "", text, "", *self.notes, *made])

    __repr__ = __str__

    def _head(self, column: str) -> str:
        heads = {
            "at_least": "share that had to go",
            "gone": "share that goes",
            "reached": "confidence reached",
        }
        return heads.get(column) or self.brief.head(column)

    @property
    def _made(self) -> pd.DataFrame:
        return self.trials.told_apart.round(2)

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
            table(self.table[[n for n in first if n in self.table]].rename(columns=self._head), rows=20),
            fold("Formulas and all costs", table(self.table[rest].rename(columns=self._head), rows=20)),
            *(Markup(f"<p>{escape(note)}</p>") for note in self.notes),
            *(
                []
                if self.trials is None
                else [fold("The trials that would make sure", table(self._made, rows=20))]
            ),
        )


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
    batches: int = 4,
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
    batches : int
        How many batches the trials that would make sure may take; 0 for none.

    Returns
    -------
    Replacement
        One line a share: whether the confidence is reached, costs, savings against today, and the formula; and the
        trials that would make sure, chosen among formulas that replace as much (`next_trials`).

    Raises
    ------
    SuggestError
        If there is no current formula, it holds none of `out`, or `out` and `into` are not two ingredients that vary.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
    >>> steps = replace_ingredient(series.brief, surfaces, "silica", "kaolin", shares=(0.25,), seed=1)
    >>> bool(steps.table["reached"].iloc[0])
    True
    """
    from formlab.plans import Plan

    today = brief.baseline
    for name in (out, into):
        if name not in brief.ingredient_names:
            raise SuggestError(
                f"{name!r} is not an ingredient of the brief; choose among {brief.ingredient_names}."
            )
        if name not in brief.varied:
            raise SuggestError(f"{name!r} is fixed in the brief; give it a range from low to high first.")
    if out == into:
        raise SuggestError(f"Replacing {out!r} by itself changes nothing; name two ingredients.")
    if today is None or float(today[out].iloc[0]) <= 0:
        raise SuggestError(
            f"Replacing {out!r} needs a [current] formula that holds some of it; add it to the brief."
        )
    held = float(today[out].iloc[0])
    seeds = [int(v) for v in np.random.SeedSequence(seed).generate_state(3)]
    draws, final = few(surfaces, SEARCH_DRAWS, seeds[0]), surfaces.draw(FINAL_DRAWS, seed=seeds[1])
    goal = ("minimise", usual_cost(brief))
    base = brief.costs(today, prices).iloc[0]
    lines: list[dict[str, Any]] = []
    notes: list[str] = []

    def cheapest(region: Region) -> dict[str, Any]:
        question = Question(brief, surfaces, draws, goal, confidence, of, prices=prices, seed=seeds[2])
        found, figures, _ = search_until(question, region, final, seeds[2])
        best = found.formulas.head(1)
        line = {"gone": 1 - float(best[out].iloc[0]) / held, "reached": figures.reaches(of, confidence)}
        return line | _line(brief, best, base, getattr(figures, of), prices)

    for share in along(shares, "replacing", progress, [f"{100 * share:.0f} %" for share in shares]):
        if lines and lines[-1]["reached"] and lines[-1]["at_least"] <= share <= lines[-1]["gone"]:
            lines.append(lines[-1] | {"at_least": share})  # the cheapest formula has gone so far already
            continue
        least = brief.ranges[out][0]
        if (1 - share) * held < least * (1 - 1e-9):
            notes.append(
                f"{100 * share:.0f} % cannot be replaced: the range of {out} ends at {number(least, 4)} {brief.amount_unit}, "
                f"which leaves {100 * max(1 - least / held, 0.0):.0f} % of today's amount to go. Lower its low in the brief to ask for more."
            )
            continue
        part = _with_most(brief, out, (1 - share) * held)
        region = Region.from_brief(part)
        if region.is_empty:
            notes.append(
                f"{100 * share:.0f} % cannot be replaced inside the region: {'; '.join(region.why_empty())}."
            )
            continue
        lines.append({"at_least": share, **cheapest(region)})
    frame = pd.DataFrame(lines)
    # what the other ingredient brings by itself shows beside the cheapest formula with no more of it than today
    without = None
    if len(frame) and frame["reached"].any():
        region = Region.from_brief(_with_most(brief, into, float(today[into].iloc[0])))
        without = None if region.is_empty else cheapest(region)
    verdict = _verdict(brief, out, into, frame, confidence, without)
    if not len(frame):
        return Replacement(out, into, brief, frame, verdict, notes)
    row = _decisive(frame)
    notes += _untold(brief, frame)
    notes.append(_changes(brief, today, row, out, into))
    if batches < 1:
        return Replacement(out, into, brief, frame, verdict, notes)
    part = _with_most(brief, out, (1 - row["at_least"]) * held)
    made = trials_of(surfaces)
    _, rows = chosen_trials(
        part, surfaces, pd.DataFrame() if made is None else made, batches, confidence=confidence, seed=seeds[2],
        progress=progress,
    )  # fmt: skip
    plan = Plan(brief, rows.assign(brief_id=brief.brief_id), ModelSpace(brief), kind="next", seed=seed)
    cost = money_of(plan)
    notes.append(_against_trials(brief, row, batches, cost, into, without))
    return Replacement(out, into, brief, frame, verdict, notes, plan, cost)


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


def _saving(frame: pd.DataFrame) -> str:
    """Column of the saving that decides: of a year where the brief knows how many pieces it has."""
    return "saving_per_year" if "saving_per_year" in frame else "saving_per_litre"


def _decisive(frame: pd.DataFrame) -> pd.Series:
    """The line that saves most among those sure enough, the last of equal ones, or the first that replaces anything."""
    good = frame[frame["reached"]].iloc[::-1]
    if len(good):
        return good.loc[good[_saving(good)].idxmax()]
    some = frame[frame["at_least"] > 0]
    return (some if len(some) else frame).iloc[0]


def _untold(brief: Brief, frame: pd.DataFrame) -> list[str]:
    """Shares that are neither sure enough nor as good as out of the question."""
    open_ = frame[~frame["reached"].astype(bool) & (frame["conformance"] >= 0.1)]
    key = _saving(frame)
    return [
        f"The data cannot tell about {100 * row['gone']:.0f} %: probability {row['conformance']:.2f}, and a saving of "
        f"{number(row[key], 4)} {brief.currency} {key.removeprefix('saving_').replace('_', ' ')} if it holds."
        for _, row in open_.iterrows()
    ]


def _changes(brief: Brief, today: pd.DataFrame, row: pd.Series, out: str, into: str) -> str:
    """What else is no longer as today: amounts and settings that move by 2 % of their range or more."""
    words = []
    for name in [*brief.varied, *brief.setting_names]:
        was, now = today[name].iloc[0], row[name]
        if name in (out, into) or was == now:
            continue
        if name not in brief.ranges:
            words.append(f"{name} from {was} to {now}")
        elif abs(now - was) >= 0.02 * (brief.ranges[name][1] - brief.ranges[name][0]):
            words.append(f"{name} from {was:.3g} to {now:.3g} {brief.unit(name)}".rstrip())
    share = f"With {100 * row['gone']:.0f} % of {out} gone"
    return f"{share} these change too: {', '.join(words)}." if words else f"{share} nothing else need change."


def _against_trials(
    brief: Brief, row: pd.Series, batches: int, cost: float, into: str, without: dict[str, Any] | None
) -> str:
    """What trials cost against the saving, and how soon they are earned back: that which needs the other ingredient."""
    sure = "would make surer" if row["reached"] else "would tell about"
    words = f"{batches} more batches {sure} {100 * row['gone']:.0f} %, which has probability {row['conformance']:.2f} now"
    if not np.isfinite(cost):
        return f"{words}; what they cost is not known: add [plant] mill_h and rate_per_h to the brief."
    words += f"; they cost {number(cost, 3)} {brief.currency}"
    year = row.get("saving_per_year", float("nan"))
    if not np.isfinite(year):
        return f"{words}. Add [piece] per_year to the brief to see how soon that is earned back."
    more, brings = year, ""
    if row["reached"] and without is not None and without["reached"]:
        more, brings = year - without["saving_per_year"], f" that {into} brings"
    if more <= 0:
        return f"{words}, and nothing would be saved{brings}."
    days = number(365 * cost / more, 2)
    return (
        f"{words}, as much as {days} days of a saving of {number(more, 4)} {brief.currency} per year{brings}."
    )


def _verdict(
    brief: Brief, out: str, into: str, frame: pd.DataFrame, confidence: float, without: dict[str, Any] | None
) -> str:
    good = frame[frame["reached"]] if len(frame) else frame
    if not len(good):
        return f"With what is known now no share of {out} can be replaced by {into} at probability {confidence:.2f}."
    key = _saving(good)
    best = good.loc[good[key].idxmax()]
    worth = f"{number(best[key], 4)} {brief.currency} {key.removeprefix('saving_').replace('_', ' ')}"
    return (
        f"{100 * best['gone']:.0f} % of {out} can go, with {number(best[into], 3)} {brief.amount_unit} of {into}: "
        f"saves {worth} against today, at probability {best['conformance']:.2f} that all targets are met."
        f"{_by_itself(brief, best, key, into, without)}"
    )


def _by_itself(brief: Brief, best: pd.Series, key: str, into: str, without: dict[str, Any] | None) -> str:
    """How much of a saving comes from the other ingredient, and how much from all other changes."""
    if without is None or not without["reached"]:
        return (
            f" Without {'more ' if float(best[into]) > 0 else ''}{into} than today no formula is sure enough."
        )
    more = float(best[key] - without[key])
    if more <= 0.01 * abs(best[key]):
        return f" With no more {into} than today as much is saved: the saving is that of the other changes."
    return (
        f" Of it {number(more, 4)} {brief.currency} come from {into}: with no more of it than today the cheapest formula saves "
        f"{number(float(without[key]), 4)}."
    )
