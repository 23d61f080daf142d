"""Fits: how far a surface can be trusted."""

from __future__ import annotations

import re
import textwrap
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from formlab.brief import Brief
from formlab.figures.theme import Look, axes, heading, key, label, panels, percent
from formlab.html import counted
from formlab.region import Region

__all__ = ["drift", "effects", "observed_predicted", "residual_checks"]

MOST_ENDS = 2000  # formulas, of either kind, that a column is looked at
LIMITS = {
    -1: "v",
    1: "^",
}  # markers of readings that only say below or above: they point to where the value lies


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
    response, values = surface.response, surface.values
    ax, look = axes(ax, (5.0, 4.9))
    table = surface.predict_table(surface.formulas, level=level, outside="ignore")
    said, seen = table["mean"].to_numpy(), values.y
    ends = [min(said.min(), seen.min()), max(said.max(), seen.max())]
    pad = 0.07 * (ends[1] - ends[0])
    ends = [ends[0] - pad, ends[1] + pad]
    ax.plot(ends, ends, color=look.faint, lw=1.0, zorder=1)
    ax.hlines(seen, table["low"], table["high"], color=look.fit, lw=1.0, alpha=0.55, zorder=2)
    side = values.side
    read = side == 0
    ax.plot(said[read], seen[read], ls="", marker="o", ms=5, mfc=look.ink, mec=look.paper, mew=0.7, zorder=3)
    for way, marker in LIMITS.items():
        some = side == way
        ax.plot(said[some], seen[some], ls="", marker=marker, ms=6, mfc=look.paper, mec=look.ink, zorder=3)
    for edge in response.target:
        if ends[0] < edge < ends[1]:
            ax.axhline(edge, color=look.target, lw=1.1, ls=(0, (5, 2)), zorder=1)
            ax.axvline(edge, color=look.target, lw=1.1, ls=(0, (5, 2)), zorder=1)
    _name_worst(ax, surface, said, seen, ends, look)
    ax.set_xlim(*ends)
    ax.set_ylim(*ends)
    ax.set_aspect("equal")
    of = f", {response.unit}" if response.unit else ""  # the title names the response
    ax.set_xlabel(f"predicted{of}")
    ax.set_ylabel(f"measured{of}")
    heading(ax, f"{response.title}: {_how_good(surface)}", look)
    handles = [
        Line2D(
            [],
            [],
            ls="",
            marker="o",
            ms=5,
            color=look.ink,
            label=_what_a_point_is(surface),
        ),
        Line2D(
            [],
            [],
            color=look.fit,
            lw=1.2,
            alpha=0.6,
            label=f"{percent(level)} of the predicted {response.statistic}",
        ),
    ]
    for way, word in ((-1, "below"), (1, "above")):
        if (side == way).any():
            handles.append(
                Line2D(
                    [],
                    [],
                    ls="",
                    marker=LIMITS[way],
                    ms=6,
                    mfc=look.paper,
                    mec=look.ink,
                    label=f"a limit: it lies {word}",
                )
            )
    if any(ends[0] < e < ends[1] for e in response.target):
        words = f"target: {response.target_text.removesuffix(response.unit).strip()}"
        handles.append(Line2D([], [], color=look.target, lw=1.1, ls=(0, (5, 2)), label=words))
    key(ax, look, handles, 1)
    return ax


def _one_each(surface: Any) -> bool:
    """Whether there is one value a slab: of a rating, several sessions or operators, or limits there are more."""
    return surface.response.kind == "measure" and len(set(surface.values.rows)) == len(surface.values.rows)


def _what_a_point_is(surface: Any) -> str:
    if surface.response.kind != "measure":
        return "one reading"
    return "slab (mean of its readings)" if _one_each(surface) else "reading, or the mean of several"


def _how_good(surface: Any) -> str:
    summary = surface.summary
    words = f"{len(surface.values.y)} {'slabs' if _one_each(surface) else 'readings'}"
    if summary.get("r2_predicted") is not None and np.isfinite(summary["r2_predicted"]):
        words += f", R²\u00a0{summary['r2']:.2f}, of batches left out {summary['r2_predicted']:.2f}"
    return words


