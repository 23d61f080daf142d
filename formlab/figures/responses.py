"""Responses over two factors and over three."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from formlab.brief import Brief, Response
from formlab.errors import FormlabError
from formlab.figures.maps import Field, grey_out, levels_for, mark_trials, on_slice, outlined, word_on_line
from formlab.figures.slices import EDGE, held, looked_at, move, numeric, reference, slack, tied
from formlab.figures.theme import Look, axes, heading, key, label
from formlab.region import Region

__all__ = ["over_two", "ternary"]

GRID = 81  # lines over a range; every other one is predicted, and a cubic spline fills in
LATTICE = 80  # steps along a side of a triangle


# ---- over two -----------------------------------------------------------------------------------


def over_two(surface: Any, x: str, y: str, at: Any = None, ax: Axes | None = None) -> Axes:
    """Draw one response over two factors, everything else held, with limits, trials and target.

    For the R&D chemist: where does this property rise and fall, and how much room do the limits leave?

    Parameters
    ----------
    surface : Surface
    x, y : str
        Numeric factors, in the brief's unit (phr for ingredients in the phr basis).
    at : formula, optional
        What the other factors are held at; today's formula where left out, else the centre of the region.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    FormlabError
        If x or y is not a numeric factor, or one follows from the other.
    """
    brief, response = surface.brief, surface.response
    here = reference(brief, at)
    ax, look = axes(ax, (6.2, 5.0))
    field = plane([surface], x, y, here, ax)
    marks = mark_plane(field, [surface], x, y, here, look)
    handles = draw_response(field, surface, look) + marks
    ax.set_xlabel(label(brief, x))
    ax.set_ylabel(label(brief, y))
    rest = held(brief, here, [x, y])
    heading(ax, f"{label(brief, response.name)}" + (f"\n{rest}" if rest else ""), look)
    key(ax, look, handles, 2)
    return ax


def plane(surfaces: Sequence[Any], x: str, y: str, here: pd.DataFrame, ax: Axes) -> Field:
    """Return the field over two factors, a little wider than their ranges, and set the Axes to it."""
    brief = surfaces[0].brief
    numeric(brief, x, y)
    if x == y:
        raise FormlabError(f"x and y are both {x!r}; name two different factors.")
    if tied(brief, x, y):
        raise FormlabError(
            f"{x!r} follows from {y!r}, for no other ingredient helps to keep their sum. Choose another pair, or draw traces."
        )
    edges = []
    for name in (x, y):
        low, high = brief.ranges[name]
        pad = 0.06 * (high - low)  # the grid has lines on the ranges, so that corners stay sharp
        edges.append(np.concatenate([[low - pad], np.linspace(low, high, GRID), [high + pad]]))
    gx, gy = np.meshgrid(*edges)
    frame = move(brief, here, {x: gx.ravel(), y: gy.ravel()})
    ax.set_xlim(edges[0][0], edges[0][-1])
    ax.set_ylim(edges[1][0], edges[1][-1])
    within = slack(Region.from_brief(brief).check(), frame)
    means, depth = _over_grid(surfaces, frame, edges)
    return Field(ax, (gx.ravel(), gy.ravel()), gx.shape, frame, within, depth, means)


def _over_grid(
    surfaces: Sequence[Any], frame: pd.DataFrame, edges: Sequence[np.ndarray]
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Predict every other line of a grid and fill in between."""
    from scipy.interpolate import RectBivariateSpline

    some = np.r_[0, np.arange(1, GRID + 1, 2), GRID + 1]
    rows = np.add.outer(some * (GRID + 2), some)

    def fill(values: np.ndarray) -> np.ndarray:
        spline = RectBivariateSpline(edges[1][some], edges[0][some], values.reshape(rows.shape))
        return np.ravel(spline(edges[1], edges[0]))

    return looked_at(surfaces, frame.iloc[rows.ravel()], fill)


