"""Model columns that are orthonormal over the region, with the moments that make them so.

Points are rows of plain numbers: every numeric variable of the region, then one level number for each
category. The region is a product of blocks that no limit ties together, and every term is a product of
one factor a block; so moments are exact wherever each block's polynomials can be integrated exactly.
"""

from __future__ import annotations

from functools import cached_property
from itertools import combinations_with_replacement
from math import factorial

import numpy as np
import pandas as pd
from numpy.polynomial.legendre import leggauss

from formlab.errors import PlanError
from formlab.region import Region
from formlab.terms import ModelSpace, Term

__all__ = ["Basis"]

EXACT_DIMENSION = 6  # blocks of more dimensions are integrated over a sample
MOST_VERTICES = {2: 400, 3: 400, 4: 200, 5: 100, 6: 60}  # the triangulation grows fast with both
SAMPLE = 20_000
SAMPLE_SEED = 20_170  # fixed, so that two plans of one brief are judged by the same measure


class Basis:
    """Columns of a model, orthonormal under the uniform measure over the region.

    Parameters
    ----------
    region : Region
    space : ModelSpace

    Attributes
    ----------
    transform : ndarray of shape (p, p)
        ``matrix(x) = space.matrix(x) @ transform``.
    measure : str
        The measure and how its moments were taken, in words.

    Raises
    ------
    PlanError
        If terms cannot be told apart anywhere in the region; it names them.
    """

    def __init__(self, region: Region, space: ModelSpace) -> None:
        self.region, self.space = region, space
        self.numeric = list(region.polytope.names)
        self.categories = region.categories
        self._learn_base()
        self.inverse, exact = self._moment_root()
        self.transform = np.linalg.inv(self.inverse)
        how = "moments exact" if exact else f"moments from {SAMPLE} points, seed {SAMPLE_SEED}"
        self.measure = f"uniform over the region in {region.brief.amount_unit} and over the settings; {how}"

    # ---- points and frames ----------------------------------------------------------------------

    @property
    def variables(self) -> list[str]:
        """Names of the point columns: numeric variables, then categories."""
        return [*self.numeric, *self.categories]

    def points(self, frame: pd.DataFrame) -> np.ndarray:
        """Return a frame with the brief's columns as points, shape (n, v)."""
        columns = [frame[name].to_numpy(float) for name in self.numeric]
        for name, levels in self.categories.items():
            columns.append(np.array([levels.index(v) for v in frame[name]], dtype=float))
        return np.column_stack(columns) if columns else np.empty((len(frame), 0))

    def frame(self, points: np.ndarray) -> pd.DataFrame:
        """Return points as a frame with the brief's columns."""
        out = pd.DataFrame(points[:, : len(self.numeric)], columns=self.numeric)
        for k, (name, levels) in enumerate(self.categories.items()):
            codes = points[:, len(self.numeric) + k].astype(int)
            out[name] = np.array(levels, dtype=object)[codes]
        return out[self.region.brief.columns]

    # ---- columns --------------------------------------------------------------------------------

    def raw(self, points: np.ndarray) -> np.ndarray:
        """Return the model's own columns, shape (n, p)."""
        return self.space.expand(self._base(points))

    def matrix(self, points: np.ndarray) -> np.ndarray:
        """Return the orthonormal columns of points (…, v), shape (…, p)."""
        flat = points if points.ndim == 2 else points.reshape(-1, points.shape[-1])
        return (self.raw(flat) @ self.transform).reshape(*points.shape[:-1], len(self.space))

    def derivative(self, points: np.ndarray, by_column: np.ndarray) -> np.ndarray:
        """Return the derivative by the numeric variables of what is linear in the model's own columns.

        Parameters
        ----------
        points : ndarray of shape (…, v)
            Of a model that is affine in the amounts.
        by_column : ndarray of shape (…, p)
            Its derivatives by the model's own columns.

        Returns
        -------
        ndarray of shape (…, d)
        """
        base = self._base(points.reshape(-1, points.shape[-1]))
        by_base = self.space.derivative(base, by_column.reshape(len(base), -1))
        moved = by_base[:, : self._slope.shape[1]] @ self._slope.T
        return moved.reshape(*points.shape[:-1], len(self.numeric))

    def _base(self, points: np.ndarray) -> np.ndarray:
        if not self.space.affine:
            return self.space.base(self.frame(points))
        d = len(self.numeric)
        parts = [points[:, :d] @ self._slope + self._offset]
        for k, effects in enumerate(self._effects):
            parts.append(effects[points[:, d + k].astype(int)])
        return np.hstack(parts)

    def _learn_base(self) -> None:
        """Base columns are affine in the numeric variables: read off the slope once."""
        polytope = self.region.polytope
        lower = polytope.lower
        step = np.where(polytope.upper > lower, polytope.upper - lower, 1.0)
        probe = pd.DataFrame(np.vstack([lower, lower + np.diag(step)]), columns=self.numeric)
        for name, levels in self.categories.items():
            probe[name] = pd.Series([levels[0]] * len(probe), dtype=object)
        values = self.space.base(probe)
        count = values.shape[1] - sum(len(v) - 1 for v in self.categories.values())
        values = values[:, :count]
        self._slope = (values[1:] - values[0]) / step[:, None]
        self._slope[np.abs(self._slope) < 1e-14] = 0.0
        self._offset = values[0] - lower @ self._slope
        self._effects = []
        for levels in self.categories.values():
            k = len(levels)
            self._effects.append(np.vstack([np.eye(k)[: k - 1, : k - 1], -np.ones((1, k - 1))]))

    @cached_property
    def a_weight(self) -> np.ndarray:
        """W with ``trace(W @ inv(M))`` = sum of the variances of the model's own coefficients."""
        return self.transform.T @ self.transform

    # ---- moments --------------------------------------------------------------------------------

    def _moment_root(self) -> tuple[np.ndarray, bool]:
        """Return upper triangular R with R'R = mean of f f' over the region, and whether it is exact."""
        product: np.ndarray = np.ones((1, len(self.space)))
        exact = True
        for columns, roots, block_exact in self._block_roots():
            exact &= block_exact
            part = roots[:, columns]
            product = (product[:, None, :] * part[None, :, :]).reshape(-1, product.shape[1])
            if len(product) > 4 * product.shape[1]:
                product = np.asarray(np.linalg.qr(product, mode="r"))
        self._check_told_apart(product)
        root = np.asarray(np.linalg.qr(product, mode="r"))
        return root * np.where(np.diag(root) < 0, -1.0, 1.0)[:, None], exact

    def _block_roots(self) -> list[tuple[np.ndarray, np.ndarray, bool]]:
        """For every block: the factor of each term, a root of the factors' moments, exact or not."""
        names = self.space.base_names
        numeric = len(names) - sum(e.shape[1] for e in self._effects)
        out = []
        taken = 0
        for effects in self._effects:
            columns = np.arange(numeric + taken, numeric + taken + effects.shape[1])
            taken += effects.shape[1]
            weights = np.full(len(effects), 1.0 / len(effects))
            out.append((*self._factor_root(columns, effects, weights), True))
        for variables in self.blocks:
            columns = np.array([c for c in range(numeric) if self._slope[variables, c].any()], dtype=int)
            nodes, weights, exact = self._nodes(variables)
            base = nodes @ self._slope[np.ix_(variables, columns)]
            rest = np.setdiff1d(np.arange(len(self.numeric)), variables)
            base += (
                self._offset[columns] + self.region.polytope.lower[rest] @ self._slope[np.ix_(rest, columns)]
            )
            out.append((*self._factor_root(columns, base, weights), exact))
        return out

    @cached_property
    def blocks(self) -> list[np.ndarray]:
        """Numeric variables in groups that neither a limit nor a base column ties together."""
        polytope = self.region.polytope
        groups = [set(polytope.free[block].tolist()) for block in polytope.blocks]
        for column in self._slope.T:
            used = {int(k) for k in np.flatnonzero(column) if k in polytope.free}
            hit = [g for g in groups if g & used]
            if len(hit) > 1:
                groups = [g for g in groups if g not in hit] + [set().union(*hit)]
        return [np.array(sorted(group)) for group in groups]

    def _factor_root(
        self, columns: np.ndarray, base: np.ndarray, weights: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Which distinct factor each term has in one block, and R with R'R = moments of the factors."""
        position = {self.space.base_names[c]: k for k, c in enumerate(columns)}
        keys = [tuple(sorted(position[f] for f in t.factors if f in position)) for t in self.space.terms]
        distinct = list(dict.fromkeys(keys))
        values = np.ones((len(base), len(distinct)))
        for k, key in enumerate(distinct):
            for column in key:
                values[:, k] *= base[:, column]
        return np.array([distinct.index(key) for key in keys]), _root(values, weights)

    def _nodes(self, variables: np.ndarray) -> tuple[np.ndarray, np.ndarray, bool]:
        """Return integration nodes (n, k), weights that sum to 1, and whether they are exact."""
        names = [self.numeric[v] for v in variables]
        if len(names) == 1 and names[0] in self.region.levels:
            levels = np.array(self.region.levels[names[0]])[:, None]
            return levels, np.full(len(levels), 1.0 / len(levels)), True
        vertices = np.unique(np.round(self.region.polytope.vertices[:, variables], 12), axis=0)
        if not any(name in self.region.levels for name in names):
            degree = 2 * self.degree(variables)
            found = polytope_rule(vertices, degree)
            if found is not None:
                return *found, True
        sample = self.region.sample(SAMPLE, SAMPLE_SEED)[names].to_numpy(float)
        return sample, np.full(SAMPLE, 1.0 / SAMPLE), False

    def degree(self, variables: np.ndarray) -> int:
        """Highest power of the variables of a block in any term."""
        moved = self._slope[variables].any(axis=0)
        names = {n for n, used in zip(self.space.base_names, moved) if used}
        return max(1, max((sum(f in names for f in t.factors) for t in self.space.terms), default=1))

    def moved_by(self, term: Term) -> set[int]:
        """Return the positions of the variables that a term depends on."""
        names = self.space.base_names
        effects = [len(self.numeric) + k for k, e in enumerate(self._effects) for _ in range(e.shape[1])]
        numeric = len(names) - len(effects)
        out: set[int] = set()
        for column in map(names.index, term.factors):
            if column < numeric:
                out |= set(map(int, np.flatnonzero(self._slope[:, column])))
            else:
                out.add(effects[column - numeric])
        return out

    def _check_told_apart(self, product: np.ndarray) -> None:
        size = np.linalg.norm(product, axis=0)
        dead = size < 1e-12 * size.max()
        _, values, right = np.linalg.svd(product / np.where(dead, 1.0, size), full_matrices=True)
        values = np.append(values, np.zeros(max(0, right.shape[0] - len(values))))
        null = right[values < 1e-9 * values.max()]
        if not len(null):
            return
        named = [n for n, load in zip(self.space.names, np.abs(null).max(axis=0)) if load > 1e-3]
        points = self._shrunk()
        reason = f" The limits leave only one value of {', '.join(points)}." if points else ""
        raise PlanError(
            f"{len(null)} of {len(self.space)} terms cannot be told apart anywhere in the region: the columns of "
            f"{', '.join(map(repr, named))} depend on each other.{reason} "
            "Choose a smaller model, widen a range or limit, or fix an ingredient."
        )

    def _shrunk(self) -> list[str]:
        """Variables with a range of which the limits leave a point."""
        polytope = self.region.polytope
        spread = np.ptp(polytope.vertices, axis=0)
        return [
            self.numeric[k] for k in polytope.free if spread[k] < 1e-9 * (polytope.upper - polytope.lower)[k]
        ]


def _root(values: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """R with R'R = values' diag(weights) values; weights may be negative as long as the sum is not.

    Squares are only taken in whitened columns, so that narrow ranges do not lose their digits.
    """
    part = slice(None, None, max(1, len(values) // 20_000)) if (weights < 0).any() else slice(None)
    small = np.asarray(np.linalg.qr(np.sqrt(np.abs(weights[part]))[:, None] * values[part], mode="r"))
    size = np.linalg.norm(small, axis=0)
    _, s, right = np.linalg.svd(small / size, full_matrices=False)
    keep = s > 1e-12 * s[0]
    out: np.ndarray = (s[keep, None] * right[keep]) * size
    if (weights >= 0).all():
        return out
    whitened = values / size @ right[keep].T / s[keep]
    moments = whitened.T @ (weights[:, None] * whitened)
    return np.asarray(np.linalg.cholesky(moments).T @ out)


def polytope_rule(vertices: np.ndarray, degree: int) -> tuple[np.ndarray, np.ndarray] | None:
    """Return nodes and weights exact for polynomials up to `degree` over a polytope, or None.

    One dimension: Gauss-Legendre. More: a triangulation, with the rule of Grundmann & Möller (1978) on
    every simplex. None where there are more than `EXACT_DIMENSION` dimensions or the triangulation fails.
    """
    from scipy.spatial import ConvexHull, Delaunay, QhullError

    centre = vertices.mean(axis=0)
    _, s, basis = np.linalg.svd(vertices - centre, full_matrices=False)
    k = int((s > 1e-9 * max(s[0], 1e-300)).sum()) if len(vertices) > 1 else 0
    if k == 0:
        return vertices[:1], np.ones(1)
    t = (vertices - centre) @ basis[:k].T
    if k == 1:
        x, w = leggauss(degree // 2 + 1)
        ends = t[[t[:, 0].argmin(), t[:, 0].argmax()]]
        nodes = ends[0] + (x[:, None] + 1) / 2 * (ends[1] - ends[0])
        return centre + nodes @ basis[:1], w / 2
    if k > EXACT_DIMENSION or len(vertices) > MOST_VERTICES[k]:
        return None
    t = t / np.abs(t).max(axis=0)
    try:
        simplices = Delaunay(t).simplices if len(t) > k + 1 else np.arange(k + 1)[None, :]
        corners = t[simplices]
        volume = np.abs(np.linalg.det(corners[:, 1:] - corners[:, :1])) / factorial(k)
        if len(t) > k + 1 and abs(volume.sum() / ConvexHull(t).volume - 1) > 1e-9:
            return None
    except QhullError:
        return None
    keep = volume > 1e-13 * volume.max()
    barycentric, weights = simplex_rule(k, degree)
    corners = vertices[simplices[keep]]
    nodes = np.einsum("mj,sjv->smv", barycentric, corners).reshape(-1, vertices.shape[1])
    share = volume[keep] / volume[keep].sum()
    return nodes, (share[:, None] * weights).ravel()


def simplex_rule(k: int, degree: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the barycentric nodes and weights of Grundmann & Möller (1978, SIAM J. Numer. Anal. 15:282)."""
    s = degree // 2
    d = 2 * s + 1
    nodes: list[list[float]] = []
    weights: list[float] = []
    for i in range(s + 1):
        weight = (-1) ** i * 2.0 ** (-2 * s) * (d + k - 2 * i) ** d / (factorial(i) * factorial(d + k - i))
        for chosen in combinations_with_replacement(range(k + 1), s - i):
            beta = np.bincount(np.array(chosen, dtype=int), minlength=k + 1)
            nodes.append(((2 * beta + 1) / (d + k - 2 * i)).tolist())
            weights.append(weight * factorial(k))
    return np.array(nodes), np.array(weights)


def region_points(basis: Basis, most: int = 4000) -> np.ndarray:
    """Return vertices and uniform points of the region with every category, seeded, to take spans over."""
    region = basis.region
    inside = region.sample(1000, SAMPLE_SEED)
    vertices = region.polytope.vertices
    if len(vertices) > most:
        vertices = vertices[:: len(vertices) // most + 1]
    corners = np.zeros((len(vertices), len(basis.variables)))
    corners[:, : vertices.shape[1]] = vertices
    for k, levels in enumerate(basis.categories.values()):
        corners[:, vertices.shape[1] + k] = np.arange(len(corners)) % len(levels)
    return np.vstack([corners, basis.points(inside)])