def _name_worst(
    ax: Axes, surface: Any, said: np.ndarray, seen: np.ndarray, ends: list[float], look: Look, count: int = 2
) -> None:
    trials = surface.slabs.labels["trial"].to_numpy()[surface.values.rows]
    off = np.where(surface.values.side == 0, np.abs(seen - said), -1.0)
    for k in np.argsort(-off)[:count]:
        above = seen[k] > said[k]
        across, along = np.clip((np.array([said[k], seen[k]]) - ends[0]) / (ends[1] - ends[0]), 0, 1)
        left = above and across > 0.2 or across > 0.8  # away from the diagonal, but inside the axes
        level = "center" if along > 0.93 or along < 0.07 else "bottom" if above else "top"
        ax.annotate(
            str(trials[k]), (said[k], seen[k]), xytext=(-6 if left else 6, {"bottom": 4, "top": -4}.get(level, 0)),
            textcoords="offset points", ha="right" if left else "left", va=level,
            fontsize=8, color=look.ink, path_effects=look.halo,
        )  # fmt: skip


def _residuals(surface: Any) -> pd.DataFrame:
    """Measured less predicted, in the response's unit, one row a value, with its labels."""
    values = surface.values
    labels = getattr(values, "labels", None)
    if labels is None:
        labels = surface.slabs.labels.iloc[values.rows].reset_index(drop=True)
    said = surface.predict(surface.formulas, outside="ignore")
    out = labels.assign(
        predicted=said, residual=np.where(values.side == 0, values.y - said, np.nan), order=values.rows + 1
    )
    readings = surface.slabs.readings
    if "run_order" in readings:
        first = readings.groupby("slab")["run_order"].first()
        out["order"] = first.reindex(values.rows).to_numpy()
    return out[out["residual"].notna()].reset_index(drop=True)  # of a limit nothing is left over


def residual_checks(surface: Any, ax: Any = None) -> np.ndarray:
    """Draw what is left over: against the prediction, against the normal law, and batch by batch.

    For the analyst: is anything left that the model should have said, is a trial odd, do batches differ?

    Parameters
    ----------
    surface : Surface
    ax : array of three Axes, optional

    Returns
    -------
    ndarray of Axes, shape (3,)
        Of a rating, count or pass/fail nothing normal is left over: the middle one sets means of readings whose
        predictions are alike beside those.
    """
    grid, look = panels(ax, 1, 3, (10.6, 3.9))
    left, middle, right = grid[0]
    table = _residuals(surface)
    said, over = label(surface.brief, surface.name), _residual_label(surface)
    style: dict[str, Any] = {
        "ls": "",
        "marker": "o",
        "ms": 4.6,
        "mfc": look.ink,
        "mec": look.paper,
        "mew": 0.6,
    }
    left.plot(table["predicted"], table["residual"], **style, zorder=3)
    left.set_xlabel(f"predicted {said}")
    normal = surface.response.kind == "measure"
    if normal:
        _against_normal(middle, table, look, style)
    else:
        _in_groups(middle, table, look, style)
        middle.set_xlabel(f"predicted {said}")
    _by_batch(right, table, look, style)
    for one in (left, right):
        one.axhline(0, color=look.faint, lw=1.0, zorder=1)
    for one in (left, middle, right):
        one.set_ylabel(over if normal or one is not middle else f"{said}, means of some readings")
    left_out = _limits_left_out(surface)
    words = (
        f"against the prediction{left_out}",
        "against the normal law" if normal else "means, ± standard errors",
        "batch by batch (bars: means)",
    )
    for one, text in zip((left, middle, right), words):
        heading(one, text, look, 3.0)
    return grid[0]


def _against_normal(ax: Axes, table: pd.DataFrame, look: Look, style: dict[str, Any]) -> None:
    from scipy.stats import probplot

    (scores, ordered), (slope, start, _) = probplot(table["residual"])
    ax.plot(scores[[0, -1]], start + slope * scores[[0, -1]], color=look.faint, lw=1.0, zorder=1)
    ax.plot(scores, ordered, **style, zorder=3)
    ax.set_xlabel("normal score, sds")
    trials = table["trial"].to_numpy()[np.argsort(table["residual"].to_numpy(), kind="stable")]
    for k, side in ((0, "left"), (-1, "right")):
        ax.annotate(
            str(trials[k]), (scores[k], ordered[k]), xytext=(7 if k == 0 else -7, 0), va="center", ha=side,
            textcoords="offset points", fontsize=8, color=look.ink, path_effects=look.halo,
        )  # fmt: skip


