"""From a trials frame to what is fitted: one value a slab, on the response's scale, with its levels of error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import FitError
from formlab.surfaces.scales import Scale

__all__ = ["Slabs", "Values", "arrange", "values_of"]

LEVELS = ("batch", "load", "day", "block", "lot", "session", "operator")
USABLE = ("", "ok", "nan", "none")
WAITING = ("pending", "set aside")


@dataclass(frozen=True)
class Slabs:
    """The trials of a series, one row a slab, and the readings that belong to them.

    Attributes
    ----------
    formulas : DataFrame
        Every ingredient and setting of the brief, one row a slab.
    labels : DataFrame
        trial, batch and what other levels of error there are, one row a slab.
    readings : DataFrame
        The trials as given, with a column ``slab``: the row of `formulas` each belongs to.
    """

    formulas: pd.DataFrame
    labels: pd.DataFrame
    readings: pd.DataFrame

    def __len__(self) -> int:
        return len(self.formulas)


@dataclass(frozen=True)
class Values:
    """One response, one value a slab that has any.

    Attributes
    ----------
    rows : ndarray of int, shape (n,)
        Rows of the slabs that were read.
    y : ndarray of shape (n,)
        Means of their readings, in the response's own unit.
    count : ndarray of shape (n,)
        Readings behind each mean.
    repeat_ss, repeat_df : float, int
        Scatter of readings of one slab, pooled, on the scale of the fit.
    """

    response: Response
    scale: Scale
    rows: np.ndarray
    y: np.ndarray
    eta: np.ndarray
    count: np.ndarray
    repeat_ss: float
    repeat_df: int

    @property
    def repeatability(self) -> float:
        """Standard deviation of single readings of one slab; nan where no slab was read twice."""
        return float(np.sqrt(self.repeat_ss / self.repeat_df)) if self.repeat_df else float("nan")


def arrange(brief: Brief, trials: pd.DataFrame) -> Slabs:
    """Return the slabs of a trials frame.

    Raises
    ------
    FitError
        If it is empty, lacks a factor, a slab has two formulas, or shares do not sum to the brief's total.
    """
    if not isinstance(trials, pd.DataFrame) or not len(trials):
        raise FitError(
            "There are no trials (n_samples = 0). Load results first, or pass a frame with one row a trial."
        )
    frame = trials.reset_index(drop=True)
    for name in [c for c in brief.columns if c not in frame and c not in brief.fixed]:
        near = [str(c) for c in frame.columns if str(c).lower() == name.lower()]
        hint = (
            f"it has {near[0]!r}, which differs only in case"
            if near
            else f"it has {', '.join(map(repr, map(str, frame.columns)))}"
        )
        raise FitError(f"The trials lack column {name!r}; {hint}.")
    formulas = brief.complete(frame)
    trial = frame["trial"].astype(str) if "trial" in frame else pd.Series([str(i) for i in trials.index])
    if "trial" not in frame and trial.duplicated().any():
        trial = pd.Series([f"row {k + 1}" for k in range(len(frame))])
    slab, first = pd.factorize(trial)
    lead = pd.Series(range(len(frame))).groupby(slab).first().to_numpy()
    _check_one_formula(formulas, slab, lead, list(first))
    formulas = formulas.iloc[lead].reset_index(drop=True)
    labels = pd.DataFrame({"trial": np.asarray(first, dtype=object)})
    batch = frame.get("batch", trial)
    labels["batch"] = batch.where(batch.notna(), trial).astype(str).to_numpy(dtype=object)[lead]
    for level in LEVELS[1:]:
        if level in frame:
            labels[level] = frame[level].astype(str).to_numpy(dtype=object)[lead]
    _check_shares(brief, formulas, labels["trial"])
    return Slabs(formulas, labels, frame.assign(slab=slab))


def _check_one_formula(formulas: pd.DataFrame, slab: np.ndarray, lead: np.ndarray, names: list[Any]) -> None:
    for column in formulas.columns:
        values = formulas[column].to_numpy()
        differs = values != values[lead[slab]]
        if differs.any():
            k = int(np.argmax(differs))
            raise FitError(
                f"Trial {names[slab[k]]!r} has {column!r} = {values[lead[slab[k]]]} in one line and {values[k]} in "
                "another. A trial is one slab with one formula; give different slabs different trial names."
            )


def _check_shares(brief: Brief, formulas: pd.DataFrame, trial: pd.Series) -> None:
    if brief.basis == "fraction":
        names, whole = brief.ingredient_names, brief.total
    elif len(brief.rubbers) > 1:
        names, whole = brief.rubbers, 100.0
    else:
        return
    if not names:
        return
    total = formulas[names].sum(axis=1).to_numpy()
    off = np.abs(total - whole) > 1e-6 * whole
    if off.any():
        k = int(np.argmax(np.abs(total - whole)))
        raise FitError(
            f"{int(off.sum())} of {len(total)} trials have {'ingredients' if brief.basis == 'fraction' else 'rubbers'} "
            f"that do not sum to {whole:g}: trial {trial.iloc[k]!r} sums to {total[k]:.6g}. Rounded shares make terms "
            f"that cannot be told apart look estimable. Scale them: names = {names}; "
            f"trials[names] = trials[names].div(trials[names].sum(axis=1), axis=0) * {whole:g}"
        )


def values_of(slabs: Slabs, response: Response, scale: Scale) -> Values:
    """Return one value a slab: the mean of its readings, on the scale of the fit.

    Raises
    ------
    FitError
        If there is no usable reading, none vary, or some lie at or beyond the scale's bounds.
    """
    name, frame = response.name, slabs.readings
    if name not in frame:
        raise FitError(
            f"The trials lack response {name!r}; they have {', '.join(map(repr, map(str, frame.columns)))}."
        )
    used = _usable(frame) & frame[name].notna()
    censored = f"{name}_censored"
    if censored in frame:
        flag = used & frame[censored].notna() & (frame[censored].astype(str).str.len() > 0)
        if flag.any():
            raise FitError(
                f"{int(flag.sum())} of {int(used.sum())} readings of {name!r} are censored (such as '<0.5'); least squares "
                "cannot use them. Leave the response out, or give it readings within the test's range."
            )
    y = pd.to_numeric(frame.loc[used, name], errors="coerce")
    if y.isna().any():
        bad = y.index[y.isna()][0]
        raise FitError(
            f"Row {bad + 1} of the trials has {name!r} = {frame.loc[bad, name]!r}; a number is expected."
        )
    slab = frame.loc[used, "slab"].to_numpy()
    raw = y.to_numpy(float)
    if not len(raw):
        raise FitError(
            f"Response {name!r} has no usable reading (n_samples = 0). Wait for its results, or leave it out."
        )
    inside = scale.inside(raw)
    if not inside.all():
        trial = slabs.labels["trial"].iloc[slab[~inside][0]]
        raise FitError(
            f"{int((~inside).sum())} reading(s) of {name!r} lie at or beyond the bounds of its scale ({scale.text}): trial "
            f'{trial!r} reads {raw[~inside][0]:g}. Use scale = "identity", or wider bounds.'
        )
    eta = scale.forward(raw)
    rows, code = np.unique(slab, return_inverse=True)
    count = np.bincount(code).astype(float)
    mean_eta, mean_y = np.bincount(code, eta) / count, np.bincount(code, raw) / count
    if len(rows) > 1 and np.ptp(mean_eta) <= 1e-12 * max(np.max(np.abs(mean_eta)), 1e-300):
        raise FitError(
            f"Response {name!r} reads {mean_y[0]:g} in all {len(rows)} trials; a response without variation has no "
            "surface. Check the test and its resolution, or leave it out."
        )
    ss = float(((eta - mean_eta[code]) ** 2).sum())
    return Values(response, scale, rows, mean_y, mean_eta, count, ss, int(len(eta) - len(rows)))


def _usable(frame: pd.DataFrame) -> pd.Series:
    if "status" not in frame:
        return pd.Series(True, index=frame.index)
    return frame["status"].astype(str).str.strip().str.lower().isin(USABLE)
