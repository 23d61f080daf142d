"""The series: a folder of plain files, read and written as one thing."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from formlab.brief import Brief
from formlab.errors import SeriesError
from formlab.series import join
from formlab.series.briefs import parse_brief
from formlab.series.files import inside, read_bytes, write_atomic
from formlab.series.readings import check_readings
from formlab.series.tables import from_csv, to_csv

if TYPE_CHECKING:
    from formlab.plans import Plan

__all__ = ["Loaded", "Series", "create_series", "open_series"]


@dataclass(frozen=True)
class Loaded:
    """What a file of results brought."""

    file: str
    readings: int
    trials: int
    already_there: int = 0

    def __str__(self) -> str:
        return f"{self.file}: {self.readings} readings of {self.trials} trials loaded, {self.already_there} were already there."

    __repr__ = __str__


class Series:
    """A series folder; see `open_series` and `create_series`."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        if not self.path.is_dir():
            raise SeriesError(f"There is no series folder {str(path)!r}.")
        self.brief = parse_brief(read_bytes(inside(self.path, "brief.toml")))

    # ---- reading ------------------------------------------------------------------------------------

    def _has(self, name: str) -> bool:
        return inside(self.path, name).exists()

    def _table(self, name: str) -> pd.DataFrame:
        """Return a file of the folder as text; no rows and no columns where there is none."""
        if not self._has(name):
            return pd.DataFrame()
        try:
            text = read_bytes(inside(self.path, name)).decode("utf-8-sig")
        except UnicodeDecodeError:
            raise SeriesError(f"{name} is not text in UTF-8. Save it as 'CSV UTF-8'.") from None
        return from_csv(text, name)

    @property
    def has_plan(self) -> bool:
        """Whether a plan was saved."""
        return self._has("plan.csv")

    def plan_frame(self) -> pd.DataFrame:
        """Return the plan's rows in run order."""
        if not self.has_plan:
            raise SeriesError(
                f"{str(self.path)!r} has no plan yet. Lay one out and save it with save_plan(plan)."
            )
        return join.plan_frame(self._table("plan.csv"), self.brief)

    def results(self) -> pd.DataFrame:
        """Return one row a reading, as loaded."""
        table = self._table("results.csv")
        if table.empty:
            table = pd.DataFrame(
                columns=["trial", "session", *self.brief.response_names, "status", "note"], dtype=object
            )
        return join.readings_frame(table, self.brief)

    def weighed(self) -> pd.DataFrame:
        """Return what was weighed: batch, ingredient, weighed_g, lot."""
        table = self._table("weighed.csv")
        if table.empty:
            table = pd.DataFrame(columns=["batch", "ingredient", "weighed_g", "lot"], dtype=object)
        return join.weighed_frame(table, self.brief)

    def history(self) -> pd.DataFrame:
        """Return earlier trials that never had a plan; no rows where there are none."""
        table = self._table("history.csv")
        if table.empty:
            table = pd.DataFrame(columns=[*self.brief.columns, *self.brief.response_names], dtype=object)
        return join.history_frame(table, self.brief)

    def prices(self) -> pd.DataFrame:
        """Return prices by ingredient, one column a scenario; no columns where there is no file."""
        table = self._table("prices.csv")
        if table.empty:
            table = pd.DataFrame(columns=["ingredient"], dtype=object)
        return join.price_frame(table, self.brief)

    def trials(self) -> pd.DataFrame:
        """Return one row a reading: plan, amounts as weighed, session, responses, status, note."""
        return join.trials_frame(self.plan_frame(), self.results(), self.weighed(), self.brief)

    # ---- writing ------------------------------------------------------------------------------------

    def save_plan(self, plan: Plan | pd.DataFrame) -> None:
        """Write ``plan.csv``.

        Raises
        ------
        SeriesError
            If there are results of trials that the new plan has not, or has otherwise.
        """
        frame = plan if isinstance(plan, pd.DataFrame) else plan.frame
        if "trial" not in frame:
            raise SeriesError("The plan has no column 'trial'.")
        self._keep_old_trials(frame)
        write_atomic(inside(self.path, "plan.csv"), to_csv(frame).encode())

    def _keep_old_trials(self, frame: pd.DataFrame) -> None:
        read = list(dict.fromkeys(self.results()["trial"]))
        lost = [t for t in read if t not in set(frame["trial"])]
        if lost:
            raise SeriesError(
                f"The new plan lacks trials {lost}, which have results. Extend the old plan, or make a new series."
            )

    def load_results(self, file: str | Path, sheet: str | None = None) -> Loaded:
        """Check a CSV or XLSX file of results as a whole and add it to ``results.csv``.

        Raises
        ------
        SeriesError
            With every problem: file, row, column, value, what was expected. Nothing is saved then.
        """
        file = Path(file)
        content = read_bytes(file)
        table = (
            _sheet(content, file.name, sheet)
            if file.suffix.lower() in (".xlsx", ".xlsm")
            else _csv(content, file.name)
        )
        new, problems = check_readings(table, self.brief, self.plan_frame(), file.name)
        if problems:
            raise SeriesError(problems)
        old = self._table("results.csv")
        last = [int(v) for v in old.get("session", []) if v.isdecimal()]
        new.loc[new["session"] == "", "session"] = str(max(last, default=0) + 1)
        both = pd.concat(
            [old, new.drop(columns=[c for c in ("operator", "reading") if c in new and (new[c] == "").all()])]
        )
        write_atomic(inside(self.path, "results.csv"), to_csv(both.fillna("")).encode())
        return Loaded(file.name, len(new), new["trial"].nunique())

    def write_out(self, name: str, content: str | bytes) -> Path:
        """Write a file below ``out/`` and return its path; all there can be made again."""
        path = inside(self.out, name)
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(path, content.encode() if isinstance(content, str) else content)
        return path

    @property
    def out(self) -> Path:
        """The folder for cards, figures and reports; made when asked for."""
        path = inside(self.path, "out")
        path.mkdir(exist_ok=True)
        return path

    def __repr__(self) -> str:
        return f"Series({str(self.path)!r})"


