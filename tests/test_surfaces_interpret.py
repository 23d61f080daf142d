"""What a surface says: stationary points, ridges, steepest ascent, effects, traces."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab.brief import Brief, Response
from formlab.errors import FitError
from formlab.region import Region
from formlab.surfaces import fit
from formlab.surfaces.interpret import draw_means, effects, interactions, ridge, stationary, steepest, traces


def brief(names, model="quadratic"):
    return Brief(
        setting=[{"name": n, "low": -1, "high": 1} for n in names],
        response=[{"name": "y"}],
        setting_model=model,
    )


def surface(rows, y, model="quadratic"):
    names = [f"x{k + 1}" for k in range(len(rows[0]))]
    frame = pd.DataFrame(rows, columns=names).assign(y=y)
    return fit(brief(names, model), frame, kind="least squares")["y"]


CENTRES = [(0, 0)] * 5
SQUARE = [(-1, -1), (1, -1), (-1, 1), (1, 1)]


def test_a_step_is_never_more_than_half_of_a_range():
    """10 phr of what is allowed from 2 to 5 phr would say what no formula shows."""
    made = Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 40}, {"name": "sulfur", "low": 2, "high": 5}],
        response=[{"name": "hardness"}], model="linear",
    )  # fmt: skip
    frame = Region.from_brief(made).sample(12, 1)
    surface = fit(made, frame.assign(hardness=50 + frame.sulfur - 0.3 * frame.oil), kind="least squares")[
        "hardness"
    ]
    table = effects(surface).set_index(["factor", "direction"])["step"]
    assert table["oil", "against the rubber"] == 10 and table["sulfur", "against the rubber"] == 0.75
    assert table["oil", "rest in proportion"] == 1 and 0.5 < table["sulfur", "rest in proportion"] <= 1


def test_steepest_ascent():
    """NIST/SEMATECH e-Handbook 5.5.3.1.1: 40.644444 - 1.2925 x1 + 11.1425 x2, unit direction (-0.1152, 0.9933)."""
    y = [32.79, 24.07, 48.94, 52.49, 38.89, 48.29, 29.68, 46.5, 44.15]
    fitted = surface(SQUARE + CENTRES, y, "linear")
    assert_allclose(fitted.coefficients["estimate"], [40.644444, -1.2925, 11.1425], atol=6e-7)
    assert_allclose(fitted.coefficients["std_error"], [2.238396, 3.357594, 3.357594], atol=6e-7)
    path = steepest(fitted, 3)
    assert_allclose(path.loc[1, ["x1", "x2"]].astype(float), [-0.115225, 0.993339], atol=6e-7)
    lack = fitted.anova.set_index("source").loc["  lack of fit"]
    assert_allclose([lack["ss"], lack["f"], lack["p"]], [45.911492, 0.408736, 0.689416], atol=6e-7)


def test_curvature_is_lack_of_fit():
    """NIST/SEMATECH e-Handbook 5.5.3.1.3: lack of fit F 4.968973, p 0.082361 of the first-order model."""
    fitted = surface(
        SQUARE + CENTRES, [64.33, 51.78, 77.3, 45.37, 62.08, 79.36, 75.29, 73.81, 69.45], "linear"
    )
    assert_allclose(fitted.coefficients["estimate"], [66.53, -11.12, 1.64], atol=6e-3)
    lack = fitted.anova.set_index("source").loc["  lack of fit"]
    assert_allclose([lack["f"], lack["p"]], [4.968973, 0.082361], atol=6e-7)


def test_path_of_the_chemical_process():
    """Montgomery, Design and Analysis of Experiments, Example 11.1 (data from memory): 40.44 + 0.775 x1 + 0.325 x2."""
    rows = [(-1, -1), (-1, 1), (1, -1), (1, 1), *CENTRES]
    fitted = surface(rows, [39.3, 40.0, 40.9, 41.5, 40.3, 40.5, 40.7, 40.2, 40.6], "linear")
    assert_allclose(fitted.coefficients["estimate"], [40.444444, 0.775, 0.325], atol=6e-7)
    path = steepest(fitted, 2)
    assert_allclose(path["x2"][1] / path["x1"][1], 0.419355, atol=6e-7)
    assert_allclose(fitted.anova.set_index("source").loc["  pure error", "ms"], 0.0430, atol=1e-9)


def test_stationary_point_of_the_central_composite():
    """NIST/SEMATECH e-Handbook 5.5.3.1.4, recomputed: (-0.927852, 0.346800), 77.5891, eigenvalues -9.827317, -4.973187."""
    axial = [(-1.414, 0), (1.414, 0), (0, -1.414), (0, 1.414)]
    y = [64.33, 51.78, 77.3, 45.37, 62.08, 79.36, 75.29, 73.81, 69.45, 72.58, 37.42, 54.63, 54.18]
    point = stationary(surface(SQUARE + CENTRES + axial, y))
    assert_allclose(point.coded, [-0.927852, 0.346800], atol=6e-7)
    assert_allclose(point.value, 77.5891, atol=6e-5)
    assert_allclose(point.eigenvalues, [-9.827317, -4.973187], atol=6e-7)
    assert point.kind == "maximum" and point.inside


CVD = [  # NIST/SEMATECH e-Handbook 4.7.3: x1, x2 as printed; uniformity, stress
    (1, 0, 4.6, 8.04), (0, 0, 6.2, 7.78), (0.71, -0.71, 3.4, 7.58), (-0.71, 0.71, 6.9, 7.27), (-1, 0, 7.3, 6.49),
    (0, 0, 6.4, 7.69), (-0.71, -0.71, 8.6, 6.66), (0, -1, 6.3, 7.16), (0.71, 0.71, 5.1, 8.33), (0, 1, 5.4, 8.19),
    (0, 0, 5.0, 7.90),
]  # fmt: skip


@pytest.mark.parametrize(
    ("column", "point", "value", "eigenvalues", "kind", "inside"),
    [
        (2, [0.088137, 1.118566], 5.656644, [-0.7608, 0.9283], "saddle", False),
        (3, [0.849645, 2.340879], 8.684228, [-0.5316, -0.1158], "maximum", False),
    ],
)
def test_stationary_points_of_the_deposition(column, point, value, eigenvalues, kind, inside):
    """Recomputed from the handbook's data and coding."""
    found = stationary(surface([row[:2] for row in CVD], [row[column] for row in CVD]))
    assert_allclose(found.coded, point, atol=6e-7)
    assert_allclose(found.value, value, atol=6e-7)
    assert_allclose(found.eigenvalues, eigenvalues, atol=6e-5)
    assert (found.kind, found.inside) == (kind, inside)


