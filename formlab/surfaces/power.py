"""Box-Cox: the power of a positive response that makes a model fit best, with its profile interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from formlab.errors import FitError
from formlab.surfaces.surface import check_shares

if TYPE_CHECKING:
    from formlab.surfaces.surface import Surface

__all__ = ["BoxCox", "box_cox", "box_cox_of"]

MOST = 6.0  # of a power, either way


@dataclass(frozen=True)
class BoxCox:
    """The power that fits best.

    Attributes
    ----------
    power : float
        1 is as measured, 0 the logarithm, -1 the reciprocal.
    low, high : float
        Profile interval, of `level`.
    drop : callable
        Power -> log likelihood below the best.
    """

    power: float
    low: float
    high: float
    _x: np.ndarray
    _y: np.ndarray
    _best: float
    level: float = 0.95

    def __repr__(self) -> str:
        return f"BoxCox({self.text})"

    def drop(self, power: float) -> float:
        """Return how far the log likelihood at a power lies below the best (at most 0)."""
        return _profile(power, self._x, self._y) - self._best

    @property
    def text(self) -> str:
        """What it says about a scale, in one sentence."""
        words = {
            1.0: "as measured",
            0.5: "square root",
            0.0: "log",
            -0.5: "reciprocal square root",
            -1.0: "reciprocal",
        }
        held = [text for power, text in words.items() if self.low <= power <= self.high]
        usual = f"; usual scales in it: {', '.join(held)}" if held else ""
        if abs(self.power) > MOST - 1e-3:
            return f"No power from {-MOST:g} to {MOST:g} fits best: these values do not tell one"
        return f"Power {self.power:.2f} ({100 * self.level:g} % {self.low:.2f} to {self.high:.2f}){usual}"


def box_cox(x: np.ndarray, y: np.ndarray, level: float = 0.95) -> BoxCox:
    """Return the power of `y` under which the columns of `x` fit best (Box & Cox 1964).

    Parameters
    ----------
    x : ndarray of shape (n, p)
    y : ndarray of shape (n,)
        All above zero.
    level : float
        Of the profile interval.

    Raises
    ------
    FitError
        If a value is not above zero, or `level` not between 0 and 1.
    """
    from scipy.optimize import brentq, minimize_scalar
    from scipy.stats import chi2

    check_shares(level=level)
    y = np.asarray(y, dtype=float)
    if len(y) <= np.linalg.matrix_rank(x):
        raise FitError(
            f"{len(y)} values leave nothing to tell a power by beside {x.shape[1]} terms. Add trials, or choose a smaller model."
        )
    if not (y > 0).all():
        raise FitError(
            f"A power needs values above zero; {int((y <= 0).sum())} of {len(y)} are not. Use another scale."
        )
    found = minimize_scalar(
        lambda p: -_profile(p, x, y), bounds=(-MOST, MOST), method="bounded", options={"xatol": 1e-10}
    )
    best, power = -float(found.fun), float(found.x)
    fall = chi2.ppf(level, 1) / 2

    def below(p: float) -> float:
        return best - _profile(p, x, y) - fall

    ends = []
    for way in (-1, 1):
        edge = power + way
        while below(edge) < 0 and abs(edge) < 50:
            edge += way
        ends.append(float(brentq(below, power, edge, xtol=1e-10)) if below(edge) >= 0 else way * np.inf)
    return BoxCox(power, ends[0], ends[1], x, y, best, level)


def box_cox_of(surface: Surface, level: float = 0.95) -> BoxCox:
    """Return the power for the brief's whole model and a surface's values.

    Raises
    ------
    FitError
        As `box_cox`; of a rating, count or pass/fail, which has a law of its own; where readings are censored.
    """
    if surface.response.kind != "measure":
        raise FitError(
            f"Response {surface.name!r} is a {surface.response.kind}, which has a law of its own and no power. Use a measure."
        )
    if surface.values.side.any():
        raise FitError(
            f"Response {surface.name!r} has {int((surface.values.side != 0).sum())} censored readings, and a power takes only "
            "numbers. Use trials whose readings lie within the test's range."
        )
    return box_cox(surface.space.matrix(surface.formulas), surface.values.y, level)


def _profile(power: float, x: np.ndarray, y: np.ndarray) -> float:
    """Profile log likelihood of a power, without constants; in units of the geometric mean, so that powers stay finite."""
    log = np.log(y)
    log = log - log.mean()
    z = log if abs(power) < 1e-8 else np.expm1(power * log) / power
    q = np.linalg.qr(x)[0]
    rest = z - q @ (q.T @ z)
    return float(-0.5 * len(y) * np.log(max(rest @ rest, 1e-28 * (z @ z)) / len(y)))
