"""The weigh-up card of a batch: one sheet to weigh by, one to mill by and to release the batch."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.cards.batches import CURATIVES, Batch
from formlab.cards.page import box, fields, head, notes, read_first, reminders, sheet, table, ticks
from formlab.cards.site import Site
from formlab.cautions import Caution, cautions_for, short_name
from formlab.gates import yield_limits
from formlab.html import Markup, escape, number

__all__ = ["mill_sheet", "mill_steps", "weigh_sheet", "weight"]

ROLLS = ", rolls 50 to 70 °C"
# What to do with each kind of ingredient on the mill; common practice, no source. Times and temperatures are guides.
_GUIDES = {
    "rubber": "Band {names}; cut across until the band is smooth. Guide: 3 to 5 min" + ROLLS + ".",
    "small": "Add {names}. Guide: 2 to 3 min.",
    "regrind": "Add {names} early, as thin crumb or sheet. Guide: 2 to 4 min.",
    "factice": "Add {names} in lots, cutting between. Guide: 3 to 6 min.",
    "bulk": "Add {names} in lots{oil}. Sweep the tray back in. Guide: 6 to 12 min.",
    "curative": "Cool; stock below about 100 °C. Add {names}. Guide: 2 to 3 min.",
}
_KINDS = {
    "rubber": "rubber", "regrind": "regrind", "factice": "factice", "filler": "bulk", "abrasive": "bulk", "oil": "bulk",
    "curing agent": "curative", "accelerator": "curative",
}  # fmt: skip
_LAST = (
    "Three-quarter cuts, three from each side.",
    "Tighten the nip and pass the rolled stock endwise six times.",
    "Sheet off, cool, weigh, label with the code.",
)
STARTING_POINT = "These steps are a starting point. Put your site's own procedure in their place."


def weight(grams: float, step_g: float) -> str:
    """Return a mass with its unit, to the step of the scale: kg from 1 kg on.

    Examples
    --------
    >>> weight(983.0, 1), weight(17.2, 0.1), weight(12345.0, 1)
    ('983 g', '17.2 g', '12.345 kg')
    """
    unit, size = ("kg", 1000.0) if grams >= 1000 else ("g", 1.0)
    return f"{grams / size:.{_decimals(step_g / size)}f} {unit}"


def _decimals(step: float) -> int:
    text = f"{step:.6f}".rstrip("0")
    return len(text) - text.index(".") - 1


def _tolerance(tolerance_g: float, weighed_g: float) -> str:
    """Return a tolerance in the unit of its line, with two digits."""
    unit, size = ("kg", 1000.0) if weighed_g >= 1000 else ("g", 1.0)
    return f"± {number(tolerance_g / size, 2)} {unit}"


def weigh_sheet(batch: Batch, brief: Brief, site: Site) -> Markup:
    """Return the first sheet: what to weigh, in order of addition."""
    many = any(line.tubs[-1][0] > 1 for line in batch.lines.itertuples())
    amounts = {
        unit: _agreeing(batch.lines[column])
        for unit, column in ((batch.share_unit, "share"), (batch.unit, "amount"))
        if unit
    }
    heads = [
        "",
        f"material of {batch.batch}",
        *amounts,
        "weigh",
        "weighed",
        "lot no.",
        "expiry",
        "second person",
    ]
    widths = [7, 0, *[18] * len(amounts), 34, 23, 20, 14, 17]
    rows = [
        _weigh_row(k, line, [of_unit[k - 1] for of_unit in amounts.values()], many)
        for k, line in enumerate(batch.lines.itertuples(), 1)
    ]
    totals = [of_unit[-1] for of_unit in amounts.values()]
    body = table(heads, [*rows, _sum_row(batch, totals)], "n n" + "n" * len(amounts), widths)
    what = "base" if batch.parts else "batch"
    out = [f"Not in this {what}: {', '.join(batch.left_out)}."] if batch.left_out else []
    return sheet(
        _head(f"Weigh-up{' of a base' if batch.parts else ''}", batch, brief, site, "sheet 1 of 2"),
        read_first(),
        notes([*batch.notes, *out]),
        body,
        _check(batch, site),
        fields(("Weighed by", 30), ("Second person", 28), ("Date, time", 26)),
        reminders(cautions_for(batch.materials, stage="weigh", children=site.children), batch.batch),
    )


def _head(what: str, batch: Batch, brief: Brief, site: Site, page: str) -> Markup:
    size = f"{batch.kg:.4g} kg" + (f", {batch.litres:.3g} l" if batch.litres else "")
    of = (
        f"For batches {', '.join(b for b, *_ in batch.parts)}"
        if batch.parts
        else f"For trials {', '.join(batch.trials)}"
    )
    lines = [f"Compound {batch.code}, revision {batch.revision}", of]
    return head(what, batch.batch, brief.title or "Trial compound", lines, [size, page, site.name])


def _agreeing(amounts: pd.Series) -> list[str]:
    """Return amounts as printed, and last their total, which is the sum of what is printed.

    Four decimals at most, and at least three digits of the smallest; where the last digits do not add up to the total,
    those cut off the most go up.
    """
    least = float(amounts[amounts > 0].min())
    places = next(
        (k for k in range(4) if np.allclose(amounts, amounts.round(k), rtol=0, atol=1e-9)),
        min(max(2, 2 - math.floor(math.log10(least))), 4),
    )
    units = amounts.to_numpy(dtype=float) * 10**places
    whole = np.floor(units + 1e-6)
    short = round(float(units.sum())) - int(whole.sum())
    whole[np.argsort(whole - units, kind="stable")[:short]] += 1
    return [number(value / 10**places, 9) for value in [*whole, whole.sum()]]


def _weigh_row(k: int, line: Any, amounts: list[str], many: bool) -> str:
    name = escape(
        line.title if len(line.title) <= 30 else Markup(f"<span class='long'>{escape(line.title)}</span>")
    )
    tub = f" <span class='small'>[{_tub_text(line)}]</span>" if many else ""
    within = f"<div class='small'>{_tolerance(line.tolerance_g, line.weighed_g)}</div>"
    second = box(kind="box" if line.role in CURATIVES else "shut")
    return (
        f"<tr><td class='n small'>{k}</td><td>{name}{tub}</td>{_cells(amounts)}"
        f"<td class='n'><span class='big'>{weight(line.weighed_g, line.step_g)}</span>{within}</td>{box() * 3}{second}</tr>"
    )


def _cells(texts: list[str]) -> str:
    return "".join(f"<td class='n'>{text}</td>" for text in texts)


def _tub_text(line: Any) -> str:
    if len(line.tubs) == 1:
        return f"tub {line.tubs[0][0]}"
    return ", ".join(f"tub {tub}: {weight(grams, line.step_g)}" for tub, grams in line.tubs)


def _sum_row(batch: Batch, totals: list[str]) -> str:
    step = float(batch.lines["step_g"].max())
    return (
        f"<tr class='sum'><td></td><td>Total</td>{_cells(totals)}"
        f"<td class='n big'>{weight(batch.weighed_g, step)}</td>{box()}<td colspan='3'></td></tr>"
    )


def _check(batch: Batch, site: Site) -> Markup:
    step, first = float(batch.lines["step_g"].max()), ""
    if "check_percent" in site.model_fields_set:
        low, high = yield_limits(batch.weighed_g, percent=site.check_percent)
    else:  # no stricter than the lines are
        within = float(batch.lines["tolerance_g"].sum())
        low, high = batch.weighed_g - within, batch.weighed_g + within
        first = " The tolerances of the lines added up; put the site's own limits in their place."
    text = f"Check-weigh all tubs together: {weight(low, step)} to {weight(high, step)}."
    return Markup(f"<p><b>{escape(text)}</b><span class='small'>{escape(first)}</span></p>")


# ---- mill ---------------------------------------------------------------------------------------------------


def mill_steps(batch: Batch) -> list[str]:
    """Return milling steps that follow the batch's order of addition; a starting point, not a procedure."""
    lines = list(batch.lines.itertuples())
    steps = []
    # what the batch itself says of the rolls stands above a guide
    told = any(re.search(r"\b(mill|rolls?)\b.*°C", str(name), re.IGNORECASE) for name in batch.settings)
    for (_, kind), found in groupby(lines, key=lambda line: (_group(line), _KINDS.get(line.role, "small"))):
        group = list(found)
        oil = ", oil in turn with powder" if len({line.role == "oil" for line in group}) == 2 else ""
        guide = _GUIDES[kind].replace(ROLLS, "") if told else _GUIDES[kind]
        steps.append(guide.format(names=_and([short_name(line.title) for line in group]), oil=oil))
    cut = [f"Cut into {len(batch.parts)} parts, each of the mass listed; label each with its batch."]
    return [*steps, *_LAST, *(cut if batch.parts else [])]


