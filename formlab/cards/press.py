"""The cure card of a press load."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.cards.loads import Load
from formlab.cards.page import box, fields, head, notes, numbered, read_first, reminders, sheet, table
from formlab.cards.site import Site
from formlab.cautions import cautions_for
from formlab.html import Markup, escape, number

__all__ = ["cure_sheet", "press_steps", "sheets"]

# head, width in mm (0: what is left), n for numbers, cell of a slab
Column = tuple[str, float, str, Callable[[Any], str]]
_SHEET_MM, _BOX_MM, _SETTING_MM = 186.0, 13.0, 20.0


def press_steps(site: Site) -> list[str]:
    """Return the steps of a press load; a starting point, not a procedure."""
    close = f" Closed within {site.close_min:g} min of touching the mould." if site.close_min else ""
    return [
        "Mould at temperature and steady before loading (ASTM D3182: within 0.5 °C for 20 min).",
        "Weigh each preform. Load in the order listed.",
        f"Close; the time runs from full pressure.{close} Bump as your procedure says.",
        "Open at the minutes listed, each slab at its own.",
        f"Quench. {site.quench}.",
        "Mark each slab with its trial before it leaves the press.",
    ]


def cure_sheet(load: Load, brief: Brief, site: Site) -> Markup:
    """Return the cure card of one load."""
    slabs = load.slabs
    steps = site.press_procedure or press_steps(site)
    ours = (
        []
        if site.press_procedure
        else ["These steps are a starting point. Put your site's own procedure in their place."]
    )
    settings = [f"{name}: {value}." for name, value in load.settings.items()]
    temps = slabs["temp_c"].dropna().unique()
    at = f"{number(temps[0])} °C" if len(temps) == 1 else ""
    batches = ", ".join(dict.fromkeys(slabs["batch"]))
    return sheet(
        head("Cure", load.load, brief.title or "Trial compound", [f"Slabs of batch {batches}"],
             [Markup(f"<b>{escape(at)}</b>") if at else "", f"{len(slabs)} slab{'s' if len(slabs) != 1 else ''}", site.name]),
        read_first(),
        notes([*_two_steps(load, site), *settings, *load.notes]),
        _slab_table(load),
        fields(("Press", 16), ("Set °C", 12), ("Mould °C", 12), ("Pressure", 16), ("Closing min", 10)),
        numbered(steps),
        notes([*ours, f"Rest before test: {site.rest_before_test}."]),
        fields(("Blisters, stuck, scorched, flash", 86), ("Pressed by", 34), ("Date", 30)),
        reminders(cautions_for(_materials(brief), stage="press", children=site.children), load.load),
    )  # fmt: skip


def _materials(brief: Brief) -> list[Any]:
    return [part for part in brief.ingredients if brief.ranges[part.name][1] > 0]


def _two_steps(load: Load, site: Site) -> list[str]:
    if not load.two_steps:
        return []
    place = {
        "face": "at the face",
        "centre": "at the centre",
        "rule": "with the site's allowance for thickness",
    }[site.cure_at]
    if load.slabs["minutes"].notna().all():
        return [f"Step 2. Minutes are the multiple of each batch's own t90, {place}."]
    return [
        "Step 1. Mill, rest, and run the cure meter on every batch of this load. "
        f"Step 2. Print this card again with its t90, or fill in the minutes: the multiple of t90 ({place})."
    ]


def _slab_table(load: Load) -> Markup:
    """Return what is set and what is written down of each slab: one table, or two where one would be too wide."""
    slabs = load.slabs
    several = slabs["temp_c"].nunique() > 1
    reference = f"{load.reference_c:g} °C"
    planned: list[Column] = [
        ("slab", 21, "", lambda s: f"<td class='big'>{escape(s.trial)}</td>"),
        ("batch", 15, "", lambda s: f"<td>{escape(s.batch)}</td>"),
        *[(name, _SETTING_MM, "", _text(values)) for name, values in load.differing.items()],
        *([("× t90", 12, "n", lambda s: _number(s.multiple, 3)), ("t90 min", 13, "n", lambda s: _number(s.t90, 3))] if load.two_steps else []),
        ("minutes", 19, "n", lambda s: _number(s.minutes, 3 if load.two_steps else 4, "big")),
        *([("°C", 13, "n", lambda s: _number(s.temp_c, 4))] if several else []),
        (f"face, min at {reference}", 15, "n", lambda s: _plain(s.face)),
        (f"centre, min at {reference}", 16, "n", lambda s: _plain(s.centre)),
        ("preform g", 17.5, "n", lambda s: _number(s.preform_g, 4)),
    ]  # fmt: skip
    planned = [
        c for c in planned if not (c[0].startswith(("face", "centre", "preform")) and _empty(slabs, c[0]))
    ]
    written: list[Column] = [(name, 0, "", lambda s: box()) for name in ("mass g", "shut at", "open at")]
    wide = sum(width for _, width, _, _ in planned)
    if wide + _BOX_MM * len(written) <= _SHEET_MM:
        return _columns(slabs, [*planned, *written])
    fit = min(1.0, _SHEET_MM / wide)
    narrow = [(name, fit * width, kind, cell) for name, width, kind, cell in planned]
    return Markup(_columns(slabs, narrow) + "<h2>Written down</h2>" + _columns(slabs, [planned[0], *written]))


def _columns(slabs: pd.DataFrame, columns: list[Column]) -> Markup:
    heads, widths, kinds, cells = zip(*columns)
    rows = ("<tr>" + "".join(cell(slab) for cell in cells) + "</tr>" for slab in slabs.itertuples())
    return table(heads, rows, "".join(kind or " " for kind in kinds), widths)


def _text(values: pd.Series) -> Callable[[Any], str]:
    """Return what makes the cell of a slab from its own value."""
    kind = " class='small'" if values.str.len().max() > 8 else ""
    return lambda slab: f"<td{kind}><b>{escape(values[slab.Index])}</b></td>"


def _empty(slabs: pd.DataFrame, name: str) -> bool:
    column = {"preform g": "preform_g"}.get(name, name.split(",")[0])
    return bool(slabs[column].isna().all())


def _number(value: float, digits: int, kind: str = "") -> str:
    """Return a cell with a number, or a box to write it in where it is not known."""
    return box() if np.isnan(value) else f"<td class='n {kind}'>{number(value, digits)}</td>"


def _plain(value: float) -> str:
    return f"<td class='n'>{'' if np.isnan(value) else number(value, 3)}</td>"


def sheets(loads: Iterable[Load], brief: Brief, site: Site) -> Iterator[Markup]:
    """Yield the card of each load."""
    for load in loads:
        yield cure_sheet(load, brief, site)
