"""The series folder from end to end."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import formlab as fl
from formlab.errors import SeriesError
from formlab.series import Series, create_series, open_series
from tests.series_bench import BRIEF, bench_file, made, plan_of


@pytest.fixture
def series(tmp_path: Path) -> Series:
    return made(tmp_path / "block")


def test_numbers_read_back_bit_equal(series: Series) -> None:
    again = open_series(series.path).plan_frame()
    for name in ("rubber", "oil", "cure_min", "run_order"):
        assert (again[name] == plan_of(series)[name]).all()


def test_results_join_the_plan(series: Series, tmp_path: Path) -> None:
    (tmp_path / "bench.csv").write_text("trial,erasure,crumble,note\nT01,85.5,12,\nT03,<0.5,,=soft\n")
    told = series.load_results(tmp_path / "bench.csv")
    assert (
        "1 reading of erasure only says below or above: a surface takes it for the chance to lie beyond"
        in str(told)
    )
    trials = open_series(series.path).trials()
    assert list(trials["trial"]) == ["T01", "T03"]
    assert list(trials["erasure"]) == [85.5, 0.5]
    assert list(trials["erasure_censored"]) == ["", "below"]
    assert list(trials["note"]) == ["", "=soft"]
    assert list(trials["oil"]) == [5.0, 5 + 1 / 3]
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
        "1 of these can be repaired without doubt; repair=True (--repair) does so and records it."
    )
    assert not (series.path / "results.csv").exists()


def test_phr_is_taken_on_the_rubber_really_weighed(series: Series, tmp_path: Path) -> None:
    (series.path / "weighed.csv").write_text("batch,ingredient,weighed_g\nB02,rubber,1010\nB02,oil,60.6\n")
    (tmp_path / "bench.csv").write_text("trial,erasure\nT01,80\nT03,81\n")
    series.load_results(tmp_path / "bench.csv")
    assert series.trials()["oil"].tolist() == pytest.approx([5.0, 6.0], rel=1e-14)


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


def test_a_plan_that_does_not_fit_its_brief_is_refused(series: Series) -> None:
    with pytest.raises(SeriesError) as caught:
        series.save_plan(plan_of(series).drop(columns=["oil", "cure_min"]))
    assert str(caught.value) == (
        "2 problems:\n  plan, oil: Expected a column of this name.\n"
        "  plan, cure_min: Expected a column of this name."
    )
    bad = plan_of(series).assign(brief_id=["x", "x", series.brief.brief_id], trial=["T01", "T01", "T03"])
    bad.loc[2, "oil"] = -1.0
    bad.loc[1, "cure_min"] = float("nan")
    with pytest.raises(SeriesError) as caught:
        series.save_plan(bad)
    assert str(caught.value) == (
        "4 problems:\n"
        "  plan, trial: 'T01'. Expected an id used once.\n"
        f"  plan, brief_id: 'x'. Expected a brief of this series: ['{series.brief.brief_id}'].\n"
        "  plan, trial T03, oil: -1.0. Expected a number, 0 or more.\n"
        "  plan, trial T01, cure_min: nan. Expected a number."
    )


def test_slabs_of_one_batch_share_its_ingredients(series: Series) -> None:
    plan = plan_of(series)
    plan.loc[1, "oil"] = 9.0
    words = "trial T02, oil: 9.0. Expected 5.0, as in the first slab of its batch B01."
    with pytest.raises(SeriesError) as caught:
        series.save_plan(plan)
    assert str(caught.value) == f"1 problem:\n  plan, {words}"
    path = series.path / "plan.csv"
    edited = pd.read_csv(path, dtype=str)
    edited.loc[1, "oil"] = "9.0"
    edited.to_csv(path, index=False)
    with pytest.raises(SeriesError) as caught:
        series.accept("plan.csv")
    assert str(caught.value) == f"1 problem:\n  plan.csv, {words}"


def test_a_cell_that_was_never_written_is_not_in_the_journal(series: Series) -> None:
    with pytest.raises(SeriesError) as caught:
        series.cell_history("T01", "erasur")
    assert str(caught.value) == (
        "The journal has no 'erasur' of trial 'T01'; name a trial and a column of the plan or the results."
    )


def test_a_plan_may_not_change_trials_with_results(series: Series, tmp_path: Path) -> None:
    series.load_results(bench_file(tmp_path, "trial,erasure\nT03,81\n"))
    longer = plan_of(series, 5)
    longer.loc[2, "oil"] = 9.0
    with pytest.raises(SeriesError) as caught:
        series.save_plan(longer)
    assert str(caught.value) == (
        "1 problem:\n  plan, trial T03, oil: 9.0. Expected 5.333333333333333, as when its results were loaded."
    )
    longer.loc[2, "oil"] = plan_of(series)["oil"][2]
    longer.loc[[0, 1], "oil"] = 9.0  # no results yet
    series.save_plan(longer, who="Kim")
    assert len(series.plan_frame()) == 5
    assert series.cell_history("T01", "oil")[["who", "act", "old", "new"]].to_numpy().tolist() == [
        ["", "save plan", "", "5.0"],
        ["Kim", "save plan", "5.0", "9.0"],
    ]


def test_a_plan_extended_from_what_was_weighed_keeps_what_was_planned(series: Series, tmp_path: Path) -> None:
    series.load_results(bench_file(tmp_path, "trial,erasure,status\nT01,80,\nT02,,scorched\nT03,,pending\n"))
    batch = series.plan_frame()["batch"][0]
    (series.path / "weighed.csv").write_text(
        f"batch,ingredient,weighed_g,lot\n{batch},rubber,1000,\n{batch},oil,80,\n"
    )
    trials = series.trials()
    assert trials.set_index("trial").loc["T01", "oil"] == pytest.approx(8.0)
    planned = series.plan_frame()
    longer = fl.extend(trials, series.brief, runs=8, seed=1, starts=2, n_jobs=1)
    for _ in range(2):  # saved again, it is the same
        series.save_plan(longer)
        saved = series.plan_frame()
        assert saved["trial"].tolist() == [f"T{k:02d}" for k in range(1, 12)]
        assert saved["oil"].tolist()[:3] == planned["oil"].tolist()
        assert saved["role"].tolist() == ["design", "failed", *["design"] * 9]


def test_what_is_planned_and_not_read_is_extended_too(series: Series, tmp_path: Path) -> None:
    series.load_results(bench_file(tmp_path, "trial,erasure\nT02,80\nT02,82\n"))
    trials = series.trials(unread=True)
    assert trials["trial"].tolist() == ["T02", "T02", "T01", "T03"]
    assert trials["status"].tolist() == ["ok", "ok", "", ""] and trials["erasure"].isna().tolist()[2:] == [
        True,
        True,
    ]
    assert trials["note"].tolist() == ["", "", "", ""]
    assert trials.columns.tolist() == series.trials().columns.tolist()
    longer = fl.extend(trials, series.brief, runs=6, days=2, seed=1, starts=2, n_jobs=1)
    assert "The 3 earlier trials are credited" in " ".join(longer.notes)
    series.save_plan(longer)
    saved = series.plan_frame()
    assert saved["trial"].tolist() == [f"T{k:02d}" for k in range(1, 10)]
    assert saved["day"].isna().tolist() == [True] * 3 + [False] * 6  # no day is not a day that they share
    with pytest.raises(SeriesError) as caught:
        series.save_plan(fl.extend(series.trials(), series.brief, runs=6, seed=1, starts=2, n_jobs=1))
    assert str(caught.value) == (
        "The extended plan was made without trials ['T01', 'T03'], which are planned. Extend "
        "series.trials(unread=True), which has them."
    )
    assert series.plan_frame().equals(saved)


def test_a_plan_without_any_result_is_extended(series: Series) -> None:
    longer = fl.extend(series.trials(unread=True), series.brief, runs=6, seed=1, starts=2, n_jobs=1)
    assert longer.frame["trial"].tolist() == [f"T{k:02d}" for k in range(1, 10)]
    assert "role" not in longer.frame


def test_a_saved_plan_is_judged_as_it_was_made(series: Series) -> None:
    """Fewer trials than terms: without the potential terms it was made with, it could not be judged at all."""
    assert series.plan().kind == "given"  # saved as a frame, of which nothing more is known
    plan = fl.lay_out(series.brief, runs=5, criterion="D", seed=1, starts=2, n_jobs=1)
    assert plan.prior is not None and len(plan.space) > 5
    series.save_plan(plan)
    again = open_series(series.path).plan()
    assert (again.kind, again.criterion, again.seed) == ("optimal", "D", 1)
    assert again.notes == plan.notes and again.prior.potential == plan.prior.potential
    pd.testing.assert_frame_equal(again.judge().terms, plan.judge().terms)
    more = plan.frame.tail(1).assign(trial="T06", batch="B06", run_order=6, round=2)
    series.save_plan(pd.concat([plan.frame, more], ignore_index=True))
    said = [f"Said of the first 5 trials: {' '.join(plan.notes)}"]
    assert open_series(series.path).plan().notes == said  # they may not hold of all six
    forgotten = fl.plans.Plan.restored(series.brief, plan.frame, {**plan.about, "potential": ["lead"]})
    assert forgotten.prior is None and forgotten.kind == "given"


def test_the_frames_of_a_series_without_files(series: Series) -> None:
    assert series.results().columns.tolist() == ["trial", "session", "erasure", "crumble", "status", "note"]
    assert series.weighed().columns.tolist() == ["batch", "ingredient", "weighed_g", "lot"]
    assert len(series.history()) == len(series.trials()) == 0
    assert series.prices().index.tolist() == ["rubber", "oil"] and series.prices().shape == (2, 0)
    empty = create_series(series.path.parent / "other", BRIEF)
    with pytest.raises(SeriesError) as caught:
        empty.plan_frame()
    assert str(caught.value) == (
        f"{str(empty.path)!r} has no plan yet. Lay one out (formlab plan) and save it with save_plan(plan)."
    )
    with pytest.raises(SeriesError) as caught:
        open_series(series.path / "nowhere")
    assert (
        str(caught.value)
        == f"There is no series folder {str(series.path / 'nowhere')!r}. Check the path, or make one with formlab new."
    )


def test_the_columns_of_trials_stand_in_order(series: Series, tmp_path: Path) -> None:
    series.load_results(bench_file(tmp_path, "trial,operator,crumble\nT01,Kim,<5\n"))
    assert series.trials().columns.tolist() == (
        [
            "trial",
            "batch",
            "run_order",
            "round",
            "brief_id",
            "rubber",
            "oil",
            "cure_min",
            "session",
            "operator",
        ]
        + ["erasure", "crumble", "crumble_censored", "status", "note"]
    )


def test_reprs(series: Series, tmp_path: Path) -> None:
    loaded = series.load_results(bench_file(tmp_path, "trial,erasure,note\nT1,80,<b>\n"), repair=True)
    assert repr(series) == "Series('block': 'a made-up block', 3 trials planned, 1 reading)"
    assert repr(loaded) == "bench.csv: lines of 1 trial: 1 added, 1 repaired."
    assert "3 trials planned, 1 reading." in series._repr_html_()
    assert "Read it as &#x27;T01&#x27;." in loaded._repr_html_()


def test_files_below_out(series: Series) -> None:
    path = series.write_out("cards/T01.html", "<p>é</p>")
    assert path.read_text(encoding="utf-8") == "<p>é</p>" and path.parent.parent == series.out
    series.write_csv("table.csv", pd.DataFrame({"note": ["=1+1"]}))
    assert (series.out / "table.csv").read_text() == "note\n'=1+1\n"
    assert series.write_workbook("form.xlsx", {"results": series.plan_frame()}).stat().st_size > 1000
    assert open_series(series.path).notices == []


def test_a_form_that_was_filled_in_is_kept(series: Series) -> None:
    from formlab.cards import results_form

    blank = results_form(series.brief, series.plan_frame())
    assert series.write_form(blank) == [series.out / "results_form.xlsx"] == series.write_form(blank)
    book = openpyxl.load_workbook(series.out / "results_form.xlsx")
    column = next(cell.column for cell in book["results"][1] if "erasure" in str(cell.value).lower())
    book["results"].cell(2, column).value = 88.5  # somebody typed a result into it
    book.save(series.out / "results_form.xlsx")
    typed = (series.out / "results_form.xlsx").read_bytes()
    written = series.write_form(blank)
    assert written == [series.out / "results_form.xlsx", series.out / "results_form_1.xlsx"]
    assert written[1].read_bytes() == typed and written[0].read_bytes() == blank
    series.load_results(written[1])
    written[0].write_bytes(typed)
    assert len(series.write_form(blank)) == 1  # all of it is loaded
    written[0].write_text("no workbook")
    assert series.write_form(blank)[1].name == "results_form_2.xlsx"
