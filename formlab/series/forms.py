"""Files of results as people make them: which sheet, which line holds the names, which column is what."""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from formlab.brief import Brief
from formlab.errors import SeriesError
from formlab.series.cells import clean_text, plain_name, plain_unit
from formlab.series.findings import Finding, refused
from formlab.series.workbook import Cell, Sheet, read_workbook

__all__ = ["Form", "read_form", "sheets_of"]

HEADER_ROWS = 40  # so far down is a line of names looked for
MOST_ROWS = 500_000
SYNONYMS = {
    "trial": ("trial no", "trial id", "trial number", "sample", "specimen", "slab"),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
}
OURS = ("trial", "session", "operator", "reading", "status", "note")


@dataclass
class Form:
    """The cells of a file under the names of the brief; the index is the row in the file."""

    file: str
    table: pd.DataFrame
    header: int
    merged: dict[tuple[int, str], int] = field(
        default_factory=dict
    )  # row and column to the row it is merged with
    findings: list[Finding] = field(default_factory=list)


def sheets_of(
    content: bytes, file: str, known: Callable[[str], bool] = bool
) -> tuple[list[Sheet], list[Finding]]:
    """Return the sheets of a workbook, or a CSV file as its only sheet.

    `known` tells column names; the character that parts most of them parts the cells.

    Raises
    ------
    SeriesError
        If it is neither, or holds more than makes sense.
    """
    if content.startswith((b"PK\x03\x04", b"PK\x05\x06", b"\xd0\xcf\x11\xe0")):
        return read_workbook(content, file), []
    text, findings = _decoded(content, file)
    return [Sheet("", _csv_rows(text, file, known))], findings


def _decoded(content: bytes, file: str) -> tuple[str, list[Finding]]:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", "replace"), []
    if b"\0" in content:
        raise SeriesError(f"{file} is no text and no XLSX workbook. Save the table as XLSX or CSV.")
    try:
        return content.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
        text = content.decode("cp1252", "replace")
        found = text.split("\n")[row - 1].strip()[:60]
        repair = "Read it as Latin-1 (Windows-1252)."
        return text, [Finding.at(file, row, "", found, "text in UTF-8", repair, harmless=True)]


def _csv_rows(text: str, file: str, known: Callable[[str], bool]) -> list[tuple[int, list[Cell]]]:
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    if lines.count("\n") > MOST_ROWS:
        raise SeriesError(f"{file} has more than {MOST_ROWS:,} lines; load it in parts.")
    first = lines.split("\n", HEADER_ROWS)[:HEADER_ROWS]
    mark = max(
        ",;\t|",
        key=lambda c: max(sum(known(clean_text(x).strip('"')) for x in line.split(c)) for line in first),
    )
    reader = csv.reader(io.StringIO(lines, newline=""), delimiter=mark, strict=True)
    rows: list[tuple[int, list[Cell]]] = []
    start = 1
    try:
        for cells in reader:
            if "".join(cells).strip():
                rows.append((start, list(cells)))
            start = reader.line_num + 1
    except csv.Error as error:
        repair = "A quotation mark is opened in this line and not closed, or stands inside quoted text."
        found = Finding.at(file, start, "", None, f"a line of CSV text ({error})", repair)
        raise refused([found]) from None
    return rows


class _Names:
    """What a column may be called."""

    def __init__(self, brief: Brief, plan_columns: Iterable[str]) -> None:
        self.brief = brief
        self.known = list(dict.fromkeys([*OURS, *brief.response_names, *plan_columns, *brief.columns]))
        self.plain: dict[str, str] = {}
        for name in self.known:
            self.plain.setdefault(plain_name(name), name)
        for name in brief.by_name:
            self.plain.setdefault(plain_name(brief.title_of(name)), name)
        for name, others in SYNONYMS.items():
            for other in others:
                self.plain.setdefault(plain_name(other), name)

    def match(self, text: str) -> tuple[str | None, str | None]:
        """Return the name a header cell means, and the unit it gives, each None where there is none."""
        if text in self.known:
            return text, None
        if plain_name(text) in self.plain:
            return self.plain[plain_name(text)], None
        parts = re.fullmatch(r"(.+?)\s*(?:[\[(,/]|\bin\b)\s*([^\])]+?)\s*[\])]?", text) or re.fullmatch(
            r"(.+?)\s+(\S+)", text
        )
        if not parts or plain_name(parts[1]) not in self.plain:
            return None, None
        name = self.plain[plain_name(parts[1])]
        if name in self.brief.by_name:
            return name, parts[2]
        return None, None

    def nearest(self, text: str) -> str | None:
        near = difflib.get_close_matches(plain_name(text), list(self.plain), 1, 0.7)
        return self.plain[near[0]] if near else None