def test_deposition_without_squares():
    """The handbook's reduced model of uniformity: 5.927273, -1.909670, -0.224081, 1.686173; R² 0.870327."""
    fitted = surface([row[:2] for row in CVD], [row[2] for row in CVD], "interaction")
    assert_allclose(fitted.coefficients["estimate"], [5.927273, -1.909670, -0.224081, 1.686173], atol=6e-7)
    assert_allclose(
        fitted.summary[["s", "r2", "r2_adjusted"]].astype(float), [0.614465, 0.870327, 0.814753], atol=6e-7
    )


VISCOSITY = [  # Box-Behnken, three factors, viscosity (Montgomery's problem data, from memory)
    (-1, -1, 0, 535),
    (1, -1, 0, 580),
    (-1, 1, 0, 596),
    (1, 1, 0, 563),
    (-1, 0, -1, 645),
    (1, 0, -1, 458),
    (-1, 0, 1, 350),
    (1, 0, 1, 600),
    (0, -1, -1, 595),
    (0, 1, -1, 648),
    (0, -1, 1, 532),
    (0, 1, 1, 656),
    (0, 0, 0, 653),
    (0, 0, 0, 599),
    (0, 0, 0, 620),
]


def viscosity():
    return surface([row[:3] for row in VISCOSITY], [row[3] for row in VISCOSITY])


