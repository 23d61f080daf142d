"""Whole steps or none: processes killed, disks full, folders read-only, two writers at once."""

from __future__ import annotations

import errno
import os
import random
import re
import shutil
import stat
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from formlab.errors import FormlabWarning, SeriesError
from formlab.series import Series, create_series, open_series
from formlab.series.folder import Folder
from tests.series_bench import BRIEF, Fault, bench_file, in_child, kill_self, made, plan_of

pytestmark = pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")

FILES = ("brief.toml", "plan.csv", "results.csv", "journal.jsonl")


def state(path: Path) -> dict[str, bytes]:
    """The content of every file of a series but its lock."""
    return {p.name: p.read_bytes() for p in sorted(path.iterdir()) if p.is_file() and p.name != "series.lock"}


def tables(path: Path) -> dict[str, bytes]:
    return {name: text for name, text in state(path).items() if name != "journal.jsonl"}


def loaded(tmp_path: Path) -> Series:
    series = made(tmp_path / "block")
    series.load_results(bench_file(tmp_path, "trial,erasure,crumble\nT01,81,5\nT02,82,\n"))
    return series


def copied(tmp_path: Path, number: int) -> Series:
    """A series as `loaded` makes it, once for each of many faults."""
    if not (tmp_path / "first").exists():
        (tmp_path / "first").mkdir()
        loaded(tmp_path / "first")
    return Series(shutil.copytree(tmp_path / "first" / "block", tmp_path / f"at{number}" / "block"))


def load_more(series: Series) -> None:
    more = "trial,erasure,crumble\nT01,81,5\nT02,82,7\nT03,<0.5,1e-3\n"
    series.load_results(bench_file(series.path.parent, more, "more.csv"))


def rename_oil(series: Series) -> None:
    series.revise(BRIEF.replace('"oil"\nrole', '"plasticiser"\nrole'), renamed={"oil": "plasticiser"})


STEPS: dict[str, Callable[[Series], object]] = {
    "load results": load_more,
    "save plan": lambda series: series.save_plan(plan_of(series, 5)),
    "undo": lambda series: series.undo(),
    "revise": rename_oil,
}


def calls_of(
    tmp_path: Path, step: Callable[[Series], object]
) -> tuple[int, dict[str, bytes], dict[str, bytes]]:
    """How many disk calls a step makes, and the tables before and after it."""
    series = loaded(tmp_path / "dry")
    before = tables(series.path)
    with Fault(-1, print) as fault:
        step(series)
    return fault.count, before, tables(series.path)


def die(name: str, *args: object, **_: object) -> None:
    if name == "write":  # half of the bytes have reached the disk
        handle, content = args
        os.pwrite(handle, b"", 0)  # the handle is open
        REAL_WRITE(handle, bytes(content)[: len(bytes(content)) // 2])  # type: ignore[call-overload]
    kill_self()


REAL_WRITE = os.write


@pytest.mark.parametrize("act", STEPS)
def test_killed_at_every_disk_call_of_a_step(tmp_path: Path, act: str, capsys: pytest.CaptureFixture) -> None:
    (tmp_path / "dry").mkdir()
    calls, before, after = calls_of(tmp_path, STEPS[act])
    assert calls >= 8 and before != after
    ends = []
    for at in range(1, calls + 1):
        series = copied(tmp_path, at)

        def job(series: Series = series, at: int = at) -> None:
            with Fault(at, die):
                STEPS[act](series)

        assert in_child(job) == -9
        again = Series(series.path)
        found = tables(series.path)
        assert found in (before, after), f"killed at call {at}: {found}"
        ends.append("old" if found == before else "new")
        assert again._folder.questions() == [] and again._folder._parts() == []
        assert again._folder.journal().torn == 0 and again._folder.journal().damaged == []
        if found == before:
            STEPS[act](again)
        assert tables(series.path) == after
    assert ends == sorted(ends, reverse=True) and set(ends) == {"old", "new"}
    with capsys.disabled():
        print(
            f"\n{act}: killed at each of {calls} calls: {ends.count('old')} old, {ends.count('new')} new, 0 halves"
        )


@pytest.mark.parametrize("act", STEPS)
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EACCES])
def test_every_failing_disk_call_leaves_the_old_state_whole(tmp_path: Path, act: str, code: int) -> None:
    (tmp_path / "dry").mkdir()
    calls, _, after = calls_of(tmp_path, STEPS[act])
    refused, harmless = 0, []
    for at in range(1, calls + 1):
        series = copied(tmp_path, at)
        before = state(series.path)

        def fail(name: str, *args: object, at: int = at, **_: object) -> None:
            if name == "write":
                REAL_WRITE(args[0], bytes(args[1])[:3])  # type: ignore[arg-type, call-overload]
            if name == "fsync" and stat.S_ISDIR(os.fstat(args[0]).st_mode):  # type: ignore[call-overload]
                harmless.append("what is in place stays, flushed or not")
            if name == "open" and at == 2 and code == errno.EACCES:
                harmless.append("the lock is tried again")
            raise OSError(code, os.strerror(code))

        with Fault(at, fail):
            try:
                STEPS[act](series)
            except SeriesError as error:
                refused += 1
                assert "was not written: " in str(error) and "Nothing in " in str(error)
                assert state(series.path) == before, f"failed at call {at}"
            else:
                assert tables(series.path) == after
        STEPS[act](series) if state(series.path) == before else None
        assert tables(series.path) == after
    assert refused == calls - len(harmless)


