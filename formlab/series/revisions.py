"""Briefs change while a series runs: which revisions there were, and what each change asks."""

from __future__ import annotations

import contextlib
import difflib
from collections.abc import Iterable, Mapping, Sequence

import pandas as pd

from formlab.brief import Brief
from formlab.errors import BriefError, Problem, SeriesError
from formlab.series.briefs import parse_brief
from formlab.series.journal import Entry, Journal

__all__ = ["Revision", "asked", "dropped_names", "revised", "revisions"]

Revision = tuple[Entry, Brief]


def revisions(journal: Journal) -> list[Revision]:
    """Return every brief that the journal knows, oldest first; text that was no brief is left out."""
    found = []
    for entry, _, lines in journal.versions("brief.toml"):
        with contextlib.suppress(BriefError):
            found += [(entry, parse_brief("\n".join(lines)))] if lines is not None else []
    return found


def dropped_names(journal: Journal) -> set[str]:
    """Return the parts of earlier briefs that were dropped on purpose."""
    return {name for entry in journal.entries for name in entry.more.get("dropped", [])}


def asked(
    brief: Brief, past: Iterable[Brief], plan: Sequence[str], results: Sequence[str], dropped: Iterable[str]
) -> list[str]:
    """Return what must be said before old trials can be read with the brief as it now stands.

    `plan` and `results` are the columns of the two files.
    """
    kinds = {name: _kind(old, name) for old in past for name in old.by_name}
    gone = [n for n in kinds if n not in brief.by_name and n not in set(dropped)]
    questions = []
    for name in gone:
        file = "results.csv" if kinds[name] == "response" else "plan.csv"
        columns = results if kinds[name] == "response" else plan
        if name in columns:
            new = [n for n in brief.by_name if _kind(brief, n) == kinds[name] and n not in columns]
            questions.append(_gone(name, kinds[name], file, new))
    if plan:
        questions += [
            f"The brief has a new setting {name!r}, and plan.csv does not say what it was in the trials so far. "
            f"Say so with series.revise(given={{{name!r}: ...}})."
            for name in brief.setting_names
            if name not in plan and not _renamed_from(gone, kinds, plan, "setting")
        ]
    return questions


def _gone(name: str, kind: str, file: str, new: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, new, 1, 0.0)
    other = repr(near[0]) if near else "'its new name'"
    text = (
        f"{file} has the {kind} {name!r}, which the brief no longer has. If it was renamed, call "
        f"series.revise(renamed={{{name!r}: {other}}}). "
    )
    if kind == "ingredient":
        return text + (
            "If it is no longer used, keep it in the brief with low = high = 0, so that old trials keep their "
            f"amounts; if no trial had any, call series.revise(dropped=[{name!r}])."
        )
    return text + f"If it no longer counts, call series.revise(dropped=[{name!r}])."


def _renamed_from(gone: Sequence[str], kinds: Mapping[str, str], plan: Sequence[str], kind: str) -> bool:
    return any(kinds[n] == kind and n in plan for n in gone)


def _kind(brief: Brief, name: str) -> str:
    return type(brief.by_name[name]).__name__.lower()


def revised(
    tables: Mapping[str, pd.DataFrame],
    brief: Brief,
    past: Sequence[Brief],
    gone: Iterable[str],
    renamed: Mapping[str, str],
    dropped: Sequence[str],
    given: Mapping[str, object],
) -> dict[str, pd.DataFrame]:
    """Return the tables that change with a brief, under the new names and with the values given.

    Parameters
    ----------
    tables : mapping of file name to DataFrame
        As text.
    brief : Brief
        The new one.
    past : sequence of Brief
    gone : iterable of str
        Names dropped before.
    renamed, dropped, given
        As in `Series.revise`.

    Raises
    ------
    SeriesError
        If something is still open, with what to say.
    """
    expected = f"one of {list(brief.by_name)}"
    problems = [
        Problem("brief.toml", None, "renamed", new, expected)
        for new in renamed.values()
        if new not in brief.by_name
    ]
    if problems:
        raise SeriesError(problems)
    empty = pd.DataFrame()
    check_dropped(dropped, brief, past, tables.get("plan.csv", empty))
    new = {name: with_names(table, renamed, name) for name, table in tables.items()}
    if given:
        new["plan.csv"] = with_given(new.get("plan.csv", empty), given, brief)
    columns = [list(new.get(name, empty).columns) for name in ("plan.csv", "results.csv")]
    questions = asked(brief, past, columns[0], columns[1], {*gone, *dropped, *renamed})
    if questions:
        raise SeriesError("Nothing was written. " + " ".join(questions))
    return new if renamed or given else {}


def with_names(table: pd.DataFrame, renamed: Mapping[str, str], file: str) -> pd.DataFrame:
    """Return a table of text with columns, and cells of a column ``ingredient``, under their new names."""
    clash = [new for old, new in renamed.items() if old in table and new in table]
    if clash:
        raise SeriesError([Problem(file, 1, n, expected="a new name that is no column yet") for n in clash])
    out = table.rename(columns=dict(renamed))
    if "ingredient" in out:
        out["ingredient"] = [renamed.get(v, v) for v in out["ingredient"]]
    return out


def with_given(table: pd.DataFrame, given: Mapping[str, object], brief: Brief) -> pd.DataFrame:
    """Return a plan of text with the value that new settings had in all trials so far."""
    out = table.copy()
    for name, value in given.items():
        if name not in brief.setting_names or name in table:
            raise SeriesError(
                f"given={{{name!r}: {value!r}}}: give a setting of the brief that plan.csv has not, "
                f"one of {[n for n in brief.setting_names if n not in table]}."
            )
        if name in brief.ranges and not isinstance(value, (int, float)):
            raise SeriesError(f"given={{{name!r}: {value!r}}}: give a number.")
        out[name] = str(float(value)) if isinstance(value, (int, float)) else str(value)
    return out


def check_dropped(names: Iterable[str], brief: Brief, past: Iterable[Brief], plan: pd.DataFrame) -> None:
    """Refuse to drop what would change what old trials were.

    Raises
    ------
    SeriesError
        If the brief still has the name, no brief ever had it, an ingredient was in a trial, or a setting varied.
    """
    kinds = {name: _kind(old, name) for old in past for name in old.by_name}
    problems = []
    for name in names:
        values = plan[name].tolist() if name in plan else []
        if name in brief.by_name or name not in kinds:
            expected = "a name that an earlier brief had and this one has not"
            problems.append(Problem("brief.toml", None, "dropped", name, expected))
        elif kinds[name] == "ingredient" and any(float(v or 0) != 0 for v in values):
            repair = "Keep it in the brief with low = high = 0."
            problems.append(Problem("plan.csv", None, name, None, "0 in every trial, to drop it", repair))
        elif kinds[name] == "setting" and len(set(values)) > 1:
            repair = "Keep it in the brief, with the levels that are still used."
            problems.append(
                Problem("plan.csv", None, name, None, "one value in every trial, to drop it", repair)
            )
    if problems:
        raise SeriesError(problems)
