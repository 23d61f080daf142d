"""Joint draws: of how many models they come, and that what is counted on them does not hang on which were kept."""

from __future__ import annotations

import pickle
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import Brief, Region, fit, open_series
from formlab.suggest.conformance import chance_of_all, conformance
from formlab.surfaces.priors import with_prior_scale


@pytest.fixture(scope="module")
def series():
    return open_series("demo_trials/ink_wedge")


@pytest.fixture(scope="module")
def surfaces(series):
    return fit(series.brief, series.trials(), seed=1)


def models(draws):
    return [len(parts) for parts in draws.by_part]


def test_draws_come_of_many_models_and_few_of_few(surfaces):
    assert min(models(surfaces.draw(4000, seed=1))) > 150
    assert max(models(surfaces.draw_few(4000, seed=1))) < 60


def test_many_models_and_few_are_one_posterior(series, surfaces):
    at = Region(series.brief).sample(6, 1)
    many, few = (draw(20_000, seed=2).mean(at) for draw in (surfaces.draw, surfaces.draw_few))
    assert_allclose(many.mean(axis=0), few.mean(axis=0), atol=0.35 * many.std(axis=0).max())
    assert_allclose(many.std(axis=0), few.std(axis=0), rtol=0.35)


def test_another_seed_of_a_fit_moves_less_what_is_counted_on_many_models():
    """18 trials of 5 ingredients leave much doubt which of 14 terms matter, so few models are a matter of luck."""
    names = ["oil", "chalk", "factice", "wax"]
    brief = Brief(
        ingredient=[
            {"name": "rubber", "role": "rubber"},
            *({"name": n, "low": 0, "high": 10} for n in names),
        ],
        response=[{"name": "hardness", "at_least": 50}, {"name": "smear", "at_most": 20}],
    )
    region, noise = Region.from_brief(brief), np.random.default_rng(5).normal(0, 1.5, (2, 18))
    made = region.sample(18, 1)[names].reset_index(drop=True)
    made["hardness"] = 52 - 0.4 * made.oil + 0.2 * made.chalk - 0.03 * made.chalk * made.wax + noise[0]
    made["smear"] = 18 + 0.3 * made.oil - 0.02 * made.oil * made.factice + noise[1]
    fits = [fit(brief, made, kind="averaged", seed=k) for k in range(4)]
    at = region.sample(200, 2)
    spread = []
    for draws in ([f.draw(4000, seed=2) for f in fits], [f.draw_few(4000, seed=2) for f in fits]):
        chance = np.array([chance_of_all(brief, d, at, "true_mean") for d in draws])
        counting = (chance * (1 - chance)).mean() / 4000
        spread.append(np.sqrt(chance.var(axis=0, ddof=1).mean() - counting))
    assert spread[0] < 0.6 * spread[1]


def test_priors_of_the_same_scale_are_the_same_posterior(series, surfaces):
    at = Region(series.brief).sample(4, 1)
    same = with_prior_scale(surfaces, 1.0).draw(300, seed=4)
    assert min(models(surfaces.draw(300, seed=4))) > 60
    assert_allclose(same.mean(at), surfaces.draw(300, seed=4).mean(at))


def test_surfaces_are_kept_in_a_file_and_come_back(series, surfaces, tmp_path):
    (tmp_path / "surfaces").write_bytes(pickle.dumps(surfaces))
    code = (
        "import pickle, sys, formlab as fl; s = pickle.load(open(sys.argv[1], 'rb')); "
        "print(repr(float(s['hardness'].predict(s.brief.baseline)[0])))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, tmp_path / "surfaces"], capture_output=True, text=True, check=True
    )
    assert float(done.stdout) == pytest.approx(
        surfaces["hardness"].predict(series.brief.baseline)[0], rel=1e-9
    )


def test_formulas_are_looked_at_some_at_a_time(series, surfaces):
    """Columns of many formulas and many models together would take much memory."""
    at = Region(series.brief).sample(1100, 1)
    draws = surfaces.draw(20, seed=4)
    for of in ("mean", "median", "typical", "new_batch", "accepted", "reading"):
        assert_allclose(getattr(draws, of)(at), draws.values(draws.columns(at), of), rtol=1e-9)
    assert draws.mean(at.iloc[:0]).shape == (20, 0, len(series.brief.responses))


@pytest.mark.parametrize("of", ["true_mean", "new_batch", "accepted"])
def test_chances_of_many_formulas_are_those_of_each(series, of):
    """Also of formulas that may turn out not to be made."""
    trials = series.trials()
    first = trials["trial"].unique()[:3]
    trials.loc[trials["trial"].isin(first), "status"] = "would not band"
    trials.loc[trials["trial"].isin(first), series.brief.response_names] = np.nan
    surfaces = fit(series.brief, pd.DataFrame(trials), kind="least squares", model="linear", seed=1)
    assert surfaces.chance is not None
    draws, at = surfaces.draw(500, seed=2), Region(series.brief).sample(900, 1)
    each = [getattr(one, of) for one in conformance(series.brief, draws, at, seed=6)]
    assert_allclose(chance_of_all(series.brief, draws, at, of, 6), each)
    shifts = np.zeros((len(at), len(series.brief.responses)))
    assert_allclose(chance_of_all(series.brief, draws, at, of, 6, shifts), each)