def test_full_disk_message(tmp_path: Path) -> None:
    series = loaded(tmp_path)

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with Fault(4, full), pytest.raises(SeriesError) as caught:
        load_more(series)
    assert str(caught.value) == (
        "results.csv was not written: the disk is full; make room and try again. "
        f"Nothing in {str(series.path)!r} was changed; make room or get leave to write, and try again."
    )


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder that a user without rights can enter."""
    place = Path(tempfile.mkdtemp())
    place.chmod(0o755)
    yield place
    for path in [place, *place.rglob("*")]:
        path.chmod(path.stat().st_mode | stat.S_IRWXU)
    shutil.rmtree(place)


def test_read_only_folder(open_place: Path) -> None:
    series = loaded(open_place)
    before = state(series.path)
    for path in series.path.iterdir():
        path.chmod(0o444)
    series.path.chmod(0o555)
    more = bench_file(open_place, "trial,erasure\nT03,80\n", "more.csv")
    told = open_place / "told.txt"
    told.touch()
    told.chmod(0o666)

    def job() -> None:
        if os.geteuid() == 0:
            os.setuid(65534)
        again = open_series(series.path)
        assert len(again.trials()) == 2
        try:
            again.load_results(more)
        except SeriesError as error:
            told.write_text(str(error))

    assert in_child(job) == 0
    assert told.read_text() == (
        "series.lock was not written: the folder or file is read-only for you; ask for write access or copy the "
        f"folder. Nothing in {str(series.path)!r} was changed; make room or get leave to write, and try again."
    )
    assert state(series.path) == before


def test_two_writers_lose_nothing(tmp_path: Path) -> None:
    series = made(tmp_path / "block", trials=40)

    def job(first: int) -> Callable[[], None]:
        def loads() -> None:
            mine = Series(series.path)
            for k in range(first, 40, 2):
                mine.load_results(
                    bench_file(tmp_path, f"trial,erasure\nT{k + 1:02d},{50 + k}\n", f"b{first}.csv")
                )

        return loads

    child = os.fork()
    if child == 0:
        os._exit(0 if in_child(job(0)) == 0 else 1)
    assert in_child(job(1)) == 0
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    trials = open_series(series.path).trials()
    assert sorted(trials["trial"]) == [f"T{k + 1:02d}" for k in range(40)]
    assert dict(zip(trials["trial"], trials["erasure"])) == {f"T{k + 1:02d}": 50.0 + k for k in range(40)}
    assert series._folder.journal().damaged == [] and len(series.journal()) == 42


def test_a_second_writer_is_told_to_wait(tmp_path: Path) -> None:
    series = made(tmp_path / "block")
    other = Folder(series.path, patience_s=0.05)
    with series._folder.lock(), pytest.raises(SeriesError) as caught, other.step("load results"):
        pass
    assert str(caught.value) == (
        f"Another program is writing to {str(series.path)!r}. Nothing was changed; try again when it is done."
    )


def killed_at_random(tmp_path: Path, instants: int) -> dict[str, int]:
    """Kill a process that loads one trial after the other; return what was found after each kill."""
    rng = random.Random(11)
    counts = {"kills": 0, "loads acknowledged": 0, "recovered": 0, "lost": 0, "half-written": 0}
    for instant in range(instants):
        place = tmp_path / str(instant)
        series = made(place / "block", trials=99)
        files = [bench_file(place, f"trial,erasure\nT{k + 1:02d},{k}\n", f"{k}.csv") for k in range(99)]
        reader, writer = os.pipe()
        child = os.fork()
        if child == 0:
            mine = Series(series.path)
            for k, file in enumerate(files):
                mine.load_results(file)
                os.write(writer, bytes([k]))
            os._exit(0)
        os.close(writer)
        known = [os.read(reader, 1)[0] for _ in range(rng.randrange(4))]
        time.sleep(rng.uniform(0.0, 0.05))
        os.kill(child, 9)
        os.waitpid(child, 0)
        known += list(os.read(reader, 1000))
        os.close(reader)
        again = Series(series.path)
        trials = again.trials()
        whole = [f"T{k + 1:02d}" for k in range(len(trials))]
        counts["kills"] += 1
        counts["loads acknowledged"] += len(known)
        counts["recovered"] += bool(again.notices)
        counts["lost"] += len({f"T{k + 1:02d}" for k in known} - set(trials["trial"]))
        counts["half-written"] += (
            list(trials["trial"]) != whole
            or list(trials["erasure"]) != list(range(len(trials)))
            or len(trials) > len(known) + 1
            or bool(again._folder.questions())
        )
        shutil.rmtree(place)
    return counts


@pytest.mark.parametrize("instants", [20, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_at_random_instants(tmp_path: Path, instants: int, capsys: pytest.CaptureFixture) -> None:
    counts = killed_at_random(tmp_path, instants)
    with capsys.disabled():
        print("\n" + "\n".join(f"{name:>20} {count}" for name, count in counts.items()))
    assert counts["lost"] == counts["half-written"] == 0
    assert counts["loads acknowledged"] >= instants


def test_recovery_says_what_it_found_and_did(tmp_path: Path) -> None:
    (tmp_path / "dry").mkdir()
    calls, _, _ = calls_of(tmp_path, load_more)
    told, noted = set(), set()
    for at in range(1, calls + 1):
        series = copied(tmp_path, at)

        def job(series: Series = series, at: int = at) -> None:
            with Fault(at, die):
                load_more(series)

        assert in_child(job) == -9
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            again = open_series(series.path)
        assert [str(w.message) for w in caught] == again.notices
        told |= {re.sub(r"20[0-9TZ:-]+", "(when)", notice) for notice in again.notices}
        noted |= set(again.journal().query("act == 'recovered'")["note"])
    assert told == {
        "A write of results.csv was cut off before it was recorded; the state before it stands.",
        "A write was cut off while it was being recorded; the state before it stands.",
        "The write 'load results' of (when) was cut off; results.csv was finished.",
    }
    assert len(noted) >= 3


def test_an_edit_from_outside_is_asked_about(tmp_path: Path) -> None:
    series = loaded(tmp_path)
    path = series.path / "results.csv"
    path.write_text(path.read_text().replace("T02,1,82", "T02,1,92"))
    question = (
        "results.csv was changed outside formlab: row 3 (T02), erasure: '82' became '92'. Keep the change with "
        "series.accept('results.csv') (formlab settle FOLDER results.csv accept), or go back with "
        "series.restore('results.csv') (formlab settle FOLDER results.csv restore)."
    )
    with pytest.warns(FormlabWarning) as told:
        again = open_series(series.path)
    assert [str(w.message) for w in told] == [question]
    with pytest.raises(SeriesError) as caught:
        load_more(again)
    assert str(caught.value) == f"Nothing was written. {question}"
    again.restore("results.csv", who="Kim")
    assert open_series(series.path).results()["erasure"].tolist() == [81.0, 82.0]
    last = again.journal().iloc[-1]
    assert (last["act"], last["who"]) == ("restore", "Kim")
    assert last["note"] == "dropped: row 3 (T02), erasure: '82' became '92'"
    load_more(again)


def test_an_accepted_edit_is_in_the_history_of_its_cell(tmp_path: Path) -> None:
    series = loaded(tmp_path)
    path = series.path / "results.csv"
    path.write_text(path.read_text().replace("T02,1,82", "T02,1,92"))
    series.accept("results.csv", who="Kim", note="typing slip")
    history = series.cell_history("T02", "erasure")
    assert history[["who", "act", "source", "old", "new"]].to_numpy().tolist() == [
        ["", "load results", "bench.csv", "", "82"],
        ["Kim", "accept", "", "82", "92"],
    ]
    assert open_series(series.path).notices == []


def test_an_edit_that_cannot_be_read_is_not_accepted(tmp_path: Path) -> None:
    series = loaded(tmp_path)
    path = series.path / "results.csv"
    path.write_text(path.read_text().replace("T02,1,82", "T09,1,8x"))
    with pytest.raises(SeriesError) as caught:
        series.accept("results.csv")
    assert str(caught.value) == (
        "2 problems:\n"
        "  results.csv, row 3, trial: 'T09'. Expected a trial of the plan. Is it 'T03'?\n"
        "  results.csv, row 3, erasure: '8x'. Expected a number in %, without another unit."
    )


def test_line_ends_and_a_byte_order_mark_are_no_edit(tmp_path: Path) -> None:
    series = loaded(tmp_path)
    path = series.path / "results.csv"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert open_series(series.path).notices == []


@pytest.mark.parametrize("how", ["altered", "removed", "added"])
def test_a_journal_that_was_touched_shows(tmp_path: Path, how: str) -> None:
    series = loaded(tmp_path)
    load_more(series)
    path = series.path / "journal.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    if how == "altered":
        lines[2] = lines[2].replace(b"bench.csv", b"other.csv")
    else:
        lines[2:3] = [] if how == "removed" else [lines[2], lines[2]]
    path.write_bytes(b"".join(lines))
    line = 4 if how == "added" else 3
    with pytest.warns(FormlabWarning) as told:
        again = open_series(series.path)
    assert str(told[0].message) == (
        f"journal.jsonl was altered or lost lines (at line {line}). Compare it with a copy; to go on with the files "
        "as they stand call series.accept('journal.jsonl') (formlab settle FOLDER journal.jsonl accept)."
    )
    assert len(again.trials()) == 3
    again.accept("journal.jsonl", who="Kim")
    assert open_series(series.path).notices == []
    again.load_results(bench_file(tmp_path, "trial,erasure\nT01,60\n", "late.csv"))
    assert open_series(series.path).notices == []
    assert again.undo().startswith("The load of late.csv of ")


def test_links_and_paths_out_of_the_folder_are_refused(tmp_path: Path) -> None:
    series = loaded(tmp_path)
    secret = bench_file(tmp_path, "trial\n", "secret.csv")
    (series.path / "prices.csv").symlink_to(secret)
    with pytest.raises(SeriesError) as caught:
        series.prices()
    assert (
        str(caught.value)
        == "'prices.csv' is a link that leads out of the series folder. Put the file itself in its place."
    )
    for name in ("../x.html", "/etc/x", "a/../../x", "C:x", "a\\..\\..\\x", "x\0", ""):
        with pytest.raises(SeriesError, match="is not a file name inside the series folder"):
            series.write_out(name, "x")
    (series.out / "there").symlink_to(tmp_path)
    with pytest.raises(SeriesError, match="leads out"):
        series.write_out("there/x.html", "x")
    assert not (tmp_path / "x.html").exists()


def test_a_folder_without_a_journal_is_taken_as_it_stands(tmp_path: Path) -> None:
    series = loaded(tmp_path)
    (series.path / "journal.jsonl").unlink()
    again = open_series(series.path)
    assert again.notices == [] and len(again.trials()) == 2
    load_more(again)
    assert list(again.journal()["act"]) == ["noticed", "load results"]
    assert again.undo() and len(again.trials()) == 2


def test_create_refuses_a_second_brief(tmp_path: Path) -> None:
    made(tmp_path / "block")
    with pytest.raises(SeriesError) as caught:
        create_series(tmp_path / "block", BRIEF)
    assert str(caught.value) == (
        f"{str(tmp_path / 'block')!r} has a brief already. Go on with it, or choose a new folder."
    )
