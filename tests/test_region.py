import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pandas.testing import assert_frame_equal
from scipy.optimize import linprog

from formlab import Brief, Region
from formlab.errors import RegionError

RUBBER = {"name": "sbr", "role": "rubber"}


def ingredient(name, low, high, **more):
    return {"name": name, "low": low, "high": high, **more}


def mixture(ranges, *limits, total=1.0, **more):
    parts = [ingredient(name, *ends) for name, ends in ranges.items()]
    return Region.from_brief(
        Brief(
            basis="fraction", total=total, ingredient=parts, limit=[{"expression": x} for x in limits], **more
        )
    )


def phr(ranges, *limits, **more):
    parts = [RUBBER, *(ingredient(name, *ends) for name, ends in ranges.items())]
    return Region.from_brief(Brief(ingredient=parts, limit=[{"expression": x} for x in limits], **more))


# McLean & Anderson 1966 (Technometrics 8:447), flare. Data from memory.
FLARE = mixture(
    {"magnesium": (0.4, 0.6), "sodium": (0.1, 0.5), "strontium": (0.1, 0.5), "binder": (0.03, 0.08)}
)
# Huor, Ahmed, Rao & Cornell 1980, fruit punch: at least 30 % watermelon. Data as in NIST's file CORNEL23.DAT.
PUNCH = mixture({"watermelon": (30, 100), "pineapple": (0, 70), "orange": (0, 70)}, total=100)
PRESS = {"name": "press", "levels": ["ram", "steam"], "changes": "day"}
PASSES = {"name": "passes", "levels": [2, 4, 8], "changes": "batch"}
CURE = {"name": "cure_min", "low": 12, "high": 24, "unit": "min"}


# ---- published shapes -----------------------------------------------------------------------------------


def test_flare_of_mclean_and_anderson():
    assert len(FLARE.vertices()) == 8
    faces = FLARE.face_centroids(2)
    assert_allclose(
        faces.sort_values(list(faces)),
        [
            [0.40, 0.2725, 0.2725, 0.055],
            [0.50, 0.10, 0.345, 0.055],
            [0.50, 0.21, 0.21, 0.08],
            [0.50, 0.235, 0.235, 0.03],
            [0.50, 0.345, 0.10, 0.055],
            [0.60, 0.1725, 0.1725, 0.055],
        ],
        atol=1e-12,
    )
    assert_allclose(FLARE.centre(), [[0.50, 0.2225, 0.2225, 0.055]], atol=1e-12)
    assert len(FLARE.face_centroids(1)) == 12
    implied = FLARE.implied_ranges()
    assert_allclose(
        implied.loc["sodium", ["implied_low", "implied_high"]].astype(float), [0.1, 0.47], atol=1e-12
    )
    assert list(implied) == ["unit", "low", "high", "implied_low", "implied_high"]
    assert repr(FLARE) == "Region(4 ingredients, 0 settings: 8 vertices, dimension 3)"


def test_fruit_punch_in_pseudo_components():
    """x1 = (W - 30) / 70, x2 = P / 70, x3 = O / 70."""
    actual = pd.DataFrame(
        {
            "watermelon": [100, 65, 30, 30, 30, 65, 80.0],
            "pineapple": [0, 35, 70, 35, 0, 0, 10.0],
            "orange": [0, 0, 0, 35, 70, 35, 10.0],
        },
        index=list("abcdefg"),
    )
    half = 0.5
    expected = [
        [1, 0, 0],
        [half, half, 0],
        [0, 1, 0],
        [0, half, half],
        [0, 0, 1],
        [half, 0, half],
        [5 / 7, 1 / 7, 1 / 7],
    ]
    pseudo = PUNCH.to_pseudo(actual)
    assert_allclose(pseudo, expected, atol=1e-14)
    assert list(pseudo.index) == list("abcdefg") and list(pseudo) == PUNCH.brief.ingredient_names
    assert_allclose(PUNCH.from_pseudo(pseudo), actual, atol=1e-12)


