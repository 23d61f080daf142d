"""Along each factor: every response through one formula."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from formlab.brief import Brief, Response
from formlab.figures.slices import EDGE, factors, held, move, reference, slack
from formlab.figures.theme import Look, label, panels, percent
from formlab.progress import along
from formlab.region import Region

__all__ = ["traces"]


def traces(surfaces: Any, at: Any = None, ax: Any = None, level: float = 0.95) -> np.ndarray:
    """Draw every response along every factor through one formula, with intervals and targets.

    For the R&D chemist: which lever moves which property, how far, and how sure is that?

    Parameters
    ----------
    surfaces : Surfaces or Surface
    at : formula, optional
        Where the traces cross; today's formula where left out, else the centre of the region. Ingredients that
        share a sum keep it: the others give way in proportion.
    ax : array of Axes, optional
        As many as responses x factors.
    level : float
        Of the intervals: dark for the mean, pale for one reading of a new batch.

    Returns
    -------
    ndarray of Axes, shape (n_responses, n_factors)
    """
    fitted = list(surfaces.values()) if isinstance(surfaces, Mapping) else [surfaces]
    brief = fitted[0].brief
    region, here, names = Region.from_brief(brief).check(), reference(brief, at), factors(brief)
    rows, columns = len(fitted), len(names)
    size = (float(np.clip(1.5 + 2.05 * columns, 6.0, 13.0)), 1.5 + 1.65 * rows)
    grid, look = panels(ax, rows, columns, size, sharex="col", sharey="row")
    frames = {name: move(brief, here, {name: _along(brief, region, name)}) for name in names}
    together = pd.concat(frames)
    inside = {
        name: slack(region, frame) >= -EDGE if name in brief.ranges else np.ones(len(frame), bool)
        for name, frame in frames.items()
    }
    for row, surface in zip(grid, along(fitted, "drawing", words=[s.response.title for s in fitted])):
        table = surface.predict_table(together, level=level, outside="ignore")
        mean = float(surface.predict(here, outside="ignore")[0])
        for one, (name, frame) in zip(row, frames.items()):
            _trace(one, brief, name, frame[name].to_numpy(), table.loc[name], inside[name], look)
            _trace_here(one, brief, name, here, mean, look)
        row[0].set_ylabel(label(brief, surface.name, broken=True))
        _target_lines(row, surface.response, look)
    for one, name in zip(grid[-1], names):
        one.set_xlabel(label(brief, name, width=int(max(12, 11 * size[0] / columns))))
    if ax is None:
        _traces_words(grid, brief, here, look, level)
    return grid


def _along(brief: Brief, region: Region, name: str) -> Any:
    if name not in brief.ranges:
        return region.categories[name]
    return region.levels.get(name) or np.linspace(*brief.ranges[name], 61)


def _trace(
    ax: Axes, brief: Brief, name: str, x: np.ndarray, table: pd.DataFrame, inside: np.ndarray, look: Look
) -> None:
    if len(x) > 20:
        low, high = brief.ranges[name]
        ax.set_xlim(low - 0.03 * (high - low), high + 0.03 * (high - low))
        for start, stop in _runs(~inside):
            ax.axvspan(x[max(start - 1, 0)], x[min(stop, len(x) - 1)], color=look.outside, lw=0, zorder=1.5)
        shown = table.loc[inside].reindex(table.index)
        for ends, alpha in ((("batch_low", "batch_high"), 0.14), (("low", "high"), 0.34)):
            ax.fill_between(x, *(shown[e] for e in ends), color=look.fit, alpha=alpha, lw=0, zorder=2)
        ax.plot(x, shown["mean"], color=look.fit, lw=1.8, zorder=3)
        return
    x, table = x[inside], table.loc[inside]
    for ends, width in ((("batch_low", "batch_high"), 1.0), (("low", "high"), 4.0)):
        ax.vlines(x, table[ends[0]], table[ends[1]], color=look.fit, lw=width, alpha=0.6, zorder=2)
    ax.plot(x, table["mean"], ls="", marker="_", ms=10, mec=look.fit, mew=2, zorder=3)
    if name not in brief.ranges:
        ax.margins(x=0.3)


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """Start and stop of every stretch of true values."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return list(zip(edge[::2], edge[1::2]))


def _trace_here(ax: Axes, brief: Brief, name: str, here: pd.DataFrame, mean: float, look: Look) -> None:
    today = brief.baseline
    same = today is not None and today.reset_index(drop=True).equals(here)
    colour, marker = (look.today, "D") if same else (look.fit, "s")
    ax.plot([here[name].iloc[0]], [mean], ls="", marker=marker, ms=6.5, mfc=colour, mec=look.paper, zorder=5)


def _target_lines(row: np.ndarray, response: Response, look: Look) -> None:
    """Lines at the limits of the target where they are near, hatching on the side that fails; one scale a row."""
    low, high = (f(end for ax in row for end in ax.get_ylim()) for f in (min, max))
    reach = high - low
    near = [e for e in response.target if low - 0.35 * reach <= e <= high + 0.35 * reach]
    low, high = min([low, *(e - 0.08 * reach for e in near)]), max([high, *(e + 0.08 * reach for e in near)])
    for ax in row:
        for edge, far in zip(response.target, (low, high)):
            if edge in near:
                ax.axhline(edge, color=look.target, lw=1.1, ls=(0, (5, 2)), zorder=2.5)
                miss = {
                    "facecolor": "none",
                    "edgecolor": look.target,
                    "hatch": "////",
                    "alpha": 0.22,
                    "lw": 0,
                }
                ax.axhspan(edge, far, zorder=1, **miss)
        ax.set_ylim(low, high)


def _traces_words(grid: np.ndarray, brief: Brief, here: pd.DataFrame, look: Look, level: float) -> None:
    figure = grid[0, 0].figure
    today = brief.baseline is not None and brief.baseline.reset_index(drop=True).equals(here)
    words = "Through today's formula" if today else "Through one formula"
    figure.suptitle(
        f"{words}: {held(brief, here, []).removeprefix('at ')}",
        x=0.01,
        ha="left",
        fontsize=9.5,
        color=look.ink,
        wrap=True,
    )
    colour, marker = (look.today, "D") if today else (look.fit, "s")
    handles: list[Any] = [
        Line2D([], [], color=look.fit, lw=1.8, label=f"predicted {brief.statistic_words}"),
        Patch(facecolor=look.fit, alpha=0.45, label=f"{percent(level)} of the {brief.statistic_words}"),
        Patch(facecolor=look.fit, alpha=0.14, label=f"{percent(level)} of one reading, new batch"),
        Line2D(
            [],
            [],
            ls="",
            marker=marker,
            mfc=colour,
            mec=look.paper,
            label="today" if today else "this formula",
        ),
    ]
    if any(patch.get_hatch() for one in grid.ravel() for patch in one.patches):
        handles.append(
            Patch(facecolor="none", edgecolor=look.target, hatch="////", lw=0, label="misses the target")
        )
    if any(
        patch.get_facecolor()[:3] == to_rgb(look.outside) for one in grid.ravel() for patch in one.patches
    ):
        handles.append(Patch(facecolor=look.outside, label="outside the limits"))
    figure.legend(
        handles=handles, loc="outside lower left", ncols=6 if figure.get_figwidth() > 10.5 else 3 if figure.get_figwidth() > 7 else 2, frameon=False,
        fontsize=8.5, labelcolor=look.ink,
    )  # fmt: skip
