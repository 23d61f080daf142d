"""The form that results come back in: a workbook with what was planned locked and what was read checked as it is typed."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import Any

from formlab.brief import Brief
from formlab.cards.batches import plan_table
from formlab.parts import Response
from formlab.series.readings import STATUSES

__all__ = ["results_form"]

_PLANNED = ("trial", "batch", "load", "reading")
_WIDTHS = {
    "trial": 9,
    "batch": 9,
    "load": 9,
    "reading": 10,
    "session": 11,
    "operator": 14,
    "status": 18,
    "note": 44,
}


def results_form(brief: Brief, plan: Any, *, show: Sequence[str] = ()) -> bytes:
    """Return the results form of a plan as the bytes of an XLSX workbook.

    Parameters
    ----------
    brief : Brief
    plan : Plan or DataFrame
    show : sequence of str
        Ingredients and settings to show as locked columns. None by default, as who reads an eraser does better not
        to know its formula.

    Returns
    -------
    bytes
        Sheet ``results``: a line for every reading of every trial; trial, batch, load and number of the reading are
        locked, without a password. Readings are checked as they are typed against what is `possible` and against `bounds`
        (beyond these, a measure is only warned of), and may be written ``<0.5`` but for ratings and passes; status is a
        list. Sheet ``how to`` says so in words. Loads with ``series.load_results`` as it is.

    Raises
    ------
    BriefError
        If the plan lacks an ingredient or setting that the form is to show.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> results_form(series.brief, series.plan_frame())[:2]  # a workbook
    b'PK'
    """
    import openpyxl

    table = plan_table(brief, plan)
    book = openpyxl.Workbook()
    sheet: Any = book.active
    sheet.title = "results"
    planned = [name for name in _PLANNED if name in table or name == "reading"] + list(show)
    columns = [*planned, "session", "operator", *brief.response_names, "status", "note"]
    count = max((r.readings for r in brief.responses), default=1)
    _write_head(sheet, columns, brief)
    row = 1
    for record in table.to_dict("records"):
        for reading in range(1, count + 1):
            row += 1
            _write_line(sheet, row, columns, planned, {**record, "reading": reading}, brief)
    _check_cells(sheet, columns, row, brief)
    _dress(sheet, columns, count, row)
    _explain(book.create_sheet("how to"), brief)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _write_head(sheet: Any, columns: list[str], brief: Brief) -> None:
    from openpyxl.comments import Comment

    for k, name in enumerate(columns, 1):
        part = brief.by_name.get(name)
        unit = brief.unit(name) if part is not None else ""
        cell = sheet.cell(1, k)
        _put(cell, f"{name} [{unit}]" if unit else name)
        if isinstance(part, Response):
            cell.comment = Comment(f"{part.title}. {_allowed(part)}", "formlab", width=260, height=90)


def _write_line(
    sheet: Any, row: int, columns: list[str], planned: list[str], record: dict[Any, Any], brief: Brief
) -> None:
    from openpyxl.styles import PatternFill, Protection

    for k, name in enumerate(columns, 1):
        cell = sheet.cell(row, k)
        part = brief.by_name.get(name)
        if name in planned:
            _put(cell, record[name])
            cell.fill = PatternFill("solid", fgColor="E6E6E6")
        elif isinstance(part, Response) and record["reading"] > part.readings:
            cell.fill = PatternFill("lightUp")  # not asked for, and locked
        else:
            cell.protection = Protection(locked=False)


def _put(cell: Any, value: Any) -> None:
    """Write a value; text that begins like a formula stays text."""
    cell.value = value.item() if hasattr(value, "item") else value
    if isinstance(value, str):
        cell.data_type = "s"


def _check_cells(sheet: Any, columns: list[str], last: int, brief: Brief) -> None:
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    for k, name in enumerate(columns, 1):
        part = brief.by_name.get(name)
        letter = get_column_letter(k)
        if isinstance(part, Response):
            check = DataValidation("custom", formula1=_formula(f"{letter}2", part), allow_blank=True)
            check.error, check.errorTitle = _allowed(part), part.title[:32]
            if part.kind == "measure" and part.ends != part.possible:
                check.errorStyle = "warning"  # beyond the scale is odd; only what is not possible is refused
        elif name == "status":
            check = DataValidation("list", formula1=f'"{",".join(STATUSES)}"', allow_blank=True)
            check.error, check.errorTitle = "Choose one of the list.", "status"
        else:
            continue
        check.showErrorMessage = True
        check.add(f"{letter}2:{letter}{last}")
        sheet.add_data_validation(check)


def _formula(cell: str, response: Response) -> str:
    """Return the test of a reading: a number on the scale (whole where it must be), or text that begins with < or >."""
    low, high = response.ends
    tests = [f"ISNUMBER({cell})", *([f"{cell}>={low!r}"] if math.isfinite(low) else [])]
    tests += [f"{cell}<={high!r}"] if math.isfinite(high) else []
    whole = f"{cell}=INT({cell})"
    if response.kind in ("rating", "pass"):
        return f"AND({','.join([*tests, whole])})"
    tests += [whole] if response.kind == "count" else []
    return f'OR(AND({",".join(tests)}),LEFT({cell},1)="<",LEFT({cell},1)=">")'


def _allowed(response: Response) -> str:
    if response.kind == "pass":
        return "1 for a pass, 0 for a fail; not read: leave empty."
    low, high = response.ends
    ends = [
        f"{low:g} or more" if math.isfinite(low) else "",
        f"{high:g} or less" if math.isfinite(high) else "",
    ]
    span = f"{low:g} to {high:g}" if all(ends) else "".join(ends)
    number = "A whole number" if response.kind in ("count", "rating") else "A number"
    number = f"{number}{', ' + span if span else ''}{' ' + response.unit if response.unit else ''}"
    beyond = "" if response.kind == "rating" else "; beyond what can be read: <0.5 or >90"
    return f"{number}{beyond}; not read: leave empty."


def _dress(sheet: Any, columns: list[str], count: int, last: int) -> None:
    from openpyxl.styles import Alignment, Border, Font, Side
    from openpyxl.utils import get_column_letter

    thick = Border(top=Side("medium"))
    for k, name in enumerate(columns, 1):
        head = sheet.cell(1, k)
        head.font, head.alignment = Font(bold=True), Alignment(wrap_text=True, vertical="bottom")
        sheet.column_dimensions[get_column_letter(k)].width = _WIDTHS.get(
            name, max(13, min(len(str(head.value)) + 2, 24))
        )
        for row in range(2, last + 1, count):
            sheet.cell(row, k).border = thick
    sheet.row_dimensions[1].height = 32
    sheet.freeze_panes = sheet.cell(2, columns.index("session") + 1)
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", 9
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "1:1"


def _explain(sheet: Any, brief: Brief) -> None:
    lines = [
        f"Results of: {brief.title or 'trials'}. Brief {brief.brief_id}.",
        "Grey cells are the plan and are locked; there is no password. Hatched cells are not asked for.",
        "One line a reading. Leave a line empty if it was not made, or give its status.",
        "ok: a reading. pending: a late test still to come. set aside: say why in the note.",
        "All other words of the list: the formula or its cure is to blame that the slab could not be made or measured; it "
        "counts against the chance to make such a formula. What was lost by mishap, dropped or mis-weighed, is set aside.",
        "Below or above what the instrument can read: write <0.5 or >90. It counts for what it says, which is less than a number; "
        "read it within the range of another instrument or method where you can.",
        "Session: one name for all that is read in one go, such as S1. Results of the reference eraser stay on the test sheet.",
        *(f"{r.name}: {r.title}{', ' + r.unit if r.unit else ''}. {_allowed(r)}" for r in brief.responses),
    ]
    for row, line in enumerate(lines, 1):
        _put(sheet.cell(row, 1), line)
    sheet.column_dimensions["A"].width = 120