def read_form(
    content: bytes, file: str, brief: Brief, plan_columns: Iterable[str] = (), sheet: str | None = None
) -> Form:
    """Return the table of results that a file holds, with everything that is odd about its form.

    Raises
    ------
    SeriesError
        If no sheet, or more than one, has a line of column names with the trial and a response.
    """
    names = _Names(brief, plan_columns)
    sheets, findings = sheets_of(content, file, lambda text: names.match(text)[0] is not None)
    chosen, header = _choose(_asked_for(sheets, sheet, file), names, file)
    rows = chosen.rows
    titles = [_title(file, row, cells) for row, cells in rows[:header]]
    columns, header_findings = _columns(rows[header], names, file)
    form = Form(file, pd.DataFrame(), rows[header][0], {}, [*findings, *titles, *header_findings])
    body = _body(rows[header + 1 :], rows[header], columns, brief, form)
    data = {name: [cells[k] if k < len(cells) else None for _, cells in body] for k, name in columns.items()}
    form.table = pd.DataFrame(
        data, index=pd.Index([row for row, _ in body], name="row", dtype=int), dtype=object
    )
    body_rows = set(form.table.index)
    for (row, k), (first, first_k) in chosen.merged.items():
        if row in body_rows and first in body_rows and k in columns and k == first_k:
            form.merged[row, columns[k]] = first
    return form


def _asked_for(sheets: Sequence[Sheet], wanted: str | None, file: str) -> list[Sheet]:
    if wanted is None or sheets[0].name == "" and len(sheets) == 1:
        return list(sheets)
    found = [s for s in sheets if s.name == wanted] or [
        s for s in sheets if plain_name(s.name) == plain_name(wanted)
    ]
    if not found:
        raise SeriesError(f"{file} has no sheet {wanted!r}; choose one of {[s.name for s in sheets]}.")
    return found[:1]


def _choose(sheets: Sequence[Sheet], names: _Names, file: str) -> tuple[Sheet, int]:
    """Return the one sheet that holds results, and which of its rows has the names."""
    found = [(s, k) for s in sheets if (k := _header(s, names)) is not None]
    named = [pair for pair in found if pair[0].name.casefold() == "results"]
    if len(found) == 1 or named:
        return (named or found)[0]
    if found:
        which = [s.name for s, _ in found]
        raise refused(
            [Finding.at(file, None, "", which, "one sheet with results", f"Say which: sheet={which[0]!r}.")]
        )
    raise refused([_no_header(sheets, names, file)])


def _header(sheet: Sheet, names: _Names) -> int | None:
    best, where = 0, None
    for k, (_, cells) in enumerate(sheet.rows[:HEADER_ROWS]):
        meant = {names.match(clean_text(c))[0] for c in cells if isinstance(c, str)}
        if "trial" in meant and meant & set(names.brief.response_names) and len(meant - {None}) > best:
            best, where = len(meant - {None}), k
    return where


