"""The command line as the three users call it."""

import json
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

import formlab
from formlab.cli import main
from formlab.demo import BRIEFS, TRUTHS, make_results
from formlab.region import Region
from formlab.report import report
from formlab.series import open_series
from formlab.suggest import ledger_of

HOME = Path(__file__).parent.parent / "demo_trials"


def test_help_loads_nothing_heavy():
    code = "import sys; from formlab.cli import _parser; _parser().format_help(); print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "formlab.cli" in loaded
    assert not {"numpy", "pandas", "scipy", "sklearn", "matplotlib", "pydantic"} & set(loaded)


def test_no_command_prints_help_and_says_so(capsys):
    assert main([]) == 2
    assert "COMMAND" in capsys.readouterr().out


def test_python_m_formlab_is_the_command():
    said = subprocess.run(
        [sys.executable, "-m", "formlab", "--version"], capture_output=True, text=True, check=True
    )
    assert said.stdout == f"formlab {formlab.__version__}\n"


def test_walk_of_a_chemist(tmp_path, capsys):
    """From an empty folder to a formula: new, check, plan, load, fit, suggest."""
    folder = tmp_path / "block"
    assert main(["new", str(folder)]) == 0
    assert main(["check", str(folder)]) == 0
    assert main(["plan", str(folder), "--runs", "24", "--batches", "12", "--seed", "3"]) == 0
    assert capsys.readouterr().out.count("moments exact") == 1  # a note is said once
    series = open_series(folder)
    plan = series.plan_frame()
    assert len(plan) == 24 and plan["batch"].nunique() == 12
    truth = TRUTHS["drafting_block"](series.brief, plan)
    make_results(series.brief, plan, truth, 1).to_csv(tmp_path / "bench.csv", index=False)
    assert main(["load", str(folder), str(tmp_path / "bench.csv")]) == 0
    capsys.readouterr()
    assert main(["fit", str(folder), "--kind", "least squares"]) == 0
    said = capsys.readouterr().out
    assert "of batches left out" in said and "on the scale of the fit" in said and "index" not in said
    assert main(["suggest", str(folder), "--kind", "least squares", "--batch-kg", "9"]) == 0
    said = capsys.readouterr().out
    assert re.search(r"rubber +100 phr", said)
    card = said.split("Weigh-up of 9 kg")[1]
    assert "weigh, g  to the nearest, g  within, ± g" in card and "e-" not in card.split("\n\n")[0]


def test_a_plan_over_days_nearly_free_of_trends(tmp_path, capsys):
    assert main(["new", str(tmp_path / "block")]) == 0
    asked = [
        "plan",
        str(tmp_path / "block"),
        "--runs",
        "18",
        "--batches",
        "18",
        "--days",
        "3",
        "--order",
        "trend",
    ]
    assert main(asked) == 0
    assert "trend" in capsys.readouterr().out
    plan = open_series(tmp_path / "block").plan_frame()
    assert plan["day"].value_counts().tolist() == [6, 6, 6]


def test_unknown_folder_is_an_error_in_words(tmp_path, capsys):
    assert main(["check", str(tmp_path / "nowhere")]) == 1
    err = capsys.readouterr().err
    assert err.startswith("formlab: ") and "nowhere" in err


def test_bad_results_name_file_row_column_and_value(tmp_path, capsys):
    shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    frame = pd.DataFrame({"trial": ["T01", "T99"], "hardness": ["soft", "55"]})
    frame.to_csv(tmp_path / "bench.csv", index=False)
    assert main(["load", str(tmp_path / "wedge"), str(tmp_path / "bench.csv"), "--json"]) == 1
    out = json.loads(capsys.readouterr().out)
    places = {(p["file"], p["row"], p["column"], p["value"]) for p in out["problems"]}
    assert ("bench.csv", 2, "hardness", "soft") in places
    assert ("bench.csv", 3, "trial", "T99") in places


