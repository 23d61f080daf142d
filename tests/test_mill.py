import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab import mill, recipe
from formlab.errors import FormlabError, RecipeError

# The SBR control recipe of ISO 2302 (densities from memory) and an invented eraser recipe of 473 phr.
CONTROL = pd.Series({"sbr": 100, "black": 50, "zinc_oxide": 3, "sulfur": 1.75, "stearic": 1, "tbbs": 1})
CONTROL_DENSITY = {
    "sbr": 0.94,
    "black": 1.8,
    "zinc_oxide": 5.6,
    "sulfur": 2.07,
    "stearic": 0.85,
    "tbbs": 1.29,
}
CONTROL_ROLES = {
    "sbr": "rubber", "black": "filler", "zinc_oxide": "activator", "sulfur": "curing agent",
    "stearic": "activator", "tbbs": "accelerator",
}  # fmt: skip
ERASER = pd.Series({"sbr": 100, "factice": 120, "chalk": 150, "pumice": 60, "titanium": 10, "oil": 20,
                    "zinc_oxide": 5, "stearic": 2, "sulfur": 4, "mbts": 1.5, "dpg": 0.5})  # fmt: skip
ERASER_DENSITY = dict(zip(ERASER.index, [0.94, 1.1, 2.71, 2.35, 4.2, 0.91, 5.6, 0.85, 2.07, 1.5, 1.19]))


# ---- batch size ----


def test_band_form_on_a_laboratory_and_a_production_mill():
    # Roll sizes of ASTM D3182 and of a factory mill; recomputed. The bank factor is common practice, no source.
    assert_allclose(mill.band_batch_litres(152, 265, 1.9, bank=1), 0.240, atol=5e-4)
    assert_allclose(mill.band_batch_litres(152, 265, 1.9, bank=2.3), 0.553, atol=1e-3)
    assert_allclose(mill.band_batch_litres(560, 1520, 7, bank=1), 18.7, atol=0.05)
    assert_allclose(mill.band_batch_litres(560, 1520, 7), 47, atol=0.5)


def test_large_mill_rule_and_a_published_mill():
    # Rule of machinery textbooks, from memory; a published 0.5 m x 1.5 m mill takes 60 to 70 kg batches.
    low, high = mill.large_mill_litres(500, 1500)
    assert_allclose([low, high], [48.8, 63.8], atol=0.06)
    assert low < 60 / 1.17 < 70 / 1.17 < high


def test_large_mill_rule_is_refused_on_small_rolls():
    with pytest.raises(FormlabError) as caught:
        mill.large_mill_litres(152, 265)
    assert str(caught.value) == (
        "Rolls of 152 mm are too small for the large-mill rule (400 mm and up). "
        "Use band_batch_litres with the thickness of the band."
    )


def test_four_times_the_recipe_fits_for_the_control_recipe():
    # ISO 2393: four times the recipe mass in g.
    batch = mill.lab_batch(CONTROL, CONTROL_DENSITY, rubbers=["sbr"])
    assert_allclose(batch.litres, 0.55, atol=5e-5)
    assert_allclose([batch.times, batch.mass_g], [4.0, 627.0], rtol=1e-4)
    fits = mill.lab_batch(CONTROL, CONTROL_DENSITY, rubbers=["sbr"], room_litres=0.6)
    assert fits == (
        4.0,
        627.0,
        batch.litres,
        "Four times the recipe makes 0.55 l and fits the 0.6 l of the mill.",
    )


def test_four_times_an_eraser_recipe_does_not_fit():
    batch = mill.lab_batch(2 * ERASER, ERASER_DENSITY, rubbers=["sbr"])
    assert batch.litres == pytest.approx(0.55)
    assert_allclose(batch.mass_g, 550 * 1.445097, rtol=1e-6)
    assert_allclose(batch.times, 4 * 0.55 / 1.309255, rtol=1e-6)
    assert (
        batch.words
        == "Four times the recipe would make 1.31 l, the mill takes 0.55 l: 1.68 times the recipe."
    )


@given(st.floats(0.01, 2), st.floats(0.01, 100))
def test_lab_batch_never_exceeds_the_mill_or_the_rule(room, unit):
    batch = mill.lab_batch(unit * ERASER, ERASER_DENSITY, rubbers=["sbr"], room_litres=room)
    assert batch.litres <= room * (1 + 1e-9) and batch.times <= 4
    assert batch.mass_g / batch.litres == pytest.approx(1000 * recipe.density(ERASER, ERASER_DENSITY))


