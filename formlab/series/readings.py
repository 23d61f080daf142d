"""Results of others, checked as a whole before a line of them is kept."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.html import counted, first_few
from formlab.series.cells import Read, clean_text, decimal_comma, plain_name, plain_trial, read_number
from formlab.series.findings import Finding
from formlab.series.forms import Form
from formlab.series.tables import NUMBER
from formlab.series.workbook import Cell

__all__ = ["FAILURES", "STATUSES", "Readings", "beyond_reach", "check_form"]

LOOK_ALIKE = str.maketrans("lIOo", "1100")  # letters typed for digits
FAILURES = ("would not band", "stuck", "scorched", "blistered", "spoiled")
EMPTY = "at least one line with a reading or a status"
STATUSES = ("ok", "pending", "set aside", *FAILURES)
WORDS = {
    True: {"1", "true", "yes", "pass", "passed", "y", "ok"},
    False: {"0", "false", "no", "fail", "failed", "n", "not ok"},
}
# what people vary in a name; between digits it may be all that differs
BETWEEN = re.compile(r"(?<!\d)[\s_]+|[\s_]+(?!\d)")
MOST_LOOKED_UP = 200  # names for which the nearest one is searched


@dataclass
class Readings:
    """Lines in the form of ``results.csv`` (all text; the index is the row in the file), and what was found."""

    table: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def check_form(form: Form, brief: Brief, plan: pd.DataFrame, stored: pd.DataFrame | None = None) -> Readings:
    """Return the readings of a form and everything that is wrong or odd about them.

    Harmless repairs are made already; the findings say which they were. Sessions and operators are spelled as in the
    lines that are `stored` already.
    """
    table = _filled_in(form)
    responses = [n for n in brief.response_names if n in table]
    given = ["trial", "session", *[n for n in ("operator", "reading") if n in table]]
    findings = list(form.findings)
    out = pd.DataFrame(
        "", index=table.index, columns=[*given, *brief.response_names, "status", "note"], dtype=object
    )
    comma = decimal_comma(c for n in responses for c in table[n].tolist())
    for name in responses:
        out[name], found = _numbers(table[name], brief.by_name[name], comma, form.file)  # type: ignore[arg-type]
        findings += found
    for name in [n for n in ("reading", "note") if n in table]:
        out[name] = [clean_text(c) for c in table[name].tolist()]
    for name in [n for n in ("session", "operator") if n in table]:
        before = [] if stored is None or name not in stored else stored[name].unique().tolist()
        out[name], found = _each(table[name], _speller(before), form.file)
        findings += found
    if "status" in table:
        out["status"], found = _each(table["status"], _status, form.file)
        findings += found
    asked = {f.problem.row for f in findings if not f.harmless}
    attempted = (out[[*responses, "status", "note"]] != "").any(axis=1) | out.index.isin(list(asked))
    dropped = set(table.index[~attempted])  # lines of a form that nobody filled in
    out = out[attempted]
    trials, found = _each(table["trial"][attempted], _trial_reader(list(plan["trial"])), form.file)
    out["trial"] = trials
    findings += [_as_above(f, out["trial"]) for f in found]
    read = (out[responses] != "").any(axis=1)
    out.loc[read & (out["status"] == ""), "status"] = "ok"
    findings += _bad_status(out, read, findings, form.file)
    findings += _plan_cells(table[attempted], out["trial"], plan, brief, form.file)
    findings += _duplicates(out, brief, form.file)
    if not len(out):
        findings.append(Finding.at(form.file, None, "", None, EMPTY))
    findings = [f for f in findings if f.problem.row not in dropped]
    order = {name: k for k, name in enumerate([*given, *brief.response_names, "status", "note"])}
    findings.sort(key=lambda f: (f.problem.row or 0, order.get(f.problem.column, -1)))
    return Readings(out, findings, [*_beyond(out, brief), *_shifted(out, brief)])


def _filled_in(form: Form) -> pd.DataFrame:
    """Return the table with merged cells filled from their first one; readings are never repeated."""
    table = form.table.copy()
    columns = {name: table[name].tolist() for name in table.columns}
    place = {row: k for k, row in enumerate(table.index)}
    for (row, name), first in form.merged.items():
        value = columns[name][place[first]]
        if value is None:
            continue
        shared = name in ("trial", "session", "operator", "status", "note") or name not in table
        if shared:
            columns[name][place[row]] = value
            repair = f"Read it as {clean_text(value)!r}, as in row {first}."
            finding = Finding.at(form.file, row, name, None, "a cell of its own (it is merged)", repair, True)
        else:
            expected = f"a reading of its own (the cell is merged with row {first})"
            finding = Finding.at(
                form.file, row, name, None, expected, "Split the cell and type each reading."
            )
        form.findings.append(finding)
    return pd.DataFrame(columns, index=table.index, dtype=object)


def _each(cells: pd.Series, read: Callable[[Cell], Read], file: str) -> tuple[list[str], list[Finding]]:
    """Read a column cell by cell, equal cells once; what could not be read is left empty and found."""
    known: dict[Any, Read] = {}
    texts, findings = [], []
    name = str(cells.name)
    for row, cell in zip(cells.index, cells.tolist()):
        key = (type(cell), cell)
        if key not in known:
            known[key] = read(cell)
        found = known[key]
        texts.append("" if found.text is None else found.text)
        if found.text is None or found.repair:
            findings.append(
                Finding.at(file, int(row), name, cell, found.expected, found.repair, found.harmless)
            )
    return texts, findings


def _numbers(
    cells: pd.Series, response: Response, comma: bool | None, file: str
) -> tuple[list[str], list[Finding]]:
    return _each(cells, lambda cell: _reading(cell, response, comma), file)


def _reading(cell: Cell, response: Response, comma: bool | None) -> Read:
    """Read one cell of a response and hold it against what is possible."""
    if response.kind == "pass":
        return _pass(cell)
    read = read_number(cell, response.unit, comma)
    if not read.text:
        return read
    low, high = response.possible
    value = float(read.text.lstrip("<>"))
    if not low <= value <= high:
        return Read(None, f"a value that is possible: {low:g} to {high:g}", harmless=False)
    if read.text[0] in "<>" and (fault := response.fault_of_limit(value, -1 if read.text[0] == "<" else 1)):
        repair = "Correct the limit, or leave the cell empty where it was not read."
        return Read(None, f"a limit that says something; by the brief {fault}", repair, harmless=False)
    if response.kind == "rating" and (read.text[0] in "<>" or value != int(value)):
        return Read(None, "a rating: a whole number; those of several people on a line each", harmless=False)
    if response.kind == "count" and read.text[0] not in "<>" and (value != int(value) or value < 0):
        return Read(None, "a count: a whole number, 0 or more", harmless=False)
    return read


def _speller(known: Sequence[str]) -> Callable[[Cell], Read]:
    """Return what reads names that are not given beforehand: one that differs by case or spaces is the one met before."""
    spelled: dict[str, str] = {}

    def read(cell: Cell) -> Read:
        text = clean_text(cell)
        plain = BETWEEN.sub("", text.casefold())
        first = spelled.setdefault(plain, text)
        if first == text or not text:
            return Read(text)
        return Read(first, "a name spelled as before", f"Read it as {first!r}.")

    for name in known:
        read(name)
    return read


def _pass(cell: Cell) -> Read:
    text = clean_text(cell).casefold()
    if text == "" or re.fullmatch(r"[01]([.,]0*)?", text):  # some programs write 1.0
        return Read(text[:1])
    for truth, words in WORDS.items():
        if text in words:
            plain = str(int(truth))
            return Read(
                plain, "1 (pass) or 0 (fail)", "" if text in ("true", "false") else f"Read it as {plain}."
            )
    return Read(None, "1 (pass) or 0 (fail)", harmless=False)


def _status(cell: Cell) -> Read:
    text = clean_text(cell)
    if text in ("", *STATUSES):
        return Read(text) if cell is None or text == cell else Read(text, "a status", f"Read it as {text!r}.")
    expected = f"one of {', '.join(STATUSES)}"
    plain = {plain_name(s): s for s in STATUSES}
    if plain_name(text) in plain:
        said = plain[plain_name(text)]
        return Read(said, expected, f"Read it as {said!r}.")
    near = difflib.get_close_matches(text.casefold(), STATUSES, 1, 0.6)
    return Read(None, expected, f"Is it {near[0]!r}?" if near else "", harmless=False)


def _trial_reader(known: Sequence[str]) -> Callable[[Cell], Read]:
    exact = set(known)
    plain: dict[str, list[str]] = {}
    for name in known:
        plain.setdefault(plain_trial(name), []).append(name)
    looked_up = 0

    def read(cell: Cell) -> Read:
        nonlocal looked_up
        text = clean_text(cell)
        if text in exact:
            if isinstance(cell, str) and text != cell:
                return Read(text, "a trial of the plan", f"Read it as {text!r}.")
            return Read(text)
        alike = plain.get(plain_trial(text), [])
        if len(alike) == 1:
            return Read(alike[0], "a trial of the plan", f"Read it as {alike[0]!r}.")
        looked_up += 1
        if (as_digits := text.translate(LOOK_ALIKE)) in exact and as_digits:
            return Read(None, "a trial of the plan", f"Is it {as_digits!r}?", harmless=False)
        near = difflib.get_close_matches(text, known, 1, 0.5) if text and looked_up <= MOST_LOOKED_UP else []
        return Read(None, "a trial of the plan", f"Is it {near[0]!r}?" if near else "", harmless=False)

    return read


def _as_above(finding: Finding, trials: pd.Series) -> Finding:
    """Ask of a line without a trial whether it belongs to the line above."""
    above = trials[trials.index < (finding.problem.row or 0)]
    if clean_text(finding.problem.value) or not len(above) or not above.iloc[-1]:
        return finding
    return Finding(replace(finding.problem, repair=f"Is it {above.iloc[-1]!r}, as in the line above?"))


def _bad_status(out: pd.DataFrame, read: pd.Series, found: Sequence[Finding], file: str) -> list[Finding]:
    asked = {f.problem.row for f in found if not f.harmless}
    findings = []
    for row, status, note, has in zip(out.index, *(s.tolist() for s in (out["status"], out["note"], read))):
        if status == "set aside" and not note:
            findings.append(Finding.at(file, row, "note", None, "the reason why it was set aside"))
        elif row not in asked and not has and status == "ok":
            expected = "a reading beside it, or another status"
            findings.append(Finding.at(file, row, "status", status, expected))
        elif row not in asked and not has and status == "":
            findings.append(Finding.at(file, row, "status", None, "a reading or a status beside the note"))
    return findings


def _plan_cells(
    table: pd.DataFrame, trials: pd.Series, plan: pd.DataFrame, brief: Brief, file: str
) -> list[Finding]:
    """Find cells of the plan's own columns that differ from the plan."""
    place = {name: k for k, name in enumerate(plan["trial"])}
    findings = []
    for name in [n for n in table.columns if n in plan.columns and n not in ("trial", "status", "note")]:
        planned = plan[name].tolist()
        for row, cell, trial in zip(table.index, table[name].tolist(), trials):
            if trial in place and not _agrees(cell, planned[place[trial]]):
                repair = "Weighed amounts go into weighed.csv; a plan is changed with save_plan."
                expected = f"{planned[place[trial]]}, as in the plan, or an empty cell"
                findings.append(Finding.at(file, int(row), name, cell, expected, repair))
    return findings


