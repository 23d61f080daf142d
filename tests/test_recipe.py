import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pandas.testing import assert_frame_equal, assert_series_equal

from formlab import recipe
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
    assert_allclose(100 * recipe.mass_fractions(CONTROL), mass, atol=5e-4)
    volume = [106.3830, 27.7778, 0.5357, 0.8454, 1.1765, 0.7752]
    assert_allclose(recipe.volumes(CONTROL, CONTROL_DENSITY), volume, atol=5e-5)
    share = [77.3731, 20.2030, 0.3896, 0.6149, 0.8557, 0.5638]
    assert_allclose(100 * recipe.volume_fractions(CONTROL, CONTROL_DENSITY), share, atol=6e-5)
    assert_allclose(recipe.density(CONTROL, CONTROL_DENSITY), 1.14005, atol=5e-6)


def test_eraser_recipe():
    assert_allclose(recipe.volumes(PHR, DENSITY).sum(), 327.313664, atol=5e-7)
    assert_allclose(recipe.density(PHR, DENSITY), 1.445097, atol=5e-7)
    assert_allclose(recipe.cost_per_kg(PHR, PRICE), 1.271564, atol=5e-7)
    assert_allclose(recipe.cost_per_litre(PHR, DENSITY, PRICE), 1.837534, atol=5e-7)
    piece = recipe.cost_per_piece(PHR, DENSITY, PRICE, 9.0, 0.08)
    assert_allclose(piece, 1.837534 * 0.009 * 1.08, rtol=1e-6)


def test_specific_gravity_of_a_filled_plastic():
    # Worked example of a trade design note on the specific gravity of a composite: 1.49.
    parts = pd.Series({"glass": 30.0, "clay": 15.0, "resin": 55.0})
    gravity = {"glass": 2.54, "clay": 2.15, "resin": 1.14}
    assert_allclose(recipe.density(parts, gravity), 1.49, atol=0.005)
    assert_allclose(recipe.volumes(parts, gravity), [11.81, 6.98, 48.25], atol=0.005)


def test_table_gives_each_formula_its_own_answer():
    table = pd.DataFrame({"sbr": [100, 94], "chalk": [150, 271]}, index=["T1", "T2"])
    expected = pd.Series([250 / (100 / 0.94 + 150 / 2.71), 365 / 200], index=["T1", "T2"])
    assert_series_equal(recipe.density(table, DENSITY), expected)
    assert_frame_equal(
        recipe.volume_fractions(table, DENSITY).loc[["T2"]],
        pd.DataFrame({"sbr": [0.5], "chalk": [0.5]}, index=["T2"]),
    )


# ---- what materials contain (common practice, no source; arithmetic closed) ----

S80 = {"s80": {"sulfur": 0.8, "carrier": 0.2}}
OILED = {"oe_sbr": {"sbr": 100 / 137.5, "oil": 37.5 / 137.5}}


def test_masterbatch_keeps_its_carrier():
    batch = recipe.as_substances(pd.Series({"sbr": 100.0, "s80": 2.5}), S80)
    assert batch.to_dict() == pytest.approx({"sbr": 100, "sulfur": 2.0, "s80_carrier": 0.5})
    back = recipe.as_materials(pd.Series({"sbr": 100.0, "sulfur": 2.0}), S80)
    assert back.to_dict() == pytest.approx({"sbr": 100, "s80": 2.5})


def test_carrier_that_is_an_ingredient_counts_with_it():
    shares = {"s80": {"sulfur": 0.8, "sbr": 0.2}}
    batch = recipe.as_substances(pd.Series({"sbr": 99.5, "s80": 2.5}), shares)
    assert batch.to_dict() == pytest.approx({"sbr": 100.0, "sulfur": 2.0})
    assert recipe.as_materials(batch, shares).to_dict() == pytest.approx({"sbr": 99.5, "s80": 2.5})