def test_a_living_series_is_extended(tmp_path, capsys):
    """A new ingredient and a batch that was spoiled, then more trials beside those not made yet."""
    folder = shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    text = (folder / "brief.toml").read_text()
    talc = '[[ingredient]]\nname = "talc"\nrole = "filler"\nlow = 0\nhigh = 6\ndensity = 2.7\nprice = 0.4\norder = 4\n\n'
    at = text.index("[[response]]")
    (folder / "brief.toml").write_text(text[:at] + talc + text[at:])
    before, read = open_series(folder).plan_frame(), (folder / "results.csv").read_bytes()
    asked = ["extend", str(folder), "--seed", "3"]
    assert main([*asked, "--runs", "8", "--failed", "B03"]) == 0
    said = capsys.readouterr().out
    assert "talc is new: the earlier trials had none of it and count with 0." in said
    assert "2 of 36 trials are not credited: T05, T06." in said
    assert "The earlier trials alone could not carry the model; with the new ones they do." in said
    assert f"Added to {folder / 'plan.csv'}, round 2" in said and "degrees of freedom left" in said
    plan = open_series(folder).plan_frame()
    assert plan["trial"].tolist() == [f"T{k:02d}" for k in range(1, 45)]
    assert (plan["talc"][:36] == 0).all() and plan["talc"][36:].max() > 0
    assert plan["role"].eq("failed").sum() == 2
    kept = ["trial", "batch", "run_order", "brief_id", *open_series(folder).brief.columns]
    pd.testing.assert_frame_equal(plan.loc[:35, kept], before[kept])
    assert (folder / "results.csv").read_bytes() == read
    assert main([*asked, "--runs", "2", "--days", "1", "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert [t["trial"] for t in out["trials"]] == ["T45", "T46"]
    assert {t["day"] for t in out["trials"]} == {"D01"} and "load" not in out["trials"][0]
    assert any(note.startswith("The 42 earlier trials are credited") for note in out["notes"])
    assert main([*asked, "--runs", "2", "--failed", "B99"]) == 1
    assert "failed names 'B99', which is neither a trial nor a batch" in capsys.readouterr().err
    assert len(open_series(folder).plan_frame()) == 46


def test_history_is_taken_in_where_asked_for(tmp_path, capsys):
    folder = shutil.copytree(HOME / "drafting_block", tmp_path / "block")
    series = open_series(folder)
    formulas = Region.from_brief(series.brief).sample(6, seed=4).round(3)
    truth = TRUTHS["drafting_block"](series.brief, formulas)
    pd.concat([formulas, truth.round(2)], axis=1).to_csv(folder / "history.csv", index=False)
    asked = ["fit", str(folder), "--kind", "least squares"]
    assert main(asked) == 0
    said = capsys.readouterr().out
    assert "28 trials in 17 batches" in said
    assert said.endswith("Without the 6 lines of history.csv; --history takes them in.\n")
    assert main([*asked, "--history"]) == 0
    said = capsys.readouterr().out
    assert "34 trials in 23 batches" in said and "--history" not in said
    planned = series.plan_frame()
    assert main(["extend", str(folder), "--history", "--runs", "4", "--seed", "2"]) == 0
    assert "The 34 earlier trials are credited" in capsys.readouterr().out
    plan = open_series(folder).plan_frame()
    assert plan["trial"].tolist() == [*planned["trial"], "T29", "T30", "T31", "T32"] and "block" not in plan
    assert main(["next", str(folder), "--history", "--count", "1", "--kind", "least squares", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["trials"][0]["trial"] == "T33"


def test_next_goes_on_after_trials_that_are_not_read_yet(tmp_path, capsys):
    folder = shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    assert main(["extend", str(folder), "--runs", "1"]) == 0
    capsys.readouterr()
    assert main(["next", str(folder), "--kind", "least squares", "--count", "1", "--save", "--json"]) == 0
    trial = json.loads(capsys.readouterr().out)["trials"][0]
    assert (trial["trial"], trial["batch"], trial["round"]) == ("T38", "B20", 3)
    assert open_series(folder).plan_frame()["trial"].tolist()[-2:] == ["T37", "T38"]


@pytest.mark.filterwarnings("default")
def test_check_counts_what_is_planned_and_read_and_says_what_was_changed(tmp_path, capsys):
    folder = shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    series = open_series(folder)
    plan = series.plan_frame()
    (folder / "results.csv").unlink()
    (folder / "plan.csv").unlink()
    series.save_plan(plan)
    (folder / "plan.csv").write_text((folder / "plan.csv").read_text().replace("T01", "T91", 1))
    assert main(["check", str(folder)]) == 0
    said = capsys.readouterr()
    assert "\ntrials: 36 planned, 0 read (0 readings)\n" in said.out
    assert said.err.startswith("formlab: plan.csv was changed outside formlab: row 2 (T01), trial: ")
    assert said.err.count("\n") == 1  # words alone, not where in the code they come from


def test_check_reads_the_prices_too(tmp_path, capsys):
    folder = shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    (folder / "prices.csv").write_text("ingredient,dear\nsilica,2.60\n")
    assert main(["check", str(folder)]) == 0
    assert "\nprices: 1 scenario (dear)\n" in capsys.readouterr().out
    (folder / "prices.csv").write_text('ingredient,dear\nsilica,"2,60"\n')
    assert main(["check", str(folder)]) == 1
    assert "prices.csv, row 2, dear: '2,60'. Expected a number" in capsys.readouterr().err


def test_check_remarks_on_what_is_allowed_but_odd(tmp_path, capsys):
    folder = tmp_path / "block"
    assert main(["new", str(folder)]) == 0
    text = (folder / "brief.toml").read_text()
    (folder / "brief.toml").write_text(
        text.replace("oil = 14.0", "oil = 40.0").replace("density = 0.91\n", "")
    )
    capsys.readouterr()
    assert main(["check", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "\nremark: there are no costs without price and density of oil\n" in said
    assert "\nremark: today's formula lies outside what is allowed: oil above 28\n" in said


def test_a_textbook_plan_moves_its_points_inside_when_asked(tmp_path, capsys):
    folder = tmp_path / "block"
    assert main(["new", str(folder)]) == 0
    assert main(["plan", str(folder), "--kind", "factorial"]) == 1
    assert "lie outside the region" in capsys.readouterr().err
    assert main(["plan", str(folder), "--kind", "factorial", "--outside", "move"]) == 0
    plan = open_series(folder).plan_frame()
    assert len(plan) == 16 and (plan["chalk"] + plan["pumice"]).max() <= 175 + 1e-9


def test_what_is_wrong_with_a_file_is_listed_without_empty_words(tmp_path, capsys):
    folder = shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    (tmp_path / "bench.csv").write_text('Trial,hardness\nT01,"58,2"\n')
    assert main(["load", str(folder), str(tmp_path / "bench.csv"), "--check"]) == 1
    said = capsys.readouterr().out
    assert "None" not in said and "Read it as 58.2." in said and "made with --repair" in said


def test_nothing_is_extended_without_a_plan(tmp_path, capsys):
    assert main(["new", str(tmp_path / "block")]) == 0
    capsys.readouterr()
    assert main(["extend", str(tmp_path / "block")]) == 1
    assert "has no plan yet" in capsys.readouterr().err


def test_scenario_of_prices(tmp_path, capsys):
    shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    (tmp_path / "wedge" / "prices.csv").write_text("ingredient,dear_silica\nsilica,3.2\n")
    args = ["suggest", str(tmp_path / "wedge"), "--kind", "least squares", "--json", "--batch-kg", "9"]
    assert main(args) == 0
    cheap = json.loads(capsys.readouterr().out)
    assert cheap["goal"] == "Least cost per piece"
    assert set(cheap["conformance"]) == {"true_mean", "new_batch", "accepted"}
    assert sum(cheap["formula"].values()) == pytest.approx(100.0)
    assert sum(line["weighed_g"] for line in cheap["recipe"]) == pytest.approx(9000, abs=10)
    assert main([*args, "--scenario", "dear_silica"]) == 0
    dear = json.loads(capsys.readouterr().out)
    assert dear["cost"]["per_kg"] > cheap["cost"]["per_kg"]
    said = "Costs, today's too, are with silica at 3.2 EUR per kg instead of the brief's."
    assert said in dear["notes"] and said not in cheap["notes"]
    assert dear["formula"]["silica"] <= cheap["formula"]["silica"] + 0.05
    assert main([*args, "--scenario", "none"]) == 1
    assert "prices.csv has no scenario 'none'" in json.loads(capsys.readouterr().out)["error"]


def test_bases_are_split_planned_and_have_cards(tmp_path, capsys):
    folder = tmp_path / "block"
    assert main(["new", str(folder)]) == 0
    brief = open_series(folder).brief
    final = brief.varied[-1]
    split = ["--finals", final, "--bases", "3", "--runs", "12", "--batches", "6", "--seed", "1"]
    assert main(["plan", str(folder), *split]) == 0
    assert "base mixings are split into 6 batches" in capsys.readouterr().out
    plan = open_series(folder).plan_frame()
    assert plan["base"].nunique() == 3 and set(plan["finals"]) == {final}
    assert main(["cards", str(folder), "--batch-kg", "6"]) == 0
    page = (folder / "out" / "cards" / "weigh-up.html").read_text()
    assert all(f"base {name}" in page for name in plan["base"].unique())
    assert main(["plan", str(folder), "--finals", "butter", "--bases", "2"]) == 1
    assert "'butter'" in capsys.readouterr().err


def test_weigh_up_of_a_suggestion_is_in_the_unit_of_the_brief(tmp_path, capsys):
    folder = shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    brief = open_series(folder).brief
    assert brief.basis == "fraction" and brief.rubbers  # whose cards have phr as well
    args = ["suggest", str(folder), "--kind", "least squares", "--premium", "0", "--json", "--batch-kg", "9"]
    assert main(args) == 0
    told = json.loads(capsys.readouterr().out)
    assert sum(line["amount"] for line in told["recipe"]) == pytest.approx(100, abs=0.5)
    for line in told["recipe"]:
        assert line["planned_g"] == pytest.approx(90 * line["amount"], rel=0.01)


def test_promises_are_kept_and_past_misses_heeded(tmp_path, capsys):
    folder = shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    asked = ["suggest", str(folder), "--kind", "least squares", "--premium", "0", "--json"]
    assert main([*asked, "--promise"]) == 0
    first = json.loads(capsys.readouterr().out)
    series = open_series(folder)
    promise = series.promises().iloc[0]
    assert promise["shift"] == 0 and promise["accepted"] == first["conformance"]["accepted"]
    trials = series.trials()
    missed = trials.head(8).assign(
        trial=[f"X{k}" for k in range(8)], batch=[f"BX{k}" for k in range(8)], hardness=95.0,
        **{n: promise[n] for n in series.brief.columns},
    )  # fmt: skip
    later = pd.concat([trials, missed], ignore_index=True)
    ledger = ledger_of(series.brief, series.promises(), later)
    assert ledger.shift < 0 and ledger.words.startswith("Of 8 batches promised to pass")
    assert ledger_of(series.brief, series.promises(), trials) is None  # none was made yet


def test_a_promise_is_confirmed_by_batches_of_its_formula(tmp_path, capsys):
    folder = shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    ask = ["confirm", str(folder), "--kind", "least squares"]
    assert main(ask) == 1
    assert "Keep one first: formlab suggest" in capsys.readouterr().err
    assert main(["suggest", str(folder), "--kind", "least squares", "--promise", "--json"]) == 0
    capsys.readouterr()
    assert main(ask) == 1
    assert f"Lay some out: formlab confirm {folder} --batches 3 --save." in capsys.readouterr().err
    assert main([*ask, "--batches", "2", "--save"]) == 0
    said = capsys.readouterr().out
    assert "To confirm, saved in plan.csv" in said and "all 2 with" in said
    assert main(ask) == 1
    assert "Planned of it are B19, B20, and nothing is read yet." in capsys.readouterr().err
    series = open_series(folder)
    made = series.plan_frame().query("round == 2").reset_index(drop=True)
    assert set(made["batch"]) == {"B19", "B20"}
    truth = TRUTHS["ink_wedge"](series.brief, made)
    make_results(series.brief, made, truth, 3).to_csv(tmp_path / "bench.csv", index=False)
    assert main(["load", str(folder), str(tmp_path / "bench.csv")]) == 0
    capsys.readouterr()
    assert main([*ask, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {line["batch"] for line in told["table"]} == {"B19", "B20"}
    assert main(ask) == 0
    assert told["verdict"] in capsys.readouterr().out
    page = report(series, kind="least squares")
    assert told["verdict"].split(";")[0] in page


def test_every_command_has_help():
    for name in (
        "confirm",
        "new",
        "check",
        "plan",
        "load",
        "undo",
        "settle",
        "journal",
        "extend",
        "fit",
        "suggest",
        "next",
        "rehearse",
        "demo",
    ):
        with pytest.raises(SystemExit) as stop:
            main([name, "--help"])
        assert stop.value.code == 0


def test_briefs_of_the_demo_are_said_to_be_invented():
    assert all("made up" in text for text in BRIEFS.values())


def test_a_load_is_checked_repaired_undone_and_remembered(tmp_path, capsys):
    shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    folder, bench = str(tmp_path / "wedge"), tmp_path / "late.csv"
    bench.write_text('trial,session,hardness\nT01,S2," 58,5 "\nT02,S2,57.9\n')
    before = (tmp_path / "wedge" / "results.csv").read_bytes()
    assert main(["load", folder, str(bench), "--check"]) == 1
    assert "58,5" in capsys.readouterr().out
    assert main(["load", folder, str(bench)]) == 1
    assert (tmp_path / "wedge" / "results.csv").read_bytes() == before
    assert main(["load", folder, str(bench), "--repair", "--who", "A"]) == 0
    capsys.readouterr()
    assert main(["journal", folder, "T01", "hardness", "--json"]) == 0
    assert any("58.5" in str(line) for line in json.loads(capsys.readouterr().out))
    assert main(["undo", folder]) == 0
    assert (tmp_path / "wedge" / "results.csv").read_bytes() == before
    assert main(["journal", folder]) == 0
    assert main(["journal", folder, "T01"]) == 1
    (tmp_path / "wedge" / "results.csv").write_bytes(before.replace(b"T01", b"T02", 1))
    assert main(["settle", folder, "results.csv", "restore"]) == 0
    assert (tmp_path / "wedge" / "results.csv").read_bytes() == before


@pytest.mark.parametrize("name", ["soft_block", 'a "quoted" \\ name', "Блок", "_"])
def test_a_new_brief_is_titled_after_its_folder_and_runs(name, tmp_path, capsys):
    assert main(["new", str(tmp_path / name)]) == 0
    series = open_series(tmp_path / name)
    assert series.brief.title == (name.replace("_", " ").strip() or "New series")
    assert series.brief.limits and series.brief.baseline is not None
    assert "made up" in series.text("brief.toml") and "invented demo" not in series.text("brief.toml")
    assert main(["check", str(tmp_path / name)]) == 0


def test_new_says_what_to_do_next_and_never_overwrites(tmp_path, capsys):
    folder = tmp_path / "block"
    assert main(["new", str(folder)]) == 0
    assert f"formlab check {folder}" in capsys.readouterr().out
    before = (folder / "brief.toml").read_text()
    assert main(["new", str(folder)]) == 1
    assert "has a brief already. Go on with it, or choose a new folder." in capsys.readouterr().err
    assert (folder / "brief.toml").read_text() == before


@pytest.mark.skipif(os.name != "posix", reason="needs a terminal that can be stood in for")
@pytest.mark.parametrize(
    ("command", "told"),
    [
        (["fit"], "fitting"),
        (["report"], "surfaces"),
        (["rehearse", "--planned", "--runs", "40", "--workers", "2"], "rehearsing"),
    ],
    ids=lambda part: " ".join(part) if isinstance(part, list) else "",
)
def test_long_work_says_what_it_does_and_is_stopped_without_loss(command, told, tmp_path):
    """Ctrl-C at a terminal: no traceback, an exit code that says so, and nothing half written."""
    folder = shutil.copytree(HOME / "drafting_block", tmp_path / "block")
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    import termios

    ours, theirs = os.openpty()
    termios.tcsetwinsize(theirs, (24, 100))
    work = subprocess.Popen(
        [sys.executable, "-m", "formlab.cli", command[0], str(folder), *command[1:]],
        stdout=subprocess.PIPE, stderr=theirs, text=True, start_new_session=True,
    )  # fmt: skip
    os.close(theirs)
    seen = _read(ours, told)
    time.sleep(1.0)  # into the middle of it
    os.killpg(work.pid, signal.SIGINT)  # as a terminal does: to workers too
    out, _ = work.communicate(timeout=60)
    seen += _read(ours)
    os.close(ours)
    assert told in seen and "Traceback" not in seen
    if command[0] == "rehearse":  # what is done so far is shown
        assert work.returncode in (0, 130)
    else:
        assert (work.returncode, out) == (130, "")
        assert "formlab: stopped; nothing half done was saved." in seen
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.suffix != ".lock"} == before


def _read(terminal, until=None):
    """Everything said on a terminal, until some words or to its end."""
    seen, end = b"", time.monotonic() + 120
    while until is None or until.encode() not in seen:
        if not select.select([terminal], [], [], max(end - time.monotonic(), 0))[0]:
            break
        try:
            more = os.read(terminal, 4096)
        except OSError:  # how a terminal of Linux ends
            break
        if not more:
            break
        seen += more
    return seen.decode(errors="replace")
