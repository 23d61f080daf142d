"""The journal: one checksummed line for every write, from which each file can be rebuilt.

An entry tells who, when, what, from which file, and for each file the lines that went and came. Its checksum
covers the checksum of the line before, so that a line that was altered, added or taken out shows.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import groupby
from typing import Any

from formlab.errors import SeriesError

__all__ = ["Change", "Entry", "Journal", "apply", "digest", "hunks", "undone"]

Hunk = tuple[int, list[str], list[str]]  # first line (from 0), lines that went, lines that came
_HEAD = re.compile(rb'\{"sha256":"([0-9a-f]{64})",')


def digest(lines: Sequence[str] | None) -> str:
    """Return the checksum of a text given as lines; "" for a file that is not there."""
    return "" if lines is None else hashlib.sha256("\n".join(lines).encode("utf-8", "replace")).hexdigest()


def hunks(old: Sequence[str] | None, new: Sequence[str] | None) -> list[Hunk]:
    """Return what turns `old` into `new`: runs of lines changed in their place, and what follows them.

    Tables grow at their end and are corrected in place, so lines are compared at equal positions after a common
    start and before a common end.

    Examples
    --------
    >>> hunks(["a", "b", "c"], ["a", "x", "c", "d"])
    [(1, ['b'], ['x']), (3, [], ['d'])]
    """
    old, new = list(old or []), list(new or [])
    short = min(len(old), len(new))
    start = next((k for k in range(short) if old[k] != new[k]), short)
    most = short - start
    end = next((k for k in range(most) if old[-1 - k] != new[-1 - k]), most)
    left, right = old[start : len(old) - end], new[start : len(new) - end]
    both = min(len(left), len(right))
    found: list[Hunk] = []
    for differs, run in groupby(range(both), key=lambda k: left[k] != right[k]):
        if differs:
            places = list(run)
            first, last = places[0], places[-1] + 1
            found.append((start + first, left[first:last], right[first:last]))
    if len(left) != len(right):
        found.append((start + both, left[both:], right[both:]))
    return found


def apply(lines: Sequence[str], changes: Sequence[Hunk]) -> list[str]:
    """Return the lines after the changes.

    Raises
    ------
    SeriesError
        If they do not fit.
    """
    out = list(lines)
    for start, went, came in reversed(changes):
        if out[start : start + len(went)] != list(went):
            raise SeriesError("The journal does not fit together; see settle.")
        out[start : start + len(went)] = came
    return out


def undone(changes: Sequence[Hunk]) -> list[Hunk]:
    """Return the changes that lead back."""
    back: list[Hunk] = []
    shift = 0
    for start, went, came in changes:
        back.append((start + shift, list(came), list(went)))
        shift += len(came) - len(went)
    return back


@dataclass(frozen=True)
class Change:
    """What happened to one file. `before` and `after` are checksums, "" for no file."""

    file: str
    before: str
    after: str
    hunks: list[Hunk]
    whole: bool = False  # the lines that came are the whole file, whatever was there before

    @classmethod
    def between(cls, file: str, old: Sequence[str] | None, new: Sequence[str] | None) -> Change:
        return cls(file, digest(old), digest(new), hunks(old, new))

    def run(self, lines: Sequence[str] | None) -> list[str] | None:
        """Return the file after the change."""
        if self.whole:
            return list(self.hunks[0][2]) if self.after else None
        out = apply(lines or [], self.hunks)
        return out if self.after else None


@dataclass(frozen=True)
class Entry:
    """One line of the journal."""

    act: str
    changes: list[Change] = field(default_factory=list)
    who: str = ""
    source: str = ""  # the file that the data came from
    source_sha256: str = ""
    repairs: list[list[Any]] = field(default_factory=list)  # row, column, value found, what was done
    note: str = ""
    more: dict[str, Any] = field(default_factory=dict)
    number: int = 0
    when: str = ""
    sha256: str = ""

    def line(self, number: int, previous: str) -> bytes:
        """Return the entry as the `number`-th line, bound to the checksum of the line before."""
        body: dict[str, Any] = {"previous": previous, "number": number, "when": self.when or now()}
        body |= {"who": self.who, "act": self.act, "source": self.source, "source_sha256": self.source_sha256}
        body |= {"repairs": self.repairs, "note": self.note, "more": self.more}
        body["changes"] = [vars(change) for change in self.changes]
        filled = {key: value for key, value in body.items() if value or key == "previous"}
        text = json.dumps(filled, ensure_ascii=False, separators=(",", ":"), default=str)
        content = text.encode("utf-8", "replace")
        return b'{"sha256":"%s",%s\n' % (hashlib.sha256(content).hexdigest().encode(), content[1:])

    @classmethod
    def read(cls, line: bytes) -> Entry | None:
        """Return the entry of a line, or None if it is not what it was."""
        head = _HEAD.match(line)
        if not head or hashlib.sha256(b"{" + line[head.end() :]).hexdigest() != head[1].decode():
            return None
        try:
            data = json.loads(line)
            data.pop("previous")
            changes = [
                Change(c["file"], c["before"], c["after"], [tuple(h) for h in c["hunks"]], c["whole"])
                for c in data.pop("changes", [])
            ]
            return cls(changes=changes, **data)
        except (AttributeError, KeyError, RecursionError, TypeError, ValueError):
            return None  # a line with a right checksum that formlab never wrote


@dataclass(frozen=True)
class Journal:
    """The journal as it stands on the disk."""

    entries: list[Entry] = field(default_factory=list)
    damaged: list[int] = field(default_factory=list)  # line numbers, from 1
    torn: int = 0  # bytes of a last line that was cut off while it was written
    last: str = ""  # checksum that the next line binds to
    lines: int = 0

    @classmethod
    def read(cls, content: bytes) -> Journal:
        """Return the journal that the bytes hold, with what is wrong with it."""
        *lines, tail = content.split(b"\n")
        entries, damaged, accepted, last = [], [], set(), ""
        for number, line in enumerate(lines, 1):
            line = line.removesuffix(b"\r")
            entry, head = Entry.read(line), _HEAD.match(line)
            if entry is None or not line[head.end() :].startswith(f'"previous":"{last}"'.encode()):  # type: ignore[union-attr]
                damaged.append(number)
            if entry is not None:
                entries.append(entry)
                accepted |= set(entry.more.get("damaged", []))
            last = head[1].decode() if head else hashlib.sha256(line).hexdigest()
        return cls(entries, [n for n in damaged if n not in accepted], len(tail), last, len(lines))

    def next_line(self, entry: Entry) -> bytes:
        """Return the line to append for an entry."""
        return entry.line(self.lines + 1, self.last)

    def known(self, file: str) -> str | None:
        """Return the checksum a file should have, or None if the journal does not know it."""
        for entry in reversed(self.entries):
            for change in entry.changes:
                if change.file == file:
                    return change.after
        return None

    def versions(self, file: str) -> Iterator[tuple[Entry, list[str] | None, list[str] | None]]:
        """Yield every entry that changed a file, with its lines before and after.

        Where lines of the journal are lost or altered, entries that no longer fit are left out, up to the next
        one that holds the whole file.
        """
        lines: list[str] | None = None
        fits = True
        for entry in self.entries:
            for change in (c for c in entry.changes if c.file == file):
                before, fits = lines, fits or change.whole
                try:
                    lines = change.run(lines) if fits else lines
                except SeriesError:
                    fits = False
                if fits:
                    yield entry, before, lines

    def text(self, file: str) -> list[str] | None:
        """Return the lines a file should have by the journal; None for no file."""
        last: list[str] | None = None
        for _, _, after in self.versions(file):
            last = after
        return last


def now() -> str:
    """Return the time as written in the journal: UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