def test_oil_extended_rubber():
    batch = recipe.as_substances(pd.Series({"oe_sbr": 137.5, "oil": 12.5}), OILED)
    assert batch.to_dict() == pytest.approx({"sbr": 100, "oil": 50})
    rubber = pd.Series({"sbr": 100.0, "oil": 37.5})
    assert_allclose(recipe.density(rubber, {"sbr": 0.94, "oil": 0.92}), 0.9345, atol=5e-5)
    assert recipe.as_materials(rubber, OILED).to_dict() == pytest.approx({"oe_sbr": 137.5})


def test_moist_filler_loses_its_water():
    moist = {"silica": {"silica": 0.94, "water": 0.06}}
    assert recipe.as_substances(pd.Series({"silica": 50.0}), moist).to_dict() == pytest.approx(
        {"silica": 47.0}
    )
    assert recipe.as_materials(pd.Series({"silica": 47.0}), moist).to_dict() == pytest.approx(
        {"silica": 50.0}
    )


def test_total_sulfur_counts_factice_and_masterbatch():
    weighed = pd.Series({"sbr": 100.0, "factice": 120.0, "s80": 5.0, "sulfur": 1.0})
    total = recipe.total_of(weighed, {"sulfur": 1, "s80": 0.8, "factice": 0.1})
    assert total == pytest.approx(17.0)
    contents = S80 | {"factice": {"factice": 0.9, "sulfur": 0.1}}
    batch = recipe.as_substances(weighed, contents)
    assert batch["sulfur"] == pytest.approx(total)
    assert recipe.as_materials(batch, contents).to_dict() == pytest.approx(weighed.to_dict())


@given(AMOUNTS, st.floats(0.05, 0.95), st.floats(0.05, 0.95))
def test_materials_and_substances_round_trip(weighed, active, oil):
    contents = {
        "b": {"sulfur": active, "carrier": 1 - active},
        "c": {"rubber": 1 - oil, "d": oil},
        "e": {"e": active, "water": 1 - active},
    }
    table = pd.DataFrame([weighed, weighed[::-1].set_axis(NAMES)], index=["x", "y"])
    batch = recipe.as_substances(table, contents)
    lost = table["e"] * (1 - active)
    assert_allclose(batch.sum(axis=1), table.sum(axis=1) - lost, rtol=1e-9)
    assert_frame_equal(recipe.as_materials(batch, contents)[NAMES], table, rtol=1e-6)


# ---- invariants ----


@given(AMOUNTS, PROPERTY, PROPERTY, SIZE)
def test_unit_of_the_amounts_does_not_matter(amounts, densities, prices, factor):
    other = factor * amounts
    assert_allclose(recipe.mass_fractions(other), recipe.mass_fractions(amounts), rtol=1e-9)
    assert_allclose(
        recipe.volume_fractions(other, densities), recipe.volume_fractions(amounts, densities), rtol=1e-9
    )
    assert recipe.density(other, densities) == pytest.approx(recipe.density(amounts, densities))
    assert recipe.cost_per_kg(other, prices) == pytest.approx(recipe.cost_per_kg(amounts, prices))


@given(AMOUNTS, PROPERTY, st.permutations(NAMES))
def test_order_of_lines_does_not_matter(amounts, densities, order):
    mixed = amounts[order]
    assert_series_equal(
        recipe.volume_fractions(mixed, densities)[NAMES], recipe.volume_fractions(amounts, densities)
    )
    assert list(recipe.mass_fractions(mixed).index) == order
    assert recipe.density(mixed, densities) == pytest.approx(recipe.density(amounts, densities))


@given(AMOUNTS, PROPERTY)
def test_shares_sum_to_one_and_density_lies_between(amounts, densities):
    assert recipe.mass_fractions(amounts).sum() == pytest.approx(1)
    assert recipe.volume_fractions(amounts, densities).sum() == pytest.approx(1)
    low, high = min(densities.values()), max(densities.values())
    assert low * (1 - 1e-9) <= recipe.density(amounts, densities) <= high * (1 + 1e-9)
    mean = sum(recipe.mass_fractions(amounts)[n] * densities[n] for n in NAMES)
    assert recipe.density(amounts, densities) <= mean * (
        1 + 1e-9
    )  # harmonic mean is never above the plain one


