"""Plans: what is made when, and what they can tell."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from formlab.figures.slices import factors
from formlab.figures.theme import Look, heading, label, panels

__all__ = ["plan_layout"]


def plan_layout(plan: Any, ax: Any = None) -> np.ndarray:
    """Draw what is made when: trials in run order, their batches and loads, and every factor's level.

    For the R&D chemist and the mill hand: what is mixed together, what is cured together, what changes
    from one to the next?

    Parameters
    ----------
    plan : Plan
    ax : array of Axes, optional
        One for batches and loads and one a factor, that share their y axis.

    Returns
    -------
    ndarray of Axes, shape (1 + n_factors,)
    """
    frame, brief = plan.frame.reset_index(drop=True), plan.brief
    names = factors(brief)
    high = float(np.clip(1.6 + 0.16 * len(frame), 3.2, 14.0))
    size = (min(2.2 + 1.45 * len(names), 13.0), high)
    widths = (
        {"gridspec_kw": {"width_ratios": [0.35 + 0.45 * len(_who_columns(frame))] + [1.0] * len(names)}}
        if ax is None
        else {}
    )
    grid, look = panels(ax, 1, 1 + len(names), size, sharey=True, **widths)
    row = grid[0]
    y = np.arange(1, len(frame) + 1)
    for one in row:
        _batch_bands(one, frame, look)
        one.tick_params(axis="y", length=0)
        one.spines["left"].set_visible(False)
    _who(row[0], frame, y, look)
    for one, name in zip(row[1:], names):
        _levels(one, frame, name, brief, y, look)
    row[0].set_ylim(len(frame) + 0.5, 0.5)
    step = 1 if len(frame) <= 40 else 5
    row[0].set_yticks(y[step - 1 :: step], frame["trial"].astype(str)[step - 1 :: step])
    row[0].set_ylabel("trial, in run order")
    batches = frame["batch"].nunique()
    words = f"{len(frame)} trials (slabs) from {batches} batches, first at the top"
    if brief.baseline is not None:
        words += "; dashed: today's formula"
    if ax is None:
        row[0].figure.suptitle(words, x=0.01, ha="left", fontsize=9.5, color=look.ink)
    else:
        heading(row[0], words, look)
    return row


def _batch_bands(ax: Axes, frame: pd.DataFrame, look: Look) -> None:
    """Tint every other stretch of trials from one batch."""
    change = np.flatnonzero(frame["batch"].to_numpy()[1:] != frame["batch"].to_numpy()[:-1]) + 1
    edges = [0, *change, len(frame)]
    for k, (start, stop) in enumerate(zip(edges[:-1], edges[1:])):
        if k % 2 == 0:
            ax.axhspan(start + 0.5, stop + 0.5, color=look.washes[1], alpha=0.5, lw=0, zorder=0)


def _who_columns(frame: pd.DataFrame) -> list[str]:
    names = [c for c in ("block", "day", "base", "batch", "load") if c in frame and frame[c].notna().any()]
    return (["round"] if frame["round"].nunique() > 1 else []) + names


def _who(ax: Axes, frame: pd.DataFrame, y: np.ndarray, look: Look) -> None:
    """Write each batch, load, day or block once a stretch, in columns."""
    columns = _who_columns(frame)
    for k, column in enumerate(columns):
        values = frame[column].astype(str).to_numpy()
        change = np.flatnonzero(values[1:] != values[:-1]) + 1
        for start, stop in zip([0, *change], [*change, len(values)]):
            ax.plot([k + 0.3] * 2, [start + 0.7, stop + 0.3], color=look.faint, lw=1.2, solid_capstyle="butt")
            ax.text(
                k + 0.22, (start + stop + 1) / 2, values[start], ha="right", va="center", fontsize=7.5,
                color=look.ink,
            )  # fmt: skip
    ax.set_xlim(-0.6, len(columns) - 0.4)
    ax.set_xticks(range(len(columns)), columns)
    ax.tick_params(axis="x", length=0)


def _levels(ax: Axes, frame: pd.DataFrame, name: str, brief: Any, y: np.ndarray, look: Look) -> None:
    """A dot at each trial's level, joined down the run so that changes are seen."""
    if name in brief.ranges:
        low, high = brief.ranges[name]
        x = frame[name].to_numpy(float)
        ax.set_xticks([low, high], [f"{low:g}", f"{high:g}"])
        ax.set_xlim(low - 0.22 * (high - low), high + 0.22 * (high - low))
        for edge in (low, high):
            ax.axvline(edge, color=look.faint, lw=0.5, alpha=0.6, zorder=1)
        if brief.baseline is not None:
            ax.axvline(brief.baseline[name].iloc[0], color=look.today, lw=1.2, ls=(0, (2, 2)), zorder=1)
    else:
        levels = list(map(str, brief.by_name[name].levels))
        x = frame[name].astype(str).map(levels.index).to_numpy(float)
        ax.set_xticks(range(len(levels)), levels)
        ax.set_xlim(-0.5, len(levels) - 0.5)
        if brief.baseline is not None:
            spot = levels.index(str(brief.baseline[name].iloc[0]))
            ax.axvline(spot, color=look.today, lw=1.2, ls=(0, (2, 2)), zorder=1)
    ax.plot(x, y, color=look.fit, lw=0.6, alpha=0.45, zorder=2)
    ax.plot(x, y, ls="", marker="o", ms=4.4, mfc=look.fit, mec=look.paper, mew=0.6, zorder=3)
    ax.set_xlabel(label(brief, name))
