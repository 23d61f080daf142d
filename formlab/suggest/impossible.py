"""Targets that cannot all be met: which two fight, and by how much each would have to give."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import SuggestError
from formlab.region import Region
from formlab.suggest.conformance import KINDS, met
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
        response, target, alone (the highest probability that it is met, whatever becomes of the others), give, unit: of
        targets out of reach by themselves how much each must give before all else; otherwise of the pair that fights most
        how much that target alone must be relaxed for `confidence`, infinite where no relaxation of it is enough.
    confidence : float
    together : float
        The highest probability that all are met; empty `give` where that is enough.
    """

    pairs: pd.DataFrame
    give: pd.DataFrame
    confidence: float
    together: float

    @property
    def words(self) -> str:
        if not len(self.give):
            return f"All targets are met with probability {self.together:.2f} at best: none has to give."
        parts = [
            f"{line.response} ({line.target}) by {line.give:.3g} {line.unit}".rstrip()
            if np.isfinite(line.give)
            else f"{line.response} ({line.target}) alone is not enough"
            for line in self.give.itertuples()
        ]
        if (self.give["alone"] < self.confidence).any():
            chances = [
                f"{name} with probability {p:.2f}"
                for name, p in zip(self.give["response"], self.give["alone"])
            ]
            return (
                f"Out of reach even alone: {', '.join(chances)} at best. "
                f"To be met with {self.confidence:.2f} at all, it takes {' and '.join(parts)}."
            )
        first, second = self.give["response"]
        return (
            f"{first} and {second} fight most: together they are met with probability {self.pairs['best'].iloc[0]:.2f} "
            f"at best. To reach {self.confidence:.2f} for all, relax either: {'; or '.join(parts)}."
        )


def find_conflict(
    brief: Brief,
    surfaces: Any,
    *,
    confidence: float = 0.90,
    of: str = "true_mean",
    draws: int = 500,
    seed: int | None = None,
) -> Conflict:
    """Return which two targets fight most, or cannot be met even alone, and by how much each must give.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
    confidence : float
        Required probability that all targets are met together.
    of : {"true_mean", "new_batch", "accepted"}
    draws : int
    seed : int, optional

    Raises
    ------
    SuggestError
        If no response has a target.
    """
    if of not in KINDS:
        raise SuggestError(f"of = {of!r}; use one of {list(KINDS)}.")
    seeds = [int(v) for v in np.random.SeedSequence(seed).generate_state(2)]
    drawn, region = surfaces.draw(draws, seed=seeds[0]), Region.from_brief(brief).check()
    parts = [part for part in brief.responses if part.has_target]
    if not parts:
        raise SuggestError("No response has a target; give one at_least, at_most or near in the brief.")
    values = {"true_mean": drawn.typical, "new_batch": drawn.new_batch, "accepted": drawn.accepted}[of]

    def best(targets: dict[str, tuple[float, float]]) -> float:
        def score(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
            return np.zeros(len(frame)), -met(brief, values(frame), targets).mean(axis=0)

        found = search(region, score, seed=seeds[1], pool=1000, rounds=15, most_slices=2)
        return -float(found.value[0])

    def without(*kept: Response) -> dict[str, tuple[float, float]]:
        return {p.name: NO_TARGET for p in parts if p not in kept}

    lines = [
        {"first": one.name, "second": two.name, "best": best(without(one, two))}
        for one, two in combinations(parts, 2)
    ]
    pairs = pd.DataFrame(lines, columns=["first", "second", "best"]).sort_values("best", ignore_index=True)
    together = best({})
    if together >= confidence:
        return Conflict(pairs, pd.DataFrame(), confidence, together)
    alone = {p.name: best(without(p)) for p in parts}
    hopeless = [p for p in parts if alone[p.name] < confidence]
    fighting = hopeless or [p for p in parts if p.name in set(pairs.loc[0, ["first", "second"]])]
    give = [
        {"response": p.name, "target": p.target_text, "alone": alone[p.name], "unit": p.unit,
         "give": _give(p, best, confidence, without(p) if hopeless else {})}
        for p in fighting
    ]  # fmt: skip
    return Conflict(pairs, pd.DataFrame(give), confidence, together)


def _give(part: Response, best: Any, confidence: float, others: dict[str, tuple[float, float]]) -> float:
    """The least relaxation of one target with which the confidence is reached, to a tenth of what matters."""
    low, high = part.target
    step = matters(part)

    def reached(size: float) -> bool:
        return bool(best(others | {part.name: (low - size, high + size)}) >= confidence)

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