def _in_groups(ax: Axes, table: pd.DataFrame, look: Look, style: dict[str, Any], least: int = 5) -> None:
    """Readings with like predictions together, as many groups as leave `least` in each, at most six."""
    ordered = table.sort_values("predicted", kind="stable")
    groups = np.array_split(np.arange(len(ordered)), int(np.clip(len(ordered) // least, 1, 6)))
    seen = ordered["predicted"] + ordered["residual"]
    said, mean, error = np.array(
        [
            [ordered["predicted"].iloc[g].mean(), seen.iloc[g].mean(), seen.iloc[g].std() / np.sqrt(len(g))]
            for g in groups
        ]
    ).T
    ends = np.array([min(said.min(), (mean - error).min()), max(said.max(), (mean + error).max())])
    ax.plot(ends, ends, color=look.faint, lw=1.0, zorder=1)
    ax.vlines(said, mean - error, mean + error, color=look.fit, lw=2.0, zorder=2)
    ax.plot(said, mean, **style, zorder=3)


def _limits_left_out(surface: Any) -> str:
    """In words, how many values are limits, of which nothing is left over."""
    limits = int((surface.values.side != 0).sum())
    return f" ({counted(limits, 'limit')} left out)" if limits else ""


def _residual_label(surface: Any) -> str:
    unit = surface.response.unit
    return f"measured less predicted, {unit}" if unit else "measured less predicted"


def _by_batch(ax: Axes, table: pd.DataFrame, look: Look, style: dict[str, Any]) -> None:
    codes, names = pd.factorize(table["batch"], sort=True)
    ax.plot(codes + 1, table["residual"], **style, zorder=3)
    means = table["residual"].groupby(codes).mean()
    ax.hlines(means, means.index + 0.6, means.index + 1.4, color=look.fit, lw=2.4, alpha=0.7, zorder=2)
    step = int(np.ceil(len(names) / 9))
    ax.set_xticks(range(1, len(names) + 1, step), [str(n) for n in names[::step]])
    ax.tick_params(axis="x", labelsize=7.5)
    ax.set_xlabel("batch")


def drift(surface: Any, ax: Axes | None = None) -> Axes:
    """Draw what is left over in the order of making, test session by test session.

    For the R&D chemist and the laboratory: did the bench, the mill or the materials wander while we worked?

    Parameters
    ----------
    surface : Surface
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    ax, look = axes(ax, (7.2, 4.0))
    table = _residuals(surface).sort_values("order", kind="stable").reset_index(drop=True)
    ax.axhline(0, color=look.faint, lw=1.0, zorder=1)
    groups = table["session"] if "session" in table else pd.Series("", index=table.index)
    markers = ["o", "^", "s", "v", "P", "X"]
    handles: list[Any] = []
    several = groups.nunique() > 1
    for k, (name, part) in enumerate(table.groupby(groups, sort=True)):
        style: dict[str, Any] = {
            "ls": "", "marker": markers[k % len(markers)], "ms": 5, "mec": look.ink, "mew": 0.8,
            "mfc": look.ink if k % 2 == 0 else "none",
        }  # fmt: skip
        ax.plot(part["order"], part["residual"], **style, zorder=3)
        mean = f"{part['residual'].mean():+.2g} {surface.response.unit}".rstrip()
        words = f"session {name}, mean {mean}" if several else "slab"
        handles.append(Line2D([], [], **style, label=words))
    if len(table) >= 10 and table["order"].nunique() > 4:
        from statsmodels.nonparametric.smoothers_lowess import lowess

        # Cleveland 1979, J. Amer. Stat. Assoc. 74:829-836
        smooth = lowess(table["residual"], table["order"], frac=0.6)
        ax.plot(*smooth.T, color=look.fit, lw=2.0, zorder=2)
        handles.append(Line2D([], [], color=look.fit, lw=2, label="smoothed"))
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.set_xlabel("run order, trial number")
    ax.set_ylabel(_residual_label(surface))
    words = f"{surface.response.title}: what is left over, in the order of making{_limits_left_out(surface)}"
    heading(ax, words, look)
    key(ax, look, handles, 3 if max(len(each.get_label()) for each in handles) <= 24 else 2)
    return ax


def effects(surface: Any, ax: Axes | None = None, most: int = 24) -> Axes:
    """Draw the coefficients with their intervals, the clearest first.

    For the analyst: which terms does this response really need, and which are lost in the noise?

    Parameters
    ----------
    surface : Surface
        One that has a table of coefficients.
    ax : Axes, optional
    most : int
        How many terms are drawn.

    Returns
    -------
    Axes
        In phr factors are coded -1 to 1 over their ranges, and the constant is left out. Of a blend the single shares
        are left out, as they are heights and not differences (`traces` shows what an ingredient does); every other coefficient is multiplied by how far its
        column swings over the region beyond what terms of lower degree follow, for one of shares from 0 to 1 speaks of
        formulas that nobody makes.
    """
    table, blend = _differences(surface), bool(surface.space.shares)
    if blend:
        swings = table["term"].map(_swings(surface))
        table[["estimate", "low", "high"]] = table[["estimate", "low", "high"]].mul(swings, axis=0)
    shown = table.reindex(table["t"].abs().sort_values(ascending=False, kind="stable").index).head(most)
    names = [_term_title(surface.brief, term) for term in shown["term"]]
    room = 0.075 * max(map(len, names), default=0)  # inches that the names take
    width = None if ax is not None else 5.2
    ax, look = axes(ax, (5.6 + room, 1.7 + 0.24 * len(shown)))
    y = np.arange(len(shown))
    clear = ((shown["low"] > 0) | (shown["high"] < 0)).to_numpy()
    ax.axvline(0, color=look.faint, lw=1.0, zorder=1)
    for mask, alpha, face in ((clear, 1.0, look.fit), (~clear, 0.55, look.paper)):
        ax.hlines(
            y[mask], shown["low"][mask], shown["high"][mask], color=look.fit, lw=2.2, alpha=alpha, zorder=2
        )
        ax.plot(shown["estimate"][mask], y[mask], ls="", marker="o", ms=6, mfc=face, mec=look.fit, zorder=3)
    ax.set_yticks(y, names)
    ax.set_ylim(len(shown) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    scale, unit = surface.values.scale.text, surface.response.unit
    what = "largest difference in the region" if blend else "coefficient"
    as_measured = f"{what}, {unit}" if unit else what
    x_words = as_measured if scale == "as measured" else f"{what}, on the scale of the fit ({scale})"
    ax.set_xlabel(textwrap.fill(x_words, int(12 * (width or ax.get_window_extent().width / ax.figure.dpi))))
    left = len(table) - len(shown)
    more = f"; {left} more not drawn" if left else ""
    title = surface.response.title
    if blend:
        words = f"{title}: {clear.sum()} of {len(shown)} terms beyond single shares are clear of zero{more}; {BLEND_WORDS}"
    else:
        words = f"{title}: {clear.sum()} of {len(shown)} terms are clear of zero{more}; each factor runs from −1 to 1 over its range"
    heading(ax, words, look, width)
    handles = [
        Line2D([], [], marker="o", ms=6, color=look.fit, lw=2.2, label="estimate, 95 %: clear of zero"),
        Line2D(
            [], [], marker="o", ms=6, color=look.fit, mfc=look.paper, lw=2.2, alpha=0.55, label="not clear"
        ),
    ]
    key(ax, look, handles, 2)
    return ax


BLEND_WORDS = (
    "each is the most that it adds to lower ones between two formulas of the region\n"
    "Single shares are heights and not drawn; for what an ingredient does see figures.traces or surfaces.effects"
)


def _term_title(brief: Brief, term: str) -> str:
    """A term with the names for people in place of the brief's."""
    named = re.compile(r"[A-Za-z_][A-Za-z0-9_]*(?![^\[]*\])")  # not the level in "press[ram]"
    return named.sub(lambda m: brief.title_of(m[0]) if m[0] in brief.columns else m[0], term)


def _differences(surface: Any) -> pd.DataFrame:
    """The coefficients whose zero means "no effect"."""
    table = surface.coefficients
    return table[~table["term"].isin({"1", *surface.space.shares})].copy()


def _swings(surface: Any) -> dict[str, float]:
    """How far the column of each term goes up and down in the region beyond what those of lower degree follow."""
    region, space = Region.from_brief(surface.brief), surface.space
    ends = region.vertices(settings=True)
    ends = ends.iloc[:: len(ends) // MOST_ENDS + 1]
    x = space.matrix(pd.concat([ends, region.sample(MOST_ENDS, 0)], ignore_index=True))
    degree, out = np.array([term.degree for term in space.terms]), {}
    for k, name in enumerate(space.names):
        lower = x[:, degree < degree[k]]
        out[name] = float(np.ptp(x[:, k] - lower @ np.linalg.lstsq(lower, x[:, k])[0]))
    return out
