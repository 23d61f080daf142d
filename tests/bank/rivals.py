"""What a team wires together by hand: a space-filling plan, a quadratic a response, an optimiser.

Latin hypercube in the box of the ranges, kept where it lies in the region; ridge or lasso with the penalty
by cross-validation; the cheapest formula whose predictions meet every target, with or without backing off
by two residual standard deviations.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.region import Region
from tests.bank.descent import Descent
from tests.bank.plants import VirtualPlant

METHODS = {
    "ridge": ("ridge", 0.0),
    "ridge -2sd": ("ridge", 2.0),
    "lasso": ("lasso", 0.0),
    "lasso -2sd": ("lasso", 2.0),
}


@dataclass(frozen=True)
class Answer:
    """A formula, and whether the method believes that it meets every target."""

    frame: pd.DataFrame
    reached: bool


def space_filling(region: Region, runs: int, seed: Any) -> pd.DataFrame:
    """Return a Latin hypercube of the ranges, cut to the region; where sums are fixed, the last varied one is the rest."""
    from pyDOE3 import lhs

    rng = np.random.default_rng(seed)
    brief, polytope = region.brief, region.polytope
    free = [n for n, low, high in zip(polytope.names, polytope.lower, polytope.upper) if high > low]
    rest = [n for n in free if n in brief.varied][-1] if brief.basis == "fraction" else None
    free = [n for n in free if n != rest]
    ends = np.array([brief.ranges[n] for n in free])
    points, size = pd.DataFrame(), runs
    while len(points) < runs:  # a larger hypercube until enough of it falls inside
        unit = lhs(len(free), samples=size, seed=rng)
        frame = pd.DataFrame(ends[:, 0] + unit * (ends[:, 1] - ends[:, 0]), columns=free)
        if rest is not None:
            others = [n for n in brief.ingredient_names if n != rest]
            amounts = frame.reindex(columns=others).fillna(brief.fixed)
            frame[rest] = brief.total - amounts.sum(axis=1)
        points = frame[region.contains(frame).to_numpy()]
        size *= 2
    return brief.complete(points.sample(runs, random_state=rng.integers(2**31)).reset_index(drop=True))


class HandWired:
    """One penalised quadratic a response, in ranges scaled to -1 and 1."""

    def __init__(self, plant: VirtualPlant, trials: pd.DataFrame, kind: str, seed: int) -> None:
        from sklearn.preprocessing import PolynomialFeatures, StandardScaler

        self.brief, self.region = plant.brief, plant.region
        polytope = self.region.polytope
        self.wide = [n for n, low, high in zip(polytope.names, polytope.lower, polytope.upper) if high > low]
        self.features = PolynomialFeatures(2, include_bias=False)
        raw = self.features.fit_transform(self._scaled(plant.brief.complete(trials)))
        self.scaler = StandardScaler().fit(raw)
        x, y = self.scaler.transform(raw), trials[plant.brief.response_names].to_numpy(float)
        models = [_penalised(kind, x, column, seed) for column in y.T]
        self.coef, self.intercept = (
            np.array([m.coef_ for m in models]).T,
            np.array([m.intercept_ for m in models]),
        )
        used = np.array([_terms_used(kind, m, x) for m in models])
        self.sd = np.sqrt(
            ((y - x @ self.coef - self.intercept) ** 2).sum(axis=0) / np.maximum(len(y) - used - 1, 1)
        )

    def _scaled(self, columns: Any) -> np.ndarray:
        ends = np.array([self.brief.ranges[n] for n in self.wide])
        x = np.column_stack([np.asarray(columns[n], dtype=float) for n in self.wide])
        return 2.0 * (x - ends[:, 0]) / (ends[:, 1] - ends[:, 0]) - 1.0

    def predict(self, columns: Any) -> np.ndarray:
        """Predicted means of formulas, shape (rows, responses)."""
        return (
            self.scaler.transform(self.features.transform(self._scaled(columns))) @ self.coef + self.intercept
        )

    def cheapest(self, back_off: float, seed: int) -> Answer:
        """Return the cheapest formula predicted to meet every target by `back_off` residual standard deviations."""
        polytope = self.region.polytope
        names = list(polytope.names)
        sizes = np.maximum(self.sd, 1e-9)
        descent = Descent(self.brief, polytope, "cost_per_litre", self.predict, sizes, back_off)
        pool = self.region.sample(4000, seed=seed)[names].to_numpy(float)
        short = np.maximum(-descent.room(pool), 0).sum(axis=1)
        best = pool[np.lexsort((descent.price(pool), short))[:6]]
        x = np.vstack([best, descent.run(best)])
        x = x[self.region.contains(pd.DataFrame(x, columns=names)).to_numpy()]
        short = np.maximum(-descent.room(x), 0).sum(axis=1)
        good = short < 1e-4
        chosen = np.where(good, descent.price(x), np.inf).argmin() if good.any() else short.argmin()
        return Answer(self.brief.complete(pd.DataFrame(x[[chosen]], columns=names)), bool(good.any()))


def _penalised(kind: str, x: np.ndarray, y: np.ndarray, seed: int) -> Any:
    from sklearn.linear_model import LassoCV, RidgeCV

    model = (
        RidgeCV(np.logspace(-3, 3, 25))
        if kind == "ridge"
        else LassoCV(cv=5, random_state=seed, max_iter=5000)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the penalty path need not converge everywhere
        return model.fit(x, y)


def _terms_used(kind: str, model: Any, x: np.ndarray) -> float:
    """Number of terms: those not zero, or for ridge the trace of the hat matrix."""
    if kind == "lasso":
        return float((np.abs(model.coef_) > 1e-9).sum())
    values = np.linalg.svd(x, compute_uv=False) ** 2
    return float((values / (values + model.alpha_)).sum())