def test_fruit_punch_fitted_in_actual_and_in_pseudo_shares():
    """Six lattice points, three readings; coefficients recomputed independently in both codings."""
    rows = [
        (100, 0, 0, 4.3, 4.7, 4.8), (65, 35, 0, 6.3, 5.8, 6.1), (30, 70, 0, 6.5, 6.2, 6.3),
        (30, 35, 35, 6.2, 6.2, 6.1), (30, 0, 70, 6.9, 7, 7.4), (65, 0, 35, 6.1, 6.5, 5.9),
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=["watermelon", "pineapple", "orange", *"abc"])
    y = table[list("abc")].to_numpy().ravel()

    def fit(shares):
        x = np.repeat(shares.to_numpy(), 3, axis=0)
        x = np.column_stack([x, x[:, 0] * x[:, 1], x[:, 0] * x[:, 2], x[:, 1] * x[:, 2]])
        return np.linalg.lstsq(x, y, rcond=None)[0]

    assert_allclose(fit(PUNCH.to_pseudo(table)), [4.6, 6.333333, 7.1, 2.4, 1.266667, -2.2], atol=1e-6)
    actual = [4.6, 5.606803, 7.395918, 4.897959, 2.585034, -4.489796]
    assert_allclose(fit(table.iloc[:, :3] / 100), actual, atol=1e-6)


def test_pseudo_components_of_rubbers_and_of_tightened_lows():
    rubbers = [
        ingredient("sbr", 50, 90, role="rubber"),
        ingredient("nr", 5, 50, role="rubber"),
        ingredient("oil", 5, 9),
    ]
    region = Region.from_brief(Brief(ingredient=rubbers, setting=[CURE]))
    formula = pd.DataFrame({"sbr": [70.0], "nr": [30.0], "oil": [5.0], "cure_min": [12.0]})
    pseudo = region.to_pseudo(formula)  # nr cannot be below 10, whatever its range says
    assert_allclose(pseudo, [[0.5, 0.5]])
    back = region.from_pseudo(pseudo.assign(oil=5.0, cure_min=12.0))
    assert_frame_equal(back, formula)


def test_pseudo_components_beside_a_fixed_ingredient():
    region = mixture({"a": (10, 60), "b": (20, 90), "c": (30, 30)}, total=100)
    formula = pd.DataFrame({"a": [20.0], "b": [50.0], "c": [30.0]})
    assert_allclose(region.to_pseudo(formula), [[0.25, 0.75]])  # 100 - 30 - 10 - 20 = 40 to share
    assert_frame_equal(region.from_pseudo(region.to_pseudo(formula)), formula)


def test_pseudo_components_that_do_not_exist():
    with pytest.raises(RegionError) as caught:
        phr({"oil": (5, 15)}).to_pseudo(pd.DataFrame({"oil": [5.0]}))
    assert str(caught.value) == (
        "Pseudo-components need two ingredients or more that share a total and have room to vary; "
        "widen a range. Here there are [] in basis 'phr'."
    )
    with pytest.raises(RegionError) as caught:
        PUNCH.from_pseudo(pd.DataFrame({"orange": [0.5]}))
    assert (
        str(caught.value)
        == "The frame lacks the pseudo-components ['watermelon', 'pineapple']; add them. It has ['orange']."
    )


# ---- empty and flat -------------------------------------------------------------------------------------


def test_an_empty_region_says_which_limits_conflict():
    region = phr(
        {"oil": (20, 40), "chalk": (50, 150), "pumice": (40, 60)}, "chalk + pumice <= 80", "oil <= 60"
    )
    assert region.is_empty
    assert region.why_empty() == ["chalk at least 50", "pumice at least 40", "chalk + pumice <= 80"]
    with pytest.raises(RegionError) as caught:
        region.vertices()
    assert str(caught.value) == (
        "No formula fulfils all ranges and limits. These cannot hold together: chalk at least 50; "
        "pumice at least 40; chalk + pumice <= 80. Widen one of them."
    )
    assert repr(region) == "Region(empty: chalk at least 50; pumice at least 40; chalk + pumice <= 80)"
    assert "These cannot hold together" not in repr(FLARE) and FLARE.why_empty() == []