def test_box_behnken():
    fitted = viscosity()
    names = ["1", "x1", "x2", "x3", "x1²", "x2²", "x3²", "x1 × x2", "x1 × x3", "x2 × x3"]
    values = [624, 9.375, 27.625, -26, -75, 19.5, -35.75, -19.5, 109.25, 17.75]
    assert_allclose(fitted.coefficients.set_index("term")["estimate"][names], values, atol=1e-9)
    assert_allclose([fitted.summary["s"], fitted.summary["r2"]], [32.307120, 0.944991], atol=6e-7)
    lack = fitted.anova.set_index("source").loc["  lack of fit"]
    assert_allclose([lack["f"], lack["p"]], [1.680949, 0.394113], atol=6e-7)
    point = stationary(fitted)
    assert_allclose(point.coded, [2.184960, -0.871371, 2.758601], atol=6e-7)
    assert_allclose(point.value, 586.344369, atol=6e-7)
    assert_allclose(point.eigenvalues, [-114.693632, 2.520763, 20.922869], atol=6e-7)
    assert point.kind == "saddle" and not point.inside


@given(st.floats(0.05, 1.5), st.integers(0, 1000))
@settings(max_examples=25, deadline=None)
def test_ridge_point_is_the_best_at_its_distance(radius, seed):
    fitted = viscosity()
    line = ridge(fitted, [radius]).iloc[0]
    at = line[["x1", "x2", "x3"]].to_numpy(float)
    assert_allclose(np.linalg.norm(at), radius, rtol=1e-8)
    other = np.random.default_rng(seed).normal(size=(200, 3))
    other *= radius / np.linalg.norm(other, axis=1, keepdims=True)
    assert (
        fitted.predict(pd.DataFrame(other, columns=["x1", "x2", "x3"]), outside="ignore").max()
        <= line["mean"] + 1e-8
    )
    lowest = ridge(fitted, [radius], lowest=True).iloc[0]
    assert (
        fitted.predict(pd.DataFrame(other, columns=["x1", "x2", "x3"]), outside="ignore").min()
        >= lowest["mean"] - 1e-8
    )


def test_no_curvature_is_said():
    with pytest.raises(FitError) as caught:
        stationary(surface(SQUARE + CENTRES, np.arange(9.0), "linear"))
    assert (
        str(caught.value)
        == "The surface has no curvature, so no stationary point; follow `steepest` instead."
    )


def test_a_category_is_held_at_a_level():
    """A hill whose top is at (0.2, -0.3) in steam and at (-0.1, -0.3), 2 higher, under the ram."""
    made = Brief(
        setting=[
            {"name": "a", "low": -1, "high": 1},
            {"name": "b", "low": -1, "high": 1},
            {"name": "press", "levels": ["steam", "ram"]},
        ],
        response=[{"name": "y"}],
        setting_model="quadratic",
    )
    frame = Region.from_brief(made).sample(40, 3)
    steam = frame["press"] == "steam"
    y = 10 - (frame["a"] - np.where(steam, 0.2, -0.1)) ** 2 - 2 * (frame["b"] + 0.3) ** 2 + 2.0 * ~steam
    fitted = fit(made, frame.assign(y=y), kind="least squares")["y"]
    for level, top, height in (("steam", 0.2, 10.0), ("ram", -0.1, 12.0)):
        point = stationary(fitted, {"press": level})
        assert point.kind == "maximum" and point.formula["press"] == level and point.inside
        assert_allclose([point.formula["a"], point.formula["b"], point.value], [top, -0.3, height], atol=1e-8)
        assert_allclose(point.eigenvalues, [-2, -1], atol=1e-8)
        path = ridge(fitted, [np.hypot(top, 0.3)], at={"press": level})
        assert_allclose(path[["a", "b", "mean"]].iloc[0], [top, -0.3, height], atol=1e-6)
        assert set(steepest(fitted, 2, at={"press": level})["press"]) == {level}
    with pytest.raises(FitError, match=r"'press' is a category. Give the level .* at = {'press': 'steam'}"):
        stationary(fitted)
    with pytest.raises(FitError, match="at holds 'a', which is no category"):
        ridge(fitted, at={"press": "ram", "a": "0"})


