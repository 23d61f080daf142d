"""The journal: checksummed lines from which every file can be rebuilt."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from formlab.errors import SeriesError
from formlab.series.history import cell_changes, described
from formlab.series.journal import Change, Entry, Journal, apply, hunks, undone

lines = st.lists(st.sampled_from(["a", "b", "c", "", "a,b"]), max_size=12)


@given(lines, lines)
def test_hunks_lead_there_and_back(old: list[str], new: list[str]) -> None:
    changes = hunks(old, new)
    assert apply(old, changes) == new
    assert apply(new, undone(changes)) == old
    assert bool(changes) == (old != new)


def test_hunks_of_a_table_that_grew_and_was_corrected_are_small() -> None:
    old = ["head", *map(str, range(1000)), ""]
    new = [*old[:5], "x", *old[6:-1], "1000", ""]
    assert hunks(old, new) == [(5, ["4"], ["x"]), (1001, [], ["1000"])]


def test_hunks_that_do_not_fit_are_refused() -> None:
    with pytest.raises(SeriesError) as caught:
        apply(["a"], [(0, ["b"], ["c"])])
    assert str(caught.value) == "The journal does not fit together; see settle."


def written(*entries: Entry) -> bytes:
    content, journal = b"", Journal()
    for entry in entries:
        content += journal.next_line(entry)
        journal = Journal.read(content)
    return content


STATES = [None, ["a", ""], ["a", "b", ""], ["a", "c", "d", ""]]
CONTENT = written(
    *(Entry("load", [Change.between("f", STATES[k], STATES[k + 1])], who="Kim") for k in range(3))
)


def test_a_journal_tells_every_version() -> None:
    journal = Journal.read(CONTENT)
    assert [after for _, _, after in journal.versions("f")] == STATES[1:]
    assert journal.text("f") == STATES[-1] and journal.text("g") is None
    assert [(e.number, e.who, e.act) for e in journal.entries] == [(k, "Kim", "load") for k in (1, 2, 3)]
    assert (journal.damaged, journal.torn) == ([], 0)


@given(st.integers(0, len(CONTENT) - 1), st.integers(1, 255))
def test_any_byte_that_was_altered_shows(at: int, by: int) -> None:
    content = CONTENT[:at] + bytes([(CONTENT[at] + by) % 256]) + CONTENT[at + 1 :]
    journal = Journal.read(content)
    assert journal.damaged or journal.torn


@given(st.integers(0, len(CONTENT)))
def test_a_cut_loses_only_the_line_it_falls_in(at: int) -> None:
    journal = Journal.read(CONTENT[:at])
    assert len(journal.entries) == CONTENT[:at].count(b"\n") and journal.damaged == []
    assert journal.torn == at - (CONTENT[:at].rfind(b"\n") + 1)


@given(st.permutations([0, 1, 2]))
def test_lines_in_another_order_show(order: list[int]) -> None:
    split = CONTENT.splitlines(keepends=True)
    assert bool(Journal.read(b"".join(split[k] for k in order)).damaged) == (order != [0, 1, 2])


def test_versions_start_again_at_a_whole_file() -> None:
    split = CONTENT.splitlines(keepends=True)
    journal = Journal.read(split[0] + split[2])
    assert journal.damaged == [2] and journal.text("f") == ["a", ""]
    whole = Entry("accept", [Change("f", "", "x", [(0, [], ["new", ""])], whole=True)], more={"damaged": [2]})
    again = Journal.read(split[0] + split[2] + journal.next_line(whole))
    assert again.damaged == [] and again.text("f") == ["new", ""]


def test_cells_that_changed() -> None:
    old = ["trial,x,y", "T01,1,2", "T02,3,4", ""]
    new = ["trial,x,y", "T01,1,5", "T02,3,4", "T03,6,", ""]
    told = [(c.row, c.key, c.column, c.old, c.new) for c in cell_changes(old, new)]
    assert told == [(2, "T01", "y", "2", "5"), (4, "T03", "trial", None, "T03"), (4, "T03", "x", None, "6")]
    assert described(old, new, most=1) == "row 2 (T01), y: '2' became '5'; and 2 more cells"
    assert described(old, None) == "it is gone"
    assert described(None, new) == "what it held before cannot be told"
    assert described(["a", ""], ["b", ""]) == "its columns or empty lines"


def test_a_line_that_gives_way_to_another_is_gone_and_new() -> None:
    told = [(c.key, c.old, c.new) for c in cell_changes(["trial,x", "T01,1", ""], ["trial,x", "T02,1", ""])]
    assert told == [("T01", "T01", None), ("T01", "1", None), ("T02", None, "T02"), ("T02", None, "1")]
