"""What goes on the cards, as numbers: batches with their lines, how much of each, and in which tub."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from formlab import recipe
from formlab.bases import PART, base_materials
from formlab.brief import Brief
from formlab.cards.site import Site
from formlab.cautions import short_name
from formlab.errors import FormlabError, RecipeError
from formlab.mill import lab_batch, order_warnings, weighing_tolerances
from formlab.parts import Ingredient, Setting
from formlab.regrind import parent_formula

__all__ = [
    "CURATIVES",
    "Batch",
    "batch_size",
    "batches_of",
    "mixings_of",
    "plan_table",
    "rounds_of",
    "rows_of_round",
    "tubs",
]

Held = Mapping[str, tuple[str, ...]]  # by base mixing, the materials that go into it
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
    `amount` is in `unit` (phr where there is a rubber), and in a fraction basis `share` in the brief's own unit,
    `share_unit`. `litres` and `density` are None without densities.

    A base mixing is one too, with its `parts`: batch, grams cut off for it, step of its scale. A batch made from such a part has
    a first line named `base`, of role rubber as it is banded first, and in `inside` the materials that it brings.
    """

    batch: str
    code: str
    revision: str
    trials: tuple[str, ...]
    unit: str
    share_unit: str
    lines: pd.DataFrame
    left_out: tuple[str, ...]
    materials: tuple[Ingredient, ...]
    kg: float
    litres: float | None
    density: float | None
    settings: dict[str, str]
    notes: tuple[str, ...]
    base: str = ""
    inside: tuple[Ingredient, ...] = ()
    parts: tuple[tuple[str, float, float], ...] = ()

    @property
    def weighed_g(self) -> float:
        return float(self.lines["weighed_g"].sum())

    @property
    def off_mill_g(self) -> float:
        """What was weighed without the water that it loses on the mill."""
        water = {p.name: p.contains.get("water", 0.0) for p in self.materials}
        return float((self.lines["weighed_g"] * (1.0 - self.lines["name"].map(water).fillna(0.0))).sum())


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
    for name in ("load", "day", "base", "finals"):
        if name in frame:
            head[name] = frame[name].astype(str).where(frame[name].notna())
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
    """Return every batch of a plan in its run order; see `mixings_of` for those and their base mixings.

    Raises
    ------
    RecipeError
        If nothing says how large a batch is, or a line is too small for its scale.
    """
    return [mixing for mixing in mixings_of(brief, plan, site, batch_kg=batch_kg) if not mixing.parts]


def mixings_of(brief: Brief, plan: Any, site: Site, *, batch_kg: float | None = None) -> list[Batch]:
    """Return every mixing of a plan in its run order: each batch, and before the first of its parts each base.

    A base holds what its parts need, no more. A part has the composition of its base, so that parts and finals of a
    batch together make its formula.

    Raises
    ------
    RecipeError
        If nothing says how large a batch is, or a line is too small for its scale.
    """
    table = plan_table(brief, plan)
    held = base_materials(brief, table)
    batches = [
        _batch(brief, rows, site, batch_kg, table, held) for _, rows in table.groupby("batch", sort=False)
    ]
    out: list[Batch] = []
    mixed: set[str] = set()
    for batch in batches:
        if batch.base and batch.base not in mixed:
            mixed.add(batch.base)
            parts = [b for b in batches if b.base == batch.base]
            rows = table[table[PART] == batch.base]
            out.append(_base(brief, rows, site, parts, held[batch.base], table))
        out.append(batch)
    return out


def _batch(
    brief: Brief, rows: pd.DataFrame, site: Site, batch_kg: float | None, plan: pd.DataFrame, held: Held
) -> Batch:
    row = rows.iloc[:1]
    name = str(row["batch"].iloc[0])
    base = str(row[PART].iloc[0]) if PART in row else ""
    amounts = brief.materials(row).iloc[0]
    kg, litres, notes = batch_size(brief, row, site, batch_kg)
    used = amounts[amounts > 1e-12]
    frame, remarks = _places(brief, list(used.index))
    inside = [n for n in used.index if n in held.get(base, ())]
    remarks += _order_notes(frame, inside)
    own = used
    if inside:
        remarks.append(f"Base {base} brings {', '.join(map(short_name, frame.loc[inside, 'title']))}.")
        frame, own = _as_part(frame, used, inside, f"base {base}", brief.dry)
        kg *= float(own.sum() / used.sum())
    lines, more = _lines(frame, own, kg, site, brief)
    return Batch(
        batch=name, trials=tuple(rows["trial"]), lines=lines, kg=kg, litres=litres, density=_density(brief, row),
        left_out=tuple(brief.title_of(n) for n in amounts.index if n not in used.index and n not in held.get(base, ())),
        settings=_settings(brief, row), notes=(*notes, *remarks, *more, *_regrind_notes(brief, own, site, plan)),
        base=base if inside else "", inside=_ingredients(brief, inside), **_common(brief, row, site, name, lines),
    )  # fmt: skip


