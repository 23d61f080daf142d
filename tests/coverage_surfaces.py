"""How often intervals come true, by simulation: the tables of the contributor's guide.

    python -m tests.coverage_surfaces --runs 4000 --bank-runs 150 --jobs 2

Cells with a truth inside the family count, over runs and five formulas, how often 95 % intervals of the mean, and of
one reading of one slab of a new batch, hold what they should; `width` is the median width of the former over that with
the variances known. Cells of the bank have truths outside every family; coverage of the mean is averaged over the
region, `worst` is the tenth of the truth's formulas covered worst, `width` is in units of the truth's own spread;
`selected` is one model chosen by BIC and then believed. With ``--censored 0.3`` the lowest three tenths of the
readings only say that they lie below the least that the test can read.
"""

from __future__ import annotations

import argparse
import warnings

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from scipy.stats import t as student

from formlab.brief import Brief
from formlab.surfaces import Scale, Surface, fit
from formlab.surfaces.fitting import Ground, _Bench
from formlab.surfaces.readings import arrange, noise_of, values_of
from formlab.terms import ModelSpace

# ---- truths inside the family ----------------------------------------------------------------------------

INSIDE = {  # name: batches, slabs a batch, sd of batches (slabs have 1)
    "20 batches of 1": (20, 1, 0.0),
    "4 batches of 3": (4, 3, 1.0),
    "4 batches of 3, large batch error": (4, 3, 3.0),
    "5 batches of 3": (5, 3, 1.0),
    "5 batches of 3, large batch error": (5, 3, 3.0),
    "7 batches of 3, small batch error": (7, 3, 0.3),
    "7 batches of 3": (7, 3, 1.0),
    "7 batches of 3, large batch error": (7, 3, 3.0),
    "12 batches of 2": (12, 2, 1.0),
    "20 batches of 3": (20, 3, 1.0),
    "20 batches of 3, large batch error": (20, 3, 3.0),
}
COEF = np.array([50.0, -4.0, 2.0])
LINE = Brief(
    setting=[{"name": "a", "low": -1, "high": 1, "changes": "batch"}, {"name": "b", "low": -1, "high": 1, "changes": "slab"}],
    response=[{"name": "y"}],
    setting_model="linear",
)  # fmt: skip
LINE_TERMS = ModelSpace(LINE)
AT = pd.DataFrame({"a": [0.0, 1.0, -1.0, 0.5, 1.0], "b": [0.0, 1.0, 1.0, -0.5, -1.0]})


def inside(name: str, seed: int) -> dict[str, float]:
    """One run: a changes between batches, b within them."""
    batches, slabs, sd = INSIDE[name]
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(batches), slabs)
    a = np.linspace(-1, 1, batches)[batch]
    b = (
        np.tile(np.linspace(-1, 1, slabs), batches)
        if slabs > 1
        else rng.permutation(np.linspace(-1, 1, batches))
    )
    x = np.column_stack([np.ones(len(a)), a, b])
    y = x @ COEF + rng.normal(0, sd, batches)[batch] + rng.normal(size=len(a))
    table = _line(pd.DataFrame({"a": a, "b": b, "y": y, "batch": batch}), seed).predict_table(AT)
    at = np.column_stack([np.ones(5), AT])
    truth = at @ COEF
    new = truth + rng.normal(0, sd) + rng.normal(size=5)
    v = np.eye(len(a)) + sd**2 * (batch[:, None] == batch[None, :])
    known = np.sqrt(np.einsum("ij,jk,ik->i", at, np.linalg.inv(x.T @ np.linalg.solve(v, x)), at))
    return {
        "mean": float(((table["low"] <= truth) & (truth <= table["high"])).mean()),
        "slab": float(((table["batch_low"] <= new) & (new <= table["batch_high"])).mean()),
        "width": float(((table["high"] - table["low"]) / (2 * 1.959964 * known)).mean()),
    }


def _line(frame: pd.DataFrame, seed: int) -> Surface:
    """What `fit` makes of kind least squares, without the tables that no interval needs."""
    slabs, response = arrange(LINE, frame), LINE.responses[0]
    values = values_of(slabs, response, Scale())
    ground = Ground(LINE, slabs, LINE_TERMS)
    bench = _Bench(ground, values, noise_of(values, slabs)[0], np.random.default_rng(seed).spawn(1)[0])
    return bench._surface("least squares", bench._flat_parts(ground.terms), None, None, [])


