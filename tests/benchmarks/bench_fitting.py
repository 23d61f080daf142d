"""Surfaces: ours, beside statsmodels and scikit-learn wired by hand, judged against the truth of invented plants."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

import formlab as fl
from formlab.demo import TRUTHS, demo_brief, make_results
from formlab.surfaces import leave_one_batch_out
from formlab.surfaces.least_squares import SurfaceRegressor, press, solve
from formlab.surfaces.mixed import reml
from formlab.surfaces.noise import Noise
from formlab.surfaces.surface import Surface
from tests.benchmarks.rows import Row, clock, race

__all__ = ["drafting_block", "processes", "rows", "slabs"]


def rows() -> list[Row]:
    return [*fitting(), *leaving_out(), *mixed()]


# ---- fitting ------------------------------------------------------------------------------------------


def drafting_block(seed: int = 1, runs: int = 28) -> tuple[fl.Brief, pd.DataFrame]:
    """The invented drafting block: a hypercube of trials, each in a batch of its own, and its readings."""
    brief = demo_brief("drafting_block")
    plan = fl.lay_out(brief, runs=runs, batches=runs, kind="spread", seed=seed).frame
    readings = make_results(brief, plan, TRUTHS["drafting_block"](brief, plan), seed)
    return brief, plan.merge(readings, on="trial")


def fitting() -> list[Row]:
    """All four responses, and the errors of their predictions over the region."""
    found = []
    brief, trials = drafting_block()
    over = fl.Region.from_brief(brief).sample(500, seed=3)
    truth = TRUTHS["drafting_block"](brief, over)
    sds = truth.std()

    def error(predicted: pd.DataFrame) -> float:
        return float(np.sqrt((((predicted - truth) / sds) ** 2).mean().mean()))

    for kind, rival, stack in (
        ("least squares", quadratics, "statsmodels OLS, full quadratic"),
        ("auto", processes_or_ridge, "scikit-learn GP or ridge quadratic, the better of 5 folds"),
    ):
        seconds, ours, other, theirs = race(
            lambda k=kind: with_intervals(fl.fit(brief, trials, kind=k, seed=1), over),
            lambda r=rival: r(brief, trials, over),
            repeats=2,
        )
        task = f"fit 4 responses ({kind}), 500 intervals"
        judged = "error of means over the region, in sds of the truth"
        found.append(Row(task, seconds, other, stack, judged, error(ours), error(theirs), "less", 0.01))
    return found


def with_intervals(surfaces: Any, over: pd.DataFrame) -> pd.DataFrame:
    """Means of all responses; intervals are worked out with them."""
    tables = {name: surface.predict_table(over) for name, surface in surfaces.items()}
    return pd.DataFrame({name: table["mean"] for name, table in tables.items()})


def scaled(brief: fl.Brief, frame: pd.DataFrame) -> np.ndarray:
    names = [*brief.varied, *brief.setting_names]
    low, high = np.array([brief.ranges[n] for n in names]).T
    return 2 * (frame[names].to_numpy(float) - low) / (high - low) - 1


def slab_means(brief: fl.Brief, trials: pd.DataFrame) -> pd.DataFrame:
    names = [*brief.varied, *brief.setting_names, *brief.response_names]
    return trials.groupby("trial", sort=False)[names].mean()


def quadratics(brief: fl.Brief, trials: pd.DataFrame, over: pd.DataFrame) -> pd.DataFrame:
    from sklearn.preprocessing import PolynomialFeatures
    from statsmodels.api import OLS

    means, features = slab_means(brief, trials), PolynomialFeatures(2)
    x, at = features.fit_transform(scaled(brief, means)), features.fit_transform(scaled(brief, over))
    tables = {
        n: OLS(means[n].to_numpy(), x).fit().get_prediction(at).summary_frame() for n in brief.response_names
    }
    return pd.DataFrame({name: table["mean"] for name, table in tables.items()})


def processes(brief: fl.Brief, means: pd.DataFrame, names: list[str] | None = None) -> dict[str, Any]:
    """A Gaussian process a response, with a length for each factor."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

    x = scaled(brief, means)
    kernel = ConstantKernel() * Matern(np.ones(x.shape[1]), nu=2.5) + WhiteKernel(0.05)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        return {
            n: GaussianProcessRegressor(kernel, normalize_y=True, n_restarts_optimizer=5, random_state=0).fit(
                x, means[n]
            )
            for n in names or brief.response_names
        }


