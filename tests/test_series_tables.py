"""CSV text: numbers bit for bit, text that no spreadsheet takes for a formula."""

from __future__ import annotations

import csv
import io
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from formlab.errors import SeriesError
from formlab.series.tables import from_csv, guarded, numbers, restored, to_csv, typed

line_text = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\n\r"), max_size=20)


@given(st.lists(st.floats(allow_nan=False), min_size=1))
def test_floats_read_back_bit_equal(values: list[float]) -> None:
    text = to_csv(pd.DataFrame({"x": values}))
    finite = [v for v in values if math.isfinite(v)]
    back = [float(v) for v in from_csv(text)["x"] if v not in ("inf", "-inf")]
    assert np.array(back).tobytes() == np.array(finite).tobytes()


@given(line_text)
def test_guarded_text_is_no_formula_and_comes_back(text: str) -> None:
    shown = guarded(text)
    assert restored(shown) == text
    if shown[:1] in ("=", "+", "-", "@", "\t"):
        float(shown)  # only numbers may begin so


@given(st.lists(line_text.filter(str.strip), min_size=1, max_size=5))
def test_any_text_survives_a_table(cells: list[str]) -> None:
    back = from_csv(to_csv(pd.DataFrame({"key": "T01", "note": cells})))
    assert list(back["note"]) == cells


def test_formulas_leave_as_text() -> None:
    frame = pd.DataFrame({"note": ["=HYPERLINK(1)", "+1+1", "-1-1", "@SUM(A1)", "-1.5", "'=x", "\t=1"]})
    written = [row[0] for row in csv.reader(io.StringIO(to_csv(frame)))][1:]
    assert written == ["'=HYPERLINK(1)", "'+1+1", "'-1-1", "'@SUM(A1)", "-1.5", "''=x", "'\t=1"]


def test_kinds() -> None:
    frame = pd.DataFrame({"a": [1, 2], "b": [0.1 + 0.2, math.nan], "c": ["x", None], "d": [True, False]})
    assert to_csv(frame) == "a,b,c,d\n1,0.30000000000000004,x,True\n2,,,False\n"


def test_a_line_of_another_length_is_named() -> None:
    with pytest.raises(SeriesError) as caught:
        from_csv("a,b\n1,2\n\n1,2,3\n", "plan.csv")
    assert str(caught.value) == "1 problem:\n  plan.csv, row 4: 3. Expected 2 cells, as in the header."


def test_a_column_named_twice_is_named() -> None:
    with pytest.raises(SeriesError) as caught:
        from_csv("a,a\n1,2\n", "plan.csv")
    assert str(caught.value) == "1 problem:\n  plan.csv, row 1, a: Expected a column name used once."


def test_typed() -> None:
    assert typed(["1", "2"]).dtype == "int64"
    assert typed(["1", ""]).dtype == float
    assert typed(["1.5", "2"]).tolist() == [1.5, 2.0]
    assert typed(["01", "2"]).tolist() == [1.0, 2.0]
    assert typed(["B1", ""]).tolist() == ["B1", ""]


def test_numbers_name_every_cell_that_is_none() -> None:
    with pytest.raises(SeriesError) as caught:
        numbers(["1", "x", "", "1_0"], "plan.csv", "oil", [2, 3, 4, 5])
    assert str(caught.value) == (
        "2 problems:\n"
        "  plan.csv, row 3, oil: 'x'. Expected a number.\n"
        "  plan.csv, row 5, oil: '1_0'. Expected a number."
    )
