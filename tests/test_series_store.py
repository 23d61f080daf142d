"""The series folder from end to end."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import formlab as fl
from formlab.errors import SeriesError
from formlab.series import Series, create_series, open_series

BRIEF = """
title = "a made-up block"
[[ingredient]]
name = "rubber"
role = "rubber"
[[ingredient]]
name = "oil"
role = "oil"
low = 5.0
high = 20.0
[[setting]]
name = "cure_min"
unit = "min"
low = 10.0
high = 20.0
[[response]]
name = "erasure"
unit = "%"
possible = [0, 100]
readings = 2
[[response]]
name = "crumble"
unit = "mg"
possible = [0, 1000]
"""


@pytest.fixture
def series(tmp_path: Path) -> Series:
    made = create_series(tmp_path / "block", BRIEF)
    made.save_plan(plan_of(made))
    return made


def plan_of(series: Series) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "trial": ["T01", "T02", "T03"],
            "batch": ["B01", "B01", "B02"],
            "run_order": [1, 2, 3],
            "round": 1,
            "brief_id": series.brief.brief_id,
            "rubber": 100.0,
            "oil": [1 / 3 + 5, 1 / 3 + 5, 0.1 + 0.2 + 6],
            "cure_min": [10.0, 20.0, 15.0],
        }
    )


def test_numbers_read_back_bit_equal(series: Series) -> None:
    again = open_series(series.path).plan_frame()
    for name in ("rubber", "oil", "cure_min", "run_order"):
        assert (again[name] == plan_of(series)[name]).all()


def test_results_join_the_plan(series: Series, tmp_path: Path) -> None:
    (tmp_path / "bench.csv").write_text("trial,erasure,crumble,note\nT01,85.5,12,\nT03,<0.5,,=soft\n")
    series.load_results(tmp_path / "bench.csv")
    trials = open_series(series.path).trials()
    assert list(trials["trial"]) == ["T01", "T03"]
    assert list(trials["erasure"]) == [85.5, 0.5]
    assert list(trials["erasure_censored"]) == ["", "below"]
    assert list(trials["note"]) == ["", "=soft"]
    assert list(trials["oil"]) == [1 / 3 + 5, 0.1 + 0.2 + 6]
    assert "'=soft" in (series.path / "results.csv").read_text()


def test_bad_results_are_refused_as_a_whole(series: Series, tmp_path: Path) -> None:
    (tmp_path / "bench.csv").write_text(
        "trial,erasure,status,note\nT1,85.5,,\nT02,abc,gone,\nT02,101,set aside,\n"
    )
    with pytest.raises(SeriesError) as caught:
        series.load_results(tmp_path / "bench.csv")
    assert str(caught.value) == (
        "5 problems:\n"
        "  bench.csv, row 2, trial: 'T1'. Expected a trial of the plan. Read it as 'T01'.\n"
        "  bench.csv, row 3, erasure: 'abc'. Expected a number, '<0.5', '>90' or an empty cell.\n"
        "  bench.csv, row 3, status: 'gone'. Expected one of ok, pending, set aside, would not band, stuck, "
        "scorched, blistered, spoiled.\n"
        "  bench.csv, row 4, erasure: '101'. Expected a value that is possible: 0 to 100.\n"
        "  bench.csv, row 4, note: Expected the reason why it was set aside.\n"
        "1 of these can be repaired without doubt; repair=True does so and records it."
    )
    assert not (series.path / "results.csv").exists()


def test_phr_is_taken_on_the_rubber_really_weighed(series: Series, tmp_path: Path) -> None:
    (series.path / "weighed.csv").write_text("batch,ingredient,weighed_g\nB02,rubber,1010\nB02,oil,60.6\n")
    (tmp_path / "bench.csv").write_text("trial,erasure\nT01,80\nT03,81\n")
    series.load_results(tmp_path / "bench.csv")
    assert series.trials()["oil"].tolist() == pytest.approx([1 / 3 + 5, 6.0], rel=1e-14)


def test_a_plan_may_not_drop_trials_with_results(series: Series, tmp_path: Path) -> None:
    (tmp_path / "bench.csv").write_text("trial,erasure\nT03,81\n")
    series.load_results(tmp_path / "bench.csv")
    with pytest.raises(SeriesError) as caught:
        series.save_plan(plan_of(series).iloc[:2])
    assert str(caught.value) == (
        "The new plan lacks trials ['T03'], which have results. Extend the old plan, or make a new series."
    )


def test_brief_errors_carry_file_line_and_column(tmp_path: Path) -> None:
    (tmp_path / "brief.toml").write_bytes(b"\xef\xbb\xbftitle = \"x\"\nbasis == 'phr'\n")
    with pytest.raises(fl.FormlabError) as caught:
        fl.read_brief(tmp_path / "brief.toml")
    assert str(caught.value) == (
        "1 problem:\n  brief.toml, row 2, column 8: \"basis == 'phr'\". Expected valid TOML; invalid value."
    )
