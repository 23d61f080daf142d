r"""Bayesian model averaging over polynomials that respect hierarchy.

Given a model :math:`\gamma` of terms beside the base (the constant, or the shares of a blend, under a flat prior),
:math:`b_\gamma \sim N(0, g \sigma^2 (X_\gamma^\top V^{-1} X_\gamma)^{-1})` with X orthogonal to the base, and prior of
:math:`\sigma^2` proportional to :math:`1 / \sigma^2`: the marginal likelihood is closed
(Liang, Paulo, Molina, Clyde & Berger 2008, J. Amer. Stat. Assoc. 103:410, eq. 5-6). Prior of g: hyper-g/n with a = 3
(their section 3.2), summed over a grid. Prior of models: a term is in with probability 0.9 (linear), 0.25 (second order),
0.1 (third), and only with all of its parents. Models are sampled by adding and dropping terms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from formlab.surfaces.leave_out import leave_out_average, left_out_student
from formlab.surfaces.noise import Noise
from formlab.surfaces.parts import Features, LeastSquaresPart, Part
from formlab.surfaces.scales import Scale
from formlab.surfaces.shared import Shared
from formlab.surfaces.variables import Variables

__all__ = ["Averaged", "Terms", "polynomial_terms"]

INCLUSION = (1.0, 0.9, 0.25, 0.1)  # by degree
HYPER_A = 3.0


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
    width : float
        Factor on g, for judging how much hangs on the prior.
    """

    def __init__(
        self, features: Features, terms: Terms, scale: Scale, columns: np.ndarray, y: np.ndarray,
        noise: Noise, ratios: np.ndarray, width: float = 1.0,
    ) -> None:  # fmt: skip
        self.features, self.terms, self.scale, self.noise, self.ratios = features, terms, scale, noise, ratios
        self.x, self.y, self.width = columns, y, width
        n = len(y)
        self.base = np.flatnonzero(terms.base)
        self.free = np.flatnonzero(~terms.base)
        self.df = n - len(self.base)
        log_g = np.linspace(np.log(0.05 * n), np.log(400.0 * n), 24)
        self.g = np.exp(log_g) * width
        # hyper-g/n: density proportional to (1 + g/n)^(-a/2); the grid is even in log g
        self._log_prior_g = log_g - 0.5 * HYPER_A * np.log1p(np.exp(log_g) / n)
        self._log_prior_g -= np.log(np.exp(self._log_prior_g).sum())
        odds = np.array([INCLUSION[min(d, 3)] for d in terms.degree[self.free]])
        self._log_odds = np.log(odds / (1 - odds))
        # slabs of one formula tell nothing new about which terms matter: three formulas stay over for error
        formulas = len(np.unique(columns.round(9), axis=0))
        self.largest = max(min(len(self.free), formulas - len(self.base) - 3), 0)
        where = {int(k): i for i, k in enumerate(self.free)}
        q = len(self.free)
        self._parents = np.zeros((q, q), dtype=bool)
        for k in self.free:
            for parent in np.flatnonzero(terms.parents[k]):
                if int(parent) in where:
                    self._parents[where[int(k)], where[int(parent)]] = True
        self._to_children = self._parents.astype(np.float32)
        self._to_parents = np.ascontiguousarray(self._to_children.T)

    def fit(self, rng: np.random.Generator, steps: int = 900, burn: int = 300, keep: int = 100) -> Averaged:
        """Sample models; keep `keep` draws of model, g and error ratios."""
        chains = len(self.ratios)
        whitened = [self._whiten(r) for r in self.ratios]
        gram = np.array([w[0] for w in whitened])
        moment = np.array([w[1] for w in whitened])
        whole = np.array([w[2] for w in whitened])
        mask = np.zeros((chains, len(self.free)), dtype=bool)
        score = self._score(mask, gram, moment, whole)
        kept = []
        visits = np.zeros(len(self.free))
        for step in range(steps):
            mask, score = self._step(mask, score, gram, moment, whole, rng)
            if step >= burn:
                visits += mask.sum(axis=0)
                if (step - burn) % 10 == 9:
                    kept += [(c, mask[c].copy()) for c in range(chains)]
        self.inclusion = np.ones(len(self.terms.names))
        self.inclusion[self.free] = visits / (chains * (steps - burn))
        pick = rng.choice(len(kept), keep, replace=len(kept) < keep)
        self.sample = [self._with_g(kept[i][0], kept[i][1], gram, moment, whole, rng) for i in pick]
        return self

    def _whiten(self, ratio: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        """Gram matrix and moments of the free columns, and the sum of squares, all orthogonal to the base."""
        lower = np.linalg.cholesky(self.noise.covariance(ratio))
        x, y = np.linalg.solve(lower, self.x), np.linalg.solve(lower, self.y)
        q = np.linalg.qr(x[:, self.base])[0]
        y = y - q @ (q.T @ y)
        free = x[:, self.free]
        free = free - q @ (q.T @ free)
        return free.T @ free, free.T @ y, float(y @ y)

    def _explained(self, mask: np.ndarray, gram: np.ndarray, moment: np.ndarray) -> np.ndarray:
        """Sum of squares that each chain's model explains, shape (chains,)."""
        m = int(mask.sum(axis=1).max())
        if not m:
            return np.zeros(len(mask))
        order = np.argsort(~mask, axis=1, kind="stable")[:, :m]
        inside = np.take_along_axis(mask, order, axis=1)
        chain = np.arange(len(mask))[:, None]
        a = gram[chain[:, :, None], order[:, :, None], order[:, None, :]]
        a = a * (inside[:, :, None] & inside[:, None, :])
        diagonal = np.arange(m)
        a[:, diagonal, diagonal] = np.where(inside, a[:, diagonal, diagonal] * (1 + 1e-10) + 1e-300, 1.0)
        b = moment[chain, order] * inside
        return np.einsum("ij,ij->i", np.linalg.solve(a, b[..., None])[..., 0], b)

    def _score(self, mask: np.ndarray, gram: np.ndarray, moment: np.ndarray, whole: np.ndarray) -> np.ndarray:
        """Log of prior times marginal likelihood, g summed out, up to what does not depend on the model."""
        log = self._log_marginal(self._explained(mask, gram, moment) / whole, mask.sum(axis=1))
        top = log.max(axis=1)
        return top + np.log(np.exp(log - top[:, None]).sum(axis=1)) + mask @ self._log_odds

    def _log_marginal(self, r2: np.ndarray, size: np.ndarray) -> np.ndarray:
        """Log of prior of g times marginal likelihood, shape (chains, g)."""
        g = self.g[None, :]
        left = np.maximum(1 - r2, 1e-12)[:, None]
        return (
            self._log_prior_g
            + 0.5 * (self.df - size[:, None]) * np.log1p(g)
            - 0.5 * self.df * np.log1p(g * left)
        )

    def _legal(self, mask: np.ndarray) -> np.ndarray:
        """Terms that may be added (all parents in, room left) or dropped (no child in), shape (chains, free)."""
        inside = mask.astype(np.float32)  # products of floats are much faster than those of booleans
        add = ~mask & ((1 - inside) @ self._to_parents == 0) & (inside.sum(axis=1) < self.largest)[:, None]
        drop = mask & (inside @ self._to_children == 0)
        return add | drop

    def _step(
        self, mask: np.ndarray, score: np.ndarray, gram: np.ndarray, moment: np.ndarray, whole: np.ndarray,
        rng: np.random.Generator,
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
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
        new = self._score(proposal, gram, moment, whole)
        accept = np.log(rng.random(len(mask))) < new - score + np.log(before) - np.log(after)
        return np.where(accept[:, None], proposal, mask), np.where(accept, new, score)

    def _with_g(
        self, chain: int, mask: np.ndarray, gram: np.ndarray, moment: np.ndarray, whole: np.ndarray,
        rng: np.random.Generator,
    ) -> tuple[int, np.ndarray, float]:  # fmt: skip
        r2 = self._explained(mask[None], gram[chain][None], moment[chain][None]) / whole[chain]
        log = self._log_marginal(r2, np.array([mask.sum()]))[0]
        weight = np.exp(log - log.max())
        return chain, mask, float(rng.choice(self.g, p=weight / weight.sum()))

    # ---- what it gives --------------------------------------------------------------------------

    def pick(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Return which sampled models to keep."""
        return rng.choice(len(self.sample), min(count, len(self.sample)), replace=False)

    def parts(self, picked: np.ndarray) -> list[LeastSquaresPart]:
        """Return one part for each of the sampled models."""
        return [self._part(*self.sample[i]) for i in picked]

    def rescaled(
        self, picked: np.ndarray, parts: Sequence[Part], factor: float
    ) -> tuple[Sequence[Part], np.ndarray]:
        """Return the parts, and logs of importance weights if coefficients are larger by a factor a priori."""
        g, n = np.array([self.sample[i][2] for i in picked]) / self.width, len(self.y)
        before, after = (np.log(v) - 0.5 * HYPER_A * np.log1p(v / n) for v in (g, g / factor**2))
        return parts, after - before

    def _part(self, chain: int, mask: np.ndarray, g: float) -> LeastSquaresPart:
        ratio = self.ratios[chain]
        lower = np.linalg.cholesky(self.noise.covariance(ratio))
        inverse_lower = np.linalg.inv(lower)
        x, y = inverse_lower @ self.x, inverse_lower @ self.y
        chosen = self.free[mask]
        x0, x1 = x[:, self.base], x[:, chosen]
        gain0 = np.linalg.pinv(x0)
        tie = gain0 @ x1  # what the chosen columns hold of the base
        x1 = x1 - x0 @ tie
        gain1 = np.linalg.pinv(x1, rcond=1e-9)
        shrink = g / (1 + g)
        p = self.x.shape[1]
        gain = np.zeros((p, len(y)))
        gain[chosen] = shrink * gain1
        gain[self.base] = gain0 - tie @ (shrink * gain1)
        extra = np.zeros((p, len(chosen)))
        u, s, _ = (
            np.linalg.svd(gain1, full_matrices=False)
            if len(chosen)
            else (np.zeros((0, 0)), np.zeros(0), None)
        )
        extra[chosen] = np.sqrt(g) / (1 + g) * u * s
        extra[self.base] = -tie @ extra[chosen]
        inverse = gain @ gain.T + extra @ extra.T
        rest = y - x0 @ (gain0 @ y)
        rss = float(rest @ rest - shrink * (rest @ (x1 @ (gain1 @ y))))
        return LeastSquaresPart(
            self.features, self.scale, gain @ y, gain @ inverse_lower, inverse, rss, self.df, self.noise, ratio,
            self.x, self.y, extra,
        )  # fmt: skip

    def left_out(self, groups: np.ndarray) -> np.ndarray:
        """Return the log predictive density of each group of values, left out in turn, on the scale of the fit.

        Models are reweighted for the group left out by importance sampling; given a model it is exact.
        """
        return leave_out_average(np.array([self._left_out(c, mask, g, groups) for c, mask, g in self.sample]))

    def _left_out(self, chain: int, mask: np.ndarray, g: float, groups: np.ndarray) -> np.ndarray:
        v = self.noise.covariance(self.ratios[chain])
        lower = np.linalg.cholesky(v)
        x = np.linalg.solve(lower, self.x)
        q0 = np.linalg.qr(x[:, self.base])[0]
        x1 = x[:, self.free[mask]]
        x1 = x1 - q0 @ (q0.T @ x1)
        u, size, _ = np.linalg.svd(x1, full_matrices=False)
        q1 = u[
            :, size > 1e-9 * size.max(initial=0.0)
        ]  # terms may repeat each other: a total beside its parts
        middle = np.eye(len(v)) - q0 @ q0.T - g / (1 + g) * (q1 @ q1.T)
        inverse_lower = np.linalg.inv(lower)
        projected = inverse_lower.T @ middle @ inverse_lower
        return left_out_student(projected, self.y, self.df, groups)
