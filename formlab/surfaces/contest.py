"""The contest: ways of writing a response, judged by how well they predict batches they have not seen.

Each way predicts every batch from the others; the log of the density it gave to what was measured, in the
response's own unit, is its score. Ways are mixed by stacking (Yao, Vehtari, Simpson & Gelman 2018, Bayesian
Analysis 13:917): the weights that would have predicted best, under a Dirichlet prior that keeps them from
hanging on single batches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd

from formlab.surfaces.parts import Part

__all__ = ["Entrant", "Origin", "contest_table", "stack"]


class Source(Protocol):
    """A posterior that can be asked for some of its parts, and for the same under a prior of another scale."""

    def pick(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Which of its draws to keep."""
        ...

    def parts(self, picked: np.ndarray) -> Sequence[Part]: ...

    def rescaled(
        self, picked: np.ndarray, parts: Sequence[Part], factor: float
    ) -> tuple[Sequence[Part], np.ndarray]:
        """The picked parts with the prior's scale multiplied, and logs of what their weights change by."""
        ...


@dataclass(frozen=True)
class Entrant:
    """One way of writing a response: its posterior, and its log score for each batch left out."""

    kind: str
    variables: str
    scale: str
    source: Source
    score: np.ndarray  # (groups,), in the response's own unit


@dataclass(frozen=True)
class Origin:
    """Where some parts of a posterior come from: their entrant, which of its draws, and their weight together."""

    entrant: Entrant
    picked: np.ndarray
    weight: float

    @classmethod
    def of(cls, entrant: Entrant, weight: float, count: int, rng: np.random.Generator) -> Origin:
        """Pick of an entrant's draws what its weight asks for of `count` altogether."""
        return cls(entrant, entrant.source.pick(max(int(np.ceil(count * weight)), 3), rng), weight)

    @property
    def parts(self) -> Sequence[Part]:
        """The parts that were picked, equally likely."""
        return self.entrant.source.parts(self.picked)

    @property
    def weights(self) -> list[float]:
        return [self.weight / len(self.picked)] * len(self.picked)


def stack(scores: np.ndarray, prior: float = 2.0) -> np.ndarray:
    """Return weights of ways whose scores are (groups, ways): the mode of stacking under Dirichlet(1 + prior / ways).

    By the EM iteration, which never lowers the objective.
    """
    groups, ways = scores.shape
    finite = np.where(np.isfinite(scores), scores, -1e4)
    density = np.exp(finite - finite.max(axis=1, keepdims=True))
    weight = np.full(ways, 1 / ways)
    for _ in range(500):
        share = density * weight
        share /= share.sum(axis=1, keepdims=True)
        new = (share.sum(axis=0) + prior / ways) / (groups + prior)
        if np.abs(new - weight).max() < 1e-10:
            break
        weight = new
    return weight


def contest_table(entrants: Sequence[Entrant], weights: np.ndarray) -> pd.DataFrame:
    """Return kind, variables, scale, score (mean log density a batch), behind (difference from the best, and its
    standard error), weight; best first."""
    scores = np.array([e.score for e in entrants])
    mean = scores.mean(axis=1)
    best = int(np.argmax(mean))
    gap = scores - scores[best]
    error = (
        gap.std(axis=1, ddof=1) / np.sqrt(scores.shape[1]) if scores.shape[1] > 1 else np.zeros(len(entrants))
    )
    table = pd.DataFrame(
        {
            "kind": [e.kind for e in entrants],
            "variables": [e.variables for e in entrants],
            "scale": [e.scale for e in entrants],
            "score": mean,
            "behind": gap.mean(axis=1),
            "std_error": error,
            "weight": weights,
        }
    )
    return table.sort_values("score", ascending=False, kind="stable", ignore_index=True)
