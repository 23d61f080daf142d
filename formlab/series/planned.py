"""A plan on its way into the series: whole, possible, and true to the trials that were made."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from formlab.brief import Brief
from formlab.errors import Problem, SeriesError
from formlab.series import join
from formlab.series.tables import from_csv, to_csv

__all__ = ["as_planned", "check_batches", "checked_plan", "keep_old_trials"]


def checked_plan(frame: pd.DataFrame, brief: Brief, brief_ids: Sequence[str]) -> pd.DataFrame:
    """Return a plan as it will read back from the disk.

    Raises
    ------
    SeriesError
        Naming columns that are missing, trials named twice, briefs that this series never had, amounts that
        cannot be.
    """
    needed = ("trial", *brief.columns)
    problems = [Problem("plan", None, n, expected="a column of this name") for n in needed if n not in frame]
    if problems:
        raise SeriesError(problems)
    names = frame["trial"].astype(str)
    twice = names[names.duplicated() | (names.str.strip() == "")].unique()
    problems = [Problem("plan", None, "trial", n, "an id used once") for n in twice]
    expected = f"a brief of this series: {list(brief_ids)}"
    unknown = [i for i in dict.fromkeys(frame["brief_id"]) if i not in brief_ids]
    problems += [Problem("plan", None, "brief_id", i, expected) for i in unknown]
    whole = join.plan_frame(from_csv(to_csv(frame), "plan"), brief, "plan")
    for name in brief.ranges:
        low = 0.0 if name in brief.ingredient_names else -float("inf")
        bad = ~((whole[name] >= low) & (whole[name] < float("inf")))
        expected = "a number, 0 or more" if low == 0 else "a number"
        problems += [
            Problem("plan", None, f"trial {names.iloc[k]}, {name}", frame[name].iloc[k], expected)
            for k in bad.to_numpy().nonzero()[0]
        ]
    if problems:
        raise SeriesError(problems)
    return whole


def check_batches(plan: pd.DataFrame, brief: Brief, file: str = "plan") -> None:
    """Refuse a plan whose slabs of one batch differ in an ingredient: no mill can make them."""
    problems = [
        Problem(
            file, None, f"trial {trial}, {name}", here, f"{first}, as in the first slab of its batch {batch}"
        )
        for batch, slabs in (plan.groupby("batch", sort=False) if "batch" in plan else ())
        for name in brief.ingredient_names
        for first in slabs[name].iloc[:1]
        for trial, here in zip(slabs["trial"], slabs[name])
        if not abs(here - first) <= 1e-9 * max(1.0, first)
    ]
    if problems:
        raise SeriesError(problems)


def as_planned(new: pd.DataFrame, old: pd.DataFrame) -> pd.DataFrame:
    """Return an extended plan whose earlier rounds stand as they were planned.

    It was made with what was weighed, which stands in `weighed.csv`. A round of the same number is replaced.

    Raises
    ------
    SeriesError
        If it was made without knowing of some planned trials.
    """
    last = new["round"].max()
    before = old[old["round"] != last].copy() if "round" in old else old.copy()
    known = set(new.loc[new["round"] != last, "trial"])
    unknown = [trial for trial in before["trial"] if trial not in known]
    if unknown:
        raise SeriesError(
            f"The extended plan was made without trials {unknown}, which are planned. Extend series.trials(unread=True), "
            "which has them."
        )
    if "role" in new:
        roles = new.set_index("trial")["role"]
        before["role"] = before["trial"].map(roles).fillna(before.get("role", "design"))
    added = new[new["round"] == last]
    if "block" in added and "block" not in before and added["block"].nunique() == 1:
        added = added.drop(columns="block")  # it only told the round from a history, which stands elsewhere
    return pd.concat([before, added], ignore_index=True)


def keep_old_trials(new: pd.DataFrame, old: pd.DataFrame, read: Sequence[str], brief: Brief) -> None:
    """Refuse a plan that lacks or changes trials with results.

    Parameters
    ----------
    new, old : DataFrame
    read : sequence of str
        Trials that have results.
    """
    place = {name: k for k, name in enumerate(new["trial"])}
    lost = [t for t in read if t not in place]
    if lost:
        raise SeriesError(
            f"The new plan lacks trials {lost}, which have results. Extend the old plan, or make a new series."
        )
    before = old.set_index("trial").loc[list(read)]
    after = new.iloc[[place[t] for t in read]]
    problems = [
        Problem("plan", None, f"trial {trial}, {name}", b, f"{a}, as when its results were loaded")
        for name in brief.columns
        for trial, a, b in zip(read, before[name], after[name])
        if a != b
    ]
    if problems:
        raise SeriesError(problems)
