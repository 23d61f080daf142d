"""Near-best formulas that are clearly different from the suggested one, and what each gives up."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from formlab.region import Region
from formlab.suggest.conformance import conformance
from formlab.suggest.question import Question
from formlab.suggest.search import Found, search
from formlab.suggest.seek import Answer

__all__ = ["clearly_different"]

APART = 0.15  # of the range of at least one ingredient or setting
WORSE = 0.10  # of the best value, at most


def clearly_different(
    question: Question, region: Region, found: Found, answer: Answer, reached: bool, count: int, final: Any
) -> pd.DataFrame:
    """Return the best formulas that differ by 15 % of a range, or in a category, from the answer and from each other.

    Returns
    -------
    DataFrame
        Varied ingredients, settings, costs, conformance of draws that the search has not seen, and ``gives up``; as sure
        as is asked, or the most probable ones where the confidence is not `reached`, and at most 10 % worse.
    """
    brief = question.brief
    chosen = answer.formula[brief.columns]
    asked = _asked(question, answer, reached)
    best = float(asked(chosen)[1][0])
    for _ in range(count):
        other = _next_best(question, region, found, chosen, asked)
        if other.shortfall[0] > 0 or other.value[0] > best + WORSE * abs(best) + 1e-12:
            break
        chosen = pd.concat([chosen, other.formulas.head(1)], ignore_index=True)
    if len(chosen) == 1:
        return pd.DataFrame()
    out = chosen[[*brief.varied, *brief.setting_names]].copy()
    if brief.has_costs:
        for name, column in brief.costs(chosen, question.prices).items():
            out[f"cost {str(name).replace('_', ' ')}"] = column
    figures = conformance(brief, final, chosen, seed=question.seed)
    out[question.of] = sure = [getattr(figure, question.of) for figure in figures]
    value = question.value(chosen, np.zeros(len(chosen)))
    out["gives up"] = [
        _given_up(question.goal, question.unit, float(v), float(value[0]), p - sure[0])
        for v, p in zip(value, sure)
    ]
    return out.iloc[1:].reset_index(drop=True)


def _asked(question: Question, answer: Answer, reached: bool) -> Any:
    """The question as a score, its confidence raised by as much as the search saw it too good at the answer."""
    lift = 0.0 if question.confidence is None else answer.too_good(question.of)

    def asked(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        if not reached:
            return np.zeros(len(frame)), -question.probability(frame)
        short, value = question(frame)
        return np.maximum(short + lift, 0), value

    return asked


def _next_best(question: Question, region: Region, found: Found, taken: pd.DataFrame, asked: Any) -> Found:
    ranges, kinds = question.brief.ranges, list(region.categories)
    names = [n for n in region.polytope.names if ranges[n][1] > ranges[n][0]]
    width = np.array([ranges[n][1] - ranges[n][0] for n in names])

    def score(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        moved = np.abs(frame[names].to_numpy(float)[:, None] - taken[names].to_numpy(float)) / width
        other = (frame[kinds].to_numpy()[:, None] != taken[kinds].to_numpy()).any(axis=2)
        apart = np.where(other, 1.0, moved.max(axis=2, initial=0.0)).min(axis=1)
        short, value = asked(frame)
        return short + np.maximum(APART - apart, 0), value

    return search(
        region, score, seed=question.seed, pool=400, rounds=25, starts=found.formulas, most_slices=2
    )


def _given_up(goal: tuple[str, str], unit: str, value: float, best: float, surer: float) -> str:
    """What a formula gives up against the suggested one, or has more of, in words."""
    words = []
    kind, name = goal
    change = 100 * (value / best - 1) if kind == "minimise" else 0.0
    if abs(change) >= 0.05:
        words.append(f"{abs(change):.1f} % {'dearer' if change > 0 else 'cheaper'}")
    if kind == "maximise" and name != "conformance" and abs(value - best) > 1e-3 * abs(best):
        words.append(
            f"{abs(value - best):.3g} {unit} of {name} {'less' if value > best else 'more'}".replace(
                "  ", " "
            )
        )
    if abs(surer) >= 0.005:
        words.append(f"{abs(surer):.2f} {'surer' if surer > 0 else 'less sure'}")
    return ", ".join(words) or "nothing: as good"
