"""The three notebooks run as a newcomer would run them, and are stored without outputs."""

import re
import time
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from tests.readme_figures import LARGEST, WANTED
from tests.test_browser import CHROMIUM

HOME = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(HOME.glob("*.ipynb"))


def test_there_is_one_for_each_user():
    assert [path.stem for path in NOTEBOOKS] == [
        "1_planning_a_series",
        "2_fitting_outcomes",
        "3_cheaper_filler",
    ]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_stored_without_outputs(path):
    for cell in nbformat.read(path, as_version=4).cells:
        assert not cell.get("outputs") and cell.get("execution_count") is None


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.skipif(CHROMIUM.exists(), reason="tests/test_browser.py runs it, in JupyterLab")
def test_runs_without_an_error(path):
    book = nbformat.read(path, as_version=4)
    start = time.monotonic()
    NotebookClient(book, timeout=120, kernel_name="python3", resources={"metadata": {"path": HOME}}).execute()
    print(f"{path.stem}: {time.monotonic() - start:.0f} s")
    outputs = [output for cell in book.cells for output in cell.get("outputs", [])]
    assert outputs and not [o for o in outputs if o.output_type == "error"]
    # a warning printed in a story is an error in the story
    assert not [
        o.text for o in outputs if o.output_type == "stream" and o.name == "stderr" and "Warning" in o.text
    ]


def test_the_readme_shows_four_small_figures_of_the_notebooks():
    """Made by ``python -m tests.readme_figures``; each with words for those who cannot see it."""
    shown = re.findall(r"!\[([^]]*)\]\((notebooks/figures/[^)]+)\)", (HOME.parent / "README.md").read_text())
    wanted = [name for names in WANTED.values() for name in names.values()]
    assert sorted(Path(path).name for _, path in shown) == sorted(wanted) and len(wanted) == 4
    assert all(len(words) > 40 for words, _ in shown)
    assert all((HOME.parent / path).stat().st_size < LARGEST for _, path in shown)
