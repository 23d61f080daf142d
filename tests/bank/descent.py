"""The cheapest formula whose means meet all targets, from given starts; for the truth and for the rivals."""

from __future__ import annotations

from typing import Any

import numpy as np

from formlab.brief import Brief

COSTS = {"cost_per_litre": "per_litre", "cost_per_kg": "per_kg"}


class Descent:
    """Sequential quadratic programming to the cheapest formula whose means meet all targets.

    Parameters
    ----------
    brief : Brief
    polytope : Polytope
        Of its region.
    cost : str
        cost_per_litre or cost_per_kg.
    means : callable
        From a mapping of column to values, to means of shape (rows, responses).
    size : array of float
        The unit in which distances from targets count, by response.
    back_off : float
        By how many of these units targets are to be met.
    """

    def __init__(
        self, brief: Brief, polytope: Any, cost: str, means: Any, size: Any, back_off: float = 1e-6
    ) -> None:
        self.brief, self.polytope, self.means, self.back_off = brief, polytope, means, back_off
        self.names, self.low, self.high = list(polytope.names), polytope.lower, polytope.upper
        self.width = np.where(self.high > self.low, self.high - self.low, 1.0)
        self.basis = _flat(polytope, self.width)
        self.ends, self.size = np.array([r.target for r in brief.responses]), np.asarray(size, dtype=float)
        self.prices = brief.numbers("price").to_numpy()
        self.per = (
            1.0 / brief.numbers("density").to_numpy()
            if cost == "cost_per_litre"
            else np.ones(len(self.prices))
        )
        self.walls = _walls(polytope)

    def price(self, x: np.ndarray) -> np.ndarray:
        """Cost of points over the polytope's variables, ingredients first."""
        amounts = x[:, : len(self.prices)]
        return amounts @ self.prices / (amounts @ self.per)

    def room(self, x: np.ndarray) -> np.ndarray:
        """How far inside each target points are."""
        inside = dict(zip(self.names, np.clip(x, self.low, self.high).T))
        mean = self.means(inside)
        gaps = np.hstack([(mean - self.ends[:, 0]) / self.size, (self.ends[:, 1] - mean) / self.size])
        return np.minimum(gaps - self.back_off, 50.0)

    def _all_room(self, x: np.ndarray) -> np.ndarray:
        return np.hstack([self.room(x), self.polytope.gaps(x)[:, self.walls]])

    def run(self, starts: np.ndarray) -> np.ndarray:
        """Return where each start ends; whether it is allowed and good is for the caller to see."""
        return np.array([self._from(start) for start in starts])

    def _from(self, start: np.ndarray) -> np.ndarray:
        from scipy.optimize import minimize

        def points(t: np.ndarray) -> np.ndarray:
            return start + self.width * (np.atleast_2d(t) @ self.basis.T)

        def slopes(function: Any, t: np.ndarray) -> np.ndarray:
            values = function(points(np.vstack([t + 1e-6 * np.eye(len(t)), t - 1e-6 * np.eye(len(t))])))
            return ((values[: len(t)] - values[len(t) :]) / 2e-6).T

        room = {"type": "ineq", "fun": lambda t: self._all_room(points(t))[0],
                "jac": lambda t: slopes(self._all_room, t)}  # fmt: skip
        answer = minimize(
            lambda t: float(self.price(points(t))[0]), np.zeros(self.basis.shape[1]), method="SLSQP",
            jac=lambda t: slopes(self.price, t), constraints=[room], options={"maxiter": 120, "ftol": 1e-9},
        )  # fmt: skip
        return points(answer.x)[0]


def _walls(polytope: Any) -> np.ndarray:
    """Which of the polytope's gaps are real inequalities."""
    wide = polytope.upper > polytope.lower
    return np.concatenate([wide, wide, np.array([r.sense != "=" for r in polytope.rules], dtype=bool)])


def _flat(polytope: Any, width: np.ndarray) -> np.ndarray:
    """Directions, in units of the ranges, that change nothing fixed and keep every sum."""
    from scipy.linalg import null_space

    fixed = np.eye(len(width))[polytope.upper <= polytope.lower]
    sums = [np.asarray(r.coefficients, dtype=float) * width for r in polytope.rules if r.sense == "="]
    rows = np.vstack([fixed, *sums]) if len(fixed) or sums else np.zeros((1, len(width)))
    return null_space(rows)
