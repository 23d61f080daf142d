"""From a trials frame to what is fitted: one value a slab, on the response's scale, with its levels of error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import FitError
from formlab.surfaces.censored import ABOVE, BELOW, centre_and_unit, side_of
from formlab.surfaces.noise import ErrorSplit, Noise
from formlab.surfaces.scales import Scale

__all__ = [
    "Slabs",
    "Values",
    "arrange",
    "level_priors",
    "noise_of",
    "refuse_censored",
    "status_of",
    "usable",
    "values_of",
]

HISTORY = "history"  # the block of trials from before the plan
MADE_IN = ("batch", "load", "day", "block", "lot")
READ_IN = ("session", "operator")
LEVELS = (*MADE_IN, *READ_IN)
USABLE = ("", "ok")
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

    @property
    def batches(self) -> np.ndarray:
        """Batch of each slab as whole numbers from 0."""
        return pd.factorize(self.labels["batch"])[0]


@dataclass(frozen=True)
class Values:
    """One response, one value for each slab and, where there are any, test session and operator; of a rating, for each reading.

    Attributes
    ----------
    rows : ndarray of int, shape (n,)
        Which slab each value belongs to.
    y : ndarray of shape (n,)
        Means of their readings, in the response's own unit.
    eta : ndarray of shape (n,)
        Means of their readings on the scale of the fit.
    count : ndarray of shape (n,)
        Readings behind each mean.
    labels : DataFrame
        Levels of error, one row a value.
    repeat_ss, repeat_df : ndarray of float and int, shape (n,)
        Sum of squares and degrees of freedom of the readings behind each value, on the scale of the fit.
    side : ndarray of int, shape (n,)
        -1 or 1 where the mean only is known to lie below or above `y`, for a limit is among its readings; else 0. Of a
        surface, `eta` then is the mean of what may be behind it.
    """

    response: Response
    scale: Scale
    rows: np.ndarray
    y: np.ndarray
    eta: np.ndarray
    count: np.ndarray
    labels: pd.DataFrame
    repeat_ss: np.ndarray
    repeat_df: np.ndarray
    side: np.ndarray

    @property
    def repeatability(self) -> float:
        """Standard deviation of single readings of one slab; nan where no slab was read twice."""
        df = self.repeat_df.sum()
        return float(np.sqrt(self.repeat_ss.sum() / df)) if df else float("nan")

    @property
    def batches(self) -> np.ndarray:
        """Batch of each value as whole numbers from 0."""
        return pd.factorize(self.labels["batch"])[0]


def arrange(brief: Brief, trials: pd.DataFrame) -> Slabs:
    """Return the slabs of a trials frame.

    Raises
    ------
    FitError
        If it is empty, lacks a factor, a slab has two formulas, batches or loads, or shares do not sum to the brief's total.
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
        raise FitError(f"The trials lack column {name!r}; add or rename it: {hint}.")
    formulas = brief.complete(frame)
    for setting in brief.settings:
        empty = formulas[setting.name].isna()
        if empty.any():
            raise FitError(
                f"Row {int(np.argmax(empty)) + 1} of the trials has no {setting.name!r}; write one of "
                f"{list(map(str, setting.levels or []))}."
            )
    own = pd.Series([f"row {k + 1}" for k in range(len(frame))])
    if "trial" in frame:
        trial = frame["trial"].where(frame["trial"].notna(), own).astype(str)
    else:
        trial = own if trials.index.has_duplicates else pd.Series([str(i) for i in trials.index])
    slab, first = pd.factorize(trial)
    lead = pd.Series(range(len(frame))).groupby(slab).first().to_numpy()
    made = frame[[c for c in ("batch", "load") if c in frame]]
    for table, rule in ((formulas, "one formula"), (made, "one batch and one load")):
        _check_one(table, rule, slab, lead, list(first))
    formulas = formulas.iloc[lead].reset_index(drop=True)
    labels = pd.DataFrame({"trial": np.asarray(first, dtype=object)})
    for level in MADE_IN:
        known = frame.get(level, pd.Series(np.nan, frame.index))
        if level == "batch" or known.notna().any():  # where it is not known, a trial's own
            labels[level] = known.where(known.notna(), trial).astype(str).to_numpy(dtype=object)[lead]
    _check_shares(brief, formulas, labels["trial"])
    return Slabs(formulas, labels, frame.assign(slab=slab))