def _agrees(cell: Cell, planned: Any) -> bool:
    """Return whether a cell repeats the plan, to the digits it shows."""
    text = clean_text(cell)
    if text == "" or text == str(planned):
        return True
    read = read_number(text.replace(",", ".")) if isinstance(planned, (int, float)) else Read(None)
    if not read.text or not NUMBER.fullmatch(read.text):
        return False
    decimals = len(read.text.partition(".")[2]) if "e" not in read.text.lower() else 6
    return math.isclose(float(read.text), float(planned), rel_tol=1e-9, abs_tol=0.5001 * 10.0**-decimals)


def _duplicates(out: pd.DataFrame, brief: Brief, file: str) -> list[Finding]:
    """Find lines that say the same more often than the brief asks for readings of what was read."""
    read = [r.readings for r in brief.responses if (out[r.name] != "").any()]
    numbered = "reading" in out and bool((out["reading"] != "").all())
    most = 1 if numbered else max(read, default=1)
    by = ["trial", "session", "reading"] if numbered else [n for n in out.columns if n != "note"]
    count = out.groupby(by, sort=False).cumcount()
    same = (count >= most) & (out["trial"] != "")
    if numbered:
        expected = "at most 1 line of a trial, session and reading"
    elif most > 1:
        expected = f"at most {most} equal lines of a trial and session"
    else:
        expected = "a line that differs from those above"
    repair = "Delete what was entered twice, or number true readings in a column 'reading'."
    return [
        Finding.at(file, int(row), "trial", out.at[row, "trial"], expected, repair) for row in out.index[same]
    ]