def _no_header(sheets: Sequence[Sheet], names: _Names, file: str) -> Finding:
    expected = f"a line of column names with 'trial' and at least one of {names.brief.response_names}"
    best: tuple[int, int, list[str]] = (0, 0, [])
    for sheet in sheets:
        for row, cells in sheet.rows[:HEADER_ROWS]:
            texts = [clean_text(c) for c in cells if isinstance(c, str) and clean_text(c)]
            near = [
                f"{t!r}: is it {n!r}?" for t in texts if not names.match(t)[0] and (n := names.nearest(t))
            ]
            score = sum(bool(names.match(t)[0]) for t in texts) + len(near)
            if score > best[0]:
                best = (score, row, near)
    if not best[0]:
        return Finding.at(file, None, "", None, expected)
    return Finding.at(file, best[1], "", None, expected, " ".join(best[2]))


def _title(file: str, row: int, cells: Sequence[Cell]) -> Finding:
    text = " ".join(t for t in map(clean_text, cells) if t)[:60]
    return Finding.at(
        file, row, "", text, "column names in the first line", "Leave out this line.", harmless=True
    )


def _columns(row: tuple[int, list[Cell]], names: _Names, file: str) -> tuple[dict[int, str], list[Finding]]:
    """Return which name each column has, and what is odd about the names."""
    number, cells = row
    columns: dict[int, str] = {}
    findings = []
    for k, cell in enumerate(cells):
        text = clean_text(cell)
        if not text:
            continue
        name, unit = names.match(text)
        finding = _name_finding(file, number, str(cell), name, unit, names)
        if name is not None and name in columns.values():
            finding = Finding.at(
                file, number, str(cell), None, f"one column {name!r}", "Give each reading a line."
            )
        elif name is not None:
            columns[k] = name
        findings += [finding] if finding else []
    return columns, findings


def _name_finding(
    file: str, row: int, cell: str, name: str | None, unit: str | None, names: _Names
) -> Finding | None:
    if name is None:
        near = names.nearest(clean_text(cell))
        if near:
            return Finding.at(file, row, cell, None, "a column name of the brief", f"Is it {near!r}?")
        repair = "Leave out this column."
        return Finding.at(file, row, cell, None, "a column name of the brief", repair, harmless=True)
    if unit is not None and plain_unit(unit) != plain_unit(names.brief.unit(name)):
        expected = f"{name!r} in {names.brief.unit(name) or 'no unit'}"
        return Finding.at(file, row, cell, None, expected, "Convert the values, or correct the unit.")
    if cell not in (name, f"{name} [{unit}]"):  # a unit that is right does no harm
        return Finding.at(file, row, cell, None, f"{name!r}", f"Read it as {name!r}.", harmless=True)
    return None


def _body(
    rows: Sequence[tuple[int, list[Cell]]],
    header: tuple[int, list[Cell]],
    columns: Mapping[int, str],
    brief: Brief,
    form: Form,
) -> list[tuple[int, list[Cell]]]:
    """Return the rows below the header without repeated headers and lines of units."""
    body, width = [], len(header[1])
    units = {k: plain_unit(brief.unit(n)) for k, n in columns.items() if n in brief.by_name}
    names = [clean_text(c) for c in header[1]]
    for place, (row, cells) in enumerate(rows):
        extra = [c for c in map(clean_text, cells[width:]) if c]
        if extra:
            expected = f"{width} cells, as in the line of names"
            repair = (
                "Decimal commas in a file whose cells are parted by commas need quotes or another separator."
            )
            form.findings.append(Finding.at(form.file, row, "", extra[0], expected, repair))
        if _is_names(cells, names) or (place == 0 and _is_units(cells, units)):
            what = "Leave out this line of names or units."
            form.findings.append(
                Finding.at(form.file, row, "", clean_text(cells[0]) or None, "a line of results", what, True)
            )
            continue
        body.append((row, cells))
    return body


def _is_names(cells: Sequence[Cell], names: Sequence[str]) -> bool:
    if clean_text(cells[0]) != names[0]:
        return False
    return [clean_text(c) for c in cells[: len(names)]] == list(names)


def _is_units(cells: Sequence[Cell], units: Mapping[int, str]) -> bool:
    filled = {k: plain_unit(clean_text(c)) for k, c in enumerate(cells) if clean_text(c)}
    return bool(filled) and all(text == units.get(k) for k, text in filled.items())
