"""One cell as people write it: what it says, and whether reading it so is beyond doubt."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from formlab.series.tables import NUMBER, restored
from formlab.series.workbook import Cell

__all__ = ["Read", "clean_text", "decimal_comma", "plain_name", "plain_trial", "plain_unit", "read_number"]

BLANKS = {
    "n/a",
    "na",
    "n.a.",
    "n.a",
    "nan",
    "none",
    "null",
    "nil",
    "-",
    "--",
    "–",
    "—",
    "?",
    ".",
    "/",
    "#n/a",
}
EXPECTED = "a number, '<0.5', '>90' or an empty cell"
_GROUPED = re.compile(r"[0-9]{1,3}(?:[ '’][0-9]{3})+(?:[.,][0-9]+)?")
_SIGNS = {"≤": "<", "<=": "<", "=<": "<", "≥": ">", ">=": ">", "=>": ">", "<": "<", ">": ">", "": ""}
_MONTH = r"(?:jan|feb|mar|m\u00e4r|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)[a-z]*\.?"
_DATE = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9:.]+)?|[0-9]{1,2}[./-][0-9]{1,2}[./-][0-9]{2,4}"
    rf"|[0-9]{{1,2}}:[0-9]{{2}}(?::[0-9.]+)?|[0-9]{{1,2}}[ .-]{{1,2}}{_MONTH}(?:[ .-]{{1,2}}[0-9]{{2,4}})?"
    rf"|{_MONTH}[ .-]{{1,2}}[0-9]{{2,4}}",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Read:
    """What a cell says. `text` is its plain form, None where that is not known.

    `repair` tells what would be read; it is "" for a cell that is plain already. `harmless` says whether it can
    be read so without asking.
    """

    text: str | None
    expected: str = ""
    repair: str = ""
    harmless: bool = True


def clean_text(value: Cell) -> str:
    """Return a cell as text: no stray spaces, one kind of space and of minus, whole numbers without ``.0``."""
    if value is None:
        return ""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, int):
        return str(value)
    return _cleaned(value)


@lru_cache(maxsize=65_536)  # a long file says the same few things many times
def _cleaned(given: str) -> str:
    text = unicodedata.normalize("NFC", restored(given)).replace("\u2212", "-")
    text = re.sub(r"[\s\u200b\ufeff\x00-\x1f\x7f]+", " ", text)
    return text.strip()


def plain_name(name: str) -> str:
    """Return a name without what people vary: case, spaces, underscores, hyphens."""
    return re.sub(r"[\s_\-./]+", "", name.casefold())


def plain_unit(unit: str) -> str:
    """Return a unit without spaces and brackets; case stays, as mPa is not MPa."""
    return re.sub(r"[\s()\[\]]+", "", unit)


def plain_trial(name: str) -> str:
    """Return a trial's id without case, separators and leading zeros.

    Examples
    --------
    >>> plain_trial("t 1") == plain_trial("T01") == plain_trial("T-001")
    True
    """
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", plain_name(name))


def decimal_comma(cells: Iterable[Cell]) -> bool | None:
    """Return whether text cells of a file write 12,5 (True) or 12.5 (False); None where neither or both show."""
    comma = point = False
    for cell in {c for c in cells if isinstance(c, str)}:
        comma |= bool(re.search(r"^[^,]*[0-9],(?:[0-9]{1,2}|[0-9]{4,})(?![0-9,.])", cell)) or bool(
            re.search(r"[0-9]\.[0-9]{3},[0-9]", cell)
        )
        point |= bool(re.search(r"^[^.]*[0-9]\.(?:[0-9]{1,2}|[0-9]{4,})(?![0-9,.])", cell)) or bool(
            re.search(r"[0-9],[0-9]{3}\.[0-9]", cell)
        )
    return None if comma == point else comma


def read_number(value: Cell, unit: str = "", comma: bool | None = None) -> Read:
    """Return what a cell of a response says.

    Parameters
    ----------
    value : str, int, float or None
    unit : str
        The response's unit; written in the cell it does no harm.
    comma : bool, optional
        Whether the file writes decimal commas, from `decimal_comma`; settles "1,234".

    Examples
    --------
    >>> read_number("12,5").text, read_number("< 0,5 mg", "mg").text, read_number("1 234,5").text
    ('12.5', '<0.5', '1234.5')
    >>> read_number("1,234").text is None
    True
    """
    if value is None:
        return Read("")
    if isinstance(value, (int, float)):
        if not math.isfinite(value):
            return Read(None, EXPECTED, harmless=False)
        return Read(repr(value) if isinstance(value, float) else str(value))
    given = restored(value)
    if _is_plain(given, comma):
        return Read(given)
    text = clean_text(value)
    if text.casefold() in BLANKS or (text == "" and given != ""):
        return Read("", EXPECTED, "Read it as an empty cell.")
    if text.startswith(("=", "#")):
        return _unread("a value; formulas and error marks are not read")
    if _DATE.fullmatch(text) and not NUMBER.fullmatch(text):
        return _unread("a number, not a date", _undated(text))
    return _read_parts(text, unit, comma)


def _is_plain(text: str, comma: bool | None) -> bool:
    bare = text[1:] if text[:1] in ("<", ">") else text
    if text == "":
        return True
    doubtful = comma and re.fullmatch(r"[-+]?[0-9]{1,3}\.[0-9]{3}", bare)
    return bool(NUMBER.fullmatch(bare)) and not doubtful and math.isfinite(float(bare))


def _read_parts(text: str, unit: str, comma: bool | None) -> Read:
    """Read sign, number and unit one by one."""
    parts = re.fullmatch(
        r"([<>≤≥]=?|=[<>])?\s*([-+]?)\s*([0-9.,][0-9.,' ’]*(?:[eE][-+]?[0-9]{1,3})?)\s*(\D.*)?", text
    )
    if not parts:
        return _unread(EXPECTED)
    mark, sign, digits, tail = parts[1] or "", parts[2], parts[3].strip(), (parts[4] or "").strip()
    if tail and plain_unit(tail) != plain_unit(unit):
        # no unit looks like this: a slip of the hand
        if re.search(r"[.,]\d", tail) or not re.search(r"[^\W\d_]|%", tail):
            return _unread(f"{EXPECTED}; {tail!r} is in the way")
        return _unread(f"a number in {unit}, without another unit" if unit else "a number without a unit")
    number = _digits(digits, comma)
    if number and "|" in number:
        first, second = number.split("|")
        return _unread("a number that can be read in one way", f"Is it {first} or {second}?")
    if number is None or not math.isfinite(float(number)):
        return _unread(EXPECTED)
    said = _SIGNS[mark] + sign.replace("+", "") + number
    return Read(said, EXPECTED, f"Read it as {said}.")


def _digits(text: str, comma: bool | None) -> str | None:
    """Return digits with a decimal point; "a|b" where two readings are possible; None where none is."""
    if _GROUPED.fullmatch(text):
        return re.sub(r"[ '’]", "", text).replace(",", ".")
    if NUMBER.fullmatch(text) and not (comma and re.fullmatch(r"[0-9]{1,3}\.[0-9]{3}", text)):
        return text
    if re.fullmatch(r"[0-9]{1,3}(?:,[0-9]{3}){2,}(?:\.[0-9]+)?|[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+", text):
        return text.replace(",", "")
    if re.fullmatch(r"[0-9]{1,3}(?:\.[0-9]{3}){2,}(?:,[0-9]+)?|[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+", text):
        return text.replace(".", "").replace(",", ".")
    if re.fullmatch(r"[0-9]{1,3}\.[0-9]{3}", text):  # in a file of decimal commas
        return f"{text}|{text.replace('.', '')}"
    if not re.fullmatch(r"[0-9]*,[0-9]+(?:[eE][-+]?[0-9]{1,3})?", text):
        return None
    if re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", text) and comma is not True:
        return (
            text.replace(",", "") if comma is False else f"{text.replace(',', '.')}|{text.replace(',', '')}"
        )
    return text.replace(",", ".")


def _undated(text: str) -> str:
    """Return a guess at the number that a spreadsheet took for a date: 3.5 becomes the third of May."""
    found = re.match(r"([0-9]{4})-([0-9]{2})-([0-9]{2})", text)
    if not found:
        return "Type the number again in a cell formatted as text."
    day, month = int(found[3]), int(found[2])
    return f"Was it {day}.{month} or {month}.{day}? Type it again in a cell formatted as text."


def _unread(expected: str, repair: str = "") -> Read:
    return Read(None, expected, repair, harmless=False)