def mark_plane(
    field: Field, surfaces: Sequence[Any], x: str, y: str, here: pd.DataFrame, look: Look
) -> list[Any]:
    """Mark trials, today's formula and the formula the slice goes through; return their handles."""
    brief = surfaces[0].brief
    formulas = surfaces[0].slabs.formulas
    drawn = move(brief, here, formulas[[x, y]])
    handles = mark_trials(field, formulas[[x, y]].to_numpy(float), on_slice(brief, formulas, drawn), look)
    today = brief.baseline
    if today is not None:
        same = on_slice(brief, today, move(brief, here, today[[x, y]]), 1e-6)[0]
        words = "today" if same else "today (off this slice)"
        handles.append(outlined(field, today[[x, y]].to_numpy(float), look, words))
    if today is None or not today.reset_index(drop=True).equals(here):
        handles.append(outlined(field, here[[x, y]].to_numpy(float), look, "drawn through here"))
    return handles


def draw_response(field: Field, surface: Any, look: Look) -> list[Any]:
    """Wash, contours with numbers, target limits, and grey where nothing is allowed; return the handles."""
    response = surface.response
    values = field.means[surface.name]
    inside = field.slack >= -EDGE
    levels = levels_for(values, inside)
    field.fill(values, levels=levels, cmap=look.ramp, extend="both", zorder=1)
    lines = field.lines(
        values, levels=levels, colors=[look.faint], linewidths=0.7, linestyles="solid", zorder=2
    )
    unit = response.unit if len(response.unit) <= 8 else ""
    edges = [e for e in response.target if np.isfinite(e) and values[inside].min() < e < values[inside].max()]
    handles = []
    if edges:
        limit = field.lines(
            values, levels=sorted(edges), colors=[look.target], linewidths=2.0, linestyles=[(0, (5, 1.6))],
            zorder=2.5,
        )  # fmt: skip
        word_on_line(
            field, limit, lambda v: _edge_words(response, v, unit), look, color=look.target, weight="bold"
        )
        handles.append(
            Line2D([], [], color=look.target, lw=2, ls=(0, (5, 1.6)), label=f"target: {response.target_text}")
        )
    taken = set(np.round(edges, 9))
    word_on_line(field, lines, lambda v: "" if round(v, 9) in taken else f"{v:.6g} {unit}".strip(), look)
    return handles + grey_out(field, look)


def _edge_words(response: Response, value: float, unit: str) -> str:
    side = "≥" if value == response.target[0] else "≤"
    return f"{side} {value:.6g} {unit}".strip()


# ---- over three ---------------------------------------------------------------------------------


def ternary(surface: Any, components: Sequence[str], at: Any = None, ax: Any = None) -> Axes:
    """Draw one response over three ingredients that share what the others leave, on a triangle.

    For the R&D chemist: how does the blend of these three set this property, and where are the trials?

    Parameters
    ----------
    surface : Surface
    components : sequence of three ingredients
        Top, left, right. Their sum stays what it is at `at`.
    at : formula, optional
        What everything else is held at; today's formula where left out, else the centre of the region.
    ax : TernaryAxes, optional
        From ``figure.add_subplot(projection="ternary", ternary_sum=total)`` with mpltern imported.

    Returns
    -------
    TernaryAxes
        Cut to the part that the region reaches.

    Raises
    ------
    FormlabError
        If there are not three varied ingredients, or the Axes is no triangle of the right sum.
    """
    import mpltern  # noqa: F401  (makes the projection known)

    brief, response = surface.brief, surface.response
    names = _three(brief, components)
    here = reference(brief, at)
    total = float(here[names].iloc[0].sum())
    _check_triangle(ax, total)
    ax, look = axes(ax, (6.4, 5.6), projection="ternary", ternary_sum=total)
    field = _triangle(surface, names, here, total, ax)
    marks = _mark_triangle(field, brief, names, here, total, surface.formulas, look)
    handles = draw_response(field, surface, look) + marks
    for side, name in zip("tlr", names):
        getattr(ax, f"set_{side}label")(label(brief, name), labelpad=12, color=look.ink, fontsize=9.5)
        axis = getattr(ax, f"{side}axis")
        axis.set_tick_params(colors=look.faint, labelcolor=look.ink, labelsize=8.5)
        axis.set_label_position("tick1")  # along the side that carries its ticks
    rest = held(brief, here, names, shared=True)
    unit = brief.amount_unit
    words = f"{label(brief, response.name)}\nthe three sum to {total:.4g} {unit}"
    heading(ax, words + (f"; {rest}" if rest else ""), look, 5.0)
    key(ax, look, handles, 2)
    return ax


