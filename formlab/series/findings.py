"""What was found in a file: problems to ask about, and repairs that change no meaning."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from formlab.errors import Problem, SeriesError
from formlab.html import Markup, panel, table

__all__ = ["Finding", "ProblemTable", "problem_table", "refused"]

COLUMNS = ["file", "row", "column", "value", "expected", "repair"]


@dataclass(frozen=True)
class Finding:
    """A problem, and whether its repair is beyond doubt."""

    problem: Problem
    harmless: bool = False

    @classmethod
    def at(
        cls,
        file: str,
        row: int | None,
        column: str,
        value: Any = None,
        expected: str = "",
        repair: str = "",
        harmless: bool = False,
    ) -> Finding:
        return cls(Problem(file, row, column, value, expected, repair), harmless)

    @property
    def record(self) -> list[Any]:
        """The repair as the journal keeps it: row, column, value found, what was done."""
        p = self.problem
        return [p.row, p.column, p.value, p.repair]


class ProblemTable(pd.DataFrame):
    """A table of problems; a notebook shows what to do with them first, and no more of them than help."""

    def _repr_html_(self) -> str:
        if list(self.columns) != COLUMNS:  # a part of it is any table
            return str(pd.DataFrame(self)._repr_html_())
        shown = self.astype(object).where(self.notna(), "")
        return panel("What was found", _verdict(self), table(shown, rows=40) if len(self) else Markup(""))


def _verdict(problems: pd.DataFrame) -> str:
    if not len(problems):
        return "Nothing is wrong."
    files = ", ".join(dict.fromkeys(str(name) for name in problems["file"] if name))
    said = f"{len(problems)} problem{'s' if len(problems) > 1 else ''}{' in ' if files else ''}{files}."
    can = int((problems["repair"].astype(str) != "").sum())
    return f"{said} {can} come{'s' if can == 1 else ''} with a repair." if can else said


def problem_table(problems: Iterable[Problem]) -> ProblemTable:
    """Return problems as a table: file, row, column, value, expected, repair.

    Examples
    --------
    >>> problem_table([Problem("bench.csv", 3, "erasure", "abc", "a number")])
            file  row   column value  expected repair
    0  bench.csv    3  erasure   abc  a number
    """
    rows = [[p.file, p.row, p.column, p.value, p.expected, p.repair] for p in problems]
    found = pd.DataFrame(rows, columns=COLUMNS).astype({"row": "Int64"})
    return ProblemTable(found.assign(value=pd.Series([r[3] for r in rows], dtype=object)))


def refused(findings: Sequence[Finding]) -> SeriesError:
    """Return the error that tells all findings, and how to have the harmless ones repaired."""
    error = SeriesError([f.problem for f in findings])
    harmless = sum(f.harmless for f in findings)
    if harmless:
        which = "All" if harmless == len(findings) else f"{harmless}"
        error.args = (
            f"{error.args[0]}\n{which} of these can be repaired without doubt; repair=True (--repair) does so and records it.",
        )
    return error
