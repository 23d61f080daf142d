"""How long surfaces take: leaving batches out, closed-form leave-one-out, the contest, joint draws.

Run with ``python -m tests.benchmarks.bench_surfaces``. It prints times, ratios and the machine; nothing is asserted.
"""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from formlab import Brief, fit
from formlab.region import Region
from formlab.surfaces import leave_one_batch_out
from tests.benchmarks.bench_fitting import trials_left_out
from tests.benchmarks.rows import table as laid_out


def clock(
    work: Callable[[], object], repeats: int = 3, now: Callable[[], float] = time.process_time
) -> float:
    """Best of a few runs, in seconds of processor time: other work on the machine does not count."""
    best = np.inf
    for _ in range(repeats):
        start = now()
        work()
        best = min(best, now() - start)
    return best


def slabs(batches: int = 20, each: int = 3) -> tuple[Brief, pd.DataFrame]:
    """An invented series: 20 batches of 3 slabs, two settings."""
    rng = np.random.default_rng(1)
    batch = np.repeat(np.arange(batches), each)
    frame = pd.DataFrame(
        {"a": rng.uniform(-1, 1, batches)[batch], "b": rng.uniform(-1, 1, len(batch)), "batch": batch}
    )
    frame["y"] = 3 * frame["a"] - frame["b"] + rng.normal(0, 1, batches)[batch] + rng.normal(size=len(batch))
    settings = [{"name": "a", "low": -1, "high": 1}, {"name": "b", "low": -1, "high": 1, "changes": "slab"}]
    return Brief(setting=settings, response=[{"name": "y"}]), frame


def plant() -> tuple[Brief, pd.DataFrame]:
    """An invented compound: 5 ingredients, 2 settings, 4 responses, 24 trials."""
    part = {
        "factice": (20, 100, 1.08),
        "oil": (4, 28, 0.91),
        "chalk": (30, 140, 2.7),
        "pumice": (15, 90, 2.35),
        "silica": (0, 30, 2.0),
    }
    roles = {"factice": "factice", "oil": "oil", "chalk": "filler", "pumice": "abrasive", "silica": "filler"}
    ingredients = [
        {"name": n, "role": roles[n], "low": a, "high": b, "density": d} for n, (a, b, d) in part.items()
    ]
    brief = Brief(
        ingredient=[{"name": "rubber", "role": "rubber", "density": 0.93}, *ingredients],
        setting=[{"name": "cure_min", "unit": "min", "low": 8, "high": 26}, {"name": "press_c", "unit": "°C", "low": 140, "high": 165}],
        response=[{"name": "hardness", "bounds": [0, 100]}, *({"name": n, "bounds": [0, float("inf")]} for n in ("crumb", "smear", "tear"))],
    )  # fmt: skip
    frame = Region.from_brief(brief).sample(24, 1)
    rng = np.random.default_rng(2)
    return brief, measured(frame, rng.normal(0, 0.1, (4, 24)))


def measured(frame: pd.DataFrame, error: np.ndarray | float = 0.0) -> pd.DataFrame:
    """The four invented responses, with errors of shape (4, n) on their own scales."""
    error, frame = np.broadcast_to(error, (4, len(frame))), frame.copy()
    filled = (frame["chalk"] / 2.7 + frame["pumice"] / 2.35) / 200
    frame["hardness"] = 100 / (1 + np.exp(-(4 * filled - 0.03 * frame["oil"] + error[0])))
    for k, (name, slope) in enumerate((("crumb", 0.01), ("smear", -0.004), ("tear", 0.006)), 1):
        frame[name] = np.exp(1 + slope * frame["factice"] + filled + error[k])
    return frame


def by_mixed_lm(frame: pd.DataFrame, x: np.ndarray) -> np.ndarray:
    """The same question put to statsmodels' MixedLM in a loop: each value predicted without its batch."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    y, batch, out = frame["y"].to_numpy(), frame["batch"].to_numpy(), np.empty(len(frame))
    for g in np.unique(batch):
        keep = batch != g
        fitted = MixedLM(y[keep], x[keep], batch[keep]).fit(reml=True)
        out[~keep] = x[~keep] @ fitted.fe_params
    return out


def by_ridge(brief: Brief, frame: pd.DataFrame, at: pd.DataFrame) -> np.ndarray:
    """Quadratics of standardised factors by ridge, penalties by generalised cross-validation: predictions, (n, responses)."""
    from sklearn.linear_model import RidgeCV
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import PolynomialFeatures, StandardScaler

    names = [c for c in brief.columns if np.ptp(frame[c]) > 0]
    model = make_pipeline(StandardScaler(), PolynomialFeatures(2), RidgeCV(np.logspace(-3, 4, 30)))
    found = [model.fit(frame[names], frame[r]).predict(at[names]) for r in brief.response_names]
    return np.column_stack(found)


def batches_left_out() -> None:
    brief, frame = slabs()
    surface = fit(brief, frame, kind="least squares", seed=1)["y"]
    table = leave_one_batch_out(surface)
    x = surface.space.matrix(frame)
    ours, theirs = clock(lambda: leave_one_batch_out(surface)), clock(lambda: by_mixed_lm(frame, x), 1)
    other = by_mixed_lm(frame, x)
    rms = [float(np.sqrt(np.mean((table["measured"] - p) ** 2))) for p in (table["predicted"], other)]
    print(f"leave one batch out, variances estimated anew, 20 batches of 3: {ours:.2f} s (aim 1 s); statsmodels in a loop "
          f"{theirs:.2f} s, {theirs / ours:.1f} times as long; errors of both {rms[0]:.6f}, {rms[1]:.6f}, largest difference "
          f"{np.abs(table['predicted'] - other).max():.1e}")  # fmt: skip


def contest() -> None:
    brief, frame = plant()
    at = Region.from_brief(brief).sample(500, 9)
    truth = measured(at)[brief.response_names].to_numpy()
    seconds, ridge = clock(lambda: fit(brief, frame, seed=1), 1), clock(lambda: by_ridge(brief, frame, at), 1)
    surfaces = fit(brief, frame, seed=1)
    ours = np.column_stack([surfaces[n].predict(at, outside="ignore") for n in surfaces.names])
    off = [
        np.sqrt(((p - truth) ** 2).mean(axis=0)) / truth.std(axis=0)
        for p in (ours, by_ridge(brief, frame, at))
    ]
    print(f"contest of four responses, 24 trials, 7 factors: {seconds:.1f} s (aim 20 s); quadratics by ridge {ridge:.2f} s; "
          f"errors over the truth's spread {off[0].round(2).tolist()} against {off[1].round(2).tolist()}")  # fmt: skip
    start = time.process_time()
    words = len(surfaces.warnings_)
    print(
        f"what there is to warn of, four responses: {time.process_time() - start:.2f} s ({words} sentences)"
    )
    draws, many = surfaces.draw_few(1000, seed=1), Region.from_brief(brief).sample(5000, 1)
    rates = [
        5000 / clock(lambda: draws.mean(many), now=now) for now in (time.perf_counter, time.process_time)
    ]
    print("means of formulas at 1000 joint draws of 4 responses: {:.0f} formulas a second by the clock (aim 20000), {:.0f} a "
          "processor second".format(*rates))  # fmt: skip


def main() -> None:
    batches_left_out()
    print(laid_out(trials_left_out()))
    contest()
    print(f"{platform.platform()}, Python {platform.python_version()}, numpy {np.__version__}, {os.cpu_count()} cores, "
          f"processor seconds, load {os.getloadavg()[0]:.1f}")  # fmt: skip


if __name__ == "__main__":
    main()
