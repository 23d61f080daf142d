"""One quiet look for every figure: graphite on paper, plum for what is predicted, ochre for today.

Nothing here changes matplotlib's settings. Colours follow the figure they are drawn on: on a dark figure
(``plt.style.use("dark_background")``, or an Axes of a dark figure) ink and paper change places.
Plum, ochre and slate differ along the blue to yellow axis and in lightness, which red-green colour
blindness leaves alone; whatever a colour says, a line style, a marker or a word says too.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib import patheffects
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, to_rgb
from matplotlib.transforms import ScaledTranslation

from formlab.brief import Brief
from formlab.errors import FormlabError

__all__ = [
    "DARK",
    "LIGHT",
    "Look",
    "axes",
    "dress",
    "heading",
    "key",
    "label",
    "look_of",
    "panels",
    "percent",
]


@dataclass(frozen=True)
class Look:
    """Colours of one theme; each has one meaning in every figure."""

    paper: str
    ink: str  # text, trials, what was measured
    faint: str  # ticks, helping lines
    outside: str  # what ranges and limits forbid
    fit: str  # what a surface predicts
    today: str  # today's formula
    target: str  # limits of the targets
    washes: tuple[str, ...]  # from little to much

    @property
    def ramp(self) -> LinearSegmentedColormap:
        """Colours from little to much, evenly changing in lightness."""
        return LinearSegmentedColormap.from_list("formlab", self.washes)

    @property
    def halo(self) -> list[Any]:
        """What keeps small text legible on lines and washes."""
        return [patheffects.withStroke(linewidth=4.5, foreground=self.paper, alpha=0.9)]


LIGHT = Look(
    paper="#ffffff",
    ink="#2a2d33",
    faint="#6d6f75",
    outside="#dcdad5",
    fit="#71396b",
    today="#b06000",
    target="#1a6fa8",
    washes=("#fbf7ef", "#efdccb", "#dcb6ad", "#bf8a9b", "#97658e"),
)
DARK = Look(
    paper="#1b1d21",
    ink="#e2dfd8",
    faint="#a5a49f",
    outside="#45484e",
    fit="#b97ab5",
    today="#eba93f",
    target="#79c7ff",
    washes=("#22232a", "#3a2f3f", "#573d56", "#774d6b", "#97607d"),
)


def look_of(ax: Axes | None = None) -> Look:
    """Return the look for an Axes' figure, or for a new figure."""
    face = mpl.rcParams["figure.facecolor"] if ax is None else ax.figure.get_facecolor()
    red, green, blue = to_rgb(face)
    alpha = face[3] if isinstance(face, tuple) and len(face) == 4 else 1.0
    return DARK if alpha > 0.5 and 0.3 * red + 0.59 * green + 0.11 * blue < 0.4 else LIGHT


def axes(ax: Axes | None = None, size: tuple[float, float] = (6.4, 4.6), **kwargs: Any) -> tuple[Axes, Look]:
    """Return the Axes given, or one of a new figure, dressed in the look that fits it."""
    look = look_of(ax)
    if ax is None:
        figure = plt.figure(figsize=size, layout="constrained", facecolor=look.paper)
        ax = figure.add_subplot(**kwargs)
    dress(ax, look)
    return ax, look


def panels(
    ax: Any, rows: int, columns: int, size: tuple[float, float], **kwargs: Any
) -> tuple[np.ndarray, Look]:
    """Return an array of dressed Axes, shape (rows, columns): those given, or a new figure's.

    Raises
    ------
    FormlabError
        If the number of Axes given is not the number of panels.
    """
    if ax is None:
        look = look_of()
        figure = plt.figure(figsize=size, layout="constrained", facecolor=look.paper)
        grid = figure.subplots(rows, columns, squeeze=False, **kwargs)
    else:
        given = np.atleast_1d(np.asarray(ax, dtype=object)).ravel()
        if given.size != rows * columns:
            raise FormlabError(
                f"This figure has {rows} x {columns} panels and was given {given.size} Axes. Pass "
                f"plt.subplots({rows}, {columns})[1], or leave ax out."
            )
        grid, look = given.reshape(rows, columns), look_of(given[0])
    for one in grid.ravel():
        dress(one, look)
    return grid, look


def dress(ax: Axes, look: Look) -> None:
    """Set ticks, spines and colours of an Axes explicitly, so that later ticks keep them too."""
    ax.set_facecolor(look.paper)
    for name, spine in ax.spines.items():
        spine.set_color(look.faint)
        spine.set_linewidth(0.7)
        if name in ("top", "right"):
            spine.set_visible(False)
    ax.tick_params(colors=look.faint, labelcolor=look.ink, labelsize=8.5, width=0.7, length=3)
    if ax.name == "rectilinear":
        ax.xaxis.label.set(color=look.ink, fontsize=9.5)
        ax.yaxis.label.set(color=look.ink, fontsize=9.5)


def label(brief: Brief, name: str, broken: bool = False, width: int = 60) -> str:
    """Return what an axis says: the name for people and its unit, the unit on a line of its own if broken.

    Lines are at most `width` characters long.
    """
    unit, title = brief.unit(name), brief.title_of(name)
    if broken:
        title = textwrap.fill(title, 22)
    text = f"{title},{chr(10) if broken else ' '}{unit}" if unit else title
    return text if broken else textwrap.fill(text, width)


def percent(value: float) -> str:
    """Return a part of one in percent, never rounded to certainty: what all draws say is none either."""
    text = f"{100 * value:.0f} %"
    return {"100 %": "> 99 %", "0 %": "< 1 %" if value else "0 %"}.get(text, text)


def heading(ax: Axes, text: str, look: Look, width: float | None = None) -> None:
    """Set a left-aligned title in sentences, broken to the width of the Axes (inches)."""
    alone = len(ax.figure.axes) == 1
    inches = width or (ax.figure.bbox.width * 0.86 if alone else ax.get_window_extent().width) / ax.figure.dpi
    lines = [textwrap.fill(part, max(24, int(inches * 13.5))) for part in text.split("\n")]
    ax.set_title("\n".join(lines), loc="left", fontsize=9.5, color=look.ink, linespacing=1.3)


def key(ax: Axes, look: Look, handles: Sequence[Any], columns: int = 3) -> None:
    """Explain marks in one quiet row below the Axes."""
    below = 0.62 if ax.name == "ternary" else 0.5  # inches, clear of the axis label
    below += 0.16 * ax.get_xlabel().count("\n")
    if handles:
        columns = min(columns, len(handles))
        # a legend is filled column by column
        by_row = [each for k in range(columns) for each in handles[k::columns]]
        legend = ax.legend(
            handles=by_row,
            loc="upper left",
            bbox_to_anchor=(0.0, 0.0),
            bbox_transform=ax.transAxes + ScaledTranslation(0.0, -below, ax.figure.dpi_scale_trans),
            ncols=columns,
            frameon=False,
            fontsize=8.5,
            labelcolor=look.ink,
            handletextpad=0.5,
            columnspacing=1.4,
            borderaxespad=0.0,
        )
        legend.set_zorder(0)
