"""XLSX workbooks: looked over before they are opened, read as plain cells, written without formulas."""

from __future__ import annotations

import datetime
import io
import re
import warnings
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from formlab.errors import SeriesError

__all__ = ["Cell", "Sheet", "read_workbook", "workbook_bytes"]

Cell = str | int | float | None
MOST_MEMBERS = 2_000
MOST_UNPACKED = 256 * 2**20
MOST_RATIO = 250  # packed well, real sheets reach about 30
MOST_CELLS = 6_000_000
MOST_COLUMNS = 1_000
SMALL_BYTES = 2**21  # up to here merged cells are looked up too
MOST_MERGED = 200_000


@dataclass
class Sheet:
    """Rows of cells, each with its number in the file, and where cells were merged."""

    name: str
    rows: list[tuple[int, list[Cell]]]
    merged: dict[tuple[int, int], tuple[int, int]] = field(default_factory=dict)  # cell to its first cell


def read_workbook(content: bytes, file: str) -> list[Sheet]:
    """Return the sheets of a workbook: text, numbers, and the values that formulas had when it was saved.

    Percent cells come as text ("85%"), dates as ISO text, so that a reader sees what the user saw. A formula
    without a saved value comes as its own text.

    Raises
    ------
    SeriesError
        If it is no XLSX file, is protected by a password, unpacks to more than makes sense, or declares
        entities or an unusual encoding.
    """
    formulas = _look_over(content, file)
    import openpyxl

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about features of the workbook that do not touch the cells
            small = len(content) < SMALL_BYTES
            book = openpyxl.load_workbook(
                io.BytesIO(content), data_only=True, keep_links=False, read_only=not small
            )
            asked = openpyxl.load_workbook(io.BytesIO(content), read_only=not small) if formulas else None
            sheets = [_sheet(sheet, file) for sheet in book.worksheets]
            if asked is not None:
                for sheet, other in zip(sheets, asked.worksheets):
                    _fill_formulas(sheet, _sheet(other, file))
    except SeriesError:
        raise
    except Exception as error:  # a broken workbook makes openpyxl raise many kinds
        raise SeriesError(
            f"{file} is not a workbook that can be read ({type(error).__name__}: {str(error)[:100]}). "
            "Open it in a spreadsheet program and save it again as XLSX or CSV."
        ) from None
    return sheets


def _look_over(content: bytes, file: str) -> bool:
    """Refuse archives that are not what they seem; return whether any sheet holds formulas."""
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise SeriesError(
            f"{file} is an old or password-protected workbook. Save it as XLSX without a password."
        )
    formulas = False
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = archive.infolist()
            _check_sizes(members, file)
            if "[Content_Types].xml" not in archive.namelist():
                raise SeriesError(
                    f"{file} is an archive, but no XLSX workbook. Save the table as XLSX or CSV."
                )
            for member in members:
                if member.filename.lower().endswith((".xml", ".rels", ".vml")):
                    text = archive.read(member)
                    _check_xml(text, member.filename, file)
                    formulas |= member.filename.startswith("xl/worksheets/") and b"<f" in text
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError, ValueError) as error:
        if isinstance(error, SeriesError):
            raise
        raise SeriesError(
            f"{file} is damaged or no XLSX workbook ({str(error)[:100]}). Save it again as XLSX or CSV."
        ) from None
    except zipfile.zlib.error as error:  # type: ignore[attr-defined]
        raise SeriesError(f"{file} is damaged ({str(error)[:100]}). Save it again as XLSX or CSV.") from None
    return formulas


def _check_sizes(members: Sequence[zipfile.ZipInfo], file: str) -> None:
    unpacked = sum(m.file_size for m in members)
    packed = max(sum(m.compress_size for m in members), 1)
    if (
        len(members) > MOST_MEMBERS
        or unpacked > MOST_UNPACKED
        or (unpacked > 2**22 and any(m.file_size > MOST_RATIO * max(m.compress_size, 1) for m in members))
    ):
        raise SeriesError(
            f"{file} unpacks from {packed / 2**20:.2g} to {unpacked / 2**20:.0f} MB in {len(members)} parts, which no "
            "table of trials does; it is not opened. Copy the cells into a new workbook, or save it as CSV."
        )
    if any(m.flag_bits & 1 for m in members):
        raise SeriesError(f"{file} is protected by a password. Save it without one.")
    names = [m.filename for m in members]
    if len(set(names)) < len(names) or any(n.startswith(("/", "\\")) or ".." in n.split("/") for n in names):
        raise SeriesError(
            f"{file} has parts with unusual names; it is not opened. Save it again as XLSX or CSV."
        )


def _check_xml(text: bytes, member: str, file: str) -> None:
    head = text[:200].lower()
    encoding = re.search(rb"encoding\s*=\s*[\"']([^\"']+)", head)
    odd = b"\0" in text[:4] or text.startswith((b"\xff\xfe", b"\xfe\xff"))
    odd |= bool(encoding) and encoding[1] not in (b"utf-8", b"utf8", b"us-ascii", b"ascii", b"iso-8859-1")  # type: ignore[index]
    if odd or b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise SeriesError(
            f"{file} declares entities or an unusual encoding in {member!r}, which no spreadsheet program writes; "
            "it is not opened. Save it again as XLSX or CSV."
        )