def test_canonical_form_of_a_blend():
    """A blend surface with a known top: -(distance)² about (0.5, 0.3, 0.2), with a scatter that cancels."""
    blend = Brief(
        basis="fraction",
        ingredient=[{"name": n, "low": 0, "high": 1} for n in "abc"],
        response=[{"name": "y"}],
    )
    grid = np.array([(i, j, 6 - i - j) for i in range(7) for j in range(7 - i)]) / 6
    top = np.array([0.5, 0.3, 0.2])
    frame = pd.DataFrame(grid, columns=list("abc")).assign(y=10 - ((grid - top) ** 2).sum(axis=1))
    twice = pd.concat([frame.assign(y=frame["y"] + 1e-7), frame.assign(y=frame["y"] - 1e-7)])
    point = stationary(fit(blend, twice.reset_index(drop=True), kind="least squares")["y"])
    assert_allclose(point.formula, top, atol=1e-6)
    assert_allclose(point.eigenvalues, [-1, -1], atol=1e-6)
    assert_allclose(point.value, 10, atol=1e-6)
    assert point.kind == "maximum" and point.inside


def rubber_trials():
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"oil": rng.uniform(5, 25, 30), "chalk": rng.uniform(20, 100, 30)})
    return frame.assign(hardness=50 - 0.5 * frame["oil"] + 0.2 * frame["chalk"] + rng.normal(0, 0.3, 30))


def rubber_surface(**more):
    rubber = Brief(
        ingredient=[
            {"name": "rubber", "role": "rubber"},
            {"name": "oil", "role": "oil", "low": 5, "high": 25},
            {"name": "chalk", "role": "filler", "low": 20, "high": 100},
        ],
        response=[{"name": "hardness"}],
        model="linear",
        **more,
    )
    return fit(rubber, rubber_trials(), kind="least squares")["hardness"]


def test_ten_phr_more():
    fitted = rubber_surface(current={"rubber": 100, "oil": 10, "chalk": 50})
    table = effects(fitted).set_index(["factor", "direction"])
    slope = fitted.coefficients.set_index("term")["estimate"]
    against = table.loc[("oil", "against the rubber")]
    assert against["step"] == 10 and against["unit"] == "phr"
    assert_allclose(against["effect"], slope["oil"], rtol=1e-9)  # half the range is 10 phr
    assert against["low"] < against["effect"] < against["high"]
    # one per cent of 160 phr more, the rest in proportion: 0.0725 * 150 / 0.9275 - 10 phr
    assert_allclose(
        table.loc[("oil", "rest in proportion"), "effect"],
        slope["oil"] / 10 * (0.0725 / 0.9275 * 150 - 10),
        rtol=1e-9,
    )


def test_a_step_beyond_the_region_is_marked():
    fitted = rubber_surface(limit=[{"expression": "oil + chalk <= 100"}])
    inside = effects(fitted, {"rubber": 100, "oil": 15, "chalk": 80}, step=7).set_index(
        ["factor", "direction"]
    )["inside"]
    assert not inside[("oil", "against the rubber")] and not inside[("chalk", "against the rubber")]
    inside = effects(fitted, {"rubber": 100, "oil": 10, "chalk": 60}, step=7)["inside"]
    assert inside.dtype == bool and inside.all()


