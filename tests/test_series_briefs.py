"""Briefs as text, and what it means when they change."""

from __future__ import annotations

from pathlib import Path

import pytest

import formlab as fl
from formlab.errors import BriefError, FormlabWarning, SeriesError
from formlab.series import Series, brief_text, open_series
from formlab.series.briefs import parse_brief
from tests.series_bench import BRIEF, bench_file, made, plan_of
from tests.test_series_fuzz import FULL_BRIEF

CHALK = '[[ingredient]]\nname = "chalk"\nrole = "filler"\nlow = 0.0\nhigh = 40.0\n'


@pytest.fixture
def series(tmp_path: Path) -> Series:
    found = made(tmp_path / "block")
    found.load_results(bench_file(tmp_path, "trial,erasure\nT01,80\nT03,82\n"))
    return found


def error_of(text: str | bytes) -> str:
    with pytest.raises(BriefError) as caught:
        parse_brief(text)
    return str(caught.value)


# ---- text -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [BRIEF, FULL_BRIEF])
def test_a_brief_written_reads_back_the_same(text: str) -> None:
    brief = parse_brief(text)
    again = parse_brief(brief_text(brief))
    assert again == brief and again.brief_id == brief.brief_id


def test_text_with_quotes_and_line_ends_is_kept() -> None:
    brief = parse_brief(BRIEF).model_copy(update={"title": 'a "b" \\ \n\té\x01'})
    data = brief.model_dump(by_alias=True)
    assert parse_brief(brief_text(fl.Brief.model_validate(data))).title == brief.title


def test_windows_text_and_a_byte_order_mark() -> None:
    content = b"\xef\xbb\xbf" + BRIEF.replace("\n", "\r\n").encode()
    assert parse_brief(content).brief_id == parse_brief(BRIEF).brief_id


def test_where_toml_goes_wrong() -> None:
    assert error_of("title = 1\ntitle = 2\n") == (
        "1 problem:\n  brief.toml, row 2, column 10: 'title = 2'. Expected valid TOML; cannot overwrite a value."
    )
    assert error_of("title = '") == (
        '1 problem:\n  brief.toml, row 1, column 10: "title = \'". Expected valid TOML; expected "\'".'
    )
    assert error_of("x = " + "[" * 100_000) == (
        "1 problem:\n  brief.toml: Expected lists and tables nested a few levels deep."
    )
    assert error_of(b"title = '\xe9'\n") == (
        "1 problem:\n  brief.toml, row 1: b'\\xe9'. Expected text in UTF-8. Save the file as UTF-8."
    )


def test_a_field_that_is_wrong_is_shown_with_its_line() -> None:
    assert error_of(BRIEF.replace("high = 20.0\n[[response", "high = 2.0\n[[response")) == (
        "1 problem:\n  brief.toml, row 15, setting[1].high: 2.0. Expected at least low = 10."
    )
    assert error_of(BRIEF.replace('unit = "mg"', 'unit = "mg"\ncolour = 3')) == (
        "1 problem:\n  brief.toml, row 24, response[2].colour: 3. Expected a field of this part. Check its spelling."
    )
    assert (
        error_of(BRIEF + "\n[plnt]\nbatch_kg = 9\n")
        .split("\n")[1]
        .endswith(
            f"row {len(BRIEF.splitlines()) + 2}, plnt: \"{{'batch_kg': 9}}\". Expected a field of this part. Did you mean 'plant'?"
        )
    )


def test_read_brief_takes_a_file_or_a_folder(series: Series, tmp_path: Path) -> None:
    assert fl.read_brief(series.path) == fl.read_brief(series.path / "brief.toml") == series.brief
    with pytest.raises(BriefError) as caught:
        fl.read_brief(tmp_path / "none.toml")
    assert str(caught.value) == f"There is no file {str(tmp_path / 'none.toml')!r}; check the path."


# ---- revisions ------------------------------------------------------------------------------------------


def test_plan_rows_know_their_revision(series: Series) -> None:
    first = series.brief.brief_id
    series.revise(BRIEF.replace("high = 20.0\n[[setting", "high = 25.0\n[[setting"), who="Kim")
    longer = plan_of(series, 5)
    longer.loc[:2, "brief_id"] = first
    series.save_plan(longer)
    told = series.revisions()
    assert told["brief_id"].tolist() == [first, series.brief.brief_id]
    assert told["trials"].tolist() == [3, 2] and told["who"].tolist() == ["", "Kim"]
    assert series.briefs[first].ranges["oil"] == (5.0, 20.0)


def test_a_brief_edited_by_hand_is_recorded_at_the_next_write(series: Series, tmp_path: Path) -> None:
    first = series.brief.brief_id
    (series.path / "brief.toml").write_text(BRIEF.replace("a made-up block", "another name"))
    again = open_series(series.path)
    assert again.notices == [] and list(again.briefs) == [first, again.brief.brief_id]
    again.load_results(bench_file(tmp_path, "trial,erasure\nT02,70\n"))
    assert again.journal()["act"].tolist()[-2:] == ["noticed", "load results"]


def test_a_new_ingredient_is_0_in_old_trials(series: Series) -> None:
    (series.path / "brief.toml").write_text(BRIEF + CHALK)
    again = open_series(series.path)
    assert again.trials()["chalk"].tolist() == [0.0, 0.0]


