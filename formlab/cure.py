"""Cure arithmetic: equivalent cure, heat to the middle of a slab, scorch.

Times in minutes, temperatures in degC, thickness in mm, activation energy in kJ/mol.
An activation energy belongs to one compound: the default is a guess for a sulfur cure until two cure-meter
temperatures have been run.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from formlab.errors import ExtrapolationWarning, FormlabError, Problem

__all__ = [
    "ACTIVATION_KJ",
    "DIFFUSIVITY",
    "Scorch",
    "activation_of_two",
    "agreeing_activation",
    "agreeing_coefficient",
    "arrhenius_factor",
    "centre_temperature",
    "coefficient_minutes",
    "compare_equivalents",
    "equivalent_cure",
    "equivalent_minutes",
    "press_minutes",
    "press_minutes_by_rule",
    "scorch_check",
    "state_of_cure",
    "warm_up_minutes",
]

ACTIVATION_KJ = 100.0  # sulfur cures lie near 80 to 120 kJ/mol (from memory)
DIFFUSIVITY = 0.11  # mm2/s, a filled compound; 0.08 to 0.15 is usual (from memory)
FAR_C = 20.0  # beyond this, the doubling rule and Arrhenius part, and either one is a guess
_GAS = 8.314462618e-3  # kJ/(mol K)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)

Numbers = float | npt.ArrayLike


# ---- equivalence of time and temperature ------------------------------------------------------------------


def arrhenius_factor(temp_c: Numbers, reference_c: Numbers, activation_kj: float = ACTIVATION_KJ) -> Any:
    """Return how many times faster cure runs at `temp_c` than at `reference_c`.

    exp[(Ea/R)(1/Tref - 1/T)] with absolute temperatures.

    Examples
    --------
    >>> round(arrhenius_factor(160.0, 150.0, activation_kj=90.0), 5)
    1.80503
    """
    _above_zero(activation_kj=activation_kj)
    inverse = 1.0 / _kelvin(reference_c) - 1.0 / _kelvin(temp_c)
    return _plain(np.exp(activation_kj / _GAS * inverse))


def equivalent_minutes(
    minutes: Numbers, temp_c: Numbers, at_c: Numbers, activation_kj: float = ACTIVATION_KJ
) -> Any:
    """Return the minutes at `at_c` that cure as far as `minutes` at `temp_c`, by Arrhenius.

    Warns
    -----
    ExtrapolationWarning
        If the temperatures lie more than 20 degC apart.

    Examples
    --------
    >>> round(equivalent_minutes(10.0, 150.0, 160.0, activation_kj=90.0), 4)
    5.5401
    """
    _warn_if_far(temp_c, at_c)
    return _plain(np.asarray(minutes, dtype=float) * arrhenius_factor(temp_c, at_c, activation_kj))


def coefficient_minutes(minutes: Numbers, temp_c: Numbers, at_c: Numbers, coefficient: float = 2.0) -> Any:
    """Return equivalent minutes by the temperature coefficient: `coefficient` times faster per 10 degC.

    The doubling rule of the trade (1.8 to 2.5, from memory). It agrees with Arrhenius at one temperature only.

    Examples
    --------
    >>> coefficient_minutes(10.0, 150.0, 170.0)
    2.5
    """
    _above_zero(coefficient=coefficient)
    _warn_if_far(temp_c, at_c)
    steps = (np.asarray(temp_c, dtype=float) - np.asarray(at_c, dtype=float)) / 10.0
    return _plain(np.asarray(minutes, dtype=float) * coefficient**steps)


def agreeing_activation(coefficient: float, temp_c: float, at_c: float) -> float:
    """Return the activation energy in kJ/mol at which Arrhenius and a temperature coefficient agree.

    R ln(c) T1 T2 / 10 K, in absolute temperatures.

    Examples
    --------
    >>> round(agreeing_activation(2.0, 140.0, 150.0), 2)
    100.75
    """
    _above_zero(coefficient=coefficient)
    return float(_GAS * np.log(coefficient) * _kelvin(temp_c) * _kelvin(at_c) / 10.0)


def activation_of_two(minutes_1: float, temp_1_c: float, minutes_2: float, temp_2_c: float) -> float:
    """Return the activation energy in kJ/mol from one time (t90, say) at two temperatures."""
    _above_zero(minutes_1=minutes_1, minutes_2=minutes_2)
    if temp_1_c == temp_2_c:
        raise FormlabError(f"Both times are at {temp_1_c:g} degC. Run the second at least 10 degC away.")
    return float(_GAS * np.log(minutes_1 / minutes_2) / (1 / _kelvin(temp_1_c) - 1 / _kelvin(temp_2_c)))


def compare_equivalents(
    minutes: float,
    temp_c: float,
    at_c: float,
    activation_kj: float = ACTIVATION_KJ,
    coefficient: float = 2.0,
) -> pd.DataFrame:
    """Return both rules side by side, with the activation energy each of them stands for.

    Returns
    -------
    DataFrame
        Rows ``arrhenius`` and ``coefficient``; columns ``minutes``, ``activation_kj`` and
        ``factor_per_10_c`` (both as seen between these two temperatures).

    Examples
    --------
    >>> compare_equivalents(10.0, 150.0, 160.0, activation_kj=90.0).round(3)
                 minutes  activation_kj  factor_per_10_c
    arrhenius       5.54         90.000            1.805
    coefficient     5.00        105.631            2.000
    """
    _warn_if_far(temp_c, at_c)
    factor = arrhenius_factor(at_c, temp_c, activation_kj)
    per_10 = agreeing_coefficient(activation_kj, temp_c, at_c)
    by_rule = minutes * coefficient ** ((temp_c - at_c) / 10.0)
    return pd.DataFrame(
        {
            "minutes": [minutes / factor, by_rule],
            "activation_kj": [activation_kj, agreeing_activation(coefficient, temp_c, at_c)],
            "factor_per_10_c": [per_10, coefficient],
        },
        index=["arrhenius", "coefficient"],
    )


def agreeing_coefficient(activation_kj: float, temp_c: float, at_c: float) -> float:
    """Return the factor per 10 degC that an activation energy amounts to between two temperatures."""
    return float(np.exp(10.0 * activation_kj / (_GAS * _kelvin(temp_c) * _kelvin(at_c))))


def equivalent_cure(
    times_min: npt.ArrayLike,
    temps_c: npt.ArrayLike,
    reference_c: float,
    activation_kj: float = ACTIVATION_KJ,
) -> float:
    """Return the minutes at `reference_c` that a temperature history is worth.

    The integral of the Arrhenius factor, temperature running straight between the points given.

    Parameters
    ----------
    times_min, temps_c : array-like of shape (n,)
        Two points or more, times not falling; two points at one time make a step.

    Examples
    --------
    >>> round(equivalent_cure([0.0, 10.0], [150.0, 150.0], reference_c=150.0), 6)
    10.0
    """
    time, temp = np.asarray(times_min, dtype=float), np.asarray(temps_c, dtype=float)
    if time.ndim != 1 or time.shape != temp.shape or len(time) < 2:
        raise FormlabError(
            f"Give a history times and temperatures of one length, 2 or more; found {time.shape} and {temp.shape}."
        )
    if not np.isfinite(time).all() or (np.diff(time) < 0).any():
        raise FormlabError("The times of a temperature history must be finite and must not fall. Sort it.")
    within = (_NODES + 1.0) / 2.0
    along = temp[:-1, None] + np.diff(temp)[:, None] * within
    rate = arrhenius_factor(along, reference_c, activation_kj)
    return float(np.sum(np.diff(time) / 2.0 * (rate @ _WEIGHTS)))


# ---- heat into a slab -------------------------------------------------------------------------------------


def centre_temperature(
    minutes: Numbers,
    thickness_mm: Numbers,
    press_c: Numbers,
    *,
    start_c: float = 25.0,
    diffusivity: float = DIFFUSIVITY,
) -> Any:
    r"""Return the temperature of the middle of a slab heated from both faces, in degC.

    Series solution for a plate whose faces take the press temperature at once (Carslaw & Jaeger, Conduction
    of Heat in Solids; from memory):
    :math:`\theta = (4/\pi)\sum_n (-1)^n/(2n+1)\,\exp[-(2n+1)^2\pi^2 a t/L^2]`, the share of the step that is
    still missing. Heat of reaction and flow are left out. `diffusivity` in mm2/s.

    Examples
    --------
    >>> round(centre_temperature(5.0, 10.0, 150.0), 1)
    143.9
    """
    _above_zero(thickness_mm=thickness_mm, diffusivity=diffusivity)
    fourier = (
        diffusivity * 60.0 * np.asarray(minutes, dtype=float) / np.asarray(thickness_mm, dtype=float) ** 2
    )
    odd = 2.0 * np.arange(32) + 1.0
    terms = np.exp(-np.multiply.outer(fourier, (odd * np.pi) ** 2)) * np.sin(odd * np.pi / 2) / odd
    missing = np.where(
        fourier < 1e-3, 1.0, 4.0 / np.pi * terms.sum(axis=-1)
    )  # no heat is there yet below 1e-3
    press = np.asarray(press_c, dtype=float)
    return _plain(press - (press - start_c) * missing)


def warm_up_minutes(thickness_mm: float, *, within: float = 0.05, diffusivity: float = DIFFUSIVITY) -> float:
    """Return the minutes until the centre misses only the fraction `within` of the temperature step.

    First term of the series; the others change `within` by less than 0.0002 up to 0.5.
    """
    _above_zero(thickness_mm=thickness_mm, diffusivity=diffusivity)
    if not 0 < within <= 0.5:
        raise FormlabError(f"within = {within:g}. Give a share above 0 and not above 0.5.")
    return float(thickness_mm**2 / (np.pi**2 * diffusivity) * np.log(4.0 / (within * np.pi)) / 60.0)


def press_minutes(
    cure_min: float,
    cure_at_c: float,
    press_c: float,
    thickness_mm: float,
    *,
    activation_kj: float = ACTIVATION_KJ,
    start_c: float = 25.0,
    diffusivity: float = DIFFUSIVITY,
) -> float:
    """Return the press time after which the slab's centre has had `cure_min` at `cure_at_c`.

    By conduction alone. Published rules of thumb disagree with it and with each other (12 mm: 1.6 times t90
    here, 2.3 times in one works' experience), so set it beside the site's own rule.

    Examples
    --------
    >>> round(press_minutes(10.0, 150.0, 150.0, 12.0, activation_kj=90.0), 1)
    16.4
    """
    from scipy.optimize import brentq

    _above_zero(cure_min=cure_min, thickness_mm=thickness_mm, diffusivity=diffusivity)
    _warn_if_far(press_c, cure_at_c)

    def short(minutes: float) -> float:
        got = _centre_cure(minutes, thickness_mm, press_c, cure_at_c, activation_kj, start_c, diffusivity)
        return float(got[0]) - cure_min

    low = cure_min / arrhenius_factor(press_c, cure_at_c, activation_kj)
    high = low + warm_up_minutes(thickness_mm, within=0.001, diffusivity=diffusivity)
    while short(high) < 0:
        high *= 1.5
    return float(brentq(short, min(low, high) * 0.5, high, xtol=1e-6))


def press_minutes_by_rule(
    cure_min: float, thickness_mm: float, *, minutes_per_mm: float = 1.0, above_mm: float = 6.0
) -> float:
    """Return press time by the user's own allowance: so many minutes for each mm above a thickness.

    One minute per mm above 6 mm is common practice, no source. The lag really grows with thickness squared.
    """
    _above_zero(cure_min=cure_min, thickness_mm=thickness_mm)
    return cure_min + minutes_per_mm * max(0.0, thickness_mm - above_mm)


def state_of_cure(
    minutes: Numbers,
    temp_c: Numbers,
    t90_min: Numbers,
    t90_at_c: float,
    *,
    thickness_mm: float,
    activation_kj: float = ACTIVATION_KJ,
    start_c: float = 25.0,
    diffusivity: float = DIFFUSIVITY,
) -> pd.DataFrame:
    """Return the cure of slabs at face and centre as multiples of their own t90.

    Parameters
    ----------
    minutes, temp_c, t90_min : float, or array-like of shape (n_slabs,)
        Press time, press temperature, and the t90 of the batch at `t90_at_c`. A Series gives its index.

    Returns
    -------
    DataFrame
        Columns ``centre`` and ``face``: 1 is the time to 90 % of the torque rise, at that place. The centre
        counts the time in the press only; what it cures on after opening depends on the quench.

    Examples
    --------
    >>> state_of_cure(16.4, 150.0, 10.0, 150.0, thickness_mm=12.0, activation_kj=90.0).round(2)
       centre  face
    0     1.0  1.64
    """
    _above_zero(t90_min=t90_min, thickness_mm=thickness_mm, diffusivity=diffusivity)
    _warn_if_far(temp_c, t90_at_c)
    labels = next((x.index for x in (minutes, temp_c, t90_min) if isinstance(x, pd.Series)), None)
    time, temp, t90 = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, float)) for x in (minutes, temp_c, t90_min))
    )
    centre = _centre_cure(time, thickness_mm, temp, t90_at_c, activation_kj, start_c, diffusivity)
    face = time * arrhenius_factor(temp, t90_at_c, activation_kj)
    return pd.DataFrame({"centre": centre / t90, "face": face / t90}, index=labels)


def _centre_cure(
    minutes: Numbers,
    thickness_mm: float,
    press_c: Numbers,
    reference_c: float,
    activation_kj: float,
    start_c: float,
    diffusivity: float,
) -> np.ndarray:
    """Return equivalent minutes at the centre, shape (n,); Gauss-Legendre over 12 equal pieces of the time."""
    time = np.atleast_1d(np.asarray(minutes, dtype=float))[:, None]
    pieces = 12
    within = ((np.arange(pieces)[:, None] + (_NODES + 1.0) / 2.0) / pieces).ravel()
    press = np.atleast_1d(np.asarray(press_c, dtype=float))[:, None]
    temp = centre_temperature(time * within, thickness_mm, press, start_c=start_c, diffusivity=diffusivity)
    rate = arrhenius_factor(temp, reference_c, activation_kj)
    return (time * rate) @ np.tile(_WEIGHTS / (2.0 * pieces), pieces)


# ---- scorch -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Scorch:
    """How much scorch time a stock has, has lost and needs; `cautions` says what is wrong, if anything."""

    ts2_at_press_min: float
    used_fraction: float
    left_at_press_min: float
    close_min: float
    cautions: tuple[str, ...]


def scorch_check(
    ts2_min: float,
    ts2_at_c: float,
    *,
    press_c: float,
    close_min: float,
    heat_history: Sequence[tuple[float, float]] = (),
    activation_kj: float = ACTIVATION_KJ,
) -> Scorch:
    """Return whether a stock can be loaded and the mould closed before it sets.

    Parameters
    ----------
    ts2_min, ts2_at_c : float
        Scorch time and the temperature it was measured at.
    press_c, close_min : float
        Press temperature, and the minutes from touching the hot mould until it is closed.
    heat_history : sequence of (minutes, degC)
        What the stock went through with its curatives in: mill, warm-up, storage. Scorch time adds up.

    Examples
    --------
    >>> scorch_check(3.0, 150.0, press_c=150.0, close_min=1.0).cautions
    ()
    """
    _above_zero(ts2_min=ts2_min, close_min=close_min)
    _warn_if_far([press_c, *(temp for _, temp in heat_history)], ts2_at_c)
    used = sum(m * arrhenius_factor(t, ts2_at_c, activation_kj) for m, t in heat_history) / ts2_min
    at_press = ts2_min / arrhenius_factor(press_c, ts2_at_c, activation_kj)
    left = max(0.0, at_press * (1.0 - used))
    return Scorch(at_press, used, left, close_min, _scorch_cautions(at_press, used, left, close_min, press_c))


def _scorch_cautions(
    at_press: float, used: float, left: float, close_min: float, press_c: float
) -> tuple[str, ...]:
    cautions = []
    if used >= 1:
        cautions.append(
            f"The heat before the press has used all of the scorch time ({100 * used:.0f} %). Cool the stock sooner, "
            "or add the last curative later."
        )
    if at_press < close_min:
        cautions.append(
            f"ts2 at {press_c:g} degC is {at_press:.2g} min, shorter than the {close_min:.2g} min to load and close. "
            "Close faster, press cooler or delay the cure."
        )
    elif left < close_min and used < 1:
        cautions.append(
            f"The heat before the press has used {100 * used:.0f} % of the scorch time; {left:.2g} min are left at "
            f"{press_c:g} degC, {close_min:.2g} min are needed to load and close."
        )
    return tuple(cautions)


# ---- checks -----------------------------------------------------------------------------------------------


def _plain(value: Any) -> Any:
    return float(value) if np.ndim(value) == 0 else value


def _kelvin(temp_c: Numbers) -> Any:
    kelvin = np.asarray(temp_c, dtype=float)[()] + 273.15
    if not (np.isfinite(kelvin).all() and (kelvin > 0).all()):
        raise FormlabError(f"Temperature {temp_c!r} degC is not above absolute zero. Give degC.")
    return kelvin


def _above_zero(**given: Any) -> None:
    bad = [
        Problem(column=name, value=value, expected="a number above 0")
        for name, value in given.items()
        if not (np.isfinite(np.asarray(value, float)).all() and (np.asarray(value, float) > 0).all())
    ]
    if bad:
        raise FormlabError(bad)


def _warn_if_far(temp_c: Any, at_c: Any) -> None:
    apart = float(
        np.max(np.abs(np.asarray(temp_c, dtype=float) - np.asarray(at_c, dtype=float)), initial=0.0)
    )
    if apart > FAR_C:
        warnings.warn(
            f"The temperatures lie {apart:.3g} degC apart. Beyond {FAR_C:g} degC equivalent times rest wholly on the "
            "activation energy; measure the cure nearer to where it is used.",
            ExtrapolationWarning,
            stacklevel=3,
        )
