import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from formlab.html import Markup, counted, escape, fold, headed, number, panel, table

EVIL = "<script>alert('x')</script>&\""


@pytest.mark.parametrize(
    "value, text",
    [
        (0, "0"),
        (12, "12"),
        (4_000_000, "4000000"),
        (123456.7, "123457"),
        (0.123456, "0.1235"),
        (0.00001234, "1.234e-05"),
        (12345678.0, "1.235e+07"),
        (-2.5, "-2.5"),
        (-0.0, "0"),
        (float("nan"), "–"),
        (float("inf"), "inf"),
        (np.float64(1.5), "1.5"),
        (np.True_, "True"),
        (True, "True"),
        (None, ""),
        (pd.NA, "–"),
        (pd.NaT, "–"),
        ("12.50", "12.50"),
        ([1, 2], "[1, 2]"),
    ],
)
def test_number(value, text):
    assert number(value) == text


@given(st.floats(-1e300, 1e300))
def test_number_keeps_four_digits(value):
    assert float(number(value)) == pytest.approx(value, rel=5.1e-4)


def test_a_count_has_its_noun_in_the_right_number():
    assert [counted(n, "trial") for n in (0, 1, 2)] == ["0 trials", "1 trial", "2 trials"]
    assert [counted(n, "base mixing") for n in (1, 2)] == ["1 base mixing", "2 base mixings"]
    assert [counted(n, "warm-up batch") for n in (1, 2)] == ["1 warm-up batch", "2 warm-up batches"]


def test_escape_leaves_markup_alone():
    assert escape("<b>") == "&lt;b&gt;"
    assert escape(Markup("<b>")) == "<b>"
    assert escape(escape("<b>")) == "&lt;b&gt;"


def test_everything_that_is_not_markup_is_escaped():
    frame = pd.DataFrame({EVIL: [EVIL]}, index=pd.Index([EVIL], name=f"{EVIL}2"))
    page = panel(EVIL, EVIL, table(frame, index=True), fold(EVIL, EVIL), EVIL)
    assert "<script>" not in page
    assert page.count("&lt;script&gt;") == 9
    assert page.count("<div") == page.count("</div>") == 2


def test_table_shows_ten_rows_and_says_how_many_more():
    frame = pd.DataFrame({"trial": [f"T{k:02d}" for k in range(18)], "phr": np.arange(18.0)})
    page = table(frame)
    assert page.count("<tr>") == 11
    assert "8 more rows" in page
    assert "T09" in page and "T10" not in page
    assert "1 more row<" in table(frame, rows=17)
    assert "more row" not in table(frame, rows=18)


def test_text_and_numbers_are_told_apart():
    page = table(pd.DataFrame({"name": ["oil"], "phr": [20.0]}))
    assert "<td class='t'>oil</td><td class='n'>20</td>" in page
    assert "<th scope='col' class='t'>name</th><th scope='col' class='n'>phr</th>" in page


def test_numbers_with_marks_stand_like_numbers():
    page = table(pd.DataFrame({"smear": ["1.5", "<2", "0.25 *", "-3*"], "note": ["*", "1.5 mg", "", "2 *"]}))
    assert "<th scope='col' class='n'>smear</th><th scope='col' class='t'>note</th>" in page
    assert "<td class='n'>&lt;2</td>" in page and "<td class='n'>0.25 *</td>" in page


def test_repeated_column_names_are_no_harm():
    page = table(pd.DataFrame([[1.0, 2.0]], columns=["a", "a"]))
    assert "<td class='n'>1</td><td class='n'>2</td>" in page


def test_a_table_without_rows():
    assert table(pd.DataFrame({"a": []})).count("<tr>") == 1


def test_statistics_have_heads_for_people_and_no_p_beyond_sense():
    frame = pd.DataFrame({"term": ["oil", "chalk"], "std_error": [0.5, 0.25], "p": [3.2e-100, 0.25]})
    shown = headed(frame)
    assert list(shown) == ["term", "standard error", "p"] and list(shown["p"]) == ["< 0.0001", 0.25]
    assert list(frame) == ["term", "std_error", "p"]
    assert "<td class='n'>&lt; 0.0001</td>" in table(shown)  # a limit stands in its column like a number
