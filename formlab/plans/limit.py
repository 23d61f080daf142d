"""How good a plan could be: the best design with weights instead of counts, and how far it was bounded.

The design point is a whole batch with its slabs, so its information is ``X' V^-1 X``; a plan without
shared errors has batches of one. Criteria are concave in the weights, so with the sensitivity
``psi(batch) = trace(K B(batch))`` (K = inverse for D, inverse S inverse for trace criteria) no design
beats the found one by more than ``max psi - mean psi`` (Kiefer & Wolfowitz 1960; the general equivalence
theorem, Whittle 1973). Support points are added where the sensitivity is largest, as Wynn (1970) and
Fedorov (1972) do; between additions the weights are solved for.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations_with_replacement, product
from math import comb
from typing import Any

import numpy as np

from formlab.plans.basis import Basis
from formlab.plans.candidates import Candidates
from formlab.plans.criteria import along, score
from formlab.plans.lines import Lines
from formlab.plans.structure import Structure
from formlab.plans.weights import best_weights
from formlab.progress import tick

__all__ = ["Limit", "upper_limit"]

GAP = 1e-3
ROUNDS = 300
ADDED, CLIMBS = 30, 30  # candidates added in a round; batches moved to the top of the sensitivity
RANDOM, DRAWN = 8, 50  # starts inside the region that are looked at, and how often before more are drawn
MOST_MULTISETS = 1000
MOST_VERTEX_POINTS = 30_000


@dataclass
class Limit:
    """The best continuous design that was found.

    Attributes
    ----------
    score : float
        Its score on the scale of `criteria.score` for the plan's number of batches.
    gap : float
        No design has a score above ``score + gap``, as far as `searched` goes.
    proven : bool
        Whether the largest sensitivity was bounded exactly and not only searched for.
    searched : str
        Where the largest sensitivity was looked for, in words.
    points : ndarray of shape (m, s, v)
    weights : ndarray of shape (m,)
    largest : float
        Largest sensitivity over the mean one (1 at the optimum).
    """

    score: float
    gap: float
    proven: bool
    searched: str
    points: list[np.ndarray] = field(repr=False)
    weights: np.ndarray = field(repr=False)
    largest: float

    def efficiency(self, reached: float) -> float:
        """Return the efficiency of a plan with this score: 1 is the best there can be."""
        return float(np.exp(reached - self.score))

    @property
    def words(self) -> str:
        sure = "proven" if self.proven else f"not proven; searched {self.searched}"
        return (
            f"limit to within {100 * (np.exp(self.gap) - 1):.2g} % ({sure}); "
            f"largest sensitivity found {self.largest:.5g} times the mean"
        )


@dataclass
class _Kind:
    """Batches of one size: how many there are, and the whitening of their slabs' errors."""

    size: int
    count: int
    white: np.ndarray


def upper_limit(
    basis: Basis,
    candidates: Candidates,
    structure: Structure,
    weight: np.ndarray | None,
    prior: np.ndarray,
    start: np.ndarray,
    seed: Any,
    gap: float = GAP,
) -> Limit | None:
    """Return the limit for plans with the batches of a structure, or None where none is derived.

    Parameters
    ----------
    weight : ndarray or None
        None for D, else the matrix of a trace criterion.
    prior : ndarray of shape (p, p)
        Information that is there already.
    start : ndarray of shape (n, v)
        Points of a plan with this structure that estimates every term.
    """
    if not structure.nested_batches or not set(candidates.levels) <= {"batch", "slab"}:
        return None
    return _Solver(basis, candidates, structure, weight, prior, start, seed).solve(gap)


