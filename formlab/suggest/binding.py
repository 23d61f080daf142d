"""What holds a formula where it is, and at what price: targets, ranges and limits, each relaxed by one step."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Response
from formlab.polytope import Polytope
from formlab.progress import along
from formlab.region import Region
from formlab.suggest.posterior import trials_of
from formlab.suggest.question import Question, matters, small_change
from formlab.suggest.search import Found, search

__all__ = ["what_holds"]

STEP = 0.05  # of the width of a range, or of what the region leaves of a limit's left side
TOUCHING = 1e-3  # of a range: a search stops that near to the end it runs into
SLACK = 0.01  # of a range: rounding at the scales is no extrapolation


def what_holds(
    question: Question, region: Region, found: Found, chances: pd.Series, final: Any, reached: bool
) -> pd.DataFrame:
    """Return what holds the best formula where it is, and what a step less of each would save or gain.

    Where the confidence is not reached, that is the most probable formula, and what is gained is probability.

    Parameters
    ----------
    question : Question
    region : Region
    found : Found
        What the search ended with.
    chances : Series
        By response, how surely the formula suggested meets each target alone; a premium may have taken it off the
        cheapest.
    final : Draws
        Fresh draws.
    reached : bool
        Whether the best is as sure as asked.

    Returns
    -------
    DataFrame
        what, chance alone, if relaxed by, saves (or gains), and of targets costs (the whole of it) and free at; remark:
        that it is extrapolated, or why there is no price. Columns that would be empty are left out.
    """
    asked: dict[str, Any] = {}
    if not reached:
        asked = {"goal": ("maximise", "conformance"), "confidence": None}
    elif question.confidence is not None:  # what it took on these draws
        asked = {"confidence": float(question.probability(found.formulas.head(1))[0])}
    with question.asking(**asked):
        return _priced(question, region, found, chances, final)


@dataclass(frozen=True)
class _Measure:
    """How a difference in what is asked is told: what a search minimises, times so much, in a unit."""

    verb: str
    times: float
    unit: str
    least: float = 0.0  # what less than that is, is only what searches leave

    @classmethod
    def of(cls, question: Question) -> _Measure:
        kind, name = question.goal
        if kind == "minimise":
            return cls("saves", *small_change(question.brief, name))
        if name == "conformance":
            return cls("gains", 1.0, "probability", 5e-4)
        return cls("gains", 1.0, f"{name}, {question.unit}" if question.unit else name)

    def line(self, size: float, unit: str, saved: float) -> dict[str, Any]:
        return {
            "if relaxed by": f"{size:.3g} {unit}".strip(),
            f"{self.verb} {self.unit}": self.times * saved if saved > self.least else 0.0,
        }


def _priced(question: Question, region: Region, found: Found, chances: pd.Series, final: Any) -> pd.DataFrame:
    # as short a search as the others are, from where the first one ended: what it still finds is no saving
    found = _short(question, region, found.formulas)
    measure = _Measure.of(question)
    aimed = question.confidence is not None or question.goal[1] == "conformance"
    holding: list[Response | _End] = [*_held_by(question, found, final)] if aimed else []
    holding += [end for end in _ends(region) if end.holds(region, found)]
    lines: list[dict[str, Any]] = []
    flat = question.goal[1] == "desirability" and found.value[0] > 0  # then it counts how far the targets are
    for item in along(holding, "pricing", words=[_word(item) for item in holding]):
        if isinstance(item, _End) and flat:
            lines.append({"what": item.what, "remark": "no price: some target is missed, desirability is 0"})
        elif isinstance(item, _End):
            lines.append(_price_of_end(question, region, found, item, measure))
        elif line := _price_of_target(question, region, found, item, chances[item.name], final, measure):
            lines.append(line)
    out = pd.DataFrame(lines).dropna(axis=1, how="all")
    texts = [name for name in ("if relaxed by", "free at", "remark") if name in out]
    out = out.fillna(dict.fromkeys(texts, ""))
    return out[sorted(out, key=lambda name: name == "remark")]


def _word(item: Response | _End) -> str:
    return item.word if isinstance(item, _End) else item.name


def _short(
    question: Question,
    region: Region,
    starts: pd.DataFrame,
    relaxed: dict[str, tuple[float, float]] | None = None,
) -> Found:
    """The cheapest formula from where others were found, some targets being others."""
    with question.asking(relaxed=relaxed or {}):
        return search(region, question, seed=question.seed, pool=300, rounds=25, starts=starts, most_slices=2)


# ---- targets -----------------------------------------------------------------------------------------------


def _held_by(question: Question, found: Found, final: Any) -> list[Response]:
    """The responses whose targets are not met for sure by the cheapest formula."""
    values = final.typical(found.formulas.head(1))[:, 0, :]
    parts = enumerate(question.brief.responses)
    return [p for k, p in parts if p.has_target and p.meets(values[:, k]).mean() <= 0.995]


def _price_of_target(
    question: Question,
    region: Region,
    found: Found,
    part: Response,
    chance: float,
    final: Any,
    measure: _Measure,
) -> dict[str, Any] | None:
    """What one step less of a target saves, what all of it costs, and from where on it would cost nothing.

    None of one that is met for sure without being asked for: it holds nothing.
    """
    (low, high), size = part.target, matters(part)
    best, base = found.formulas.head(1), float(found.value[0])
    eased = _short(question, region, best, {part.name: (low - size, high + size)})
    saved = max(base - float(eased.value[0]), 0.0) if eased.shortfall[0] <= 0 else 0.0
    without = _short(question, region, best, {part.name: (-np.inf, np.inf)})
    whole, free = saved, ""
    if without.shortfall[0] <= 0:
        k = question.brief.response_names.index(part.name)
        ends = np.quantile(final.typical(without.formulas.head(1))[:, 0, k], [0.01, 0.99])
        both = bool(np.isfinite([low, high]).all())  # then the other end is said too
        words = [
            f"{v if beyond else end:.3g}"
            for v, end, beyond in zip(ends, (low, high), (ends[0] < low, ends[1] > high))
            if beyond or both
        ]
        whole, free = max(base - float(without.value[0]), saved), f"{' to '.join(words)} {part.unit}".strip()
        if low <= ends[0] and ends[1] <= high:  # what it would save is only what searches leave
            return None
    return {
        "what": f"target: {part.name} {part.target_text}",
        "chance alone": chance,
        **measure.line(size, part.unit, saved),
        f"costs {measure.unit}": measure.times * whole,
        "free at": free,
    }


# ---- ranges and limits -------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _End:
    """One end of a range, or a limit, as ``row @ x <= bound`` over the variables of the region.

    `place` is its column in `Polytope.gaps`, `step` by how much it is to be wider, 0 where `why` says that it cannot be.
    """

    what: str
    word: str
    place: int
    row: np.ndarray
    bound: float
    step: float
    unit: str
    why: str = ""

    def holds(self, region: Region, found: Found) -> bool:
        """Whether the best formula lies on it."""
        polytope = region.polytope
        best = found.formulas.head(1)[list(polytope.names)].to_numpy(float)
        return bool(polytope.gaps(best)[0, self.place] < TOUCHING)

    def wider(self, polytope: Polytope) -> Polytope:
        low, high, rules = polytope.lower.copy(), polytope.upper.copy(), list(polytope.rules)
        count = len(polytope.names)
        if self.place < count:
            low[self.place] -= self.step
        elif self.place < 2 * count:
            high[self.place - count] += self.step
        else:
            rule = rules[self.place - 2 * count]
            sign = -1.0 if rule.sense == ">=" else 1.0
            rules[self.place - 2 * count] = replace(rule, bound=rule.bound + sign * self.step)
        return replace(polytope, lower=low, upper=high, rules=tuple(rules))


def _ends(region: Region) -> Iterator[_End]:
    """Every end of a range and every limit that leaves room."""
    brief, polytope = region.brief, region.polytope
    count = len(polytope.names)
    for side, values in enumerate((polytope.lower, polytope.upper)):
        for k, name in enumerate(polytope.names):
            width = polytope.upper[k] - polytope.lower[k]
            if width > 0:
                sign = 2.0 * side - 1.0
                step, why = _room(region, name, side, STEP * width)
                what = f"range: {name} at its {('low', 'high')[side]} {values[k]:g}"
                row = sign * np.eye(count)[k]
                yield _End(what, name, side * count + k, row, sign * values[k], step, brief.unit(name), why)
    for place, rule in enumerate(polytope.rules, 2 * count):
        if rule.sense != "=":
            sign = -1.0 if rule.sense == ">=" else 1.0
            row = sign * np.asarray(rule.coefficients, dtype=float)
            units = {brief.unit(n) for n, c in zip(polytope.names, row) if c}
            unit = units.pop() if len(units) == 1 else ""
            step = STEP * float(np.ptp(polytope.vertices @ row))
            yield _End(f"limit: {rule.text}", rule.text, place, row, sign * rule.bound, step, unit)


def _room(region: Region, name: str, side: int, step: float) -> tuple[float, str]:
    """By how much an end of a range can be wider, at most `step`; if by nothing, why."""
    brief = region.brief
    low, high = brief.ranges[name]
    if name in region.levels:
        return 0.0, "no price: other levels were not asked for"
    if side == 0 and low >= 0:
        amount = name in brief.ingredient_names
        why = "no price: an amount cannot be below 0" if amount else "no price: below 0 may not exist"
        return (min(step, low), "") if low > 0 else (0.0, why)
    if side == 1 and brief.basis == "fraction" and name in brief.ingredient_names:
        room = brief.total - high
        return (min(step, room), "") if room > 0 else (0.0, "no price: there is no more than all")
    return step, ""


def _price_of_end(
    question: Question, region: Region, found: Found, end: _End, measure: _Measure
) -> dict[str, Any]:
    """What one step more of a range or limit saves, and whether that lies beyond what was tried."""
    if end.why:
        return {"what": end.what, "remark": end.why}
    wider = _short(question, region.over(end.wider(region.polytope)), found.formulas.head(1))
    saved = max(float(found.value[0]) - float(wider.value[0]), 0.0) if wider.shortfall[0] <= 0 else 0.0
    remark = _extrapolated(question, region, wider, end)
    return {"what": end.what, **measure.line(end.step, end.unit, saved)} | (
        {"remark": remark} if remark else {}
    )


def _extrapolated(question: Question, region: Region, wider: Found, end: _End) -> str:
    """Whether the cheapest formula of the wider region goes beyond what was tried, in words."""
    names, trials = list(region.polytope.names), trials_of(question.surfaces)
    reach = float(wider.formulas.head(1)[names].to_numpy(float)[0] @ end.row)
    slack = SLACK * end.step / STEP
    if trials is None or not len(trials):  # the region stands for what was tried
        return "extrapolated: beyond the region" if reach > end.bound + slack else ""
    tried = question.brief.complete(trials)[names].to_numpy(float)
    if reach <= np.nanmax(tried @ end.row) + slack:
        return ""
    if end.place >= 2 * len(names):
        return "extrapolated: no trial went so far"
    own = tried[:, end.place % len(names)]
    return f"extrapolated: tried was {np.nanmin(own):.4g} to {np.nanmax(own):.4g}"