def processes_or_ridge(brief: fl.Brief, trials: pd.DataFrame, over: pd.DataFrame) -> pd.DataFrame:
    """For each response whichever of the two predicts left-out trials better, fitted to all."""
    from sklearn.linear_model import RidgeCV
    from sklearn.model_selection import KFold
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import PolynomialFeatures, StandardScaler

    means = slab_means(brief, trials)
    x, at = scaled(brief, means), scaled(brief, over)
    ridge = make_pipeline(
        PolynomialFeatures(2, include_bias=False), StandardScaler(), RidgeCV(np.logspace(-3, 3, 25))
    )
    folds = list(KFold(5, shuffle=True, random_state=0).split(x))
    out = {}
    for name in brief.response_names:
        y = means[name].to_numpy()
        miss = np.zeros(2)
        for train, test in folds:
            process = processes(brief, means.iloc[train], [name])[name]
            miss[0] += ((process.predict(x[test]) - y[test]) ** 2).sum()
            miss[1] += ((ridge.fit(x[train], y[train]).predict(x[test]) - y[test]) ** 2).sum()
        if miss[0] < miss[1]:
            out[name] = processes(brief, means, [name])[name].predict(at, return_std=True)[0]
        else:
            out[name] = ridge.fit(x, y).predict(at)
    return pd.DataFrame(out)


# ---- leaving out --------------------------------------------------------------------------------------


def slabs(batches: int = 20, each: int = 3, seed: int = 1) -> Surface:
    """An invented series of batches of slabs, with two settings, fitted by least squares."""
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(batches), each)
    frame = pd.DataFrame(
        {"a": rng.uniform(-1, 1, batches)[batch], "b": rng.uniform(-1, 1, len(batch)), "batch": batch}
    )
    frame["y"] = 3 * frame["a"] - frame["b"] + rng.normal(0, 1, batches)[batch] + rng.normal(size=len(batch))
    settings = [{"name": "a", "low": -1, "high": 1}, {"name": "b", "low": -1, "high": 1, "changes": "slab"}]
    brief = fl.Brief(setting=settings, response=[{"name": "y"}])
    return fl.fit(brief, frame, kind="least squares", seed=1)["y"]


def leaving_out() -> list[Row]:
    surface = slabs()
    x, y, groups = surface.space.matrix(surface.formulas), surface.values.eta, surface.values.batches
    seconds, ours, other, theirs = race(
        lambda: leave_one_batch_out(surface)["predicted"].to_numpy(),
        lambda: batches_left_out(x, y, groups),
        2,
    )
    error = [float(np.sqrt(np.mean((y - p) ** 2))) for p in (ours, theirs)]
    found = [
        Row("leave one batch out, 20 batches of 3, variances anew", seconds, other, "statsmodels MixedLM in a loop",
            "error of what was left out", *error, better="less")
    ]  # fmt: skip
    return [*found, *trials_left_out()]


