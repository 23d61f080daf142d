"""The paper that cards are printed on: A4, black on white, large figures, boxes to write in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from formlab.cautions import GENERAL, Caution
from formlab.html import Markup, escape

__all__ = [
    "box",
    "document",
    "fields",
    "head",
    "notes",
    "numbered",
    "read_first",
    "reminders",
    "sheet",
    "table",
    "ticks",
]

# Nothing has a fixed height and every name may break, so that a long card grows onto a second page and no text is cut.
STYLE = """
@page { size: A4 portrait; margin: 10mm 10mm 9mm 14mm; }
* { box-sizing: border-box; }
html { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
body { margin: 0; color: #000; background: #fff; font: 11.5pt/1.22 "DejaVu Sans", Verdana, Arial, sans-serif; }
.sheet { width: 186mm; break-after: page; overflow-wrap: anywhere; font-variant-numeric: tabular-nums; }
.sheet:last-child { break-after: auto; }
header { display: grid; grid-template-columns: auto 1fr auto; gap: 5mm; align-items: stretch; border-bottom: 1.2mm solid #000;
  padding-bottom: 2mm; margin-bottom: 2.5mm; }
header .what { font-weight: 700; font-size: 11pt; letter-spacing: .06em; text-transform: uppercase; }
header .id { border: .8mm solid #000; border-radius: 1.5mm; padding: 1mm 4mm; font-size: 27pt; font-weight: 700; line-height: 1.15;
  display: flex; align-items: center; }
header .title { font-size: 12.5pt; font-weight: 700; }
header .side { text-align: right; font-size: 10pt; max-width: 46mm; }
header .side b { font-size: 13pt; }
h2 { font-size: 12pt; margin: 2.5mm 0 .5mm; break-after: avoid; }
table { width: 100%; border-collapse: collapse; }
thead { display: table-header-group; }
tr, li, .keep { break-inside: avoid; }
th { font-size: 8.7pt; line-height: 1.15; font-weight: 700; text-align: left; vertical-align: bottom; border-bottom: .6mm solid #000; padding: .6mm 1.2mm; }
td { border-bottom: .25mm solid #555; padding: .5mm 1.2mm; vertical-align: middle; height: 8.4mm; }
td.n, th.n { text-align: right; }
td.n { white-space: nowrap; }
td.big, .big { font-size: 15.5pt; font-weight: 700; line-height: 1.1; }
.long { font-size: 10.2pt; line-height: 1.15; }
td.small, .small { font-size: 9.5pt; line-height: 1.15; }
td.thin { height: 7mm; white-space: nowrap; }
td.box { border: .35mm solid #000; }
td.shut { border: .35mm solid #000; background: repeating-linear-gradient(135deg, #fff 0 1.2mm, #d8d8d8 1.2mm 1.6mm); }
td.unit { font-size: 8.5pt; color: #222; vertical-align: bottom; text-align: right; }
tr.sum { break-before: avoid; }
tr.sum td { border-top: .8mm solid #000; font-weight: 700; }
tr.group td { border-top: .7mm solid #000; }
.fields { display: flex; flex-wrap: wrap; gap: 1mm 5mm; margin: 1mm 0 1.5mm; }
p { margin: 1.5mm 0; }
.fields span { display: inline-flex; align-items: flex-end; gap: 1.5mm; }
.fields i { display: inline-block; border-bottom: .35mm solid #000; height: 6.2mm; }
.ticks span { margin-right: 5mm; white-space: nowrap; }
.ticks i { display: inline-block; width: 4.6mm; height: 4.6mm; border: .45mm solid #000; vertical-align: -.8mm; margin-right: 1.5mm; }
.notes { border-left: 1.6mm solid #000; padding: .6mm 0 .6mm 2.5mm; margin: 2mm 0; font-size: 10.5pt; break-inside: avoid; }
.notes p { margin: .4mm 0; }
ol { margin: 1mm 0; padding-left: 7mm; } ol li { margin: .8mm 0; }
.cautions { border: .35mm solid #000; padding: 1.2mm 2mm; margin-top: 2mm; font-size: 8.8pt; line-height: 1.17;
  break-inside: avoid; }
.first { font-size: 8.8pt; line-height: 1.17; margin: 0 0 2mm; }
.cautions ul { columns: 2; column-gap: 5mm; margin: 1mm 0 0; padding-left: 3.5mm; } .cautions p { margin: 0; }
.cautions li { margin: 0 0 .5mm; }
@media screen { body { background: #e4e4e4; } .sheet { background: #fff; width: 210mm; min-height: 297mm; padding: 10mm 10mm 9mm 14mm;
  margin: 6mm auto; } }
"""


def document(title: str, sheets: Iterable[Markup], language: str = "en") -> str:
    """Return a whole HTML page that prints one sheet after another; it fetches nothing."""
    return (
        f"<!doctype html>\n<html lang='{escape(language)}'><head><meta charset='utf-8'>"
        f"<meta name='viewport' content='width=device-width'><title>{escape(title)}</title>"
        f"<style>{STYLE}</style></head>\n<body>{''.join(sheets)}</body></html>\n"
    )


def sheet(*parts: Markup) -> Markup:
    return Markup(f"<section class='sheet'>{''.join(escape(p) for p in parts)}</section>\n")


def head(what: str, mark: str, title: str, lines: Sequence[str], side: Sequence[str]) -> Markup:
    """Return the head of a sheet: what it is, its mark in large print, the title, and what stands at the side."""
    below = "".join(f"<div>{escape(line)}</div>" for line in lines if line)
    right = "".join(f"<div>{escape(line)}</div>" for line in side if line)
    return Markup(
        f"<header><div class='id'>{escape(mark)}</div><div><div class='what'>{escape(what)}</div>"
        f"<div class='title'>{escape(title)}</div>{below}</div><div class='side'>{right}</div></header>"
    )


def table(heads: Sequence[str], rows: Iterable[str], kinds: str = "", widths: Sequence[float] = ()) -> Markup:
    """Return a table of `rows` (made of `<tr>`); `kinds` has an n for each column of numbers, widths are in mm."""
    cols = "".join(f"<col style='width:{w:g}mm'>" if w else "<col>" for w in widths)
    cells = "".join(
        f"<th scope='col' class='{'n' if kinds[k : k + 1] == 'n' else ''}'>{escape(h)}</th>"
        for k, h in enumerate(heads)
    )
    fixed = " style='table-layout:fixed'" if widths else ""
    return Markup(
        f"<table{fixed}><colgroup>{cols}</colgroup><thead><tr>{cells}</tr></thead><tbody>{''.join(rows)}</tbody></table>"
    )


def box(content: object = "", kind: str = "box") -> Markup:
    """Return a cell to write in, or one that is shut."""
    return Markup(f"<td class='{kind}'>{escape(content)}</td>")


def fields(*names: tuple[str, float]) -> Markup:
    """Return names, each with a line to write on of so many mm."""
    return Markup(
        "<div class='fields'>"
        + "".join(f"<span>{escape(name)}<i style='width:{mm:g}mm'></i></span>" for name, mm in names)
        + "</div>"
    )


def ticks(*names: str) -> Markup:
    """Return boxes to tick."""
    return Markup(
        "<span class='ticks'>" + "".join(f"<span><i></i>{escape(name)}</span>" for name in names) + "</span>"
    )


def notes(lines: Iterable[object]) -> Markup:
    """Return what must not be overlooked, or nothing."""
    inside = "".join(f"<p>{escape(line)}</p>" for line in lines)
    return Markup(f"<div class='notes'>{inside}</div>" if inside else "")


def numbered(lines: Iterable[object]) -> Markup:
    return Markup("<ol>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ol>")


def read_first() -> Markup:
    """Return the general caution, for the top of a sheet."""
    return Markup(f"<p class='first'><b>Read first.</b> {escape(GENERAL)}</p>")


def reminders(cautions: Iterable[Caution], mark: str, more: str = "") -> Markup:
    """Return the cautions of a sheet under its mark, in one piece; `more` says where others stand."""
    items = "".join(f"<li><b>{escape(c.topic)}.</b> {escape(c.text)}</li>" for c in cautions)
    return Markup(
        f"<div class='cautions'><p><b>{escape(mark)}: mind{escape(more)}</b></p><ul>{items}</ul></div>"
    )