# ---- truths outside it -----------------------------------------------------------------------------------

RUBBER = Brief(
    ingredient=[
        {"name": "rubber", "role": "rubber", "density": 0.93},
        {"name": "factice", "role": "factice", "low": 20, "high": 100, "density": 1.08},
        {"name": "oil", "role": "oil", "low": 4, "high": 28, "density": 0.91},
        {"name": "chalk", "role": "filler", "low": 30, "high": 140, "density": 2.7},
        {"name": "pumice", "role": "abrasive", "low": 15, "high": 90, "density": 2.35},
    ],
    setting=[{"name": "cure_min", "unit": "min", "low": 8, "high": 26}, {"name": "press_c", "unit": "°C", "low": 140, "high": 165}],
    response=[{"name": "y"}],
)  # fmt: skip


def _volumes(f: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    volume = {p.name: f[p.name].to_numpy(float) / p.density for p in RUBBER.ingredients}
    total = sum(volume.values())
    return (volume["chalk"] + volume["pumice"]) / total, volume["pumice"] / total, volume["oil"] / total


def _state(f: pd.DataFrame) -> np.ndarray:
    kelvin = f["press_c"].to_numpy(float) + 273.15
    minutes = f["cure_min"].to_numpy(float) * np.exp(-95 / 8.314e-3 * (1 / kelvin - 1 / 423.15))
    return 1 - np.exp(-((minutes / 8) ** 1.2))


def saturating(f: pd.DataFrame) -> np.ndarray:
    """Bite of the abrasive that no longer grows."""
    return 100 * (1 - np.exp(-1 - 9 * _volumes(f)[1] - 0.01 * f["factice"].to_numpy(float)))


def sigmoid(f: pd.DataFrame) -> np.ndarray:
    """Smear that sets in with oil and then stays."""
    return 5 / (1 + np.exp(-60 * (_volumes(f)[2] - 0.12)))


def threshold(f: pd.DataFrame) -> np.ndarray:
    """Nothing until fillers touch, then a rise (the volume fraction where it begins is invented)."""
    return 10 + 300 * np.maximum(_volumes(f)[0] - 0.2, 0) ** 1.5


def arrhenius(f: pd.DataFrame) -> np.ndarray:
    """State of cure by minutes and temperature, softened by oil."""
    return 40 + 30 * _state(f) - 0.8 * f["oil"].to_numpy(float)


def reversion(f: pd.DataFrame) -> np.ndarray:
    """Cure that rises, peaks and slowly comes undone in the hot press."""
    kelvin = f["press_c"].to_numpy(float) + 273.15
    undone = f["cure_min"].to_numpy(float) * np.exp(-120 / 8.314e-3 * (1 / kelvin - 1 / 423.15))
    return 60 * _state(f) * np.exp(-undone / 60)


def filler(f: pd.DataFrame) -> np.ndarray:
    """Stiffness by Guth & Gold (1938), times the state of cure."""
    phi = _volumes(f)[0]
    return 20 * (1 + 2.5 * phi + 14.1 * phi**2) * (0.4 + 0.6 * _state(f))


def hyperbolic(f: pd.DataFrame) -> np.ndarray:
    """Crumb that falls as one over what holds it together."""
    return 50 / (1 + 0.05 * f["oil"].to_numpy(float) + 3 * _state(f)) * (1 + 4 * _volumes(f)[1])


def ratio(f: pd.DataFrame) -> np.ndarray:
    """A best proportion of oil to factice, with a bell about it."""
    away = np.log(f["oil"].to_numpy(float) / f["factice"].to_numpy(float)) - np.log(0.25)
    return 70 * np.exp(-0.5 * (away / 0.8) ** 2) + 0.1 * f["chalk"].to_numpy(float)


TRUTHS = (saturating, sigmoid, threshold, arrhenius, reversion, filler, hyperbolic, ratio)
BANK = {f.__name__: f for f in TRUTHS}


def outside(
    truth: str, kind: str, seed: int, censored: float = 0.0, trials: int = 24, points: int = 60
) -> dict[str, np.ndarray]:
    """One run on a truth of the bank: which formulas of a fixed sample of the region are covered."""
    from formlab.region import Region

    region = Region.from_brief(RUBBER)
    frame = region.sample(trials, seed)
    at = region.sample(points, 12345)
    spread = float(BANK[truth](at).std())
    y = BANK[truth](frame) + 0.12 * spread * np.random.default_rng(seed).normal(size=trials)
    if censored:
        limit = np.quantile(y, censored)
        frame, y = frame.assign(y_censored=np.where(y < limit, "below", "")), np.maximum(y, limit)
    low, high = selected(frame, y, at) if kind == "selected" else _fitted(frame, y, at, kind, seed)
    value = BANK[truth](at)
    return {"covered": (low <= value) & (value <= high), "width": (high - low) / spread}


def _fitted(
    frame: pd.DataFrame, y: np.ndarray, at: pd.DataFrame, kind: str, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    table = fit(RUBBER, frame.assign(y=y), kind=kind, seed=seed)["y"].predict_table(at)
    return table["low"].to_numpy(), table["high"].to_numpy()


def selected(frame: pd.DataFrame, y: np.ndarray, at: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Intervals of one model taken as if it had been given: terms added by BIC while it falls, parents first."""
    space = ModelSpace(RUBBER)
    x, n = space.matrix(frame), len(y)
    keep, best = [0], np.inf
    while len(keep) < n - 4:
        free = [k for k in range(len(space)) if k not in keep and set(space.parents(k)) <= set(keep)]
        scores = [n * np.log(_rss(x[:, [*keep, k]], y)) + (len(keep) + 1) * np.log(n) for k in free]
        if not free or min(scores) >= best:
            break
        best = min(scores)
        keep.append(free[int(np.argmin(scores))])
    chosen, target = x[:, keep], space.matrix(at)[:, keep]
    b = np.linalg.lstsq(chosen, y, rcond=None)[0]
    df = n - len(keep)
    s2 = _rss(chosen, y) / df
    half = student.ppf(0.975, df) * np.sqrt(
        s2 * np.einsum("ij,jk,ik->i", target, np.linalg.inv(chosen.T @ chosen), target)
    )
    return target @ b - half, target @ b + half


def _rss(x: np.ndarray, y: np.ndarray) -> float:
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return float(rest @ rest)


# ---- tables ----------------------------------------------------------------------------------------------


def _quiet(function, *args):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return function(*args)


def inside_row(name: str, runs: int, jobs: int = 1) -> dict[str, object]:
    """One cell: coverage of the mean (and the simulation's own error of it), of a slab, median width."""
    out = pd.DataFrame(Parallel(jobs)(delayed(_quiet)(inside, name, seed) for seed in range(runs)))
    error = out["mean"].std() / np.sqrt(runs)
    found = {"mean": out["mean"].mean(), "mean_error": error, "slab": out["slab"].mean()}
    return {"cell": name, "runs": runs, **found, "width": out["width"].median()}


def outside_row(truth: str, kind: str, runs: int, jobs: int = 1, censored: float = 0.0) -> dict[str, object]:
    """One cell of the bank: coverage over the region, of the tenth of it covered worst, median width."""
    out = Parallel(jobs)(delayed(_quiet)(outside, truth, kind, seed, censored) for seed in range(runs))
    covered = np.array([o["covered"] for o in out])
    by_formula = np.sort(covered.mean(axis=0))
    worst = by_formula[: max(len(by_formula) // 10, 1)].mean()
    error = covered.mean(axis=1).std(ddof=1) / np.sqrt(runs) if runs > 1 else np.nan
    found = {"mean": covered.mean(), "mean_error": error, "worst": worst}
    return {
        "truth": truth,
        "kind": kind,
        "censored": censored,
        "runs": runs,
        **found,
        "width": np.median([o["width"] for o in out]),
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=4000)
    parser.add_argument("--bank-runs", type=int, default=100)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cells", nargs="*", default=list(INSIDE))
    parser.add_argument("--truths", nargs="*", default=list(BANK))
    parser.add_argument("--kinds", nargs="*", default=["auto", "averaged", "selected"])
    parser.add_argument("--censored", type=float, default=0.0)
    given = parser.parse_args()
    for cell in given.cells:
        print(pd.Series(inside_row(cell, given.runs, given.jobs)).to_dict(), flush=True)
    for truth in given.truths:
        for kind in given.kinds:
            print(
                pd.Series(outside_row(truth, kind, given.bank_runs, given.jobs, given.censored)).to_dict(),
                flush=True,
            )
