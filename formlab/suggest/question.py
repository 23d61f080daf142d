"""What is asked, as a score for the search: a goal, and how surely all targets must be met."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import SuggestError
from formlab.suggest.conformance import met
from formlab.suggest.posterior import chance_to_make
from formlab.workers import one_thread

__all__ = [
    "COSTS",
    "CostRatio",
    "Question",
    "desirability",
    "goal_of",
    "matters",
    "shortfall_of",
    "small_change",
]

COSTS = {"cost_per_kg": "per_kg", "cost_per_litre": "per_litre", "cost_per_piece": "per_piece"}
CHUNK = 400  # formulas looked at together


def small_change(brief: Brief, cost: str) -> tuple[float, str]:
    """Return by what a difference in cost is multiplied to be readable, and its unit: a piece costs a cent or two."""
    if cost == "cost_per_piece":
        return 1000.0, f"{brief.currency} per 1000 pieces"
    return 1.0, f"{brief.currency} {COSTS[cost].replace('_', ' ')}"


def desirability(brief: Brief, means: np.ndarray) -> np.ndarray:
    """Return the overall desirability of means, the weighted geometric mean over responses with a target.

    Derringer & Suich (1980, J. Quality Technology 12:214); weights are the brief's importances.

    Parameters
    ----------
    brief : Brief
    means : ndarray of shape (..., n_responses)
    """
    aimed = [(k, part) for k, part in enumerate(brief.responses) if part.has_target]
    if not aimed:
        raise SuggestError("No response has a target; give one at_least, at_most or near in the brief.")
    weight = sum(part.importance for _, part in aimed)
    logs = np.zeros(means.shape[:-1])
    for k, part in aimed:
        with np.errstate(divide="ignore"):
            logs = logs + part.importance / weight * np.log(part.desirability(means[..., k]))
    return np.exp(logs)


def shortfall_of(brief: Brief, means: np.ndarray) -> np.ndarray:
    """How far means are from their targets, summed in units of what matters."""
    total = np.zeros(means.shape[:-1])
    for k, part in enumerate(brief.responses):
        low, high = part.target
        size = matters(part)
        if np.isfinite(low):
            total += np.maximum(low - means[..., k], 0) / size
        if np.isfinite(high):
            total += np.maximum(means[..., k] - high, 0) / size
    return total


def matters(part: Any) -> float:
    """Return the smallest difference worth seeing, or a guess at it from the target itself."""
    if part.matters is not None:
        return float(part.matters)
    low, high = part.target
    if np.isfinite(low) and np.isfinite(high):
        return (high - low) / 10
    edge = low if np.isfinite(low) else high
    return max(abs(edge), 1.0) * 0.05 if np.isfinite(edge) else 1.0


class CostRatio:
    """Costs as ratios of sums over the amounts, for the many formulas of a search."""

    def __init__(self, brief: Brief, prices: Mapping[str, float] | None) -> None:
        self.brief, self.prices = brief, prices
        self.plain = not brief.contents and all(p.price is not None for p in brief.ingredients)
        self.names = brief.ingredient_names
        self.money = brief.numbers("price", prices).to_numpy()
        self.volume = 1.0 / brief.numbers("density").to_numpy()
        piece = brief.piece
        self.litres = piece.volume_cm3 / 1000 * (1 + piece.loss_fraction) if piece else float("nan")

    def __call__(self, frame: pd.DataFrame, of: str) -> np.ndarray:
        """Return one of per_kg, per_litre, per_piece; shape (n_formulas,)."""
        if not self.plain:  # materials that bring others along are weighed first
            return self.brief.costs(frame, self.prices)[of].to_numpy()
        amounts = frame[self.names].to_numpy(float)
        if of == "per_kg":
            return amounts @ self.money / amounts.sum(axis=1)
        return amounts @ self.money / (amounts @ self.volume) * (1.0 if of == "per_litre" else self.litres)


class Question:
    """A goal as a score for the search, on one fixed set of draws."""

    def __init__(
        self,
        brief: Brief,
        surfaces: Any,
        draws: Any,
        goal: tuple[str, str],
        confidence: float | None,
        of: str,
        score: Callable[[pd.DataFrame], Any] | None = None,
        prices: Mapping[str, float] | None = None,
        seed: int = 0,
    ) -> None:
        self.brief, self.surfaces, self.draws, self.goal = brief, surfaces, draws, goal
        self.confidence, self.of, self.user_score, self.prices, self.seed = (
            confidence,
            of,
            score,
            prices,
            seed,
        )
        self.relaxed: dict[str, tuple[float, float]] = {}
        self._met: Any = None
        self._met_key: tuple[Any, ...] | None = None
        self._cost = CostRatio(brief, prices) if brief.has_costs else None

    @contextmanager
    def asking(self, **other: Any) -> Iterator[None]:
        """Ask for another goal, confidence or relaxed targets inside the block."""
        before = {name: getattr(self, name) for name in other}
        try:
            for name, value in other.items():
                setattr(self, name, value)
            yield
        finally:
            for name, value in before.items():
                setattr(self, name, value)

    @property
    def unit(self) -> str:
        """Unit of the response that is asked for; empty where something else is."""
        name = self.goal[1]
        return self.brief.unit(name) if name in self.brief.response_names else ""

    @property
    def targets(self) -> dict[str, tuple[float, float]]:
        """The brief's targets, relaxed ones in their place."""
        return {part.name: part.target for part in self.brief.responses} | self.relaxed

    def probability(self, frame: pd.DataFrame) -> np.ndarray:
        """Return how surely all targets are met together, shape (n_formulas,)."""
        if not hasattr(self.draws, "meeting"):  # draws of another kind than our own
            return self.met(frame).mean(axis=1)
        self._prepare()
        parts = [
            frame.iloc[k : k + CHUNK] for k in range(0, len(frame), CHUNK)
        ]  # model columns stay in cache
        if len(parts) < 4:
            return np.concatenate([self._share(part) for part in parts])
        with (
            one_thread(),
            ThreadPoolExecutor(os.cpu_count() or 1) as pool,
        ):  # most of it leaves the interpreter lock
            return np.concatenate(list(pool.map(self._share, parts)))

    def met(self, frame: pd.DataFrame) -> np.ndarray:
        """Return whether each draw meets all targets, if the formula can be made; bool of shape (n_formulas, draws)."""
        if not hasattr(self.draws, "meeting"):
            return np.asarray(met(self.brief, self._values(frame), self.relaxed).T)
        self._prepare()
        return np.asarray(self._met.met(self.draws.columns(frame, self._met.needed)))

    def _prepare(self) -> None:
        key = tuple(sorted(self.relaxed.items()))
        if key != self._met_key:
            kind = "typical" if self.of == "true_mean" else self.of
            self._met, self._met_key = self.draws.meeting(self.targets, kind, self.seed), key

    def _share(self, frame: pd.DataFrame) -> np.ndarray:
        columns = self.draws.columns(frame, self._met.needed)
        chance = chance_to_make(self.draws, frame)
        if chance is None:
            return np.asarray(self._met.probability(columns))
        return np.asarray((self._met.met(columns) * chance.T).mean(axis=1))

    def _values(self, frame: pd.DataFrame) -> np.ndarray:
        if self.of == "true_mean":
            return self.draws.typical(frame)
        values = self.draws.new_batch if self.of == "new_batch" else self.draws.accepted
        return values(frame, seed=self.seed)

    def means(self, frame: pd.DataFrame) -> np.ndarray:
        return np.column_stack(
            [self.surfaces[n].predict(frame, outside="ignore") for n in self.brief.response_names]
        )

    def distance(self, frame: pd.DataFrame) -> np.ndarray:
        """Return how far the means of the draws are from all targets, summed in units of what matters, shape (n_formulas,)."""
        return shortfall_of(self.brief, self.draws.typical(frame).mean(axis=0))

    def __call__(self, frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        shortfall = np.zeros(len(frame))
        if self.confidence is not None:
            shortfall = self.confidence - self.probability(frame)
        return shortfall, self.value(frame, shortfall)

    def value(self, frame: pd.DataFrame, shortfall: np.ndarray) -> np.ndarray:
        kind, name = self.goal
        if self.user_score is not None and name == "score":
            return -np.asarray(self.user_score(frame), dtype=float)
        if kind == "minimise":
            assert self._cost is not None  # checked by `_goal`
            return self._cost(frame, COSTS[name])
        if name == "conformance":
            return -self.probability(frame)
        means = self.means(frame)
        if name == "desirability":
            overall = desirability(self.brief, means)
            return np.where(overall > 0, -overall, shortfall_of(self.brief, means))
        return -means[:, self.brief.response_names.index(name)]


def usual_cost(brief: Brief) -> str:
    """The cost that is meant where none is named."""
    return "cost_per_piece" if brief.piece else "cost_per_litre"


def goal_of(brief: Brief, minimise: str | None, maximise: str | None, score: Any) -> tuple[str, str]:
    """Check what is asked; cheapest is the default where costs are known, else most probable."""
    if sum(x is not None for x in (minimise, maximise, score)) > 1:
        raise SuggestError("Give one of minimise, maximise and score, not several.")
    if score is not None:
        return "maximise", "score"
    if minimise is None and maximise is None:
        if brief.has_costs:
            return "minimise", usual_cost(brief)
        return "maximise", "conformance"
    if minimise is not None:
        if minimise not in COSTS:
            raise SuggestError(f"minimise = {minimise!r}; use one of {list(COSTS)}.")
        if minimise == "cost_per_piece" and brief.piece is None:
            raise SuggestError("minimise = 'cost_per_piece' needs [piece] volume_cm3: add it to the brief.")
        brief.numbers("price"), brief.numbers("density")
        return "minimise", minimise
    allowed = ["desirability", "conformance", *brief.response_names]
    if maximise not in allowed:
        raise SuggestError(f"maximise = {maximise!r}; use one of {allowed}.")
    return "maximise", str(maximise)
