"""The series: a folder of plain files, read and written as one thing."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Mapping, Sequence
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from formlab.brief import Brief
from formlab.errors import BriefError, FormlabWarning, Problem, SeriesError
from formlab.gates import gate_table
from formlab.html import Markup, escape, panel, table
from formlab.series import join
from formlab.series.briefs import brief_text, parse_brief
from formlab.series.files import inside, not_written, read_bytes, write_atomic
from formlab.series.findings import problem_table
from formlab.series.folder import Folder
from formlab.series.forms import read_form
from formlab.series.history import cell_history, cells_frame, described, entries_frame
from formlab.series.loading import Loaded, Read, counted, read_results
from formlab.series.planned import as_planned, check_batches, checked_plan, keep_old_trials
from formlab.series.readings import EMPTY, check_form
from formlab.series.revisions import asked, dropped_names, revised, revisions
from formlab.series.tables import from_csv, to_csv
from formlab.series.workbook import workbook_bytes

if TYPE_CHECKING:
    from formlab.plans import Plan

__all__ = ["Loaded", "Series", "create_series", "open_series"]

LOAD = "load results"
TABLES = ("plan.csv", "results.csv", "weighed.csv", "history.csv", "prices.csv")


class Series:
    """A series folder; see `open_series` and `create_series`.

    Attributes
    ----------
    path : Path
    notices : list of str
        What was found when the folder was opened: writes that were cut off, changes made from outside, what a
        changed brief asks.
    """

    def __init__(self, path: str | Path, who: str = "") -> None:
        self.path = Path(path)
        self.who = who
        if not self.path.is_dir():
            raise SeriesError(
                f"There is no series folder {str(path)!r}. Check the path, or make one with formlab new."
            )
        self._folder = Folder(self.path)
        self._brief: tuple[str, Brief] | None = None
        try:
            self.notices = self._folder.settle()
        except SeriesError as error:
            self.notices = [f"The last write was cut off and could not be finished. {error}"]
        self.notices += [*self._folder.questions(), *self._asked()]

    # ---- the brief ----------------------------------------------------------------------------------

    @property
    def brief(self) -> Brief:
        """The brief as ``brief.toml`` now says."""
        text = self._folder.text("brief.toml")
        if text is None:
            raise SeriesError(
                f"{str(self.path)!r} has no brief.toml, so it is no series folder. Give another path, or make one with formlab new."
            )
        if self._brief is None or self._brief[0] != text:
            self._brief = (text, parse_brief(text))
        return self._brief[1]

    @property
    def briefs(self) -> dict[str, Brief]:
        """Every revision of the brief by its brief_id, oldest first, the one in force last."""
        known = {brief.brief_id: brief for _, brief in revisions(self._folder.journal())}
        known.pop(self.brief.brief_id, None)
        return {**known, self.brief.brief_id: self.brief}

    def revisions(self) -> pd.DataFrame:
        """Return the revisions of the brief: brief_id, when, who, trials planned with it."""
        told = {b.brief_id: (e.when, e.who) for e, b in reversed(revisions(self._folder.journal()))}
        ids = self._table("plan.csv").get("brief_id", pd.Series(dtype=object)).tolist()
        rows = [[key, *told.get(key, ("", "")), ids.count(key)] for key in self.briefs]
        return pd.DataFrame(rows, columns=["brief_id", "when", "who", "trials"])

    def revise(
        self,
        brief: Brief | str | None = None,
        *,
        renamed: Mapping[str, str] | None = None,
        dropped: Sequence[str] = (),
        given: Mapping[str, float | str] | None = None,
        who: str = "",
        note: str = "",
    ) -> None:
        """Put a new brief in force, and say what its changes mean for the trials so far.

        Parameters
        ----------
        brief : Brief or str, optional
            The new brief or its TOML text; left out, ``brief.toml`` as it was edited by hand.
        renamed : mapping of str to str, optional
            Old to new names of ingredients, settings and responses; renamed in every table.
        dropped : sequence of str
            Parts that no longer count: an ingredient that was in no trial, a setting that never varied, a response.
        given : mapping of str to float or str, optional
            What a new setting was in all trials so far.

        Raises
        ------
        SeriesError
            If something is still open, with what to say. Nothing is changed then.
        """
        text = brief_text(brief) if isinstance(brief, Brief) else brief
        new = self.brief if text is None else parse_brief(text)
        renamed, given = dict(renamed or {}), dict(given or {})
        with self._step("revise", who, asking=False) as step:
            journal = self._folder.journal()
            past = [old for _, old in revisions(journal)]
            with contextlib.suppress(BriefError):  # the brief on the disk may be what is to be mended
                past.append(self.brief)
            tables = {name: self._table(name) for name in TABLES if self._folder.has(name)}
            changed = revised(tables, new, past, dropped_names(journal), renamed, dropped, given)
            for name, frame in changed.items():
                step.put(name, to_csv(frame))
            if text is not None:
                step.put("brief.toml", text)
            step.note = note
            step.more = {
                "brief_id": new.brief_id,
                "renamed": renamed,
                "dropped": list(dropped),
                "given": given,
            }

    def _asked(self) -> list[str]:
        """Return what a changed brief asks about the trials so far."""
        journal = self._folder.journal()
        past = [brief for _, brief in revisions(journal)]
        if not past:
            return []
        plan, results = self._folder.columns("plan.csv"), self._folder.columns("results.csv")
        return asked(self.brief, past, plan, results, dropped_names(journal))

    def _settled(self) -> None:
        questions = self._asked()
        if questions:
            raise SeriesError(" ".join(questions))

    # ---- reading ------------------------------------------------------------------------------------

    def _table(self, name: str) -> pd.DataFrame:
        """Return a file of the folder as text; no rows and no columns where there is none."""
        text = self._folder.text(name)
        return pd.DataFrame() if text is None else from_csv(text, name)

    def _table_or(self, name: str, columns: Sequence[str]) -> pd.DataFrame:
        found = self._table(name)
        return found if len(found.columns) else pd.DataFrame(columns=list(columns), dtype=object)

    @property
    def has_plan(self) -> bool:
        """Whether a plan was saved."""
        return self._folder.has("plan.csv")

    def plan_frame(self) -> pd.DataFrame:
        """Return the plan's rows in run order."""
        if not self.has_plan:
            raise SeriesError(
                f"{str(self.path)!r} has no plan yet. Lay one out (formlab plan) and save it with save_plan(plan)."
            )
        self._settled()
        return join.plan_frame(self._table("plan.csv"), self.brief)

    def plan(self) -> Plan:
        """Return the plan, for the model and with the potential terms that it was last saved with.

        Raises
        ------
        SeriesError
            If there is none.
        """
        from formlab.plans import Plan

        frame = self.plan_frame()
        saved = [e.more["plan"] for e in self._folder.journal().entries if "plan" in e.more]
        return Plan.restored(self.brief, frame, saved[-1] if saved else {})

    def results(self) -> pd.DataFrame:
        """Return one row a reading, as loaded."""
        self._settled()
        columns = ["trial", "session", *self.brief.response_names, "status", "note"]
        return join.readings_frame(self._table_or("results.csv", columns), self.brief)

    def weighed(self) -> pd.DataFrame:
        """Return what was weighed: batch, ingredient, weighed_g, lot.

        A base mixing that is split has lines under its own name, and each batch made from it an ingredient ``base``: the
        grams of its part.
        """
        columns = ["batch", "ingredient", "weighed_g", "lot"]
        return join.weighed_frame(self._table_or("weighed.csv", columns), self.brief)

    def history(self) -> pd.DataFrame:
        """Return earlier trials that never had a plan; no rows where there are none."""
        columns = [*self.brief.columns, *self.brief.response_names]
        return join.history_frame(self._table_or("history.csv", columns), self.brief)

    def prices(self) -> pd.DataFrame:
        """Return prices by ingredient, one column a scenario; no columns where there is no file."""
        return join.price_frame(self._table_or("prices.csv", ["ingredient"]), self.brief)

    def trials(self, *, history: bool = False, unread: bool = False) -> pd.DataFrame:
        """Return one row a reading: plan, amounts as weighed, session, responses, status, note.

        Where amounts were weighed, phr is taken on the rubber really weighed. A censored reading stands as its
        limit, with ``NAME_censored`` saying "below" or "above".

        Parameters
        ----------
        history : bool
            Add the earlier trials of ``history.csv``, as a block of their own, so that a fit can take what has
            changed since as a shift of the block and not of the recipe.
        unread : bool
            Add the planned trials that have no reading yet, with status "": what `extend` and `next_trials` go on
            from.
        """
        old = self.history() if history else pd.DataFrame()
        if not self.has_plan and len(old):
            return join.with_history(None, old)
        planned = join.trials_frame(self.plan_frame(), self.results(), self.weighed(), self.brief, unread)
        return join.with_history(planned, old) if len(old) else planned

    # ---- writing ------------------------------------------------------------------------------------

    def _step(self, act: str, who: str, *, asking: bool = True) -> Any:
        return self._folder.step(act, who or self.who, asking=asking)

    def save_plan(self, plan: Plan | pd.DataFrame, *, who: str = "") -> None:
        """Write ``plan.csv``; of an extended plan the new trials, after the old ones as they were planned.

        Raises
        ------
        SeriesError
            If the plan does not fit the brief, or lacks or changes trials that have results.
        """
        frame = plan if isinstance(plan, pd.DataFrame) else plan.frame
        with self._step("save plan", who) as step:
            self._settled()
            old = self.plan_frame() if self.has_plan else pd.DataFrame()
            if len(old) and getattr(plan, "kind", "") == "extended":
                frame = as_planned(frame, old)
            frame = frame if "brief_id" in frame else frame.assign(brief_id=self.brief.brief_id)
            known = {*self.briefs, *old.get("brief_id", [])}  # a folder may have come without its journal
            whole = checked_plan(frame, self.brief, sorted(known))
            read = list(dict.fromkeys(self.results()["trial"]))
            if read:
                keep_old_trials(whole, old, read, self.brief)
            check_batches(whole, self.brief)
            step.put("plan.csv", to_csv(frame))
            if not isinstance(plan, pd.DataFrame):
                step.more["plan"] = plan.about

    def check_results(self, file: str | Path, sheet: str | None = None) -> pd.DataFrame:
        """Return everything that is wrong or odd about a file of results (`sheet` of a workbook); nothing is saved.

        Returns
        -------
        DataFrame
            file, row, column, value, expected, repair; no rows for a file that loads as it stands.
        """
        try:
            read = self._read(Path(file), sheet, replace=False)
        except SeriesError as error:
            return problem_table(error.problems or [Problem(Path(file).name, expected=str(error))])
        return problem_table([f.problem for f in read.findings])

    def load_results(
        self,
        file: str | Path,
        sheet: str | None = None,
        *,
        repair: bool = False,
        replace: bool = False,
        who: str = "",
    ) -> Loaded:
        """Check a CSV or XLSX file of results as a whole and add it to ``results.csv``.

        Lines that are there already are left alone, so a form can be loaded again when more of it is filled in.

        Parameters
        ----------
        file : str or Path
        sheet : str, optional
            Of a workbook; needed where several hold results and none is called "results".
        repair : bool
            Make the repairs that change no meaning (12,5 for 12.5, "T1" for "T01" …) and record them.
        replace : bool
            Let a value that differs from one loaded before take its place.
        who : str
            A name for the journal.

        Raises
        ------
        SeriesError
            With every problem: file, row, column, value, what was expected, what to do. Nothing is saved then.
        """
        with self._step(LOAD, who) as step:
            read = self._read(Path(file), sheet, replace=replace)
            step.source, step.source_sha256 = read.file, read.sha256
            step.repairs = [f.record for f in read.accepted(repair)]
            step.put("results.csv", to_csv(read.merged.table))
        for remark in read.readings.remarks:
            warnings.warn(f"{read.file}: {remark}", FormlabWarning, stacklevel=2)
        return read.summary()

    def _read(self, file: Path, sheet: str | None, *, replace: bool) -> Read:
        columns = ["trial", "session", *self.brief.response_names, "status", "note"]
        stored = self._table_or("results.csv", columns)
        return read_results(file, sheet, self.brief, self.plan_frame(), stored, replace=replace)

    def undo(self, *, who: str = "") -> str:
        """Take back the last load of results that still stands; return what was done. `who` stands in the journal.

        Raises
        ------
        SeriesError
            If there is none, or ``results.csv`` was changed in another way since.
        """
        with self._step("undo", who) as step:
            journal = self._folder.journal()
            gone = {e.more["undoes"] for e in journal.entries if "undoes" in e.more}
            loads = [e for e in journal.entries if e.act == LOAD and e.number not in gone]
            if not loads:
                raise SeriesError(
                    "There is no load of results to undo; see series.journal() (formlab journal)."
                )
            last = loads[-1]
            found = [(b, a) for e, b, a in journal.versions("results.csv") if e.number == last.number]
            before, after = found[0] if found else (None, None)
            if after is None or after != self._folder.lines("results.csv"):
                raise SeriesError(
                    f"results.csv was changed after {last.source!r} was loaded ({last.when}), so that load cannot be "
                    "taken back by itself. See series.journal()."
                )
            step.put("results.csv", "\n".join(before if before is not None else [after[0], ""]))
            step.more = {"undoes": last.number}
            step.note = f"took back {last.source} of {last.when}"
        return f"The load of {last.source} of {last.when} was taken back."

    def accept(self, name: str, *, who: str = "", note: str = "") -> None:
        """Keep what was changed from outside in the file `name`: ``plan.csv``, ``results.csv`` or ``journal.jsonl``.

        `who` and `note` stand in the journal.

        Raises
        ------
        SeriesError
            If the file cannot be read as it stands.
        """
        with self._step("accept", who, asking=False) as step:
            step.note = note
            if name == "journal.jsonl":
                step.more = {"damaged": self._folder.journal().damaged}
                step.taken = self._folder.baselines()
                return
            self._asked_for(name)
            self._check_edited(name)
            step.taken = [self._folder.taken(name, self._folder.lines(name))]

    def restore(self, name: str, *, who: str = "", note: str = "") -> None:
        """Put back what the journal says of the file `name`, dropping changes made from outside.

        It is ``plan.csv`` or ``results.csv``; `who` and `note` stand in the journal.
        """
        with self._step("restore", who, asking=False) as step:
            self._asked_for(name)
            lines = self._folder.expected(name)
            if lines is None:
                raise SeriesError(
                    f"The journal cannot tell what {name} held. Put a copy back, then accept it."
                )
            dropped = described(lines, self._folder.lines(name))
            step.note = " ".join(filter(None, [note, f"dropped: {dropped}"]))
            step.put(name, "\n".join(lines))

    def _asked_for(self, name: str) -> None:
        if name not in self._folder.edited():
            raise SeriesError(
                f"{name!r} was not changed outside formlab, so there is nothing to decide; go on working."
            )

    def _check_edited(self, name: str) -> None:
        """Refuse to accept a file that could not be read afterwards."""
        if self._folder.lines(name) is None:
            raise SeriesError(
                f"{name} is gone; put it back with series.restore({name!r}) (formlab settle FOLDER {name} restore)."
            )
        plan = join.plan_frame(self._table("plan.csv"), self.brief) if self.has_plan else None
        if name == "plan.csv" and plan is not None:
            check_batches(plan, self.brief, name)
        if name == "results.csv" and plan is not None:
            content = (self._folder.text(name) or "").encode()
            if len(self._table(name)):
                found = check_form(
                    read_form(content, name, self.brief, plan.columns), self.brief, plan
                ).findings
                if found:
                    raise SeriesError([f.problem for f in found])

    # ---- gates --------------------------------------------------------------------------------------

    def save_gates(self, records: Sequence[Mapping[str, Any]], *, who: str = "") -> None:
        """Keep what the gates of a batch said and what was decided by `who`; see `formlab.gates.gate_records`.

        Raises
        ------
        SeriesError
            If a batch is not in the plan.
        """
        known = set(self.plan_frame().get("batch", pd.Series(dtype=str)))
        strange = sorted({str(r["batch"]) for r in records} - known)
        if strange:
            raise SeriesError(
                f"The plan has no batch {', '.join(map(repr, strange))}; choose among {sorted(known)}."
            )
        with self._step("gates", who) as step:
            step.more = {"gates": [dict(record) for record in records]}
            step.note = "; ".join(dict.fromkeys(f"{r['batch']}: {r['decision']}" for r in records))

    def gates(self) -> pd.DataFrame:
        """Return the last word on each gate of each batch; see `formlab.gates.gate_table`."""
        return gate_table(r for entry in self._folder.journal().entries for r in entry.more.get("gates", []))

    # ---- promises -----------------------------------------------------------------------------------

    def save_promise(self, suggestion: Any, *, who: str = "") -> None:
        """Keep what a suggestion claims, to be scored when batches of its formula have been measured.

        `who` stands in the journal.
        """
        with self._step("promise", who) as step:
            made = sorted(set(self.trials()["batch"].astype(str))) if self.has_plan else []
            step.more = {"promise": suggestion.promise() | {"made": made}}

    def promises(self) -> pd.DataFrame:
        """Return the claims kept so far: when, the factors, true_mean, new_batch, accepted, made (batches before it)."""
        kept = [
            {"when": entry.when, **entry.more["promise"]}
            for entry in self._folder.journal().entries
            if "promise" in entry.more
        ]
        return pd.DataFrame(kept)

    # ---- the record ---------------------------------------------------------------------------------

    def journal(self) -> pd.DataFrame:
        """Return what was done: number, when, who, act, source, files, lines, repairs, note."""
        return entries_frame(self._folder.journal())

    def changes(self, number: int) -> pd.DataFrame:
        """Return the cells that entry `number` of the journal changed: file, row, key, column, old, new."""
        return cells_frame(self._folder.journal(), number)

    def cell_history(self, trial: str, column: str) -> pd.DataFrame:
        """Return every change of one column for a trial, planned, weighed or read.

        Returns
        -------
        DataFrame
            number, when, who, act, source, file, row, old, new, written (what stood in the source, where it was
            repaired); oldest first.

        Raises
        ------
        SeriesError
            If the journal knows no such cell.
        """
        found = cell_history(self._folder.journal(), column, {"plan.csv": trial, "results.csv": trial})
        if not len(found):
            raise SeriesError(
                f"The journal has no {column!r} of trial {trial!r}; name a trial and a column of the plan or the results."
            )
        return found

    def text(self, name: str) -> str | None:
        """Return the text of another file `name` of the folder, such as ``site.toml``; None if there is none."""
        return self._folder.text(name)

    # ---- what can be made again ---------------------------------------------------------------------

    @property
    def out(self) -> Path:
        """The folder for cards, figures and reports; made when asked for."""
        path = inside(self.path, "out")
        try:
            path.mkdir(exist_ok=True)
        except OSError as error:
            raise not_written(path, error) from None
        return path

    def write_out(self, name: str, content: str | bytes) -> Path:
        """Write `content` into the file `name` below ``out/``; return its path. All there can be made again."""
        path = inside(self.out, name)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise not_written(path, error) from None
        write_atomic(path, content.encode() if isinstance(content, str) else content)
        return path

    def write_form(self, content: bytes) -> list[Path]:
        """Write a form for results as ``out/results_form.xlsx``; one that holds readings not yet loaded is kept beside it.

        Returns
        -------
        list of Path
            The form, and where the one before it stands now, if it was kept.
        """
        name = "results_form.xlsx"
        before = inside(self.out, name)
        kept = []
        if before.is_file() and self._holds_readings(before):
            number = next(k for k in count(1) if not inside(self.out, f"results_form_{k}.xlsx").exists())
            kept = [self.write_out(f"results_form_{number}.xlsx", read_bytes(before))]
        return [self.write_out(name, content), *kept]

    def _holds_readings(self, file: Path) -> bool:
        """Whether a form holds anything that is not in ``results.csv``; so too where it cannot be read as one."""
        try:
            read = self._read(file, None, replace=False)
        except SeriesError:
            return True
        merged = read.merged
        wrong = [f for f in read.findings if f.problem.expected != EMPTY]
        return bool(wrong or merged.added or merged.completed or merged.replaced)

    def write_csv(self, name: str, frame: pd.DataFrame) -> Path:
        """Write `frame` as the CSV file `name` below ``out/``; return its path. No text in it is taken for a formula."""
        return self.write_out(name, to_csv(frame))

    def write_workbook(self, name: str, sheets: Mapping[str, pd.DataFrame], **options: Any) -> Path:
        """Write tables, by name of the `sheets`, as the XLSX workbook `name` below ``out/``; return its path. Options are those of `workbook_bytes`."""
        return self.write_out(name, workbook_bytes(sheets, **options))

    # ---- eyes ---------------------------------------------------------------------------------------

    def __repr__(self) -> str:
        return f"Series({self.path.name!r}: {self.brief.title!r}, {self._counts()})"

    def _counts(self) -> str:
        planned, read = len(self._table("plan.csv")), len(self._table("results.csv"))
        return f"{counted(planned, 'trial')} planned, {counted(read, 'reading')}"

    def _repr_html_(self) -> str:
        done = self.journal().tail(5)[["when", "who", "act", "source"]]
        record = table(done) if len(done) else Markup("<p>The journal is empty.</p>")
        notices = [Markup(f"<p>{escape(text)}</p>") for text in self.notices]
        return panel(f"Series {self.path.name}", self._counts() + ".", *notices, record)


