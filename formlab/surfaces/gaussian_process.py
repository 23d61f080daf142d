r"""Gaussian process about a mean that is linear and bends, its hyperparameters integrated out, every level of error in it.

On the scale of the fit :math:`\eta(x) = b_0 + b^\top z + c\, q(z) + g(z) + \text{errors}` with d coded variables z,
:math:`q = \sum z_j^2 / \sqrt d` and :math:`g` of covariance :math:`\theta^2 \exp(-\tfrac12 \sum_j (z_j - z_j')^2 / \ell_j^2)`
(notation of Rasmussen & Williams 2006). Priors, with :math:`s` the standard deviation of the values:
:math:`b_0 \sim N(\bar y, (5s)^2)`, :math:`b_j \sim N(0, s^2)`, :math:`c \sim N(0, (s/4)^2)`, :math:`\log \theta \sim N(\log s, 0.8^2)`,
:math:`\log \ell_j \sim N(\log 3, 0.8^2)`; :math:`\log` standard deviation of each error level
:math:`\sim N(\log s/4, 0.8^2)`, or about the brief's guess with 0.5 where it has one.

Values that are censored (`censored`) are drawn along with the hyperparameters, and every draw has its own.

The term c is there because returns diminish in all variables alike: most trials of a plan lie on the border of the
region, and without it the middle is taken to lie on the plane between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from formlab.surfaces.censored import centre_and_unit, redraw
from formlab.surfaces.leave_out import leave_out_average, left_out
from formlab.surfaces.noise import Noise
from formlab.surfaces.parts import GaussianPart, Part
from formlab.surfaces.sampling import ensemble, evenly, strata
from formlab.surfaces.scales import Scale
from formlab.surfaces.variables import Variables

__all__ = ["GaussianProcess", "KernelFeatures", "Priors", "expanded"]

MOST_TRIALS = 250  # beyond, the cubic cost of every step is no longer worth it
_JITTER = 1e-8


@dataclass(frozen=True)
class Priors:
    """Normal laws of logarithms: centre and standard deviation; see the module's head.

    `level` holds one pair for each error level, the residual's last, in units of s.
    """

    level: tuple[tuple[float, float], ...]
    amplitude: tuple[float, float] = (0.0, 0.8)
    length: tuple[float, float] = (float(np.log(3.0)), 0.8)
    slope: float = 1.0
    bend: float = 0.25
    constant: float = 5.0

    def scaled(self, factor: float) -> Priors:
        """Return the priors with slopes, bend and amplitude larger by a factor."""
        amplitude = (self.amplitude[0] + float(np.log(factor)), self.amplitude[1])
        return replace(self, amplitude=amplitude, slope=self.slope * factor, bend=self.bend * factor)

    def of_mean(self, d: int) -> np.ndarray:
        """Return the standard deviations of constant, slopes and bend, in units of s, shape (d + 2,)."""
        return np.array([self.constant, *[self.slope] * d, self.bend])


class KernelFeatures:
    """The columns of the mean, and the kernel between formulas and fixed points: a process in finitely many columns."""

    def __init__(self, variables: Variables, points: np.ndarray, length: np.ndarray) -> None:
        self.variables = variables
        near = points / length
        # exponents by one matrix product with z, z² and 1: -|z - p|² / 2 = z.p - |z|²/2 - |p|²/2
        bend = np.broadcast_to(-0.5 / length**2, points.shape)
        self.right = np.hstack([near / length, bend, -0.5 * (near**2).sum(axis=1, keepdims=True)])

    def expand(self, base: np.ndarray) -> np.ndarray:
        return expanded([self], base)[0]


def expanded(features: Sequence[KernelFeatures], base: np.ndarray) -> list[np.ndarray]:
    """Return the columns of several processes at the same coded variables, each of shape (n, d + 2 + points).

    They are laid out for products with coefficients from the left: column after column in memory.
    """
    n, d = base.shape
    mean = mean_columns(base).T
    left = np.vstack([base.T, base.T**2, np.ones(n)])
    exponents = np.concatenate([f.right for f in features]) @ left
    out, start = [], 0
    for feature in features:
        end = start + len(feature.right)
        columns = np.empty((d + 2 + end - start, n))
        columns[: d + 2] = mean
        np.exp(exponents[start:end], out=columns[d + 2 :])
        out.append(columns.T)
        start = end
    return out


class GaussianProcess:
    """A Gaussian process on one set of variables.

    Parameters
    ----------
    variables : Variables
    scale : Scale
    base : ndarray of shape (n, d)
        Coded variables of the values.
    y : ndarray of shape (n,)
        On the scale of the fit.
    noise : Noise
    priors : Priors
    cover : ndarray of shape (k, d)
        Coded variables of formulas all over the region, where the process must be well represented.
    side : ndarray of int, shape (n,), optional
        -1 or 1 where a value is only known to lie below or above what stands in `y`, else 0.
    """

    def __init__(
        self, variables: Variables, scale: Scale, base: np.ndarray, y: np.ndarray, noise: Noise,
        priors: Priors, cover: np.ndarray, side: np.ndarray | None = None,
    ) -> None:  # fmt: skip
        self.variables, self.scale, self.noise, self.priors = variables, scale, noise, priors
        self.base, self.cover = base, cover
        self.side = np.zeros(len(y), dtype=int) if side is None else side
        self.centre, self.unit = centre_and_unit(y, self.side)
        self.y = y
        self._u = (y - self.centre) / self.unit
        self._square = ((base[:, None, :] - base[None, :, :]) ** 2).reshape(len(y) ** 2, -1).T.copy()
        mean = mean_columns(base) * priors.of_mean(base.shape[1])
        self._mean_part = mean @ mean.T
        self._sharing = noise.sharing
        self._known = np.broadcast_to(noise.known, len(y)) / self.unit**2
        self._levels = len(noise.names) + 1
        self._beyond = np.flatnonzero(self.side)
        self._hyper = 1 + self._levels + base.shape[1]

    # ---- hyperparameters: log amplitude, log sd of each level, log length of each variable; then censored values

    def fit(
        self, rng: np.random.Generator, keep: int = 128, steps: int = 150, burn: int = 80
    ) -> GaussianProcess:
        """Sample the hyperparameters; keep `keep` draws, equally likely, those first that leave the least open."""
        centre, width = self._prior()
        walkers = max(40, 4 * len(centre))
        walkers += walkers % 2
        start = centre + 0.6 * width * rng.standard_normal((walkers, len(centre)))
        if len(self._beyond):
            limits = np.broadcast_to(self._u[self._beyond], (walkers, len(self._beyond)))
            start, steps, burn = np.hstack([start, limits]), 2 * steps, 2 * burn
            chain = ensemble(self.log_posterior, start, steps, burn, rng,
                             renew=lambda u: self._renewed(u, rng), moved=self._hyper)  # fmt: skip
        else:
            chain = ensemble(self.log_posterior, start, steps, burn, rng)
        # evenly along every walker's path, for neighbours there are alike
        paths = chain.reshape(steps - burn, walkers, -1).swapaxes(0, 1).reshape(len(chain), -1)
        many = paths[evenly(len(paths), 4 * keep, rng)]
        # by the variance of the mean of all: what is kept of these draws then spans how much they leave open
        order = _least_open_first(self.covariance(many[:, : self._hyper]))
        self.sample = many[order[strata(len(many), keep)]]
        self._many = many[:, 1 : 1 + self._levels]
        return self

    def _renewed(self, u: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Hyperparameters with their censored values drawn anew."""
        y = self._completed(u)
        redraw(y, np.linalg.inv(self.covariance(u)), np.ones(len(u)), self.side, self._u, rng)
        return np.hstack([u[:, : self._hyper], y[:, self._beyond]])

    def _completed(self, u: np.ndarray) -> np.ndarray:
        """The values of each draw in units of s, shape (k, n)."""
        y = np.tile(self._u, (len(u), 1))
        y[:, self._beyond] = u[:, self._hyper :]
        return y

    def _prior(self) -> tuple[np.ndarray, np.ndarray]:
        p = self.priors
        laws = [p.amplitude, *p.level, *([p.length] * self.base.shape[1])]
        return np.array([c for c, _ in laws]), np.array([w for _, w in laws])

    def log_posterior(self, u: np.ndarray) -> np.ndarray:
        """Return the log posterior density of hyperparameters and censored values, shape (k,), up to a constant."""
        centre, width = self._prior()
        y, u = self._completed(u), u[:, : self._hyper]
        inside = (np.abs(u - centre) < 8 * width).all(axis=1)
        u = np.where(inside[:, None], u, centre)
        n = len(self.y)
        bordered = np.zeros((len(u), n + 1, n + 1))
        self._fill(bordered[:, :n, :n], u)
        # bordered with the values, the last row of the factor is the values whitened; the corner only has to be large
        bordered[:, n, :n], bordered[:, n, n] = y, 1e200
        cholesky = np.linalg.cholesky(bordered)
        white = cholesky[:, n, :n]
        log_p = -0.5 * (white**2).sum(axis=1)
        log_p -= np.log(np.diagonal(cholesky[:, :n, :n], axis1=1, axis2=2)).sum(axis=1)
        log_p -= 0.5 * (((u - centre) / width) ** 2).sum(axis=1)
        return np.where(inside, log_p, -np.inf)

    def covariance(self, u: np.ndarray) -> np.ndarray:
        """Return the covariance of the values in units of s, shape (k, n, n)."""
        out = np.empty((len(u), len(self.y), len(self.y)))
        self._fill(out, u)
        return out

    def _fill(self, out: np.ndarray, u: np.ndarray) -> None:
        """Write the covariance into `out`."""
        levels = np.exp(2 * u[:, 1 : 1 + self._levels])
        precision = 0.5 * np.exp(-2 * u[:, 1 + self._levels : self._hyper])
        n = len(self.y)
        near = (-precision @ self._square).reshape(len(u), n, n)
        np.exp(near, out=out)
        out *= np.exp(2 * u[:, :1, None])
        out += self._mean_part
        if len(self._sharing):
            out += np.tensordot(levels[:, :-1], self._sharing, axes=1)
        diagonal = np.arange(n)
        out[:, diagonal, diagonal] += levels[:, -1:] + self._known + _JITTER

    # ---- what it gives --------------------------------------------------------------------------

    def pick(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Return which hyperparameter draws to keep."""
        return strata(len(self.sample), min(count, len(self.sample)))

    def parts(self, picked: np.ndarray) -> list[GaussianPart]:
        """Return one part for each of the hyperparameter draws."""
        return [self.part(u) for u in self.sample[picked]]

    def rescaled(
        self, picked: np.ndarray, parts: Sequence[Part], factor: float
    ) -> tuple[list[GaussianPart], np.ndarray]:
        """Return the parts with slopes, bend and amplitude larger by a factor a priori, and logs of importance weights."""
        other = GaussianProcess(
            self.variables, self.scale, self.base, self.y, self.noise, self.priors.scaled(factor), self.cover,
            self.side,
        )  # fmt: skip
        u, slopes = self.sample[picked], slice(1, 2 + self.base.shape[1])
        out = []
        for part in parts:
            assert isinstance(part, GaussianPart)
            root = part.root.copy()
            root[slopes] *= factor
            columns = part.features.expand(self.base)
            out.append(
                GaussianPart(
                    part.features, part.scale, columns, root, part.y, part.noise, part.sds, part.centre
                )
            )
        return out, other.log_posterior(u) - self.log_posterior(u)

    @property
    def level_ratios(self) -> np.ndarray:
        """Draws of the levels' standard deviations in units of the residual's, shape (draws, levels + 1).

        Those first whose errors leave the mean of all values least open.
        """
        levels = self._many
        errors = (
            np.tensordot(np.exp(2 * levels[:, :-1]), self._sharing, axes=1) if len(self._sharing) else 0.0
        )
        own = np.exp(2 * levels[:, -1:]) + self._known
        order = _least_open_first(errors + own[:, :, None] * np.eye(len(self.y)))
        return np.exp(np.clip(levels - levels[:, -1:], -5.0, 2.5))[order]

    def part(self, u: np.ndarray) -> GaussianPart:
        """Return the posterior at one set of hyperparameters, in finitely many columns."""
        amplitude, length = np.exp(u[0]) * self.unit, np.exp(u[1 + self._levels : self._hyper])
        sds = np.exp(u[1 : 1 + self._levels]) * self.unit
        points, lower = _representing(np.vstack([self.base, self.cover]) / length)
        features = KernelFeatures(self.variables, points * length, length)
        d, m = self.base.shape[1], len(points)
        root = np.zeros((d + 2 + m, d + 2 + m))
        root[range(d + 2), range(d + 2)] = self.priors.of_mean(d) * self.unit
        root[d + 2 :, d + 2 :] = amplitude * np.linalg.inv(lower).T
        y = self.y
        if len(self._beyond):
            y = self.centre + self.unit * self._completed(u[None])[0]
        return GaussianPart(
            features, self.scale, features.expand(self.base), root, y, self.noise, sds, self.centre
        )

    def left_out(self, groups: np.ndarray) -> np.ndarray:
        """Return the log predictive density of each group of values, left out in turn, on the scale of the fit.

        Hyperparameters are reweighted for the group left out by importance sampling, weights truncated
        (Ionides 2008).
        """
        inverse = np.linalg.inv(self.covariance(self.sample))
        logs = left_out(inverse, self._completed(self.sample), groups, self.side, self._u)
        size = np.bincount(groups, self.side == 0)
        return leave_out_average(logs) - size * np.log(self.unit)


def mean_columns(base: np.ndarray) -> np.ndarray:
    """Return the constant, the variables, and how far a formula lies from the middle, shape (n, d + 2)."""
    away = (base**2).sum(axis=1) / np.sqrt(max(base.shape[1], 1))
    return np.column_stack([np.ones(len(base)), base, away])


def _representing(z: np.ndarray, most: int = 90, left: float = 4e-3) -> tuple[np.ndarray, np.ndarray]:
    """Points that stand for a unit process all over `z`, and the Cholesky factor of their covariance.

    Pivoted Cholesky: always the point whose value is least known, until no point keeps more than `left` of its
    variance.
    """
    variance = np.ones(len(z))
    columns = np.zeros((min(most, len(z)), len(z)))
    chosen: list[int] = []
    for k in range(len(columns)):
        j = int(np.argmax(variance))
        if variance[j] < left:
            break
        kernel = np.exp(-0.5 * ((z - z[j]) ** 2).sum(axis=1))
        columns[k] = (kernel - columns[:k, j] @ columns[:k]) / np.sqrt(variance[j])
        variance = np.maximum(variance - columns[k] ** 2, 0)
        chosen.append(j)
    return z[chosen], columns[: len(chosen), chosen].T


def _least_open_first(covariance: np.ndarray) -> np.ndarray:
    """Order of covariances of the values (k, n, n) by the variance of the mean of all, as generalised least squares takes it."""
    precision = np.linalg.solve(covariance, np.ones((covariance.shape[-1], 1))).sum(axis=(1, 2))
    return np.argsort(-precision, kind="stable")
