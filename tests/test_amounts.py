import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pandas.testing import assert_frame_equal, assert_series_equal

from formlab import amounts as fa
from formlab.errors import RecipeError

# The standard SBR control recipe: 156.75 phr in all, batch factor 0.47 (ISO 2302). Densities from memory.
CONTROL = pd.Series({"sbr": 100, "black": 50, "zinc_oxide": 3, "sulfur": 1.75, "stearic": 1, "tbbs": 1})
CONTROL_DENSITY = dict(zip(CONTROL.index, [0.94, 1.80, 5.60, 2.07, 0.85, 1.29]))

# An invented eraser recipe with invented prices; the answers were recomputed independently.
ERASER = pd.DataFrame(
    {
        "sbr": [100, 0.94, 1.90],
        "factice": [120, 1.10, 2.40],
        "chalk": [150, 2.71, 0.20],
        "pumice": [60, 2.35, 0.35],
        "titanium": [10, 4.20, 2.60],
        "oil": [20, 0.91, 1.10],
        "zinc_oxide": [5, 5.60, 2.60],
        "stearic": [2, 0.85, 1.30],
        "sulfur": [4, 2.07, 0.40],
        "mbts": [1.5, 1.50, 3.50],
        "dpg": [0.5, 1.19, 4.00],
    },
    index=["phr", "density", "price"],
)
PHR, DENSITY, PRICE = ERASER.loc["phr"].rename(None), ERASER.loc["density"], ERASER.loc["price"]

NAMES = ["a", "b", "c", "d", "e"]
AMOUNTS = st.lists(st.floats(0.01, 1000), min_size=5, max_size=5).map(lambda x: pd.Series(x, index=NAMES))
PROPERTY = st.lists(st.floats(0.5, 6), min_size=5, max_size=5).map(lambda x: dict(zip(NAMES, x)))
SIZE = st.floats(1e-3, 1e3)


# ---- published and closed-form values ----


def test_control_recipe_of_iso_2302():
    assert_allclose(CONTROL.sum(), 156.75, rtol=1e-12)
    assert_allclose(0.47 * CONTROL.sum(), 73.67, atol=0.005)  # the mass the standard prints
    mass = [63.796, 31.898, 1.914, 1.116, 0.638, 0.638]
    assert_allclose(100 * fa.mass_fractions(CONTROL), mass, atol=5e-4)
    volume = [106.3830, 27.7778, 0.5357, 0.8454, 1.1765, 0.7752]
    assert_allclose(fa.volumes(CONTROL, CONTROL_DENSITY), volume, atol=5e-5)
    share = [77.3731, 20.2030, 0.3896, 0.6149, 0.8557, 0.5638]
    assert_allclose(100 * fa.volume_fractions(CONTROL, CONTROL_DENSITY), share, atol=6e-5)
    assert_allclose(fa.density(CONTROL, CONTROL_DENSITY), 1.14005, atol=5e-6)


def test_eraser_recipe():
    assert_allclose(fa.volumes(PHR, DENSITY).sum(), 327.313664, atol=5e-7)
    assert_allclose(fa.density(PHR, DENSITY), 1.445097, atol=5e-7)
    assert_allclose(fa.cost_per_kg(PHR, PRICE), 1.271564, atol=5e-7)
    assert_allclose(fa.cost_per_litre(PHR, DENSITY, PRICE), 1.837534, atol=5e-7)
    piece = fa.cost_per_piece(PHR, DENSITY, PRICE, 9.0, 0.08)
    assert_allclose(piece, 1.837534 * 0.009 * 1.08, rtol=1e-6)


def test_specific_gravity_of_a_filled_plastic():
    # Worked example of a trade design note on the specific gravity of a composite: 1.49.
    parts = pd.Series({"glass": 30.0, "clay": 15.0, "resin": 55.0})
    gravity = {"glass": 2.54, "clay": 2.15, "resin": 1.14}
    assert_allclose(fa.density(parts, gravity), 1.49, atol=0.005)
    assert_allclose(fa.volumes(parts, gravity), [11.81, 6.98, 48.25], atol=0.005)


def test_table_gives_each_formula_its_own_answer():
    table = pd.DataFrame({"sbr": [100, 94], "chalk": [150, 271]}, index=["T1", "T2"])
    expected = pd.Series([250 / (100 / 0.94 + 150 / 2.71), 365 / 200], index=["T1", "T2"])
    assert_series_equal(fa.density(table, DENSITY), expected)
    assert_frame_equal(
        fa.volume_fractions(table, DENSITY).loc[["T2"]],
        pd.DataFrame({"sbr": [0.5], "chalk": [0.5]}, index=["T2"]),
    )


# ---- invariants ----


@given(AMOUNTS, PROPERTY, PROPERTY, SIZE)
def test_unit_of_the_amounts_does_not_matter(amounts, densities, prices, factor):
    other = factor * amounts
    assert_allclose(fa.mass_fractions(other), fa.mass_fractions(amounts), rtol=1e-9)
    assert_allclose(fa.volume_fractions(other, densities), fa.volume_fractions(amounts, densities), rtol=1e-9)
    assert fa.density(other, densities) == pytest.approx(fa.density(amounts, densities))
    assert fa.cost_per_kg(other, prices) == pytest.approx(fa.cost_per_kg(amounts, prices))


