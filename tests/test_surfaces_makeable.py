"""The chance that a formula can be made."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose

from formlab.brief import Brief
from formlab.surfaces import fit

BRIEF = Brief(
    ingredient=[
        {"name": "rubber", "role": "rubber"},
        {"name": "oil", "role": "oil", "low": 0, "high": 40},
        {"name": "chalk", "role": "filler", "low": 20, "high": 100},
    ],
    response=[{"name": "hardness"}],
    model="linear",
)


def trials(status):
    n = len(status)
    rng = np.random.default_rng(0)
    frame = pd.DataFrame({"oil": np.linspace(0, 40, n), "chalk": rng.uniform(20, 100, n), "status": status})
    good = frame["status"] == "ok"
    return frame.assign(hardness=np.where(good, 60 - 0.5 * frame["oil"] + rng.normal(0, 0.5, n), np.nan))


AT = pd.DataFrame({"oil": [0.0, 20.0, 40.0], "chalk": [60.0] * 3})


def test_no_failure_no_surface():
    surfaces = fit(BRIEF, trials(["ok"] * 12), kind="least squares")
    assert surfaces.chance is None
    assert_allclose(surfaces.draw(10, seed=1).chance_to_make(AT), 1.0)


def test_failures_lower_the_chance_where_they_happened():
    surfaces = fit(BRIEF, trials(["ok"] * 12 + ["would not band"] * 5), kind="least squares")
    chance = surfaces.chance.predict(AT)
    assert chance[0] > 0.85 and chance[2] < 0.35 and chance[0] > chance[1] > chance[2]
    draws = surfaces.draw(4000, seed=1)
    assert_allclose(draws.chance_to_make(AT).mean(axis=0), chance, atol=0.02)
    assert_allclose(draws.take(9).chance_to_make(AT), draws.chance_to_make(AT)[:9])
    assert surfaces.warnings_[-1] == (
        "5 trials could not be made: would not band (5). The chance to make is a surface of its own."
    )
    assert surfaces["hardness"].summary["trials"] == 12


def test_pending_is_neither_good_nor_bad():
    status = ["ok"] * 12 + ["stuck"] * 3
    with_pending = trials(status).assign(status=["pending"] * 2 + status[2:])
    surfaces = fit(BRIEF, with_pending, kind="least squares")
    assert (surfaces.chance.made, surfaces.chance.failed) == (10, 3)


def test_slabs_of_one_batch_count_once():
    frame = trials(["ok"] * 12 + ["stuck"] * 2)
    batch = list("abcdefghijkl") + ["z", "z"]
    frame.loc[13, ["oil", "chalk"]] = frame.loc[12, ["oil", "chalk"]]
    surfaces = fit(BRIEF, frame.assign(batch=batch), kind="least squares")
    assert (surfaces.chance.made, surfaces.chance.failed) == (12, 2)  # trials


def test_mode_of_the_posterior():
    """The gradient of log prior plus log likelihood is zero at the coefficients."""
    chance = fit(BRIEF, trials(["ok"] * 12 + ["stuck"] * 5), kind="least squares").chance
    frame = trials(["ok"] * 12 + ["stuck"] * 5)
    x = np.column_stack([np.ones(17), chance.variables.base(BRIEF.complete(frame[["oil", "chalk"]]))])
    p = 1 / (1 + np.exp(-x @ chance.coef))
    prior = (chance.coef - [2.0, 0, 0]) / np.array([4.0, 2.25, 2.25])
    assert_allclose(x.T @ ((frame["status"] == "ok") - p), prior, atol=1e-8)
