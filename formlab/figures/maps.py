"""What maps over two and over three factors have in common: contours, greyed outside, marks, words on lines."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from formlab.brief import Brief
from formlab.figures.slices import EDGE
from formlab.figures.theme import Look

__all__ = ["Field", "grey_out", "levels_for", "mark_trials", "on_slice", "outlined", "word_on_line"]


class Field:
    """Points of a map and how to draw on them, the same for a rectangle and for a triangle.

    Attributes
    ----------
    frame : DataFrame
        The formula at every point.
    slack : ndarray of shape (n,)
        How far inside ranges and limits, negative outside.
    depth : ndarray of shape (n,)
        How far from beyond the trials, negative where the mean is less sure than at any trial.
    means : dict of str to ndarray of shape (n,)
        What each surface predicts, by its name.
    """

    def __init__(
        self,
        ax: Axes,
        coordinates: Sequence[np.ndarray],
        shape: tuple[int, ...] | None,
        frame: pd.DataFrame,
        slack: np.ndarray,
        depth: np.ndarray,
        means: dict[str, np.ndarray],
    ) -> None:
        self.ax, self.coordinates, self.shape = ax, coordinates, shape
        self.frame, self.slack, self.depth, self.means = frame, slack, depth, means
        self.taken: list[tuple[float, ...]] = []  # x, y, half width, half height of words and marks

    def fill(self, values: np.ndarray, **kwargs: Any) -> Any:
        return self._contour("contourf", values, **kwargs)

    def lines(self, values: np.ndarray, **kwargs: Any) -> Any:
        return self._contour("contour", values, **kwargs)

    def _contour(self, kind: str, values: np.ndarray, **kwargs: Any) -> Any:
        if self.shape is None:
            return getattr(self.ax, "tri" + kind)(*self.coordinates, values, **kwargs)
        grids = [np.asarray(c).reshape(self.shape) for c in (*self.coordinates, values)]
        return getattr(self.ax, kind)(*grids, **kwargs)

    def part(self, xy: np.ndarray) -> np.ndarray:
        """Data points (of the drawn lines) as parts of the Axes, shape (n, 2)."""
        return np.asarray((self.ax.transData - self.ax.transAxes).transform(np.atleast_2d(xy)))

    def place(self, xy: np.ndarray) -> np.ndarray:
        """Where marks with the field's own coordinates stand, as parts of the Axes."""
        if self.ax.name == "ternary":
            xy = self.ax.transProjection.transform(np.atleast_2d(xy))  # type: ignore[attr-defined]
        return self.part(xy)

    def nearest(self, spots: np.ndarray) -> np.ndarray:
        """The point of the field nearest to each spot, given as parts of the Axes."""
        return np.asarray(self._tree.query(spots)[1])

    @cached_property
    def _tree(self) -> Any:
        from scipy.spatial import cKDTree

        return cKDTree(self.place(np.column_stack([np.ravel(c) for c in self.coordinates])))


def levels_for(values: np.ndarray, inside: np.ndarray, count: int = 7) -> np.ndarray:
    """Round levels that cover what lies inside."""
    seen = values[inside] if inside.any() else values
    low, high = float(seen.min()), float(seen.max())
    if high - low < 1e-9 * max(1.0, abs(low)):
        low, high = low - 0.5, high + 0.5
    return np.asarray(MaxNLocator(count, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high))


def grey_out(field: Field, look: Look) -> list[Any]:
    """Cover what limits forbid, dot what lies beyond the trials; return the handles that explain it."""
    handles = []
    if (field.depth[field.slack >= -EDGE] < -EDGE).any():
        dots = field.fill(field.depth, levels=[-1e9, -EDGE], colors="none", hatches=[".."], zorder=3)
        dots.set_edgecolor(to_rgba(look.faint, 0.6))
        dots.set_linewidth(0.0)
        handles.append(
            Patch(
                facecolor="none", edgecolor=look.faint, hatch="..", linewidth=0,
                label="less sure than at any trial",
            )
        )  # fmt: skip
    if (field.slack < -EDGE).any():
        field.fill(field.slack, levels=[-1e9, -EDGE], colors=[look.outside], zorder=4)
        if (field.slack > -EDGE).any():
            field.lines(
                field.slack,
                levels=[-EDGE],
                colors=[look.faint],
                linewidths=1.0,
                linestyles="solid",
                zorder=4.1,
            )
        handles.append(Patch(facecolor=look.outside, edgecolor=look.faint, label="outside the limits"))
    return handles


