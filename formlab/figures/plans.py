"""Region and plans: what is allowed, what is made when, what shares an error, what it could tell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from formlab.brief import Brief
from formlab.errors import FormlabError
from formlab.figures.slices import factors
from formlab.figures.theme import Look, axes, heading, key, label, panels
from formlab.html import counted
from formlab.region import Region

__all__ = ["batch_tree", "plan_layout", "prediction_error", "region_pairs"]

WIDE = 9.5  # inches: what is wider is made so small on a page that nobody reads it


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
    high = float(
        np.clip(1.6 + (0.16 if len(frame) <= 40 else 0.2) * len(frame), 3.2, 12.0)
    )  # as high as a page
    size = (min(2.2 + 1.45 * len(names), WIDE), high)
    who = 0.3 + 0.42 * len(_who_columns(frame))  # inches
    each = (size[0] - who - 0.6) / len(names)
    widths = {"gridspec_kw": {"width_ratios": [who] + [each] * len(names)}} if ax is None else {}
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
        one.set_xlabel(label(brief, name, width=max(12, int(13 * each))), fontsize=9.5 if each > 1 else 8.5)
    row[0].set_ylim(len(frame) + 0.5, 0.5)
    step = 1 if len(frame) <= 60 else 5
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
        values = frame[column].astype(object).where(frame[column].notna(), "").astype(str).to_numpy()
        change = np.flatnonzero(values[1:] != values[:-1]) + 1
        for start, stop in zip([0, *change], [*change, len(values)]):
            if not values[start]:
                continue
            ax.plot([k + 0.3] * 2, [start + 0.7, stop + 0.3], color=look.faint, lw=1.2, solid_capstyle="butt")
            ax.text(
                k + 0.22, (start + stop + 1) / 2, values[start], ha="right", va="center", fontsize=7.5,
                color=look.ink,
            )  # fmt: skip
    ax.set_xlim(-0.6, len(columns) - 0.4)
    ax.set_xticks(range(len(columns)), columns)
    ax.tick_params(axis="x", length=0)


def _levels(ax: Axes, frame: pd.DataFrame, name: str, brief: Brief, y: np.ndarray, look: Look) -> None:
    """A dot at each trial's level, joined down the run so that changes are seen."""
    if name in brief.ranges:
        low, high = brief.ranges[name]
        x = frame[name].to_numpy(float)
        marks = _marks(np.unique(x.round(6)), low, high)
        ax.set_xticks(marks, [f"{v:g}" for v in marks])
        ax.set_xlim(low - 0.22 * (high - low), high + 0.22 * (high - low))
        for edge in (low, high):
            ax.axvline(edge, color=look.faint, lw=0.5, alpha=0.6, zorder=1)
        if brief.baseline is not None:
            ax.axvline(brief.baseline[name].iloc[0], color=look.today, lw=1.2, ls=(0, (2, 2)), zorder=1)
    else:
        levels = Region.from_brief(brief).categories[name]
        x = frame[name].astype(str).map(levels.index).to_numpy(float)
        ax.set_xticks(range(len(levels)), levels)
        ax.set_xlim(-0.5, len(levels) - 0.5)
        if brief.baseline is not None:
            spot = levels.index(str(brief.baseline[name].iloc[0]))
            ax.axvline(spot, color=look.today, lw=1.2, ls=(0, (2, 2)), zorder=1)
    ax.plot(x, y, color=look.fit, lw=0.6, alpha=0.45, zorder=2)
    ax.plot(x, y, ls="", marker="o", ms=4.4, mfc=look.fit, mec=look.paper, mew=0.6, zorder=3)


def _marks(levels: np.ndarray, low: float, high: float) -> list[float]:
    """The levels to put numbers at: all where they fit, else every other one, else the ends of the range."""
    for some in (levels, levels[::2]):
        widest = max(len(f"{v:g}") for v in some)
        apart = np.diff(some).min(initial=np.inf) / (high - low)
        if {low, high} <= set(some) and apart > 0.05 + 0.09 * widest:
            return [float(v) for v in some]
    return [low, high]


