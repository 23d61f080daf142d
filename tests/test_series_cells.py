"""Cells as people write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from formlab.series.cells import clean_text, decimal_comma, plain_trial, read_number

PLAIN = ["12", "12.5", "-0.5", "1e-3", "<0.5", ">90", "1.234", "", "+3"]
HARMLESS = [
    ("12,5", "12.5"),
    (" 12.5", "12.5"),
    ("12.5\u00a0", "12.5"),
    ("\u221212.5", "-12.5"),
    ("1,234.5", "1234.5"),
    ("1.234,5", "1234.5"),
    ("1 234", "1234"),
    ("1'234,5", "1234.5"),
    ("1,234,567", "1234567"),
    ("0,375", "0.375"),
    ("12,3456", "12.3456"),
    ("12.5 mg", "12.5"),
    ("< 0,5", "<0.5"),
    ("\u2265 90", ">90"),
    ("n/a", ""),
    ("\u2013", ""),
    ("  ", ""),
]
ASKED = [
    "abc",
    "1,234",
    "12 g",
    "12..5",
    "1,2,3",
    "nan1",
    "inf",
    "1e999",
    "12;5",
    "--5",
    "=1+1",
    "3-May",
    "1_000",
    "\u0663",
]


@pytest.mark.parametrize("text", PLAIN)
def test_plain_cells_need_no_repair(text: str) -> None:
    read = read_number(text, "mg")
    assert (read.text, read.repair) == (text, "")


@pytest.mark.parametrize(("text", "said"), HARMLESS)
def test_harmless_cells(text: str, said: str) -> None:
    read = read_number(text, "mg")
    assert read.text == said and read.harmless
    assert read.repair == (f"Read it as {said}." if said else "Read it as an empty cell.")


@pytest.mark.parametrize("text", ASKED)
def test_doubtful_cells_are_asked_about(text: str) -> None:
    read = read_number(text, "mg")
    assert read.text is None and not read.harmless and read.expected


def test_what_the_file_writes_settles_a_doubtful_comma() -> None:
    assert read_number("1,234", comma=True).text == "1.234"
    assert read_number("1,234", comma=False).text == "1234"
    assert read_number("1,234").repair == "Is it 1.234 or 1234?"
    assert read_number("1.234", comma=True).repair == "Is it 1.234 or 1234?"
    assert read_number(1.234, comma=True).text == "1.234"  # a number cell of a workbook is no text


def test_decimal_comma() -> None:
    assert decimal_comma(["12,5", "1,234", 3.5]) is True
    assert decimal_comma(["12.5", "1,234"]) is False
    assert decimal_comma(["1,234", "T01", None]) is None
    assert decimal_comma(["12,5", "12.5"]) is None


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_of_a_workbook_stay_bit_equal(value: float) -> None:
    text = read_number(value).text
    assert text is not None and math.copysign(1, float(text)) == math.copysign(1, value)
    assert float(text) == value


@given(st.decimals(allow_nan=False, allow_infinity=False, places=2, min_value=-99999, max_value=99999))
def test_a_decimal_comma_is_never_misread(value: object) -> None:
    assert float(read_number(str(value).replace(".", ",")).text or "nan") == float(str(value))


@given(st.text(max_size=15))
def test_any_text_is_read_or_asked_about(text: str) -> None:
    read = read_number(text, "mg")
    assert read.text is not None or (read.expected and not read.harmless)
    if read.text:
        assert math.isfinite(float(read.text.lstrip("<>")))


def test_a_date_shows_the_number_it_may_have_been() -> None:
    assert read_number("2024-05-03T00:00:00").repair == (
        "Was it 3.5 or 5.3? Type it again in a cell formatted as text."
    )


def test_a_slip_of_the_hand_is_not_called_a_unit() -> None:
    assert read_number("8l,4", "%").expected.endswith("; 'l,4' is in the way")
    assert read_number("4-").expected.endswith("; '-' is in the way")
    assert read_number("12 mm", "%").expected == "a number in %, without another unit"
    assert read_number("7 kg/m3").expected == "a number without a unit"


def test_units_keep_their_case() -> None:
    assert read_number("3 MPa", "MPa").text == "3"
    assert read_number("3 mPa", "MPa").text is None


def test_trials_and_text() -> None:
    assert plain_trial("t 1") == plain_trial("T01") == plain_trial("T-001") != plain_trial("T10")
    assert clean_text(12.0) == "12" and clean_text("  a\u00a0 b\n") == "a b" and clean_text(None) == ""