def word_on_line(field: Field, lines: Any, words: Callable[[float], str], look: Look, **kwargs: Any) -> None:
    """Write on each contour where the words fit best: inside, clear of other words and of marks."""
    for level, path in zip(lines.levels, lines.get_paths()):
        text = words(level)
        if not len(path.vertices) or not text:
            continue
        width, height = _size(field.ax, text)
        on = field.part(path.vertices)
        beside = np.array([width + 0.012, 0.0])
        spots = np.vstack([on, on - beside, on + beside])
        room = _room(field, spots, width, height)
        if room.max() <= 0:
            continue  # no place for it; the key and its neighbours say enough
        best = int((room - np.repeat([0.0, 0.05, 0.05], len(on)) - 9.0 * (room <= 0)).argmax())
        field.taken.append((*spots[best], width, height))
        field.ax.annotate(
            text, xy=(0, 0), xytext=tuple(spots[best]), textcoords="axes fraction", xycoords="axes fraction",
            ha="center", va="center", fontsize=8, path_effects=look.halo, zorder=8,
            **{"color": look.ink, **kwargs},
        )  # fmt: skip


def _size(ax: Axes, text: str) -> tuple[float, float]:
    """Half width and half height of words in small print, as parts of the Axes."""
    box, dpi = ax.get_window_extent(), ax.figure.dpi
    return 0.5 * len(text) * 0.067 * dpi / box.width, 0.5 * 0.16 * dpi / box.height


def _room(field: Field, spots: np.ndarray, width: float, height: float) -> np.ndarray:
    """How well words of a size fit at each spot; negative where they would hit something."""
    room = np.full(len(spots), 1.0)
    for side in (-1, 0, 1):
        ends = spots + [side * width, 0.0]
        room = np.minimum(room, np.minimum(field.slack[field.nearest(ends)], 0.1))
        room = np.where(((ends < 0.01) | (ends > 0.99)).any(axis=1), -1.0, room)
    for x, y, w, h in field.taken:
        gap = np.maximum(np.abs(spots[:, 0] - x) - w - width, np.abs(spots[:, 1] - y) - h - height)
        room = np.minimum(room, gap)
    return room


def on_slice(brief: Brief, trials: pd.DataFrame, drawn: pd.DataFrame, near: float = 0.05) -> np.ndarray:
    """Whether each trial lies on the slice that is drawn, to within a part of each range.

    `drawn` holds, for each trial, the formula of the slice where the trial would be marked.
    """
    gap = np.zeros(len(trials))
    for name in drawn:
        if name in brief.ranges:
            low, high = brief.ranges[name]
            if high > low:
                apart = np.abs(trials[name].to_numpy(float) - drawn[name].to_numpy(float)) / (high - low)
                gap = np.maximum(gap, apart)
        else:
            gap = np.where(trials[name].to_numpy() == drawn[name].to_numpy(), gap, 1.0)
    return gap <= near


def mark_trials(field: Field, points: np.ndarray, on: np.ndarray, look: Look) -> list[Any]:
    """Mark trials: full on the slice, open where they lie off it."""
    handles = []
    for mask, face, text in ((~on, "none", "trial off this slice"), (on, look.ink, "trial on this slice")):
        if mask.any():
            unique = np.unique(points[mask].round(9), axis=0)
            field.ax.plot(
                *unique.T, ls="", marker="o", ms=4.2, mfc=face, mec=look.ink, mew=0.9, zorder=6, clip_on=False
            )
            field.taken += [(*spot, 0.012, 0.012) for spot in field.place(unique)]
            handles.append(Line2D([], [], ls="", marker="o", ms=4.2, mfc=face, mec=look.ink, label=text))
    return handles[::-1]


def outlined(field: Field, point: np.ndarray, look: Look, kind: str) -> Any:
    """Mark one formula: "today" or "drawn here"."""
    colour, marker = (look.today, "D") if kind.startswith("today") else (look.fit, "s")
    style: dict[str, Any] = {
        "ls": "",
        "marker": marker,
        "ms": 7.5,
        "mfc": colour,
        "mec": look.paper,
        "mew": 1.2,
    }
    field.ax.plot(*np.atleast_2d(point).T, **style, zorder=7, clip_on=False)
    field.taken += [(*spot, 0.02, 0.02) for spot in field.place(point)]
    return Line2D([], [], **style, label=kind)