def test_cox_direction_of_a_blend():
    blend = Brief(
        basis="fraction",
        ingredient=[{"name": n, "low": 0, "high": 1} for n in "abc"],
        response=[{"name": "y"}],
        model="linear",
    )
    shares = np.random.default_rng(2).dirichlet([1, 1, 1], 12)
    frame = pd.DataFrame(shares, columns=list("abc")).assign(
        y=shares @ [1.0, 2.0, 4.0] + np.tile([1e-6, -1e-6], 6)
    )
    table = effects(fit(blend, frame, kind="least squares")["y"], {"a": 0.5, "b": 0.3, "c": 0.2}, step=0.1)
    moved = np.array([0.6, 0.4 * 0.6, 0.4 * 0.4])
    expected = moved @ [1, 2, 4] - np.array([0.5, 0.3, 0.2]) @ [1, 2, 4]
    assert_allclose(table.loc[table["factor"] == "a", "effect"], [expected], atol=1e-4)


def test_traces_stay_in_the_blend_and_say_what_is_outside():
    fitted = rubber_surface(limit=[{"expression": "oil + chalk <= 100"}])
    table = traces(fitted, {"rubber": 100, "oil": 10, "chalk": 50}, points=5)
    assert list(table.columns) == ["factor", "value", "unit", "mean", "low", "high", "inside"]
    chalk = table[table["factor"] == "chalk"].set_index("value")["inside"]
    assert chalk[80.0] and not chalk[100.0]
    assert (table["low"] <= table["mean"]).all() and (table["mean"] <= table["high"]).all()


def test_interactions_are_sorted():
    table = interactions(viscosity())
    assert table["term"].iloc[0] == "x1 × x3"
    assert list(table["p"]) == sorted(table["p"])


# ---- what limits tie together, what cannot be turned back ---------------------------------------------------


def tied_in_phr():
    made = Brief(
        ingredient=[
            {"name": "rubber", "role": "rubber"},
            {"name": "oil", "low": 5, "high": 25},
            {"name": "zno", "low": 1, "high": 6},
            {"name": "stearic", "low": 0.5, "high": 4},
        ],
        limit=[{"expression": "zno - 2*stearic = 0"}],
        response=[{"name": "y"}],
    )
    frame = Region.from_brief(made).sample(25, seed=1)
    y = 40 + frame["oil"] - 0.05 * frame["oil"] ** 2 + 3 * frame["zno"] - 0.5 * frame["zno"] ** 2
    noise = np.random.default_rng(1).normal(0, 0.01, 25)
    return fit(made, frame.assign(y=y + noise), kind="least squares")["y"]


def test_stationary_point_keeps_fixed_ratios():
    point = stationary(tied_in_phr())
    assert_allclose(point.formula[["oil", "zno", "stearic"]].astype(float), [10, 3, 1.5], rtol=0.02)
    assert point.inside


def test_a_step_takes_along_what_is_tied():
    """Stearic acid stands in the model under the zinc oxide it goes with; alone it would seem to do nothing."""
    at = {"rubber": 100, "oil": 10, "zno": 2, "stearic": 1}
    table = effects(tied_in_phr(), at, step=1).set_index(["factor", "direction"])["effect"]
    assert_allclose(table["zno", "against the rubber"], 3 - 0.5 * (9 - 4), atol=0.05)
    assert_allclose(table["stearic", "against the rubber"], 3 * 2 - 0.5 * (16 - 4), atol=0.05)
    share = 1 / 113 + 0.01
    more = share * 110 / (1 - 3 * share)  # of stearic acid, twice that of zinc oxide
    assert_allclose(more / (110 + 3 * more), share)
    gain = 3 * (2 * more - 2) - 0.5 * (4 * more**2 - 4)
    assert_allclose(table["stearic", "rest in proportion"], gain, atol=0.05)
    line = traces(tied_in_phr(), at, points=5)
    stearic = line[line["factor"] == "stearic"]
    assert_allclose(stearic["mean"], 45 + 6 * stearic["value"] - 2 * stearic["value"] ** 2, atol=0.2)
    assert line[line["factor"] == "zno"]["inside"].all()


