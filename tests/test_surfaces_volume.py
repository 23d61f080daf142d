"""A model asked for in volume fractions, and the whole walk on it."""

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose

from formlab import Brief, Region, fit, suggest


def brief():
    return Brief(
        basis="fraction",
        model="linear",
        ingredient=[
            {"name": "rubber", "role": "rubber", "low": 0.2, "high": 0.6, "density": 0.94, "price": 2.0},
            {"name": "chalk", "role": "filler", "low": 0.1, "high": 0.6, "density": 2.71, "price": 0.2},
            {"name": "oil", "role": "oil", "low": 0.05, "high": 0.2, "density": 0.91, "price": 1.2},
        ],
        response=[{"name": "hardness", "near": 55.0, "within": 5.0}],
    )


def test_what_is_linear_by_volume_is_fitted_exactly_by_volume_alone():
    question = brief()
    frame = Region(question).sample(14, 3)
    volume = frame / [0.94, 2.71, 0.91]
    share = volume.div(volume.sum(axis=1), axis=0)
    frame["hardness"] = 30 * share["rubber"] + 120 * share["chalk"] - 20 * share["oil"]
    frame["hardness"] += np.random.default_rng(1).normal(0, 1e-6, len(frame))
    by_volume = fit(question, frame, kind="least squares", measure="volume", seed=1)["hardness"]
    by_mass = fit(question, frame, kind="least squares", seed=1)["hardness"]
    assert_allclose(by_volume.coefficients["estimate"], [30, 120, -20], atol=1e-4)
    assert by_mass.summary["s"] > 1e4 * by_volume.summary["s"]
    answer = suggest(
        question, fit(question, frame, kind="least squares", measure="volume", seed=1), seed=1, explain=False
    )
    assert abs(answer.predicted.loc["hardness", "mean"] - 55) < 5.01
    assert isinstance(answer.formula, pd.Series)


def test_lines_in_a_fixed_ratio_are_merged_and_that_is_said():
    question = Brief(
        basis="fraction",
        model="linear",
        ingredient=[
            {"name": "rubber", "role": "rubber", "low": 0.2, "high": 0.8},
            {"name": "zinc_oxide", "role": "activator", "low": 0.0, "high": 0.2},
            {"name": "stearic", "role": "activator", "low": 0.0, "high": 0.2},
            {"name": "oil", "role": "oil", "low": 0.0, "high": 0.4},
        ],
        limit=[{"expression": "zinc_oxide = 2 stearic"}],
        response=[{"name": "hardness"}],
    )
    frame = Region(question).sample(12, 1)
    frame["hardness"] = 60 * frame["rubber"] + np.random.default_rng(1).normal(0, 0.1, 12)
    surface = fit(question, frame, kind="least squares", seed=1)["hardness"]
    assert list(surface.coefficients["term"]) == ["rubber", "zinc_oxide + stearic", "oil"]
    assert any("zinc_oxide and stearic stay in a fixed ratio" in text for text in surface.warnings_)
