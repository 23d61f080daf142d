"""How good a test is: repeatability, reproducibility, odd laboratories, and a verdict for what matters.

ISO 5725-2 for one test method, any number of readings in a cell. A "lab" is whatever changes between
sessions: laboratory, operator, day. A level is a sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from formlab.errors import FormlabError

__all__ = [
    "Verdict",
    "cochran_critical",
    "consistency",
    "grubbs_critical",
    "mandel_h_critical",
    "mandel_k_critical",
    "precision",
    "readings_needed",
    "smallest_seen",
    "verdict_for",
]


def precision(readings: pd.DataFrame) -> pd.DataFrame:
    """Return repeatability and reproducibility of a test at each level.

    Parameters
    ----------
    readings : DataFrame
        Columns ``lab, level, reading``; one row a reading, cells may differ in number.

    Returns
    -------
    DataFrame
        Index level; columns ``labs, readings, mean, s_r, s_L, s_R, n_bar, r, R``. s_r within a lab, s_L
        between labs (0 where the estimate is negative), s_R both; r and R = 2.8 s are the differences
        between two single readings exceeded one time in twenty.

    Notes
    -----
    ISO 5725-2, 7.4 (from memory): s_L2 = (s_d2 - s_r2) / n_bar with n_bar = (N - sum n2 / N) / (p - 1).
    Outliers are not dropped here; look at `consistency` first.
    """
    rows = {level: _one_level(cells) for level, cells in _cells(readings).groupby("level", sort=True)}
    return (
        pd.DataFrame.from_dict(rows, orient="index")
        .rename_axis("level")
        .astype({"labs": int, "readings": int})
    )


def _one_level(cells: pd.DataFrame) -> dict[str, float]:
    n, mean, var = (cells[name].to_numpy(dtype=float) for name in ("n", "mean", "var"))
    p, total = len(n), n.sum()
    if p < 2 or total <= p:
        raise FormlabError(
            f"Level {cells['level'].iloc[0]!r} has {int(total)} readings from {p} labs. "
            "Add readings: repeatability and reproducibility need two labs, and repeats in one of them at least."
        )
    centre = (n * mean).sum() / total
    s_r2 = (np.where(n > 1, n - 1, 0) * np.nan_to_num(var)).sum() / (total - p)
    s_d2 = (n * (mean - centre) ** 2).sum() / (p - 1)
    n_bar = (total - (n**2).sum() / total) / (p - 1)
    s_l2 = max(0.0, (s_d2 - s_r2) / n_bar)
    s_r, s_big = math.sqrt(s_r2), math.sqrt(s_r2 + s_l2)
    return {
        "labs": p, "readings": total, "mean": centre, "s_r": s_r, "s_L": math.sqrt(s_l2), "s_R": s_big,
        "n_bar": n_bar, "r": 2.8 * s_r, "R": 2.8 * s_big,
    }  # fmt: skip


def consistency(readings: pd.DataFrame, *, mandel_alpha: float = 0.005) -> pd.DataFrame:
    """Return each lab's h and k at each level, and which cell is a straggler or an outlier.

    Returns
    -------
    DataFrame
        One row a lab and level: ``level, lab, n, mean, sd, h, h_limit, k, k_limit, spread, place``. ``spread``
        is Cochran's verdict on the largest variance of a level, ``place`` that of Grubbs on the mean
        farthest off: "straggler" beyond the 5 % value, "outlier" beyond 1 %, else empty (ISO 5725-2).

    Notes
    -----
    The tests are made for equal cells; where they differ the commonest number of readings is used, as the
    standard does. One cell a level is tested: two labs that agree with each other and with nobody else stay
    hidden, so look at h. An outlier is a reason to ask the lab, not to drop it.
    """
    parts = [_consistent(cells, mandel_alpha) for _, cells in _cells(readings).groupby("level", sort=True)]
    return pd.concat(parts, ignore_index=True)


def _consistent(cells: pd.DataFrame, alpha: float) -> pd.DataFrame:
    p, n = len(cells), int(cells["n"].mode().iloc[0])
    if p < 3 or n < 2:
        raise FormlabError(
            f"Level {cells['level'].iloc[0]!r} has {p} labs, most with {n} reading{'s' if n != 1 else ''}. "
            "Add readings: these tests need three labs and two readings each."
        )
    sd = np.sqrt(cells["var"])
    h = (cells["mean"] - cells["mean"].mean()) / cells["mean"].std(ddof=1)
    pooled = math.sqrt(cells["var"].mean())
    cochran = cells["var"].max() / cells["var"].sum() if pooled > 0 else 0.0
    frame = cells[["level", "lab", "n", "mean"]].assign(
        sd=sd, h=h, h_limit=mandel_h_critical(p, alpha),
        k=sd / pooled if pooled > 0 else 0.0, k_limit=mandel_k_critical(p, n, alpha), spread="", place="",
    )  # fmt: skip
    frame.loc[sd.idxmax(), "spread"] = _verdict(cochran, [cochran_critical(p, n, a) for a in (0.05, 0.01)])
    frame.loc[h.abs().idxmax(), "place"] = _verdict(
        h.abs().max(), [grubbs_critical(p, a) for a in (0.05, 0.01)]
    )
    return frame


def _verdict(statistic: float, limits: list[float]) -> str:
    return "outlier" if statistic > limits[1] else "straggler" if statistic > limits[0] else ""


def _cells(readings: pd.DataFrame) -> pd.DataFrame:
    """Return number, mean and variance of the readings of each lab at each level."""
    missing = [name for name in ("lab", "level", "reading") if name not in readings]
    if missing:
        raise FormlabError(f"Readings lack {missing}; add them. They have {list(readings.columns)}.")
    if not np.isfinite(readings["reading"].to_numpy(dtype=float)).all():
        raise FormlabError("Some readings are missing or not finite. Leave their rows out.")
    cells = readings.groupby(["level", "lab"], sort=True)["reading"].agg(n="count", mean="mean", var="var")
    return cells.reset_index()


# ---- critical values --------------------------------------------------------------------------------------


def cochran_critical(labs: int, n: int, alpha: float = 0.05) -> float:
    """Return Cochran's limit for the largest of `labs` variances of `n` readings over their sum.

    1 / (1 + (p - 1) / F), F the upper alpha / p point with n - 1 and (p - 1)(n - 1) degrees of freedom.

    Examples
    --------
    >>> round(cochran_critical(8, 3), 3)
    0.516
    """
    return 1.0 / (1.0 + (labs - 1) / _f_upper(alpha / labs, n - 1, (labs - 1) * (n - 1)))


def grubbs_critical(labs: int, alpha: float = 0.05) -> float:
    """Return the two-sided limit of Grubbs' test for one mean out of `labs`, in standard deviations.

    Examples
    --------
    >>> round(grubbs_critical(8), 3)
    2.127
    """
    t = _t_upper(alpha / (2 * labs), labs - 2)
    return (labs - 1) / math.sqrt(labs) * math.sqrt(t**2 / (labs - 2 + t**2))


def mandel_h_critical(labs: int, alpha: float = 0.005) -> float:
    """Return the limit of Mandel's h, two-sided at level `alpha` (0.5 % is that of ASTM E691, from memory)."""
    t = _t_upper(alpha / 2, labs - 2)
    return (labs - 1) * t / math.sqrt(labs * (t**2 + labs - 2))


