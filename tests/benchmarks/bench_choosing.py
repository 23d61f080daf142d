"""Probabilities and suggestions: ours, beside scikit-learn, scipy and numpy wired by hand, judged by invented plants."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

import formlab as fl
from formlab.demo import TRUTHS
from tests.benchmarks.bench_fitting import drafting_block, processes, scaled, slab_means
from tests.benchmarks.rows import Row, race

__all__ = ["cheapest", "rows", "sampled"]

DRAWS, FORMULAS, SEEDS = 1000, 5000, (1, 2, 3, 4)


def rows() -> list[Row]:
    return [*conformance(), suggestion()]


def truly_meets(brief: fl.Brief, frame: pd.DataFrame) -> np.ndarray:
    truth = TRUTHS["drafting_block"](brief, frame)
    return np.all([part.meets(truth[part.name]) for part in brief.responses], axis=0)


# ---- probabilities ------------------------------------------------------------------------------------


def conformance() -> list[Row]:
    """The probability that the mean meets all four targets, of many formulas."""
    brief, trials = drafting_block()
    over = fl.Region.from_brief(brief).sample(FORMULAS, seed=3)
    true, means = truly_meets(brief, over), slab_means(brief, trials)
    models, regressions = processes(brief, means), Regressions(brief, means)
    targets = {part.name: part.target for part in brief.responses}
    found = []
    for kind, rival, stack in (
        (
            "least squares",
            lambda: regressions.probability(over),
            "statsmodels OLS, draws by scipy, counted in numpy",
        ),
        (
            "auto",
            lambda: sampled(brief, models, over),
            "scikit-learn GPs, joint draws of 250 formulas at a time",
        ),
    ):
        surfaces = fl.fit(brief, trials, kind=kind, seed=1)

        def ours(surfaces: Any = surfaces) -> np.ndarray:
            drawn = surfaces.draw_few(DRAWS, seed=1)
            return drawn.meeting(targets).probability(drawn.columns(over))

        seconds, mine, other, theirs = race(ours, rival, repeats=2)
        brier = [float(np.mean((p - true) ** 2)) for p in (mine, theirs)]
        task = f"all targets met? {FORMULAS} formulas, {DRAWS} draws ({kind})"
        found.append(Row(task, seconds, other, stack, "Brier score against the truth", *brier, better="less"))
    return found


class Regressions:
    """A quadratic a response on its natural scale, and draws of its coefficients."""

    def __init__(self, brief: fl.Brief, means: pd.DataFrame) -> None:
        from sklearn.preprocessing import PolynomialFeatures
        from statsmodels.api import OLS

        self.brief, self.features = brief, PolynomialFeatures(2)
        x = self.features.fit_transform(scaled(brief, means))
        self.fits = {
            p.name: OLS(_forward(p.bounds, means[p.name].to_numpy()), x).fit() for p in brief.responses
        }

    def probability(self, over: pd.DataFrame) -> np.ndarray:
        rng = np.random.default_rng(1)
        x, ok = self.features.transform(scaled(self.brief, over)), np.ones((DRAWS, len(over)), dtype=bool)
        for part in self.brief.responses:
            fit = self.fits[part.name]
            sigma = np.sqrt(fit.ssr / rng.chisquare(fit.df_resid, DRAWS))
            root = np.linalg.cholesky(fit.normalized_cov_params)
            coef = fit.params + sigma[:, None] * (rng.standard_normal((DRAWS, x.shape[1])) @ root.T)
            value = _backward(part.bounds, coef @ x.T, sigma[:, None] ** 2)
            ok &= (value >= part.target[0]) & (value <= part.target[1])
        return np.asarray(ok.mean(axis=0))


def _forward(bounds: tuple[float, float], y: np.ndarray) -> np.ndarray:
    low, high = bounds
    if np.isfinite(low) and np.isfinite(high):
        return np.log((y - low) / (high - y))
    if np.isfinite(low):
        return np.log(y - low)
    return np.log(high - y) if np.isfinite(high) else y


def _backward(bounds: tuple[float, float], eta: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """The mean in the response's own unit: exact for logarithms, three nodes for a logit."""
    from scipy.special import expit

    low, high = bounds
    if np.isfinite(low) and np.isfinite(high):
        step = np.sqrt(3 * variance)
        mean = (expit(eta - step) + 4 * expit(eta) + expit(eta + step)) / 6
        return np.asarray(low + (high - low) * mean)
    if np.isfinite(low):
        return np.asarray(low + np.exp(eta + variance / 2))
    return np.asarray(high - np.exp(eta + variance / 2)) if np.isfinite(high) else eta


