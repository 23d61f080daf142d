"""Trials that know their cure: minutes from each batch's own t90, and the state of cure as a column to fit.

A formula that cures faster is further on after the same minutes, so minutes mix up formula and cure. Planned as a
multiple of each batch's own t90, or fitted on the state of cure, the two come apart.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from formlab.cure import ACTIVATION_KJ, DIFFUSIVITY, arrhenius_factor, press_minutes, state_of_cure
from formlab.errors import FormlabError, Problem

__all__ = ["minutes_of_multiples", "with_state_of_cure"]


def minutes_of_multiples(
    trials: pd.DataFrame,
    multiple: str,
    t90_min: Mapping[str, float],
    t90_at_c: float,
    *,
    press: str | float | None = None,
    thickness_mm: float | None = None,
    activation_kj: float = ACTIVATION_KJ,
    diffusivity: float = DIFFUSIVITY,
) -> pd.Series:
    """Return the press minutes of trials whose cure is planned as a multiple of their batch's own t90.

    The second of two steps: mill and run the cure meter first, then come the minutes.

    Parameters
    ----------
    trials : DataFrame
        With a column ``batch``, and the multiple of t90 wanted (1.5 is half as long again).
    multiple : str
        The column that holds it.
    t90_min, t90_at_c
        t90 of batches in min, and the temperature in degC it was measured at.
    press : str or float, optional
        Column or value of the press temperature in degC; the cure meter's where left out.
    thickness_mm : float, optional
        Where given, the multiple is that of the slab's centre, by conduction; else that of its face.

    Returns
    -------
    Series
        Minutes, index of `trials`; nan for batches that have no t90 yet.

    Examples
    --------
    >>> trials = pd.DataFrame({"batch": ["B01", "B02", "B03"], "times_t90": [1.5, 1.5, 1.0]})
    >>> minutes_of_multiples(trials, "times_t90", {"B01": 8.0, "B02": 10.0}, 150.0).tolist()
    [12.0, 15.0, nan]
    """
    _columns(trials, ["batch", multiple, *([press] if isinstance(press, str) else [])])
    t90 = trials["batch"].map(dict(t90_min)).astype(float)
    wanted = trials[multiple].astype(float)
    temp = _temperature(trials, press, t90_at_c)
    _above_zero({"t90_min": t90.dropna(), multiple: wanted})
    at_reference = wanted * t90
    if thickness_mm is None:
        return (at_reference / arrhenius_factor(temp, t90_at_c, activation_kj)).rename("minutes")
    found = [
        np.nan if np.isnan(cure)
        else press_minutes(cure, t90_at_c, at, thickness_mm, activation_kj=activation_kj, diffusivity=diffusivity)
        for cure, at in zip(at_reference, temp)
    ]  # fmt: skip
    return pd.Series(found, index=trials.index, name="minutes")


def with_state_of_cure(
    trials: pd.DataFrame,
    *,
    minutes: str,
    t90: str | Mapping[str, float],
    t90_at_c: float,
    press: str | float | None = None,
    thickness_mm: float,
    activation_kj: float = ACTIVATION_KJ,
    diffusivity: float = DIFFUSIVITY,
    centre: str = "cure_centre",
    face: str = "cure_face",
) -> pd.DataFrame:
    """Return trials with the state of cure at centre and face, to be fitted as settings of the model.

    Parameters
    ----------
    trials : DataFrame
        One row a slab or a reading.
    minutes : str
        Column of the press time in min, as really pressed.
    t90 : str, or mapping of batch to minutes
        Column of each row's t90 in min, or t90 by batch.
    t90_at_c : float
        Temperature in degC that t90 was measured at.
    press : str or float, optional
        Column or value of the press temperature in degC; the cure meter's where left out.
    thickness_mm : float
        Of the slab.
    centre, face : str
        Names of the new columns: multiples of t90, 1 is the time to 90 % of the torque rise at that place.

    Returns
    -------
    DataFrame
        A copy of `trials` with the two columns; nan where minutes or t90 are missing. A brief that has one of
        them as a setting in place of the minutes can then be fitted.

    Examples
    --------
    >>> trials = pd.DataFrame({"batch": ["B01", "B02"], "cure_min": [16.4, 16.4]})
    >>> with_state_of_cure(trials, minutes="cure_min", t90={"B01": 10.0, "B02": 8.0}, t90_at_c=150.0,
    ...                    thickness_mm=12.0, activation_kj=90.0).round(2)
      batch  cure_min  cure_centre  cure_face
    0   B01      16.4         1.00       1.64
    1   B02      16.4         1.26       2.05
    """
    named = [t90] if isinstance(t90, str) else ["batch"]
    _columns(trials, [minutes, *named, *([press] if isinstance(press, str) else [])])
    own = trials[t90] if isinstance(t90, str) else trials["batch"].map(dict(t90))
    frame = pd.DataFrame({"t90": own, "minutes": trials[minutes]}).astype(float)
    frame["temp"] = _temperature(trials, press, t90_at_c)
    known = frame.dropna()
    _above_zero({"t90": known["t90"], minutes: known["minutes"]})
    out = trials.assign(**{centre: np.nan, face: np.nan})
    if len(known):
        cure = state_of_cure(
            known["minutes"].to_numpy(), known["temp"].to_numpy(), known["t90"].to_numpy(), t90_at_c,
            thickness_mm=thickness_mm, activation_kj=activation_kj, diffusivity=diffusivity,
        )  # fmt: skip
        rows = frame.notna().all(axis=1)
        out.loc[rows, centre] = cure["centre"].to_numpy()
        out.loc[rows, face] = cure["face"].to_numpy()
    return out


def _temperature(trials: pd.DataFrame, press: str | float | None, t90_at_c: float) -> pd.Series:
    if isinstance(press, str):
        return trials[press].astype(float)
    return pd.Series(t90_at_c if press is None else float(press), index=trials.index)


def _columns(trials: pd.DataFrame, names: list[str]) -> None:
    missing = [name for name in names if name not in trials]
    if missing:
        raise FormlabError(
            f"The trials lack {missing}; add them. They have {[str(c) for c in trials.columns]}."
        )


def _above_zero(given: Mapping[str, pd.Series]) -> None:
    bad = [
        Problem(column=name, value=float(values[~(values > 0)].iloc[0]), expected="a number above 0")
        for name, values in given.items()
        if not (values > 0).all()
    ]
    if bad:
        raise FormlabError(bad)
