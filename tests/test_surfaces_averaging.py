"""Model averaging: marginal likelihood against brute force, hierarchy, inclusion, draws."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import multivariate_t

from formlab.brief import Brief
from formlab.surfaces import fit
from formlab.surfaces.averaging import INCLUSION, Averaged, Terms, polynomial_terms
from formlab.surfaces.fitting import _terms_of
from formlab.surfaces.noise import Noise, Scatter
from formlab.surfaces.parts import TermFeatures, columns_of
from formlab.surfaces.scales import Scale
from formlab.surfaces.variables import Held, offered
from formlab.terms import ModelSpace

BRIEF = Brief(setting=[{"name": n, "low": -1, "high": 1} for n in ("a", "b", "c")], response=[{"name": "y"}])

COVER = pd.DataFrame(np.random.default_rng(9).uniform(-1, 1, (200, 3)), columns=["a", "b", "c"])


def data(n=16, seed=0, effects=(2.0, 1.0, 0.0)):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(rng.uniform(-1, 1, (n, 3)), columns=["a", "b", "c"])
    y = frame.to_numpy() @ effects + 1.5 * frame["a"] * frame["b"] + rng.normal(0, 0.4, n)
    return frame, y.to_numpy()


def averaged(n=16, seed=0, steps=900, effects=(2.0, 1.0, 0.0), **kwargs):
    frame, y = data(n, seed, effects)
    space = ModelSpace(BRIEF)
    noise = Noise(np.arange(n), np.arange(n))
    model = Averaged(
        TermFeatures(space),
        _terms_of(space),
        Scale(),
        space.matrix(frame),
        y,
        noise,
        np.ones((24, 1)),
        space.matrix(COVER),
        **kwargs,
    )
    return model.fit(np.random.default_rng(seed), steps=steps), frame, y, space


def brute(model):
    """Posterior inclusion by enumeration, each marginal likelihood as a Student density with a nearly flat base."""
    x, y, n = model.x, model.y, len(model.y)
    base, free = model.base, model.free
    q0 = np.linalg.qr(x[:, base])[0]
    z = np.linalg.svd(np.eye(n) - q0 @ q0.T)[0][:, : n - len(base)]  # contrasts free of the base
    scores, masks = [], []
    for bits in product([False, True], repeat=len(free)):
        mask = np.array(bits)
        if (
            any(mask[k] and not mask[model._parents[k]].all() for k in range(len(free)))
            or mask.sum() > model.largest
        ):
            continue
        design = z.T @ (x[:, free[mask]] / model.size[mask])
        log_p = []
        for g, prior in zip(model.g, model._log_prior_g):
            cov = np.eye(n - len(base)) + g * design @ design.T
            # p(y) with 1/sigma^2: a Student density in the limit of no degrees of freedom, up to a constant
            log_p.append(
                prior
                - 0.5 * np.linalg.slogdet(cov)[1]
                - 0.5 * len(cov) * np.log(z.T @ y @ np.linalg.solve(cov, z.T @ y))
            )
        odds = np.array([INCLUSION[d] for d in model.terms.degree[free]])
        scores.append(np.logaddexp.reduce(log_p) + np.log(np.where(mask, odds, 1 - odds)).sum())
        masks.append(mask)
    p = np.exp(np.array(scores) - max(scores))
    return (p / p.sum()) @ np.array(masks)


def test_sampled_inclusion_agrees_with_enumeration():
    model, *_ = averaged(steps=4000)
    assert_allclose(model.inclusion[model.free], brute(model), atol=0.03)


@pytest.mark.parametrize("seed", range(4))
def test_few_parts_hold_a_doubtful_term_as_often_as_many(seed):
    model, *_ = averaged(seed=seed, effects=(2.0, 0.3, 0.0))
    rng = np.random.default_rng(seed)
    held = np.array([mask for _, mask, *_ in model.sample])
    doubtful = np.argmin(np.abs(model.inclusion[model.free] - 0.5))
    for count in (3, 28, 400):
        some = model.pick(count, rng)
        assert len(np.unique(some)) == count
        assert abs(held[some, doubtful].mean() - held[:, doubtful].mean()) <= 1 / count + 1e-12
    assert_allclose(held.mean(axis=0), model.inclusion[model.free], atol=0.08)


def test_hierarchy_is_kept():
    model, *_ = averaged()
    for _, mask, *_ in model.sample:
        for k in np.flatnonzero(mask):
            assert mask[model._parents[k]].all()


def test_real_terms_are_found_and_others_doubted():
    model, _, _, space = averaged(30)
    inclusion = dict(zip(space.names, model.inclusion))
    assert inclusion["a"] > 0.99 and inclusion["b"] > 0.99 and inclusion["a × b"] > 0.9
    assert inclusion["c²"] < 0.3


def test_more_terms_than_trials():
    model, frame, _, space = averaged(8)
    assert len(space) == 10
    assert max(mask.sum() for _, mask, *_ in model.sample) <= 8 - 1 - 3
    part = model.parts(model.pick(1, np.random.default_rng(0)))[0]
    assert np.isfinite(part.moments(columns_of(part.features, frame))[1]).all()


def test_part_is_the_conjugate_posterior():
    """Given model and g: mean and Student covariance against the normal-inverse-gamma formulas with a nearly flat base."""
    model, frame, y, _ = averaged(14)
    chain, mask, g, _ = next(s for s in model.sample if s[1].sum() >= 3)
    part = model._part(chain, mask, g, model.y)
    chosen = model.free[mask]
    x0, x1 = model.x[:, model.base], model.x[:, chosen]
    x1 = x1 - x0 @ np.linalg.lstsq(x0, x1, rcond=None)[0]
    prior = np.zeros((1 + len(chosen),) * 2)
    prior[1:, 1:] = np.diag(model.size[mask] ** 2) / g
    x = np.column_stack([x0, x1])
    precision = x.T @ x + prior
    mean = np.linalg.solve(precision, x.T @ y)
    rss = y @ y - mean @ precision @ mean
    assert_allclose(part.rss, rss, rtol=1e-8)
    assert_allclose(part.columns @ part.coef, x @ mean, rtol=1e-8)
    assert_allclose(
        part.columns @ part.inverse @ part.columns.T, x @ np.linalg.inv(precision) @ x.T, atol=1e-8
    )
    rng = np.random.default_rng(1)
    scatter = Scatter(np.zeros((30_000, 14)), rng.standard_normal((30_000, 14)))
    eta = part.draw(scatter, rng).coef @ part.columns[:5].T
    centre, sd, df = part.moments(part.columns[:5])
    assert_allclose(eta.mean(axis=0), centre, atol=0.02)
    assert_allclose(eta.std(axis=0), sd * np.sqrt(df / (df - 2)), rtol=0.03)


def test_left_out_density_given_a_model():
    model, _, y, _ = averaged(12)
    chain, mask, g, _ = next(s for s in model.sample if s[1].any())
    groups = np.repeat(np.arange(6), 2)
    found = model._left_out(model._whiten(model.ratios[chain]), mask, g, model.y, groups)
    chosen = model.free[mask]
    x0, x1 = model.x[:, model.base], model.x[:, chosen]
    x1 = x1 - x0 @ np.linalg.lstsq(x0, x1, rcond=None)[0]
    big = 1e5
    x1 = x1 / model.size[mask]
    k = np.eye(12) + big * x0 @ x0.T + g * x1 @ x1.T
    keep = groups != 2
    inside = np.linalg.inv(k[np.ix_(keep, keep)])
    cross = k[np.ix_(~keep, keep)]
    df = keep.sum() - 1
    scale2 = y[keep] @ inside @ y[keep] / df
    shape = scale2 * (k[np.ix_(~keep, ~keep)] - cross @ inside @ cross.T)
    assert_allclose(
        found[2], multivariate_t(cross @ inside @ y[keep], shape, df=df).logpdf(y[~keep]), atol=1e-4
    )


def test_blend_keeps_its_linear_terms():
    blend = Brief(
        basis="fraction",
        ingredient=[{"name": n, "low": 0, "high": 1} for n in "abc"],
        response=[{"name": "y"}],
    )
    terms = _terms_of(ModelSpace(blend))
    assert list(np.array(terms.names)[terms.base]) == ["a", "b", "c"]
    assert isinstance(terms, Terms)


def test_polynomial_of_other_variables():
    rubber = Brief(
        ingredient=[
            {"name": "rubber", "role": "rubber", "density": 0.93},
            {"name": "oil", "role": "oil", "low": 5, "high": 25, "density": 0.91},
            {"name": "chalk", "role": "filler", "low": 20, "high": 100, "density": 2.7},
            {"name": "clay", "role": "filler", "low": 0, "high": 60, "density": 2.6},
        ],
        setting=[
            {"name": "cure_min", "unit": "min", "low": 8, "high": 20},
            {"name": "press_c", "unit": "°C", "low": 140, "high": 165},
            {"name": "mould", "levels": ["new", "old"]},
        ],
        response=[{"name": "y"}],
    )
    frame = pd.DataFrame(
        {"rubber": 100.0, "oil": [5.0, 25], "chalk": [20.0, 100], "clay": [0.0, 60], "cure_min": [8.0, 20],
         "press_c": [140.0, 165], "mould": ["new", "old"]}
    )  # fmt: skip
    sets = offered(rubber, frame)
    assert [s.text for s in sets] == [
        "as written",
        "as written, with equivalent cure",
        "volume fractions, with equivalent cure",
        "volume fractions, fillers together, with equivalent cure",
    ]
    last = sets[-1]
    raw = last.raw(Held(frame))
    total = 100 / 0.93 + 5 / 0.91 + 20 / 2.7
    assert_allclose(raw[0, :3], np.array([5 / 0.91, 20 / 2.7, 0]) / total)
    assert_allclose(raw[:, 3], raw[:, 1] + raw[:, 2])
    features, terms = polynomial_terms(last)
    assert features.expand(last.base(frame)).shape == (2, len(terms.names))
    assert "mould[new]²" not in terms.names and "fillers vol²" in terms.names
    assert all(terms.parents[terms.names.index("oil vol × chalk vol")][[1, 2]])


@pytest.mark.parametrize("width", [0.5, 2.0])
def test_scale_of_the_prior_can_be_halved_and_doubled(width):
    model, *_ = averaged(width=width)
    assert_allclose(model.g[0], 0.05 * width)


def test_g_is_what_a_term_moves_over_the_region():
    model, _, _, space = averaged()
    coded = COVER.to_numpy()
    square = coded[:, 2] ** 2
    names = [space.names[k] for k in model.free]
    # mean squares over the cube, by hand: 1/3 of a coded variable, 4/45 of its square about its mean, 1/9 of a product
    assert_allclose(model.size[names.index("a")] ** 2, 1 / 3, rtol=0.15)
    assert_allclose(model.size[names.index("a × b")] ** 2, 1 / 9, rtol=0.25)
    assert_allclose(model.size[names.index("c²")] ** 2, square.var(), rtol=0.15)
    assert_allclose(square.var(), 4 / 45, rtol=0.15)


SESSIONS = Brief(
    ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 20}],
    setting=[{"name": "cure_min", "low": 8, "high": 20}],
    response=[{"name": "hardness"}],
    model="linear", setting_model="linear", crossed="none",
)  # fmt: skip


def slabs_in_two_sessions():
    """Ten batches of three slabs, every other one read in the second session, one unit higher."""
    rng = np.random.default_rng(0)
    k, second = np.repeat(np.arange(10), 3), np.arange(30) % 2
    frame = pd.DataFrame({"batch": [f"B{i}" for i in k], "session": np.where(second, "Tuesday", "Monday")})
    frame["oil"], frame["cure_min"] = rng.uniform(0, 20, 10)[k], rng.choice([8.0, 14.0, 20.0], 30)
    mean = 60 - 0.5 * frame["oil"] + 0.3 * frame["cure_min"] + second
    return frame.assign(hardness=mean + rng.normal(0, 1, 10)[k] + rng.normal(0, 0.5, 30))


@pytest.mark.parametrize("kind", ["least squares", "averaged"])
def test_intervals_hang_little_on_the_seed_where_two_sessions_tell_of_sessions(kind):
    """Few groups leave long tails, of which a handful of random draws tells little: ends then differ by a fifth."""
    frame = slabs_in_two_sessions()
    at, brief = frame.iloc[[4]], SESSIONS
    wide = []
    for seed in range(10):
        table = fit(brief, frame, kind=kind, seed=seed)["hardness"].in_full.predict_table(at)
        wide.append(float((table["high"] - table["low"]).iloc[0]))
    assert np.std(wide) < 0.13 * np.mean(wide)


def test_where_trials_tell_nothing_the_surface_stays_within_its_prior():
    """Two variables that went together in every trial but one hair: far from the trials the surface must not run away."""
    rng = np.random.default_rng(3)
    a = rng.uniform(-1, 1, 14)
    frame = pd.DataFrame({"a": a, "b": a + rng.normal(0, 1e-4, 14), "c": rng.uniform(-1, 1, 14)})
    y = 2 * a + rng.normal(0, 0.1, 14)
    space = ModelSpace(BRIEF)
    model = Averaged(
        TermFeatures(space), _terms_of(space), Scale(), space.matrix(frame), y, Noise(np.arange(14), np.arange(14)),
        np.ones((24, 1)), space.matrix(COVER),
    ).fit(rng)  # fmt: skip
    apart = pd.DataFrame({"a": [1.0], "b": [-1.0], "c": [0.0]})
    moments = (part.moments(columns_of(part.features, apart)) for part in model.parts(np.arange(400)))
    centre, sd = np.array([[m[0], s[0]] for m, s, _ in moments]).T
    assert np.abs(centre).max() < 5 and np.quantile(sd, 0.95) < 6 and sd.max() < 30


@pytest.mark.parametrize("seed", range(8))
def test_what_the_base_or_a_model_explains_to_the_last_digit_is_averaged_too(seed):
    frame, _ = data(14, seed)
    space = ModelSpace(BRIEF)
    columns = space.matrix(frame)
    for coef in (np.eye(len(space))[0] * 1e3, np.random.default_rng(seed).normal(size=len(space))):
        model = Averaged(
            TermFeatures(space), _terms_of(space), Scale(), columns, columns @ coef, Noise(np.arange(14), np.arange(14)),
            np.ones((24, 1)), space.matrix(COVER),
        ).fit(np.random.default_rng(seed), steps=60, burn=20)  # fmt: skip
        for part in model.parts(np.arange(5)):
            assert np.isfinite(part.coef).all() and part.rss >= 0
