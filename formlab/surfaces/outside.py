"""Says when a formula that is predicted lies where nothing was tried."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from formlab.errors import ExtrapolationWarning, FitError
from formlab.region import Region

__all__ = ["TOLERANCE", "warn_outside"]

TOLERANCE = 0.01  # of a range: rounding at the scales is no extrapolation


def warn_outside(
    region: Region, tried: pd.DataFrame, frame: pd.DataFrame, outside: str, stacklevel: int
) -> None:
    """Warn if formulas lie outside the region and none like them was tried.

    Parameters
    ----------
    region : Region
    tried : DataFrame
        Formulas of the trials, which may lie outside the region themselves.
    frame : DataFrame
        Formulas with every column of the brief; the message names them by the index.
    outside : {"warn", "ignore"}
    stacklevel : int
        Of the warning, counted from the caller.

    Raises
    ------
    FitError
        If `outside` is neither.
    """
    if outside not in ("warn", "ignore"):
        raise FitError(f"outside = {outside!r}; use one of 'warn', 'ignore'.")
    if outside == "ignore":
        return
    broken = np.array(region.why_outside(frame, TOLERANCE), dtype=object)
    rows = np.flatnonzero(broken != "")
    rows = rows[~_like_any(region, tried, frame.iloc[rows])]
    if len(rows):
        warnings.warn(
            f"{len(rows)} of {len(frame)} formulas lie{'s' if len(rows) == 1 else ''} outside the brief's region by more than "
            f"{100 * TOLERANCE:.0f} % of a range, so predictions there are extrapolated; the first is formula "
            f"{frame.index[rows[0]]}: {broken[rows[0]]}. Predict inside the region, or widen it and make trials "
            'there; outside="ignore" leaves this warning out.',
            ExtrapolationWarning,
            stacklevel=stacklevel + 1,
        )


def _like_any(region: Region, tried: pd.DataFrame, frame: pd.DataFrame) -> np.ndarray:
    """Whether each formula is one of those tried, up to the tolerance in every range; shape (n,)."""
    known, box = tried.drop_duplicates(), region.polytope
    same = np.ones((len(frame), len(known)), dtype=bool)
    for name, low, high in zip(box.names, box.lower, box.upper):
        apart = frame[name].to_numpy(float)[:, None] - known[name].to_numpy(float)
        same &= np.abs(apart) <= TOLERANCE * (high - low if high > low else 1.0)
    for name in region.categories:
        same &= frame[name].to_numpy(str)[:, None] == known[name].to_numpy(str)
    return np.asarray(same.any(axis=1))