@given(AMOUNTS, PROPERTY)
def test_volume_fractions_round_trip(amounts, densities):
    back = recipe.from_volume_fractions(recipe.volume_fractions(amounts, densities), densities)
    assert_series_equal(recipe.mass_fractions(back), recipe.mass_fractions(amounts))
    assert back.sum() == pytest.approx(recipe.density(amounts, densities))  # g per cm3


@given(AMOUNTS, SIZE)
def test_phr_round_trip(amounts, total):
    phr = recipe.to_phr(amounts, ["a", "c"])
    assert phr["a"] + phr["c"] == pytest.approx(100)
    assert_series_equal(recipe.from_phr(phr, amounts.sum()), amounts)
    assert recipe.from_phr(phr, total).sum() == pytest.approx(total)


def test_each_formula_may_have_its_own_total():
    table = pd.DataFrame({"sbr": [100.0, 100.0], "chalk": [100.0, 300.0]}, index=["x", "y"])
    scaled = recipe.from_phr(table, pd.Series({"y": 8.0, "x": 1.0}))
    assert_frame_equal(scaled, pd.DataFrame({"sbr": [0.5, 2.0], "chalk": [0.5, 6.0]}, index=["x", "y"]))


@pytest.mark.parametrize("as_kind", [lambda s: s, lambda s: s.to_frame("T1").T])
def test_input_is_kept_and_labels_return(as_kind):
    given_ = as_kind(PHR)
    copy = given_.copy()
    for answer in (
        recipe.mass_fractions(given_),
        recipe.volumes(given_, DENSITY),
        recipe.to_phr(given_, ["sbr"]),
        recipe.move(given_, "chalk", 140.0, by="pumice", densities=DENSITY),
    ):
        assert answer.axes[-1].equals(given_.axes[-1]) and answer.axes[0].equals(given_.axes[0])
        assert answer is not given_
    assert given_.equals(copy)
    assert recipe.mass_fractions(PHR.rename("today")).name == "today"


# ---- weigh-up ----


def test_weigh_up_for_kg():
    card = recipe.weigh_up(
        PHR, batch_kg=12, resolution_g={**dict.fromkeys(PHR.index, 5.0), "dpg": 0.1, "mbts": 0.1}
    )
    assert list(card.columns) == [
        "ingredient", "amount", "planned_g", "weighed_g",
        "rounding_error_percent", "resolution_g", "within_limit",
    ]  # fmt: skip
    assert list(card["ingredient"]) == list(PHR.index)
    line = card.set_index("ingredient").loc["zinc_oxide"]
    assert_allclose(line["planned_g"], 12000 * 5 / 473, rtol=1e-12)
    assert line["weighed_g"] == 125.0
    assert_allclose(line["rounding_error_percent"], 100 * (125 * 473 / 60000 - 1), rtol=1e-9)
    assert not line["within_limit"]
    assert card.set_index("ingredient")["within_limit"]["sbr"]


def test_weigh_up_for_litres_is_volume_times_density():
    card = recipe.weigh_up(PHR, litres=2.0, densities=DENSITY, resolution_g=0.01)
    assert_allclose(card["planned_g"].sum(), 2890.194, atol=5e-4)


@given(AMOUNTS, st.floats(1, 50), st.sampled_from([0.001, 0.01, 0.1]))
def test_weigh_up_is_within_half_a_step(amounts, size, step):
    card = recipe.weigh_up(amounts + 1, batch_kg=size, resolution_g=step)
    assert card["planned_g"].sum() == pytest.approx(1000 * size)
    assert ((card["weighed_g"] - card["planned_g"]).abs() <= step / 2 * (1 + 1e-6)).all()
    assert_allclose(
        card["weighed_g"],
        card["planned_g"] * (1 + card["rounding_error_percent"] / 100),
        rtol=1e-9,
        atol=1e-9,
    )