def test_a_renamed_ingredient_is_asked_about(series: Series, tmp_path: Path) -> None:
    (series.path / "brief.toml").write_text(BRIEF.replace('"oil"\nrole', '"softener"\nrole'))
    with pytest.warns(FormlabWarning) as told:
        again = open_series(series.path)
    question = (
        "plan.csv has the ingredient 'oil', which the brief no longer has. If it was renamed, call "
        "series.revise(renamed={'oil': 'softener'}). If it is no longer used, keep it in the brief with low = high = "
        "0, so that old trials keep their amounts; if no trial had any, call series.revise(dropped=['oil'])."
    )
    assert [str(w.message) for w in told] == [question]
    with pytest.raises(SeriesError) as caught:
        again.trials()
    assert str(caught.value) == question
    with pytest.raises(SeriesError, match="which the brief no longer has"):
        again.load_results(bench_file(tmp_path, "trial,erasure\nT02,70\n"))
    with pytest.raises(SeriesError) as caught:
        again.revise(dropped=["oil"])
    assert str(caught.value) == (
        "1 problem:\n  plan.csv, oil: Expected 0 in every trial, to drop it. Keep it in the brief with low = high = 0."
    )
    before = again.cell_history("T03", "oil")["new"].tolist()
    again.revise(renamed={"oil": "softener"}, who="Kim", note="same drum, new label")
    assert open_series(series.path).trials()["softener"].tolist() == [5.0, float(before[-1])]
    assert again.journal().iloc[-1][["act", "who", "note"]].tolist() == [
        "revise",
        "Kim",
        "same drum, new label",
    ]


def test_renaming_reaches_every_table(series: Series) -> None:
    (series.path / "weighed.csv").write_text("batch,ingredient,weighed_g\nB02,rubber,1000\nB02,oil,60\n")
    (series.path / "prices.csv").write_text("ingredient,spring\noil,2\n")
    new = BRIEF.replace('"oil"\nrole', '"softener"\nrole').replace('"erasure"', '"rubbed_out"')
    series.revise(new, renamed={"oil": "softener", "erasure": "rubbed_out"})
    assert series.weighed()["ingredient"].tolist() == ["rubber", "softener"]
    assert series.prices().loc["softener", "spring"] == 2.0
    assert series.trials()["rubbed_out"].tolist() == [80.0, 82.0]
    assert series.trials()["softener"].tolist() == pytest.approx([5.0, 6.0], rel=1e-14)


def test_a_new_setting_needs_its_old_value(series: Series) -> None:
    new = BRIEF.replace(
        "[[response]]", '[[setting]]\nname = "press_bar"\nlow = 80.0\nhigh = 120.0\n[[response]]', 1
    )
    with pytest.raises(SeriesError) as caught:
        series.revise(new)
    assert str(caught.value) == (
        "Nothing was written. The brief has a new setting 'press_bar', and plan.csv does not say what it was in the "
        "trials so far. Say so with series.revise(given={'press_bar': ...})."
    )
    assert series.brief.setting_names == ["cure_min"]
    series.revise(new, given={"press_bar": 100})
    assert series.trials()["press_bar"].tolist() == [100.0, 100.0]
    with pytest.raises(SeriesError) as caught:
        series.revise(given={"press_bar": 90})
    assert str(caught.value) == (
        "given={'press_bar': 90}: give a setting of the brief that plan.csv has not, one of []."
    )


def test_a_response_can_be_dropped_and_its_readings_stay_on_file(series: Series, tmp_path: Path) -> None:
    series.load_results(bench_file(tmp_path, "trial,crumble\nT02,7\n"))
    new = BRIEF[: BRIEF.index('[[response]]\nname = "crumble"')]
    with pytest.raises(
        SeriesError, match="results.csv has the response 'crumble', which the brief no longer has"
    ):
        series.revise(new)
    series.revise(new, dropped=["crumble"])
    assert "crumble" not in series.trials() and "crumble" in (series.path / "results.csv").read_text()
    series.load_results(bench_file(tmp_path, "trial,erasure\nT02,70\n"))
    assert "T02,2,,7,ok," in (series.path / "results.csv").read_text()


def test_a_setting_that_varied_cannot_be_dropped(series: Series) -> None:
    new = BRIEF.replace('[[setting]]\nname = "cure_min"\nunit = "min"\nlow = 10.0\nhigh = 20.0\n', "")
    with pytest.raises(SeriesError) as caught:
        series.revise(new, dropped=["cure_min", "nonsense"])
    assert str(caught.value) == (
        "2 problems:\n"
        "  plan.csv, cure_min: Expected one value in every trial, to drop it. Keep it in the brief, with the levels "
        "that are still used.\n"
        "  brief.toml, dropped: 'nonsense'. Expected a name that an earlier brief had and this one has not."
    )


def test_a_new_name_must_be_in_the_brief(series: Series) -> None:
    with pytest.raises(SeriesError) as caught:
        series.revise(renamed={"oil": "butter"})
    assert str(caught.value) == (
        "1 problem:\n  brief.toml, renamed: 'butter'. Expected one of ['rubber', 'oil', 'cure_min', 'erasure', 'crumble']."
    )


def test_a_broken_brief_can_be_replaced(series: Series) -> None:
    (series.path / "brief.toml").write_text("title = ")
    with pytest.raises(BriefError):
        open_series(series.path)
    series.revise(BRIEF, who="Kim")
    assert len(open_series(series.path).trials()) == 2
