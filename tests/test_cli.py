"""The command line as the three users call it."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from formlab.cli import main
from formlab.demo import BRIEFS, TRUTHS, make_results
from formlab.series import open_series

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


def test_walk_of_a_chemist(tmp_path, capsys):
    """From an empty folder to a formula: new, check, plan, load, fit, suggest."""
    folder = tmp_path / "block"
    assert main(["new", str(folder)]) == 0
    assert main(["check", str(folder)]) == 0
    assert main(["plan", str(folder), "--runs", "24", "--batches", "12", "--seed", "3"]) == 0
    series = open_series(folder)
    plan = series.plan_frame()
    assert len(plan) == 24 and plan["batch"].nunique() == 12
    truth = TRUTHS["drafting_block"](series.brief, plan)
    make_results(series.brief, plan, truth, 1).to_csv(tmp_path / "bench.csv", index=False)
    assert main(["load", str(folder), str(tmp_path / "bench.csv")]) == 0
    assert main(["fit", str(folder), "--kind", "least squares"]) == 0
    capsys.readouterr()
    assert main(["suggest", str(folder), "--kind", "least squares", "--json", "--batch-kg", "9"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["goal"] == "Least cost per piece"
    assert set(answer["conformance"]) == {"true_mean", "new_batch", "accepted"}
    assert answer["formula"]["rubber"] == 100.0
    assert sum(line["weighed_g"] for line in answer["recipe"]) == pytest.approx(9000, abs=10)


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


def test_scenario_of_prices(tmp_path, capsys):
    shutil.copytree(HOME / "ink_wedge", tmp_path / "wedge")
    (tmp_path / "wedge" / "prices.csv").write_text("ingredient,dear_silica\nsilica,3.2\n")
    args = ["suggest", str(tmp_path / "wedge"), "--kind", "least squares", "--json"]
    assert main(args) == 0
    cheap = json.loads(capsys.readouterr().out)
    assert main([*args, "--scenario", "dear_silica"]) == 0
    dear = json.loads(capsys.readouterr().out)
    assert dear["cost"]["per_kg"] > cheap["cost"]["per_kg"]
    assert dear["formula"]["silica"] <= cheap["formula"]["silica"] + 0.05
    assert main([*args, "--scenario", "none"]) == 1
    assert "prices.csv has no scenario 'none'" in json.loads(capsys.readouterr().out)["error"]


def test_every_command_has_help():
    for name in (
        "new",
        "check",
        "plan",
        "load",
        "undo",
        "settle",
        "journal",
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
    assert "has a brief already. Open it with open_series, or choose a new folder." in capsys.readouterr().err
    assert (folder / "brief.toml").read_text() == before