def sampled(brief: fl.Brief, models: dict[str, Any], over: pd.DataFrame, block: int = 250) -> np.ndarray:
    """Shares of joint posterior draws of Gaussian processes that meet all targets; noise is no part of a mean."""
    found = []
    for start in range(0, len(over), block):
        x = scaled(brief, over.iloc[start : start + block])
        ok = np.ones((len(x), DRAWS), dtype=bool)
        for part in brief.responses:
            model = models[part.name]
            mean, cov = model.predict(x, return_cov=True)
            noise = model.kernel_.k2.noise_level * model._y_train_std**2
            cov = cov + (1e-8 - noise) * np.eye(len(x))
            values, vectors = np.linalg.eigh(cov)
            root = vectors * np.sqrt(np.maximum(values, 0))
            y = mean[:, None] + root @ np.random.default_rng(1).standard_normal((len(x), DRAWS))
            ok &= (y >= part.target[0]) & (y <= part.target[1])
        found.append(ok.mean(axis=1))
    return np.concatenate(found)


# ---- suggestions --------------------------------------------------------------------------------------


def suggestion() -> Row:
    """The cheapest formula that is 90 % sure to meet all targets, for some draws of the same series."""
    times, hits, costs = np.zeros(2), np.zeros(2), [[], []]  # type: ignore[var-annotated]
    for seed in SEEDS:
        brief, trials = drafting_block(seed)
        surfaces, models = fl.fit(brief, trials, seed=1), processes(brief, slab_means(brief, trials))
        a, mine, b, theirs = race(
            lambda b=brief, s=surfaces: fl.suggest(b, s, minimise="cost_per_litre", seed=1, explain=False, alternatives=0).frame,
            lambda b=brief, m=models: cheapest(b, m),
            repeats=1,
        )  # fmt: skip
        times += a, b
        for k, frame in enumerate((mine, theirs)):
            if truly_meets(brief, frame)[0]:
                hits[k] += 1
                costs[k].append(cost(brief, frame)[0])
    told = " and ".join(f"{np.mean(c):.4f}" if c else "none" for c in costs)
    n = len(SEEDS)
    return Row(
        "suggest the cheapest at 0.90", times[0] / n, times[1] / n, "scikit-learn GPs, scipy differential_evolution",
        f"share of {n} that truly meet all targets; their mean cost a litre {told}", hits[0] / n, hits[1] / n,
    )  # fmt: skip


def cost(brief: fl.Brief, frame: pd.DataFrame) -> np.ndarray:
    """Cost of a litre."""
    amounts = brief.amounts(brief.complete(frame))
    price, density = brief.numbers("price"), brief.numbers("density")
    return ((amounts * price).sum(axis=1) / (amounts / density).sum(axis=1)).to_numpy()


def cheapest(brief: fl.Brief, models: dict[str, Any], confidence: float = 0.90) -> pd.DataFrame:
    """Differential evolution over the ranges, with penalties for limits and for too little probability."""
    from scipy.optimize import differential_evolution

    names = [*brief.varied, *brief.setting_names]
    normal = np.random.default_rng(2).standard_normal((DRAWS, len(brief.responses)))
    region = fl.Region.from_brief(brief)

    def frame_of(x: np.ndarray) -> pd.DataFrame:
        return brief.complete(pd.DataFrame(np.atleast_2d(x), columns=names))

    def loss(x: np.ndarray) -> np.ndarray:
        frame = frame_of(x.T)
        ok = np.ones((DRAWS, len(frame)), dtype=bool)
        for k, part in enumerate(brief.responses):
            model = models[part.name]
            mean, std = model.predict(scaled(brief, frame), return_std=True)
            noise = model.kernel_.k2.noise_level * model._y_train_std**2
            y = mean + normal[:, k, None] * np.sqrt(np.maximum(std**2 - noise, 0))
            ok &= (y >= part.target[0]) & (y <= part.target[1])
        short = np.maximum(confidence - ok.mean(axis=0), 0)
        return np.asarray(cost(brief, frame) + 100 * short + 1000 * ~region.contains(frame).to_numpy())

    done = differential_evolution(
        loss, [brief.ranges[n] for n in names], seed=1, vectorized=True, updating="deferred", polish=False
    )
    return frame_of(done.x)
