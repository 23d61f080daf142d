"""Twenty made-up ugly spreadsheets, each with the problem table it must give."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import openpyxl
import pytest

from formlab.errors import SeriesError
from formlab.series import Series, create_series
from tests.make_ugly import BRIEF, FOLDER, TRIALS, UGLY
from tests.series_bench import plan_of

HARMLESS = {
    "06_title_rows.xlsx": "T01,1,85.5,12,,,ok,\nT02,1,86,13.5,,,ok,edge torn\n",
    "15_latin1.csv": "T01,1,85.5,12,,,ok,Krümel kleben\nT02,1,86,13,,,ok,\n",
    "16_utf16_tabs.csv": "T01,1,85.5,12,,,ok,\nT02,1,86,13,,,ok,\n",
}


@pytest.fixture
def series(tmp_path: Path) -> Series:
    made = create_series(tmp_path / "block", BRIEF)
    made.save_plan(plan_of(made, TRIALS))
    return made


def test_there_are_twenty() -> None:
    assert len(UGLY) == 20
    assert sorted(UGLY) == sorted(
        p.name for p in FOLDER.iterdir() if ".problems" not in p.name and p.name[0] != "."
    )


@pytest.mark.parametrize("name", UGLY)
def test_the_files_are_what_the_script_writes(name: str) -> None:
    stored = (FOLDER / name).read_bytes()
    if name.endswith(".csv"):
        assert stored == UGLY[name]
        return
    books = [openpyxl.load_workbook(io.BytesIO(content)) for content in (stored, UGLY[name])]
    cells = [{s.title: list(s.values) for s in book.worksheets} for book in books]
    assert cells[0] == cells[1]


@pytest.mark.parametrize("name", UGLY)
def test_the_problem_table(series: Series, name: str) -> None:
    text = (FOLDER / f"{Path(name).stem}.problems.csv").read_bytes().decode()
    expected = list(csv.reader(io.StringIO(text, newline="")))
    table = series.check_results(FOLDER / name)
    assert list(table.columns) == ["file", *expected[0]]
    found = table.astype(object).where(table.notna(), None).to_numpy().tolist()
    assert [["" if v is None else str(v) for v in row[1:]] for row in found] == expected[1:]
    assert all(row[0] == name for row in found)


@pytest.mark.parametrize("name", UGLY)
def test_only_harmless_repairs_are_made_and_they_are_recorded(series: Series, name: str) -> None:
    before = series.check_results(FOLDER / name)
    if len(before):
        with pytest.raises(SeriesError) as caught:
            series.load_results(FOLDER / name)
        assert len(caught.value.problems) == len(before)
    if name not in HARMLESS:
        with pytest.raises(SeriesError) as caught:
            series.load_results(FOLDER / name, repair=True)
        assert 0 < len(caught.value.problems) <= len(before)
        assert not (series.path / "results.csv").exists()
        return
    loaded = series.load_results(FOLDER / name, repair=True)
    head, rest = (series.path / "results.csv").read_text(encoding="utf-8").split("\n", 1)
    assert head == "trial,session,erasure,crumble,cycles,smear_free,status,note"
    assert rest == HARMLESS[name]
    assert len(loaded.repairs) == len(before) == series.journal()["repairs"].iloc[-1]