# ---- weighing ----


def test_tolerances_on_the_batch_they_were_written_for():
    # ISO 2393, 5.2.1: rubber 1 g, zinc oxide and stearic acid 0.1 g, curatives 0.02 g, all others 1 %.
    card = mill.weighing_tolerances(4 * CONTROL, CONTROL_ROLES).set_index("ingredient")
    assert card["tolerance_g"].to_dict() == pytest.approx(
        {"sbr": 1.0, "black": 2.0, "zinc_oxide": 0.1, "sulfur": 0.02, "stearic": 0.1, "tbbs": 0.02}
    )
    assert list(card.columns) == ["role", "planned_g", "tolerance_g"]


def test_oil_takes_the_tighter_of_its_two_tolerances():
    rest = pd.Series({"sbr": 577.0, "oil": 50.0})
    tolerance = mill.weighing_tolerances(rest, {"sbr": "rubber", "oil": "oil"})["tolerance_g"]
    assert tolerance.tolist() == pytest.approx([1.0, 0.5])
    much = pd.Series({"sbr": 427.0, "oil": 200.0})
    assert mill.weighing_tolerances(much, {"sbr": "rubber", "oil": "oil"})["tolerance_g"].tolist() == [
        1.0,
        1.0,
    ]


@given(st.floats(0.1, 100))
def test_tolerances_scale_with_the_batch(size):
    roles = {**dict.fromkeys(ERASER.index, "other"), **CONTROL_ROLES, "oil": "oil"}
    one, other = (mill.weighing_tolerances(k * ERASER, roles)["tolerance_g"] for k in (1.0, size))
    assert_allclose(other, size * one, rtol=1e-9)


# ---- order of addition ----


def order(**steps):
    kinds = {
        "sbr": ("rubber", ""), "factice": ("factice", "White factice"), "chalk": ("filler", ""), "oil": ("oil", ""),
        "pumice": ("abrasive", ""), "sulfur": ("curing agent", ""), "mbts": ("accelerator", ""),
        "dpg": ("accelerator", "Diphenylguanidine"), "brown": ("factice", "Brown factice"),
    }  # fmt: skip
    rows = [(name, *kinds[name], step) for name, step in steps.items()]
    return pd.DataFrame(rows, columns=["name", "role", "label", "order"])


OIL = "'oil' goes in without a filler beside it. Oil alone slips the band: add it in turn with filler."
TOGETHER = "'sulfur' and 'mbts' go in together. Keep them apart while the stock is hot: one early, or the last one cool."
ACID = (
    "'factice' is acidic and goes in next to 'dpg', which is basic. "
    "Keep them apart or buffer with magnesia or chalk."
)
HOT = (
    "Curing agent and accelerator are both in before 'chalk'. Working these in heats a stock that can scorch: "
    "hold the sulfur or the accelerator back to the end."
)


@pytest.mark.parametrize(
    "steps, said",
    [
        ({"sbr": 1, "mbts": 2, "factice": 3, "chalk": 4, "oil": 5, "pumice": 6, "sulfur": 7}, []),
        ({"sbr": 10, "chalk": 20, "factice": 30, "oil": 40}, [OIL]),
        ({"sbr": 1, "chalk": 2, "oil": 2}, []),
        ({"sbr": 1, "factice": 2, "oil": 3}, []),  # no filler to pair it with
        ({"sbr": 1, "chalk": 2, "sulfur": 3, "mbts": 3}, [TOGETHER]),
        ({"sbr": 1, "factice": 2, "dpg": 3, "chalk": 4}, [ACID]),
        ({"sbr": 1, "dpg": 2, "chalk": 3, "factice": 4}, []),
        ({"sbr": 1, "brown": 2, "dpg": 3}, []),
        ({"sbr": 1, "sulfur": 2, "mbts": 3, "chalk": 4}, [HOT]),
        ({"sbr": 1, "sulfur": 2, "chalk": 3}, []),  # nothing to scorch with yet
    ],
)
def test_order_warnings(steps, said):
    lines = order(**steps)
    assert mill.order_warnings(lines) == said
    assert mill.order_warnings(lines[::-1].assign(order=10 * lines["order"] + 5)) == said


def test_the_site_may_bring_its_own_rules():
    assert mill.order_warnings(order(sbr=1, chalk=2, factice=3, oil=4), rules=()) == []


# ---- regrind ----