def open_series(path: str | Path, *, who: str = "") -> Series:
    """Return the series in a folder.

    A write that was cut off is finished or cleared away first; that, and what was changed from outside, is told
    as a warning and in ``series.notices``.

    Parameters
    ----------
    path : str or Path
    who : str
        A name for the journal entries of this session.

    Returns
    -------
    Series

    Raises
    ------
    SeriesError
        If there is no such folder.
    BriefError
        If its brief does not hold.

    Examples
    --------
    >>> series = open_series("demo_trials/ink_wedge")
    >>> series.brief.title, series.trials()["trial"].nunique()
    ('Abrasive ink wedge, invented demo', 36)
    """
    series = Series(path, who)
    for notice in series.notices:
        warnings.warn(notice, FormlabWarning, stacklevel=2)
    return series


def create_series(path: str | Path, brief: Brief | str, *, who: str = "") -> Series:
    """Make a series folder that holds a brief, and return the series.

    Parameters
    ----------
    path : str or Path
        A folder that is not there yet, or has no brief.
    brief : Brief or str
        The brief, or its TOML text.
    who : str
        A name for the journal.

    Raises
    ------
    BriefError
        If the text is no brief.
    SeriesError
        If the folder has a brief already, or cannot be written.
    """
    path = Path(path)
    text = brief if isinstance(brief, str) else brief_text(brief)
    parse_brief(text)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise not_written(path, error) from None
    with Folder(path).step("create", who) as step:
        if (path / "brief.toml").exists():
            raise SeriesError(f"{str(path)!r} has a brief already. Go on with it, or choose a new folder.")
        step.put("brief.toml", text)
    return Series(path, who)
