"""A cure-meter curve into its numbers: ML, MH, scorch and cure times, marching and reversion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from formlab.errors import FormlabError

__all__ = ["TorqueNumbers", "cure_rate_index", "torque_numbers"]


@dataclass(frozen=True)
class TorqueNumbers:
    """What a cure-meter curve says; a time that was not reached is nan. Minutes, dN m, percent of MH - ML."""

    ml: float
    mh: float
    ts1: float
    ts2: float
    t10: float
    t50: float
    t90: float
    cure_rate_index: float
    rise_at_end_percent: float
    reversion_percent: float
    marching: bool
    reverting: bool


def torque_numbers(
    time_min: npt.ArrayLike, torque_dnm: npt.ArrayLike, *, flat_percent: float = 2.0
) -> TorqueNumbers:
    """Return ML, MH, ts1, ts2, t10, t50, t90 and the cure rate index of one torque curve.

    Parameters
    ----------
    time_min, torque_dnm : array-like of shape (n,)
        The curve, five points or more, times rising; smooth it before if the meter is noisy.
    flat_percent : float
        Marching: the last quarter of the test still rises by more than this percentage of MH - ML. Reverting:
        the torque ends lower than MH by more than it. The 2 % are a choice of ours; no source gives a limit.

    Returns
    -------
    TorqueNumbers
        tx is the time to ML + x/100 (MH - ML), tsx that to ML + x dN m, from the start of the test, by
        straight lines between points (ISO 6502, ASTM D5289). MH of a marching curve is its end, so its t90
        depends on when the test was stopped.

    Raises
    ------
    FormlabError
        If the curve is too short, not finite, does not run forward, or does not rise after its minimum.
    """
    time, torque = _curve(time_min, torque_dnm)
    bottom, top = _lowest_and_highest(torque)
    ml, mh = float(torque[bottom]), float(torque[top])
    if not mh > ml:
        raise FormlabError(
            f"The torque never rises: it starts at {torque[0]:g} and ends at {torque[-1]:g} dN m. "
            "There is no cure to read; measure for longer."
        )

    def reach(level: float) -> float:
        return _first_crossing(time[bottom : top + 1], torque[bottom : top + 1], level)

    last = time >= time[-1] - 0.25 * (time[-1] - time[0])
    rise = 100.0 * (torque[-1] - torque[last][0]) / (mh - ml)
    fall = 100.0 * (mh - torque[-1]) / (mh - ml)
    ts2, t90 = reach(ml + 2.0), reach(ml + 0.9 * (mh - ml))
    return TorqueNumbers(
        ml=ml, mh=mh, ts1=reach(ml + 1.0), ts2=ts2,
        t10=reach(ml + 0.1 * (mh - ml)), t50=reach(ml + 0.5 * (mh - ml)), t90=t90,
        cure_rate_index=cure_rate_index(ts2, t90) if t90 > ts2 else float("nan"),
        rise_at_end_percent=float(rise), reversion_percent=float(fall),
        marching=bool(rise > flat_percent), reverting=bool(fall > flat_percent),
    )  # fmt: skip


def cure_rate_index(ts2_min: float, t90_min: float) -> float:
    """Return 100 / (t90 - ts2), per minute (ISO 6502)."""
    if not t90_min > ts2_min:
        raise FormlabError(f"t90 = {t90_min:g} min is not later than ts2 = {ts2_min:g} min; read both again.")
    return 100.0 / (t90_min - ts2_min)


def _lowest_and_highest(torque: np.ndarray) -> tuple[int, int]:
    """Return where ML and the MH after it stand: a cold sample may start above MH, a reverting one end below ML."""
    top, bottom = int(np.argmax(torque)), int(np.argmin(torque))
    pairs = [(int(np.argmin(torque[: top + 1])), top), (bottom, bottom + int(np.argmax(torque[bottom:])))]
    return max(pairs, key=lambda pair: torque[pair[1]] - torque[pair[0]])


def _curve(time_min: npt.ArrayLike, torque_dnm: npt.ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    time, torque = np.asarray(time_min, dtype=float), np.asarray(torque_dnm, dtype=float)
    if time.ndim != 1 or time.shape != torque.shape or len(time) < 5:
        raise FormlabError(
            f"Give a torque curve times and torques of one length, 5 or more; found {time.shape} and {torque.shape}."
        )
    if not (np.isfinite(time).all() and np.isfinite(torque).all() and (np.diff(time) > 0).all()):
        raise FormlabError("Give a torque curve finite numbers and rising times. Sort it and drop the gaps.")
    return time, torque


def _first_crossing(time: np.ndarray, torque: np.ndarray, level: float) -> float:
    above = np.flatnonzero(torque >= level)
    if not len(above):
        return float("nan")
    k = int(above[0])
    if k == 0:
        return float(time[0])
    return float(np.interp(level, torque[k - 1 : k + 1], time[k - 1 : k + 1]))
