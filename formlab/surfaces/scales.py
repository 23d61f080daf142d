"""Natural scales: where a bounded response is fitted, and its mean brought back to its own unit.

Every scale is increasing. With bounds ``low`` and ``high`` of the response: log is ``log(y - low)`` or, where
only ``high`` is finite, ``-log(high - y)``; logit is ``log((y - low) / (high - y))``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from formlab.errors import FitError

if TYPE_CHECKING:
    from formlab.brief import Response

__all__ = ["Scale"]

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class Scale:
    """A scale on which a response is fitted.

    Parameters
    ----------
    kind : str
        identity, log or logit.
    low, high : float
        Bounds of the response, in its own unit.

    Examples
    --------
    >>> Scale("log", 0.0).mean(np.array([0.0]), np.array([0.2])).round(4)  # exp(0.2 / 2)
    array([1.1052])
    """

    kind: str = "identity"
    low: float = -math.inf
    high: float = math.inf

    @classmethod
    def of(cls, response: Response) -> Scale:
        """Return the scale a response asks for.

        The rule of "auto": log where the lower bound alone is finite, log of the distance to the upper bound
        where that alone is, logit where both are, identity otherwise, and for every kind but a measure.
        """
        low, high = response.bounds
        kind = response.scale
        if kind == "auto":
            finite = math.isfinite(low) + math.isfinite(high)
            kind = ("identity", "log", "logit")[finite] if response.kind == "measure" else "identity"  # type: ignore[assignment]
        if kind == "identity":
            return cls()
        if kind == "logit":
            if not (math.isfinite(low) and math.isfinite(high)):
                raise FitError(
                    f"Response {response.name!r} asks for scale 'logit' but has bounds [{low:g}, {high:g}]; "
                    "give two finite bounds, for instance bounds = [0, 100]."
                )
            return cls("logit", low, high)
        if math.isfinite(high) and not math.isfinite(low):
            return cls("log", high=high)
        return cls("log", low if math.isfinite(low) else 0.0)

    @property
    def downward(self) -> bool:
        """Whether a log scale measures the distance to the upper bound."""
        return self.kind == "log" and math.isfinite(self.high)

    @property
    def text(self) -> str:
        """The scale in words."""
        if self.kind == "identity":
            return "as measured"
        if self.downward:
            return f"minus log of the distance to {self.high:g}"
        if self.kind == "log":
            return "log" if self.low == 0 else f"log of the distance to {self.low:g}"
        return f"logit between {self.low:g} and {self.high:g}"

    def inside(self, y: np.ndarray) -> np.ndarray:
        """Return which values the scale can take."""
        y = np.asarray(y, dtype=float)
        if self.kind == "identity":
            return np.isfinite(y)
        return (y > self.low) & (y < self.high)

    def forward(self, y: np.ndarray) -> np.ndarray:
        """Return values on the scale; -inf or inf at and beyond a bound."""
        y = np.asarray(y, dtype=float)
        if self.kind == "identity":
            return y
        with np.errstate(divide="ignore", invalid="ignore"):
            above = np.log(np.maximum(y - self.low, 0)) if math.isfinite(self.low) else 0.0
            below = np.log(np.maximum(self.high - y, 0)) if math.isfinite(self.high) else 0.0
            return np.asarray(above - below)

    def inverse(self, eta: np.ndarray) -> np.ndarray:
        """Return values in the response's own unit."""
        if self.kind == "identity":
            return eta
        if self.kind == "logit":
            return self.low + (self.high - self.low) / (1 + np.exp(-eta))
        return self.high - np.exp(-eta) if self.downward else self.low + np.exp(eta)

    def read(self, eta: np.ndarray, z: np.ndarray, sd: np.ndarray | float, count: int = 1) -> np.ndarray:
        """Return means of `count` readings of slabs at `eta`: `z` is standard normal, `sd` that of one reading on the scale."""
        return self.inverse(eta + z * (sd / math.sqrt(count)))

    def slope(self, eta: np.ndarray) -> np.ndarray:
        """Return the derivative of `inverse`."""
        eta = np.asarray(eta, dtype=float)
        if self.kind == "identity":
            return np.ones_like(eta)
        if self.kind == "logit":
            share = 1 / (1 + np.exp(-eta))
            return (self.high - self.low) * share * (1 - share)
        return np.exp(-eta) if self.downward else np.exp(eta)

    def mean(self, eta: np.ndarray, variance: np.ndarray | float) -> np.ndarray:
        """Return the mean in the response's own unit of what scatters about `eta` with `variance`.

        In closed form for log (lognormal mean). For logit by its Taylor series to the square of the variance where
        that is at most 0.18 (error below 5e-5 of the range), else by nine-point Gauss-Hermite quadrature (error below 5e-4
        up to a variance of 4, 5e-3 up to 9).
        """
        if self.kind == "identity":
            return eta
        if self.kind == "log":
            return self.inverse(eta + (-0.5 if self.downward else 0.5) * variance)
        if np.max(variance, initial=0.0) <= 0.18:
            share = 1 / (1 + np.exp(-eta))
            bell = share * (1 - share)
            # second derivative: bell (1 - 2 share); fourth: the second times (1 - 12 bell)
            shift = bell * (1 - 2 * share) * (0.5 * variance) * (1 + 0.25 * variance * (1 - 12 * bell))
            return np.asarray(self.low + (self.high - self.low) * (share + shift))
        sd = np.sqrt(variance)
        total = np.zeros(np.broadcast_shapes(np.shape(eta), np.shape(sd)))
        for node, weight in zip(_NODES, _WEIGHTS):
            total += weight * self.inverse(eta + node * sd)
        return total

    def predictor(self, mean: np.ndarray, variance: np.ndarray | float) -> np.ndarray:
        """Return the `eta` whose `mean` is given: its inverse, by Newton steps where there is no closed form."""
        if self.kind == "identity":
            return mean
        if self.kind == "log":
            return self.forward(mean) - (-0.5 if self.downward else 0.5) * variance
        eta = self.forward(mean)
        for _ in range(40):
            step = np.clip((self.mean(eta, variance) - mean) / np.maximum(self.slope(eta), 1e-300), -1, 1)
            eta = eta - step
            if np.max(np.abs(step), initial=0.0) < 1e-9:
                break
        return eta
