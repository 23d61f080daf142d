"""The series folder: the brief, its plan, what was measured and how it came to be. Only this part opens files."""

from formlab.series.briefs import brief_text, read_brief
from formlab.series.findings import problem_table
from formlab.series.guesses import read_guesses
from formlab.series.store import Loaded, Series, create_series, open_series
from formlab.series.workbook import workbook_bytes

__all__ = [
    "Loaded",
    "Series",
    "brief_text",
    "create_series",
    "open_series",
    "problem_table",
    "read_brief",
    "read_guesses",
    "workbook_bytes",
]
