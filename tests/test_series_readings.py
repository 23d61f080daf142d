"""Forms of results: which sheet and line, which column, which trial; merged with what is there."""

from __future__ import annotations

import time
import warnings
from pathlib import Path

import pandas as pd
import pytest

from formlab.errors import FormlabWarning, SeriesError
from formlab.series import Series, workbook_bytes
from formlab.series.merge import merge
from tests.series_bench import BRIEF, bench_file, made


@pytest.fixture
def series(tmp_path: Path) -> Series:
    return made(tmp_path / "block", trials=6)


def load(series: Series, text: str, **options: object) -> str:
    return str(series.load_results(bench_file(series.path.parent, text), **options))  # type: ignore[arg-type]


def refusal(series: Series, text: str | bytes, **options: object) -> str:
    with pytest.raises(SeriesError) as caught:
        series.load_results(bench_file(series.path.parent, text), **options)  # type: ignore[arg-type]
    return str(caught.value)


def lines(series: Series) -> list[str]:
    return (series.path / "results.csv").read_text().splitlines()[1:]


# ---- the form of a file ---------------------------------------------------------------------------------


def test_no_line_of_names(series: Series) -> None:
    assert refusal(series, "probe,value\n1,2\n") == (
        "1 problem:\n  bench.csv: Expected a line of column names with 'trial' and at least one of "
        "['erasure', 'crumble']."
    )
    assert refusal(series, "trail,erasure\nT01,2\n") == (
        "1 problem:\n  bench.csv, row 1: Expected a line of column names with 'trial' and at least one of "
        "['erasure', 'crumble']. 'trail': is it 'trial'?"
    )
    assert "Expected a line of column names" in refusal(series, "")


def test_no_reading(series: Series) -> None:
    assert refusal(series, "trial,erasure\nT01,\nT02,\n") == (
        "1 problem:\n  bench.csv: Expected at least one line with a reading or a status."
    )


def test_a_quotation_mark_that_is_never_closed(series: Series) -> None:
    assert refusal(series, 'trial,erasure,note\nT01,80,"torn\nT02,81,\n') == (
        "1 problem:\n  bench.csv, row 2: Expected a line of CSV text (unexpected end of data). A quotation mark is "
        "opened in this line and not closed, or stands inside quoted text."
    )


def test_decimal_commas_between_commas(series: Series) -> None:
    assert refusal(series, "trial,erasure\nT01,80,5\n") == (
        "1 problem:\n  bench.csv, row 2: '5'. Expected 2 cells, as in the line of names. Decimal commas in a file "
        "whose cells are parted by commas need quotes or another separator."
    )


def test_no_table_at_all(series: Series) -> None:
    assert refusal(series, b"\x89PNG\r\n\x1a\n\0\0") == (
        "bench.csv is no text and no XLSX workbook. Save the table as XLSX or CSV."
    )


def test_a_file_too_large_for_sense(series: Series) -> None:
    path = series.path.parent / "bench.csv"
    with path.open("wb") as out:
        out.truncate(100 * 2**20)
    with pytest.raises(SeriesError) as caught:
        series.load_results(path)
    assert str(caught.value) == (
        "bench.csv has 100 MB; at most 64 MB are read. Is it the right file? If so, load it in parts."
    )


def test_a_sheet_is_chosen_by_name(series: Series, tmp_path: Path) -> None:
    frames = {
        day: pd.DataFrame({"trial": [trial], "erasure": [80.5]})
        for day, trial in (("Mon", "T01"), ("Tue", "T02"))
    }
    path = bench_file(tmp_path, workbook_bytes(frames), "bench.xlsx")
    assert series.load_results(path, "Tue").added == 1
    assert lines(series) == ["T02,1,80.5,,ok,"]
    with pytest.raises(SeriesError) as caught:
        series.load_results(path, "Wed")
    assert str(caught.value) == "bench.xlsx has no sheet 'Wed'; choose one of ['Mon', 'Tue']."