def _sheet(sheet: Any, file: str) -> Sheet:
    if hasattr(sheet, "reset_dimensions"):
        sheet.reset_dimensions()  # what the file says of its own size may be wrong
    elif sheet.max_row * sheet.max_column > MOST_CELLS or sheet.max_column > MOST_COLUMNS:
        raise _too_large(file, sheet.title)
    rows, count = [], 0
    for number, cells in enumerate(sheet.iter_rows(), 1):
        if len(cells) > MOST_COLUMNS or count > MOST_CELLS:
            raise _too_large(file, sheet.title)
        values = [_value(cell) for cell in cells]
        if any(v is not None for v in values):
            rows.append((number, values))
            count += len(values)
    merged = {}
    for area in getattr(getattr(sheet, "merged_cells", None), "ranges", ()):
        if area.size["rows"] * area.size["columns"] > MOST_MERGED:
            continue
        for row, column in area.cells:
            if (row, column) != (area.min_row, area.min_col):
                merged[row, column - 1] = (area.min_row, area.min_col - 1)
    return Sheet(sheet.title, rows, merged)


def _too_large(file: str, sheet: str) -> SeriesError:
    return SeriesError(
        f"Sheet {sheet!r} of {file} has more than {MOST_COLUMNS} columns or {MOST_CELLS:,} cells, too many for a table "
        "of trials. Copy the results into a new workbook."
    )


def _value(cell: Any) -> Cell:
    value = cell.value
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, (int, float)):
        return _shown_percent(value) if "%" in cell.number_format else value
    if isinstance(value, (datetime.datetime, datetime.date, datetime.time, datetime.timedelta)):
        return value.isoformat() if hasattr(value, "isoformat") else str(value)
    return str(getattr(value, "text", value))  # formulas of several cells


def _shown_percent(value: float) -> str:
    return f"{round(100 * value, 10)!r}%"


def _fill_formulas(sheet: Sheet, asked: Sheet) -> None:
    """Put the text of formulas that were never calculated where their value is missing."""
    rows = dict(sheet.rows)
    for number, cells in asked.rows:
        values = rows.setdefault(number, [])
        values += [None] * (len(cells) - len(values))
        for k, cell in enumerate(cells):
            if values[k] is None and isinstance(cell, str) and cell.startswith("="):
                values[k] = cell
    sheet.rows = sorted((n, v) for n, v in rows.items())


# ---- writing --------------------------------------------------------------------------------------------


def workbook_bytes(
    sheets: Mapping[str, pd.DataFrame],
    *,
    open_columns: Mapping[str, Sequence[str]] | None = None,
    spare_rows: int = 0,
    notes: Mapping[str, str] | None = None,
) -> bytes:
    """Return an XLSX workbook with one sheet a table; text is never taken for a formula.

    Parameters
    ----------
    sheets : mapping of str to DataFrame
        Sheet names and their tables; the index is left out.
    open_columns : mapping of str to list of str, optional
        Sheets to protect, each with the columns that stay open for typing. Protection (without a password)
        keeps from slips, not from intent.
    spare_rows : int
        Rows below a protected table whose open columns can be filled too.
    notes : mapping of str to str, optional
        A comment for the header cell of a column, such as its unit and range.
    """
    import openpyxl
    from openpyxl.comments import Comment

    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, frame in sheets.items():
        sheet = book.create_sheet(re.sub(r"[\[\]:*?/\\]", " ", title)[:31])
        _write_table(sheet, frame)
        for k, name in enumerate(frame.columns, 1):
            if notes and name in notes:
                sheet.cell(1, k).comment = Comment(notes[name], "formlab")
        if open_columns and title in open_columns:
            _protect(sheet, frame, open_columns[title], spare_rows)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _write_table(sheet: Any, frame: pd.DataFrame) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    for k, name in enumerate(frame.columns, 1):
        _write_cell(sheet.cell(1, k), str(name))
        sheet.cell(1, k).font = Font(bold=True)
        values = frame.iloc[:, k - 1].tolist()
        for row, value in enumerate(values, 2):
            _write_cell(sheet.cell(row, k), value)
        width = max([len(str(name)), *(len(str(v)) for v in values[:200])], default=8)
        sheet.column_dimensions[get_column_letter(k)].width = min(max(width + 2, 8), 40)
    sheet.freeze_panes = "A2"


def _write_cell(cell: Any, value: Any) -> None:
    if hasattr(value, "item"):
        value = value.item()
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return
    if isinstance(value, (bool, int)) or (isinstance(value, float) and abs(value) != float("inf")):
        cell.value = value
        return
    text = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "\ufffd", str(value))  # XML has no place for these
    cell.value = text
    cell.data_type = "s"  # even where it begins like a formula or reads like an error
    cell.quotePrefix = text.startswith(("=", "+", "-", "@"))


def _protect(sheet: Any, frame: pd.DataFrame, free: Sequence[str], spare_rows: int) -> None:
    from openpyxl.styles import Protection

    for k, name in enumerate(frame.columns, 1):
        if name in free:
            for row in range(2, len(frame) + spare_rows + 2):
                sheet.cell(row, k).protection = Protection(locked=False)
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.sort = False
