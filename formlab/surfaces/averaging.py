r"""Bayesian model averaging over polynomials that respect hierarchy.

Given a model :math:`\gamma` of terms beside the base (the constant, or the shares of a blend, under a flat prior),
:math:`b_j \sim N(0, g \sigma^2 / m_j)`, independent, with :math:`m_j` the mean square over the region of what term j
adds to the base, and prior of :math:`\sigma^2` proportional to :math:`1 / \sigma^2`: the marginal likelihood is closed
(Raftery, Madigan & Hoeting 1997, J. Amer. Stat. Assoc. 92:179, with one g for all terms). The prior speaks of
what a term does over the region, whatever was tried there: where trials tell nothing, a surface stays within it.
Prior of g: density :math:`\tfrac12 (1 + g)^{-3/2}` (the hyper-g of Liang, Paulo, Molina, Clyde & Berger 2008, ibid. 103:410,
a = 3), on a grid. Censored values are drawn along with models. Prior of models: a term is in with probability 0.9 (linear), 0.25 (second order),
0.1 (third), and only with all of its parents. Models are sampled by adding and dropping terms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from formlab.surfaces.censored import redraw
from formlab.surfaces.leave_out import leave_out_average, left_out_student
from formlab.surfaces.noise import Noise
from formlab.surfaces.parts import Features, LeastSquaresPart, Part
from formlab.surfaces.sampling import evenly
from formlab.surfaces.scales import Scale
from formlab.surfaces.shared import Shared
from formlab.surfaces.variables import Variables

__all__ = ["Averaged", "Terms", "polynomial_terms"]

INCLUSION = (1.0, 0.9, 0.25, 0.1)  # by degree
HYPER_A = 3.0
Whitened = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Terms:
    """What the model space is made of.

    Attributes
    ----------
    names : list of str
    base : ndarray of bool, shape (p,)
        Terms that are always in.
    degree : ndarray of int, shape (p,)
    parents : ndarray of bool, shape (p, p)
        Row k: the terms that must be in for k to be.
    """

    names: list[str]
    base: np.ndarray
    degree: np.ndarray
    parents: np.ndarray


class PolynomialFeatures(Shared):
    """The constant, linear terms, products and squares of coded variables."""

    def __init__(self, variables: Variables, pairs: list[tuple[int, int]]) -> None:
        self.variables = variables
        self._i, self._j = np.array(pairs, dtype=int).reshape(-1, 2).T

    def expand(self, base: np.ndarray) -> np.ndarray:
        return np.column_stack([np.ones(len(base)), base, base[:, self._i] * base[:, self._j]])


def polynomial_terms(variables: Variables) -> tuple[PolynomialFeatures, Terms]:
    """Return the full second-order polynomial of a set of variables; squares only of what has more than two values."""
    d = len(variables.names)
    category = ["[" in name for name in variables.names]
    pairs = [(i, j) for i in range(d) for j in range(i, d) if not (i == j and category[i])]
    p = 1 + d + len(pairs)
    parents = np.zeros((p, p), dtype=bool)
    for k, (i, j) in enumerate(pairs):
        parents[1 + d + k, [1 + i, 1 + j]] = True
    names = ["1", *variables.names]
    names += [
        f"{variables.names[i]}²" if i == j else f"{variables.names[i]} × {variables.names[j]}"
        for i, j in pairs
    ]
    degree = np.array([0] + [1] * d + [2] * len(pairs))
    return PolynomialFeatures(variables, pairs), Terms(names, degree == 0, degree, parents)


class Averaged:
    """Model averaging over one family of terms.

    Parameters
    ----------
    features : Features
    terms : Terms
    scale : Scale
    columns : ndarray of shape (n, p)
        Of the values.
    y : ndarray of shape (n,)
        On the scale of the fit.
    noise : Noise
    ratios : ndarray of shape (k, levels + 1)
        Draws of the standard deviations of the error levels in units of the residual's, its own 1 last; models are
        averaged at each of them in turn.
    cover : ndarray of shape (k, p)
        Columns of formulas all over the region, which say how much each term does there.
    width : float
        Factor on g, for judging how much hangs on the prior.
    side : ndarray of int, shape (n,), optional
        -1 or 1 where a value is only known to lie below or above what stands in `y`, else 0.
    """

    def __init__(
        self, features: Features, terms: Terms, scale: Scale, columns: np.ndarray, y: np.ndarray,
        noise: Noise, ratios: np.ndarray, cover: np.ndarray, width: float = 1.0,
        side: np.ndarray | None = None,
    ) -> None:  # fmt: skip
        self.features, self.terms, self.scale, self.noise, self.ratios = features, terms, scale, noise, ratios
        self.x, self.y, self.width = columns, y, width
        self.base = np.flatnonzero(terms.base)
        self.free = np.flatnonzero(~terms.base)
        self.df = len(y) - len(self.base)
        self.size = _sizes(np.vstack([cover, columns]), self.base, self.free)
        log_g = np.linspace(np.log(0.05), np.log(1e6), 36)
        self.g = np.exp(log_g) * width
        self._log_prior_g = _log_prior(np.exp(log_g))
        self._log_prior_g -= np.log(np.exp(self._log_prior_g).sum())
        odds = np.array([INCLUSION[min(d, 3)] for d in terms.degree[self.free]])
        self._log_odds = np.log(odds / (1 - odds))
        self.side = np.zeros(len(y), dtype=int) if side is None else side
        # slabs of one formula tell nothing new about which terms matter: three formulas stay over for error, two beside one term
        every, read = (
            len(np.unique(c.round(9), axis=0)) - len(self.base) for c in (columns, columns[self.side == 0])
        )
        self.largest = max(min(len(self.free), max(read - 3, int(every >= 3))), 0)
        where = {int(k): i for i, k in enumerate(self.free)}
        q = len(self.free)
        self._parents = np.zeros((q, q), dtype=bool)
        for k in self.free:
            for parent in np.flatnonzero(terms.parents[k]):
                if int(parent) in where:
                    self._parents[where[int(k)], where[int(parent)]] = True
        self._to_children = self._parents.astype(np.float32)
        self._to_parents = np.ascontiguousarray(self._to_children.T)

    def fit(self, rng: np.random.Generator, steps: int = 900, burn: int = 300, keep: int = 400) -> Averaged:
        """Sample models; keep `keep` draws of model, g and error ratios, like ones side by side."""
        chains, censored = len(self.ratios), bool(self.side.any())
        whitened = [self._whiten(r) for r in self.ratios]
        values = np.tile(self.y, (chains, 1))
        grams = self._grams(whitened, values)
        if censored:
            steps, burn = 2 * steps, 2 * burn
        mask = np.zeros((chains, len(self.free)), dtype=bool)
        at = np.full(chains, len(self.g) // 3)  # where on the grid of g each chain is
        score = self._score(mask, at, grams)
        kept = []
        visits = np.zeros(len(self.free))
        for step in range(steps):
            mask, score = self._step(mask, score, at, grams, rng)
            if step >= burn:
                visits += mask.sum(axis=0)
            if step % 10 == 9:
                if censored:
                    self._redraw(values, whitened, mask, at, rng)
                    grams = self._grams(whitened, values)
                at = self._new_g(mask, grams, rng)
                score = self._score(mask, at, grams)
                if step >= burn:
                    kept += [
                        (c, mask[c].copy(), float(self.g[at[c]]), values[c].copy()) for c in range(chains)
                    ]
        self.inclusion = np.ones(len(self.terms.names))
        self.inclusion[self.free] = visits / (chains * (steps - burn))
        # by the term in most doubt, then by the ratios: evenly taken draws hold both as often as all do
        doubt = np.abs(self.inclusion[self.free] - 0.5)
        held = np.array([bool(len(doubt)) and bool(mask[doubt.argmin()]) for _, mask, *_ in kept])
        chain, g = np.array([c for c, *_ in kept]), np.array([g for _, _, g, _ in kept])
        alike = np.lexsort((g, chain, held))
        self.sample = [kept[alike[i]] for i in evenly(len(kept), keep, rng)]
        return self

    def _whiten(self, ratio: np.ndarray) -> Whitened:
        """What whitens values, an orthonormal basis of the base, and the free columns in units of their size without it."""
        turn = np.linalg.inv(np.linalg.cholesky(self.noise.covariance(ratio)))
        x = turn @ self.x
        q = np.linalg.qr(x[:, self.base])[0]
        free = x[:, self.free] / self.size
        return turn, q, free - q @ (q.T @ free)

    def _grams(self, whitened: Sequence[Whitened], values: np.ndarray) -> Grams:
        """Of every chain with its own values."""
        return Grams(*map(np.array, zip(*(self._products(*w, y) for w, y in zip(whitened, values)))))

    @staticmethod
    def _products(
        turn: np.ndarray, q: np.ndarray, free: np.ndarray, y: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, float]:
        """Gram matrix and moments of the free columns, and the sum of squares, all orthogonal to the base."""
        y = turn @ y
        rounding = 1e-24 * float(y @ y)  # what the base explains to the last digit must not be left negative
        y = y - q @ (q.T @ y)
        return free.T @ free, free.T @ y, float(y @ y) + rounding

    def _redraw(
        self,
        values: np.ndarray,
        whitened: Sequence[Whitened],
        mask: np.ndarray,
        at: np.ndarray,
        rng: np.random.Generator,
    ) -> None:
        """Draw the error variance and then the censored values of each chain anew, in place."""
        precision = np.array([_projected(*w, m, g) for w, m, g in zip(whitened, mask, self.g[at])])
        rss = np.einsum("ci,cij,cj->c", values, precision, values)
        sigma = np.sqrt(rss / rng.chisquare(self.df, len(mask)))
        redraw(values, precision, sigma, self.side, self.y, rng)

    def _score(self, mask: np.ndarray, at: np.ndarray, grams: Grams) -> np.ndarray:
        """Log of prior times marginal likelihood of each chain's model, given its g."""
        g = self.g[at]
        blocks, size = grams.blocks(mask, 1 / g)
        # bordered with moments and sum of squares, the last pivot is what is left unexplained
        pivot = np.diagonal(np.linalg.cholesky(blocks), axis1=1, axis2=2)
        log_det = 2 * np.log(pivot[:, :-1]).sum(axis=1) + size * np.log(g)
        return np.asarray(-0.5 * log_det - self.df * np.log(pivot[:, -1]) + mask @ self._log_odds)

    def _new_g(self, mask: np.ndarray, grams: Grams, rng: np.random.Generator) -> np.ndarray:
        """Draw where on the grid g is, given each chain's model."""
        blocks, _ = grams.blocks(mask, np.zeros(len(mask)))
        inside = np.arange(blocks.shape[1] - 1) < mask.sum(axis=1)[:, None]
        value, vector = np.linalg.eigh(blocks[:, :-1, :-1])
        value = np.maximum(value, 0)[:, :, None]
        pull = np.einsum("cij,ci->cj", vector, blocks[:, -1, :-1])[:, :, None] ** 2
        # a row that only fills up is an eigenvector of value 1 without pull: it is taken out of the determinant
        filler = (~inside).sum(axis=1)[:, None]
        rest = grams.whole[:, None] - (pull * self.g / (1 + self.g * value)).sum(axis=1)
        log = self._log_prior_g - 0.5 * np.log1p(self.g * value).sum(axis=1) + 0.5 * filler * np.log1p(self.g)
        log = log - 0.5 * self.df * np.log(np.maximum(rest, 1e-14 * grams.whole[:, None]))
        return np.argmax(log + rng.gumbel(size=log.shape), axis=1)

    def _legal(self, mask: np.ndarray) -> np.ndarray:
        """Terms that may be added (all parents in, room left) or dropped (no child in), shape (chains, free)."""
        inside = mask.astype(np.float32)  # products of floats are much faster than those of booleans
        add = ~mask & ((1 - inside) @ self._to_parents == 0) & (inside.sum(axis=1) < self.largest)[:, None]
        drop = mask & (inside @ self._to_children == 0)
        return add | drop

    def _step(
        self, mask: np.ndarray, score: np.ndarray, at: np.ndarray, grams: Grams, rng: np.random.Generator
    ) -> tuple[np.ndarray, np.ndarray]:
        """One or two legal flips in every chain, accepted by Metropolis and Hastings."""
        chains = np.arange(len(mask))
        legal = self._legal(mask)
        if not legal.any():
            return mask, score
        proposal, before = mask.copy(), legal.sum(axis=1)
        for again in (np.ones(len(mask), bool), rng.random(len(mask)) < 0.5):
            pick = np.argmax(np.where(legal, rng.random(legal.shape), -1.0), axis=1)
            move = again & legal.any(axis=1)
            proposal[chains[move], pick[move]] ^= True
            legal = self._legal(proposal)
        after = legal.sum(axis=1)
        new = self._score(proposal, at, grams)
        accept = np.log(rng.random(len(mask))) < new - score + np.log(before) - np.log(after)
        return np.where(accept[:, None], proposal, mask), np.where(accept, new, score)

    # ---- what it gives --------------------------------------------------------------------------

    def pick(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Return which sampled models to keep."""
        return evenly(len(self.sample), min(count, len(self.sample)), rng)

    def parts(self, picked: np.ndarray) -> list[LeastSquaresPart]:
        """Return one part for each of the sampled models."""
        return [self._part(*self.sample[i]) for i in picked]

    def rescaled(
        self, picked: np.ndarray, parts: Sequence[Part], factor: float
    ) -> tuple[Sequence[Part], np.ndarray]:
        """Return the parts, and logs of importance weights if coefficients are larger by a factor a priori."""
        g = np.array([self.sample[i][2] for i in picked]) / self.width
        return parts, _log_prior(g / factor**2) - _log_prior(g)

    def _part(self, chain: int, mask: np.ndarray, g: float, values: np.ndarray) -> LeastSquaresPart:
        ratio = self.ratios[chain]
        lower = np.linalg.cholesky(self.noise.covariance(ratio))
        inverse_lower = np.linalg.inv(lower)
        x, y = inverse_lower @ self.x, inverse_lower @ values
        chosen, size = self.free[mask], self.size[mask]
        x0, x1 = x[:, self.base], x[:, chosen] / size
        gain0 = np.linalg.pinv(x0)
        tie = gain0 @ x1  # what the chosen columns hold of the base
        x1 = x1 - x0 @ tie
        spread = np.linalg.inv(
            x1.T @ x1 + np.eye(len(chosen)) / g
        )  # of coefficients in units of the columns' size
        gain1 = spread @ x1.T
        p = self.x.shape[1]
        gain = np.zeros((p, len(y)))
        gain[chosen] = gain1 / size[:, None]
        gain[self.base] = gain0 - tie @ gain1
        extra = np.zeros((p, len(chosen)))
        extra[chosen] = spread / np.sqrt(g) / size[:, None]
        extra[self.base] = -tie @ spread / np.sqrt(g)
        inverse = gain @ gain.T + extra @ extra.T
        rest = y - x0 @ (gain0 @ y)
        rss = float(rest @ rest - rest @ (x1 @ (gain1 @ y)))
        return LeastSquaresPart(
            self.features, self.scale, gain @ y, gain @ inverse_lower, inverse, rss, self.df, self.noise, ratio,
            self.x, values, extra,
        )  # fmt: skip

    def left_out(self, groups: np.ndarray) -> np.ndarray:
        """Return the log predictive density of each group of values, left out in turn, on the scale of the fit.

        Models are reweighted for the group left out by importance sampling; given a model it is exact.
        """
        drawn = self.sample[::4]  # evenly taken in their turn, and many enough
        whitened = {chain: self._whiten(self.ratios[chain]) for chain in {one[0] for one in drawn}}
        logs = [self._left_out(whitened[chain], mask, g, values, groups) for chain, mask, g, values in drawn]
        return leave_out_average(np.array(logs))

    def _left_out(
        self,
        whitened: Whitened,
        mask: np.ndarray,
        g: float,
        values: np.ndarray,
        groups: np.ndarray,
    ) -> np.ndarray:
        inverse = _projected(*whitened, mask, g)
        return left_out_student(inverse, values, self.df, groups, self.side, self.y)


@dataclass(frozen=True)
class Grams:
    """Gram matrices (chains, q, q) of the free columns, their moments with the values (chains, q), sums of squares (chains,)."""

    gram: np.ndarray
    moment: np.ndarray
    whole: np.ndarray

    def blocks(self, mask: np.ndarray, ridge: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Gram matrix of each chain's terms plus a ridge, bordered with its moments and sum of squares; and how many terms.

        Smaller models are filled up with rows of the identity, shape (chains, m + 1, m + 1).
        """
        size = mask.sum(axis=1)
        m = int(size.max())
        order = np.argsort(~mask, axis=1, kind="stable")[:, :m]
        inside = np.take_along_axis(mask, order, axis=1)
        chain = np.arange(len(mask))[:, None]
        out = np.empty((len(mask), m + 1, m + 1))
        gram = self.gram[chain[:, :, None], order[:, :, None], order[:, None, :]]
        out[:, :m, :m] = gram * (inside[:, :, None] & inside[:, None, :])
        diagonal = np.arange(m)
        out[:, diagonal, diagonal] = np.where(inside, out[:, diagonal, diagonal] + ridge[:, None], 1.0)
        out[:, m, :m] = out[:, :m, m] = self.moment[chain, order] * inside
        out[:, m, m] = self.whole * (1 + 1e-12)
        return out, size


def _projected(turn: np.ndarray, q: np.ndarray, free: np.ndarray, mask: np.ndarray, g: float) -> np.ndarray:
    """Inverse covariance of the values given a model, the surface integrated out, in units of 1 / sigma², shape (n, n)."""
    turn = turn - q @ (q.T @ turn)  # what the base cannot explain
    chosen = free[:, mask]
    pull = chosen.T @ turn
    return np.asarray(
        turn.T @ turn - pull.T @ np.linalg.solve(chosen.T @ chosen + np.eye(len(pull)) / g, pull)
    )


def _log_prior(g: np.ndarray) -> np.ndarray:
    """Log density of the logarithm of g, up to a constant."""
    return np.asarray(np.log(g) - 0.5 * HYPER_A * np.log1p(g))


def _sizes(columns: np.ndarray, base: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Root mean square of what each free column adds to the base over some formulas; 1 where it adds nothing."""
    held = columns[:, base]
    rest = columns[:, free] - held @ np.linalg.lstsq(held, columns[:, free], rcond=None)[0]
    size, whole = (np.sqrt((c**2).mean(axis=0)) for c in (rest, columns[:, free]))
    return np.where(size > 1e-9 * whole, size, 1.0)