@pytest.mark.parametrize(
    "fraction, passes, twice",
    [(0.05, 1.0526, 0.0025), (0.10, 1.1111, 0.01), (0.20, 1.25, 0.04), (0.30, 1.4286, 0.09)],
)
def test_steady_state_regrind(fraction, passes, twice):
    # Geometric series, recomputed.
    assert_allclose(mill.mean_passes(fraction), passes, atol=5e-5)
    assert_allclose(mill.share_passed(fraction, 3), twice, rtol=1e-12)
    # The mean is the sum of the shares that made at least 1, 2, 3 ... passes.
    assert_allclose(
        sum(mill.share_passed(fraction, k) for k in range(1, 80)), mill.mean_passes(fraction), rtol=1e-12
    )


def test_steady_state_is_where_batch_after_batch_ends_up():
    fraction, passes = 0.3, np.array([1.0])  # share of the batch by number of passes
    for _ in range(60):
        passes = np.concatenate([[1 - fraction], fraction * passes])
    mean = (passes * np.arange(1, len(passes) + 1)).sum()
    assert_allclose(mean, mill.mean_passes(fraction), rtol=1e-9)
    assert_allclose(passes[2:].sum(), mill.share_passed(fraction, 3), rtol=1e-9)


def test_own_regrind_does_not_change_the_composition():
    shares = mill.explode_regrind(pd.concat([ERASER, pd.Series({"own": 47.3})]), {"own": ERASER})
    assert_allclose(recipe.mass_fractions(shares), recipe.mass_fractions(ERASER), rtol=1e-12)
    circular = pd.concat([ERASER, pd.Series({"own": 50.0})])
    again = mill.explode_regrind(circular, {"own": circular})
    assert_allclose(recipe.mass_fractions(again), recipe.mass_fractions(ERASER), rtol=1e-12)


@given(st.lists(st.floats(0, 50), min_size=4, max_size=4), st.floats(0.1, 100))
def test_exploding_keeps_the_mass_and_takes_any_order(amounts, unit):
    table = pd.DataFrame([amounts, amounts[::-1]], columns=["sbr", "chalk", "red", "blue"]) + 1
    parents = {
        "red": unit * pd.Series({"sbr": 50.0, "oxide": 5.0, "blue": 5.0}),
        "blue": pd.Series({"sbr": 40.0, "chalk": 10.0}),
    }
    found = mill.explode_regrind(table, parents)
    assert set(found.columns) == {"sbr", "chalk", "oxide"}
    assert_allclose(found.sum(axis=1), table.sum(axis=1), rtol=1e-9)
    assert_allclose(found["oxide"], table["red"] * 5 / 60, rtol=1e-9)
    other = mill.explode_regrind(table, dict(reversed(parents.items())))
    assert_allclose(other[found.columns], found, rtol=1e-9)
    assert list(table.columns) == ["sbr", "chalk", "red", "blue"]


# ---- bad input ----

BAD = {
    "rolls": (
        lambda: mill.band_batch_litres(0, 265, -1),
        "2 problems:\n  diameter_mm: 0. Expected a number above 0.\n  band_mm: -1. Expected a number above 0.",
    ),
    "role": (
        lambda: mill.weighing_tolerances(CONTROL, {"sbr": "rubber"}),
        "No role is given for ['black', 'zinc_oxide', 'sulfur', 'stearic', 'tbbs']. Name one for each ingredient.",
    ),
    "columns": (
        lambda: mill.order_warnings(pd.DataFrame({"name": ["sbr"], "order": [1]})),
        "The order of addition lacks ['role', 'label']; add them. It has ['name', 'order'].",
    ),
    "fraction": (
        lambda: mill.mean_passes(1.0),
        "regrind_fraction = 1. Give a mass fraction of the batch, 0 or more and below 1.",
    ),
    "passes": (
        lambda: mill.share_passed(0.1, 0),
        "at_least = 0. Count passes from 1, which everything has made.",
    ),
    "circle": (
        lambda: mill.explode_regrind(
            pd.Series({"sbr": 1.0, "red": 1.0}),
            {"red": pd.Series({"sbr": 1.0, "blue": 1.0}), "blue": pd.Series({"sbr": 1.0, "red": 1.0})},
        ),
        "'red' comes back through its own parent's regrind. Give one of the parents exploded.",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_full_message(case):
    call, message = BAD[case]
    with pytest.raises(FormlabError) as caught:
        call()
    assert str(caught.value) == message


def test_lab_batch_needs_its_rubber():
    with pytest.raises(RecipeError):
        mill.lab_batch(CONTROL, CONTROL_DENSITY, rubbers=["nr"])
