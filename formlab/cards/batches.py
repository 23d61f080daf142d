"""What goes on the cards, as numbers: batches with their lines, how much of each, and in which tub."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from formlab import recipe
from formlab.brief import Brief
from formlab.cards.site import Site
from formlab.errors import FormlabError, RecipeError
from formlab.mill import lab_batch, order_warnings, weighing_tolerances
from formlab.parts import Ingredient
from formlab.regrind import parent_formula

__all__ = [
    "CURATIVES",
    "Batch",
    "batch_size",
    "batches_of",
    "plan_table",
    "rounds_of",
    "rows_of_round",
    "tubs",
]

CURATIVES = ("curing agent", "accelerator")
# Where an ingredient goes in if the brief does not say; common practice, no source.
PLACES = {
    "rubber": 1, "activator": 2, "pigment": 2, "other": 2, "regrind": 3, "factice": 4, "filler": 5, "abrasive": 5,
    "oil": 5, "accelerator": 6, "curing agent": 7,
}  # fmt: skip


@dataclass(frozen=True)
class Batch:
    """One mixing: what to weigh, and what to know.

    `lines` has the columns ``name, title, role, order, amount, planned_g, weighed_g, step_g, tolerance_g, tubs``;
    `amount` is in `unit` (phr where there is a rubber). `litres` and `density` are None without densities.
    """

    batch: str
    code: str
    revision: str
    trials: tuple[str, ...]
    unit: str
    lines: pd.DataFrame
    left_out: tuple[str, ...]
    materials: tuple[Ingredient, ...]
    kg: float
    litres: float | None
    density: float | None
    settings: dict[str, str]
    notes: tuple[str, ...]

    @property
    def weighed_g(self) -> float:
        return float(self.lines["weighed_g"].sum())


def plan_table(brief: Brief, plan: Any) -> pd.DataFrame:
    """Return any plan, formula or suggestion as rows with trial, batch, brief_id, ingredients and settings.

    Trials and batches that have no name yet are called X01 and so on, so that no plan's own is taken for them.
    """
    given = plan.frame if hasattr(plan, "frame") else plan
    frame = (
        pd.DataFrame([dict(given)])
        if isinstance(given, (Mapping, pd.Series))
        else given.reset_index(drop=True)
    )
    full = brief.complete(frame)
    width = max(2, len(str(len(frame))))
    made = pd.Series([f"X{k:0{width}d}" for k in range(1, len(frame) + 1)], index=frame.index, dtype="str")
    head = {name: frame[name].astype(str) if name in frame else made for name in ("trial", "batch")}
    for name in ("load", "day"):
        if name in frame:
            head[name] = frame[name].astype(str)
    head["round"] = rounds_of(frame)
    head["brief_id"] = (
        frame["brief_id"] if "brief_id" in frame else pd.Series(brief.brief_id, index=frame.index)
    )
    return pd.concat([pd.DataFrame(head), full], axis=1)


def rounds_of(frame: pd.DataFrame) -> pd.Series:
    """Return the round of each row of a plan; 1 where it does not say."""
    said = frame["round"] if "round" in frame else pd.Series(1, index=frame.index)
    return pd.to_numeric(said, errors="coerce").fillna(1).astype(int)


def rows_of_round(frame: pd.DataFrame, number: int) -> pd.DataFrame:
    """Return the rows of one round.

    Raises
    ------
    FormlabError
        If there are none.
    """
    rounds = rounds_of(frame)
    if number not in set(rounds):
        known = sorted({int(k) for k in rounds})
        raise FormlabError(f"The plan has no round {number}; choose one of {known}.")
    return frame[rounds == number].reset_index(drop=True)


def batches_of(brief: Brief, plan: Any, site: Site, *, batch_kg: float | None = None) -> list[Batch]:
    """Return every batch of a plan in its run order.

    Raises
    ------
    RecipeError
        If nothing says how large a batch is, or a line is too small for its scale.
    """
    table = plan_table(brief, plan)
    return [_batch(brief, rows, site, batch_kg, table) for _, rows in table.groupby("batch", sort=False)]


def _batch(brief: Brief, rows: pd.DataFrame, site: Site, batch_kg: float | None, plan: pd.DataFrame) -> Batch:
    row = rows.iloc[:1]
    name = str(row["batch"].iloc[0])
    amounts = brief.materials(row).iloc[0]
    kg, litres, notes = batch_size(brief, row, site, batch_kg)
    used = amounts[amounts > 1e-12]
    lines, remarks = _lines(brief, used, kg, site)
    unit, scale = ("phr", _phr_factor(brief, row)) if brief.rubbers else (brief.amount_unit, 1.0)
    lines["amount"] *= scale
    materials = tuple(brief.by_name[n] for n in lines["name"])
    own = [parent_formula(brief, r, plan)[1] for r in site.regrind if r.ingredient in used and not r.parent]
    settings = {
        f"{s.title} ({s.unit})" if s.unit else s.title: _shown(row[s.name].iloc[0])
        for s in brief.settings
        if s.changes in ("day", "batch")
    }
    return Batch(
        batch=name, code=f"{site.code or _initials(brief.title)}-{name}", revision=str(row["brief_id"].iloc[0]),
        trials=tuple(rows["trial"]), unit=unit, lines=lines, kg=kg, litres=litres, settings=settings,
        left_out=tuple(brief.title_of(n) for n in amounts.index if n not in used.index),
        materials=materials,  # type: ignore[arg-type]
        density=_density(brief, row), notes=(*notes, *remarks, *own),
    )  # fmt: skip


# ---- size -------------------------------------------------------------------------------------------------


def batch_size(
    brief: Brief, row: pd.DataFrame, site: Site, batch_kg: float | None = None
) -> tuple[float, float | None, list[str]]:
    """Return the mass of a batch in kg, its volume in l (None without densities), and what to say about it.

    What is given counts first, then the site's or the plant's own size, then what the mill's rolls take, then
    the laboratory rule of four times the recipe, as far as it fits.
    """
    density, dry = _density(brief, row), _dry_share(brief, row)
    notes = []
    kg = batch_kg if batch_kg is not None else site.batch_kg
    room = site.mill.litres if site.mill else None
    litres = site.batch_litres or (room if brief.plant.batch_kg is None else None)
    if kg is None and density is not None and litres is not None:
        kg = litres * density / dry
    elif kg is None:
        kg = brief.plant.batch_kg
    if kg is None and density is not None and brief.rubbers:
        lab = lab_batch(
            brief.materials(row).iloc[0] * _dry(brief), brief.numbers("density"), rubbers=brief.rubbers
        )
        kg = lab.mass_g / 1000.0 / dry
        notes.append(lab.words)
    if kg is None:
        raise RecipeError(
            "Nothing says how large a batch is. Give batch_kg, [plant] batch_kg in the brief, or densities with the "
            "site's batch_litres or mill."
        )
    litres = None if density is None else kg * dry / density
    if room is not None and litres is not None and not 0.5 * room <= litres <= 1.02 * room:
        word = "more than" if litres > room else "less than half of"
        notes.append(
            f"The batch is {litres:.3g} l, {word} the {room:.3g} l that band and bank of this mill take."
        )
    return float(kg), litres, notes


def _density(brief: Brief, row: pd.DataFrame) -> float | None:
    if any(part.density is None for part in brief.ingredients):
        return None
    return float(brief.density(row).iloc[0])


def _dry(brief: Brief) -> pd.Series:
    return pd.Series({p.name: 1.0 - p.contains.get("water", 0.0) for p in brief.ingredients}, dtype=float)


def _dry_share(brief: Brief, row: pd.DataFrame) -> float:
    weighed = brief.materials(row).iloc[0]
    return float((weighed * _dry(brief)).sum() / weighed.sum())


def _phr_factor(brief: Brief, row: pd.DataFrame) -> float:
    return float(brief.phr(row).iloc[0].sum() / brief.amounts(row).iloc[0].sum())


# ---- lines ------------------------------------------------------------------------------------------------


def _lines(brief: Brief, used: pd.Series, kg: float, site: Site) -> tuple[pd.DataFrame, list[str]]:
    parts: list[Any] = [brief.by_name[name] for name in used.index]
    placed = all(part.order is not None for part in parts)
    frame = pd.DataFrame({
        "name": [p.name for p in parts], "title": [p.title for p in parts], "role": [p.role for p in parts],
        "label": [p.label for p in parts], "order": [p.order if placed else PLACES[p.role] for p in parts],
    }, index=used.index).sort_values("order", kind="stable")  # fmt: skip
    amounts = used[frame.index]
    planned = 1000.0 * kg * amounts / amounts.sum()
    within = weighing_tolerances(planned, frame["role"].to_dict()).set_index("ingredient")["tolerance_g"]
    step = {name: _step(site, frame.at[name, "role"], planned[name], within[name]) for name in frame.index}
    card = recipe.weigh_up(amounts, batch_kg=kg, resolution_g=step).set_index("ingredient")
    frame = frame.assign(amount=amounts, planned_g=planned, weighed_g=card["weighed_g"],
                         step_g=card["resolution_g"], tolerance_g=within)  # fmt: skip
    notes = (
        []
        if placed
        else ["The brief does not give the place of every ingredient; this order is a starting point."]
    )
    notes += order_warnings(frame[["name", "role", "label", "order"]].assign(name=frame["title"]))
    notes += _coarse(frame)
    lift = site.lift_kg if site.lift_kg is not None else brief.plant.lift_kg
    frame["tubs"] = tubs(frame["weighed_g"], None if lift is None else 1000.0 * lift)
    count = frame["tubs"].iloc[-1][-1][0]
    if count > 1:
        notes.append(
            f"The batch of {kg:.4g} kg lies over the lifting limit of {lift:g} kg: it goes in {count} tubs."
        )
    return frame.drop(columns="label").reset_index(drop=True), notes


def _step(site: Site, role: str, grams: float, within: float) -> float:
    """Return the step of the coarsest scale that shows half the tolerance, else of the finest that carries the line."""
    if role in site.scale_of:
        return site.scale_of[role]
    carry = [scale.step_g for scale in site.scales if grams <= scale.up_to_g]
    fine = [step for step in carry if step <= within / 2]
    return max(fine) if fine else min(carry, default=max(scale.step_g for scale in site.scales))


def _coarse(lines: pd.DataFrame) -> list[str]:
    coarse = lines[lines["step_g"] > lines["tolerance_g"] * (1 + 1e-9)]
    return [
        f"{line.title}: the scale shows steps of {line.step_g:g} g and the tolerance is {line.tolerance_g:.2g} g. "
        "Use a finer scale or a larger batch."
        for line in coarse.itertuples()
    ]


def tubs(weighed_g: Iterable[float], limit_g: float | None) -> list[list[tuple[int, float]]]:
    """Return for each line the tubs it goes in with the grams in each, so that none is over the lifting limit.

    Tubs are filled in the order given; a line is split only where it is heavier than a tub may be.

    Examples
    --------
    >>> tubs([6000.0, 25000.0, 500.0], 10000.0)
    [[(1, 6000.0)], [(2, 10000.0), (3, 10000.0), (4, 5000.0)], [(4, 500.0)]]
    """
    lines = [float(grams) for grams in weighed_g]
    limit = math.inf if limit_g is None or sum(lines) <= limit_g else limit_g
    said, tub, left = [], 1, limit
    for grams in lines:
        if grams > left and left < limit:
            tub, left = tub + 1, limit
        pieces = []
        while grams > limit:
            pieces.append((tub, limit))
            tub, grams, left = tub + 1, grams - limit, limit
        left -= grams
        said.append([*pieces, (tub, grams)])
    return said


def _initials(title: str) -> str:
    words = [word for word in title.split(",")[0].split() if word[:1].isalnum()]
    return "".join(word[0] for word in words[:4]).upper() or "EB"


def _shown(value: Any) -> str:
    return value if isinstance(value, str) else f"{value:.6g}"
