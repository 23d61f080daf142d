"""One file of results on its way into the series: read, checked, merged, summed up."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import SeriesError
from formlab.html import panel, table
from formlab.series.files import read_bytes
from formlab.series.findings import Finding, problem_table, refused
from formlab.series.forms import read_form
from formlab.series.merge import Merged, merge
from formlab.series.readings import Readings, beyond_reach, check_form

__all__ = ["Loaded", "Read", "counted", "read_results"]


@dataclass(frozen=True)
class Loaded:
    """What a file of results brought."""

    file: str
    added: int  # new lines
    completed: int  # lines whose empty cells were filled
    replaced: int  # lines corrected with replace=True
    already_there: int
    trials: int  # in the file
    repairs: pd.DataFrame  # what was read with repair=True: file, row, column, value, expected, repair
    remarks: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        counts = {
            "added": self.added,
            "completed": self.completed,
            "replaced": self.replaced,
            "already there": self.already_there,
            "repaired": len(self.repairs),
        }
        told = ", ".join(f"{n} {what}" for what, n in counts.items() if n or what == "added")
        return " ".join([f"{self.file}: lines of {counted(self.trials, 'trial')}: {told}.", *self.remarks])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        shown = [table(self.repairs)] if len(self.repairs) else []
        return panel("Results loaded", str(self), *shown)


@dataclass(frozen=True)
class Read:
    """A file of results as read and merged, before anything is written."""

    file: str
    sha256: str
    readings: Readings
    merged: Merged
    responses: tuple[Response, ...] = ()

    @property
    def findings(self) -> list[Finding]:
        """Everything that is wrong or odd, in the order of the file."""
        return sorted([*self.readings.findings, *self.merged.findings], key=lambda f: f.problem.row or 0)

    def accepted(self, repair: bool) -> list[Finding]:
        """Return the repairs that were made.

        Raises
        ------
        SeriesError
            If anything else was found, or repairs are not wanted.
        """
        open_ones = [f for f in self.findings if not (repair and f.harmless)]
        if open_ones:
            raise refused(open_ones)
        return self.findings

    def summary(self) -> Loaded:
        """Return what the file brought."""
        done = self.merged
        return Loaded(
            self.file,
            done.added,
            done.completed,
            done.replaced,
            done.already_there,
            self.readings.table["trial"].nunique(),
            problem_table([f.problem for f in self.findings]),
            [*self.readings.remarks, *beyond_reach(self.readings.table, self.responses)],
        )


def read_results(
    file: Path, sheet: str | None, brief: Brief, plan: pd.DataFrame, stored: pd.DataFrame, *, replace: bool
) -> Read:
    """Return what a CSV or XLSX file says beside the readings stored so far.

    Raises
    ------
    SeriesError
        If it holds no table of results at all; everything smaller is among the findings.
    """
    if not brief.responses:
        raise SeriesError("The brief has no response, so there are no results to load. Add a [[response]].")
    content = read_bytes(file)
    readings = check_form(read_form(content, file.name, brief, plan.columns, sheet), brief, plan, stored)
    merged = merge(stored, readings.table, brief.response_names, file.name, replace=replace)
    return Read(file.name, hashlib.sha256(content).hexdigest(), readings, merged, tuple(brief.responses))


def counted(number: int, what: str) -> str:
    """Return a number with its noun.

    Examples
    --------
    >>> counted(1, "trial"), counted(2, "trial")
    ('1 trial', '2 trials')
    """
    return f"{number} {what}{'' if number == 1 else 's'}"