def test_a_filled_form_loads_as_it_stands(series: Series, tmp_path: Path) -> None:
    form = series.plan_frame().assign(
        erasure=[80.5, None, 81, None, None, None], crumble=None, status="", note=""
    )
    form.loc[1, ["status", "note"]] = ["stuck", "=to the mould"]
    content = workbook_bytes({"read me": pd.DataFrame({"Fill in": ["x"]}), "results": form})
    path = bench_file(tmp_path, content, "form.xlsx")
    assert str(series.load_results(path)) == "form.xlsx: lines of 3 trials: 3 added."
    assert lines(series) == ["T01,1,80.5,,ok,", "T02,,,,stuck,'=to the mould", "T03,1,81,,ok,"]
    assert series.trials()["note"].tolist() == ["", "=to the mould", ""]


def test_names_with_their_unit_as_the_form_writes_them(series: Series) -> None:
    assert (
        load(series, "trial,erasure [%],crumble [mg]\nT01,80,7\n") == "bench.csv: lines of 1 trial: 1 added."
    )


def test_a_plan_cell_that_was_changed_is_asked_about(series: Series) -> None:
    assert refusal(series, "trial,oil,erasure\nT01,5,80\nT03,5.33,80\nT05,6.1,80\n") == (
        "1 problem:\n  bench.csv, row 4, oil: '6.1'. Expected 5.666666666666667, as in the plan, or an empty cell. "
        "Weighed amounts go into weighed.csv; a plan is changed with save_plan."
    )


def test_sessions_that_differ_by_case_or_spaces_are_one(series: Series) -> None:
    """A session is an error level of its own: two spellings of one would widen every interval."""
    load(series, "trial,session,operator,erasure\nT01,S4,Ann,80\n")
    said = load(
        series,
        "trial,session,operator,erasure\nT02,s4,ann,81\nT03,S 4,ANN,82\nT04,S5,Bo,83\nT05,1 1,Bo,84\nT06,11,Bo,85\n",
        repair=True,
    )
    assert said.startswith("bench.csv: lines of 5 trials: 5 added, 4 repaired")
    stored = series.trials(unread=True).set_index("trial")
    assert stored.loc[["T01", "T02", "T03"], "session"].tolist() == ["S4"] * 3
    assert stored["operator"].tolist() == ["Ann"] * 3 + ["Bo"] * 3
    assert stored.loc[["T05", "T06"], "session"].tolist() == ["1 1", "11"]


def test_beyond_the_bounds_is_a_warning(series: Series) -> None:
    series.revise(BRIEF.replace("possible = [0, 1000]", "bounds = [0, 50]"))
    with pytest.warns(FormlabWarning) as told:
        load(series, "trial,crumble\nT01,60\nT02,50\n")
    assert [str(w.message) for w in told] == ["bench.csv: crumble is beyond its bounds 0 to 50 in row 2."]


def test_a_pass_may_be_written_as_programs_write_numbers(series: Series) -> None:
    series.revise(BRIEF + '[[response]]\nname = "sticks"\nkind = "pass"\n')
    load(series, "trial,sticks\nT01,1.0\nT02,0\nT03,1\nT04,0.0\n")
    stored = series.trials(unread=True).set_index("trial")["sticks"]
    assert stored[["T01", "T02", "T03", "T04"]].tolist() == [1, 0, 1, 0]
    assert "Expected 1 (pass) or 0 (fail)" in refusal(series, "trial,sticks\nT05,1.5\n")


def test_a_reading_a_power_of_ten_away_is_a_warning(series: Series) -> None:
    """A share for a percentage among the readings of a slab, and where slabs have one reading each and are alike."""
    with pytest.warns(FormlabWarning) as told:
        load(series, "trial,erasure\nT01,80\nT01,0.84\nT02,77\nT02,82\n")
    assert [str(w.message) for w in told] == [
        "bench.csv: erasure: 0.84 in row 3 is 0.01 times 80, the middle of its slab. Is it the decimal point or the unit?"
    ]
    assert "0.84" in lines(series)[1].split(",")  # it is kept as it was written