def mandel_k_critical(labs: int, n: int, alpha: float = 0.005) -> float:
    """Return the limit of Mandel's k at level `alpha`."""
    return math.sqrt(labs / (1.0 + (labs - 1) / _f_upper(alpha, n - 1, (labs - 1) * (n - 1))))


def _f_upper(alpha: float, df1: int, df2: int) -> float:
    from scipy.stats import f

    return float(f.isf(alpha, df1, df2))


def _t_upper(alpha: float, df: int) -> float:
    from scipy.stats import t

    return float(t.isf(alpha, df))


# ---- is the test good enough? -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Verdict:
    """Whether a test can see what matters: `good_enough` with the readings planned, and what would be."""

    good_enough: bool
    smallest_seen: float
    readings_needed: float  # inf: no number of readings is enough
    words: str


def smallest_seen(
    s_r: float, readings: int, *, s_L: float = 0.0, alpha: float = 0.05, power: float = 0.80
) -> float:
    """Return the true difference of two formulas that a test sees with chance `power`.

    (z of alpha/2 + z of power) sqrt(2 (s_L2 + s_r2 / n)), n readings of each, standard deviations taken as
    known; the textbook rule for two means. With alpha 0.05 and power one half it is the critical difference
    of ISO 5725-6 (from memory). `s_L` is 0 where both are read in one session, as it then cancels.

    Examples
    --------
    >>> round(smallest_seen(1.0, 1), 2)
    3.96
    """
    return _z_sum(alpha, power) * math.sqrt(2.0 * (s_L**2 + s_r**2 / readings))


def readings_needed(
    s_r: float, matters: float, *, s_L: float = 0.0, alpha: float = 0.05, power: float = 0.80
) -> float:
    """Return how many readings of each of two formulas make the difference `matters` seen; inf if none do.

    Examples
    --------
    >>> readings_needed(1.5, 2.0)
    9
    """
    if not matters > 0:
        raise FormlabError(f"matters = {matters:g}. Give the smallest difference worth seeing, above 0.")
    room = matters**2 / (2.0 * _z_sum(alpha, power) ** 2) - s_L**2
    return max(1, math.ceil(s_r**2 / room - 1e-9)) if room > 0 else math.inf


def verdict_for(
    matters: float,
    s_r: float,
    *,
    s_L: float = 0.0,
    readings: int = 1,
    alpha: float = 0.05,
    power: float = 0.80,
) -> Verdict:
    """Return whether `readings` readings of each of two formulas see the difference `matters`.

    The test alone is judged: batches and slabs differ besides. `s_r` and `s_L` come from `precision` or from
    the brief; leave `s_L` at 0 where formulas are compared within a session.
    """
    needed = readings_needed(s_r, matters, s_L=s_L, alpha=alpha, power=power)
    seen = smallest_seen(s_r, readings, s_L=s_L, alpha=alpha, power=power)
    head = f"{readings} reading{'s' if readings != 1 else ''} of each formula {'see' if readings != 1 else 'sees'} a difference of {seen:.3g}"
    if needed <= readings:
        words = f"{head} with a chance of {100 * power:.0f} %; {matters:g} matters: good enough."
    elif math.isinf(needed):
        words = (
            f"{head}; {matters:g} matters, and no number of readings is enough, as sessions differ by {s_L:.3g}. "
            "Compare within one session, with the reference eraser in each."
        )
    else:
        words = f"{head}; {matters:g} matters and needs {needed} readings. Read more, or steady the test."
    return Verdict(needed <= readings, seen, needed, words)


def _z_sum(alpha: float, power: float) -> float:
    from scipy.stats import norm

    return float(norm.isf(alpha / 2) + norm.ppf(power))
