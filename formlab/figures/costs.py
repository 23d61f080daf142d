"""What sureness costs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from formlab.brief import Brief
from formlab.errors import FormlabError
from formlab.figures.choices import DRAWS, OF
from formlab.figures.theme import Look, axes, heading, key, percent
from formlab.region import Region
from formlab.suggest.conformance import chance_of_all

__all__ = ["cost_conformance"]


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
    column, words = _cost(brief, cost)
    style: dict[str, Any]
    ax, look = axes(ax, (6.4, 4.8))
    given = list(suggestions) if isinstance(suggestions, Sequence) else [suggestions]
    drawn = surfaces.draw(draws, seed=seed)

    def point(frame: pd.DataFrame) -> np.ndarray:
        return np.column_stack([brief.costs(frame)[column], chance_of_all(brief, drawn, frame, of, seed)])

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
        if given and np.isfinite(said := given[0].chance_today(of)):
            now[1] = said  # of many more draws, and as the suggestion's own tables say
        cloud = np.vstack([cloud, now])
        ax.plot(*now, **style, zorder=5, clip_on=False)
        ax.axvline(now[0], color=look.today, lw=1.0, ls=(0, (2, 2)), zorder=1)
        handles.append(Line2D([], [], **style, label="today"))
    ax.set_ylim(-0.02, 1.02)
    ax.set_yticks(np.linspace(0, 1, 6), [f"{100 * v:.0f}" for v in np.linspace(0, 1, 6)])
    if column == "per_piece" and np.nanmax(cloud[:, 0]) < 0.02:  # of very small pieces a thousand
        ax.xaxis.set_major_formatter(lambda value, _: f"{1000 * value:.4g}")
        words = words.replace("per piece", "per 1000 pieces")
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
        raise FormlabError(f"cost = {cost!r}; use one of {allowed}.{lacks}")
    unit = cost.removeprefix("cost_per_")
    return cost.removeprefix("cost_"), f"material cost, {brief.currency} per {unit}"