def _csv(content: bytes, file: str) -> pd.DataFrame:
    try:
        return from_csv(content.decode("utf-8-sig"), file)
    except UnicodeDecodeError:
        raise SeriesError(f"{file} is not text in UTF-8. Save it as 'CSV UTF-8'.") from None


def _sheet(content: bytes, file: str, sheet: str | None) -> pd.DataFrame:
    import openpyxl

    try:
        book = openpyxl.load_workbook(io.BytesIO(content), data_only=True)
    except Exception as error:  # openpyxl raises many kinds for a broken file
        raise SeriesError(f"{file} is not a workbook that can be read ({error}).") from None
    name = sheet or ("results" if "results" in book.sheetnames else book.sheetnames[0])
    if name not in book.sheetnames:
        raise SeriesError(f"{file} has no sheet {name!r}; it has {book.sheetnames}.")
    lines: list[list[Any]] = [
        ["" if v is None else repr(v) if isinstance(v, float) else str(v) for v in row]
        for row in book[name].values
    ]
    frame = pd.DataFrame(lines[1:], columns=lines[0], dtype=object)
    frame.index = pd.RangeIndex(2, len(lines) + 1)
    return frame[(frame != "").any(axis=1)]


def open_series(path: str | Path) -> Series:
    """Return the series in a folder."""
    return Series(path)


def create_series(path: str | Path, brief: Brief | str, *, exist_ok: bool = False) -> Series:
    """Make a series folder that holds a brief, and return the series.

    Parameters
    ----------
    path : str or Path
        A folder that is not there yet, or is empty.
    brief : Brief or str
        The brief, or its TOML text.

    Raises
    ------
    BriefError
        If the text is no brief.
    SeriesError
        If the folder has a brief already.
    """
    from formlab.series.briefs import brief_text

    path = Path(path)
    if (path / "brief.toml").exists() and not exist_ok:
        raise SeriesError(
            f"{str(path)!r} has a brief already. Open it with open_series, or choose a new folder."
        )
    text = brief if isinstance(brief, str) else brief_text(brief)
    parse_brief(text)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SeriesError(f"The folder {str(path)!r} cannot be made: {error.strerror}.") from None
    write_atomic(path / "brief.toml", text.encode())
    return Series(path)
