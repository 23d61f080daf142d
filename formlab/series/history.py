"""Which cells changed: differences between two states of a table, told cell by cell."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest

import pandas as pd

from formlab.series.journal import Entry, Journal, hunks
from formlab.series.tables import restored

__all__ = ["CellChange", "cell_changes", "cell_history", "described", "entries_frame"]


@dataclass(frozen=True)
class CellChange:
    """One cell that differs; `old` or `new` is None where the whole line came or went."""

    row: int  # line of the file, header included
    key: str  # first cell of the line: the trial, batch or ingredient
    column: str
    old: str | None
    new: str | None


def cell_changes(old: Sequence[str] | None, new: Sequence[str] | None) -> Iterator[CellChange]:
    """Yield the cells that differ between two states of a CSV file given as lines."""
    old_names, new_names = _cells((old or [""])[0]), _cells((new or [""])[0])
    shift = 0
    for start, went, came in hunks(old, new):
        for k, (left, right) in enumerate(zip_longest(went, came)):
            row = start + k + 1 + (shift if left is None else 0)
            if start + k > 0:
                yield from _line_changes(row, left, right, old_names, new_names)
        shift += len(came) - len(went)


def _line_changes(
    row: int, left: str | None, right: str | None, old_names: list[str], new_names: list[str]
) -> Iterator[CellChange]:
    was = dict(zip(old_names, _cells(left))) if left else {}
    now = dict(zip(new_names, _cells(right))) if right else {}
    if was and now and _first(was) != _first(now):  # another line has taken this place
        yield from _line_changes(row, left, None, old_names, new_names)
        yield from _line_changes(row, None, right, old_names, new_names)
        return
    for name in dict.fromkeys([*was, *now]):
        before = was.get(name, "") if was else None
        after = now.get(name, "") if now else None
        if (before or "") != (after or ""):
            yield CellChange(row, _first(now) or _first(was), name, before, after)


def described(old: Sequence[str] | None, new: Sequence[str] | None, most: int = 3) -> str:
    """Return what changed in words: the first few cells and how many more."""
    if new is None:
        return "it is gone"
    if old is None:
        return "what it held before cannot be told"
    changes = list(cell_changes(old, new))
    told = [
        f"row {c.row} ({c.key}), {c.column}: "
        + (f"{c.old!r} became {c.new!r}" if c.old is not None and c.new is not None else "")
        + (f"new, {c.new!r}" if c.old is None else "")
        + (f"gone, was {c.old!r}" if c.new is None else "")
        for c in changes[:most]
    ]
    more = [f"and {len(changes) - most} more cells"] if len(changes) > most else []
    return "; ".join([*told, *more]) or "its columns or empty lines"


def cell_history(journal: Journal, column: str, keys: dict[str, str]) -> pd.DataFrame:
    """Return every change of one column for the lines with these keys.

    Parameters
    ----------
    journal : Journal
    column : str
    keys : dict
        File name to the first cell of the lines asked about: ``{"results.csv": "T07"}``.

    Returns
    -------
    DataFrame
        number, when, who, act, source, file, row, old, new, written (what stood in the source, where it was repaired);
        oldest first.
    """
    rows = []
    for file, key in keys.items():
        for entry, before, after in journal.versions(file):
            for cell in cell_changes(before, after):
                if cell.key == key and cell.column == column:
                    rows.append(
                        [entry.number, entry.when, entry.who, entry.act, entry.source, file, cell.row]
                        + [cell.old or "", cell.new or "", _written(entry, column, cell.new)]
                    )
    names = ["number", "when", "who", "act", "source", "file", "row", "old", "new", "written"]
    return pd.DataFrame(rows, columns=names).sort_values("number", kind="stable", ignore_index=True)


def _written(entry: Entry, column: str, new: str | None) -> str:
    """What a value was read from by repair; empty where it stood so, or where it may have been one of several."""
    found = {
        str(value)
        for _, name, value, done in entry.repairs
        if name == column and f"Read it as {new}." in str(done)
    }
    return found.pop() if len(found) == 1 else ""


def entries_frame(journal: Journal) -> pd.DataFrame:
    """Return the journal, one row an entry: number, when, who, act, source, files, lines, repairs, note."""
    rows = [
        [
            e.number,
            e.when,
            e.who,
            e.act,
            e.source,
            ", ".join(c.file for c in e.changes),
            sum(max(len(went), len(came)) for c in e.changes for _, went, came in c.hunks),
            len(e.repairs),
            e.note,
        ]
        for e in journal.entries
    ]
    names = ["number", "when", "who", "act", "source", "files", "lines", "repairs", "note"]
    return pd.DataFrame(rows, columns=names)


def cells_frame(journal: Journal, number: int) -> pd.DataFrame:
    """Return the cells that one entry changed: file, row, key, column, old, new."""
    rows = []
    for file in dict.fromkeys(c.file for e in journal.entries for c in e.changes):
        for entry, before, after in journal.versions(file):
            if entry.number == number:
                rows += [
                    [file, c.row, c.key, c.column, c.old or "", c.new or ""]
                    for c in cell_changes(before, after)
                ]
    return pd.DataFrame(rows, columns=["file", "row", "key", "column", "old", "new"])


def _cells(line: str | None) -> list[str]:
    try:
        return [restored(c) for c in next(csv.reader([line or ""]), [])]
    except csv.Error:  # somebody put in what CSV cannot hold; it is told as it stands
        return [line or ""]


def _first(cells: dict[str, str]) -> str:
    return next(iter(cells.values()), "")
