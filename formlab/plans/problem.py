"""What a search is given, and what it finds."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from formlab.plans.basis import Basis
from formlab.plans.candidates import Candidates
from formlab.plans.lines import Lines
from formlab.plans.structure import Structure

__all__ = ["ENOUGH", "Begun", "Found", "Problem"]

ENOUGH = 1e-7  # gain of a whole sweep of exchange below which it stops
TOGETHER = 60_000  # designs times trials times terms that are held in memory at a time
MOST = 24  # designs; more together save next to nothing


@dataclass
class Problem:
    """All that a search needs: model, candidates, structure, and what is known beforehand.

    Attributes
    ----------
    prior : ndarray of shape (p, p)
        Information from earlier trials or a prior, in the orthonormal columns.
    weight : ndarray of shape (p, p) or None
        None for D, else the matrix of a trace criterion.
    """

    basis: Basis
    candidates: Candidates
    structure: Structure
    prior: np.ndarray
    weight: np.ndarray | None

    @cached_property
    def weight_matrix(self) -> np.ndarray:
        """Inverse covariance of the trials."""
        return self.structure.weight()

    @cached_property
    def lines(self) -> dict[str, Lines]:
        """Straight moves of the variables of each level."""
        return {
            level: Lines(self.basis, cols, coarse=self.in_step)
            for level, cols in self.candidates.positions.items()
        }

    @cached_property
    def moving(self) -> list[tuple[str, np.ndarray]]:
        """Units that lines can move, by level and size: the level, and rows of shape (u, s)."""
        found: dict[tuple[str, int], list[np.ndarray]] = {}
        for level, rows in self.units():
            if self.lines[level].count:
                found.setdefault((level, len(rows)), []).append(rows)
        return [(level, np.array(rows)) for (level, _), rows in found.items()]

    @cached_property
    def in_step(self) -> bool:
        """Whether trials share no error and are chosen whole and alone, so that many designs can be changed in step."""
        level, *more = self.candidates.levels
        return self.structure.is_simple and not more and len(self.structure.rows(level)) == self.structure.n

    def shared_out(self, count: int, each: int = 1) -> list[np.ndarray]:
        """Return which of some tasks, of `each` designs, are one job: designs of a job are changed in step, all in memory."""
        if not self.in_step:
            return list(np.arange(count)[:, None])
        together = int(np.clip(TOGETHER // (self.structure.n * len(self.basis.space)), each, MOST)) // each
        pairs = -(-count // (2 * together))  # an even number of jobs keeps two workers busy
        return np.array_split(np.arange(count), max(min(2 * pairs, count), 1))

    def units(self) -> list[tuple[str, np.ndarray]]:
        """Every unit whose variables can be chosen: its level and rows."""
        return [
            (level, rows)
            for level in self.candidates.levels
            if len(self.candidates.options[level]) > 1
            for rows in self.structure.rows(level)
        ]


@dataclass
class Found:
    """A design that a start ended in: points (n, v) and its score."""

    points: np.ndarray
    score: float
    start: int = 0


@dataclass
class Begun:
    """A design to exchange from.

    Attributes
    ----------
    candidates : Candidates
    choice : dict of str to ndarray of int, shape (n,)
        The number of a candidate for every trial, by level.
    at_random : bool
        Whether it is of random candidates, many of which cannot tell the terms apart.
    """

    candidates: Candidates
    choice: dict[str, np.ndarray]
    at_random: bool = True