def test_line_at_zero_stays_on_the_card():
    card = recipe.weigh_up(pd.Series({"sbr": 100.0, "chalk": 0.0}), batch_kg=1)
    assert card["weighed_g"].tolist() == [1000.0, 0.0]
    assert card["rounding_error_percent"].tolist() == [0.0, 0.0]


def test_amount_that_rounds_to_nothing():
    with pytest.raises(RecipeError) as caught:
        recipe.weigh_up(pd.Series({"sbr": 100.0, "dpg": 0.05}), batch_kg=0.5)
    assert str(caught.value) == (
        "1 problem:\n  dpg: '0.2499 g'. Expected 0.5 g or more. "
        "Make a larger batch, use a finer scale or weigh it as a masterbatch."
    )


# ---- moves and swaps ----


@given(AMOUNTS, PROPERTY, PROPERTY, st.sampled_from(["volume", "mass", "density", "cost", "cost_per_litre"]),
       st.floats(-0.2, 0.2))  # fmt: skip
def test_move_holds_what_it_says(amounts, densities, prices, hold, step):
    figure = {
        "volume": lambda f: recipe.volumes(f, densities).sum(),
        "mass": lambda f: f.sum(),
        "density": lambda f: recipe.density(f, densities),
        "cost": lambda f: recipe.cost_per_kg(f, prices),
        "cost_per_litre": lambda f: recipe.cost_per_litre(f, densities, prices),
    }[hold]
    to = float(amounts["b"]) * (1 + step)
    try:
        moved = recipe.move(amounts, "b", to, by="d", hold=hold, densities=densities, prices=prices)
    except RecipeError:
        return  # out of reach, or `d` has no say in it: both have their own test
    assert moved["b"] == to
    assert figure(moved) == pytest.approx(figure(amounts), rel=1e-6)
    assert_series_equal(moved[["a", "c", "e"]], amounts[["a", "c", "e"]])


def test_move_at_constant_volume_by_hand():
    moved = recipe.move(PHR, "pumice", 80.0, by="chalk", hold="volume", densities=DENSITY)
    assert_allclose(moved["chalk"], 150 - 20 * 2.71 / 2.35, rtol=1e-12)


def test_move_of_a_table_is_row_by_row():
    table = pd.DataFrame([PHR, 2 * PHR], index=["x", "y"])
    moved = recipe.move(table, "oil", 30.0, by="factice", hold="density", densities=DENSITY)
    for label in table.index:
        alone = recipe.move(table.loc[label], "oil", 30.0, by="factice", hold="density", densities=DENSITY)
        assert_series_equal(moved.loc[label], alone)


def test_move_out_of_reach_names_how_far_it_goes():
    with pytest.raises(RecipeError) as caught:
        recipe.move(PHR, "chalk", 400.0, by="pumice", hold="mass")
    assert str(caught.value) == (
        "'chalk' at 400 would need 'pumice' below 0 to hold the mass. "
        "With 'pumice' at 0 it reaches 210; stop there."
    )
    at_the_end = recipe.move(PHR, "chalk", 210.0, by="pumice", hold="mass")
    assert at_the_end["pumice"] == 0


def test_swap_by_volume_keeps_the_volume_and_shows_costs():
    view = recipe.swap(
        PHR, "chalk", "pumice", 50.0, by="volume", densities=DENSITY, prices=PRICE, piece_cm3=9.0
    )
    assert list(view.index[-4:]) == ["density_g_cm3", "cost_per_kg", "cost_per_litre", "cost_per_piece"]
    after = view.loc[PHR.index, "after"]
    assert_allclose(recipe.volumes(after, DENSITY).sum(), 327.313664, atol=5e-7)
    assert_allclose(after["pumice"], 60 + 50 * 2.35 / 2.71, rtol=1e-12)
    assert_allclose(view.loc["cost_per_litre", "before"], 1.837534, atol=5e-7)
    assert_allclose(
        view.loc["cost_per_piece", "after"], recipe.cost_per_piece(after, DENSITY, PRICE, 9.0), rtol=1e-12
    )
    assert_allclose(view["change"], view["after"] - view["before"], rtol=1e-12)