def test_rounded_amounts_that_cannot_sum_are_explained():
    region = mixture({"a": (33.3, 33.3), "b": (33.3, 33.3), "c": (0, 33.3)}, total=100)
    assert region.why_empty() == ["a = 33.3", "b = 33.3", "c at most 33.3", "all ingredients sum to 100"]


def test_levels_may_leave_nothing():
    region = phr({"oil": (5, 15)}, "passes >= 5", "passes <= 7", setting=[PASSES])
    assert region.is_empty
    assert region.why_empty() == [
        "passes = 2 (passes = 2; passes >= 5)", "passes = 4 (passes = 4; passes >= 5)", "passes = 8 (passes = 8; passes <= 7)",
    ]  # fmt: skip


def test_flat_regions_say_what_pins_them():
    assert FLARE.flat() == []
    alone = mixture({"a": (0.2, 0.8), "b": (0.2, 0.2), "c": (0.3, 0.3)})
    assert alone.flat() == ["a can only be 0.5: b = 0.2; c = 0.3; all ingredients sum to 1"]
    corner = phr({"oil": (5, 15), "chalk": (50, 90)}, "oil + chalk >= 105")
    assert corner.flat() == [
        "oil can only be 15: oil at most 15; chalk at most 90; oil + chalk >= 105",
        "chalk can only be 90: chalk at most 90; oil at most 15; oil + chalk >= 105",
    ]
    squeezed = phr({"oil": (5, 15), "chalk": (50, 90)}, "oil + chalk >= 80", "2 oil + 2 chalk <= 160")
    assert squeezed.flat() == [
        "oil + chalk >= 80 is always met with nothing to spare: 2 oil + 2 chalk <= 160",
        "2 oil + 2 chalk <= 160 is always met with nothing to spare: oil + chalk >= 80",
    ]
    assert squeezed.polytope.dimension == 1
    ratio = phr({"oil": (5, 15), "chalk": (50, 90)}, "chalk = 6 oil")
    assert ratio.flat() == []  # what is written as an equation is meant


# ---- vertices, rounded bounds ---------------------------------------------------------------------------

ENDS = st.tuples(st.integers(0, 60), st.integers(1, 60)).map(
    lambda e: (e[0] / 100, min(1.0, (e[0] + e[1]) / 100))
)


@settings(deadline=None, max_examples=60)
@given(st.lists(ENDS, min_size=2, max_size=5))
def test_bounds_that_no_formula_reaches_are_tightened(ends):
    """Vertices are those of the implied ranges, and implied ranges are those of a linear program."""
    names = "abcde"[: len(ends)]
    region = mixture(dict(zip(names, ends)))
    if region.is_empty:
        assert region.why_empty()
        return
    implied = region.implied_ranges()
    tightened = mixture(
        {n: (round(r.implied_low, 12), round(r.implied_high, 12)) for n, r in implied.iterrows()}
    )
    assert_allclose(tightened.vertices(), region.vertices(), atol=1e-9)
    for k, name in enumerate(names):
        for sign, column in ((1, "implied_low"), (-1, "implied_high")):
            cost = sign * np.eye(len(names))[k]
            answer = linprog(cost, A_eq=np.ones((1, len(names))), b_eq=[1.0], bounds=ends)
            assert_allclose(implied[column][name], sign * answer.fun, atol=1e-9)


def test_a_bound_rounded_to_two_decimals_gives_no_vertex_of_its_own():
    region = mixture({"a": (0.0, 0.67), "b": (1 / 3, 1.0), "c": (0.0, 0.67)})
    assert_allclose(region.vertices(), [[0, 1 / 3, 2 / 3], [0, 1, 0], [2 / 3, 1 / 3, 0]], atol=1e-12)


def test_vertices_crossed_with_settings():
    region = phr({"oil": (5, 15)}, setting=[CURE, PRESS, PASSES])
    assert region.vertices().to_dict("list") == {"sbr": [100.0, 100.0], "oil": [5.0, 15.0]}
    full = region.vertices(settings=True)
    assert list(full) == ["sbr", "oil", "cure_min", "press", "passes"]
    assert len(full) == 2 * 2 * 2 * 2 and sorted(set(full["passes"])) == [2.0, 8.0]
    assert region.contains(full).all()


