"""Drift of a test, removed by an eraser that is read again and again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from formlab.errors import FitError
from formlab.html import counted
from formlab.surfaces.readings import sides, usable

__all__ = ["remove_drift"]


def remove_drift(
    trials: pd.DataFrame,
    reference: str,
    responses: Sequence[str],
    *,
    by: str = "session",
    relative: bool = False,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return trials without the reference, each reading corrected by what the reference read in its session.

    The correction is shrunk by its reliability: with variance v_s between sessions and v_r within one, a session in
    which the reference was read k times is corrected by v_s / (v_s + v_r / k) of its difference from the reference's
    mean. Where sessions do not differ by more than readings do, nothing is corrected. Where no session read it twice,
    v_r is not known and the whole difference is taken off: read it twice at least. Readings whose ``status`` is not ok
    tell nothing of the drift.

    Parameters
    ----------
    trials : DataFrame
        With columns ``trial`` and `by`.
    reference : str
        The trial name of the reference eraser or control batch.
    responses : sequence of str
    by : str
        What drifts: session, operator or day.
    relative : bool
        Correct by a factor instead of a difference; readings must be above zero.

    Returns
    -------
    corrected : DataFrame
        The other rows; index and columns as they were.
    shifts : DataFrame
        response, the level of `by`, readings (of the reference), difference (or ratio), applied.

    Raises
    ------
    FitError
        If a column is missing, the reference was never read, a session with trials has no reading of it, or a factor is
        asked for of readings that are not above zero, or one of the reference is only known to lie below or above.
    """
    missing = [c for c in ("trial", by, *responses) if c not in trials]
    if missing:
        raise FitError(
            f"The trials lack column {missing[0]!r}; add it. They have {', '.join(map(repr, map(str, trials.columns)))}."
        )
    is_reference = trials["trial"].astype(str) == reference
    if not is_reference.any():
        raise FitError(
            f"No row has trial {reference!r}; give the name of the reference eraser or control batch."
        )
    out = trials[~is_reference].copy()
    rows = []
    for name in responses:
        read = trials[is_reference & usable(trials) & trials[name].notna()]
        needed = sorted(set(out.loc[out[name].notna(), by].astype(str)))
        lacking = [s for s in needed if s not in set(read[by].astype(str))]
        if lacking:
            raise FitError(
                f"{by} {lacking[0]!r} has readings of {name!r} but none of the reference {reference!r}; "
                "read it in every one, or leave that one out."
            )
        values = read[name].to_numpy(float)
        if count := int((sides(read, name) != 0).sum()):
            raise FitError(
                f"The reference {reference!r} has {counted(count, 'reading')} of {name!r} that only say below or above, which tell of no "
                "shift. Give a reference that reads within the test's range, or leave this response out."
            )
        if relative and not (values > 0).all():
            raise FitError(
                f"The reference {reference!r} reads {values[~(values > 0)][0]:g} for {name!r}; a factor needs readings above "
                "zero. Correct by a difference instead: relative=False."
            )
        shift = _shifts(np.log(values) if relative else values, read[by].astype(str))
        change = out[by].astype(str).map(shift["applied"]).to_numpy(float)
        out[name] = out[name] * np.exp(-change) if relative else out[name] - change
        rows.append(shift.reset_index(names=by).assign(response=name))
    table = pd.concat(rows, ignore_index=True)
    if relative:
        table[["difference", "applied"]] = np.exp(table[["difference", "applied"]])
    return out, table[["response", by, "readings", "difference", "applied"]]


def _shifts(values: np.ndarray, session: pd.Series) -> pd.DataFrame:
    """Difference of each session's mean from the mean of sessions, and the part of it that is reliable."""
    group = pd.Series(values).groupby(session.to_numpy())
    table = pd.DataFrame({"readings": group.size(), "mean": group.mean()})
    difference = table["mean"] - table["mean"].mean()
    spare = len(values) - len(table)
    within = float(((values - group.transform("mean")) ** 2).sum()) / spare if spare else 0.0
    between = float((difference**2).sum()) / max(len(table) - 1, 1) - within * float(
        (1 / table["readings"]).mean()
    )
    between = max(between, 0.0)
    keep = between / (between + within / table["readings"]) if between > 0 else 0.0
    return pd.DataFrame(
        {"readings": table["readings"], "difference": difference, "applied": difference * keep}
    )
