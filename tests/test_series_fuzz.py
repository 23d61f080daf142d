"""Briefs and result files changed at random: never a traceback, every refusal names place and reason."""

from __future__ import annotations

import contextlib
import random
import warnings
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from formlab.errors import BriefError, FormlabError, SeriesError
from formlab.series import Series, create_series
from formlab.series.briefs import brief_text, parse_brief
from formlab.series.workbook import workbook_bytes
from tests.make_ugly import BRIEF, UGLY
from tests.series_bench import bench_file, plan_of

FULL_BRIEF = (
    BRIEF
    + """
[[setting]]
name = "press"
levels = ["ram", "steam"]
changes = "load"
[[limit]]
expression = "oil + 2 role(oil) <= 60"
[current]
oil = 7.5
cure_min = 12.0
press = "ram"
[piece]
volume_cm3 = 9.0
[plant]
batch_kg = 12
slabs_per_batch = 4
"""
)
TOKENS = [
    "nan",
    "inf",
    "-1",
    "1e400",
    "[]",
    "{}",
    '""',
    "true",
    "1979-05-27",
    "role(",
    "<=",
    "=",
    '"',
    "'''",
    "\n",
    "\x00",
]
TOKENS += [
    "é",
    "\ufeff",
    "9" * 30,
    "9" * 5000,
    "[[ingredient]]",
    "[current]",
    ".",
    ",",
    ";",
    "\t",
    "T01",
    "<",
    ">",
    "%",
]


def mutated(content: bytes, rng: random.Random) -> bytes:
    """Return the content with some of its bytes flipped, cut, doubled, or replaced by a troublesome word."""
    data = bytearray(content)
    for _ in range(rng.choice([1, 1, 2, 4, 12])):
        at = rng.randrange(len(data) + 1)
        end = min(len(data), at + rng.choice([0, 1, 1, 3, 20]))
        kind = rng.randrange(5)
        if kind == 0:
            data[at:end] = bytes(rng.randrange(256) for _ in range(end - at))
        elif kind == 1:
            del data[at:end]
        elif kind == 2:
            data[at:at] = data[at:end] * rng.choice([1, 2, 50])
        elif kind == 3:
            data[at:end] = rng.choice(TOKENS).encode()
        else:
            other = rng.randrange(len(data) + 1)
            data[at:end] = data[other : other + 20]
    return bytes(data)


def refuses_or_reads_brief(content: bytes) -> bool:
    try:
        brief = parse_brief(content, "brief.toml")
    except BriefError as error:
        assert error.problems and all(
            p.file == "brief.toml" and (p.expected or p.repair) for p in error.problems
        )
        assert all(p.row is not None or p.column or p.expected for p in error.problems)
        return False
    assert parse_brief(brief_text(brief)).brief_id == brief.brief_id
    return True