def _base(
    brief: Brief,
    rows: pd.DataFrame,
    site: Site,
    batches: list[Batch],
    held: tuple[str, ...],
    plan: pd.DataFrame,
) -> Batch:
    """Return a base mixing that is as large as its parts together."""
    row, name = rows.iloc[:1], batches[0].base
    amounts = brief.materials(row).iloc[0][list(held)]
    used = amounts[amounts > 1e-12]
    lines_of = [b.lines.set_index("name").loc[PART] for b in batches]
    stays = used * brief.dry[used.index]
    kg = sum(float(line["planned_g"]) for line in lines_of) / 1000.0 * float(used.sum() / stays.sum())
    frame, remarks = _places(brief, list(used.index))
    remarks += order_warnings(frame.assign(name=frame["title"]))
    lines, more = _lines(frame, used, kg, site, brief, "base")
    density = None
    if all(p.density is not None for p in _ingredients(brief, used.index)):
        density = float(recipe.density(stays, brief.numbers("density")[used.index]))
    litres = None if density is None else kg * float(stays.sum() / used.sum()) / density
    alike = [s for s in brief.settings if rows[s.name].nunique() == 1]
    return Batch(
        batch=name, trials=tuple(rows["trial"]), lines=lines, kg=kg, litres=litres, density=density,
        left_out=tuple(brief.title_of(n) for n in held if n not in used.index),
        settings=_settings(brief, row, alike),
        notes=(*_base_notes(brief, rows, site, used.index, litres, kg, batches), *remarks, *more, *_regrind_notes(brief, used, site, plan)),
        parts=tuple((b.batch, float(line["weighed_g"]), float(line["step_g"])) for b, line in zip(batches, lines_of)),
        **_common(brief, row, site, name, lines),
    )  # fmt: skip


def _base_notes(
    brief: Brief,
    rows: pd.DataFrame,
    site: Site,
    held: Iterable[str],
    litres: float | None,
    kg: float,
    batches: list[Batch],
) -> list[str]:
    """Return what to say of the size of a base, which a mill must take, and of settings that differ among its batches."""
    room = site.mill.litres if site.mill else None
    largest = max(b.kg for b in batches)
    notes = []
    if room is not None and litres is not None and litres > 1.02 * room:
        notes.append(
            f"The base is {litres:.3g} l, more than the {room:.3g} l that band and bank of this mill take: mix it in equal "
            "lots and blend all lots on the mill before it is cut."
        )
    elif room is None and kg > largest:
        notes.append(
            f"The base is {kg:.4g} kg and a batch of it {largest:.4g} kg: see that the mill takes it, else mix it in equal "
            "lots and blend all lots before it is cut."
        )
    if cure := [short_name(p.title) for p in _ingredients(brief, held) if p.role in CURATIVES]:
        notes.append(
            f"{', '.join(cure)} in this base: it can scorch while finals are milled in, and it keeps less long. To add "
            "curatives last, name them in finals when the plan is laid out."
        )
    differing = [s for s in brief.settings if s.changes in ("day", "batch") and rows[s.name].nunique() > 1]
    notes += [
        f"{s.title} differs among the batches of this base and holds for the mixing of their finals: mix every base alike."
        for s in differing
    ]
    return notes


def _common(brief: Brief, row: pd.DataFrame, site: Site, name: str, lines: pd.DataFrame) -> dict[str, Any]:
    """Return what a batch and a base have in common; the amounts of `lines` are put in their unit."""
    unit, scale = ("phr", _phr_factor(brief, row)) if brief.rubbers else (brief.amount_unit, 1.0)
    share_unit = "" if unit == brief.amount_unit else brief.amount_unit
    if share_unit:
        lines.insert(lines.columns.get_loc("amount"), "share", lines["amount"])  # type: ignore[arg-type]
    lines["amount"] *= scale
    return {
        "code": f"{site.code or _initials(brief.title)}-{name}",
        "revision": str(row["brief_id"].iloc[0]),
        "unit": unit,
        "share_unit": share_unit,
        "materials": _ingredients(brief, [n for n in lines["name"] if n in brief.by_name]),
    }


