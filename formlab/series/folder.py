"""The folder as one thing that changes in whole steps: one writer, each step recorded before it is made.

A step writes the new files beside the old ones, records itself in the journal, and only then puts the new files
in place. A process that dies before the record leaves the old state; one that dies after it leaves the new files
ready beside the old ones, and the next opening puts them in place.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from formlab.errors import SeriesError
from formlab.series.files import (
    inside,
    not_written,
    put_in_place,
    read_bytes,
    sync_folder,
    write_all,
    write_part,
)
from formlab.series.history import described
from formlab.series.journal import Change, Entry, Journal, digest, hunks, now
from formlab.series.tables import from_csv

__all__ = ["AUTHORED", "WRITTEN", "Folder", "Step"]

WRITTEN = ("plan.csv", "results.csv")  # by formlab; an edit from outside is asked about
AUTHORED = ("brief.toml", "weighed.csv", "history.csv", "prices.csv")  # by people; edits are only recorded
JOURNAL = "journal.jsonl"
MOST_JOURNAL = 2**30


@dataclass
class Step:
    """A change of the folder that is being put together."""

    act: str
    who: str = ""
    source: str = ""
    source_sha256: str = ""
    repairs: list[list[Any]] = field(default_factory=list)
    note: str = ""
    more: dict[str, Any] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    taken: list[Change] = field(default_factory=list)  # changes made by others that are only recorded

    def put(self, name: str, text: str) -> None:
        """Let a file hold this text after the step."""
        self.files[name] = text


class Folder:
    """Text files below one path, their journal and their lock."""

    def __init__(self, path: Path, patience_s: float = 10.0) -> None:
        self.path = path
        self.patience_s = patience_s
        self._seen: tuple[tuple[int, int], Journal] | None = None

    # ---- reading ------------------------------------------------------------------------------------

    def has(self, name: str) -> bool:
        return inside(self.path, name).is_file()

    def text(self, name: str) -> str | None:
        """Return the text of a file without byte order mark and with ``\\n`` line ends; None if there is none."""
        if not self.has(name):
            return None
        try:
            text = read_bytes(inside(self.path, name)).decode("utf-8-sig")
        except UnicodeDecodeError:
            raise SeriesError(f"{name} is not text in UTF-8. Save it as 'CSV UTF-8'.") from None
        return text.replace("\r\n", "\n")

    def columns(self, name: str) -> list[str]:
        """Return the column names of a table; none where there is no file."""
        first = (self.text(name) or "").split("\n", 1)[0]
        return list(from_csv(first, name).columns) if first.strip() else []

    def lines(self, name: str) -> list[str] | None:
        """Return the lines of a file, whatever its encoding, for comparing."""
        if not self.has(name):
            return None
        text = read_bytes(inside(self.path, name)).decode("utf-8-sig", "replace")
        return text.replace("\r\n", "\n").split("\n")

    def journal(self) -> Journal:
        """Return the journal as it stands."""
        path = inside(self.path, JOURNAL)
        if not path.exists():
            return Journal()
        stat = path.stat()
        mark = (stat.st_size, stat.st_mtime_ns)
        if self._seen is None or self._seen[0] != mark:
            self._seen = (mark, Journal.read(read_bytes(path, MOST_JOURNAL)))
        return self._seen[1]

    def edited(self) -> list[str]:
        """Return the files of formlab's own that differ from what the journal says."""
        journal = self.journal()
        return [
            name
            for name in WRITTEN
            if (known := journal.known(name)) is not None and known != digest(self.lines(name))
        ]

    def questions(self) -> list[str]:
        """Return what was changed from outside, each with what can be done about it."""
        asked = []
        for name in self.edited():
            cells = described(self.expected(name), self.lines(name))
            asked.append(
                f"{name} was changed outside formlab: {cells}. Keep the change with series.accept({name!r}) "
                f"(formlab settle FOLDER {name} accept), or go back with series.restore({name!r}) (formlab settle FOLDER {name} restore)."
            )
        damaged = self.journal().damaged
        if damaged:
            some = ", ".join(map(str, damaged[:5])) + (" …" if len(damaged) > 5 else "")
            asked.append(
                f"{JOURNAL} was altered or lost lines (at line {some}). Compare it with a copy; to go on with the "
                f"files as they stand call series.accept({JOURNAL!r}) (formlab settle FOLDER {JOURNAL} accept)."
            )
        return asked

    def expected(self, name: str) -> list[str] | None:
        """Return what a file should hold by the journal; None where that cannot be told."""
        lines = self.journal().text(name)
        return lines if digest(lines) == self.journal().known(name) else None

    def _parts(self) -> list[Path]:
        return sorted(self.path.glob(".*.part"))

    def unfinished(self) -> bool:
        """Return whether a step was cut off, or is being made at this moment."""
        return bool(self._parts() or self.journal().torn)

    # ---- writing ------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def lock(self) -> Iterator[None]:
        """Hold the folder for one writer."""
        path = inside(self.path, "series.lock")
        lock = FileLock(path, timeout=self.patience_s)
        try:
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o666))  # a refusal shows here at once
            lock.acquire()
        except Timeout:
            raise SeriesError(
                f"Another program is writing to {str(self.path)!r}. Nothing was changed; try again when it is done."
            ) from None
        except OSError as error:
            raise not_written(path, error) from None
        try:
            yield
        finally:
            lock.release()

    @contextlib.contextmanager
    def step(self, act: str, who: str = "", *, asking: bool = True) -> Iterator[Step]:
        """Yield a step to fill; it is made as a whole when the block ends without an error.

        Raises
        ------
        SeriesError
            If a file was changed from outside and nobody has said what shall hold (unless ``asking=False``).
        """
        with self.lock():
            self._recover()
            if asking and (questions := self.questions()):
                raise SeriesError("Nothing was written. " + " ".join(questions))
            step = Step(act, who)
            yield step
            self._make(step)

    def settle(self) -> list[str]:
        """Finish or clear away a step that was cut off; return what was found and done."""
        if not self.unfinished():
            return []
        with self.lock():
            return self._recover()

    def _recover(self) -> list[str]:
        try:
            return self._recovered()
        except OSError as error:
            raise not_written(inside(self.path, JOURNAL), error) from None

    def _recovered(self) -> list[str]:
        found, journal = [], self.journal()
        if journal.torn:
            self._truncate(inside(self.path, JOURNAL).stat().st_size - journal.torn)
            found.append("A write was cut off while it was being recorded; the state before it stands.")
        last = journal.entries[-1] if journal.entries and not journal.torn else None
        for part in self._parts():
            name = part.name[1:].rsplit(".", 2)[0]
            lines = part.read_bytes().decode("utf-8", "replace").split("\n")
            change = next((c for c in last.changes if c.file == name), None) if last else None
            if change and change.after == digest(lines) and change.before == digest(self.lines(name)):
                put_in_place(part, inside(self.path, name))
                assert last is not None
                found.append(f"The write '{last.act}' of {last.when} was cut off; {name} was finished.")
            else:
                part.unlink(missing_ok=True)
                found.append(
                    f"A write of {name} was cut off before it was recorded; the state before it stands."
                )
        if found:
            self._append([Entry("recovered", note=" ".join(found))])
        return found

    def _make(self, step: Step) -> None:
        changes = [self._change(name, text.split("\n")) for name, text in step.files.items()]
        changes = [c for c in changes if c.before != c.after]
        if not changes and not step.taken and not any(step.more.values()):
            return
        told = (step.who, step.source, step.source_sha256, step.repairs, step.note, step.more)
        entry = Entry(step.act, [*changes, *step.taken], *told)
        self._replace({c.file: step.files[c.file] for c in changes}, [*self._noticed(), entry])

    def _change(self, name: str, new: list[str]) -> Change:
        """Return the change to new lines, told from what the journal knows, which is mostly what the disk holds."""
        on_disk, known = self.lines(name), self.journal().known(name)
        if known in (None, digest(on_disk)) or name in AUTHORED:
            return Change.between(name, on_disk, new)
        expected = self.expected(name)
        if expected is None:
            return Change(name, digest(on_disk), digest(new), [(0, [], new)], whole=True)
        return Change(name, digest(on_disk), digest(new), hunks(expected, new))

    def _noticed(self) -> list[Entry]:
        """Return an entry for files that came or changed by hand since the journal last knew them."""
        changes = []
        for name in (*AUTHORED, *WRITTEN):
            known, lines = self.journal().known(name), self.lines(name)
            new = known is None and lines is not None
            if new or (name in AUTHORED and known is not None and known != digest(lines)):
                changes.append(self.taken(name, lines))
        return [Entry("noticed", changes)] if changes else []

    def taken(self, name: str, lines: list[str] | None) -> Change:
        """Return the change from what the journal knows of a file to the lines given."""
        expected = self.expected(name)
        if expected is not None or self.journal().known(name) is None:
            return Change.between(name, expected, lines)
        return Change(name, "", digest(lines), [(0, [], list(lines or []))], whole=True)

    def baselines(self) -> list[Change]:
        """Return the files as they stand, whole, to start from where the journal no longer fits together."""
        found = [(name, self.lines(name)) for name in (*AUTHORED, *WRITTEN)]
        return [Change(n, "", digest(x), [(0, [], x)], whole=True) for n, x in found if x is not None]

    def _replace(self, texts: Mapping[str, str], entries: Sequence[Entry]) -> None:
        """Write the new files beside the old, record the entries, put the files in place; or change nothing."""
        parts: dict[str, Path] = {}
        old = {name: self.lines(name) for name in texts}
        size = None
        placed: list[str] = []
        try:
            for name, text in texts.items():
                parts[name] = write_part(inside(self.path, name), _encoded(name, text))
            size = self._append(entries)
            for name, part in parts.items():
                put_in_place(part, inside(self.path, name))
                placed.append(name)
        except SeriesError:
            self._put_back(placed, old, parts.values(), size)
            raise

    def _put_back(
        self, placed: Sequence[str], old: Mapping[str, list[str] | None], parts: Any, size: int | None
    ) -> None:
        for name in placed:
            before, path = old[name], inside(self.path, name)
            if before is None:
                path.unlink(missing_ok=True)
            else:
                put_in_place(write_part(path, "\n".join(before).encode()), path)
        if size is not None:
            self._truncate(size)
        for part in parts:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)

    def _append(self, entries: Sequence[Entry]) -> int:
        """Append entries to the journal, flushed to the disk; return its size before."""
        path, journal = inside(self.path, JOURNAL), self.journal()
        content, when = b"", now()
        for entry in entries:
            line = Entry(**{**vars(entry), "when": when}).line(journal.lines + 1, journal.last)
            content += line
            head = line[len('{"sha256":"') :][:64].decode()
            journal = Journal(last=head, lines=journal.lines + 1)
        new = not path.exists()
        size = 0 if new else path.stat().st_size
        try:
            handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
            try:
                write_all(handle, content)
                os.fsync(handle)
            finally:
                os.close(handle)
            if new:
                sync_folder(self.path)
        except OSError as error:
            with contextlib.suppress(OSError):
                self._truncate(size)
            raise not_written(path, error) from None
        return size

    def _truncate(self, size: int) -> None:
        """Take back a line of the journal that no file has followed yet."""
        path = inside(self.path, JOURNAL)
        if path.exists():
            os.truncate(path, size)
            self._seen = None


def _encoded(name: str, text: str) -> bytes:
    try:
        return text.encode()
    except UnicodeEncodeError as error:
        raise SeriesError(
            f"{name} would hold {text[error.start]!r}, which is no character; take it out of the text."
        ) from None