def _group(line: Any) -> Any:
    """Return what keeps lines in one step: curatives by their place, all others by their kind alone."""
    return line.order if line.role in CURATIVES else None


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def mill_sheet(batch: Batch, brief: Brief, site: Site) -> Markup:
    """Return the second sheet: steps with room for what was measured, gates, release."""
    steps = site.procedure or mill_steps(batch)
    heads = ["", f"step of {batch.batch}", "gap mm", "rolls °C", "stock °C", "min", "deviation"]
    rows = (
        f"<tr><td class='n small'>{k}</td><td class='small'>{escape(step)}</td>{box() * 5}</tr>"
        for k, step in enumerate(steps, 1)
    )
    regrind = [
        f"Regrind {escape(r.ingredient)}: {r.described()}."
        for r in site.regrind
        if r.ingredient in set(batch.lines["name"])
    ]
    settings = [f"{name}: {value}" for name, value in batch.settings.items()]
    whose = "base" if batch.parts else "batch"
    return sheet(
        _head(
            "Mill and cut a base" if batch.parts else "Mill and release", batch, brief, site, "sheet 2 of 2"
        ),
        notes([*([f"Settings of this {whose}. " + "; ".join(settings)] if settings else []), *regrind]),
        Markup("" if site.procedure else f"<p class='small'>{escape(STARTING_POINT)}</p>"),
        table(heads, rows, "n", [7, 0, 13, 13, 13, 12, 32]),
        fields(("Started", 20), ("Finished", 20), ("Mill", 24), ("By", 34)),
        _gates(batch, site),
        _parts(batch) if batch.parts else _rest(site),
        reminders(_mill_cautions(batch, site), batch.batch, ", besides all that sheet 1 says"),
    )


