"""Briefs as TOML text: read with the place of every slip."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

from formlab.brief import Brief
from formlab.errors import BriefError, Problem, SeriesError
from formlab.series.files import read_bytes

__all__ = ["brief_text", "parse_brief", "read_brief"]

MOST_BYTES = 2**20


def read_brief(path: str | Path) -> Brief:
    """Return the brief that a TOML file, or the ``brief.toml`` of a folder, holds.

    Parameters
    ----------
    path : str or Path
        A TOML file, or a series folder.

    Returns
    -------
    Brief

    Raises
    ------
    BriefError
        Naming every problem at once with the file; slips of TOML itself with line and column.

    Examples
    --------
    >>> read_brief("demo_trials/ink_wedge").varied
    ['factice', 'oil', 'silica', 'kaolin', 'pumice']
    """
    path = Path(path)
    if path.is_dir():
        path = path / "brief.toml"
    try:
        content = read_bytes(path, MOST_BYTES)
    except SeriesError as error:
        raise BriefError(str(error)) from None
    return parse_brief(content, path.name)


def parse_brief(content: bytes | str, file: str = "brief.toml") -> Brief:
    """Return the brief that TOML text stands for; `file` is named in messages."""
    try:
        text = content if isinstance(content, str) else content.decode("utf-8")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1  # type: ignore[arg-type]
        found = content[error.start : error.start + 1]
        raise BriefError(
            [Problem(file, row, value=found, expected="text in UTF-8", repair="Save the file as UTF-8.")]
        ) from None
    data = _toml(text.removeprefix("\ufeff").replace("\r\n", "\n"), file)
    try:
        return Brief.model_validate(data)
    except BriefError as error:
        raise BriefError([replace(p, file=file, row=_row(text, p.column)) for p in error.problems]) from None


def _row(text: str, place: str) -> int | None:
    """Return the line of a field such as ``ingredient[2].low``, or of the table that lacks it."""
    parts = re.match(r"(\w+)(?:\[(\d+)\])?(?:\.(\w+))?", place)
    if not parts:
        return None
    table, key = parts[1], parts[3]
    if not parts[2] and not key:
        table, key = "", parts[1]
    here, count, found = "", 0, None
    for row, line in enumerate(text.split("\n"), 1):
        head = re.match(r"\s*\[{1,2}\s*\"?(\w+)\"?\s*[\].]", line)
        if head and head[1] == place:
            return row
        if head:
            here, count = head[1], count + (head[1] == table)
        if here == table and (not parts[2] or count == int(parts[2])):
            found = row if head else found
            if key and re.match(rf"\s*\"?{re.escape(key)}\"?\s*[=.]", line):
                return row
    return found


def _toml(text: str, file: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message, row, column = _place(str(error), text)
        line = text.split("\n")[row - 1].strip()
        problem = Problem(file, row, f"column {column}", line[:80], f"valid TOML; {message}")
    except RecursionError:
        problem = Problem(file, expected="lists and tables nested a few levels deep")
    except ValueError as error:  # such as a number of more digits than Python reads
        problem = Problem(file, expected=f"valid TOML; {error}")
    raise BriefError([problem])


def _place(message: str, text: str) -> tuple[str, int, int]:
    """Split tomllib's message into what, line and column."""
    found = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    what = message[: found.start()] if found else message
    what = what[:1].lower() + what[1:]
    if found and found[1]:
        return what, int(found[1]), int(found[2])
    lines = text.split("\n")
    return what, len(lines), len(lines[-1]) + 1


# ---- writing --------------------------------------------------------------------------------------------


def brief_text(brief: Brief) -> str:
    """Return a brief as TOML that reads back as the same brief."""
    data = brief.model_dump(by_alias=True, exclude_unset=True)
    data = {key: value for key, value in data.items() if value is not None}
    plain = {k: v for k, v in data.items() if not _is_table(v)}
    lines = [f"{_key(k)} = {_value(v)}" for k, v in plain.items()]
    for key, value in data.items():
        if key in plain:
            continue
        for row in value if isinstance(value, (list, tuple)) else [value]:
            lines += ["", f"[[{key}]]" if isinstance(value, (list, tuple)) else f"[{key}]"]
            lines += [f"{_key(k)} = {_value(v)}" for k, v in row.items() if v is not None]
    return "\n".join(lines) + "\n"


def _is_table(value: object) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, (list, tuple)) and bool(value) and all(isinstance(v, dict) for v in value)
    )


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _value(name)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value)  # TOML writes inf and nan as Python does
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(str(k))} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_value, value)) + "]"
    return str(value)


def _quoted(text: str) -> str:
    marks = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    out = "".join(marks.get(c) or (f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else c) for c in text)
    return f'"{out}"'
