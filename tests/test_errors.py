import ast
import pickle
import re
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


# ---- every message says the next step -----------------------------------------------------------

RAISED = {name for name in errors.__all__ if name.endswith("Error")}
# A verb that tells the reader what to do, at the head of a clause.
TOLD = re.compile(
    r"(?:^|[.;:,(]\s|\b(?:and|or|then|so) )(?:please )?"
    r"(add|ask|call|change|check|choose|close|copy|count|correct|export|extend|exchange|fit|fix|follow|give|go|install|keep|lay|leave|"
    r"let|list|load|lower|make|measure|move|name|open|pass|put|raise|read|remove|rename|restore|run|save|scale|see|set|sort|start|stop|swap|"
    r"take|try|undo|use|vary|wait|weigh|widen|write)\b",
    re.IGNORECASE,
)
# Raised with what another function said, or with problems that are checked one by one where they are made.
PASSED_ON = re.compile(r"^(str\(error\)|\w+|\[.*\]|_?\w+\(.*\)|.*' '\.join\(questions\))$", re.DOTALL)


def _words(node):
    """The text of a message, with what stands in braces left as braces."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(
            _words(part) if isinstance(part, ast.Constant) else _inside(part) for part in node.values
        )
    if isinstance(node, ast.BinOp):
        return _words(node.left) + _words(node.right)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        return _words(node.func.value)
    return "{}"


def _inside(node):
    """A part of a message that is itself chosen between texts: the longest of them."""
    texts = [n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    return max([*texts, "{}"], key=len)


def _calls(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            yield node.func.id, node


SOURCES = sorted(Path(errors.__file__).parent.rglob("*.py"))


def _untold(path):
    for name, node in _calls(path):
        if name not in RAISED or not node.args:
            continue
        first = node.args[0]
        choices = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
        for choice in choices:
            if not PASSED_ON.match(ast.unparse(choice)) and not TOLD.search(_words(choice)):
                yield f"{path.name}, line {node.lineno}: {_words(choice)}"


def test_every_message_tells_what_to_do():
    assert [text for path in SOURCES for text in _untold(path)] == []


def test_every_problem_says_what_was_expected():
    lacking = [
        f"{path.name}, line {node.lineno}"
        for path in SOURCES
        for name, node in _calls(path)
        if name == "Problem"
        and len(node.args) < 5
        and not {"expected", "repair"} & {k.arg for k in node.keywords}
    ]
    assert [place for place in lacking if not place.startswith(("judge", "optimal"))] == []


def test_a_message_without_a_next_step_would_be_found(tmp_path):
    path = tmp_path / "bad.py"
    path.write_text(
        "raise FitError(f'Response {name!r} takes {n} values.')\nraise FitError('No trials; add some.')\n"
    )
    assert list(_untold(path)) == ["bad.py, line 1: Response {} takes {} values."]
