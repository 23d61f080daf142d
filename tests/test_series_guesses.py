"""Guessed effects as a chemist writes them: read with the unit, refused with file, row, column, value and what was expected."""

import json

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import Brief
from formlab.cli import main
from formlab.errors import SeriesError, SuggestError
from formlab.series import create_series, read_guesses, workbook_bytes
from formlab.suggest import guessed_plant

DATA = {
    "ingredient": [
        {"name": "rubber", "role": "rubber"},
        {"name": "oil", "label": "soft oil", "low": 0, "high": 20},
        {"name": "chalk", "low": 60, "high": 150},
    ],
    "setting": [{"name": "press", "levels": ["steam", "oil heated"]}],
    "response": [
        {"name": "hardness", "unit": "Shore A", "near": 45.0, "within": 4.0, "possible": [0, 100]},
        {"name": "smear", "label": "smear beside the track", "at_most": 20.0},
    ],
}
BRIEF = Brief.model_validate(DATA)
WANT = {"hardness": {"centre": 46.5, "oil": -6.0, "chalk": 4.25}, "smear": {"oil": 2.0}}


def written(tmp_path, text, name="guesses.csv"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(
    "text",
    [
        "response,centre,oil,chalk\nhardness,46.5,-12,8.5\nsmear,,4,\n",
        "Response;unit;Centre;Soft oil;Chalk\nhardness;Shore A;46,5 Shore A;-12;8,5 Shore A\n\nSmear beside the track;;;4;\n",
        "response\tcenter\toil\tchalk\r\nsmear\t\t4\r\nhardness\t46.5\t−12\t8.5\r\n",
    ],
    ids=["commas", "semicolons and units", "tabs"],
)
def test_a_change_over_the_range_becomes_half_of_it(tmp_path, text):
    assert read_guesses(written(tmp_path, text), BRIEF) == WANT


def test_a_workbook_is_read_too(tmp_path):
    frame = pd.DataFrame(
        {"response": ["hardness", "smear"], "centre": [46.5, np.nan], "oil": [-12, 4], "chalk": [8.5, np.nan]}
    )
    path = written(tmp_path, workbook_bytes({"guesses": frame}), "guesses.xlsx")
    assert read_guesses(path, BRIEF) == WANT


NAMES = "'response', 'unit', 'centre' or a factor that varies and has a range: ['oil', 'chalk']"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("response,oill\nhardness,3\n", f"guesses.csv, row 1: 'oill'. Expected {NAMES}. Is it 'oil'?"),
        ("response,press\nhardness,3\n", f"guesses.csv, row 1: 'press'. Expected {NAMES}."),
        ("response,rubber,oil\nhardness,3,1\n", f"guesses.csv, row 1: 'rubber'. Expected {NAMES}."),
        ("response,oil,soft oil\nhardness,3,1\n", "guesses.csv, row 1, oil: Expected one column of this name."),
        ("oil,chalk\n3,1\n",
         "guesses.csv, row 1: 'oil, chalk'. Expected a line of column names: 'response', then 'centre' or any of "
         "['oil', 'chalk']."),
        ("response,oil\nhardnes,3\n",
         "guesses.csv, row 2, response: 'hardnes'. Expected a response of the brief: ['hardness', 'smear']. "
         "Is it 'hardness'?"),
        ("response,oil\nhardness,3\nhardness,2\n",
         "guesses.csv, row 3, response: 'hardness'. Expected one line for each response."),
        ("response,unit,oil\nhardness,MPa,3\n", "guesses.csv, row 2, unit: 'MPa'. Expected Shore A, as in the brief."),
        ("response,oil\nhardness,3 MPa\n",
         "guesses.csv, row 2, oil: '3 MPa'. Expected a number in Shore A, or an empty cell."),
        ("response,oil\nhardness,much\n",
         "guesses.csv, row 2, oil: 'much'. Expected a number in Shore A, or an empty cell."),
        ("response,oil\nsmear,<3\n", "guesses.csv, row 2, oil: '<3'. Expected a number, or an empty cell."),
        ('response,oil\nsmear,"1,234"\n',
         "guesses.csv, row 2, oil: '1,234'. Expected a number that can be read in one way. Is it 1.234 or 1234?"),
        ("response,centre\nhardness,120\n",
         "guesses.csv, row 2, centre: 120.0. Expected a value that hardness can have, 0 to 100."),
        ("response,oil\nhardness,1,5\n",
         "guesses.csv, row 2: '5'. Expected 2 cells, as in the first line. Decimal commas in a file whose cells are parted "
         "by commas need quotes or another separator."),
        ("response,oil\nhardness,\n", "guesses.csv: Expected at least one line with a response and a guess."),
        ("", "guesses.csv, row 1: Expected a line of column names: 'response', then 'centre' or any of ['oil', 'chalk']."),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_named(tmp_path, text, said):
    with pytest.raises(SeriesError) as caught:
        read_guesses(written(tmp_path, text), BRIEF)
    assert str(caught.value) == f"1 problem:\n  {said}"


def test_every_problem_of_a_file_is_named_at_once(tmp_path):
    text = "response,centre,oil\nhardness,no,much\nsmer,1,2\n"
    with pytest.raises(SeriesError) as caught:
        read_guesses(written(tmp_path, text), BRIEF)
    assert [(p.row, p.column) for p in caught.value.problems] == [(2, "centre"), (2, "oil"), (3, "response")]


def test_plants_are_drawn_about_what_was_guessed(tmp_path):
    """From the low end of oil to its high end hardness changes by -12 on average, and it is 46.5 in the middle."""
    effects = read_guesses(written(tmp_path, "response,centre,oil,chalk\nhardness,46.5,-12,8.5\n"), BRIEF)
    ends = BRIEF.complete(pd.DataFrame({"oil": [0.0, 20.0, 10.0], "chalk": 105.0, "press": "steam"}))
    plants = [guessed_plant(BRIEF, effects, np.random.default_rng(k), curvature=0.0) for k in range(40)]
    truth = np.array([plant.truth(ends)["hardness"] for plant in plants])
    error = 2 * 0.3 * 6.0 / np.sqrt(40)
    assert_allclose((truth[:, 1] - truth[:, 0]).mean(), -12.0, atol=3 * error)
    assert_allclose(truth[:, 2].mean(), 46.5, atol=3 * error)


def test_effects_that_name_nothing_are_refused():
    rng = np.random.default_rng(1)
    with pytest.raises(
        SuggestError, match=r"names 'press'; choose among the factors \['oil', 'chalk'\] and 'centre'"
    ):
        guessed_plant(BRIEF, {"hardness": {"press": 1.0}}, rng)
    with pytest.raises(
        SuggestError, match=r"names 'slip'; choose among the responses \['hardness', 'smear'\]"
    ):
        guessed_plant(BRIEF, {"slip": {"oil": 1.0}}, rng)


def test_the_command_rehearses_with_guesses(tmp_path, capsys):
    """A hardness far from its target everywhere, or in the middle of it: guesses decide how the job would end."""
    small = {**DATA, "ingredient": DATA["ingredient"][:2], "setting": [], "model": "linear"}
    small["response"] = [{**DATA["response"][0], "sd_batch": 0.3, "sd_slab": 0.3}]
    folder = create_series(tmp_path / "block", Brief.model_validate(small)).path
    ends = []
    for centre in (45, 90):
        file = written(tmp_path, f"response,centre,oil\nhardness,{centre} Shore A,-6\n")
        asked = ["rehearse", str(folder), "--guesses", str(file), "--batches", "6", "--runs", "1", "--json"]
        assert main(asked) == 0
        ends.append(json.loads(capsys.readouterr().out)[0])
    assert [end["possible"] for end in ends] == [1.0, 0.0]
    assert ends[0]["conforming"] > ends[1]["conforming"] == 0
    file.write_text("response,oil\nhardness,soft\n")
    assert main(asked) == 1
    assert "row 2, oil: 'soft'. Expected a number in Shore A" in json.loads(capsys.readouterr().out)["error"]