def _mill_cautions(batch: Batch, site: Site) -> list[Caution]:
    """Return the cautions of the mill that do not stand on the first sheet already."""
    said = cautions_for(batch.materials, stage="weigh", children=site.children)
    everything = [
        *batch.inside,
        *batch.materials,
    ]  # what a base brings is milled, but not weighed, with the batch
    return [c for c in cautions_for(everything, stage="mill", children=site.children) if c not in said]


def _rest(site: Site) -> Markup:
    life = f" Shelf life: {site.shelf_life}." if site.shelf_life else ""
    text = f"<p>Rest before the press: {escape(site.rest)}.{escape(life)}</p>"
    return Markup(
        text + fields(*([] if life else [("Shelf life", 28)]), ("Use until", 32), ("Stored at", 40))
    )


def _parts(batch: Batch) -> Markup:
    """Return the parts that a base is cut into, with room for what they weigh."""
    rows = (
        f"<tr><td class='big'>{escape(name)}</td><td class='n big'>{weight(grams, step)}</td>{box()}{box()}</tr>"
        for name, grams, step in batch.parts
    )
    short = (
        "Nothing is weighed to spare. If less comes off the mill than the parts are together, cut every part lighter by the "
        "same share, write on each card of a batch by how much, and take that much less of its finals."
    )
    return Markup(
        "<div class='keep'>"
        + table([f"part of {batch.batch} for", "cut", "weighed", "by"], rows, " n", [42, 42, 42, 0])
        + f"<p class='small'>{escape(short)}</p>"
        + fields(("Use until", 32), ("Stored at", 40))
        + "</div>"
    )


def _gates(batch: Batch, site: Site) -> Markup:
    low, high = yield_limits(batch.off_mill_g, percent=site.check_percent)
    step = float(batch.lines["step_g"].max())
    density = "not known: the brief lacks densities"
    if batch.density is not None:
        density = f"{batch.density - site.density_within:.3f} to {batch.density + site.density_within:.3f} g/cm³ (calculated {batch.density:.3f})"
    rating = (
        f"at least {site.dispersion_at_least:g} of 10" if site.dispersion_at_least else "site's own limit"
    )
    limits = [
        ("Density", density),
        ("Dispersion rating", rating),
        ("Mass off the mill", f"{weight(low, step)} to {weight(high, step)}"),
    ]
    rows = (
        f"<tr><td>{escape(name)}</td><td class='small'>{escape(limit)}</td>{box()}<td class='small thin'>{ticks('pass', 'fail')}</td></tr>"
        for name, limit in limits
    )
    decide = ticks("release", "hold", "remill", "remake", "accept, because")
    return Markup(
        f"<div class='keep'><h2>{'Before it is cut' if batch.parts else 'Before pressing'}</h2>"
        + table(["gate", "limits", "measured", ""], rows, widths=[42, 0, 32, 38])
        + f"<p>{decide}</p>"
        + fields(("Reason", 94), ("Signed", 52))
        + "</div>"
    )


def sheets(batches: Iterable[Batch], brief: Brief, site: Site) -> Iterator[Markup]:
    """Yield both sheets of each mixing."""
    for batch in batches:
        yield weigh_sheet(batch, brief, site)
        yield mill_sheet(batch, brief, site)
