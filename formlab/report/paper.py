"""The paper that a report is printed on: A4, tables that fit it, pictures that stand in the page."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from formlab.html import Markup, escape, number, table

__all__ = ["STYLE", "abreast", "listed", "page_table", "picture", "said", "section"]

WIDE = 108  # characters across A4 in a table; wider ones are broken and repeat their first column
LONG = 22  # characters of a word that may not be broken


def section(title: str, parts: Iterable[Markup], units: Iterable[str] = ()) -> Markup:
    """A chapter under its title; `units` are not broken between their words."""
    inside = "".join(parts)
    for unit in {escape(unit) for unit in units if " " in unit.strip()}:
        inside = inside.replace(unit, unit.replace(" ", "\u00a0"))
    return Markup(f"<section><h2>{escape(title)}</h2>{inside}</section>")


def said(lines: Iterable[Any]) -> Markup:
    return Markup("".join(f"<p>{escape(line)}</p>" for line in lines))


def listed(lines: Iterable[Any]) -> Markup:
    return Markup("<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>")


def page_table(frame: pd.DataFrame, title: str = "") -> Markup:
    """A table under its title; one that is wider than the paper is broken and repeats its first column."""
    soft = frame.set_axis([_soft(str(name)) for name in frame.columns], axis=1)
    soft = soft.apply(lambda c: c.map(lambda v: _soft(v) if isinstance(v, str) else v).astype(object))
    tables = "".join(table(soft.iloc[:, piece], rows=len(frame)) for piece in _pieces(frame))
    head = f"<h3>{escape(title)}</h3>" if title else ""
    kind = "wide short" if len(frame) <= 15 else "wide"
    return Markup(f"<div class='{kind}'>{head}{tables}</div>")


def _pieces(frame: pd.DataFrame) -> list[list[int]]:
    """Which columns stand beside each other on paper."""
    widths = [
        2 + max(min(len(word), LONG) for text in [name, *column] for word in [*number(text).split(), ""])
        for name, column in ((str(name), frame.iloc[:, k]) for k, name in enumerate(frame.columns))
    ]
    fewest = len(_filled(widths, WIDE))
    # no wider than need be, so that no piece is left with one narrow column
    return next(
        found for most in range(max(widths), WIDE + 1) if len(found := _filled(widths, most)) == fewest
    )


def _filled(widths: Sequence[int], most: int) -> list[list[int]]:
    """Columns in order, each piece the first one and as many more as fit."""
    pieces, used = [[0]], widths[0]
    for k in range(1, len(widths)):
        if used + widths[k] > most and len(pieces[-1]) > 1:
            pieces.append([0])
            used = widths[0]
        pieces[-1].append(k)
        used += widths[k]
    return pieces


def _soft(text: str) -> Markup:
    """Text that may be broken inside words which no column could hold."""
    parts = re.split(rf"(\S{{{LONG}}})(?=\S)", text)
    return Markup("".join(escape(part) + ("<wbr>" if k % 2 else "") for k, part in enumerate(parts)))


def abreast(draw: Callable[..., Any], things: Sequence[Any], most: int = 4) -> Any:
    """Draw each thing on Axes of its own, at most so many beside each other."""
    from matplotlib import pyplot as plt

    columns = min(len(things), most)
    rows = -(-len(things) // columns)
    size = (max(2.6 * columns, 5.2), 3.6 * rows)
    figure, grid = plt.subplots(rows, columns, figsize=size, layout="constrained", squeeze=False)
    for ax, thing in zip(grid.ravel(), things):
        draw(thing, ax)
    for ax in grid.ravel()[len(things) :]:
        ax.set_axis_off()
    return grid


def picture(draw: Callable[[], Any], words: str, kind: str = "") -> Markup:
    """What a figure function draws, as a picture in the page."""
    from matplotlib import pyplot as plt

    with plt.style.context("default"), plt.ioff():
        drawn = draw()
        figure = np.atleast_1d(np.asarray(drawn, dtype=object)).ravel()[0].figure
        file = io.BytesIO()
        figure.savefig(file, format="png", dpi=150, metadata={"Software": None})
        plt.close(figure)
    data = base64.b64encode(file.getvalue()).decode()
    return Markup(
        f"<figure class='{kind}'><img alt='{escape(words)}' src='data:image/png;base64,{data}'>"
        f"<figcaption>{escape(words)}</figcaption></figure>"
    )


STYLE = """
@page { size: A4 portrait; margin: 15mm 14mm 16mm; @bottom-right { content: counter(page) " / " counter(pages); font: 8pt sans-serif; } }
* { box-sizing: border-box; }
html { color-scheme: light; }
body { margin: 0; background: #f1efec; color: #2a2d33; font: 10pt/1.4 "DejaVu Sans", Verdana, Arial, sans-serif; }
main { max-width: 210mm; margin: 0 auto; padding: 12mm 14mm; background: #fff; overflow-wrap: anywhere;
  font-variant-numeric: tabular-nums; }
h1 { font-size: 19pt; line-height: 1.2; margin: 0 0 1mm; } header p { margin: 0; color: #5b5d63; } .kind { letter-spacing: .04em; }
h2 { font-size: 13pt; margin: 8mm 0 2mm; padding-top: 2mm; border-top: .5mm solid #71396b; white-space: pre-wrap; }
h3 { font-size: 10pt; margin: 4mm 0 1mm; }
p, ul { margin: 1.5mm 0; } ul { padding-left: 5mm; } li { margin: .6mm 0; }
.verdict { border: .5mm solid #71396b; border-radius: 1.5mm; padding: 2mm 4mm; margin: 5mm 0; font-size: 10.5pt; }
.wide { overflow-x: auto; margin: 2mm 0 3mm; }
table { border-collapse: collapse; max-width: 100%; font-size: 8pt; line-height: 1.25; margin: 1mm 0 2.5mm; }
th { border-bottom: .4mm solid #2a2d33; padding: .6mm 1.6mm; text-align: right; vertical-align: bottom; }
td { border-bottom: .15mm solid #c9c6c0; padding: .5mm 1.6mm; text-align: right; vertical-align: top; }
td, th { overflow-wrap: break-word; } td.n { white-space: nowrap; } th.t, td.t { text-align: left; }
figure { margin: 3mm 0; break-inside: avoid; } img { max-width: 100%; max-height: 230mm; display: block; }
figure.small img { max-height: 75mm; }
figcaption { font-size: 8pt; color: #5b5d63; }
h2, h3 { break-after: avoid; } tr, li, .short, .verdict { break-inside: avoid; } thead { display: table-header-group; }
@media print { body { background: #fff; font-size: 9pt; } main { max-width: none; padding: 0; } .wide { overflow: visible; }
  figure.half img { max-height: 140mm; } h2 + p { break-after: avoid; break-inside: avoid; } }
"""
