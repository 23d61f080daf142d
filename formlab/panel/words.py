"""What the panel says, as HTML: the verdict, targets and predictions on strips, costs, kept formulas."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.html import Markup, escape, fold, number, table
from formlab.panel.whatif import Outcome, percent

__all__ = ["SHORT", "STYLE", "compared", "costs", "predictions", "trust", "verdict"]

WIDE, HIGH = 150, 24  # of a strip, in px
SHORT = {
    "true_mean": "true mean meets all targets",
    "new_batch": "one new batch truly does",
    "accepted": "a new batch passes its tests",
}


def _signed(value: float) -> str:
    return "±0.0 %" if abs(value) < 0.0005 else f"{'+' if value > 0 else '−'}{100 * abs(value):.1f} %"


def verdict(brief: Brief, outcome: Outcome, today: Outcome | None) -> Markup:
    """The answer at a glance: how surely all targets are met, and what it costs against today."""
    c = outcome.conformance
    cells = [(words.replace("true mean", c.of), percent(getattr(c, kind))) for kind, words in SHORT.items()]
    if outcome.cost is not None:
        column = "per_piece" if "per_piece" in outcome.cost else "per_litre"
        cost = f"{number(outcome.cost[column])} {brief.currency}"
        if today is not None and today.cost is not None:
            cost += f", {_signed(outcome.cost[column] / today.cost[column] - 1)}"
        cells.append((f"{column.replace('_', ' ')}{', against today' if today is not None else ''}", cost))
    inside = "".join(f"<div><span>{escape(k)}</span><strong>{escape(v)}</strong></div>" for k, v in cells)
    said = _decides(brief, outcome)
    return Markup(f"<div class='fl-verdict'>{inside}</div><p class='fl-said'>{escape(said)}</p>")


def _decides(brief: Brief, outcome: Outcome) -> str:
    chances = outcome.predicted["chance"].dropna()
    said = []
    made, least = outcome.conformance.made, float(chances.min()) if len(chances) else 1.0
    if made < min(least, 0.995):
        said.append(f"In most doubt: whether it can be made at all, {percent(made)} sure by itself.")
    elif least < 0.995:
        name = str(chances.idxmin())
        target = outcome.predicted.loc[name, "target"]
        said.append(f"Hardest to meet: {brief.title_of(name)} {target}, {percent(least)} sure by itself.")
    if outcome.beyond:
        titles = ", ".join(brief.title_of(n) for n in outcome.beyond)
        said.append(f"Less sure than at any trial: {titles}. Nothing was tried near here.")
    return " ".join(said)


def predictions(brief: Brief, outcome: Outcome, today: Outcome | None) -> Markup:
    """One row a response: target, mean with its interval, how sure, and all of it on a strip."""
    rows = ""
    for part in brief.responses:
        line = outcome.predicted.loc[part.name]
        now = None if today is None else float(today.predicted.loc[part.name, "mean"])
        chance = "–" if np.isnan(line["chance"]) else percent(line["chance"])
        cells = [
            ("", f"{number(line['mean'], 3)}"),
            ("", f"{number(line['low'], 3)} to {number(line['high'], 3)}"),
            ("", "" if now is None else number(now, 3)),
            ("", chance),
        ]
        figures = "".join(f"<td class='n{k}'>{escape(v)}</td>" for k, v in cells)
        title = part.title + (f", {part.unit}" if part.unit else "")
        rows += (
            f"<tr data-response='{escape(part.name)}'><th scope='row'>{escape(title)}<small>{escape(_target(part))}"
            f"</small></th>{figures}<td class='strip'>{_strip(part, line, now)}</td></tr>"
        )
    if outcome.conformance.made < 0.995:
        blank = "<td class='n'></td>" * 3 + f"<td class='n'>{escape(percent(outcome.conformance.made))}</td>"
        rows += (
            "<tr data-made='1'><th scope='row'>can be made<small>some trials could not; without it no target is met</small>"
            f"</th>{blank}<td class='strip'></td></tr>"
        )
    heads = [
        "response and target",
        brief.statistic_words,
        f"95 % of the {brief.statistic_words}",
        "today" if today is not None else "",
        "target met",
        "",
    ]
    head = "".join(f"<th scope='col'>{escape(h)}</th>" if h else "<td></td>" for h in heads)
    key = (
        f"Strip: filled = target; block and bar = {brief.statistic_words} and its 95 %; thin line = 95 % of one reading of a new batch"
        + ("; diamond = today." if today is not None else ".")
    )
    return Markup(
        f"<table class='fl-predicted'><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
        f"<p class='fl-key'>{escape(key)}</p>"
    )


def _target(part: Response) -> str:
    return part.target_text.removesuffix(part.unit).strip() if part.has_target else "only watched"


def _strip(part: Response, line: Any, now: float | None) -> str:
    """Target, intervals, mean and today's mean along one axis; the numbers stand beside it."""
    low, high = part.target
    ends = [e for e in (low, high) if math.isfinite(e)]
    seen = [
        line["batch_low"],
        line["batch_high"],
        line["low"],
        line["high"],
        *ends,
        *([] if now is None else [now]),
    ]
    first, last = min(seen), max(seen)
    pad = 0.06 * (last - first) or 1.0
    first, last = first - pad, last + pad

    def x(value: float) -> float:
        return round(WIDE * (min(max(value, first), last) - first) / (last - first), 1)

    def bar(a: float, b: float, height: float, css: str) -> str:
        width = max(x(b) - x(a), 1)
        return f"<rect class='{css}' x='{x(a)}' y='{(HIGH - height) / 2}' width='{width:.1f}' height='{height}'/>"

    marks = bar(low, high, HIGH, "target") if part.has_target else ""
    marks += "".join(f"<line class='edge' x1='{x(e)}' x2='{x(e)}' y1='0' y2='{HIGH}'/>" for e in ends)
    marks += bar(line["batch_low"], line["batch_high"], 1.4, "fit") + bar(
        line["low"], line["high"], 6, "band"
    )
    if now is not None:
        marks += f"<path class='today' d='M{x(now)} {HIGH / 2 - 10}l7 10l-7 10l-7-10z'/>"
    marks += f"<rect class='fit' x='{x(line['mean']) - 3}' y='{HIGH / 2 - 6}' width='6' height='12'/>"
    box = f"width='{WIDE}' height='{HIGH}' viewBox='0 0 {WIDE} {HIGH}' preserveAspectRatio='none'"
    return f"<svg aria-hidden='true' {box}>{marks}</svg>"


