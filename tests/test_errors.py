import pickle
from pathlib import Path

import numpy as np
import pytest

from formlab import errors
from formlab.errors import FormlabError, Problem


def test_every_error_is_a_value_error_and_every_warning_ours():
    kinds = [getattr(errors, name) for name in errors.__all__ if name != "Problem"]
    assert len(kinds) == 11
    for kind in kinds:
        assert issubclass(kind, (FormlabError, errors.FormlabWarning))
    assert issubclass(FormlabError, ValueError)
    assert issubclass(errors.FormlabWarning, UserWarning)


def test_a_message_stays_as_it_is():
    assert str(errors.RecipeError("No rubber. Name one.")) == "No rubber. Name one."
    assert list(errors.RecipeError("No rubber.")) == []


def test_problems_are_listed_with_place_value_expectation_and_repair():
    error = errors.SeriesError(
        [
            Problem("results.csv", 7, "erasure", "8o", "a number", "Write 0 for nothing."),
            Problem(column="ingredient[2].low", value=np.float64(-1.0), expected="0 or more"),
            Problem(file="plan.csv", expected="a column 'trial'"),
            Problem(row=3, repair="Delete it."),
        ]
    )
    assert str(error) == (
        "4 problems:\n"
        "  results.csv, row 7, erasure: '8o'. Expected a number. Write 0 for nothing.\n"
        "  ingredient[2].low: -1.0. Expected 0 or more.\n"
        "  plan.csv: Expected a column 'trial'.\n"
        "  row 3: Delete it."
    )
    assert [problem.row for problem in error] == [7, None, None, 3]


def test_one_problem_is_singular():
    assert str(FormlabError([Problem(expected="a number")])) == "1 problem:\n  Expected a number."


def test_a_long_list_and_a_long_value_are_cut_in_the_message_only():
    error = FormlabError([Problem(row=k, value="x" * 500, expected="a number") for k in range(100)])
    lines = str(error).split("\n")
    assert lines[0] == "100 problems:" and len(lines) == 42
    assert lines[1] == "  row 0: '" + "x" * 117 + " …. Expected a number."
    assert lines[-1] == "  and 60 more; all are in .problems"
    assert len(error.problems) == 100 and error.problems[0].value == "x" * 500


def test_problems_survive_the_way_to_a_worker():
    error = errors.BriefError([Problem(column="basis", value="x", expected="phr or fraction")])
    copy = pickle.loads(pickle.dumps(error))
    assert type(copy) is errors.BriefError
    assert str(copy) == str(error) and copy.problems == error.problems


@pytest.mark.parametrize("path", sorted(Path(errors.__file__).parent.rglob("*.py")), ids=lambda p: p.stem)
def test_only_our_own_errors_are_raised(path):
    """A bare ValueError would escape the one `except FormlabError` a user writes."""
    assert "raise ValueError" not in path.read_text(encoding="utf-8")
