"""Search, check on fresh draws, ask again; then spend a small premium on certainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.region import Region
from formlab.suggest.conformance import Conformance, conformance
from formlab.suggest.question import Question
from formlab.suggest.search import Found, search

__all__ = ["FINAL_DRAWS", "HOPELESS", "SEARCH_DRAWS", "Answer", "search_until", "surer"]

SEARCH_DRAWS = 1000
FINAL_DRAWS = 20_000
ATTEMPTS = 12
HOPELESS = 0.01  # ten draws of the search: below it one formula is hardly told from another
WORTH = 5.0  # a hundredth of the cost must buy five hundredths of probability


@dataclass(frozen=True)
class Answer:
    """A formula, its conformance on draws the search has not seen, and on those it has.

    `extra` is what it costs above the cheapest formula that is sure enough, as a share of the cost, and `gained`
    by how much it is surer.
    """

    formula: pd.DataFrame
    figures: Conformance
    claimed: float
    extra: float = 0.0
    gained: float = 0.0

    def too_good(self, of: str) -> float:
        """By how much the search saw one of the figures too good, for having chosen by it."""
        return self.claimed - float(getattr(self.figures, of))


def surer(
    question: Question, region: Region, found: Found, cheapest: Answer, final: Any, premium: float, seed: int
) -> Answer:
    """Return the formula where a little more money buys much certainty, or the cheapest itself.

    It costs at most `premium` more, as a share, and every part of that buys at least `WORTH` times as much probability.
    """
    least = float(found.value[0])

    def score(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        extra = question.value(frame, np.zeros(len(frame))) / least - 1
        return np.maximum(extra - premium, 0), WORTH * np.maximum(extra, 0) - question.probability(frame)

    best = search(region, score, seed=seed, pool=400, rounds=30, starts=found.formulas, most_slices=2)
    figures, claimed = _fresh(question, best, final, seed)
    gained = getattr(figures, question.of) - getattr(cheapest.figures, question.of)
    formula = best.formulas.head(1)
    extra = float(question.value(formula, np.zeros(1))[0]) / least - 1
    if best.shortfall[0] > 0 or gained < WORTH * max(extra, 0.001):
        return cheapest
    return Answer(formula, figures, claimed, extra, float(gained))


def search_until(
    question: Question, region: Region, final: Any, seed: int, known: pd.DataFrame | None = None
) -> tuple[Found, Conformance, float]:
    """Search, check on fresh draws, and ask for more or less until the fresh figure is what was asked.

    Formulas `known` to be good for less or more are where it starts from, and then it looks less far around.
    Where the confidence cannot be reached, the most probable formula is searched for instead, and where no formula is
    even `HOPELESS` probable, the one whose predicted means are nearest to the targets.
    """
    asked, baseline = question.confidence, question.brief.baseline
    confidence = asked  # what makes the figure on fresh draws what was asked
    starts = region.nearest(baseline) if baseline is not None and known is None else known
    effort = {} if known is None else {"pool": 1500, "rounds": 40}
    kept: tuple[float, Found, Conformance, float] | None = None
    for attempt in range(ATTEMPTS):
        with question.asking(confidence=confidence):
            found = search(region, question, seed=seed + attempt, starts=starts, **effort)
        figures, claimed = _fresh(question, found, final, seed)
        if asked is None:
            if question.goal[1] == "conformance" and claimed < HOPELESS:
                return _nearest(question, region, found, final, seed)
            return found, figures, claimed
        figure, error = getattr(figures, question.of), figures.error(question.of)
        good = figure >= asked - error
        if good and (kept is None or found.value[0] < kept[0]):
            kept = float(found.value[0]), found, figures, claimed
        enough = kept is not None and attempt >= 3
        # what was found short of it is the most probable formula, and may be far dearer
        short = found.shortfall[0] > 0
        if enough or abs(figure - asked) <= error or (short and figure < asked):
            break
        assert confidence is not None
        if short:
            confidence = claimed
        step = 0.9 if attempt < 3 else 1.5  # what is chosen anew is again too good by having been chosen
        confidence = float(np.clip(confidence + step * (asked - figure), 0.01, 0.999))
        starts, effort = found.formulas, {"pool": 500, "rounds": 30}
    if kept is None:
        with question.asking(goal=("maximise", "conformance"), confidence=None):
            found = search(region, question, seed=seed, starts=found.formulas)
        figures, claimed = _fresh(question, found, final, seed)
        if claimed < HOPELESS:
            return _nearest(question, region, found, final, seed)
        return found, figures, claimed
    return kept[1:]


def _nearest(
    question: Question, region: Region, found: Found, final: Any, seed: int
) -> tuple[Found, Conformance, float]:
    """The formula whose predicted means are nearest to the targets, in units of what matters."""

    def score(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        return np.zeros(len(frame)), question.distance(frame)

    best = search(region, score, seed=seed, pool=1000, rounds=40, starts=found.formulas, most_slices=2)
    return best, *_fresh(question, best, final, seed)


def _fresh(question: Question, found: Found, final: Any, seed: int) -> tuple[Conformance, float]:
    """Conformance of the best formula on draws that the search has not seen, and on those that it has."""
    best = found.formulas.head(1)
    return conformance(question.brief, final, best, seed=seed)[0], float(question.probability(best)[0])
