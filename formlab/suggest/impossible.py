"""Targets that cannot all be met: which two fight, and by how much each would have to give."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.region import Region
from formlab.suggest.conformance import met
from formlab.suggest.question import matters
from formlab.suggest.search import search

__all__ = ["Conflict", "find_conflict"]

NO_TARGET = (-np.inf, np.inf)


@dataclass(frozen=True)
class Conflict:
    """The targets that stand in the way.

    Attributes
    ----------
    pairs : DataFrame
        first, second, best: the highest probability that both are met, over the region; worst pair first.
    give : DataFrame
        response, target, give (how much that target alone must be relaxed for `confidence`), unit; infinite where
        no relaxation of it alone is enough.
    """

    pairs: pd.DataFrame
    give: pd.DataFrame
    confidence: float

    @property
    def words(self) -> str:
        if not len(self.give):
            return "Only one response has a target; no two targets fight."
        first, second = self.give["response"].iloc[0], self.give["response"].iloc[1]
        parts = [
            f"{line.response} ({line.target}) by {line.give:.3g} {line.unit}".rstrip()
            if np.isfinite(line.give)
            else f"{line.response} ({line.target}) alone is not enough"
            for line in self.give.itertuples()
        ]
        return (
            f"{first} and {second} fight most: together they are met with probability {self.pairs['best'].iloc[0]:.2f} "
            f"at best. To reach {self.confidence:.2f} for all, relax either: {'; or '.join(parts)}."
        )


def find_conflict(
    brief: Brief, surfaces: Any, *, confidence: float = 0.90, draws: int = 500, seed: int | None = None
) -> Conflict:
    """Return which two targets fight most, and by how much each alone must give.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
    confidence : float
        Required probability that all targets are met together (of the true mean).
    draws : int
    seed : int, optional
    """
    seeds = [int(v) for v in np.random.SeedSequence(seed).generate_state(2)]
    drawn, region = surfaces.draw(draws, seed=seeds[0]), Region.from_brief(brief).check()
    parts = [part for part in brief.responses if part.has_target]

    def best(targets: dict[str, tuple[float, float]]) -> float:
        def score(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
            return np.zeros(len(frame)), -met(brief, drawn.typical(frame), targets).mean(axis=0)

        found = search(region, score, seed=seeds[1], pool=1000, rounds=15, most_slices=2)
        return -float(found.value[0])

    lines = []
    for one, two in combinations(parts, 2):
        free = {p.name: NO_TARGET for p in parts if p.name not in (one.name, two.name)}
        lines.append({"first": one.name, "second": two.name, "best": best(free)})
    if not lines:
        return Conflict(pd.DataFrame(columns=["first", "second", "best"]), pd.DataFrame(), confidence)
    pairs = pd.DataFrame(lines).sort_values("best", ignore_index=True)
    fighting = [p for p in parts if p.name in (pairs["first"].iloc[0], pairs["second"].iloc[0])]
    give = [
        {"response": p.name, "target": p.target_text, "give": _give(p, best, confidence), "unit": p.unit}
        for p in fighting
    ]
    return Conflict(pairs, pd.DataFrame(give), confidence)


def _give(part: Response, best: Any, confidence: float) -> float:
    """The least relaxation of one target with which the confidence is reached, to a tenth of what matters."""
    low, high = part.target
    step = matters(part)

    def reached(size: float) -> bool:
        return bool(best({part.name: (low - size, high + size)}) >= confidence)

    top = step
    while not reached(top):
        top *= 2
        if top > 64 * step:
            return float("inf")
    bottom = top / 2 if top > step else 0.0
    while top - bottom > 0.1 * step:
        middle = (top + bottom) / 2
        bottom, top = (bottom, middle) if reached(middle) else (middle, top)
    return top