def test_shares_keep_fixed_ratios_that_their_ranges_do_not_show():
    made = Brief(
        basis="fraction",
        ingredient=[
            {"name": "a", "low": 0, "high": 0.6},
            {"name": "b", "low": 0, "high": 0.6},
            {"name": "c", "low": 0.1, "high": 0.9},
            {"name": "d", "low": 0.1, "high": 0.9},
        ],
        limit=[{"expression": "a - 2*b = 0"}],
        response=[{"name": "y"}],
    )
    frame = Region.from_brief(made).sample(25, seed=1)
    noise = np.random.default_rng(1).normal(0, 0.01, 25)
    y = 10 * frame["c"] * frame["d"] + 4 * frame["a"] * frame["c"] + noise
    fitted = fit(made, frame.assign(y=y), kind="least squares")["y"]
    path = ridge(fitted, [0.0, 0.1])
    assert_allclose(path["a"], 2 * path["b"])
    assert path["inside"].all()
    line = traces(fitted, {"a": 0.2, "b": 0.1, "c": 0.4, "d": 0.3}, points=3)
    assert line[(line["factor"] == "a") & (line["value"] == 0.6)]["mean"].notna().all()
    step = effects(fitted, {"a": 0.2, "b": 0.1, "c": 0.4, "d": 0.3}, step=0.04).set_index("factor")["effect"]
    rest = 0.64 / 0.7  # a and b take 0.06 more together
    there = 10 * 0.12 * rest**2 + 4 * 0.24 * 0.4 * rest
    assert_allclose(step["a"], there - (10 * 0.12 + 4 * 0.2 * 0.4), atol=0.03)


def test_rubber_takes_along_the_oil_that_extends_it():
    made = Brief(
        ingredient=[
            {"name": "nr", "role": "rubber", "low": 20, "high": 80},
            {"name": "sbr", "role": "rubber", "low": 20, "high": 80},
            {"name": "oil", "low": 4, "high": 40},
        ],
        limit=[{"expression": "sbr - 2*oil = 0"}],
        response=[{"name": "y"}],
        model="linear",
    )
    frame = Region.from_brief(made).sample(12, seed=1)
    fitted = fit(made, frame.assign(y=frame["nr"] + np.tile([0.1, -0.1], 6)), kind="least squares")["y"]
    line = traces(fitted, {"nr": 50, "sbr": 50, "oil": 25}, points=3)
    assert set(line["factor"]) == {"nr", "sbr"}
    assert line["inside"].all()
    assert_allclose(effects(fitted, {"nr": 50, "sbr": 50, "oil": 25})["effect"], [5, -5], atol=0.2)


def test_volume_fractions_are_not_turned_back_into_amounts():
    made = Brief(
        ingredient=[
            {"name": "rubber", "role": "rubber", "density": 0.93},
            {"name": "oil", "low": 5, "high": 25, "density": 0.91},
        ],
        response=[{"name": "y"}],
    )
    frame = pd.DataFrame({"oil": np.linspace(5, 25, 9)})
    fitted = fit(made, frame.assign(y=(frame["oil"] - 12) ** 2), kind="least squares", measure="volume")["y"]
    for look in (stationary, ridge, steepest):
        with pytest.raises(FitError) as caught:
            look(fitted)
        assert str(caught.value) == (
            "Canonical analysis needs a model of amounts by mass, whose variables can be turned back into a formula; fit "
            'with measure = "mass".'
        )


def test_categories_have_an_effect_but_no_trace():
    made = Brief(setting=[{"name": "mould", "levels": ["a", "b"]}], response=[{"name": "y"}])
    frame = pd.DataFrame({"mould": list("ababab"), "y": [1.0, 2, 1.1, 2.1, 0.9, 1.9]})
    fitted = fit(made, frame, kind="least squares")["y"]
    assert traces(fitted).empty
    table = effects(fitted, {"mould": "b"})
    assert table[["factor", "direction", "unit", "inside"]].to_numpy().tolist() == [
        ["mould", "a instead of b", "", True]
    ]
    assert np.isnan(table["step"].iloc[0])
    # the difference of two means of three, about 1, with an error of 0.1 sqrt(2 / 3) and 4 degrees of freedom
    assert_allclose(table[["effect", "low", "high"]], [[-1.0, -1.227, -0.773]], atol=0.02)