def _check_one(table: pd.DataFrame, rule: str, slab: np.ndarray, lead: np.ndarray, names: list[Any]) -> None:
    for column in table.columns:
        values = table[column].to_numpy()
        differs = (values != values[lead[slab]]) & pd.notna(values) & pd.notna(values[lead[slab]])
        if differs.any():
            k = int(np.argmax(differs))
            raise FitError(
                f"Trial {names[slab[k]]!r} has {column!r} = {values[lead[slab[k]]]} in one line and {values[k]} in "
                f"another. A trial is one slab with {rule}; give different slabs different trial names."
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


def refuse_censored(slabs: Slabs, responses: Sequence[Response], kind: str) -> None:
    """Raise if readings are only known to lie beyond what a test can read, where the kind of fit has no likelihood for them.

    That is so of least squares, and of ratings, counts and pass/fail.

    Raises
    ------
    FitError
        With the number of such readings of every response, and the call that leaves these responses out.
    """
    frame, found = slabs.readings, {}
    for part in responses:
        name = part.name
        if name not in frame or part.kind == "measure" and kind != "least squares":
            continue
        used = (usable(frame) & frame[name].notna()).to_numpy()
        if count := int((sides(frame, name)[used] != 0).sum()):
            found[name] = f"{count} of {int(used.sum())} readings of {name!r}"
    if not found:
        return
    others, them = [r.name for r in responses if r.name not in found], "it" if len(found) == 1 else "them"
    way = (
        f", or fit the others with responses={others} (formlab fit FOLDER --responses {' '.join(others)})"
        if others
        else ""
    )
    measures = {r.name for r in responses if r.kind == "measure"}
    takes = "a fit by least squares" if measures & set(found) else "a fit of a rating, count or pass/fail"
    if measures >= set(found):
        way = (
            ', or use another kind: "auto", "averaged" and "gaussian process" take such readings for what they say'
            + way
        )
    raise FitError(
        f"{' and '.join(found.values())} are censored (such as '<0.5'); {takes} takes only readings that are "
        f"numbers, and with those left out it would be wrong. Give {them} readings within the test's range{way}."
    )


def sides(frame: pd.DataFrame, name: str) -> np.ndarray:
    """Return for each row of readings whether a response lies below (-1) or above (1) what stands there, or was read (0).

    Raises
    ------
    FitError
        If ``NAME_censored`` holds another word than below and above.
    """
    column = f"{name}_censored"
    if column not in frame:
        return np.zeros(len(frame), dtype=int)
    return side_of(frame[column].to_numpy(dtype=object), column, np.arange(len(frame)))


def values_of(slabs: Slabs, response: Response, scale: Scale) -> Values:
    """Return one value a slab: the mean of its readings, on the scale of the fit; every reading of a rating for itself.

    Raises
    ------
    FitError
        If there is no usable reading, all are censored, none vary, or some are not possible or lie at or beyond the
        scale's bounds.
    """
    name, frame = response.name, slabs.readings
    if name not in frame:
        raise FitError(
            f"The trials lack response {name!r}; add its column. They have {', '.join(repr(str(c)) for c in frame.columns if c != 'slab')}."
        )
    used = usable(frame) & frame[name].notna()
    y = pd.to_numeric(frame.loc[used, name], errors="coerce")
    if y.isna().any():
        bad = y.index[y.isna()][0]
        raise FitError(
            f"Row {bad + 1} of the trials has {name!r} = {frame.loc[bad, name]!r}; write a number."
        )
    slab = frame.loc[used, "slab"].to_numpy()
    raw = y.to_numpy(float)
    if not np.isfinite(raw).all():
        bad = y.index[~np.isfinite(raw)][0]
        raise FitError(
            f"Row {bad + 1} of the trials has {name!r} = {raw[~np.isfinite(raw)][0]:g}; write a finite number, or leave it empty."
        )
    low, high = response.possible
    wrong = (raw < low) | (raw > high)
    if wrong.any():
        raise FitError(
            f"Row {y.index[wrong][0] + 1} of the trials has {name!r} = {raw[wrong][0]:g}; by the brief {low:g} to {high:g} is "
            'possible. Correct it, give the row the status "set aside", or widen `possible` in the brief.'
        )
    if not len(raw):
        raise FitError(
            f"Response {name!r} has no usable reading (n_samples = 0). Wait for its results, or leave it out."
        )
    beyond = sides(frame, name)[used.to_numpy()]
    for k in np.flatnonzero(beyond):
        if fault := response.fault_of_limit(raw[k], int(beyond[k])):
            raise FitError(
                f"Row {y.index[k] + 1} of the trials has {name!r} {'<' if beyond[k] < 0 else '>'} {raw[k]:g}, but by the brief {fault}. "
                "Correct the limit, or leave the reading out."
            )
    if beyond.all():
        raise FitError(
            f"All {len(raw)} readings of {name!r} are censored (such as '<0.5'): nothing tells how large it is. Give it some "
            "readings within the test's range, or leave it out."
        )
    inside = scale.inside(raw)
    if not inside.all():
        trial = slabs.labels["trial"].iloc[slab[~inside][0]]
        raise FitError(
            f"{int((~inside).sum())} reading(s) of {name!r} lie at or beyond the bounds of its scale ({scale.text}): trial "
            f'{trial!r} reads {raw[~inside][0]:g}. Use scale = "identity", or wider bounds.'
        )
    eta = scale.forward(raw)
    tests = [c for c in READ_IN if c in frame]
    cells = pd.DataFrame(
        {"slab": slab}
        | {c: frame.loc[used, c].astype(object).fillna("").astype(str).to_numpy() for c in tests}
    )
    if response.kind == "rating":  # a mean of two is no category
        cells["reading"] = cells.groupby(list(cells.columns)).cumcount()
    code = cells.groupby(list(cells.columns), sort=True).ngroup().to_numpy()
    first = pd.Series(np.arange(len(code))).groupby(code).first().to_numpy()
    rows = slab[first]
    count = np.bincount(code).astype(float)
    mean_eta, mean_y = np.bincount(code, eta) / count, np.bincount(code, raw) / count
    if len(rows) > 1 and np.ptp(mean_eta) <= 1e-12 * max(np.max(np.abs(mean_eta)), 1e-300):
        raise FitError(
            f"Response {name!r} reads {mean_y[0]:g} in all {len(set(rows))} trials; a response without variation has no "
            "surface. Check the test and its resolution, or leave it out."
        )
    labels = slabs.labels.iloc[rows].reset_index(drop=True)
    labels = labels.assign(**{c: cells[c].to_numpy()[first] for c in tests})
    # a mean with a limit in it lies beyond what it is with the limit as read; with limits on both sides nothing is known of that
    ways = [np.bincount(code, beyond == way) > 0 for way in (BELOW, ABOVE)]
    side = np.where(ways[0] == ways[1], 0, np.where(ways[0], BELOW, ABOVE))
    plain = beyond == 0
    own, numbers = code[plain], eta[plain]
    each = np.bincount(own, minlength=len(count))
    middle = np.bincount(own, numbers, minlength=len(count)) / np.maximum(each, 1)
    ss = np.bincount(own, (numbers - middle[own]) ** 2, minlength=len(count))
    spare = np.maximum(each - 1, 0)
    return Values(response, scale, rows, mean_y, mean_eta, count, labels, ss, spare, side)


def noise_of(values: Values, slabs: Slabs) -> tuple[Noise, list[str]]:
    """Return the levels of error that the values tell apart, and in words what they cannot.

    A level is told apart if it has at least two groups, fewer than there are values, and is not the same
    grouping as one before it.
    """
    response, n = values.response, len(values.eta)
    step = 1 / float(values.scale.slope(np.median(values.eta)))
    guesses = [
        None if g is None else g * step for g in (response.sd_batch, response.sd_slab, response.sd_reading)
    ]
    split = ErrorSplit.of(guesses)
    names, codes, notes = [], [], []
    columns = [c for c in LEVELS if c in values.labels]
    table = values.labels.assign(slab=values.rows)
    seen: dict[tuple[int, ...], str] = {}
    if "block" in columns and 0 < (old := (table["block"] == HISTORY).to_numpy()).sum() < n:
        # earlier trials are off by one shift of their own, and predictions are for today
        names, codes = ["history"], [np.where(old, 0, -1)]
        table["block"] = table["block"].where(~old)
        for name in READ_IN:  # an unknown session is no session
            if name in columns:
                table[name] = table[name].where(~old | (table[name] != ""))
    for name in [*columns, "slab"]:
        code = pd.factorize(table[name])[0]  # -1 where there is none
        groups = int(code.max()) + 1
        if groups < 2 or groups == n:
            continue
        same = seen.get(tuple(code))
        if same:
            if name != "slab":
                notes.append(
                    f"{name} and {same} group the trials alike: their errors cannot be told apart and stand under {same}."
                )
            continue
        seen[tuple(code)] = name
        names.append(name)
        codes.append(code)
    alike = seen.get(tuple(pd.factorize(values.rows)[0])) == "batch" and len(set(values.rows)) < n
    if alike:  # one slab a batch, read again and again: readings are told apart, batch and slab are not
        split = split.without_reading()
    elif "batch" in names:
        split = split.without_batch()
    known: np.ndarray | float = 0.0
    single = 0.0
    if values.repeat_df.any():
        single = values.repeatability**2
        known = single / values.count
        split = split.without_reading()
    return Noise(
        slabs.batches[values.rows], values.rows, tuple(names), tuple(codes), known, split, single
    ), notes


def level_priors(values: Values, noise: Noise) -> tuple[tuple[float, float], ...]:
    """Return centre and width of the log standard deviation of each level, the residual's last, in units of the values'.

    About the brief's guess with 0.5 where it has one, else about a quarter of the values' with 0.8.
    """
    response, unit = values.response, centre_and_unit(values.eta, values.side)[1]
    step = 1 / float(values.scale.slope(np.median(values.eta)))
    reading = (
        (response.sd_reading or 0.0) / np.sqrt(values.count.mean()) if not values.repeat_df.any() else 0.0
    )
    batch, slab = response.sd_batch or 0.0, response.sd_slab or 0.0
    rest = np.hypot(slab, reading) if "batch" in noise.names else np.sqrt(batch**2 + slab**2 + reading**2)
    if "slab" in noise.names:
        rest = reading
    guess = {
        "batch": batch,
        "slab": slab,
        "history": unit / step,
    }  # a shift may be as large as the spread of the values
    sizes = [*(guess.get(name, 0.0) for name in noise.names), rest]
    return tuple(
        (float(np.log(s * step / unit)), 0.5) if s > 0 else (float(np.log(0.25)), 0.8) for s in sizes
    )


def usable(frame: pd.DataFrame) -> pd.Series:
    """Return which rows of a trials frame count: those whose status is ok, or that have none."""
    return status_of(frame).isin(USABLE)


def status_of(frame: pd.DataFrame) -> pd.Series:
    """Return the status of each row of a trials frame in plain letters; "" where there is none."""
    if "status" not in frame:
        return pd.Series("", index=frame.index)
    return frame["status"].astype(object).fillna("").astype(str).str.strip().str.lower()