class _Solver:
    def __init__(
        self,
        basis: Basis,
        candidates: Candidates,
        structure: Structure,
        weight: np.ndarray | None,
        prior: np.ndarray,
        start: np.ndarray,
        seed: Any,
    ) -> None:
        self.basis, self.candidates, self.weight, self.prior = basis, candidates, weight, prior
        self.rng = np.random.default_rng(seed)
        self.kinds = _kinds(structure)
        self.total = sum(kind.count for kind in self.kinds)
        self.lines = [Lines(basis, cols) for cols in candidates.positions.values()]
        self.levels = list(candidates.positions)
        self.points: list[np.ndarray] = []  # one (size, v) a support batch
        self.kind: list[int] = []
        self.infos: list[np.ndarray] = []  # whitened columns (size, p)
        self.w = np.empty(0)
        self.between = False
        self._unused = np.empty((0, 0))  # random points
        rows = structure.rows("batch") if structure.random else [np.array([k]) for k in range(structure.n)]
        for r in rows:
            k = next(i for i, kind in enumerate(self.kinds) if kind.size == len(r))
            self._add(start[r], k, 1.0 / self.total)
        self.vertex_table = _vertex_points(basis) if _is_convex(basis) else None
        sizes_known = self.vertex_table is not None and "slab" not in self.levels
        self.exact = sizes_known

    # ---- support --------------------------------------------------------------------------------

    def _add(self, points: np.ndarray, kind: int, weight: float) -> None:
        self.points.append(points.copy())
        self.kind.append(kind)
        self.infos.append(self.kinds[kind].white @ self.basis.matrix(points))
        self.w = np.append(self.w, weight)

    def _information(self) -> np.ndarray:
        rows = np.vstack([np.sqrt(w * self.total) * f for w, f in zip(self.w, self.infos)])
        return np.asarray(self.prior + rows.T @ rows)

    def _k(self, m: np.ndarray) -> np.ndarray:
        inverse = np.linalg.inv(m)
        return inverse if self.weight is None else np.asarray(inverse @ self.weight @ inverse)

    def _worth(self, m: np.ndarray) -> float:
        """What one unit of `max psi - mean psi` is in score."""
        if self.weight is None:
            return self.total / len(m)
        return self.total / float(np.sum(self.weight * np.linalg.inv(m)))

    # ---- weights --------------------------------------------------------------------------------

    def _balance(self, tolerance: float) -> None:
        """Find the best weights on the present support."""
        stack = np.vstack(self.infos)
        starts = np.cumsum([0, *[len(f) for f in self.infos[:-1]]])
        share = np.array([k.count / self.total for k in self.kinds])
        kind, total = np.array(self.kind), float(self.total)
        self.w = best_weights(stack, starts, kind, share, total, self.weight, self.prior, self.w, tolerance)
        self._prune()

    def _prune(self) -> None:
        keep = np.flatnonzero(self.w > 1e-4 * self.w.max())
        kind = np.array(self.kind)
        share = np.array([k.count / self.total for k in self.kinds])
        self.points = [self.points[k] for k in keep]
        self.infos = [self.infos[k] for k in keep]
        self.kind = [self.kind[k] for k in keep]
        self.w = self.w[keep]
        total = np.bincount(kind[keep], self.w, minlength=len(share))
        self.w *= (share / total)[kind[keep]]

    # ---- sensitivity ----------------------------------------------------------------------------

    def _psi(self, k: np.ndarray, kind: _Kind, columns: np.ndarray) -> np.ndarray:
        """Sensitivity of batches given as columns (N, s, p)."""
        white = np.matmul(kind.white, columns)
        n, s, p = white.shape
        flat = white.reshape(n * s, p)
        return np.asarray(np.einsum("np,np->n", flat @ k, flat).reshape(n, s).sum(axis=1))

    def _climb(
        self, k: np.ndarray, kind: _Kind, points: np.ndarray, values: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Move batches (u, s, v) inside the region while their sensitivities grow."""
        inner = kind.white.T @ kind.white
        points, values = points.copy(), values.copy()
        live = np.arange(len(points))
        for _ in range(40):
            before = values[live]
            for level, lines in zip(self.levels, self.lines):
                rows = [[r] for r in range(kind.size)] if level == "slab" else [list(range(kind.size))]
                for part in rows if lines.count else []:
                    points[live], values[live] = self._step(
                        k, inner, points[live], np.array(part), lines, values[live]
                    )
            live = live[values[live] - before >= 1e-5 * values[live]]
            if not len(live):
                break
        return points, values

    def _step(
        self,
        k: np.ndarray,
        inner: np.ndarray,
        points: np.ndarray,
        rows: np.ndarray,
        lines: Lines,
        values: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray]:
        """The best step along any line: psi = sum_ab inner_ab x_a' K x_b is a polynomial on each."""
        columns = self.basis.matrix(points)
        directions, tau, coefficients = lines.through(points[:, rows], self.rng, columns[:, rows])
        ck = coefficients @ k
        psi = np.zeros((2 * len(ck) + 1, *tau.shape[:2]))  # coefficients of its powers
        psi[0] = values[:, None]
        psi[1 : len(ck) + 1] = 2 * np.einsum("juqsp,usp->juq", ck, np.matmul(inner[rows], columns))
        own = inner[np.ix_(rows, rows)]
        for i in range(len(coefficients)):
            weighed = np.einsum("ab,uqbp->uqap", own, ck[i])
            for j in range(len(coefficients)):
                psi[i + j + 2] += np.einsum("uqap,uqap->uq", weighed, coefficients[j])
        reached, unit = along(psi, tau), np.arange(len(points))
        q, t = np.unravel_index(reached.reshape(len(points), -1).argmax(axis=1), tau.shape[1:])
        up = reached[unit, q, t] > values
        step = (tau[unit, q, t][:, None] * directions[unit, q])[up]
        out = points.copy()
        which = np.flatnonzero(up)[:, None]
        out[which, rows] = lines.moved(points[which, rows], step[:, None])
        new = self.basis.matrix(out[up])
        values = values.copy()
        values[up] = np.sum(np.matmul(inner, new) * (new @ k), axis=(1, 2))
        return out, values

    def _tops(self, k: np.ndarray, kind: _Kind, count: int) -> list[tuple[np.ndarray, float]]:
        """The candidates of highest sensitivity and some random ones, each with its value."""
        batches, psi = self._scan(k, kind)
        order = np.argsort(-psi)[:count]
        picks = [(batches(int(i)), float(psi[i])) for i in order if np.isfinite(psi[i])]
        for row in self._random_points():
            start = np.repeat(row[None], kind.size, axis=0)
            picks.append((start, float(self._psi(k, kind, self.basis.matrix(start)[None])[0])))
        return picks

    def _random_points(self) -> np.ndarray:
        """A few points of the region not used before; they are drawn many at a time, which takes little longer."""
        if not len(self._unused):
            self._unused = self.basis.points(self.basis.region.sample(RANDOM * DRAWN, self.rng))
        some, self._unused = self._unused[:RANDOM], self._unused[RANDOM:]
        return some

    def _scan(self, k: np.ndarray, kind: _Kind) -> tuple[Any, np.ndarray]:
        """Sensitivity of every candidate batch; and a function from its number to its points."""
        c = self.candidates
        if "slab" not in c.levels:
            table = c.table.reshape(-1, c.table.shape[-1])
            ones = kind.white.sum(axis=1)
            psi = float(ones @ ones) * np.einsum("np,np->n", table @ k, table)
            psi[~c.allowed.ravel()] = -np.inf
            only = c.positions[c.levels[0]]

            def whole(i: int) -> np.ndarray:
                out = np.empty((kind.size, len(self.basis.variables)))
                out[:, only] = c.options[c.levels[0]][i]
                return out

            return whole, psi
        return self._scan_slabs(k, kind)

    def _scan_slabs(self, k: np.ndarray, kind: _Kind) -> tuple[Any, np.ndarray]:
        """For every formula the best multiset of slab settings, by enumeration or by greedy choice."""
        c = self.candidates
        table = c.table if c.levels == ["batch", "slab"] else c.table[None]
        allowed = c.allowed if c.levels == ["batch", "slab"] else c.allowed[None]
        inner = kind.white.T @ kind.white
        diagonal, off = inner[0, 0], inner[0, 1] if kind.size > 1 else 0.0
        count = table.shape[1]
        gram = np.matmul(table @ k, table.transpose(0, 2, 1))
        gram[~allowed] = -np.inf
        if comb(count + kind.size - 1, kind.size) <= MOST_MULTISETS:
            sets = np.array(list(combinations_with_replacement(range(count), kind.size)))
        else:
            sets = np.array([[j] * kind.size for j in range(count)])
        best, psi = [], np.empty(len(table))
        for g in range(len(table)):
            chosen, value = _best_set(gram[g], allowed[g], sets, diagonal, off)
            best.append(chosen)
            psi[g] = value

        def points(i: int) -> np.ndarray:
            out = np.empty((kind.size, len(self.basis.variables)))
            if "batch" in c.positions:
                out[:, c.positions["batch"]] = c.options["batch"][i]
            out[:, c.positions["slab"]] = c.options["slab"][best[i]]
            return out

        return points, psi

    # ---- the search -----------------------------------------------------------------------------

    def solve(self, gap: float) -> Limit:
        reach = np.inf
        best: tuple[float, float] = (-np.inf, np.inf)
        for _ in range(ROUNDS):
            tick()
            self._balance(1e-3 * gap)
            m = self._information()
            k, worth = self._k(m), self._worth(m)
            stack_psi = [float(np.sum((f @ k) * f)) for f in self.infos]
            reach, mean = 0.0, 0.0
            for number, kind in enumerate(self.kinds):
                share = kind.count / self.total
                mine = [i for i, which in enumerate(self.kind) if which == number]
                average = sum(self.w[i] * stack_psi[i] for i in mine)
                top = self._enlarge(k, kind, number, average / share, gap / worth)
                reach += share * max(top, max(stack_psi[i] for i in mine))
                mean += average
            best = (score(m, self.weight), worth * max(0.0, reach - mean))
            if best[1] < gap:
                break
        self._prune()
        return Limit(
            best[0],
            best[1],
            self.exact and bool(np.isfinite(best[1])),
            "vertices, centroids of edges and faces, levels, and random starts, each climbed to its top",
            self.points,
            self.w,
            reach / mean,
        )

    def _enlarge(self, k: np.ndarray, kind: _Kind, number: int, mean: float, slack: float) -> float:
        """Add the best batches to the support; return the largest sensitivity seen."""
        if self.exact:
            picks = self._exact_tops(k, kind)
        else:
            picks = self._tops(k, kind, ADDED)
            self.between |= max(v for _, v in picks) < mean + 10 * slack
            if self.between:  # nearly done on the candidates: look between them, and from the support
                mine = [i for i in np.argsort(-self.w) if self.kind[i] == number][:CLIMBS]
                picks = [*picks[:CLIMBS], *picks[ADDED:], *[(self.points[i], mean) for i in mine]]
                points, values = self._climb(
                    k, kind, np.array([p for p, _ in picks]), np.array([v for _, v in picks])
                )
                picks = list(zip(points, values.tolist()))
        largest = max(v for _, v in picks)
        added: list[np.ndarray] = []
        for points, value in sorted(picks, key=lambda pick: -pick[1]):
            if value <= mean + 0.3 * slack:
                break
            near = 1e-4 * np.abs(points).max()
            if not added or np.abs(np.array(added) - points).max(axis=(1, 2)).min() > near:
                added.append(points)
        for points in added:
            self.w *= 1 - 0.02 / len(added)
            self._add(points, number, 0.02 / len(added))
        if added:
            self._fit_shares()
        return largest

    def _fit_shares(self) -> None:
        kind = np.array(self.kind)
        share = np.array([k.count / self.total for k in self.kinds])
        self.w *= (share / np.bincount(kind, self.w, minlength=len(share)))[kind]

    def _exact_tops(self, k: np.ndarray, kind: _Kind) -> list[tuple[np.ndarray, float]]:
        """All vertices: where the sensitivity is convex, none is larger."""
        assert self.vertex_table is not None
        ones = kind.white.sum(axis=1)
        columns = self.basis.matrix(self.vertex_table)
        psi = float(ones @ ones) * np.einsum("np,np->n", columns @ k, columns)
        order = np.argsort(-psi)[:12]
        return [(np.repeat(self.vertex_table[i][None], kind.size, axis=0), float(psi[i])) for i in order]


def _best_set(
    gram: np.ndarray, allowed: np.ndarray, sets: np.ndarray, diagonal: float, off: float
) -> tuple[Any, float]:
    """The multiset of slabs with the largest ``diagonal * sum G_ii + off * sum_{i != j} G_ij``."""
    if not allowed.any():
        return sets[0], -np.inf
    own = np.diag(gram)
    value = (diagonal - off) * own[sets].sum(axis=1) + off * gram[sets[:, :, None], sets[:, None, :]].sum(
        axis=(1, 2)
    )
    value = np.where(allowed[sets].all(axis=1), value, -np.inf)
    chosen, best = sets[int(value.argmax())].copy(), float(value.max())
    improved = len(sets) == len(gram) and len(chosen) > 1
    while improved:  # only single settings were tried: exchange slabs one at a time
        improved = False
        for place in range(len(chosen)):
            options = np.repeat(chosen[None], len(gram), axis=0)
            options[:, place] = np.arange(len(gram))
            value = (diagonal - off) * own[options].sum(axis=1)
            value += off * gram[options[:, :, None], options[:, None, :]].sum(axis=(1, 2))
            value = np.where(allowed[options].all(axis=1), value, -np.inf)
            if value.max() > best + 1e-12 * abs(best):
                chosen, best, improved = options[int(value.argmax())], float(value.max()), True
    return chosen, best


def _kinds(structure: Structure) -> list[_Kind]:
    if not structure.random:
        variance = float(structure.covariance()[0, 0])
        return [_Kind(1, structure.n, np.full((1, 1), variance**-0.5))]
    out = []
    sizes = [len(rows) for rows in structure.rows("batch")]
    covariance = structure.covariance()
    for size in sorted(set(sizes)):
        rows = next(r for r in structure.rows("batch") if len(r) == size)
        v = covariance[np.ix_(rows, rows)]
        values, vectors = np.linalg.eigh(v)
        out.append(_Kind(size, sizes.count(size), (vectors / np.sqrt(values)) @ vectors.T))
    return out


def _is_convex(basis: Basis) -> bool:
    """Whether every term is affine in each block of continuous variables, so that vertices decide."""
    levels = {basis.numeric.index(name) for name in basis.region.levels}
    for block in basis.blocks:
        if len(block) == 1 and int(block[0]) in levels:
            continue
        if levels & set(block.tolist()):
            return False
        names = {
            n
            for k, n in enumerate(basis.space.base_names[: basis._slope.shape[1]])
            if basis._slope[block, k].any()
        }
        if any(sum(f in names for f in term.factors) > 1 for term in basis.space.terms):
            return False
    return True


def _vertex_points(basis: Basis) -> np.ndarray | None:
    """All vertices of the blocks, levels and categories crossed; None if there are too many."""
    polytope = basis.region.polytope
    levels = basis.region.levels
    parts: list[np.ndarray] = []
    order: list[int] = []
    for block in basis.blocks:
        names = [basis.numeric[k] for k in block]
        if len(names) == 1 and names[0] in levels:
            parts.append(np.array(levels[names[0]])[:, None])
        else:
            parts.append(np.unique(np.round(polytope.vertices[:, block], 12), axis=0))
        order += [int(k) for k in block]
    for k, values in enumerate(basis.categories.values()):
        parts.append(np.arange(float(len(values)))[:, None])
        order.append(len(basis.numeric) + k)
    if np.prod([len(p) for p in parts], dtype=float) > MOST_VERTEX_POINTS:
        return None
    base = np.concatenate([polytope.lower, np.zeros(len(basis.categories))])
    rows = [np.concatenate(chosen) for chosen in product(*parts)]
    out = np.repeat(base[None], len(rows), axis=0)
    if order:
        out[:, order] = np.array(rows)
    return out