def test_effects_speak_of_the_median_where_targets_do():
    rng = np.random.default_rng(0)
    frame = rubber_trials()
    frame["hardness"] = np.exp(rng.normal(frame["hardness"] / 30, 1.0))
    made = rubber_surface().brief.model_copy(
        update={"responses": [Response(name="hardness", bounds=(0, np.inf), statistic="median")]}
    )
    at = pd.DataFrame({"oil": [10.0, 20.0], "chalk": 50.0})
    fitted = fit(made, frame, kind="least squares", seed=1)["hardness"]
    drawn = draw_means(fitted, at, 4000, 1)
    assert_allclose(np.median(drawn, axis=0), fitted.predict(at), rtol=0.03)


def test_paths_of_a_blend_start_inside_and_step_in_ranges():
    """Shares of unlike ranges: a step is half a range of each, and no amount falls below 0."""
    parts = {"rubber": (0.2, 0.5), "factice": (0.1, 0.4), "chalk": (0.1, 0.5), "cure": (0.02, 0.05)}
    blend = Brief(
        basis="fraction", ingredient=[{"name": n, "low": low, "high": high} for n, (low, high) in parts.items()],
        setting=[{"name": "temp", "low": 140, "high": 165}], response=[{"name": "y"}], model="linear", setting_model="linear",
    )  # fmt: skip
    frame = Region.from_brief(blend).sample(30, seed=1)
    frame["y"] = 80 - 60 * frame["chalk"] + 40 * frame["factice"] + np.random.default_rng(1).normal(0, 1, 30)
    surface = fit(blend, frame, kind="least squares")["y"]
    path, best = steepest(surface, step=0.5), ridge(surface)
    for table in (path, best):
        assert table["inside"].iloc[:2].all() and (table[list(parts)] >= 0).all(axis=None)
        assert_allclose(table[list(parts)].sum(axis=1), 1.0, rtol=1e-9)
        assert table["mean"].is_monotonic_increasing
    assert len(path) < 7 and not path["inside"].iloc[-1]
    step = path[list(parts)].diff().iloc[1].abs() / [0.15, 0.15, 0.2, 0.015]
    assert step.max() < 1.0 and path["temp"].diff().abs().iloc[1] < 6.25


def test_a_setting_that_nothing_bends_has_no_stationary_point_and_is_named():
    """A hill in oil and chalk at 8 and 9 phr that rises straight with the minutes: no ridge, but no summit either."""
    rng = np.random.default_rng(0)
    parts = [
        {"name": "rubber", "role": "rubber"},
        *({"name": n, "low": 0, "high": 20} for n in ("oil", "chalk")),
    ]
    brief = Brief(ingredient=parts, setting=[{"name": "minutes", "low": 0, "high": 1}], response=[{"name": "y"}],
                  model="quadratic", setting_model="linear", crossed="none")  # fmt: skip
    frame = pd.DataFrame(rng.uniform(0, 20, (30, 2)), columns=["oil", "chalk"]).assign(
        minutes=rng.uniform(0, 1, 30)
    )
    hill = 5 - 0.02 * (frame["oil"] - 8) ** 2 - 0.03 * (frame["chalk"] - 9) ** 2
    found = stationary(fit(brief, frame.assign(y=hill + 2 * frame["minutes"]), kind="least squares")["y"])
    assert found.kind.startswith("maximum across a straight rise along minutes, where nothing bends")
    assert_allclose(found.formula[["oil", "chalk", "minutes"]].to_numpy(float), [8, 9, 0.5], atol=1e-6)
    level = stationary(fit(brief, frame.assign(y=hill), kind="least squares")["y"])
    assert level.kind.startswith("maximum")
