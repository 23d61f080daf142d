r"""Ratings, counts and pass/fail, through statsmodels: cumulative logit, Poisson log, binomial logit.

The posterior is the normal law about the maximum of the likelihood. Where batches repeat, or values scatter more
than the law allows, its covariance is widened by the dispersion between batches, never below 1 (McCullagh &
Nelder 1989, section 4.5). A rating's mean is the mean of its categories; where its thresholds lie together is uncertain as the constant is, how far
they lie apart is held at its estimate.
Single readings follow the law itself: they are categories, whole numbers, passed or not.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from formlab.errors import FitError
from formlab.surfaces.noise import Noise, Scatter
from formlab.surfaces.parts import Drawn, Features, student_of_added
from formlab.surfaces.readings import Values
from formlab.surfaces.scales import Scale

__all__ = ["CategoryScale", "NormalPart", "fit_discrete"]


def _chance(z: np.ndarray) -> np.ndarray:
    from scipy.special import ndtr

    return np.asarray(np.clip(ndtr(z), 1e-12, 1 - 1e-12))


@dataclass(frozen=True)
class CountScale(Scale):
    """Of counts: readings are Poisson about their mean."""

    kind: str = "log"
    low: float = 0.0

    def read(self, eta: np.ndarray, z: np.ndarray, sd: np.ndarray | float, count: int = 1) -> np.ndarray:
        from scipy.special import pdtr, pdtrik

        p, mean = np.broadcast_arrays(_chance(z), count * self.inverse(eta))
        k = np.ceil(pdtrik(p, mean))
        less = np.maximum(k - 1, 0)
        return np.asarray(np.where(pdtr(less, mean) >= p, less, k) / count)


@dataclass(frozen=True)
class PassScale(Scale):
    """Of what passes or fails: readings are 1 or 0."""

    kind: str = "logit"
    low: float = 0.0
    high: float = 1.0

    def read(self, eta: np.ndarray, z: np.ndarray, sd: np.ndarray | float, count: int = 1) -> np.ndarray:
        from scipy.special import bdtr

        p, share = np.broadcast_arrays(_chance(z), self.inverse(eta))
        return np.asarray(sum(bdtr(k, count, share) < p for k in range(count)) / count)


@dataclass(frozen=True)
class CategoryScale(Scale):
    """From the predictor of a cumulative logit to the mean of the categories."""

    categories: tuple[float, ...] = ()
    thresholds: tuple[float, ...] = ()
    kind: str = "rating"

    @property
    def text(self) -> str:
        return f"cumulative logit over {len(self.categories)} categories"

    def inside(self, y: np.ndarray) -> np.ndarray:
        return np.isfinite(np.asarray(y, float))

    def inverse(self, eta: np.ndarray) -> np.ndarray:
        eta = np.asarray(eta, dtype=float)
        steps = np.diff(self.categories)
        total = np.full(eta.shape, self.categories[0], dtype=float)
        for step, threshold in zip(steps, self.thresholds):
            total += step / (1 + np.exp(threshold - eta))
        return total

    def slope(self, eta: np.ndarray) -> np.ndarray:
        return self.bells(eta).sum(axis=-1)

    def bells(self, eta: np.ndarray) -> np.ndarray:
        """Return by how much the mean rises with the predictor at each threshold, shape (..., thresholds)."""
        p = 1 / (1 + np.exp(np.array(self.thresholds) - np.asarray(eta, dtype=float)[..., None]))
        return np.diff(self.categories) * p * (1 - p)

    def mean(self, eta: np.ndarray, variance: np.ndarray | float) -> np.ndarray:
        return self.inverse(eta)  # the scatter of single ratings is in the categories already

    def forward(self, y: np.ndarray) -> np.ndarray:
        y = np.asarray(y, dtype=float)
        low, high = np.full(y.shape, -60.0), np.full(y.shape, 60.0)
        for _ in range(70):
            middle = (low + high) / 2
            short = self.inverse(middle) < y
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        at_end = np.where(y <= self.categories[0], -np.inf, np.where(y >= self.categories[-1], np.inf, 0.0))
        return np.where(at_end == 0, (low + high) / 2, at_end)

    def read(self, eta: np.ndarray, z: np.ndarray, sd: np.ndarray | float, count: int = 1) -> np.ndarray:
        """A category each; means of several by the normal law of their mean and variance, within the categories."""
        eta = np.asarray(eta, dtype=float)
        above = [1 / (1 + np.exp(threshold - eta)) for threshold in self.thresholds]
        steps, p = np.diff(self.categories), _chance(z)
        if count == 1:
            return self.categories[0] + sum(s * (1 - a < p) for s, a in zip(steps, above))
        mean = self.categories[0] + sum(s * a for s, a in zip(steps, above))
        ends = np.array(self.categories)
        square = ends[0] ** 2 + sum(s * a for s, a in zip(np.diff(ends**2), above))
        sd_one = np.sqrt(np.maximum(square - mean**2, 0.0))
        return np.clip(mean + z * sd_one / math.sqrt(count), ends[0], ends[-1])

    def predictor(self, mean: np.ndarray, variance: np.ndarray | float) -> np.ndarray:
        return self.forward(mean)

    def chances(self, eta: np.ndarray) -> np.ndarray:
        """Return the probability of each category, shape (n, categories)."""
        below = 1 / (1 + np.exp(np.asarray(eta)[:, None] - np.array(self.thresholds)))
        edges = np.column_stack([np.zeros(len(below)), below, np.ones(len(below))])
        return np.diff(edges, axis=1)


@dataclass(frozen=True)
class NormalPart:
    """Coefficients with a normal law, and the working response it came from."""

    features: Features
    scale: Scale
    coef: np.ndarray
    root: np.ndarray  # of their covariance
    sds: tuple[float, float]  # of slabs, and of a reading, on the scale of the fit
    y: np.ndarray
    columns: np.ndarray
    hat: np.ndarray
    estimate: np.ndarray  # as printed: of the mean over slabs

    @property
    def spread(self) -> tuple[float, float, float]:
        return 0.0, *self.sds

    @property
    def residual(self) -> np.ndarray:
        return self.y - self.columns @ self.coef

    @property
    def passing(self) -> np.ndarray:
        return np.zeros(len(self.y))

    @property
    def precision(self) -> np.ndarray:
        return np.eye(len(self.y)) - self.hat

    @property
    def pulled(self) -> np.ndarray:
        return self.residual

    def draw(self, scatter: Scatter, rng: np.random.Generator) -> Drawn:
        k = len(scatter.slab)
        coef = self.coef + rng.standard_normal((k, self.root.shape[1])) @ self.root.T
        slab, reading = (np.full(k, s) for s in self.sds)
        return Drawn(self, coef, np.zeros(k), slab, reading, np.zeros(k))

    def moments(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        return columns @ self.coef, np.linalg.norm(columns @ self.root, axis=1), math.inf

    def pull(self, columns: np.ndarray) -> np.ndarray:
        return columns @ np.linalg.pinv(self.columns) @ self.hat

    def added(self, columns: np.ndarray) -> np.ndarray:
        turned, rss = columns - self.hat @ columns, float(self.residual @ self.residual)
        df = max(len(self.y) - float(np.trace(self.hat)), 1.0 + 1e-9)
        return student_of_added(
            columns.T @ self.residual, columns, turned, lambda square: (rss - square) / (df - 1)
        )


def fit_discrete(
    features: Features, columns: np.ndarray, constant: np.ndarray, values: Values
) -> tuple[NormalPart, Values, list[str]]:
    """Return the posterior of a rating, count or pass/fail, its working values, and what to know.

    Parameters
    ----------
    features, columns : Features, ndarray of shape (n, p)
    constant : ndarray of bool, shape (p,)
        A column whose removal takes the constant out of the model: thresholds stand in for it in ratings.
    values : Values
        With the response as read.

    Raises
    ------
    FitError
        If values are not of the kind, or the likelihood has no maximum (an outcome follows from a factor without fail).
    """
    kind = values.response.kind
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", DeprecationWarning)
        try:
            (scale, coef, covariance, weight, mean, variance), notes = _likeliest(columns, constant, values)
        except FitError:
            raise
        except Exception as error:  # statsmodels warns or fails in several ways when there is no maximum
            raise FitError(
                f"Response {values.response.name!r} ({kind}): the likelihood has no maximum with {columns.shape[1]} terms and "
                f"n_samples = {len(values.y)} trials. An outcome may follow from one factor without "
                "fail: add trials between, or choose a smaller model."
            ) from error
    eta = columns @ coef
    dispersion = _dispersion(values, mean, variance, columns.shape[1])
    if dispersion > 1.2:
        notes.append(
            f"The {kind} scatters {dispersion:.1f} times as much as its law allows; intervals are widened for it."
        )
    root = np.linalg.cholesky(covariance * dispersion + 1e-12 * np.eye(len(coef)) * np.trace(covariance))
    middle = float(np.mean(mean))
    slab = reading = 0.0
    estimate = coef
    if kind == "count":
        slab, reading = math.sqrt(max(dispersion - 1, 0.0) / middle), 1 / math.sqrt(middle)
        coef = coef - (0.5 * slab**2) * _unit(columns)  # the mean over slabs stays exp(eta)
        eta = columns @ coef
    working = eta + (values.y - mean) / np.maximum(scale.slope(eta), 1e-9)
    x = columns * np.sqrt(weight)[:, None]
    hat = columns @ np.linalg.pinv(x) * np.sqrt(weight)
    part = NormalPart(features, scale, coef, root, (slab, reading), working, columns, hat, estimate)
    return part, replace(values, scale=scale, eta=working), notes


def _unit(columns: np.ndarray) -> np.ndarray:
    """Coefficients that make 1 everywhere."""
    return np.linalg.lstsq(columns, np.ones(len(columns)), rcond=None)[0]


Fitted = tuple[Scale, np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _likeliest(columns: np.ndarray, constant: np.ndarray, values: Values) -> tuple[Fitted, list[str]]:
    """The maximum of the likelihood; of pass/fail without one, that with more readings spread over the trials, which is said."""
    kind, terms = values.response.kind, columns.shape[1]
    try:
        return {"rating": _rating, "count": _count, "pass": _pass}[kind](columns, constant, values), []
    except FitError:
        raise
    except Exception:
        if kind != "pass" or np.linalg.matrix_rank(columns) < terms:
            raise
    return _pass(columns, constant, _spread(values, terms)), [
        f"Whether {values.response.name} passes follows from a factor almost without fail, so the likelihood has no maximum: fitted "
        f"as if {terms} more readings with the overall share of passes had been spread over the trials. What that factor does is "
        "hardly bounded: make trials where it turns."
    ]


def _count(x: np.ndarray, constant: np.ndarray, values: Values) -> Fitted:
    import statsmodels.api as sm

    y = values.y * values.count
    if (y < 0).any() or not np.allclose(y, np.round(y), atol=1e-9):
        raise FitError(
            f'Response {values.response.name!r} is a count, but some readings are not whole numbers from 0 up. Correct them, or write kind = "measure".'
        )
    fit = sm.GLM(y, x, family=sm.families.Poisson(), offset=np.log(values.count)).fit(tol=1e-12)
    mean = np.asarray(fit.fittedvalues) / values.count
    return (
        CountScale(),
        np.asarray(fit.params),
        np.asarray(fit.cov_params()),
        mean * values.count,
        mean,
        mean / values.count,
    )


def _pass(x: np.ndarray, constant: np.ndarray, values: Values) -> Fitted:
    import statsmodels.api as sm

    if ((values.y < 0) | (values.y > 1)).any():
        raise FitError(f"Response {values.response.name!r} is pass or fail: write 1 or 0.")
    passed = values.y * values.count
    fit = sm.GLM(np.column_stack([passed, values.count - passed]), x, family=sm.families.Binomial()).fit(
        tol=1e-12
    )
    mean = np.asarray(fit.fittedvalues)
    if np.abs(x @ np.asarray(fit.params)).max() > 25:
        raise FloatingPointError("separation")
    bell = mean * (1 - mean)
    return (
        PassScale(),
        np.asarray(fit.params),
        np.asarray(fit.cov_params()),
        bell * values.count,
        mean,
        bell / values.count,
    )


def _spread(values: Values, terms: int) -> Values:
    """Passes and fails with as many more readings as there are terms, of the overall share, evenly over the trials.

    Clogg, Rubin, Schenker, Schultz & Weidman (1991, J. Amer. Stat. Assoc. 86:68-78).
    """
    more = terms / len(values.y)
    share = float(values.y @ values.count / values.count.sum())
    count = values.count + more
    return replace(values, y=(values.y * values.count + more * share) / count, count=count)


def _rating(x: np.ndarray, constant: np.ndarray, values: Values) -> Fitted:
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    categories, code = np.unique(values.y, return_inverse=True)
    if len(categories) > max(12, len(values.y) // 2):
        raise FitError(
            f"Response {values.response.name!r} is a rating, but takes {len(categories)} values in {len(values.y)} trials; "
            'write averages of ratings as kind = "measure".'
        )
    free = x[:, ~constant]
    model: Any = OrderedModel(code, free, distr="logit")
    fit = model.fit(method="bfgs", disp=False, maxiter=2000, gtol=1e-8)
    q = free.shape[1]
    if np.abs(free @ np.asarray(fit.params[:q])).max() > 60:
        raise FloatingPointError("separation")
    thresholds = np.asarray(model.transform_threshold_params(fit.params))[1:-1]
    coef = np.zeros(x.shape[1])
    coef[~constant] = np.asarray(fit.params[:q])
    scale = CategoryScale(categories=tuple(map(float, categories)), thresholds=tuple(map(float, thresholds)))
    eta = x @ coef
    # where the thresholds lie is the constant of the model, turned about: as it moves the mean over the trials
    bell = scale.bells(eta).mean(axis=0)
    spread = np.exp(np.asarray(fit.params[q + 1 :]))  # each threshold is the one before and a positive step
    moves = np.column_stack(
        [np.ones(len(bell)), *(s * (np.arange(len(bell)) > k) for k, s in enumerate(spread))]
    )
    turn = np.zeros((x.shape[1], len(fit.params)))
    turn[~constant, :q] = np.eye(q)
    turn[:, q:] = -np.outer(_unit(x), bell @ moves / bell.sum())
    covariance = turn @ np.asarray(fit.cov_params()) @ turn.T
    chance = scale.chances(eta)
    mean = chance @ categories
    variance = chance @ categories**2 - mean**2
    weight = scale.slope(eta) ** 2 / np.maximum(variance, 1e-12)
    return scale, coef, covariance, weight, mean, variance


def _dispersion(values: Values, mean: np.ndarray, variance: np.ndarray, p: int) -> float:
    """Pearson's chi-square over its degrees of freedom, of batch totals; at least 1."""
    batch = values.batches
    batches = int(batch.max()) + 1
    if batches <= p:
        return 1.0
    off = np.bincount(batch, values.y - mean) ** 2 / np.bincount(batch, np.maximum(variance, 1e-12))
    return max(float(off.sum()) / (batches - p), 1.0)


def noise_free(values: Values, batches: np.ndarray) -> Noise:
    """Levels of error of a discrete response: its law has them already."""
    return Noise(batches[values.rows], values.rows)
