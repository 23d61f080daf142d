"""Results of others, checked as a whole before a line of them is kept."""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence

import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import Problem
from formlab.series.tables import NUMBER

__all__ = ["FAILURES", "STATUSES", "check_readings"]

FAILURES = ("would not band", "stuck", "scorched", "blistered", "spoiled")
STATUSES = ("ok", "pending", "set aside", *FAILURES)


def check_readings(
    table: pd.DataFrame, brief: Brief, plan: pd.DataFrame, file: str
) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the readings of a table of text in the form of ``results.csv``, and every problem it has.

    `table` has the line number of each row as its index.
    """
    responses = [n for n in brief.response_names if n in table]
    problems = [
        Problem(file, 1, name, expected="a column of this name") for name in ["trial"] if name not in table
    ]
    if not responses:
        problems.append(Problem(file, 1, expected=f"a column for at least one of {brief.response_names}"))
    own = {"trial", "session", "operator", "reading", "status", "note", *brief.response_names, *plan.columns}
    for name in table.columns:
        if name not in own:
            near = difflib.get_close_matches(
                name, [*brief.response_names, "trial", "session", "status", "note"], 1
            )
            problems.append(
                Problem(
                    file,
                    1,
                    name,
                    expected="a column of the brief",
                    repair=f"Is it {near[0]!r}?" if near else "",
                )
            )
    if problems:
        return table.iloc[:0], problems
    kept = [n for n in ("trial", "session", "operator", "reading") if n in table or n in ("trial", "session")]
    out = pd.DataFrame(
        {
            n: table[n].str.strip() if n in table else pd.Series("", index=table.index, dtype=object)
            for n in [*kept, *brief.response_names, "status", "note"]
        }
    )
    filled = (out[[*responses, "status"]] != "").any(axis=1)
    out = out[filled]
    problems += _unknown_trials(out, plan, file)
    for name in responses:
        problems += _bad_cells(out[name], brief.by_name[name], file)  # type: ignore[arg-type]
    read = (out[responses] != "").any(axis=1)
    out.loc[read & (out["status"] == ""), "status"] = "ok"
    problems += _bad_status(out, read, file)
    problems += _duplicates(out, brief, file)
    return out, sorted(problems, key=lambda p: p.row or 0)


def _unknown_trials(out: pd.DataFrame, plan: pd.DataFrame, file: str) -> list[Problem]:
    known = list(plan["trial"])
    problems = []
    for row, name in out["trial"].items():
        if name not in known:
            near = difflib.get_close_matches(name, known, 1, 0.5)
            problems.append(
                Problem(
                    file,
                    int(str(row)),
                    "trial",
                    name,
                    "a trial of the plan",
                    f"Is it {near[0]!r}?" if near else "",
                )
            )
    return problems


def _bad_cells(cells: pd.Series, response: Response, file: str) -> list[Problem]:
    low, high = response.possible
    problems = []
    for row, text in cells.items():
        if text == "":
            continue
        bare = text[1:].strip() if text[0] in "<>" else text
        if not NUMBER.fullmatch(bare):
            problems.append(
                Problem(file, int(str(row)), response.name, text, "a number, '<0.5', '>90' or an empty cell")
            )
        elif not low <= float(bare) <= high or not math.isfinite(float(bare)):
            problems.append(
                Problem(
                    file, int(str(row)), response.name, text, f"a value that is possible: {low:g} to {high:g}"
                )
            )
    return problems


def _bad_status(out: pd.DataFrame, read: pd.Series, file: str) -> list[Problem]:
    problems = []
    for row, status, note, has in zip(out.index, out["status"], out["note"], read):
        if status not in STATUSES:
            problems.append(Problem(file, row, "status", status, f"one of {', '.join(STATUSES)}"))
        elif status == "ok" and not has:
            problems.append(Problem(file, row, "status", status, "a reading beside it, or another status"))
        elif status == "set aside" and not note:
            problems.append(Problem(file, row, "note", expected="the reason why it was set aside"))
    return problems


def _duplicates(out: pd.DataFrame, brief: Brief, file: str) -> list[Problem]:
    """Find lines that say the same more often than the brief asks for readings."""
    most = max(r.readings for r in brief.responses)
    same = out.groupby([n for n in out.columns if n != "note"], sort=False).cumcount()
    return [
        Problem(
            file,
            int(row),
            "trial",
            out.at[row, "trial"],
            f"at most {most} equal line(s) of a trial",
            "Delete it, or number true readings in a column 'reading'.",
        )
        for row in out.index[same >= most]
    ]


def nearest(name: str, known: Sequence[str]) -> str:
    """Return the name most like one that is not known, or ''."""
    near = difflib.get_close_matches(name, known, 1, 0.5)
    return near[0] if near else ""