def costs(brief: Brief, outcome: Outcome, today: Outcome | None) -> Markup:
    """Cost per kg, litre and piece, beside today's at the same prices, and what a year would save."""
    if outcome.cost is None:
        return Markup(
            "<p class='fl-said'>The brief lacks a price or density of some ingredient, so no costs.</p>"
        )
    lines = []
    for name, value in outcome.cost.items():
        line = [f"{brief.currency} {str(name).replace('_', ' ')}", number(value)]
        if today is not None and today.cost is not None:
            line += [number(today.cost[name]), _signed(value / today.cost[name] - 1)]
        lines.append(line)
    heads = ["material cost", "here", "today", "change"][: len(lines[0])]
    rows = "".join(
        f"<tr data-cost='{name}'><th scope='row'>{escape(line[0])}</th>"
        + "".join(f"<td class='n'>{escape(v)}</td>" for v in line[1:]) + "</tr>"
        for name, line in zip(outcome.cost.index, lines)
    )  # fmt: skip
    head = "".join(f"<th scope='col'>{escape(h)}</th>" for h in heads)
    said = _year(brief, outcome, today)
    return Markup(
        f"<table class='fl-costs'><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
        f"<p class='fl-said'>{escape(said)}</p>"
    )


def _year(brief: Brief, outcome: Outcome, today: Outcome | None) -> str:
    piece = brief.piece
    if today is None or today.cost is None or outcome.cost is None or piece is None or piece.per_year is None:
        return ""
    saved = (today.cost["per_piece"] - outcome.cost["per_piece"]) * piece.per_year
    if abs(saved) < 0.5:
        return ""
    verb = "saves" if saved >= 0 else "costs"
    return f"Over {piece.per_year:,.0f} pieces a year it {verb} {abs(saved):,.0f} {brief.currency}{'' if saved >= 0 else ' more'}."