def test_a_limit_may_tie_a_setting_to_an_ingredient():
    region = phr({"oil": (5, 15)}, "passes >= 0.5 oil", setting=[PASSES, CURE])
    corners = region.vertices()
    assert list(corners) == ["sbr", "oil", "passes", "cure_min"]
    assert set(corners["passes"]) == {4.0, 8.0}  # at 2 passes no oil is allowed
    assert sorted(set(zip(corners["passes"], corners["oil"]))) == [(4, 5), (4, 8), (8, 5), (8, 15)]
    assert region.contains(region.sample(200, seed=1)).all()
    assert region.contains(region.centre()).all()
    moved = region.nearest(pd.DataFrame({"oil": [14.0], "passes": [2.0], "cure_min": [30.0]}))
    assert_allclose(moved, [[100, 8, 4, 24]])  # 4 passes and 8 phr, or 8 passes and 14 phr: the nearer one
    assert region.implied_ranges()["implied_low"]["passes"] == 4.0


# ---- points ---------------------------------------------------------------------------------------------


def test_sample_lies_inside_and_every_level_is_as_likely():
    region = phr({"oil": (5, 15), "chalk": (50, 150)}, "oil + chalk <= 120", setting=[PASSES, PRESS, CURE])
    frame = region.sample(3000, seed=4)
    assert list(frame) == region.brief.columns
    assert region.contains(frame).all()
    assert_frame_equal(frame, region.sample(3000, seed=4))
    for name, chance in (("passes", 1 / 3), ("press", 1 / 2)):
        share = frame[name].value_counts(normalize=True)
        assert_allclose(share, chance, atol=4.5 * math.sqrt(chance * (1 - chance) / 3000))
    assert region.sample(0, seed=1).shape == (0, len(region.brief.columns))


def test_regions_of_settings_alone_and_of_ingredients_alone():
    region = Region.from_brief(Brief(setting=[PRESS]))
    assert region.vertices(settings=True).to_dict("list") == {"press": ["ram", "steam"]}
    assert region.centre().to_dict("list") == {"press": ["ram"]}
    assert set(region.sample(50, seed=1)["press"]) == {"ram", "steam"}
    assert region.contains(pd.DataFrame({"press": ["ram", "cold"]})).tolist() == [True, False]
    both = Region.from_brief(Brief(setting=[CURE, PASSES]))
    assert len(both.vertices(settings=True)) == 4
    assert both.nearest(pd.DataFrame({"cure_min": [0.0], "passes": [5.5]})).to_numpy().tolist() == [
        [12.0, 4.0]
    ]


def test_what_is_broken_in_words():
    region = phr({"oil": (5, 15), "chalk": (50, 150)}, "oil + chalk <= 120", setting=[PASSES, PRESS])
    frame = pd.DataFrame(
        {
            "oil": [10.0, 16.0, 15.0],
            "chalk": [60.0, 40.0, 110.0],
            "passes": [4, 3, 8],
            "press": ["ram", "cold", "steam"],
        },
        index=["T1", "T2", "T3"],
    )
    inside = region.contains(frame)
    assert inside.to_dict() == {"T1": True, "T2": False, "T3": False} and inside.name == "inside"
    assert region.why_outside(frame) == [
        "",
        "chalk below 50; oil above 15; passes is not one of [2.0, 4.0, 8.0]; press is not one of ['ram', 'steam']",
        "oil + chalk <= 120",
    ]
    assert region.contains(frame, tolerance=0.2).tolist() == [True, False, True]


@settings(deadline=None, max_examples=40)
@given(st.lists(st.floats(-50, 200), min_size=3, max_size=3), st.sampled_from([2, 4, 8, 5.0, 100]))
def test_the_nearest_formula_is_inside_and_keeps_what_is_inside(amounts, passes):
    region = phr(
        {"oil": (5, 15), "chalk": (50, 150), "clay": (0, 20)},
        "oil + chalk <= 120",
        "passes >= 0.2 oil",
        setting=[PASSES, PRESS],
    )
    frame = pd.DataFrame([dict(zip(["oil", "chalk", "clay"], amounts), passes=passes, press="steam")])
    moved = region.nearest(frame)
    assert region.contains(moved).all() and moved["press"].tolist() == ["steam"]
    assert_allclose(
        region.nearest(moved)[["oil", "chalk", "clay"]], moved[["oil", "chalk", "clay"]], atol=1e-9
    )