def _ingredients(brief: Brief, names: Iterable[str]) -> tuple[Ingredient, ...]:
    return tuple(brief.by_name[n] for n in names)  # type: ignore[misc]


def _settings(brief: Brief, row: pd.DataFrame, among: Iterable[Setting] | None = None) -> dict[str, str]:
    return {
        f"{s.title} ({s.unit})" if s.unit else s.title: _shown(row[s.name].iloc[0])
        for s in (brief.settings if among is None else among)
        if s.changes in ("day", "batch")
    }


def _regrind_notes(brief: Brief, used: pd.Series, site: Site, plan: pd.DataFrame) -> list[str]:
    return [parent_formula(brief, r, plan)[1] for r in site.regrind if r.ingredient in used and not r.parent]


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
            brief.materials(row).iloc[0] * brief.dry, brief.numbers("density"), rubbers=brief.rubbers
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


def _dry_share(brief: Brief, row: pd.DataFrame) -> float:
    weighed = brief.materials(row).iloc[0]
    return float((weighed * brief.dry).sum() / weighed.sum())


def _phr_factor(brief: Brief, row: pd.DataFrame) -> float:
    return float(brief.phr(row).iloc[0].sum() / brief.amounts(row).iloc[0].sum())


# ---- lines ------------------------------------------------------------------------------------------------


def _places(brief: Brief, names: list[str]) -> tuple[pd.DataFrame, list[str]]:
    """Return name, title, role, label and place of ingredients in the order of addition, and what to say of it."""
    parts: list[Any] = [brief.by_name[name] for name in names]
    placed = all(part.order is not None for part in parts)
    frame = pd.DataFrame({
        "name": [p.name for p in parts], "title": [p.title for p in parts], "role": [p.role for p in parts],
        "label": [p.label for p in parts], "order": [p.order if placed else PLACES[p.role] for p in parts],
    }, index=names).sort_values("order", kind="stable")  # fmt: skip
    starting = "The brief does not give the place of every ingredient; this order is a starting point."
    return frame, [] if placed else [starting]


def _order_notes(frame: pd.DataFrame, inside: list[str]) -> list[str]:
    """Return what is odd about the order of addition; of a batch from a base, which is in first, what the base is not."""
    frame = frame.assign(name=frame["title"])
    if not inside:
        return order_warnings(frame)
    base, finals = frame.loc[frame.index.isin(inside)], frame.loc[~frame.index.isin(inside)]
    first = base.assign(order=base["order"] - base["order"].max() + frame["order"].min() - 1)
    said = order_warnings(base)
    return [text for text in order_warnings(pd.concat([first, finals])) if text not in said]


def _as_part(
    frame: pd.DataFrame, used: pd.Series, inside: list[str], title: str, dry: pd.Series
) -> tuple[pd.DataFrame, pd.Series]:
    """Return lines and amounts with one line for all that a base brings, which has lost its water."""
    line = {"name": PART, "title": title, "role": "rubber", "label": "", "order": frame["order"].min() - 1}
    brought = float((used * dry[used.index])[inside].sum())
    return (
        pd.concat([pd.DataFrame([line], index=[PART]), frame.drop(inside)]),
        pd.concat([pd.Series({PART: brought}), used.drop(inside)]),
    )


def _lines(
    frame: pd.DataFrame, amounts: pd.Series, kg: float, site: Site, brief: Brief, what: str = "batch"
) -> tuple[pd.DataFrame, list[str]]:
    amounts = amounts[frame.index]
    planned = 1000.0 * kg * amounts / amounts.sum()
    within = weighing_tolerances(planned, frame["role"].to_dict()).set_index("ingredient")["tolerance_g"]
    step = {name: _step(site, frame.at[name, "role"], planned[name], within[name]) for name in frame.index}
    card = recipe.weigh_up(amounts, batch_kg=kg, resolution_g=step).set_index("ingredient")
    frame = frame.assign(amount=amounts, planned_g=planned, weighed_g=card["weighed_g"],
                         step_g=card["resolution_g"], tolerance_g=within)  # fmt: skip
    notes = _coarse(frame)
    lift = site.lift_kg if site.lift_kg is not None else brief.plant.lift_kg
    frame["tubs"] = tubs(frame["weighed_g"], None if lift is None else 1000.0 * lift)
    count = frame["tubs"].iloc[-1][-1][0]
    if count > 1:
        notes.append(
            f"The {what} of {kg:.4g} kg lies over the lifting limit of {lift:g} kg: it goes in {count} tubs."
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
