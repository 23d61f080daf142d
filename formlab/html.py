"""Small, escaped HTML for notebooks, cards and reports; knows nothing of what it shows."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape as _escape
from html import unescape
from typing import Any

import numpy as np
import pandas as pd

__all__ = ["Markup", "counted", "escape", "fold", "headed", "number", "panel", "table"]

HEADS = {  # columns of the tables of statistics, for people
    "std_error": "standard error",
    "moves_with": "moves most with",
    "vif": "VIF",
    "df": "degrees of freedom",
    "df_error": "of the error",
    "f": "F",
    "matters": "difference that matters",
    "power": "chance to see it",
    "smallest": "seen in 8 of 10",
    "r2": "R²",
    "r2_predicted": "R² of batches left out",
    "s": "error (sd)",
    "sd": "standard deviation",
    "batch_low": "batch low",
    "batch_high": "batch high",
    "mc_error": "error of counting",
    "implied_low": "lowest possible",
    "implied_high": "highest possible",
}


class Markup(str):
    """Text that is already HTML; everything else is escaped."""


def escape(text: Any) -> Markup:
    """Return `text` as HTML, escaped unless it is `Markup` already."""
    return text if isinstance(text, Markup) else Markup(_escape(str(text)))


def counted(count: int, noun: str) -> str:
    """Return a count with its noun in the right number: 1 batch, 2 batches."""
    return f"{count} {noun}" + ("" if count == 1 else "es" if noun.endswith("ch") else "s")


def first_few(words: Sequence[str], most: int, between: str = ", ") -> str:
    """Return the first few words and how many more there are: oil, chalk and 3 more."""
    more = f" and {len(words) - most} more" if len(words) > most else ""
    return between.join(words[:most]) + more


def number(value: Any, digits: int = 4) -> str:
    """Return a number with `digits` significant digits, no exponent in everyday sizes."""
    if value is None:
        return ""
    if value is pd.NA or value is pd.NaT:
        return "–"
    if isinstance(value, (bool, np.bool_, str)):
        return str(value)
    try:
        value = float(value) + 0.0  # no "-0"
    except (TypeError, ValueError):
        return str(value)
    if value != value:
        return "–"
    if value and not 1e-4 <= abs(value) < 1e7:
        return f"{value:.{digits - 1}e}"
    text = f"{value:.{digits}g}"
    if "e" in text:
        text = f"{value:.0f}"
    return text


def headed(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table of statistics with heads for people, and p values too small to be meant as a limit."""
    shown = frame.rename(columns=HEADS)
    if "p" in shown:
        shown["p"] = ["< 0.0001" if p < 1e-4 else p for p in shown["p"]]
    return shown


def table(frame: pd.DataFrame, *, rows: int = 10, index: bool = False, digits: int = 4) -> Markup:
    """Return the first `rows` rows of a frame as an HTML table, and how many more there are."""
    shown = frame.head(rows)
    if index:
        shown = shown.reset_index()
    lines = list(shown.itertuples(index=False))
    kinds = ["t" if any(_is_word(line[k]) for line in lines) else "n" for k in range(shown.shape[1])]
    head = "".join(f"<th scope='col' class='{k}'>{escape(n)}</th>" for k, n in zip(kinds, shown.columns))
    body = ""
    for line in lines:
        texts = [escape(cell if isinstance(cell, Markup) else number(cell, digits)) for cell in line]
        body += "<tr>" + "".join(f"<td class='{k}'>{text}</td>" for k, text in zip(kinds, texts)) + "</tr>"
    more = len(frame) - len(shown)
    foot = f"<p class='more'>{more} more row{'s' if more != 1 else ''}</p>" if more > 0 else ""
    inside = f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    return Markup(f"<div class='wide'>{inside}</div>{foot}")


def _is_word(cell: Any) -> bool:
    return isinstance(cell, str) and not re.fullmatch(r"([<>] ?)?[-–]?[\d.]*( ?\*)?", unescape(cell))


def fold(summary: str, content: Markup) -> Markup:
    """Return content behind a line that opens on a click."""
    return Markup(f"<details><summary>{escape(summary)}</summary>{escape(content)}</details>")


def panel(title: str, verdict: str, *parts: Markup) -> Markup:
    """Return a notebook panel: the title, the verdict first, then the parts."""
    inside = "".join(escape(part) for part in parts)
    return Markup(
        f"<div class='formlab'>{_STYLE}<h4>{escape(title)}</h4>"
        f"<p class='verdict'>{escape(verdict)}</p>{inside}</div>"
    )


# Colours come from the notebook's own theme, so that dark and light both keep their contrast.
_STYLE = Markup(
    "<style>.formlab{font-variant-numeric:tabular-nums;line-height:1.35;max-width:60em}"
    ".formlab h4{margin:.2em 0}.formlab .verdict{margin:.2em 0 .5em;font-weight:600}"
    ".formlab p{margin:.2em 0}.formlab table{border-collapse:collapse;margin:.3em 0;font-size:inherit}"
    ".formlab th{border-bottom:1px solid currentColor;padding:.15em .7em;text-align:right}"
    ".formlab td{padding:.1em .7em;text-align:right}.formlab td.t,.formlab th.t"
    "{text-align:left}.formlab .wide{overflow-x:auto;max-width:100%}.formlab .more{opacity:.8;margin:.1em 0}"
    ".formlab summary{cursor:pointer;margin:.2em 0}</style>"
)
