"""The Gaussian process: its algebra against closed forms, its draws, its hyperparameters, the sampler."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import kstest, multivariate_normal, norm

from formlab.brief import Brief
from formlab.errors import BriefError
from formlab.surfaces import fit
from formlab.surfaces.gaussian_process import GaussianProcess, Priors, _representing
from formlab.surfaces.leave_out import leave_out_average, left_out, left_out_student
from formlab.surfaces.noise import Noise, Scatter
from formlab.surfaces.parts import columns_of
from formlab.surfaces.sampling import ensemble
from formlab.surfaces.scales import Scale
from formlab.surfaces.variables import offered

BRIEF = Brief(setting=[{"name": n, "low": 0, "high": 4} for n in ("a", "b")], response=[{"name": "y"}])


def trials(n=14, seed=0, batches=None):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(rng.uniform(0, 4, (n, 2)), columns=["a", "b"])
    batch = np.arange(n) if batches is None else np.arange(n) % batches
    y = np.sin(frame["a"]) + 0.3 * frame["b"] + rng.normal(0, 0.1, n)
    return frame, y.to_numpy(), batch


def process(batches=None, seed=0):
    frame, y, batch = trials(batches=batches, seed=seed)
    variables = offered(BRIEF, frame)[0]
    names, codes = (("batch",), (batch,)) if batches else ((), ())
    noise = Noise(batch, np.arange(len(y)), names, codes)
    priors = Priors(((np.log(0.25), 0.8),) * (len(names) + 1))
    return (
        GaussianProcess(variables, Scale(), variables.base(frame), y, noise, priors, variables.base(frame)),
        frame,
        y,
    )


def dense(model, u, z):
    """Mean and covariance of the predictor by the textbook formula (Rasmussen & Williams 2006, eq. 2.23-2.24)."""

    def kernel(a, b):
        amplitude, length = np.exp(2 * u[0]), np.exp(u[-2:])
        square = (((a[:, None] - b[None]) / length) ** 2).sum(axis=2)
        bend = 0.25**2 / 2 * np.outer((a**2).sum(axis=1), (b**2).sum(axis=1))  # two variables
        return amplitude * np.exp(-0.5 * square) + 25.0 + a @ b.T + bend

    gain = np.linalg.solve(model.covariance(u[None])[0], kernel(model.base, z)).T
    mean = model.centre + model.unit * gain @ ((model.y - model.centre) / model.unit)
    return mean, model.unit**2 * (kernel(z, z) - gain @ kernel(model.base, z))


@pytest.mark.parametrize("batches", [None, 5])
def test_finite_columns_give_the_textbook_posterior(batches):
    model, frame, _ = process(batches)
    u = np.r_[np.log(0.8), np.full(2 if batches else 1, np.log(0.2)), np.log([1.2, 2.0])]
    part = model.part(u)
    z = frame.iloc[:6] + 0.05
    mean, sd, df = part.moments(columns_of(part.features, z))
    exact, covariance = dense(model, u, model.variables.base(z))
    assert np.isinf(df)
    assert_allclose(mean, exact, atol=0.01 * model.unit)
    assert_allclose(sd, np.sqrt(np.diag(covariance)), rtol=0.05)


def test_draws_have_the_moments_they_should():
    model, frame, _ = process(5)
    part = model.part(np.r_[np.log(0.8), np.log(0.3), np.log(0.2), np.log([1.2, 2.0])])
    rng = np.random.default_rng(1)
    scatter = Scatter(rng.standard_normal((20_000, 5)), rng.standard_normal((20_000, 14)))
    columns = columns_of(part.features, frame.iloc[:4])
    eta = part.draw(scatter, rng).coef @ columns.T
    mean, sd, _ = part.moments(columns)
    assert_allclose(eta.mean(axis=0), mean, atol=4 * sd.max() / np.sqrt(20_000))
    assert_allclose(eta.std(axis=0), sd, rtol=0.03)


def test_residuals_and_leverage():
    model, _, y = process()
    part = model.part(np.r_[np.log(0.8), np.log(0.2), np.log([1.2, 2.0])])
    v = part.covariance
    assert_allclose(part.residual, v @ np.linalg.solve(part._f @ part._f.T + v, y - model.centre), atol=1e-9)
    assert 0 < np.trace(part.hat) < len(y)


def test_left_out_density_is_the_conditional_normal():
    rng = np.random.default_rng(2)
    root = rng.normal(size=(6, 9))
    k, y = root @ root.T, rng.normal(size=6)
    groups = np.array([0, 0, 1, 2, 2, 2])
    whole = multivariate_normal(cov=k).logpdf(y)
    expected = [
        whole - multivariate_normal(cov=k[np.ix_(g, g)]).logpdf(y[g]) for g in (groups != i for i in range(3))
    ]
    assert_allclose(left_out(np.linalg.inv(k), y, groups), expected, rtol=1e-9)
    single = np.array([3, 1, 0, 2, 5, 4])
    alone = left_out(np.linalg.inv(k), y, single)
    keep = single != 4
    assert_allclose(
        alone[4], whole - multivariate_normal(cov=k[np.ix_(keep, keep)]).logpdf(y[keep]), rtol=1e-9
    )


def test_left_out_density_with_unknown_variance():
    """Against the Student predictive of a least-squares fit without the group."""
    from scipy.stats import multivariate_t

    rng = np.random.default_rng(3)
    x = np.column_stack([np.ones(9), rng.normal(size=(9, 2))])
    y = rng.normal(size=9)
    groups = np.repeat([0, 1, 2], 3)
    projected = np.eye(9) - x @ np.linalg.solve(x.T @ x, x.T)
    for g, found in enumerate(left_out_student(projected, y, 6, groups)):
        keep = groups != g
        b = np.linalg.lstsq(x[keep], y[keep], rcond=None)[0]
        s2 = ((y[keep] - x[keep] @ b) ** 2).sum() / 3
        shape = s2 * (np.eye(3) + x[~keep] @ np.linalg.inv(x[keep].T @ x[keep]) @ x[~keep].T)
        assert_allclose(found, multivariate_t(x[~keep] @ b, shape, df=3).logpdf(y[~keep]), rtol=1e-9)


def test_left_out_average_of_equal_draws_is_the_draw():
    logs = np.tile(np.array([-1.0, -5.0, -700.0]), (8, 1))
    assert_allclose(leave_out_average(logs), logs[0])


def test_importance_weights_find_the_left_out_posterior():
    """Normal mean under a flat prior: posterior draws reweighted for a value left out give its true predictive."""
    y = np.array([0.3, -0.2, 1.4, 0.1, 0.5])
    draws = np.random.default_rng(4).normal(y.mean(), np.sqrt(1 / 5), 200_000)
    logs = norm.logpdf(y[None, :], draws[:, None])
    expected = [norm.logpdf(v, np.delete(y, i).mean(), np.sqrt(1 + 1 / 4)) for i, v in enumerate(y)]
    assert_allclose(leave_out_average(logs), expected, atol=0.01)


def test_representing_points_keep_the_process():
    z = np.random.default_rng(5).uniform(-1, 1, (150, 3)) / 1.5
    points, lower = _representing(z)

    def kernel(a, b):
        return np.exp(-0.5 * ((a[:, None] - b[None]) ** 2).sum(axis=2))

    assert_allclose(lower @ lower.T, kernel(points, points), atol=1e-8)
    left = 1 - (np.linalg.solve(lower, kernel(points, z)) ** 2).sum(axis=0)
    assert left.max() < 4e-3 + 1e-8


def test_sampler_finds_a_correlated_normal():
    covariance = np.array([[1.0, 0.8], [0.8, 2.0]])
    law = multivariate_normal(mean=[1.0, -2.0], cov=covariance)
    rng = np.random.default_rng(6)
    chain = ensemble(lambda x: law.logpdf(x), rng.normal(size=(40, 2)), 1500, 300, rng)
    assert_allclose(chain.mean(axis=0), [1.0, -2.0], atol=0.1)
    assert_allclose(np.cov(chain.T), covariance, atol=0.2)
    assert kstest(chain[::97, 0], norm(1.0, 1.0).cdf).pvalue > 1e-3


def test_sampler_forgets_its_start_in_many_dimensions():
    """From 2 sds away, in as many steps as a process is given; stretches alone stay 2 to 3 sds off, half as wide."""
    d, rng = 14, np.random.default_rng(1)
    sd = np.geomspace(0.2, 2, d)
    law = multivariate_normal(np.zeros(d), np.outer(sd, sd) * (0.5 + 0.5 * np.eye(d)))
    chain = ensemble(law.logpdf, 2 + 2 * rng.normal(size=(4 * d, d)), 150, 80, rng)
    assert np.abs(chain.mean(axis=0) / sd).max() < 1.2
    spread = chain.std(axis=0) / sd
    assert spread.min() > 0.8 and spread.max() < 1.9


def test_hyperparameters_follow_prior_times_likelihood():
    """The sampled noise level agrees with a grid over it when all else is held by tight priors."""
    frame, y, batch = trials(20, seed=7)
    variables = offered(BRIEF, frame)[0]
    noise = Noise(batch, np.arange(len(y)))
    tight = Priors(((np.log(0.25), 0.8),), amplitude=(0.0, 1e-3), length=(np.log(1.0), 1e-3))
    model = GaussianProcess(variables, Scale(), variables.base(frame), y, noise, tight, variables.base(frame))
    model.fit(np.random.default_rng(8), keep=400, steps=400, burn=100)
    grid = np.linspace(-6, 2, 400)
    log_p = model.log_posterior(np.column_stack([np.zeros(400), grid, np.zeros(400), np.zeros(400)]))
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    assert_allclose(model.sample[:, 1].mean(), p @ grid, atol=0.12)
    assert_allclose(model.sample[:, 1].std(), np.sqrt(p @ grid**2 - (p @ grid) ** 2), rtol=0.3)


def test_what_bends_in_all_variables_together_is_learned_from_corners_and_one_middle():
    """Corners of a cube and two trials in its middle: a bowl is told from the plane between the corners."""
    corners = np.array(list(product([-1.0, 1.0], repeat=4)))
    names = ["a", "b", "c", "d"]
    brief = Brief(setting=[{"name": n, "low": -1, "high": 1} for n in names], response=[{"name": "y"}])
    z = pd.DataFrame(np.vstack([corners, np.zeros((2, 4))]), columns=names)
    y = 10 + 3 * z["a"] - 2 * z["b"] + (z**2).sum(axis=1) + np.random.default_rng(1).normal(0, 0.1, len(z))
    noise = Noise(np.arange(18), np.arange(18))
    variables = offered(brief, z)[0]
    model = GaussianProcess(
        variables, Scale(), variables.base(z), y.to_numpy(), noise, Priors(((np.log(0.05), 0.8),)), variables.base(z)
    )  # fmt: skip
    part = model.part(np.r_[np.log(0.3), np.log(0.05), np.log([3.0] * 4)])
    half = pd.DataFrame([[0.5, 0.0, 0.0, 0.5]], columns=names)  # between middle and corners: 10 + 1.5 + 0.5
    centre, sd, _ = part.moments(columns_of(part.features, half))
    assert abs(centre[0] - 12.0) < 0.35 and sd[0] < 0.5


def test_a_category_that_is_not_in_the_brief_is_refused():
    """It would be none of the levels, and stand in the middle between them."""
    made = Brief(
        setting=[{"name": "mould", "levels": ["old", "new"]}, {"name": "t", "low": 0, "high": 1}],
        response=[{"name": "y"}],
    )
    frame = pd.DataFrame({"mould": ["old", "new"] * 4, "t": np.linspace(0, 1, 8), "y": np.arange(8.0)})
    surfaces, at = (
        fit(made, frame, kind="gaussian process", seed=1),
        pd.DataFrame({"mould": ["odd"], "t": [0.5]}),
    )
    for ask in (lambda: surfaces["y"].predict(at, outside="ignore"), lambda: surfaces.sample(at, 5)):
        with pytest.raises(BriefError) as caught:
            ask()
        assert str(caught.value) == (
            "'mould' = 'odd' is not one of ['old', 'new']; use one of them, for categories are never interpolated."
        )