def trust(remarks: list[str]) -> Markup:
    """What is known against the surfaces, folded."""
    if not remarks:
        return Markup("")
    lines = "".join(f"<li>{escape(text)}</li>" for text in remarks)
    return fold(
        f"How far to trust the predictions: {len(remarks)} remark{'s' if len(remarks) > 1 else ''}",
        Markup(f"<ul>{lines}</ul>"),
    )


def compared(frame: pd.DataFrame) -> Markup:
    """Kept formulas side by side."""
    return table(frame.rename_axis("").reset_index(), rows=len(frame), digits=4)


# Ink and paper are the notebook's own; the three colours of the figures change with its theme.
STYLE = Markup("""<style>
.fl-panel { --fit: #71396b; --today: #a35900; --aim: #1a6fa8; --wash: #1a6fa826; --line: #6d6f75;
  color: var(--jp-content-font-color1, #2a2d33); font-variant-numeric: tabular-nums; max-width: 78em; }
[data-jp-theme-light="false"] .fl-panel { --fit: #c48fc0; --today: #eba93f; --aim: #79c7ff; --wash: #79c7ff2b;
  --line: #a5a49f; }
.fl-panel .widget-html-content, .fl-panel .jupyter-widget-html-content { line-height: 1.35; font-size: 13px;
  color: inherit; }
.fl-panel .widget-label, .fl-panel .widget-readout { color: inherit; }
.fl-panel, .fl-panel .widget-box, .fl-panel .widget-html { overflow: visible; }
.fl-panel h3 { font-size: 14px; margin: .3em 0; font-weight: 600; }
.fl-panel p { margin: .25em 0; }
.fl-verdict { display: flex; flex-wrap: wrap; gap: .3em 2.4em; margin: .2em 0; }
.fl-verdict span { display: block; font-size: 12px; } .fl-verdict strong { font-size: 20px; font-weight: 600; }
.fl-panel .widget-slider, .fl-panel .fl-choices > * { flex-wrap: wrap; height: auto; }
.fl-panel .widget-slider .widget-label, .fl-panel .fl-choices .widget-label { flex: 1 0 100%; width: auto; max-width: 100%; text-align: left; height: 20px; line-height: 20px; }
.fl-panel .fl-choices select { height: 26px; }
[data-jp-theme-light="false"] .fl-panel select { background-image: none; appearance: auto; color-scheme: dark; }
.fl-panel .fl-under { margin-top: -4px; border-bottom: 1px solid color-mix(in srgb, var(--line) 35%, transparent); }
.fl-panel table { border-collapse: collapse; }
.fl-panel th, .fl-panel td { padding: .22em .7em .22em 0; text-align: left; font-weight: 400; vertical-align: middle; }
.fl-panel thead th { border-bottom: 1px solid var(--line); font-size: 12px; vertical-align: bottom; }
.fl-panel td.n { text-align: right; white-space: nowrap; } .fl-panel thead th + th { text-align: right; }
.fl-panel th small { display: block; font-size: 12px; } .fl-panel td.strip { padding: .2em 0 .2em .6em; }
.fl-panel .fl-key, .fl-panel .fl-room { font-size: 12px; }
.fl-panel svg { display: block; } .fl-panel .target { fill: var(--wash); }
.fl-panel .edge { stroke: var(--aim); stroke-width: 1.5; stroke-dasharray: 4 2; }
.fl-panel .fit { fill: var(--fit); } .fl-panel .band { fill: var(--fit); opacity: .55; }
.fl-panel .today { fill: var(--today); stroke: var(--jp-layout-color0, #fff); }
.fl-panel button:focus-visible, .fl-panel .noUi-handle:focus-visible { outline: 2px solid var(--aim); outline-offset: 2px; }
@media (max-width: 600px) { .fl-panel th, .fl-panel td { padding-right: .35em; } .fl-panel .fl-predicted { font-size: 12px; }
  .fl-panel td.strip { padding-left: .2em; } .fl-panel .strip svg { width: 52px; } }
.fl-panel textarea { font-family: monospace; white-space: pre; tab-size: 20; }
</style>""")