@pytest.mark.parametrize(
    ("readings", "warned"), [("5 6 5 7 6 5 8 6 5 60", 1), ("1 2 40 7 600 5 8 6 5 60", 0)]
)
def test_single_readings_are_odd_only_where_slabs_are_alike(
    tmp_path: Path, readings: str, warned: int
) -> None:
    series = made(tmp_path / "block", trials=12)
    text = "\n".join(f"T{k:02d},{v}" for k, v in enumerate(readings.split(), 1))
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        load(series, f"trial,crumble\n{text}\n")
    assert len(told) == warned
    if warned:
        assert "crumble: 60 in row 11 is 10 times 6, the middle of all slabs" in str(told[0].message)


def test_a_limit_that_says_nothing_or_cannot_be_is_asked_about(series: Series) -> None:
    assert refusal(series, "trial,crumble\nT01,<0\nT02,<1000\nT03,<8\nT04,>0\n") == (
        "3 problems:\n  bench.csv, row 2, crumble: '<0'. Expected a limit that says something; by the brief nothing lies below 0. "
        "Correct the limit, or leave the cell empty where it was not read.\n"
        "  bench.csv, row 3, crumble: '<1000'. Expected a limit that says something; by the brief everything lies below 1000. "
        "Correct the limit, or leave the cell empty where it was not read.\n"
        "  bench.csv, row 5, crumble: '>0'. Expected a limit that says something; by the brief everything lies above 0. "
        "Correct the limit, or leave the cell empty where it was not read."
    )
    assert load(series, "trial,crumble\nT03,<8\nT04,>900\n").startswith(
        "bench.csv: lines of 2 trials: 2 added."
    )


def test_check_results_saves_nothing(series: Series, tmp_path: Path) -> None:
    path = bench_file(tmp_path, "trial,erasure\nT1,8o\n")
    table = series.check_results(path)
    assert table["column"].tolist() == ["trial", "erasure"] and table["row"].tolist() == [2, 2]
    assert not (series.path / "results.csv").exists()
    assert len(series.check_results(bench_file(tmp_path, "trial,erasure\nT01,80\n"))) == 0


# ---- with what is there already -------------------------------------------------------------------------


def test_the_same_form_again_adds_only_what_is_new(series: Series) -> None:
    assert load(series, "trial,erasure\nT01,80\nT02,81\n") == "bench.csv: lines of 2 trials: 2 added."
    text = "trial,erasure,crumble\nT01,80.0,\nT02,81,7\nT03,82,8\n"
    assert load(series, text) == ("bench.csv: lines of 3 trials: 1 added, 1 completed, 1 already there.")
    assert lines(series) == ["T01,1,80,,ok,", "T02,1,81,7,ok,", "T03,2,82,8,ok,"]


def test_a_late_test_completes_a_pending_line(series: Series) -> None:
    load(series, "trial,erasure,status,note\nT01,80,pending,crumble after a week\n")
    load(series, "trial,crumble,status\nT01,7,ok\n")
    assert lines(series) == ["T01,1,80,7,ok,crumble after a week"]


def test_a_second_session_is_a_further_reading(series: Series) -> None:
    load(series, "trial,session,erasure\nT01,1,80\n")
    load(series, "trial,session,erasure\nT01,2,80\n")
    load(series, "trial,erasure\nT01,82\n")
    assert lines(series) == ["T01,1,80,,ok,", "T01,2,80,,ok,", "T01,3,82,,ok,"]


def test_a_changed_value_in_a_form_loaded_again_is_asked_about(series: Series) -> None:
    load(series, "trial,erasure\nT01,80\nT02,81\n")
    again = "trial,erasure\nT01,80\nT02,91\n"
    assert refusal(series, again) == (
        "1 problem:\n  bench.csv, row 3, erasure: '91'. Expected '81', as loaded before. To correct it, load with "
        "replace=True (--replace); for a further reading, give another session."
    )
    assert load(series, again, replace=True, who="Kim") == (
        "bench.csv: lines of 2 trials: 0 added, 1 replaced, 1 already there."
    )
    assert lines(series) == ["T01,1,80,,ok,", "T02,1,91,,ok,"]
    history = series.cell_history("T02", "erasure")[["who", "old", "new"]].to_numpy().tolist()
    assert history == [["", "", "81"], ["Kim", "81", "91"]]