def test_the_nearest_formula_of_an_unknown_category_is_an_error():
    region = phr({"oil": (5, 15)}, setting=[PRESS])
    with pytest.raises(RegionError) as caught:
        region.nearest(pd.DataFrame({"oil": [3.0], "press": ["cold"]}, index=["T9"]))
    assert str(caught.value) == "Formula 'T9' has 'press' = 'cold'; use one of ['ram', 'steam']."


# ---- rounding to a scale --------------------------------------------------------------------------------


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000), st.sampled_from([0.5, 1.0, 2.5]))
def test_rounded_formulas_stay_inside_and_near(seed, step):
    region = mixture({"a": (10, 60), "b": (5, 40), "c": (20, 70), "d": (5, 5)}, "a + b <= 62.3", total=100)
    frame = region.sample(1, seed=seed)
    rounded = region.round(frame, step)
    assert region.contains(rounded, tolerance=1e-9).all()
    counts = rounded[["a", "b", "c"]].to_numpy() / step
    assert_allclose(counts, np.round(counts), atol=1e-9)
    assert (rounded - frame).abs().to_numpy().max() <= 2 * step
    assert_frame_equal(region.round(rounded, step), rounded)


def test_settings_and_fixed_ingredients_are_not_rounded():
    region = phr({"oil": (5, 15), "zinc": (3.3, 3.3)}, "oil <= 0.5 cure_min + 1", setting=[CURE, PRESS])
    frame = pd.DataFrame({"oil": [7.4], "cure_min": [12.5], "press": ["ram"]}, index=["T1"])
    assert region.round(frame, 0.5).to_dict("index") == {
        "T1": {
            "sbr": 100.0,
            "oil": 7.0,
            "zinc": 3.3,
            "cure_min": 12.5,
            "press": "ram",
        }  # 7.5 would break the limit
    }


def test_one_ingredient_may_make_up_the_balance():
    region = mixture({"a": (0.1, 0.6), "b": (0.1, 0.6), "c": (0.0133, 0.0133)})
    frame = pd.DataFrame({"a": [0.512], "b": [0.4747]})
    with pytest.raises(RegionError) as caught:
        region.round(frame, 0.005)
    assert str(caught.value) == (
        "Formula 0 has no allowed formula on these steps nearby. "
        "Use a finer step, or leave an ingredient out of `step`, so that it makes up the balance."
    )
    assert_allclose(region.round(frame, {"a": 0.005}), [[0.51, 0.4767, 0.0133]], atol=1e-12)
    with pytest.raises(RegionError) as caught:
        region.round(frame, {"c": 0.1})
    assert str(caught.value) == "The step of 'c' is 0.1; give steps above 0, for ['a', 'b']."
    with pytest.raises(RegionError) as caught:
        region.round(frame, 0.0)
    assert str(caught.value) == "The step of 'a' is 0.0; give steps above 0, for ['a', 'b']."


# ---- eyes -----------------------------------------------------------------------------------------------


def test_html():
    page = FLARE._repr_html_()
    assert "8 vertices, dimension 3. The limits narrow 2 of 4 ranges." in page and "sodium" in page
    flat = phr(
        {"oil": (5, 15), "chalk": (50, 90)}, "oil + chalk >= 80", "2 oil + 2 chalk <= 160"
    )._repr_html_()
    assert (
        "<p>oil + chalk &gt;= 80 is always met with nothing to spare: 2 oil + 2 chalk &lt;= 160</p>" in flat
    )
    empty = phr({"oil": (5, 15)}, "oil >= 20")._repr_html_()
    assert "cannot hold together: oil at most 15; oil &gt;= 20" in empty
    evil = Region.from_brief(
        Brief(ingredient=[RUBBER, ingredient("oil", 5, 15, label="<script>")])
    )._repr_html_()
    assert "<script" not in evil and "&lt;script&gt;" in evil
