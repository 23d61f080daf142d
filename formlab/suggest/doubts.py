"""What must be said beside a suggestion: beyond what was tried, a flat optimum, a verdict that hangs on the prior."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.region import Region
from formlab.suggest.conformance import conformance
from formlab.suggest.posterior import chance_to_make
from formlab.suggest.question import Question, small_change
from formlab.suggest.search import Found, search
from formlab.suggest.seek import Answer
from formlab.surfaces.readings import sides, usable

__all__ = ["beyond_read", "beyond_tried", "flat_optimum", "if_less_sure", "met_at_all", "under_other_priors"]

FEW_DRAWS = 4000
FORMULAS = 4000


def beyond_tried(brief: Brief, trials: pd.DataFrame, formula: pd.DataFrame) -> list[str]:
    """Return a sentence for every amount or setting of a formula that lies outside what any trial had.

    Parameters
    ----------
    brief : Brief
    trials : DataFrame
    formula : DataFrame of one row
    """
    notes = []
    for name in [*brief.varied, *brief.setting_names]:
        value = formula[name].iloc[0]
        if name not in brief.ranges:
            if name in trials and value not in set(trials[name]):
                notes.append(f"{name} = {value} was in no trial; what it does there is not known.")
            continue
        tried = pd.to_numeric(trials[name]).dropna() if name in trials else pd.Series(dtype=float)
        slack = 0.01 * (brief.ranges[name][1] - brief.ranges[name][0])
        if len(tried) and not tried.min() - slack <= value <= tried.max() + slack:
            notes.append(
                f"{name} = {value:.4g} {brief.unit(name)} lies beyond what was tried "
                f"({tried.min():.4g} to {tried.max():.4g}): what is predicted there is extrapolated."
            )
    return notes


def beyond_read(brief: Brief, trials: pd.DataFrame, predicted: pd.DataFrame) -> list[str]:
    """Return a sentence for every response that is predicted beyond all its readings, or below 0 without having been.

    Parameters
    ----------
    brief : Brief
    trials : DataFrame
    predicted : DataFrame
        By response: mean, batch_low.
    """
    notes, counted = [], trials[usable(trials)]
    for part in brief.responses:
        if part.name not in counted:
            continue
        read = pd.to_numeric(counted[part.name], errors="coerce")[sides(counted, part.name) == 0].dropna()
        if part.kind != "measure" or not len(read):
            continue
        mean, low = predicted.loc[part.name, ["mean", "batch_low"]]
        text = ""
        if not read.min() <= mean <= read.max():
            where = "below" if mean < read.min() else "above"
            text = (
                f"{part.name} = {mean:.4g} {part.unit} lies {where} every reading ({read.min():.4g} to {read.max():.4g}): "
                "no trial has shown that it gets there."
            ).replace("  ", " ")
        if low < 0 < read.min():
            text += f"{' ' if text else ''}{part.name} of a batch may come out below 0 as predicted, all readings are above. "
            text += "If it cannot be, give it bounds = [0, inf] in the brief."
        if text:
            notes.append(text)
    return notes


def flat_optimum(brief: Brief, found: Found, within: float = 0.01) -> list[str]:
    """Return a sentence if formulas that cost nearly the same, and are sure enough, lie far apart.

    Parameters
    ----------
    brief : Brief
    found : Found
        What a search for the least cost ended with.
    within : float
        Share of the least cost.
    """
    near = (found.shortfall <= 0) & (found.value <= found.value[0] + within * abs(found.value[0]))
    some = found.formulas[near]
    wide = []
    for name in [n for n in [*brief.varied, *brief.setting_names] if n in brief.ranges]:
        low, high = some[name].min(), some[name].max()
        if high - low > 0.25 * (brief.ranges[name][1] - brief.ranges[name][0]):
            wide.append(f"{name} from {low:.4g} to {high:.4g} {brief.unit(name)}")
    if not wide:
        return []
    return [
        f"The optimum is flat: within {100 * within:.0f} % of the best value are formulas with {', '.join(wide)}."
    ]


def met_at_all(question: Question, region: Region, found: Found) -> str:
    """Return how likely it is that any formula of the region meets all targets, and what it would mean for the best.

    Draws are looked at one by one, each over the same uniform formulas and those that the search ended with: what falls
    between them is missed, so the share is rather too small.
    """
    best, *_ = met = question.met(
        pd.concat([found.formulas, region.sample(FORMULAS, seed=question.seed)], ignore_index=True)
    )
    some = met.any(axis=0)
    share = some.mean()
    if share == 0:
        return "In none of the draws does any formula of the region meet all targets."
    if share > 0.99:
        return (
            "That they can be met somewhere in the region is nearly sure (some formula does in "
            f"{100 * share:.1f} of 100 draws); where is not known yet."
        )
    made = "" if chance_to_make(question.draws, found.formulas.head(1)) is None else " and it can be made"
    return (
        f"Whether any formula of the region meets them is not sure: in {100 * share:.0f} of 100 draws some does. If so{made}, "
        f"this one does with probability {best[some].mean():.2f}."
    )


def if_less_sure(question: Question, region: Region, found: Found, answer: Answer) -> list[str]:
    """Return what a formula would cost that is a little less sure than the most probable one, where that is much less.

    Parameters
    ----------
    answer : Answer
        The most probable formula.
    """
    kind, name = question.goal
    level = np.floor(20 * (getattr(answer.figures, question.of) - 0.02)) / 20
    if kind != "minimise" or level < 0.5:
        return []
    here = float(question.value(found.formulas.head(1), np.zeros(1))[0])
    with question.asking(confidence=float(level) + answer.too_good(question.of)):
        less = search(region, question, seed=question.seed, pool=500, rounds=30, starts=found.formulas)
    saved = 1 - float(less.value[0]) / here
    if less.shortfall[0] > 0 or saved < 0.01:
        return []
    times, unit = small_change(question.brief, name)
    return [
        f"The most probable formula is dear: one that meets all targets with probability {level:.2f} costs "
        f"{100 * saved:.1f} % less ({times * float(less.value[0]):.4g} {unit}); confidence={level:.2f} shows it."
    ]


def under_other_priors(
    brief: Brief,
    surfaces: Any,
    formula: pd.DataFrame,
    of: str,
    confidence: float | None,
    seed: int,
    honest: Callable[[float], float] | None = None,
) -> list[str]:
    """Return what the conformance would be with the priors' scale halved and doubled, and whether that turns the verdict.

    Lowered as `honest` says, for past misses. Nothing is said of surfaces without priors.
    """
    if not any(getattr(surface, "origins", ()) for surface in surfaces.values()):
        return []
    from formlab.surfaces.priors import with_prior_scale

    half, double = (
        getattr(
            conformance(
                brief, with_prior_scale(surfaces, scale).draw(FEW_DRAWS, seed=seed), formula, seed=seed
            )[0],
            of,
        )
        for scale in (0.5, 2.0)
    )
    shown = [figure if honest is None else honest(figure) for figure in (half, double)]
    text = f"With priors of half the scale the figure would be {shown[0]:.2f}, of double {shown[1]:.2f}"
    error = 2 * np.sqrt(0.25 / FEW_DRAWS)
    if confidence is not None and min(half, double) < confidence - 0.05 - error:
        return [f"{text}: the verdict hangs on the prior. More trials near this formula would settle it."]
    return [f"{text}."]