def batch_tree(plan: Any, ax: Axes | None = None) -> Axes:
    """Draw which slabs share a mixing and which share a filling of the press.

    For the analyst: what varies together, and so which comparisons are cheap and which are dear?

    Parameters
    ----------
    plan : Plan, or DataFrame of trials
        With trial and batch; block, day, base and load where there are.
    ax : Axes, optional

    Returns
    -------
    Axes
        Wider levels stand on the left, slabs in the order of their batches, loads (which cross batches) right.
    """
    frame = (plan.frame if hasattr(plan, "frame") else plan).drop_duplicates("trial")
    nested = [c for c in ("block", "day", "base", "batch") if c in frame and frame[c].notna().any()]
    if "batch" not in nested:
        raise FormlabError(
            "The trials have no batch column, so nothing is shared; add one where slabs share a mixing."
        )
    frame = frame.sort_values([*nested, "trial"], kind="stable").reset_index(drop=True)
    columns = [*nested, "slab"] + (["load"] if "load" in frame and frame["load"].notna().any() else [])
    ax, look = axes(ax, (1.6 + 1.35 * len(columns), float(np.clip(1.2 + 0.17 * len(frame), 3.0, 14.0))))
    spots = {"slab": np.arange(len(frame), dtype=float)}
    for name in reversed(nested):
        spots[name] = frame.groupby(name, sort=False)[name].transform(lambda g: float(np.mean(g.index)))
    if "load" in columns:
        spots["load"] = _spread(frame["load"], len(frame))
    for k, (one, two) in enumerate(zip(columns[:-1], columns[1:])):
        for a, b in {(float(a), float(b)) for a, b in zip(spots[one], spots[two])}:
            ax.plot([k, k + 1], [a, b], color=look.faint, lw=0.9, alpha=0.8, zorder=1)
    names = {**{c: frame[c].astype(str) for c in columns if c != "slab"}, "slab": frame["trial"].astype(str)}
    for k, name in enumerate(columns):
        for spot, text in {(float(s), t) for s, t in zip(spots[name], names[name])}:
            ax.text(
                k, spot, text, ha="center", va="center", fontsize=7.5, color=look.ink, zorder=3,
                bbox={"boxstyle": "round,pad=0.22", "fc": look.washes[1], "ec": "none"},
            )  # fmt: skip
    ax.set_xlim(-0.4, len(columns) - 0.6)
    ax.set_ylim(len(frame) - 0.3, -0.7)
    ax.set_xticks(range(len(columns)), [f"{c}\n({names[c].nunique()})" for c in columns])
    ax.set_yticks([])
    for side in ("left", "bottom"):
        ax.spines[side].set_visible(False)
    ax.tick_params(axis="x", length=0)
    loads = ", cured in " + counted(names["load"].nunique(), "load") if "load" in columns else ""
    heading(
        ax, f"{counted(len(frame), 'slab')} from {counted(names['batch'].nunique(), 'batch')}{loads}", look
    )
    return ax


def _spread(labels: pd.Series, height: int) -> np.ndarray:
    """Places for groups that cross the rest: in the order of their mean row, evenly over the height."""
    means = pd.Series(np.arange(len(labels))).groupby(labels.to_numpy()).mean().sort_values(kind="stable")
    places = pd.Series((np.arange(len(means)) + 0.5) / len(means) * height - 0.5, index=means.index)
    return places[labels.to_numpy()].to_numpy()


def prediction_error(plans: Any, ax: Axes | None = None) -> Axes:
    """Draw how well a plan would predict: which share of the region is at least so sure.

    For the analyst: is this plan good enough before a single slab is made, and is the other one better?

    Parameters
    ----------
    plans : Plan, Judgement, or mapping of name to either
    ax : Axes, optional

    Returns
    -------
    Axes
        Curves farther left are better; their right end is the worst place found, corners of the region among them.
    """
    given = dict(plans) if isinstance(plans, Mapping) else {"": plans}
    ax, look = axes(ax, (6.0, 4.3))
    handles = []
    for k, (name, plan) in enumerate(given.items()):
        judged = plan.judge() if hasattr(plan, "judge") else plan
        curve, colour = judged.fraction, (look.fit, look.ink, look.target, look.faint)[k % 4]
        style: dict[str, Any] = {
            "color": colour,
            "lw": 2.0,
            "ls": ["-", (0, (5, 2)), (0, (1.5, 1.5)), "-."][k % 4],
        }
        ax.plot(curve["std_error"], 100 * curve["fraction"], **style)
        words = f"{name}: " if name else ""
        middle, worst = np.interp([0.5, 1.0], curve["fraction"], curve["std_error"])
        where = " at a corner" if judged.least_sure["corner"].iloc[0] else ""
        said = f"{words}half the region within {middle:.2f}, worst {worst:.2f}{where}"
        handles.append(Line2D([], [], **style, label=said))
    for share in (50, 95):
        ax.axhline(share, color=look.faint, lw=0.7, ls=(0, (2, 3)), zorder=0)
    ax.set_ylim(-2, 102)
    ax.set_xlim(left=0)
    ax.set_xlabel("standard error of the predicted mean, sds of a slab as measured")
    ax.set_ylabel("share of the region at least so sure, %")
    heading(ax, "How well these trials can predict, by where they stand alone", look)
    key(ax, look, handles, 1)
    return ax


