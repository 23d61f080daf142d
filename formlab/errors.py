"""Errors and warnings: where, what was found, what is allowed, what to do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

__all__ = [
    "BriefError",
    "ExtrapolationWarning",
    "FitError",
    "FormlabError",
    "FormlabWarning",
    "PlanError",
    "Problem",
    "RecipeError",
    "RegionError",
    "SeriesError",
    "SuggestError",
    "WeakFitWarning",
]

_SHOWN = 40  # problems in a message
_WIDE = 120  # characters of a value in a message


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with one place of the user's input."""

    file: str = ""
    row: int | None = None  # 1-based line or sheet row, header included
    column: str = ""  # column, or field of a brief such as ``ingredient[2].low``
    value: Any = None
    expected: str = ""
    repair: str = ""

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f"{', ' if place else ''}row {self.row}"
        if self.column:
            place += f"{', ' if place else ''}{self.column}"
        value = self.value.item() if hasattr(self.value, "item") else self.value  # 2.0, not np.float64(2.0)
        text = f"{place}: " if place else ""
        shown = repr(value)
        shown = shown if len(shown) <= _WIDE else f"{shown[: _WIDE - 2]} …"
        text += f"{shown}. " if value is not None else ""
        text += f"Expected {self.expected}." if self.expected else ""
        return f"{text.strip()} {self.repair}".strip()


class FormlabError(ValueError):
    """Base of every error formlab raises on purpose.

    Attributes
    ----------
    problems : list of Problem
        Each with file, row, column, value, expected and repair; empty where the message is one sentence.

    Examples
    --------
    >>> import formlab as fl
    >>> try:
    ...     fl.Brief(basis="grams")
    ... except fl.FormlabError as error:
    ...     [(problem.column, problem.value) for problem in error.problems]
    [('basis', 'grams'), ('ingredient', None)]
    """

    def __init__(self, message: str | Iterable[Problem]) -> None:
        self.problems: list[Problem] = []
        if not isinstance(message, str):
            self.problems = list(message)
            lines = [str(problem) for problem in self.problems]
            head = f"{len(lines)} problem{'s' if len(lines) != 1 else ''}:"
            if len(lines) > _SHOWN:
                lines[_SHOWN:] = [f"and {len(lines) - _SHOWN} more; all are in .problems"]
            message = "\n  ".join([head, *lines])
        super().__init__(message)

    def __iter__(self) -> Iterator[Problem]:
        return iter(self.problems)


class RecipeError(FormlabError):
    """An amount, density or price that a recipe cannot have."""


class BriefError(FormlabError):
    """A brief that does not say what is asked."""


class RegionError(FormlabError):
    """Ranges and limits that leave no formula."""


class PlanError(FormlabError):
    """A plan that cannot be made or does not belong to its brief."""


class SeriesError(FormlabError):
    """A series folder, or a file for it, that cannot be used."""


class FitError(FormlabError):
    """A surface that the trials cannot support."""


class SuggestError(FormlabError):
    """A question that has no formula as its answer."""


class FormlabWarning(UserWarning):
    """Right, but weak: read before acting."""


class ExtrapolationWarning(FormlabWarning):
    """A prediction outside the region that was tried."""


class WeakFitWarning(FormlabWarning):
    """A fit that rests on few degrees of freedom or poorly told apart terms."""