def test_swap_of_a_rubber_by_phr_and_by_mass():
    kinds = {
        by: recipe.swap(PHR, "sbr", "nr", 20.0, by=by, densities={**DENSITY, "nr": 0.92}, rubbers=["sbr"])[
            "after"
        ]
        for by in ("phr", "mass")
    }
    assert kinds["mass"][PHR.index].sum() + kinds["mass"]["nr"] == pytest.approx(473)
    assert kinds["phr"]["sbr"] == pytest.approx(100)
    assert kinds["phr"]["nr"] == pytest.approx(25)
    assert kinds["phr"]["chalk"] == pytest.approx(150 / 0.8)


# ---- bad input ----


def test_bad_amounts_are_all_named():
    table = pd.DataFrame({"sbr": [100.0, np.nan], "sulfur": [2.0, -2.0]}, index=["T06", "T07"])
    with pytest.raises(RecipeError) as caught:
        recipe.mass_fractions(table)
    assert str(caught.value) == (
        "2 problems:\n"
        "  formula 'T07', 'sbr': nan. Expected a finite amount, not negative. "
        "Write 0 to leave an ingredient out.\n"
        "  formula 'T07', 'sulfur': -2.0. Expected a finite amount, not negative. "
        "Write 0 to leave an ingredient out."
    )


