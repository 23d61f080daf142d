"""Guessed effects as a chemist writes them: a line a response, a column a factor."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path

from formlab.brief import Brief, Response
from formlab.errors import Problem, SeriesError
from formlab.series.cells import clean_text, decimal_comma, plain_name, plain_unit, read_number
from formlab.series.files import read_bytes
from formlab.series.forms import sheets_of
from formlab.series.workbook import Cell

__all__ = ["read_guesses"]

MOST_BYTES = 2**20


def read_guesses(path: str | Path, brief: Brief) -> dict[str, dict[str, float]]:
    """Return the guessed effects that a small CSV or XLSX file holds, as `formlab.suggest.rehearse` takes them.

    The first line has the names of its columns: ``response``, then any of the factors that vary and have a range, and
    ``centre``. Each line below it is one response of the brief. Under a factor stands by how much the response changes
    from the low end of the factor's range to its high end, under ``centre`` its value in the middle of the region, both
    in the response's unit, which may be written behind the number or in a column ``unit``. What is not known is left
    empty.

    Parameters
    ----------
    path : str or Path
    brief : Brief

    Returns
    -------
    dict of str to dict of str to float
        By response and factor the change over half the factor's range, and by response ``centre``, in its unit.

    Raises
    ------
    SeriesError
        Naming every cell that cannot be used, with file, row, column, value and what was expected.
    """
    path = Path(path)
    names = _names(brief)
    sheets, _ = sheets_of(read_bytes(path, MOST_BYTES), path.name, lambda text: plain_name(text) in names)
    rows = sheets[0].rows or [(1, [])]
    columns, problems = _columns(rows[0], names, path.name)
    if problems:
        raise SeriesError(problems)
    comma = decimal_comma(cell for _, cells in rows[1:] for cell in cells)
    out: dict[str, dict[str, float]] = {}
    for row, cells in rows[1:]:
        part, guess, found = _line(path.name, row, cells, columns, brief, comma)
        if part is not None and part.name in out:
            found.append(Problem(path.name, row, "response", part.name, "one line for each response"))
        elif part is not None:
            out[part.name] = guess
        problems += found
    if not any(out.values()) and not problems:
        problems.append(Problem(path.name, expected="at least one line with a response and a guess"))
    if problems:
        raise SeriesError(problems)
    return {name: guess for name, guess in out.items() if guess}


def _names(brief: Brief) -> dict[str, str]:
    """What a column may be called, by its plain form."""
    factors = [n for n in [*brief.varied, *brief.setting_names] if n in brief.ranges]
    names = {plain_name(n): n for n in ("response", "unit", "centre")} | {"center": "centre"}
    names |= {plain_name(brief.title_of(n)): n for n in factors}
    return names | {plain_name(n): n for n in factors}


def _columns(
    header: tuple[int, Sequence[Cell]], names: dict[str, str], file: str
) -> tuple[list[str], list[Problem]]:
    """The name of each column, "" of those without one, and what is wrong with them."""
    row, texts = header[0], [clean_text(cell) for cell in header[1]]
    columns = [names.get(plain_name(text), "") for text in texts]
    factors = list(dict.fromkeys(n for n in names.values() if n not in ("response", "unit", "centre")))
    problems = []
    for text, name in zip(texts, columns):
        if text and not name:
            near = difflib.get_close_matches(plain_name(text), list(names), 1, 0.7)
            expected = f"'response', 'unit', 'centre' or a factor that varies and has a range: {factors}"
            problems.append(
                Problem(
                    file,
                    row,
                    value=text,
                    expected=expected,
                    repair=f"Is it {names[near[0]]!r}?" if near else "",
                )
            )
    problems += [
        Problem(file, row, name, expected="one column of this name")
        for name in dict.fromkeys(n for n in columns if n and columns.count(n) > 1)
    ]
    if not problems and ("response" not in columns or not {*factors, "centre"} & {*columns}):
        found = ", ".join(texts) or None
        expected = f"a line of column names: 'response', then 'centre' or any of {factors}"
        problems.append(Problem(file, row, value=found, expected=expected))
    return columns, problems


def _line(
    file: str, row: int, cells: Sequence[Cell], columns: Sequence[str], brief: Brief, comma: bool | None
) -> tuple[Response | None, dict[str, float], list[Problem]]:
    """One response, what is guessed of it, and what is wrong with the line."""
    extra = [text for text in map(clean_text, cells[len(columns) :]) if text]
    if extra:
        repair = "Decimal commas in a file whose cells are parted by commas need quotes or another separator."
        return (
            None,
            {},
            [
                Problem(
                    file,
                    row,
                    value=extra[0],
                    expected=f"{len(columns)} cells, as in the first line",
                    repair=repair,
                )
            ],
        )
    line = {name: cell for name, cell in zip(columns, cells) if name}
    said = clean_text(line.get("response"))
    known = {plain_name(text): part for part in brief.responses for text in (part.title, part.name)}
    part = known.get(plain_name(said))
    if part is None:
        near = difflib.get_close_matches(plain_name(said), list(known), 1, 0.7)
        repair = f"Is it {known[near[0]].name!r}?" if near else ""
        expected = f"a response of the brief: {brief.response_names}"
        return None, {}, [Problem(file, row, "response", said or None, expected, repair)]
    problems = []
    unit = clean_text(line.get("unit"))
    if unit and plain_unit(unit) != plain_unit(part.unit):
        problems.append(Problem(file, row, "unit", unit, f"{part.unit or 'no unit'}, as in the brief"))
    guess: dict[str, float] = {}
    for name, cell in line.items():
        if name in ("response", "unit"):
            continue
        read = read_number(cell, part.unit, comma)
        number = None if read.text is None or read.text.startswith(("<", ">")) else read.text
        if number is None:
            expected = (
                read.expected
                if read.text is None and read.repair
                else f"a number{' in ' + part.unit if part.unit else ''}, or an empty cell"
            )
            problems.append(
                Problem(file, row, name, cell, expected, read.repair if read.text is None else "")
            )
        elif number:
            guess[name] = float(number) if name == "centre" else float(number) / 2
    low, high = part.possible
    if not low <= guess.get("centre", low) <= high:
        expected = f"a value that {part.name} can have, {low:g} to {high:g}"
        problems.append(Problem(file, row, "centre", guess["centre"], expected))
    return part, guess, problems
