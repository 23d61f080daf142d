"""Progress: where someone looks, after a second, one bar, gone when done; and nothing lost when work is stopped."""

import os
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

import formlab as fl
from formlab import progress
from formlab.progress import along, quiet, showing, tick

HOME = Path(fl.__file__).parent.parent
SLOW = """
import time
from formlab.progress import along
for part in along(range(4), "baking", words=["first", "second", "third", "fourth"]):
    time.sleep(0.4)
"""


@pytest.fixture
def at_once(monkeypatch):
    monkeypatch.setattr(progress, "BETWEEN", 0.0)


def test_nothing_is_shown_where_nobody_looks(capsys, monkeypatch):
    monkeypatch.setattr(progress, "AFTER", 0.0)
    assert list(along([1, 2], "counting")) == [1, 2]
    assert capsys.readouterr() == ("", "")


def test_short_work_stays_quiet_although_someone_looks(capsys, monkeypatch, at_once):
    monkeypatch.setattr(progress, "watched", lambda: True)
    list(along([1, 2], "counting"))
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(progress, "AFTER", 0.0)
    list(along([1, 2], "counting"))
    assert "counting" in capsys.readouterr().err


def test_work_inside_work_moves_the_same_bar(capsys, at_once):
    for _ in along("ab", "outer", progress=True, words=["a", "b"]):
        for _ in along([1, 2], "inner", progress=True, words=["one", "two"]):
            tick("three")
    lines = [line.strip() for line in capsys.readouterr().err.split("\r") if line.strip()]
    assert all(line.startswith("outer") for line in lines)
    shares = [int(line.split("%")[0].split()[-1]) for line in lines]
    assert shares == sorted(shares) and {0, 25, 50, 75} <= set(shares)
    assert any(line.endswith("b, inner 2 of 2: three") for line in lines)


def test_work_that_is_quiet_keeps_what_is_inside_quiet(capsys):
    for _ in along([1], "outer", progress=False):
        list(along([1], "inner", progress=True))
    with quiet():
        list(along([1], "inner", progress=True))
    assert capsys.readouterr().err == ""


def test_a_stopped_bar_is_cleared_and_the_next_begins_anew(capsys, at_once):
    with pytest.raises(KeyboardInterrupt), showing("first", 2, True) as work:
        work.at(1)
        raise KeyboardInterrupt
    assert capsys.readouterr().err.endswith("\r")
    tick()
    assert capsys.readouterr().err == ""
    list(along([1], "second", progress=True))
    assert "second" in capsys.readouterr().err


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_a_terminal_sees_it_and_a_pipe_does_not():
    import fcntl
    import pty
    import struct
    import termios

    theirs, ours = pty.openpty()
    fcntl.ioctl(ours, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    done = subprocess.run(
        [sys.executable, "-c", SLOW], stderr=ours, stdout=subprocess.PIPE, cwd=HOME, timeout=60
    )
    os.set_blocking(theirs, False)  # an empty terminal is a failure, not a wait
    seen = os.read(theirs, 100_000).decode()
    os.close(ours)
    os.close(theirs)
    assert done.returncode == 0 and done.stdout == b""
    assert "baking  75 %" in seen and "fourth" in seen and "first" not in seen
    assert seen.rstrip(" ").endswith("\r")  # nothing stays
    done = subprocess.run([sys.executable, "-c", SLOW], capture_output=True, cwd=HOME, timeout=60)
    assert done.returncode == 0 and done.stderr == b"" and done.stdout == b""


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_a_notebook_sees_it_and_keeps_nothing_of_it():
    seen = []

    class Watching(NotebookClient):
        def process_message(self, msg, cell, cell_index):
            if msg["msg_type"] in ("display_data", "update_display_data"):
                seen.append(msg["content"]["data"]["text/html"])
            return super().process_message(msg, cell, cell_index)

    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(SLOW)])
    Watching(book, timeout=60, kernel_name="python3", resources={"metadata": {"path": HOME}}).execute()
    assert (
        len(seen) >= 2
        and "<progress aria-label='baking' value='0.750' max='1'>" in seen[0]
        and seen[-1] == ""
    )
    kept = [
        output.data["text/html"] for output in book.cells[0].outputs
    ]  # no error, nothing on standard error
    assert kept == [""]


def test_stopping_a_fit_leaves_everything_as_it_was(monkeypatch):
    series = fl.open_series(HOME / "demo_trials" / "ink_wedge")
    trials = series.trials()
    before, calls = trials.copy(), []

    def stopped(*args, **kwargs):
        calls.append(1)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return fit_response(*args, **kwargs)

    import formlab.surfaces.surfaces as module

    fit_response = module.fit_response
    monkeypatch.setattr(module, "fit_response", stopped)
    with pytest.raises(KeyboardInterrupt):
        fl.fit(series.brief, trials, kind="least squares", seed=1)
    monkeypatch.undo()
    assert trials.equals(before)
    fl.fit(series.brief, trials, kind="least squares", seed=1, progress=False)
