"""The report: one page that holds a series from the question to the next trials, for paper and for the file."""

from formlab.report.page import report

__all__ = ["report"]
