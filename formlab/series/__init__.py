"""The series folder: the brief, its plan, what was measured and how it came to be. Only this part opens files."""

from formlab.series.briefs import read_brief
from formlab.series.store import Series, create_series, open_series

__all__ = ["Series", "create_series", "open_series", "read_brief"]