def test_the_record_tells_what_a_repaired_value_was_read_from(series: Series) -> None:
    load(series, 'trial,erasure\nT01,"80,5"\nT02,81.5\n', repair=True)
    for trial, written in (("T01", "80,5"), ("T02", "")):
        assert series.cell_history(trial, "erasure")["written"].tolist() == [written]


def test_setting_a_stored_line_aside_is_asked_about(series: Series) -> None:
    load(series, "trial,erasure\nT01,80\n")
    text = "trial,erasure,status,note\nT01,80,set aside,door was open\n"
    assert "row 2, status: 'set aside'. Expected 'ok', as loaded before." in refusal(series, text)
    load(series, text, replace=True)
    assert lines(series) == ["T01,1,80,,set aside,door was open"]


def test_numbered_readings(series: Series) -> None:
    text = "trial,session,reading,erasure\nT01,1,1,80\nT01,1,2,80\nT01,1,3,80\n"
    load(series, text)
    assert lines(series) == ["T01,1,1,80,,ok,", "T01,1,2,80,,ok,", "T01,1,3,80,,ok,"]
    assert "Expected '80', as loaded before" in refusal(series, "trial,session,reading,erasure\nT01,1,2,85\n")
    assert "at most 1 line of a trial, session and reading" in refusal(
        series, "trial,session,reading,erasure\nT02,1,1,80\nT02,1,1,81\n"
    )


def test_merge_leaves_its_input_alone() -> None:
    old = pd.DataFrame([["T01", "1", "80", "ok", ""]], columns=["trial", "session", "x", "status", "note"])
    new = pd.DataFrame([["T01", "1", "80", "ok", "seen"]], columns=old.columns, index=[2])
    before = old.copy()
    done = merge(old, new, ["x"], "f.csv")
    assert (done.completed, done.table["note"].tolist()) == (1, ["seen"])
    pd.testing.assert_frame_equal(old, before)


# ---- undo -----------------------------------------------------------------------------------------------


def test_undo_takes_back_one_load_after_the_other(series: Series) -> None:
    load(series, "trial,erasure\nT01,80\n")
    load(series, "trial,erasure,crumble\nT01,80,7\nT02,81,8\n")
    assert series.undo(who="Kim").startswith("The load of bench.csv of ")
    assert lines(series) == ["T01,1,80,,ok,"]
    series.undo()
    assert lines(series) == []
    with pytest.raises(SeriesError) as caught:
        series.undo()
    assert str(caught.value) == "There is no load of results to undo; see series.journal() (formlab journal)."
    assert load(series, "trial,erasure\nT01,80\n") == "bench.csv: lines of 1 trial: 1 added."
    assert series.journal()["act"].tolist()[-4:] == ["load results", "undo", "undo", "load results"]


@pytest.mark.parametrize("trials", [2_500, pytest.param(25_000, marks=pytest.mark.slow)])
def test_many_rows(tmp_path: Path, trials: int, capsys: pytest.CaptureFixture) -> None:
    """Rows are counted; the time is printed, not asserted."""
    series = made(tmp_path / "block", trials)
    text = "trial;erasure;crumble\n" + "".join(
        f"{t};{50 + k % 997 / 20:.2f};{k % 89 + r}\n".replace(".", ",")
        for k, t in enumerate(series.plan_frame()["trial"])
        for r in range(4)
    )
    path, start = bench_file(tmp_path, text), time.perf_counter()
    loaded = series.load_results(path, repair=True)
    with capsys.disabled():
        print(f"\n{4 * trials} rows with decimal commas loaded in {time.perf_counter() - start:.1f} s")
    assert (loaded.added, loaded.trials, len(loaded.repairs)) == (4 * trials, trials, 4 * trials)
    assert len(series.trials()) == 4 * trials