def refuses_or_loads(series: Series, content: bytes, name: str) -> bool:
    path = series.path.parent / name
    path.write_bytes(content)
    table = series.check_results(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            series.load_results(path, repair=True)
    except SeriesError as error:
        assert len(table) and str(error)
        assert all(p.file == name and (p.expected or p.repair) for p in error.problems)
        return False
    series.trials()
    series.undo()
    return True


@pytest.fixture
def series(tmp_path: Path) -> Series:
    made = create_series(tmp_path / "block", BRIEF)
    made.save_plan(plan_of(made, 6))
    return made


COUNTS = [pytest.param(120), pytest.param(1200, marks=pytest.mark.slow)]


@pytest.mark.parametrize("count", COUNTS)
def test_mutated_briefs(count: int, capsys: pytest.CaptureFixture) -> None:
    rng = random.Random(count)
    read = sum(refuses_or_reads_brief(mutated(FULL_BRIEF.encode(), rng)) for _ in range(count))
    with capsys.disabled():
        print(f"\nbriefs: {count} mutated, {read} read, {count - read} refused, 0 tracebacks")
    assert 0 < read < count


@pytest.mark.parametrize("count", COUNTS)
def test_mutated_result_files(series: Series, count: int, capsys: pytest.CaptureFixture) -> None:
    rng = random.Random(count)
    good = "trial,session,erasure,crumble,status,note\nT01,1,85.5,12,ok,\nT02,1,>90,0.5,ok,edge\nT03,1,,,stuck,\n"
    texts = [*[good.encode()] * 15, *(content for name, content in UGLY.items() if name.endswith(".csv"))]
    read = sum(refuses_or_loads(series, mutated(rng.choice(texts), rng), "bench.csv") for _ in range(count))
    with capsys.disabled():
        print(f"\nresult files: {count} mutated, {read} read, {count - read} refused, 0 tracebacks")
    assert 0 < read < count


@pytest.mark.parametrize("count", [40, pytest.param(400, marks=pytest.mark.slow)])
def test_mutated_workbooks(series: Series, count: int) -> None:
    """Bytes of the archive, and text inside its parts."""
    rng = random.Random(count)
    books = [content for name, content in UGLY.items() if name.endswith(".xlsx")]
    for _ in range(count):
        content = rng.choice(books)
        content = mutated(content, rng) if rng.random() < 0.4 else inside_mutated(content, rng)
        refuses_or_loads(series, content, "bench.xlsx")


def inside_mutated(content: bytes, rng: random.Random) -> bytes:
    import io
    import zipfile

    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        target = rng.choice([m for m in old.namelist() if "docProps" not in m])
        for member in old.namelist():
            data = old.read(member)
            new.writestr(member, mutated(data, rng) if member == target else data)
    return out.getvalue()


cells = st.one_of(
    st.text(max_size=12),
    st.floats().map(repr),
    st.sampled_from(
        ["T01", "t 2", "<0.5", "12,5", "n/a", "=1+1", "'=1", "ok", "set aside", "3-May", "1,234", "%", ""]
    ),
)
tables = st.lists(st.lists(cells, min_size=1, max_size=6), min_size=1, max_size=6)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    tables,
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["utf-8", "utf-16", "utf-8-sig"]),
    st.booleans(),
)
def test_any_table(series: Series, rows: list[list[str]], mark: str, encoding: str, headed: bool) -> None:
    head = ["trial", "erasure", "crumble", "status", "note", "session"]
    lines = [head, *rows] if headed else rows
    text = "\n".join(mark.join(line) for line in lines)
    refuses_or_loads(series, text.encode(encoding, "replace"), "bench.csv")


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(tables)
def test_any_workbook(series: Series, rows: list[list[str]]) -> None:
    import pandas as pd

    head = ["trial", "erasure", "crumble", "status", "note", "session"]
    frame = pd.DataFrame([(row + [""] * 6)[:6] for row in rows], columns=head, dtype=object)
    refuses_or_loads(series, workbook_bytes({"results": frame}), "bench.xlsx")


def test_every_refusal_is_ours() -> None:
    assert issubclass(SeriesError, FormlabError) and issubclass(BriefError, FormlabError)


@pytest.mark.parametrize("count", [60, pytest.param(600, marks=pytest.mark.slow)])
def test_mutated_files_of_the_series_itself(
    series: Series, count: int, capsys: pytest.CaptureFixture
) -> None:
    """What somebody did to the folder: reading it works or is refused, and never fails in another way."""
    rng = random.Random(count)
    files = {
        "weighed.csv": "batch,ingredient,weighed_g,lot\nB01,rubber,1000,x\nB01,oil,60,\n",
        "history.csv": "oil,cure_min,erasure,note\n7,12,80,old\n",
        "prices.csv": "ingredient,spring\noil,2.5\n",
    }
    for name, text in files.items():
        (series.path / name).write_text(text)
    series.load_results(bench_file(series.path.parent, "trial,erasure,crumble\nT01,<85,12\nT02,80,3\n"))
    whole = {p.name: p.read_bytes() for p in series.path.iterdir() if p.is_file()}
    read = 0
    for _ in range(count):
        name = rng.choice(sorted(set(whole) - {"series.lock"}))
        (series.path / name).write_bytes(mutated(whole[name], rng))
        read += opens_or_refuses(series.path)
        for other, content in whole.items():
            (series.path / other).write_bytes(content)
    with capsys.disabled():
        print(
            f"\nseries files: {count} mutated, {read} read whole, {count - read} refused in part, 0 tracebacks"
        )
    assert 0 < read < count


def opens_or_refuses(path: Path) -> bool:
    whole = True
    try:
        again = Series(path)
    except FormlabError as error:
        assert str(error)
        return False
    for ask in (
        "plan_frame",
        "results",
        "weighed",
        "history",
        "prices",
        "trials",
        "revisions",
        "journal",
        "_repr_html_",
    ):
        try:
            getattr(again, ask)()
        except FormlabError as error:
            assert str(error)
            whole = False
    for act in (
        again.undo,
        lambda: again.cell_history("T01", "erasure"),
        lambda: again.accept("results.csv"),
    ):
        with contextlib.suppress(FormlabError):
            act()
    return whole and not again.notices