def region_pairs(region: Any, trials: pd.DataFrame | None = None, ax: Any = None) -> np.ndarray:
    """Draw what ranges and limits leave, two factors at a time, and where the trials lie in it.

    For the R&D chemist: which corners do the limits cut off, and are the trials spread over the rest?

    Parameters
    ----------
    region : Region or Brief
    trials : DataFrame, optional
        Formulas to mark, such as ``plan.frame``.
    ax : array of Axes, optional
        As many as there are pairs, row by row; unused panels of a new figure are switched off.

    Returns
    -------
    ndarray of Axes, shape (n_pairs,)
    """
    region = region if hasattr(region, "polytope") else Region.from_brief(region)
    brief = region.check().brief
    names = [n for n in factors(brief) if n in brief.ranges and brief.ranges[n][0] < brief.ranges[n][1]]
    pairs = [(x, y) for k, y in enumerate(names) for x in names[:k]]
    if not pairs:
        raise FormlabError(f"A pair needs two numeric factors that vary; choose them from {names}.")
    n = len(names) - 1
    if ax is None:
        grid, look = panels(None, n, n, (max(1.2 + 2.0 * n, 5.0), max(1.4 + 1.8 * n, 4.4)))
        shown = [grid[names.index(y) - 1, names.index(x)] for x, y in pairs]
        for one in set(grid.ravel()) - set(shown):
            one.set_axis_off()
    else:
        grid, look = panels(ax, 1, len(pairs), (1, 1))
        shown = list(grid[0])
    corners = region.vertices(settings=True)
    for one, (x, y) in zip(shown, pairs):
        _pair(one, brief, corners, trials, x, y, look)
        if ax is not None or y == names[-1]:
            one.set_xlabel(label(brief, x))
        if ax is not None or x == names[0]:
            one.set_ylabel(label(brief, y, broken=ax is None))
    if ax is None:
        _pairs_key(shown[0].figure, brief, trials, look)
    return np.array(shown, dtype=object)


def _pair(
    ax: Axes, brief: Brief, corners: pd.DataFrame, trials: pd.DataFrame | None, x: str, y: str, look: Look
) -> None:
    """The shadow of the region on two factors, over grey."""
    from scipy.spatial import ConvexHull

    for name, limits in ((x, ax.set_xlim), (y, ax.set_ylim)):
        low, high = brief.ranges[name]
        limits(low - 0.1 * (high - low), high + 0.1 * (high - low))
    ax.set_facecolor(look.outside)
    points = np.unique(corners[[x, y]].to_numpy(float).round(9), axis=0)
    if np.linalg.matrix_rank(points - points[0], tol=1e-9) > 1:
        points = points[ConvexHull(points).vertices]
        ax.fill(*points.T, facecolor=look.washes[1], edgecolor=look.faint, lw=1.0, zorder=1)
    else:
        ax.plot(*points.T, color=look.faint, lw=2.0, zorder=1)
    if trials is not None:
        made = np.unique(trials[[x, y]].to_numpy(float), axis=0)
        ax.plot(
            *made.T, ls="", marker="o", ms=4, mfc=look.ink, mec=look.paper, mew=0.5, zorder=3, clip_on=False
        )
    if brief.baseline is not None:
        ax.plot(
            *brief.baseline[[x, y]].to_numpy(float).T, ls="", marker="D", ms=6, mfc=look.today, mec=look.paper,
            zorder=4, clip_on=False,
        )  # fmt: skip


def _pairs_key(figure: Any, brief: Brief, trials: pd.DataFrame | None, look: Look) -> None:
    handles: list[Any] = [
        Patch(facecolor=look.washes[1], edgecolor=look.faint, label="allowed with some choice of the rest"),
        Patch(facecolor=look.outside, label="never allowed"),
    ]
    if trials is not None:
        handles.append(Line2D([], [], ls="", marker="o", ms=4, color=look.ink, label="trial"))
    if brief.baseline is not None:
        style: dict[str, Any] = {"ls": "", "marker": "D", "ms": 6, "mfc": look.today, "mec": look.paper}
        handles.append(Line2D([], [], **style, label="today"))
    columns = 4 if figure.get_figwidth() > 8 else 2
    figure.legend(
        handles=handles, loc="outside lower left", ncols=columns, frameon=False, fontsize=8.5,
        labelcolor=look.ink,
    )  # fmt: skip