def _three(brief: Brief, components: Sequence[str]) -> list[str]:
    names = list(components)
    if len(names) != 3 or len(set(names)) != 3 or any(n not in brief.varied for n in names):
        raise FormlabError(
            f"components = {names}; name three different ingredients out of those that vary, {brief.varied}."
        )
    return names


def _check_triangle(ax: Any, total: float) -> None:
    if ax is None:
        return
    found = getattr(ax, "ternary_sum", None)
    if found is None or abs(found - total) > 1e-6 * total:
        kind = "is no triangle" if found is None else f"has ternary_sum = {found:g}"
        raise FormlabError(
            f"The Axes given {kind}; the three ingredients sum to {total:g} here. Use "
            f"figure.add_subplot(projection='ternary', ternary_sum={total:g}) after importing mpltern, or leave ax out."
        )


def _triangle(surface: Any, names: list[str], here: pd.DataFrame, total: float, ax: Any) -> Field:
    """Return a triangular field over three ingredients, cut to where the region lies."""
    region = Region.from_brief(surface.brief).check()
    coarse = _lattice(np.zeros(3), total, 60)
    frame = _with(here, names, coarse)
    inside = slack(region, frame) >= -EDGE
    reach = coarse[inside] if inside.any() else coarse
    low = np.maximum(reach.min(axis=0) - 0.06 * total, 0.0)
    for shown in (here, surface.brief.baseline):
        if shown is not None and shown[names].iloc[0].sum() > 0:
            low = np.minimum(low, _scaled(shown, names, total)[0])
    size = total - low.sum()
    points = _lattice(low, size, LATTICE)
    frame = _with(here, names, points)
    ax.set_ternary_lim(*np.ravel(np.column_stack([low, low + size])))
    means, depth = looked_at([surface], frame)
    return Field(ax, tuple(points.T), None, frame, slack(region, frame), depth, means)


def _lattice(low: np.ndarray, size: float, steps: int) -> np.ndarray:
    """Points of a triangular lattice from `low`, whose shares of `size` sum to it; shape (n, 3)."""
    i, j = np.meshgrid(np.arange(steps + 1), np.arange(steps + 1), indexing="ij")
    keep = i + j <= steps
    i, j = i[keep], j[keep]
    return low + np.column_stack([i, j, steps - i - j]) / steps * size


def _with(here: pd.DataFrame, names: list[str], amounts: np.ndarray) -> pd.DataFrame:
    out = here.loc[here.index.repeat(len(amounts))].reset_index(drop=True)
    out[names] = amounts
    return out


def _scaled(frame: pd.DataFrame, names: list[str], total: float) -> np.ndarray:
    """Three amounts of each formula, in proportion, with the sum that is drawn."""
    three = frame[names].to_numpy(float)
    return np.asarray(three / three.sum(axis=1, keepdims=True) * total)


def _mark_triangle(
    field: Field,
    brief: Brief,
    names: list[str],
    here: pd.DataFrame,
    total: float,
    formulas: pd.DataFrame,
    look: Look,
) -> list[Any]:
    made = formulas[formulas[names].sum(axis=1) > 0]
    points = _scaled(made, names, total)
    seen = (points >= [c.min() - EDGE * total for c in field.coordinates]).all(axis=1)
    made, points = made[seen], points[seen]
    on = on_slice(brief, made, _with(here, names, points).set_axis(made.index))
    handles = mark_trials(field, points, on, look)
    if not seen.all():
        many = int((~seen).sum())
        words = f"{many} slab{'s' if many > 1 else ''} beyond what is shown"
        handles.append(Line2D([], [], ls="", marker="o", ms=4.2, mfc="none", mec="none", label=words))
    today = brief.baseline
    if today is not None and today[names].iloc[0].sum() > 0:
        same = on_slice(brief, today, _with(here, names, _scaled(today, names, total)), 1e-6)[0]
        handles.append(
            outlined(field, _scaled(today, names, total), look, "today" if same else "today (off this slice)")
        )
    if today is None or not today.reset_index(drop=True).equals(here):
        handles.append(outlined(field, here[names].to_numpy(float), look, "drawn through here"))
    return handles
