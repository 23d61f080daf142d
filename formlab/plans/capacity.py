"""What batches, loads and days can carry at all: terms that no choice of formulas would tell apart in them.

A term that only changes between batches needs a batch of its own to be told, however many slabs there are.
The rank that a structure allows is that of its best design, sought among random and exchanged ones.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from formlab.html import counted
from formlab.plans.basis import Basis
from formlab.plans.exchange import at_random, exchanged
from formlab.plans.problem import Problem

__all__ = ["Capacity", "capacity", "independent", "lost_words"]

DRAWS = 6


@dataclass
class Capacity:
    """Terms that a structure can carry together, and those that then find no room.

    Attributes
    ----------
    carried, lost : list of str
    words : str
        Which level of error is too few, with its numbers; empty if nothing is lost.
    """

    carried: list[str]
    lost: list[str]
    words: str


def capacity(problem: Problem, first: Collection[str], seed: Any) -> Capacity:
    """Return what the structure of a problem carries, the terms in `first` before all others."""
    basis = problem.basis
    names = basis.space.names
    order = [k for k, n in enumerate(names) if n in first] + [
        k for k, n in enumerate(names) if n not in first
    ]
    best: list[int] = []
    for draw in range(DRAWS):
        rng = np.random.default_rng([seed, draw])
        begun = at_random(problem, rng)
        x = begun.candidates.columns(begun.choice)
        if draw:  # exchanged a little for a better rank
            x = basis.matrix(exchanged(problem, [begun], rng, sweeps=(2, 0))[0].points)
        kept = independent(_with_known(x, problem.prior) @ basis.inverse, order)
        rank = (sum(names[k] in first for k in kept), len(kept))
        if not best or rank > (sum(names[k] in first for k in best), len(best)):
            best, design = kept, x
        if len(best) == len(names):
            return Capacity(names, [], "")
    lost = [n for k, n in enumerate(names) if k not in best]
    return Capacity([names[k] for k in sorted(best)], lost, _words(problem, design))


def _with_known(x: np.ndarray, known: np.ndarray) -> np.ndarray:
    """The columns of a design with rows that stand for the information there already is."""
    values, vectors = np.linalg.eigh(known)
    keep = values > 1e-10 * max(values.max(), 1e-300)
    return np.vstack([x, np.sqrt(values[keep])[:, None] * vectors[:, keep].T]) if keep.any() else x


def independent(raw: np.ndarray, order: Collection[int]) -> list[int]:
    """Return columns, taken in an order, that each add something to those before."""
    size = np.linalg.norm(raw, axis=0)
    kept: list[int] = []
    q = np.empty((len(raw), 0))
    for k in order:
        if size[k] < 1e-12 or len(kept) == len(raw):
            continue
        rest = raw[:, k] / size[k]
        for _ in range(2):  # twice is enough
            rest = rest - q @ (q.T @ rest)
        if np.linalg.norm(rest) > 1e-6:
            kept.append(k)
            q = np.column_stack([q, rest / np.linalg.norm(rest)])
    return kept


def lost_words(lost: Sequence[str], terms: int, trials: int) -> str:
    """Return in words which terms of a model add nothing to those before them in so many trials."""
    order = (
        "; there are fewer trials than terms, so the last of the model are named" if trials < terms else ""
    )
    return f"{len(lost)} of {terms} terms cannot be told apart by these trials{order}: {', '.join(lost)}."


def _words(problem: Problem, x: np.ndarray) -> str:
    """Which units are fewer than the terms that only change between them."""
    c, structure = problem.candidates, problem.structure
    coarse: set[int] = set()
    said = []
    raw = _with_known(x, problem.prior) @ problem.basis.inverse
    for level in ("day", "base", "batch", "load"):
        alone = level == "load"  # loads cross batches; the other levels nest
        mine = set(map(int, c.positions.get(level, [])))
        coarse |= set() if alone else mine
        terms = _terms_of(problem.basis, mine if alone else coarse)
        units = len(structure.rows(level)) if level in structure.groups else structure.n
        if not mine or units == structure.n:
            continue
        room = len(independent(raw, terms))
        if room < len(terms):
            said.append(
                f"{counted(units, 'base mixing' if level == 'base' else level)} {'carries' if units == 1 else 'carry'} {room} of the {len(terms)} terms that only change between them"
            )
    return "; ".join(said)


def _terms_of(basis: Basis, variables: Collection[int]) -> list[int]:
    """Terms whose factors all depend on some variables only."""
    return [k for k, term in enumerate(basis.space.terms) if basis.moved_by(term) <= set(variables)]
