"""How long surfaces take: leaving batches out, closed-form leave-one-out, the contest, joint draws.

Run with ``python tests/benchmarks/bench_surfaces.py``. It prints times, ratios and the machine; nothing is asserted.
"""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable

import numpy as np
import pandas as pd
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import LeaveOneOut, cross_val_predict

from formlab import Brief, fit
from formlab.region import Region
from formlab.surfaces import leave_one_batch_out
from formlab.surfaces.least_squares import press, solve


def clock(work: Callable[[], object], repeats: int = 3) -> float:
    """Best of a few runs, in seconds."""
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
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
    filled = (frame["chalk"] / 2.7 + frame["pumice"] / 2.35) / 200
    frame["hardness"] = 100 / (1 + np.exp(-(4 * filled - 0.03 * frame["oil"] + rng.normal(0, 0.1, 24))))
    for name, slope in (("crumb", 0.01), ("smear", -0.004), ("tear", 0.006)):
        frame[name] = np.exp(1 + slope * frame["factice"] + filled + rng.normal(0, 0.1, 24))
    return brief, frame


def main() -> None:
    brief, frame = slabs()
    surface = fit(brief, frame, kind="least squares", seed=1)["y"]
    seconds = clock(lambda: leave_one_batch_out(surface))
    print(f"leave one batch out, variances estimated anew, 20 batches of 3: {seconds:.2f} s (aim 1 s)")

    x = np.column_stack([np.ones(60), np.random.default_rng(3).normal(size=(60, 9))])
    y = np.random.default_rng(4).normal(size=60)
    ours = clock(lambda: press(solve(x, y, [str(k) for k in range(10)])), 20)
    theirs = clock(lambda: cross_val_predict(LinearRegression(fit_intercept=False), x, y, cv=LeaveOneOut()))
    fitted = solve(x, y, [str(k) for k in range(10)])
    only = clock(lambda: press(fitted), 50)
    print(f"closed-form leave-one-out, 60 x 10: {ours * 1e3:.3f} ms with the fit, {theirs / ours:.0f} times as fast as a "
          f"scikit-learn loop; {only * 1e3:.4f} ms after it, {theirs / only:.0f} times (aim 500)")  # fmt: skip

    brief, frame = plant()
    print(
        f"contest of four responses, 24 trials, 7 factors: {clock(lambda: fit(brief, frame, seed=1), 1):.1f} s (aim 20 s)"
    )
    surfaces = fit(brief, frame, seed=1)
    draws, many = surfaces.draw(1000, seed=1), Region.from_brief(brief).sample(5000, 1)
    seconds = clock(lambda: draws.mean_at(surfaces.columns(many)))
    print(
        f"means of formulas at 1000 joint draws of 4 responses: {5000 / seconds:.0f} formulas a second (aim 20000)"
    )
    print(
        f"{platform.platform()}, Python {platform.python_version()}, numpy {np.__version__}, {os.cpu_count()} cores"
    )


if __name__ == "__main__":
    main()