@given(AMOUNTS, PROPERTY, st.permutations(NAMES))
def test_order_of_lines_does_not_matter(amounts, densities, order):
    mixed = amounts[order]
    assert_series_equal(fa.volume_fractions(mixed, densities)[NAMES], fa.volume_fractions(amounts, densities))
    assert list(fa.mass_fractions(mixed).index) == order
    assert fa.density(mixed, densities) == pytest.approx(fa.density(amounts, densities))


@given(AMOUNTS, PROPERTY)
def test_shares_sum_to_one_and_density_lies_between(amounts, densities):
    assert fa.mass_fractions(amounts).sum() == pytest.approx(1)
    assert fa.volume_fractions(amounts, densities).sum() == pytest.approx(1)
    low, high = min(densities.values()), max(densities.values())
    assert low * (1 - 1e-9) <= fa.density(amounts, densities) <= high * (1 + 1e-9)
    mean = sum(fa.mass_fractions(amounts)[n] * densities[n] for n in NAMES)
    assert fa.density(amounts, densities) <= mean * (1 + 1e-9)  # harmonic mean is never above the plain one


@given(AMOUNTS, PROPERTY)
def test_volume_fractions_round_trip(amounts, densities):
    back = fa.from_volume_fractions(fa.volume_fractions(amounts, densities), densities)
    assert_series_equal(fa.mass_fractions(back), fa.mass_fractions(amounts))
    assert back.sum() == pytest.approx(fa.density(amounts, densities))  # g per cm3


@given(AMOUNTS, SIZE)
def test_phr_round_trip(amounts, total):
    phr = fa.to_phr(amounts, ["a", "c"])
    assert phr["a"] + phr["c"] == pytest.approx(100)
    assert_series_equal(fa.from_phr(phr, amounts.sum()), amounts)
    assert fa.from_phr(phr, total).sum() == pytest.approx(total)


def test_each_formula_may_have_its_own_total():
    table = pd.DataFrame({"sbr": [100.0, 100.0], "chalk": [100.0, 300.0]}, index=["x", "y"])
    scaled = fa.from_phr(table, pd.Series({"y": 8.0, "x": 1.0}))
    assert_frame_equal(scaled, pd.DataFrame({"sbr": [0.5, 2.0], "chalk": [0.5, 6.0]}, index=["x", "y"]))


# ---- bad input ----


def test_bad_amounts_are_all_named():
    table = pd.DataFrame({"sbr": [100.0, np.nan], "sulfur": [2.0, -2.0]}, index=["T06", "T07"])
    with pytest.raises(RecipeError) as caught:
        fa.mass_fractions(table)
    assert str(caught.value) == (
        "2 problems:\n"
        "  formula 'T07', 'sbr': nan. Expected a finite amount, not negative. "
        "Write 0 to leave an ingredient out.\n"
        "  formula 'T07', 'sulfur': -2.0. Expected a finite amount, not negative. "
        "Write 0 to leave an ingredient out."
    )


BAD = {
    "text": (
        lambda: fa.mass_fractions(pd.Series({"sbr": 100, "oil": "some"})),
        "1 problem:\n  'oil': 'some'. Expected a finite amount, not negative. "
        "Write 0 to leave an ingredient out.",
    ),
    "empty": (
        lambda: fa.density(pd.DataFrame({"sbr": [1.0, 0.0]}, index=["x", "y"]), {"sbr": 1}),
        "Formula 'y' sums to 0. Give at least one amount above 0.",
    ),
    "a mapping": (
        lambda: fa.mass_fractions({"sbr": 1}),
        "Give a formula as a Series or a DataFrame, not a dict.",
    ),
    "twice": (
        lambda: fa.mass_fractions(pd.Series([1, 2], index=["oil", "oil"])),
        "Ingredients ['oil'] stand twice in the formula. Give each one line.",
    ),
    "density": (
        lambda: fa.density(pd.Series({"sbr": 100.0, "oil": 20.0, "clay": 2.0}), {"sbr": 0.94, "oil": 0}),
        "2 problems:\n  density of 'oil': 0. Expected a density above 0 in g/cm3.\n"
        "  density of 'clay': Expected a density above 0 in g/cm3.",
    ),
    "price": (
        lambda: fa.cost_per_kg(pd.Series({"sbr": 100.0}), {"sbr": -1}),
        "1 problem:\n  price of 'sbr': -1. Expected a price of 0 or more in currency/kg.",
    ),
    "piece": (
        lambda: fa.cost_per_piece(PHR, DENSITY, PRICE, 0, -1),
        "2 problems:\n  volume_cm3: 0. Expected a volume above 0 cm3.\n"
        "  loss_fraction: -1. Expected a fraction, 0 or more.",
    ),
    "no rubber": (
        lambda: fa.to_phr(pd.Series({"sbr": 0.0, "chalk": 2.0}, name="T3"), ["sbr"]),
        "Formula 'T3' has no rubber (sbr sum to 0). phr needs rubber; keep such a blend in fractions.",
    ),
    "unknown rubber": (
        lambda: fa.to_phr(pd.Series({"sbr": 1.0}), ["nr"]),
        "The rubber lines given are ['nr'], the formula has ['sbr']. "
        "Name at least one of its ingredients; a blend without a rubber has no phr: keep it in fractions.",
    ),
    "total": (
        lambda: fa.from_phr(PHR, 0.0),
        "1 problem:\n  total: 0.0. Expected a total above 0.",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_full_message(case):
    call, message = BAD[case]
    with pytest.raises(RecipeError) as caught:
        call()
    assert str(caught.value) == message