def _beyond(out: pd.DataFrame, brief: Brief) -> list[str]:
    """Return remarks on readings beyond the bounds of their scale."""
    remarks = []
    for response in brief.responses:
        low, high = response.bounds
        texts = out[response.name].tolist()
        wrong = {t for t in set(texts) - {""} if not low <= float(t.lstrip("<>")) <= high}
        rows = [row for row, t in zip(out.index, texts) if t in wrong]
        if rows:
            some = ", ".join(map(str, rows[:5])) + (" …" if len(rows) > 5 else "")
            remarks.append(f"{response.name} is beyond its bounds {low:g} to {high:g} in row {some}.")
    return remarks


def _shifted(out: pd.DataFrame, brief: Brief) -> list[str]:
    """Return remarks on readings that are a power of ten away from the middle of their slab, or of all slabs."""
    remarks = []
    for part in brief.responses:
        values = pd.to_numeric(out[part.name], errors="coerce")  # without those that only say below or above
        values = values[values > 0]
        if part.kind != "measure" or len(values) < 2:
            continue
        slab = values.groupby(out["trial"])
        size, middle = slab.transform("size"), values.median()
        other = slab.transform("median").where(size > 2, slab.transform("sum") - values)
        # of slabs that differ among themselves none is odd
        alike = len(values) > 8 and values.quantile(0.9) < 4 * values.quantile(0.1)
        other = other.where(size > 1, middle if alike else np.nan)
        away = np.log10(values / other)
        # of two readings it is the one that is far from all slabs
        odd = (
            (away.abs() > 0.5) & ((away - away.round()).abs() < 0.2) & (np.log10(values / middle).abs() > 0.5)
        )
        if odd.any():
            said = [
                f"{values[row]:g} in row {row} is {10.0 ** round(away[row]):g} times {other[row]:.3g}, the middle of "
                f"{'its slab' if size[row] > 1 else 'all slabs'}"
                for row in values.index[odd]
            ]
            remarks.append(f"{part.name}: {first_few(said, 3)}. Is it the decimal point or the unit?")
    return remarks


def beyond_reach(table: pd.DataFrame, responses: Sequence[Response]) -> list[str]:
    """Return how many readings of each response only say that it lies below or above what the test can read."""
    said = []
    for part in responses:
        name = part.name
        if censored := int(table[name].astype(str).str.match("[<>]").sum()):
            use = (
                "a surface takes it for the chance to lie beyond the limit (not by least squares)"
                if part.kind == "measure"
                else f"no surface can be fitted to a {part.kind} with such readings in"
            )
            said.append(
                f"{counted(censored, 'reading')} of {name} only {'says' if censored == 1 else 'say'} below or above: {use}."
            )
    return said