def trials_left_out() -> list[Row]:
    """A quadratic in six factors, from raw trials to each predicted by the others; and once it is fitted."""
    from sklearn.linear_model import LinearRegression
    from sklearn.model_selection import LeaveOneOut, cross_val_predict
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import PolynomialFeatures

    found = []
    loop = make_pipeline(PolynomialFeatures(2), LinearRegression(fit_intercept=False))
    mine, stack = SurfaceRegressor(order="quadratic"), "scikit-learn cross_val_predict"
    for n in (60, 100):
        x, y = np.random.default_rng(n).uniform(-1, 1, (n, 6)), np.random.default_rng(n + 1).normal(size=n)
        seconds, ours, other, theirs = race(
            partial(repeated, 20, partial(mine.leave_one_out, x, y)),
            partial(cross_val_predict, loop, x, y, cv=LeaveOneOut()),
        )
        columns = PolynomialFeatures(2).fit_transform(x)
        fitted = solve(columns, y, [str(k) for k in range(columns.shape[1])])
        after = clock(partial(repeated, 20, partial(press, fitted)))
        sums = [float(((y - predicted) ** 2).sum()) for predicted in (ours, theirs)]
        for task, taken, square in (
            (f"leave one trial out, {n} trials, 28 terms", seconds / 20, sums[0]),
            (f"the same once fitted, {n} trials", after / 20, press(fitted)),
        ):
            judged = "sum of squares left out"
            found.append(Row(task, taken, other, stack, judged, square, sums[1], "less", 1e-9))
    return found


def repeated(times: int, work: Callable[[], Any]) -> Any:
    """Do some work several times: too short to be timed alone."""
    for _ in range(times - 1):
        work()
    return work()


def batches_left_out(x: np.ndarray, y: np.ndarray, groups: np.ndarray) -> np.ndarray:
    from statsmodels.regression.mixed_linear_model import MixedLM

    out = np.empty(len(y))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a batch's variance may come out at zero
        for g in range(groups.max() + 1):
            keep = groups != g
            out[~keep] = x[~keep] @ MixedLM(y[keep], x[keep], groups[keep]).fit(reml=True).fe_params
    return out


# ---- REML ---------------------------------------------------------------------------------------------


def mixed() -> list[Row]:
    """Batches with slabs, and batches crossed with press loads."""
    found = []
    surface = slabs()
    x, y, batch = surface.space.matrix(surface.formulas), surface.values.eta, surface.values.batches
    load = np.random.default_rng(7).permutation(len(y)) % 10
    crossed = y + np.random.default_rng(8).normal(0, 1, 10)[load]
    for task, values, groups in (
        ("REML, 20 batches of 3 slabs", y, {"batch": batch}),
        ("REML, 20 batches crossed with 10 loads", crossed, {"batch": batch, "load": load}),
    ):
        noise = Noise(batch, np.arange(len(y)), tuple(groups), tuple(groups.values()))
        seconds, ours, other, theirs = race(
            lambda v=values, n=noise: reml(x, v, n, surface.space.names).variance,
            lambda v=values, g=groups: variances(x, v, g),
        )
        height = [residual_likelihood(x, values, noise.sharing, v) for v in (ours, theirs)]
        found.append(
            Row(task, seconds, other, "statsmodels MixedLM", "residual log likelihood", *height, margin=1e-6)
        )
    return found


def variances(x: np.ndarray, y: np.ndarray, groups: dict[str, np.ndarray]) -> np.ndarray:
    """Variances of the levels and the residual; crossed levels as components inside one group of all."""
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if len(groups) == 1:
            fit = MixedLM(y, x, next(iter(groups.values()))).fit(reml=True)
            return np.array([float(np.squeeze(fit.cov_re)), fit.scale])
        dummies = [pd.get_dummies(g).to_numpy(float) for g in groups.values()]
        names = [[f"{name}{k}" for k in range(d.shape[1])] for name, d in zip(groups, dummies)]
        parts = VCSpec(list(groups), [[n] for n in names], [[d] for d in dummies])
        fit = MixedLM(y, x, np.zeros(len(y)), exog_re=np.zeros((len(y), 0)), exog_vc=parts).fit(reml=True)
        return np.append(fit.vcomp, fit.scale)


def residual_likelihood(x: np.ndarray, y: np.ndarray, shares: np.ndarray, variance: np.ndarray) -> float:
    """The residual log likelihood of variances (Patterson & Thompson 1971), without its constant."""
    v = np.einsum("k,kij->ij", variance[:-1], shares) + variance[-1] * np.eye(len(y))
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    rest = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
    return float(-0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1] + rest @ inverse @ rest))