BAD = {
    "text": (
        lambda: recipe.mass_fractions(pd.Series({"sbr": 100, "oil": "some"})),
        "1 problem:\n  'oil': 'some'. Expected a finite amount, not negative. "
        "Write 0 to leave an ingredient out.",
    ),
    "empty": (
        lambda: recipe.density(pd.DataFrame({"sbr": [1.0, 0.0]}, index=["x", "y"]), {"sbr": 1}),
        "Formula 'y' sums to 0. Give at least one amount above 0.",
    ),
    "a mapping": (
        lambda: recipe.mass_fractions({"sbr": 1}),
        "A formula is a Series or a DataFrame, not a dict.",
    ),
    "twice": (
        lambda: recipe.mass_fractions(pd.Series([1, 2], index=["oil", "oil"])),
        "Ingredients ['oil'] stand twice in the formula. Give each one line.",
    ),
    "density": (
        lambda: recipe.density(pd.Series({"sbr": 100.0, "oil": 20.0, "clay": 2.0}), {"sbr": 0.94, "oil": 0}),
        "2 problems:\n  density of 'oil': 0. Expected a density above 0 in g/cm3.\n"
        "  density of 'clay': Expected a density above 0 in g/cm3.",
    ),
    "price": (
        lambda: recipe.cost_per_kg(pd.Series({"sbr": 100.0}), {"sbr": -1}),
        "1 problem:\n  price of 'sbr': -1. Expected a price of 0 or more in currency/kg.",
    ),
    "piece": (
        lambda: recipe.cost_per_piece(PHR, DENSITY, PRICE, 0, -1),
        "2 problems:\n  volume_cm3: 0. Expected a volume above 0 cm3.\n"
        "  loss_fraction: -1. Expected a fraction, 0 or more.",
    ),
    "no rubber": (
        lambda: recipe.to_phr(pd.Series({"sbr": 0.0, "chalk": 2.0}, name="T3"), ["sbr"]),
        "Formula 'T3' has no rubber (sbr sum to 0). phr needs rubber; keep such a blend in fractions.",
    ),
    "unknown rubber": (
        lambda: recipe.to_phr(pd.Series({"sbr": 1.0}), ["nr"]),
        "The rubber lines given are ['nr'], the formula has ['sbr']. "
        "Name at least one of its ingredients; a blend without a rubber has no phr: keep it in fractions.",
    ),
    "total": (
        lambda: recipe.from_phr(PHR, 0.0),
        "1 problem:\n  total: 0.0. Expected a total above 0.",
    ),
    "contents": (
        lambda: recipe.as_substances(PHR, {"sulfur": {"sulfur": 0.8}}),
        "1 problem:\n  contains of 'sulfur': {'sulfur': 0.8}. "
        "Expected mass fractions of 0 or more that sum to 1.",
    ),
    "overdrawn": (
        lambda: recipe.as_materials(pd.Series({"sbr": 100.0, "oil": 20.0}), OILED),
        "The materials bring more than the formula asks for: 'oil'. "
        "Ask for more of it, or take less of the material that brings it.",
    ),
    "rivals": (
        lambda: recipe.as_materials(
            pd.Series({"sulfur": 2.0}), S80 | {"s50": {"sulfur": 0.5, "carrier": 0.5}}
        ),
        "'sulfur' comes with ['s80', 's50'], so it does not say how much of each to weigh. "
        "Give the carrier of each as a column, or keep one of them.",
    ),
    "undecided": (
        lambda: recipe.as_materials(pd.Series({"sbr": 100.0}), S80),
        "Nothing says how much 's80' to weigh; the formula has no 'sulfur' or 's80_carrier'.",
    ),
    "shares": (
        lambda: recipe.total_of(PHR, {"factis": 0.1, "sulfur": 100}),
        "2 problems:\n  share of 'factis': Expected one of the ingredients "
        f"{list(PHR.index)}.\n  share of 'sulfur': 100. Expected a mass fraction, 0 to 1.",
    ),
    "two sizes": (
        lambda: recipe.weigh_up(PHR, batch_kg=1, litres=1),
        "Here batch_kg = 1 and litres = 1. Give exactly one of the two.",
    ),
    "litres": (
        lambda: recipe.weigh_up(PHR, litres=1),
        "A batch in litres needs densities in g/cm3. Give them, or give batch_kg.",
    ),
    "itself": (
        lambda: recipe.move(PHR, "oil", 1.0, by="oil"),
        "'oil' cannot make up for itself. Name another ingredient in `by`.",
    ),
    "unknown lines": (
        lambda: recipe.move(pd.Series({"sbr": 1.0}), "oil", 1.0, by="wax"),
        "2 problems:\n  ingredient: 'oil'. Expected one of ['sbr'].\n  by: 'wax'. Expected one of ['sbr'].",
    ),
    "no say": (
        lambda: recipe.move(
            pd.Series({"a": 1.0, "b": 1.0}), "a", 2.0, by="b", hold="cost", prices={"a": 1, "b": 1}
        ),
        "'b' does not change the cost here. Make up with another ingredient.",
    ),
    "needs": (
        lambda: recipe.move(PHR, "oil", 1.0, by="chalk", hold="cost_per_litre"),
        "Holding the cost_per_litre needs densities and prices. Give them by ingredient.",
    ),
    "hold": (
        lambda: recipe.move(PHR, "oil", 1.0, by="chalk", hold="colour"),
        "1 problem:\n  hold: 'colour'. Expected one of volume, mass, density, cost, cost_per_litre.",
    ),
    "swap": (
        lambda: recipe.swap(PHR, "oil", "chalk", 30.0, densities=DENSITY),
        "A swap takes 30 of 'oil' for 'chalk'; the formula has 20 of 'oil'. "
        "Take no more than it has, and exchange it for another ingredient.",
    ),
    "swap by": (
        lambda: recipe.swap(PHR, "oil", "chalk", 3.0, by="cost", densities=DENSITY),
        "1 problem:\n  by: 'cost'. Expected phr, mass or volume.",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_full_message(case):
    call, message = BAD[case]
    with pytest.raises(RecipeError) as caught:
        call()
    assert str(caught.value) == message
