"""Fits: how far a surface can be trusted."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from formlab.figures.theme import axes, heading, key, label, percent

__all__ = ["observed_predicted"]


def observed_predicted(surface: Any, ax: Axes | None = None, level: float = 0.95) -> Axes:
    """Draw what was measured against what the surface says of the same trials.

    For the analyst: does the surface follow the trials, and which trial does it miss most?

    Parameters
    ----------
    surface : Surface
    ax : Axes, optional
    level : float
        Of the interval of the mean, drawn as a thin bar.

    Returns
    -------
    Axes
    """
    brief, response, values = surface.brief, surface.response, surface.values
    ax, look = axes(ax, (5.0, 4.9))
    table = surface.predict_table(surface.formulas, level=level)
    said, seen = table["mean"].to_numpy(), values.y
    ends = [min(said.min(), seen.min()), max(said.max(), seen.max())]
    pad = 0.07 * (ends[1] - ends[0])
    ends = [ends[0] - pad, ends[1] + pad]
    ax.plot(ends, ends, color=look.faint, lw=1.0, zorder=1)
    ax.hlines(seen, table["low"], table["high"], color=look.fit, lw=1.0, alpha=0.55, zorder=2)
    ax.plot(said, seen, ls="", marker="o", ms=5, mfc=look.ink, mec=look.paper, mew=0.7, zorder=3)
    for edge in response.target:
        if ends[0] < edge < ends[1]:
            ax.axhline(edge, color=look.target, lw=1.1, ls=(0, (5, 2)), zorder=1)
            ax.axvline(edge, color=look.target, lw=1.1, ls=(0, (5, 2)), zorder=1)
    _name_worst(ax, surface, said, seen, look)
    ax.set_xlim(*ends)
    ax.set_ylim(*ends)
    ax.set_aspect("equal")
    ax.set_xlabel(f"predicted {label(brief, response.name)}")
    ax.set_ylabel(f"measured {label(brief, response.name)}")
    heading(ax, f"{response.title}: {_how_good(surface)}", look)
    handles = [
        Line2D([], [], ls="", marker="o", ms=5, color=look.ink, label="slab (mean of its readings)"),
        Line2D([], [], color=look.fit, lw=1.2, alpha=0.6, label=f"{percent(level)} of the predicted mean"),
    ]
    if any(ends[0] < e < ends[1] for e in response.target):
        handles.append(
            Line2D([], [], color=look.target, lw=1.1, ls=(0, (5, 2)), label=f"target: {response.target_text}")
        )
    key(ax, look, handles, 1)
    return ax


def _how_good(surface: Any) -> str:
    summary = surface.summary
    words = f"{len(surface.values.y)} slabs"
    if summary.get("r2_predicted") is not None and np.isfinite(summary["r2_predicted"]):
        words += f", R² {summary['r2']:.2f}, of left-out trials {summary['r2_predicted']:.2f}"
    return words


def _name_worst(
    ax: Axes, surface: Any, said: np.ndarray, seen: np.ndarray, look: Any, count: int = 2
) -> None:
    trials = surface.slabs.labels["trial"].to_numpy()[surface.values.rows]
    for k in np.argsort(-np.abs(seen - said))[:count]:
        above = seen[k] > said[k]
        ax.annotate(
            str(trials[k]), (said[k], seen[k]), xytext=(-6 if above else 6, 4 if above else -4),
            textcoords="offset points", ha="right" if above else "left", va="bottom" if above else "top",
            fontsize=8, color=look.ink, path_effects=look.halo,
        )  # fmt: skip
