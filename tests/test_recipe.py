import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pandas.testing import assert_frame_equal, assert_series_equal

from formlab import recipe
from formlab.errors import RecipeError
from tests.test_amounts import AMOUNTS, DENSITY, NAMES, PHR, PRICE, PROPERTY

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

BAD = {
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
        "Nothing says how much 's80' to weigh; the formula has no 'sulfur' or 's80_carrier'. Add it.",
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
