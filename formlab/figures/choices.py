"""Choices: where all targets are met, what a suggestion will do, and whether promises came true."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from formlab.brief import Brief
from formlab.figures.maps import Field, grey_out, word_on_line
from formlab.figures.responses import mark_plane, plane
from formlab.figures.slices import BLOCK, EDGE, held, reference
from formlab.figures.theme import Look, axes, heading, key, label, panels, percent
from formlab.html import number
from formlab.progress import along, showing
from formlab.suggest.conformance import chance_of_all, meaning

__all__ = ["confirmed", "predicted_against_targets", "reliability", "where_met"]

SURE = (0.5, 0.8, 0.9, 0.95)
OF = {
    "true_mean": "the true mean meets",
    "new_batch": "one new batch truly meets",
    "accepted": "a new batch passes on",
}
DRAWS = 2000


# ---- where --------------------------------------------------------------------------------------


def where_met(
    brief: Brief,
    surfaces: Any,
    x: str,
    y: str,
    at: Any = None,
    ax: Axes | None = None,
    *,
    of: str = "true_mean",
    draws: int = DRAWS,
    seed: int = 0,
) -> Axes:
    """Draw over two factors how surely all targets are met together, and which target stops it where.

    For the product manager and the chemist: how much room is there to move, and what ends it?

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
    x, y : str
        Numeric factors.
    at : formula or Suggestion, optional
        What the others are held at; today's formula where left out, else the centre of the region.
    ax : Axes, optional
    of : {"true_mean", "new_batch", "accepted"}
    draws : int
        Joint draws behind each probability; its standard error is at most 0.5 / sqrt(draws).
    seed : int

    Returns
    -------
    Axes
    """
    here = reference(brief, at)
    ax, look = axes(ax, (6.6, 5.2))
    fitted = list(surfaces.values())
    with showing("where targets are met", 2) as work:
        work.at(0)
        field = plane(fitted, x, y, here, ax)
        work.at(1)
        sure = _chances(brief, surfaces.draw(draws, seed=seed), field, of, seed)
    handles = mark_plane(field, fitted, x, y, here, look)
    colours: list[Any] = [look.washes[0], *[look.ramp(v) for v in (0.3, 0.52, 0.76, 1.0)]]
    field.fill(sure, levels=[-1e-9, *SURE, 1 + 1e-9], colors=colours, zorder=1)
    _target_edges(field, brief, look)
    handles += grey_out(field, look)
    between = [f"{100 * a:.0f} to {percent(b)} sure" for a, b in zip(SURE, SURE[1:])]
    words = [f"below {percent(SURE[0])} sure", *between, f"above {percent(SURE[-1])} sure"]
    shades = [Patch(facecolor=c, edgecolor=look.faint, lw=0.5, label=w) for c, w in zip(colours, words)]
    ax.set_xlabel(label(brief, x))
    ax.set_ylabel(label(brief, y))
    best = float(sure[field.slack >= -EDGE].max()) if (field.slack >= -EDGE).any() else float("nan")
    rest = held(brief, here, [x, y])
    heading(
        ax,
        f"Where {OF[of].replace('true mean', brief.true_words)} all targets: at best {percent(best)} sure on this slice"
        + (f"\n{rest}" if rest else ""),
        look,
    )
    key(ax, look, shades + handles, 3)
    return ax


def _chances(brief: Brief, draws: Any, field: Field, of: str, seed: int) -> np.ndarray:
    """How surely all targets are met over the field; 0 where the grey of what limits forbid covers it."""
    from scipy.ndimage import binary_dilation

    inside = (field.slack >= -EDGE).reshape(field.shape)
    seen = np.flatnonzero(
        binary_dilation(inside, np.ones((3, 3)))
    )  # and next to it: contours run between points
    out = np.zeros(len(field.frame))
    for rows in along([seen[k : k + BLOCK] for k in range(0, len(seen), BLOCK)], "counting draws"):
        out[rows] = chance_of_all(brief, draws, field.frame.iloc[rows], of, seed)
    return out


def _constant(words: str, level: float) -> str:
    return words


def _target_edges(field: Any, brief: Brief, look: Look) -> None:
    """A line where each predicted mean crosses a limit of its target, named on the line."""
    styles = [(0, (5, 1.6)), (0, (1.2, 1.4)), (0, (6, 1.5, 1.2, 1.5)), "solid", (0, (9, 2))]
    for k, part in enumerate(p for p in brief.responses if p.has_target):
        values = field.means[part.name]
        for edge, side in zip(part.target, ("≥", "≤")):
            if np.isfinite(edge) and values.min() < edge < values.max():
                lines = field.lines(
                    values, levels=[edge], colors=[look.target], linewidths=1.4,
                    linestyles=[styles[k % len(styles)]], zorder=2.5,
                )  # fmt: skip
                unit = part.unit if len(part.unit) <= 8 else ""
                words = f"{part.title} {side} {edge:g} {unit}".strip()
                word_on_line(field, lines, partial(_constant, words), look, color=look.target)


# ---- what ---------------------------------------------------------------------------------------


def predicted_against_targets(suggestion: Any, ax: Any = None) -> np.ndarray:
    """Draw what a suggestion is predicted to do against each target, and what today's formula does.

    For the product manager: does it meet what was asked, with how much to spare, and is it better than now?

    Parameters
    ----------
    suggestion : Suggestion
    ax : array of Axes, optional
        One a response.

    Returns
    -------
    ndarray of Axes, shape (n_responses,)
    """
    names = list(suggestion.predicted.index)
    grid, look = panels(ax, len(names), 1, (6.6, 0.9 + 0.95 * len(names)))
    rows = grid[:, 0]
    for one, name in zip(rows, names):
        _against_target(one, suggestion, name, look)
    if ax is None:
        said = suggestion.brief.statistic_words
        handles = [
            Line2D([], [], ls="", marker="s", ms=7, color=look.fit, label=f"suggested: predicted {said}"),
            Line2D([], [], color=look.fit, lw=5, alpha=0.55, label=f"95 % of the {said}"),
            Line2D([], [], color=look.fit, lw=1.4, label="95 % of one reading, new batch"),
            Patch(facecolor="none", edgecolor=look.target, hatch="////", lw=0, label="misses the target"),
        ]
        if suggestion.current is not None:
            handles.insert(
                1, Line2D([], [], ls="", marker="D", ms=6, color=look.today, label="today, predicted")
            )
        figure = rows[0].figure
        figure.legend(
            handles=handles, loc="outside lower left", ncols=2, frameon=False, fontsize=8.5,
            labelcolor=look.ink,
        )  # fmt: skip
        p = getattr(suggestion.conformance, suggestion.of)
        figure.suptitle(
            f"{meaning(suggestion.of, suggestion.brief.true_words)} together: {percent(p)} sure".capitalize(), x=0.01, ha="left", fontsize=9.5,
            color=look.ink,
        )  # fmt: skip
    return rows


def _against_target(ax: Axes, suggestion: Any, name: str, look: Look) -> None:
    part, line = suggestion.brief.by_name[name], suggestion.predicted.loc[name]
    today = _today(suggestion, part)
    _misses(ax, part, [line["batch_low"], line["batch_high"], *([] if today is None else [today])], look)
    ax.plot([line["batch_low"], line["batch_high"]], [0, 0], color=look.fit, lw=1.4)
    ax.plot([line["low"], line["high"]], [0, 0], color=look.fit, lw=6, alpha=0.55, solid_capstyle="butt")
    ax.plot([line["mean"]], [0], ls="", marker="s", ms=7.5, mfc=look.fit, mec=look.paper, zorder=4)
    if today is not None:
        ax.plot([today], [0.55], ls="", marker="D", ms=6, mfc=look.today, mec=look.paper, zorder=4)
    ax.set_ylim(-0.8, 1.0)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.set_xlabel(label(suggestion.brief, name), labelpad=1.5)
    chance = f"{percent(line['chance'])} sure" if part.has_target else "watched"
    ax.text(
        1.01, 0.5, f"{part.statistic} {number(line['mean'], 3)} {part.unit if len(part.unit) <= 8 else ''}\n{part.target_text}\n{chance}",
        transform=ax.transAxes, va="center", ha="left", fontsize=8, color=look.ink, linespacing=1.35,
    )  # fmt: skip


def _today(suggestion: Any, part: Any) -> float | None:
    if suggestion.current is None:
        return None
    return float(suggestion.current.loc[suggestion.brief.head(part.name), "today"])


def _misses(ax: Axes, part: Any, seen: Sequence[float], look: Look) -> None:
    """Hatch what misses the target, as far as the axis reaches about what is to be seen on it."""
    seen = [*seen, *(e for e in part.target if np.isfinite(e))]
    reach = max(seen) - min(seen) or 1.0
    low, high = min(seen) - 0.12 * reach, max(seen) + 0.12 * reach
    for edge, far in zip(part.target, (low, high)):
        if np.isfinite(edge):
            ax.axvspan(far, edge, facecolor="none", edgecolor=look.target, hatch="////", alpha=0.3, lw=0)
            ax.axvline(edge, color=look.target, lw=1.3)
    ax.set_xlim(low, high)


# ---- did it come true ---------------------------------------------------------------------------


def confirmed(told: Any, ax: Any = None) -> np.ndarray:
    """Draw what each confirmation batch read, against what was to be expected of it and against the targets.

    For the chemist and the product manager: did the formula do what was said of it?

    Parameters
    ----------
    told : Confirmation
        From `formlab.suggest.confirm` or `confirm_promise`.
    ax : array of Axes, optional
        One a response that was read.

    Returns
    -------
    ndarray of Axes, shape (n_responses,)
    """
    names = list(dict.fromkeys(told.table["response"]))
    batches = list(dict.fromkeys(told.table["batch"]))
    height = 0.55 + 0.24 * len(batches)
    grid, look = panels(ax, len(names), 1, (6.6, 1.0 + height * len(names)))
    rows = grid[:, 0]
    for one, name in zip(rows, names):
        part, lines = told.brief.by_name[name], told.table[told.table["response"] == name]
        _misses(one, part, lines[["low", "high", "observed"]].to_numpy().ravel().tolist(), look)
        place = [batches.index(b) for b in lines["batch"]]
        one.hlines(place, lines["low"], lines["high"], color=look.fit, lw=5, alpha=0.45)
        one.plot(lines["predicted"], place, ls="", marker="|", ms=8, mew=1.6, color=look.fit)
        one.plot(lines["observed"], place, ls="", marker="o", ms=6, mfc=look.ink, mec=look.paper, zorder=4)
        one.set_yticks(range(len(batches)), batches)
        one.set_ylim(len(batches) - 0.4, -0.6)
        one.set_xlabel(label(told.brief, name), labelpad=1.5)
    if ax is None:
        handles = [
            Line2D([], [], ls="", marker="o", ms=6, color=look.ink, label="read, of the batch"),
            Line2D([], [], ls="", marker="|", ms=8, mew=1.6, color=look.fit, label="predicted"),
            Line2D([], [], color=look.fit, lw=5, alpha=0.45, label="where 95 % of such batches read"),
            Patch(facecolor="none", edgecolor=look.target, hatch="////", lw=0, label="misses the target"),
        ]
        figure = rows[0].figure
        figure.legend(handles=handles, loc="outside lower left", ncols=2, frameon=False, fontsize=8.5, labelcolor=look.ink)  # fmt: skip
        figure.suptitle(told.verdict.split(";")[0] + ".", x=0.01, ha="left", fontsize=9.5, color=look.ink)
    return rows


def reliability(ledger: Any, ax: Axes | None = None) -> Axes:
    """Draw how often promises came true against how sure they were said to be.

    For the analyst and whoever has to trust the next suggestion: does 90 % sure mean nine times in ten?

    Parameters
    ----------
    ledger : Ledger
        From `formlab.suggest.score_promises`.
    ax : Axes, optional

    Returns
    -------
    Axes
        Bars are 95 % Clopper-Pearson intervals of the share; numbers are promises.
    """
    from scipy.stats import binomtest

    ax, look = axes(ax, (4.9, 5.0))
    table = ledger.reliability
    ax.plot([0, 100], [0, 100], color=look.faint, lw=1.0, zorder=1)
    for line in table.itertuples():
        ends = binomtest(int(line.came_true), int(line.promises)).proportion_ci(0.95)
        ax.vlines(
            100 * line.claimed, 100 * ends.low, 100 * ends.high, color=look.fit, lw=2, alpha=0.5, zorder=2
        )
        ax.annotate(
            f"{line.promises}", (100 * line.claimed, 100 * ends.low), xytext=(0, -3),
            textcoords="offset points", ha="center", va="top", fontsize=8, color=look.ink, path_effects=look.halo,
        )  # fmt: skip
    ax.plot(
        100 * table["claimed"], 100 * table["share"], ls="", marker="o", ms=6, mfc=look.fit, mec=look.paper,
        zorder=3,
    )  # fmt: skip
    ax.set_xlim(-3, 103)
    ax.set_ylim(-8, 103)  # room for the number below an interval that begins at nothing
    ax.set_aspect("equal")
    ax.set_xlabel("claimed chance, %")
    ax.set_ylabel("came true, % of promises")
    heading(ax, ledger.words, look)
    style: dict[str, Any] = {"ls": "", "marker": "o", "ms": 6, "mfc": look.fit, "mec": look.paper}
    handles = [
        Line2D([], [], **style, label="share that came true"),
        Line2D([], [], color=look.fit, lw=2, alpha=0.5, label="its 95 % limits, and how many promises"),
        Line2D([], [], color=look.faint, lw=1, label="as claimed"),
    ]
    key(ax, look, handles, 1)
    return ax
