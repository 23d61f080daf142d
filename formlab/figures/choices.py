"""Choices: where all targets are met, what a suggestion will do, and what sureness costs."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from formlab.brief import Brief
from formlab.errors import FormlabError
from formlab.figures.maps import grey_out, word_on_line
from formlab.figures.responses import mark_plane, plane
from formlab.figures.slices import EDGE, held, reference
from formlab.figures.theme import Look, axes, heading, key, label, panels, percent
from formlab.suggest.conformance import KINDS, met

__all__ = ["cost_conformance", "predicted_against_targets", "reliability", "where_met"]

SURE = (0.5, 0.8, 0.9, 0.95)
OF = {
    "true_mean": "the true mean meets",
    "new_batch": "one new batch truly meets",
    "accepted": "a new batch passes on",
}
DRAWS = 2000
ROWS = 400  # formulas at a time


def _probability(brief: Brief, draws: Any, frame: pd.DataFrame, of: str, seed: int) -> np.ndarray:
    """The chance that all targets are met together, for many formulas on the same draws."""
    if of not in KINDS:
        raise FormlabError(f"of = {of!r}; it is one of {list(KINDS)}.")
    out = []
    for start in range(0, len(frame), ROWS):
        part = frame.iloc[start : start + ROWS]
        values = draws.mean(part) if of == "true_mean" else getattr(draws, of)(part, seed=seed)
        out.append(met(brief, values).mean(axis=0))
    return np.concatenate(out)


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
    field = plane(fitted, x, y, here, ax)
    handles = mark_plane(field, fitted, x, y, here, look)
    sure = _probability(brief, surfaces.draw(draws, seed=seed), field.frame, of, seed)
    colours: list[Any] = [look.washes[0], *[look.ramp(v) for v in (0.3, 0.52, 0.76, 1.0)]]
    field.fill(sure, levels=[-1e-9, *SURE, 1 + 1e-9], colors=colours, zorder=1)
    _target_edges(field, brief, surfaces, look)
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
        f"Where {OF[of]} all targets: at best {percent(best)} sure on this slice"
        + (f"\n{rest}" if rest else ""),
        look,
    )
    key(ax, look, shades + handles, 3)
    return ax


def _constant(words: str, level: float) -> str:
    return words


def _target_edges(field: Any, brief: Brief, surfaces: Any, look: Look) -> None:
    """A line where each predicted mean crosses a limit of its target, named on the line."""
    styles = [(0, (5, 1.6)), (0, (1.2, 1.4)), (0, (6, 1.5, 1.2, 1.5)), "solid", (0, (9, 2))]
    for k, part in enumerate(p for p in brief.responses if p.has_target):
        values = surfaces[part.name].predict(field.frame)
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
        handles = [
            Line2D([], [], ls="", marker="s", ms=7, color=look.fit, label="suggested: predicted mean"),
            Line2D([], [], color=look.fit, lw=5, alpha=0.55, label="95 % of the mean"),
            Line2D([], [], color=look.fit, lw=1.4, label="95 % of one reading, new batch"),
            Patch(facecolor="none", edgecolor=look.target, hatch="////", lw=0, label="misses the target"),
        ]
        if suggestion.current is not None:
            handles.insert(
                1, Line2D([], [], ls="", marker="D", ms=6, color=look.today, label="today, predicted")
            )
        figure = rows[0].figure
        figure.legend(
            handles=handles, loc="outside lower left", ncols=3, frameon=False, fontsize=8.5,
            labelcolor=look.ink,
        )  # fmt: skip
        p = getattr(suggestion.conformance, suggestion.of)
        figure.suptitle(
            f"{KINDS[suggestion.of]} together: {percent(p)} sure".capitalize(), x=0.01, ha="left", fontsize=9.5,
            color=look.ink,
        )  # fmt: skip
    return rows


def _against_target(ax: Axes, suggestion: Any, name: str, look: Look) -> None:
    part, line = suggestion.brief.by_name[name], suggestion.predicted.loc[name]
    today = _today(suggestion, part)
    edges = [e for e in part.target if np.isfinite(e)]
    seen = [line["batch_low"], line["batch_high"], *edges, *([] if today is None else [today])]
    reach = max(seen) - min(seen) or 1.0
    low, high = min(seen) - 0.12 * reach, max(seen) + 0.12 * reach
    for edge, far in zip(part.target, (low, high)):
        if np.isfinite(edge):
            ax.axvspan(far, edge, facecolor="none", edgecolor=look.target, hatch="////", alpha=0.3, lw=0)
            ax.axvline(edge, color=look.target, lw=1.3)
    ax.plot([line["batch_low"], line["batch_high"]], [0, 0], color=look.fit, lw=1.4)
    ax.plot([line["low"], line["high"]], [0, 0], color=look.fit, lw=6, alpha=0.55, solid_capstyle="butt")
    ax.plot([line["mean"]], [0], ls="", marker="s", ms=7.5, mfc=look.fit, mec=look.paper, zorder=4)
    if today is not None:
        ax.plot([today], [0.55], ls="", marker="D", ms=6, mfc=look.today, mec=look.paper, zorder=4)
    ax.set_xlim(low, high)
    ax.set_ylim(-0.8, 1.0)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.set_xlabel(label(suggestion.brief, name), labelpad=1.5)
    chance = f"{percent(line['chance'])} sure" if part.has_target else "watched"
    ax.text(
        1.01, 0.5, f"mean {line['mean']:.4g} {part.unit if len(part.unit) <= 8 else ''}\n{part.target_text}\n{chance}",
        transform=ax.transAxes, va="center", ha="left", fontsize=8, color=look.ink, linespacing=1.35,
    )  # fmt: skip


def _today(suggestion: Any, part: Any) -> float | None:
    if suggestion.current is None:
        return None
    return float(suggestion.current.loc[f"{part.name} ({part.unit})", "today"])


# ---- at what cost -------------------------------------------------------------------------------


def cost_conformance(
    brief: Brief,
    surfaces: Any,
    suggestions: Sequence[Any] | Any = (),
    ax: Axes | None = None,
    *,
    frontier: pd.DataFrame | None = None,
    cost: str | None = None,
    of: str = "true_mean",
    formulas: int = 1500,
    draws: int = DRAWS,
    seed: int = 0,
) -> Axes:
    """Draw what sureness costs: formulas of the whole region, the best at each cost, today, suggestions.

    For the product manager: what does it cost to be surer, and what would be given up to save more?

    Parameters
    ----------
    brief : Brief
        With prices and densities.
    surfaces : Surfaces
    suggestions : Suggestion or sequence of them, optional
    ax : Axes, optional
    frontier : DataFrame, optional
        From `formlab.suggest.cost_frontier` with the same cost and `of`: the least cost at each conformance.
        Without it, the surest of the formulas drawn at random at each cost, which lags a little behind.
    cost : {"cost_per_kg", "cost_per_litre", "cost_per_piece"}, optional
        Left out: per piece where the brief has one, else per litre.
    of : {"true_mean", "new_batch", "accepted"}
    formulas, draws, seed : int
        How many formulas are drawn at random from the region, and joint draws behind each probability.

    Returns
    -------
    Axes

    Raises
    ------
    FormlabError
        If the cost is not one of the three, or the brief lacks prices or densities.
    """
    from formlab.region import Region

    column, words = _cost(brief, cost)
    style: dict[str, Any]
    ax, look = axes(ax, (6.4, 4.8))
    given = list(suggestions) if isinstance(suggestions, Sequence) else [suggestions]
    drawn = surfaces.draw(draws, seed=seed)

    def point(frame: pd.DataFrame) -> np.ndarray:
        return np.column_stack([brief.costs(frame)[column], _probability(brief, drawn, frame, of, seed)])

    cloud = point(Region.from_brief(brief).sample(formulas, seed))
    handles = [_scatter(ax, cloud, look)]
    made = now = None
    if given:
        made = np.array([[s.cost[column], getattr(s.conformance, of)] for s in given])
        made = made[made[:, 0].argsort()]
        cloud = np.vstack([cloud, made])
        style = {"marker": "s", "ms": 7, "mfc": look.fit, "mec": look.paper, "ls": ""}
        ax.plot(*made.T, **style, zorder=4)
        handles.append(Line2D([], [], **style, label="suggested"))
    if brief.baseline is not None:
        style = {"ls": "", "marker": "D", "ms": 7.5, "mfc": look.today, "mec": look.paper}
        now = point(brief.baseline)[0]
        cloud = np.vstack([cloud, now])
        ax.plot(*now, **style, zorder=5, clip_on=False)
        ax.axvline(now[0], color=look.today, lw=1.0, ls=(0, (2, 2)), zorder=1)
        handles.append(Line2D([], [], **style, label="today"))
    ax.set_ylim(-0.02, 1.02)
    ax.set_yticks(np.linspace(0, 1, 6), [f"{100 * v:.0f}" for v in np.linspace(0, 1, 6)])
    ax.set_xlabel(words)
    ax.set_ylabel(f"chance that {OF[of]} all targets, %")
    handles.append(_best_so_far(ax, cloud, look) if frontier is None else _front(ax, frontier, column, look))
    heading(ax, _saving(made, now), look)
    key(ax, look, handles, 4)
    return ax


def _scatter(ax: Axes, cloud: np.ndarray, look: Look) -> Any:
    style: dict[str, Any] = {
        "ls": "",
        "marker": "o",
        "ms": 3.0,
        "mfc": look.faint,
        "mec": "none",
        "alpha": 0.45,
    }
    ax.plot(*cloud.T, **style, zorder=2)
    return Line2D([], [], **style, label="any allowed formula")


def _best_so_far(ax: Axes, cloud: np.ndarray, look: Look) -> Any:
    """Join the formulas than which none seen is both cheaper and surer."""
    cloud = cloud[np.lexsort([-cloud[:, 1], cloud[:, 0]])]
    best = np.maximum.accumulate(cloud[:, 1])
    front = cloud[(cloud[:, 1] >= best) & np.concatenate([[True], best[1:] > best[:-1]])]
    style: dict[str, Any] = {"color": look.fit, "lw": 1.3, "alpha": 0.8, "drawstyle": "steps-post"}
    ax.plot(*np.vstack([front, [cloud[-1, 0], front[-1, 1]]]).T, **style, zorder=3)
    return Line2D([], [], color=look.fit, lw=1.3, alpha=0.8, label="surest seen at that cost")


def _front(ax: Axes, frontier: pd.DataFrame, column: str, look: Look) -> Any:
    """Join the least costs, one for each conformance that was asked."""
    name = f"cost_{column}"
    if name not in frontier:
        raise FormlabError(
            f"The frontier has no column {name!r}; make it with cost_frontier(brief, surfaces, cost={name!r})."
        )
    style: dict[str, Any] = {"color": look.fit, "lw": 1.3, "alpha": 0.8, "marker": "o", "ms": 3.5}
    ax.plot(frontier[name], frontier["conformance"], **style, zorder=3)
    return Line2D([], [], **style, label="least cost at that sureness")


def _saving(made: np.ndarray | None, now: np.ndarray | None) -> str:
    if made is None or now is None:
        return "What sureness costs"
    change = made[0, 0] / now[0] - 1
    return (
        f"What sureness costs: {'the cheapest suggested' if len(made) > 1 else 'suggested'} is "
        f"{percent(abs(change))} {'below' if change < 0 else 'above'} today's cost, "
        f"{percent(made[0, 1])} sure against {percent(now[1])}"
    )


def _cost(brief: Brief, cost: str | None) -> tuple[str, str]:
    """The column of `Brief.costs` and what the axis says."""
    allowed = ["cost_per_kg", "cost_per_litre"] + (["cost_per_piece"] if brief.piece else [])
    cost = cost or allowed[-1]
    if cost not in allowed or not brief.has_costs:
        lacks = "" if brief.has_costs else " The brief lacks a price or density of some ingredient."
        raise FormlabError(f"cost = {cost!r}; it is one of {allowed}.{lacks}")
    unit = cost.removeprefix("cost_per_")
    return cost.removeprefix("cost_"), f"material cost, {brief.currency} per {unit}"


# ---- did it come true ---------------------------------------------------------------------------


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
            f"{line.promises}", (100 * line.claimed, 100 * line.share), xytext=(7, 0),
            textcoords="offset points", va="center", fontsize=8, color=look.ink, path_effects=look.halo,
        )  # fmt: skip
    ax.plot(
        100 * table["claimed"], 100 * table["share"], ls="", marker="o", ms=6, mfc=look.fit, mec=look.paper,
        zorder=3,
    )  # fmt: skip
    ax.set_xlim(-3, 103)
    ax.set_ylim(-3, 103)
    ax.set_aspect("equal")
    ax.set_xlabel("claimed chance, %")
    ax.set_ylabel("came true, % of promises")
    heading(ax, ledger.words, look)
    style: dict[str, Any] = {"ls": "", "marker": "o", "ms": 6, "mfc": look.fit, "mec": look.paper}
    handles = [
        Line2D([], [], **style, label="share that came true, number of promises"),
        Line2D([], [], color=look.fit, lw=2, alpha=0.5, label="95 % of the share"),
        Line2D([], [], color=look.faint, lw=1, label="as claimed"),
    ]
    key(ax, look, handles, 1)
    return ax
