"""Two-level screening plans: fractions with generators, resolution and alias chains; Plackett & Burman."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import log2

import numpy as np
import pandas as pd

from formlab.errors import PlanError

__all__ = ["Fraction", "alias_chains", "fraction", "plackett_burman", "two_level"]


@dataclass
class Fraction:
    """A fraction of a two-level factorial.

    Attributes
    ----------
    coded : ndarray of shape (runs, k)
        -1 and 1.
    generators : dict of str to tuple of str
        Each added factor and the factors whose product it is.
    resolution : int
        Length of the shortest word; 0 for a full factorial.
    words : list of frozenset of str
        Products that are constant: the defining relation.
    """

    names: list[str]
    coded: np.ndarray
    generators: dict[str, tuple[str, ...]]
    resolution: int
    words: list[frozenset[str]]

    @property
    def text(self) -> str:
        """The generators and the resolution in words."""
        if not self.generators:
            return f"full factorial of {len(self.names)} factors in {len(self.coded)} runs"
        made = "; ".join(f"{n} = {' × '.join(parts)}" for n, parts in self.generators.items())
        return (
            f"{len(self.coded)} runs for {len(self.names)} factors, resolution {_roman(self.resolution)}; "
            f"generators {made}"
        )


def two_level(
    names: Sequence[str],
    runs: int | None = None,
    generators: Mapping[str, Sequence[str]] | None = None,
    resolution: int | None = None,
) -> Fraction | np.ndarray:
    """Return a fraction, or Plackett & Burman's coded matrix where the number of runs asks for it.

    Without any wish: the smallest fraction of resolution IV.
    """
    k = len(names)
    if generators is not None or runs is None:
        return fraction(names, runs, generators, resolution or (4 if runs is None else None))
    if runs < k + 1:
        raise PlanError(
            f"{k} factors need at least {k + 1} runs for their main effects; runs = {runs}. Add runs."
        )
    if log2(runs) == int(log2(runs)):
        return fraction(names, runs, None, resolution)
    if runs % 4:
        near = [4 * (runs // 4), 4 * (runs // 4 + 1)]
        near = [r for r in near if r >= k + 1]
        raise PlanError(
            f"runs = {runs}; a screening plan has a multiple of 4: use {' or '.join(map(str, near))}."
        )
    return plackett_burman(k, runs)


def fraction(
    names: Sequence[str],
    runs: int | None = None,
    generators: Mapping[str, Sequence[str]] | None = None,
    resolution: int | None = None,
) -> Fraction:
    """Return a two-level fraction (Box & Hunter 1961).

    Parameters
    ----------
    runs : int, optional
        A power of 2; the smallest that reaches `resolution` where left out.
    generators : mapping of factor to factors, optional
        What each added factor is the product of. Chosen for the highest resolution and then the fewest
        shortest words where left out.

    Raises
    ------
    PlanError
        If generators name other factors, or no fraction has this resolution.
    """
    names = list(names)
    if generators is not None:
        return _given(names, {n: tuple(v) for n, v in generators.items()}, runs)
    sizes = [runs] if runs is not None else [2**b for b in range(1, len(names) + 1)]
    for size in sizes:
        b = int(log2(size))
        if 2**b != size:
            raise PlanError(
                f"runs = {size}; choose a power of 2 for a fraction, a multiple of 4 for Plackett & Burman's plans."
            )
        if b >= len(names):
            return _given(names, {}, None)
        if 2**b - 1 < len(names):
            continue
        chosen = _best_generators(names, b)
        made = _given(names, chosen, None)
        if resolution is None or made.resolution >= resolution:
            return made
    raise PlanError(
        f"No fraction of {len(names)} factors in {sizes[-1]} runs has resolution {_roman(resolution or 3)}. "
        "Ask for more runs or a lower resolution."
    )


def _given(names: list[str], generators: dict[str, tuple[str, ...]], runs: int | None) -> Fraction:
    from pyDOE3 import fracfact

    unknown = [
        n for n in [*generators, *(v for parts in generators.values() for v in parts)] if n not in names
    ]
    if unknown:
        raise PlanError(f"The generators name {unknown[0]!r}; choose among the factors {', '.join(names)}.")
    base = [n for n in names if n not in generators]
    loose = [v for parts in generators.values() for v in parts if v not in base]
    if loose:
        raise PlanError(
            f"A generator uses {loose[0]!r}, which is generated itself; use only {', '.join(base)}."
        )
    if runs is not None and runs != 2 ** len(base):
        raise PlanError(
            f"These generators make {2 ** len(base)} runs, not {runs}; give others, or leave out runs=."
        )
    if len(base) > 16:
        raise PlanError(
            f"{len(base)} base factors make {2 ** len(base)} runs; give more generators or use runs=."
        )
    letters = dict(zip(base, "abcdefghijklmnop"))
    text = " ".join(letters[n] if n in letters else "".join(letters[v] for v in generators[n]) for n in names)
    coded = np.asarray(fracfact(text), dtype=float)
    words = _words(generators)
    return Fraction(names, coded, generators, min(map(len, words), default=0), words)


def _words(generators: Mapping[str, Sequence[str]]) -> list[frozenset[str]]:
    """The defining relation: every product of generators, as the factors left in it."""
    basic = [frozenset([n]) ^ frozenset(parts) for n, parts in generators.items()]
    out: list[frozenset[str]] = []
    for size in range(1, len(basic) + 1):
        for chosen in combinations(basic, size):
            word: frozenset[str] = frozenset()
            for part in chosen:
                word = word ^ part
            out.append(word)
    return out


def _best_generators(names: list[str], b: int) -> dict[str, tuple[str, ...]]:
    """Highest resolution, then fewest words of that length: greedy with a look at all small cases."""
    base, added = names[:b], names[b:]
    products = [c for size in range(b, 1, -1) for c in combinations(base, size)]
    best: tuple[tuple[int, int], dict[str, tuple[str, ...]]] | None = None
    few = len(products) <= 26 and len(added) <= 4
    choices = combinations(products, len(added)) if few else iter([_greedy(base, added, products)])
    for chosen in choices:
        generators = dict(zip(added, chosen))
        lengths = [len(w) for w in _words(generators)]
        rank = (min(lengths), -lengths.count(min(lengths)))
        if best is None or rank > best[0]:
            best = (rank, generators)
    assert best is not None
    return best[1]


def _greedy(
    base: list[str], added: list[str], products: list[tuple[str, ...]]
) -> tuple[tuple[str, ...], ...]:
    chosen: list[tuple[str, ...]] = []
    for count in range(len(added)):

        def rank(product: tuple[str, ...], count: int = count) -> tuple[int, int]:
            lengths = [len(w) for w in _words(dict(zip(added[: count + 1], [*chosen, product])))]
            return min(lengths), -lengths.count(min(lengths))

        chosen.append(max((p for p in products if p not in chosen), key=rank))
    return tuple(chosen)


def alias_chains(made: Fraction, order: int = 2) -> pd.DataFrame:
    """Return what each effect up to an order cannot be told from.

    Returns
    -------
    DataFrame
        effect, aliases: products of the same column, shortest first, up to one order more.
    """
    place = {n: k for k, n in enumerate(made.names)}

    def name(effect: frozenset[str]) -> str:
        return " × ".join(sorted(effect, key=lambda n: place[n])) or "1"

    lines = []
    for size in range(1, order + 1):
        for chosen in combinations(made.names, size):
            effect = frozenset(chosen)
            others = sorted({effect ^ w for w in made.words}, key=lambda e: (len(e), name(e)))
            lines.append([name(effect), " = ".join(name(o) for o in others if len(o) <= order + 1)])
    return pd.DataFrame(lines, columns=["effect", "aliases"])


def plackett_burman(k: int, runs: int) -> np.ndarray:
    """Return the coded plan of Plackett & Burman (1946) for k factors; runs a multiple of 4."""
    from pyDOE3 import pbdesign

    design = np.asarray(pbdesign(runs - 1), dtype=float)
    if design.shape[0] != runs:
        raise PlanError(
            f"runs = {runs}; Plackett & Burman's plan of {runs - 1} factors is not held, use {len(design)}."
        )
    return design[:, :k]


def _roman(number: int) -> str:
    return {0: "full", 1: "I", 2: "II", 3: "III", 4: "IV", 5: "V", 6: "VI", 7: "VII", 8: "VIII"}.get(
        number, str(number)
    )
