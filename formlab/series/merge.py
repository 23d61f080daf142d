"""New readings beside those already there: known again, completed, added, or asked about."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import pandas as pd

from formlab.series.findings import Finding
from formlab.series.readings import FAILURES

__all__ = ["Merged", "merge"]


@dataclass
class Merged:
    """The results after a load, and what became of its lines."""

    table: pd.DataFrame
    added: int = 0
    completed: int = 0
    replaced: int = 0
    already_there: int = 0
    findings: list[Finding] = field(default_factory=list)


def merge(
    old: pd.DataFrame, new: pd.DataFrame, responses: Sequence[str], file: str, *, replace: bool = False
) -> Merged:
    """Return stored readings with new ones.

    A line that is there already is left alone, so that a form can be loaded again when more of it is filled in.
    A line that agrees with a stored one and fills its empty cells completes it. Any other line is a further
    reading, unless the file is a form loaded again in which a stored value now reads otherwise: that is asked
    about, or replaced where `replace` is true. Lines without a session get the next free number; not those of what could not
    be made, which was read in none.
    """
    names = _names(old, new, responses)
    old, new = old.reindex(columns=names, fill_value=""), new.reindex(columns=names, fill_value="")
    stored, lines = _lines(old), _lines(new)
    work = _Work(names, list(responses), stored)
    done = Merged(old)
    rest = []
    for row, line in zip(new.index, lines):
        if work.take(line, work.same) is not None:
            done.already_there += 1
        else:
            rest.append((row, line))
    open_lines = []
    for row, line in rest:
        place = work.take(line, work.completes)
        if place is None:
            open_lines.append((row, line))
        else:
            stored[place] = work.filled(stored[place], line)
            done.completed += 1
    again = done.already_there + done.completed > 0
    session = _next_session(old)
    for row, line in open_lines:
        place = work.take(line, work.rival if again else work.same_reading)
        if place is None:
            if line[names.index("status")] not in FAILURES or any(line[k] != "" for k in work.values):
                line[names.index("session")] = line[names.index("session")] or session
            stored.append(line)
            done.added += 1
        elif replace:
            stored[place] = work.over(stored[place], line)
            done.replaced += 1
        else:
            done.findings.append(work.conflict(file, int(row), stored[place], line))
    done.table = pd.DataFrame(stored, columns=names, dtype=object)
    return done


def _names(old: pd.DataFrame, new: pd.DataFrame, responses: Sequence[str]) -> list[str]:
    """Return the columns of ``results.csv``; the optional ones where either table uses them."""
    used = [n for n in ("operator", "reading") if any(n in t and (t[n] != "").any() for t in (old, new))]
    others = [n for n in old.columns if n not in ("trial", "session", *used, *responses, "status", "note")]
    others = [n for n in others if n not in ("operator", "reading")]
    return ["trial", "session", *used, *responses, *others, "status", "note"]


def _lines(table: pd.DataFrame) -> list[list[str]]:
    return [list(line) for line in zip(*(table[name].tolist() for name in table))]


def _next_session(old: pd.DataFrame) -> str:
    numbers = [int(v) for v in old["session"] if v.isdecimal() and len(v) < 10]
    return str(max(numbers, default=0) + 1)


class _Work:
    """Stored lines by trial, each to be met by at most one new line."""

    def __init__(self, names: list[str], responses: list[str], stored: list[list[str]]) -> None:
        self.place = {name: k for k, name in enumerate(names)}
        self.values = [self.place[n] for n in responses]
        self.stored = stored
        self.free: dict[str, list[int]] = defaultdict(list)
        for k, line in enumerate(stored):
            self.free[line[0]].append(k)

    def take(self, line: list[str], fits) -> int | None:  # type: ignore[no-untyped-def]
        """Return the first stored line of the same trial that fits, and use it up."""
        for k in self.free.get(line[0], ()):
            if self._level(self.stored[k], line) and fits(self.stored[k], line):
                self.free[line[0]].remove(k)
                return k
        return None

    def _level(self, old: list[str], new: list[str]) -> bool:
        """Return whether session, operator and reading are not at odds."""
        at = [self.place[n] for n in ("session", "operator", "reading") if n in self.place]
        return all(old[k] == new[k] or not new[k] or (k != self.place["session"] and not old[k]) for k in at)

    def same(self, old: list[str], new: list[str]) -> bool:
        status, note = self.place["status"], self.place["note"]
        given = [k for k in self.values if new[k] != ""]
        return (
            all(_equal(old[k], new[k]) for k in given)
            and (bool(given) or all(old[k] == "" for k in self.values))
            and (
                old[status] == new[status]
                or (bool(given) and new[status] == "ok" and old[status] != "pending")
            )
            and new[note] in ("", old[note])
        )

    def completes(self, old: list[str], new: list[str]) -> bool:
        status, note = self.place["status"], self.place["note"]
        both = [k for k in self.values if old[k] != "" and new[k] != ""]
        pending = old[status] == "pending"
        return (
            all(_equal(old[k], new[k]) for k in both)
            and (bool(both) or pending)
            and (pending or old[status] == new[status])
            and (new[note] == "" or old[note] in ("", new[note]))
        )

    def rival(self, old: list[str], new: list[str]) -> bool:
        return True

    def same_reading(self, old: list[str], new: list[str]) -> bool:
        """Return whether the new line can only mean the old one: by its number, or by all its values."""
        k = self.place.get("reading")
        numbered = k is not None and new[k] != "" and old[k] == new[k] and new[self.place["session"]] != ""
        given = [v for v in self.values if new[v] != ""]
        return numbered or (bool(given) and all(_equal(old[v], new[v]) for v in given))

    def filled(self, old: list[str], new: list[str]) -> list[str]:
        out = [a if a != "" else b for a, b in zip(old, new)]
        out[self.place["status"]] = new[self.place["status"]] or old[self.place["status"]]
        return out

    def over(self, old: list[str], new: list[str]) -> list[str]:
        """Return the new line in the place of the old one; cells it leaves empty stay."""
        return [b if b != "" else a for a, b in zip(old, new)]

    def conflict(self, file: str, row: int, old: list[str], new: list[str]) -> Finding:
        name, k = next(
            ((n, k) for n, k in self.place.items() if new[k] != "" and not _equal(old[k], new[k])),
            ("trial", 0),
        )
        return Finding.at(
            file,
            row,
            name,
            new[k],
            f"{old[k]!r}, as loaded before" if old[k] else "an empty cell, as loaded before",
            "To correct it, load with replace=True (--replace); for a further reading, give another session.",
        )


def _equal(a: str, b: str) -> bool:
    if a == b:
        return True
    try:
        return a[:1] not in ("<", ">") and b[:1] not in ("<", ">") and a != "" and float(a) == float(b)
    except ValueError:
        return False
