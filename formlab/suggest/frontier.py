"""Trade-offs: how much of one aim another costs, over the whole region."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import SuggestError
from formlab.progress import along
from formlab.region import Region
from formlab.suggest.posterior import few
from formlab.suggest.question import COSTS, Question, usual_cost
from formlab.suggest.search import Score, search
from formlab.suggest.seek import FINAL_DRAWS, SEARCH_DRAWS, search_until

__all__ = ["cost_frontier", "response_frontier"]


def cost_frontier(
    brief: Brief,
    surfaces: Any,
    *,
    cost: str | None = None,
    of: str = "true_mean",
    confidences: tuple[float, ...] = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98),
    seed: int | None = None,
) -> pd.DataFrame:
    """Return the least cost at each required conformance.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
    cost : {"cost_per_kg", "cost_per_litre", "cost_per_piece"}, optional
        Left out: per piece where the brief has one, else per litre.
    of : {"true_mean", "new_batch", "accepted"}
    confidences : tuple of float
    seed : int, optional

    Returns
    -------
    DataFrame
        asked, conformance (of fresh draws), cost, saving (against today's formula, where the brief has one), reached,
        and every varied column of the formula; one row a confidence, in rising order. Where what is asked is not reached, the
        most probable formula.
    """
    cost = usual_cost(brief) if cost is None else cost
    if cost not in COSTS:
        raise SuggestError(f"cost = {cost!r}; use one of {list(COSTS)}.")
    region = Region.from_brief(brief).check()
    seeds = np.random.SeedSequence(seed).generate_state(3)
    draws = few(surfaces, SEARCH_DRAWS, int(seeds[0]))
    final = surfaces.draw(FINAL_DRAWS, seed=int(seeds[1]))
    starts, lines, today = None, [], brief.baseline
    asks = sorted(confidences)
    for asked in along(asks, "searching", words=[f"at {asked:.2f}" for asked in asks]):
        question = Question(brief, surfaces, draws, ("minimise", cost), asked, of, seed=int(seeds[2]))
        found, figures, _ = search_until(question, region, final, int(seeds[2]), starts)
        best = found.formulas.head(1)
        starts = found.formulas if starts is None else pd.concat([best, starts], ignore_index=True)
        figure = getattr(figures, of)
        price = brief.costs(best)[COSTS[cost]].iloc[0]
        saving = {} if today is None else {"saving": brief.costs(today)[COSTS[cost]].iloc[0] - price}
        lines.append(
            {
                "asked": asked,
                "conformance": figure,
                cost: price,
                **saving,
                "reached": figures.reaches(of, asked),
                **_plain(brief, best).iloc[0].to_dict(),
            }
        )
    return pd.DataFrame(lines)


def response_frontier(
    brief: Brief, surfaces: Any, x: str, y: str, *, points: int = 9, seed: int | None = None
) -> pd.DataFrame:
    """Return the best mean of one response at each level of another (epsilon-constraint method).

    "Better" is up for a response with only ``at_least``, down with only ``at_most``, nearer for the others.

    Returns
    -------
    DataFrame
        Columns x and y (predicted means, own units), their changes from today's formula where the brief has one
        (``x change``, ``y change``), then every varied column of the formula.
    """
    known = [r.name for r in brief.responses if r.has_target]
    for name in (x, y):
        if name not in known:
            raise SuggestError(f"{name!r} is not a response with a target; choose among {known}.")
    region = Region.from_brief(brief).check()
    rng = np.random.default_rng(seed)
    parts: dict[str, Response] = {r.name: r for r in brief.responses}

    def bad(name: str, frame: pd.DataFrame) -> np.ndarray:
        return _badness(parts[name], np.asarray(surfaces[name].predict(frame, outside="ignore"), dtype=float))

    def at_most(level: float, of: str) -> Score:
        return lambda frame: (np.maximum(bad(x, frame) - level, 0.0), bad(of, frame))

    ends = [
        search(region, at_most(np.inf, name), seed=rng, pool=1500, rounds=40)
        for name in along((x, y), "searching ends")
    ]
    best_x, worst_x = bad(x, ends[0].formulas.head(1))[0], bad(x, ends[1].formulas.head(1))[0]
    starts = pd.concat([end.formulas.head(4) for end in ends], ignore_index=True)
    chosen = [ends[0].formulas.head(1)]
    for level in along(np.linspace(best_x, worst_x, points)[1:-1].tolist(), "searching"):
        found = search(region, at_most(level, y), seed=rng, pool=800, rounds=40, starts=starts)
        chosen.append(found.formulas.head(1))
    formulas = pd.concat([*chosen, ends[1].formulas.head(1)], ignore_index=True)
    out = pd.DataFrame({name: surfaces[name].predict(formulas, outside="ignore") for name in (x, y)})
    if brief.baseline is not None:
        for name in (x, y):
            out[f"{name} change"] = out[name] - surfaces[name].predict(brief.baseline, outside="ignore")[0]
    return out.join(_plain(brief, formulas))


def _plain(brief: Brief, formulas: pd.DataFrame) -> pd.DataFrame:
    """Varied ingredients and settings; what is nothing beside a range, such as 1e-14 of a filler, is left out."""
    out = formulas[[*brief.varied, *brief.setting_names]].copy()
    for name in [n for n in out if n in brief.ranges]:
        width = brief.ranges[name][1] - brief.ranges[name][0] or 1.0
        out[name] = (out[name] / width).round(9) * width + 0.0
    return out


def _badness(part: Response, mean: np.ndarray) -> np.ndarray:
    low, high = part.target
    if np.isfinite(low) and np.isfinite(high):
        return np.abs(mean - (part.near if part.near is not None else (low + high) / 2))
    return -mean if np.isfinite(low) else mean
