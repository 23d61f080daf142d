"""Tables as CSV text and back: numbers bit for bit, text that no spreadsheet takes for a formula."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from formlab.errors import Problem, SeriesError

__all__ = ["NUMBER", "from_csv", "guarded", "restored", "to_csv", "typed"]

NUMBER = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")


def guarded(text: str) -> str:
    """Return text that a spreadsheet shows as it stands and does not take for a formula.

    Examples
    --------
    >>> guarded("=1+1"), guarded("-3.5"), guarded("soft")
    ("'=1+1", '-3.5', 'soft')
    """
    bare = text.lstrip("'")
    if bare.startswith(_RISKY) and not (bare == text and NUMBER.fullmatch(text)):
        return "'" + text
    return text


def restored(text: str) -> str:
    """Return the text that `guarded` was given."""
    if text[:1] == "'" and text.lstrip("'").startswith(_RISKY):
        return text[1:]
    return text


def cell(value: Any) -> str:
    """Return one value as it stands in a CSV file; the shortest digits that read back bit-equal."""
    if isinstance(value, str):
        return guarded(value)
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return "" if math.isnan(value) else repr(value)
    return guarded(str(value))


def to_csv(frame: pd.DataFrame) -> str:
    """Return a table as CSV text with ``\\n`` line ends; the index is left out."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([cell(str(name)) for name in frame.columns])
    writer.writerows(zip(*(_cells(frame.iloc[:, k].tolist()) for k in range(frame.shape[1]))))
    return out.getvalue()


def _cells(values: list[Any]) -> list[str]:
    """A column as it stands in a CSV file; equal texts are looked at once."""
    said = {v: guarded(v) for v in {v for v in values if type(v) is str}}
    return [said[v] if type(v) is str else cell(v) for v in values]


def from_csv(text: str, file: str = "") -> pd.DataFrame:
    """Return CSV text of our own form as a table of text; empty cells are "".

    Raises
    ------
    SeriesError
        If a line has more or fewer cells than the header.
    """
    lines = read_rows(text, file)
    if not lines:
        return pd.DataFrame()
    names = [restored(name) for name in lines[0][1]]
    problems = [
        Problem(file, row, value=len(cells), expected=f"{len(names)} cells, as in the header")
        for row, cells in lines[1:]
        if len(cells) != len(names)
    ]
    problems += [
        Problem(file, 1, name, expected="a column name used once")
        for name in dict.fromkeys(n for n in names if names.count(n) > 1)
    ]
    if problems:
        raise SeriesError(problems)
    frame = pd.DataFrame(
        [[restored(c) for c in cells] for _, cells in lines[1:]], columns=names, dtype=object
    )
    frame.index = pd.Index([row for row, _ in lines[1:]], name="row", dtype=int)
    return frame


def read_rows(text: str, file: str = "", delimiter: str = ",") -> list[tuple[int, list[str]]]:
    """Return the lines of CSV text that hold anything, each with its line number."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    lines, start = [], 1
    try:
        for cells in reader:
            if "".join(cells).strip():
                lines.append((start, cells))
            start = reader.line_num + 1
    except csv.Error as error:
        raise SeriesError([Problem(file, start, expected=f"a line of CSV text; {error}")]) from None
    return lines


def typed(values: Iterable[str]) -> pd.Series:
    """Return text as whole numbers where all of it is, else as numbers, else unchanged; "" is missing."""
    given = list(values)
    filled = [v for v in given if v != ""]
    if filled and all(re.fullmatch(r"-?(?:0|[1-9][0-9]{0,17})", v) for v in filled):
        kind = "int64" if len(filled) == len(given) else float
        return pd.Series([int(v) if v else math.nan for v in given], dtype=kind)
    if filled and all(NUMBER.fullmatch(v) for v in filled):
        return pd.Series([float(v) if v else math.nan for v in given], dtype=float)
    return pd.Series(given, dtype="str")


def numbers(values: Sequence[str], file: str, column: str, rows: Sequence[int]) -> pd.Series:
    """Return text as numbers, "" as NaN.

    Raises
    ------
    SeriesError
        Naming every cell that is not a number.
    """
    problems = [
        Problem(file, int(row), column, value, "a number")
        for row, value in zip(rows, values)
        if value != "" and not NUMBER.fullmatch(value)
    ]
    if problems:
        raise SeriesError(problems)
    return pd.Series([float(v) if v else math.nan for v in values], dtype=float)
