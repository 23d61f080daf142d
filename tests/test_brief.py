import math
import pickle

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pandas.testing import assert_frame_equal

from formlab import Brief, recipe
from formlab.errors import BriefError, RecipeError

RUBBER = {"name": "sbr", "role": "rubber", "density": 0.94, "price": 1.9}
FACTICE = {"name": "factice", "role": "factice", "low": 60, "high": 120, "density": 1.04, "price": 2.1}
CHALK = {"name": "chalk", "role": "filler", "low": 0, "high": 150, "density": 2.71, "price": 0.2}
ZINC = {"name": "zinc_oxide", "role": "activator", "low": 5, "high": 5, "density": 5.6, "price": 2.6}
CURE = {"name": "cure_min", "unit": "min", "low": 12, "high": 24, "changes": "load"}
PRESS = {"name": "press", "levels": ["ram", "steam"], "changes": "day"}
ERASURE = {"name": "erasure", "unit": "%", "at_least": 85.0, "ideal": 95.0}


def small(**more):
    parts = {
        "ingredient": [RUBBER, FACTICE, CHALK, ZINC],
        "setting": [CURE, PRESS],
        "response": [ERASURE],
        "limit": [{"expression": "factice + chalk <= 220"}],
        "current": {"factice": 90, "chalk": 100, "cure_min": 18, "press": "ram"},
        "piece": {"volume_cm3": 9.0, "loss_fraction": 0.08},
    }
    return Brief(**{**parts, **more})


def plain(**more):
    return Brief(ingredient=[RUBBER, FACTICE, CHALK], **more)


# ---- what a brief says ----------------------------------------------------------------------------------


def test_names_ranges_and_columns():
    brief = small()
    assert brief.columns == ["sbr", "factice", "chalk", "zinc_oxide", "cure_min", "press"]
    assert brief.ranges == {
        "sbr": (100.0, 100.0), "factice": (60.0, 120.0), "chalk": (0.0, 150.0), "zinc_oxide": (5.0, 5.0), "cure_min": (12.0, 24.0),
    }  # fmt: skip
    assert brief.varied == ["factice", "chalk"]
    assert brief.fixed == {"sbr": 100.0, "zinc_oxide": 5.0}
    assert brief.rubbers == ["sbr"]
    assert [brief.unit(name) for name in ("chalk", "cure_min", "erasure")] == ["phr", "min", "%"]
    assert brief.title_of("zinc_oxide") == "zinc oxide"
    assert repr(brief) == "Brief('': 2 of 4 ingredients varied, 2 settings, 1 response, amounts in phr)"


@pytest.mark.parametrize("total, unit", [(1.0, "fraction"), (100, "%"), (2.5, "parts")])
def test_unit_of_the_fraction_basis(total, unit):
    brief = Brief(
        basis="fraction",
        total=total,
        ingredient=[CHALK | {"high": total}, FACTICE | {"low": 0, "high": total}],
    )
    assert brief.unit("chalk") == unit
    (rule,) = brief.rules
    assert (rule.coefficients, rule.sense, rule.bound) == ((1.0, 1.0), "=", total)
    assert rule.text == f"all ingredients sum to {total:g}"


def test_several_rubbers_share_the_hundred():
    brief = Brief(
        ingredient=[RUBBER | {"low": 40, "high": 100}, RUBBER | {"name": "nr", "low": 0, "high": 60}, CHALK]
    )
    (rule,) = brief.rules
    assert (rule.coefficients, rule.sense, rule.bound, rule.text) == (
        (1.0, 1.0, 0.0),
        "=",
        100.0,
        "rubbers sum to 100 phr",
    )


def test_regrind_may_count_as_rubber_and_a_rubber_may_not():
    brief = Brief(
        ingredient=[
            RUBBER,
            {"name": "crumb", "role": "rubber", "low": 0, "high": 10, "counts_as_rubber": False},
            CHALK,
        ]
    )
    assert brief.rubbers == ["sbr"]


def test_limits_may_name_roles_and_settings():
    brief = plain(setting=[CURE], limit=[{"expression": "role(filler) <= 10 cure_min"}])
    assert brief.rules[0].coefficients == (0.0, 0.0, 1.0, -10.0)


def test_either_spelling_of_the_lists():
    assert Brief(ingredients=[RUBBER, CHALK]) == Brief(ingredient=[RUBBER, CHALK])
    assert Brief.model_validate({"ingredient": [RUBBER, CHALK]}) == Brief(ingredient=[RUBBER, CHALK])
    brief = small()
    assert Brief.model_validate(brief) is brief


def test_the_id_changes_with_the_content_only():
    brief = small()
    assert brief.brief_id == small().brief_id and len(brief.brief_id) == 8
    assert hash(brief) == hash(small()) and brief == small()
    changed = brief.model_copy(update={"current": {}})
    assert changed.brief_id != brief.brief_id and changed != brief
    assert changed.baseline is None and brief.baseline is not None
    assert pickle.loads(pickle.dumps(brief)) == brief
    assert brief != "brief"


def test_a_changed_copy_is_checked():
    with pytest.raises(BriefError) as caught:
        plain().model_copy(update={"total": -1.0})
    assert str(caught.value) == "1 problem:\n  total: -1.0. Expected greater than 0."


def test_a_brief_of_settings_alone():
    brief = Brief(setting=[CURE, PRESS])
    assert brief.columns == ["cure_min", "press"] and brief.rules == () and not brief.has_costs
    assert brief.complete({"cure_min": 12, "press": "ram"}).to_dict("list") == {
        "cure_min": [12.0],
        "press": ["ram"],
    }


# ---- formulas -------------------------------------------------------------------------------------------


def test_complete_fills_in_what_is_fixed_and_keeps_the_index():
    frame = pd.DataFrame(
        {"chalk": ["10", 20], "factice": [60, 70], "cure_min": 12, "press": "ram", "note": "x"},
        index=["T1", "T2"],
    )
    before = frame.copy()
    full = small().complete(frame)
    assert list(full) == small().columns and list(full.index) == ["T1", "T2"]
    assert full["sbr"].tolist() == [100.0, 100.0] and full["chalk"].tolist() == [10.0, 20.0]
    assert_frame_equal(frame, before)
    assert small().complete(full.iloc[0]).to_numpy().tolist() == full.iloc[:1].to_numpy().tolist()
    weighed = small().complete(frame.assign(zinc_oxide=4.9))
    assert weighed["zinc_oxide"].tolist() == [4.9, 4.9]


def test_an_incomplete_formula_is_named():
    with pytest.raises(BriefError) as caught:
        small().complete({"chalk": 10, "cure_min": 12})
    assert (
        str(caught.value)
        == "The formula lacks 'factice', 'press'; add a column for each. It has 'chalk', 'cure_min'."
    )
    with pytest.raises(BriefError) as caught:
        plain().amounts(pd.DataFrame(index=[0]))
    assert (
        str(caught.value) == "The formula lacks 'factice', 'chalk'; add a column for each. It has no columns."
    )
    frame = pd.DataFrame({"factice": [60.0, 70.0], "chalk": [1.0, math.nan]}, index=["T1", "T2"])
    with pytest.raises(BriefError) as caught:
        plain().complete(frame)
    assert str(caught.value) == "Formula 'T2' has 'chalk' = nan; write a number."
    with pytest.raises(BriefError) as caught:
        plain().complete({"factice": 60, "chalk": "much"})
    assert str(caught.value) == "Formula 0 has 'chalk' = 'much'; write a number."


def test_todays_formula():
    baseline = small().baseline
    assert baseline.to_dict("records") == [
        {"sbr": 100.0, "factice": 90.0, "chalk": 100.0, "zinc_oxide": 5.0, "cure_min": 18.0, "press": "ram"}
    ]
    assert plain(current={"factice": 90}).baseline["chalk"].tolist() == [0.0]
    assert plain().baseline is None


def test_costs_and_density_are_those_of_the_recipe():
    brief = small()
    frame = brief.baseline
    amounts = pd.Series({"sbr": 100.0, "factice": 90.0, "chalk": 100.0, "zinc_oxide": 5.0})
    rho = {"sbr": 0.94, "factice": 1.04, "chalk": 2.71, "zinc_oxide": 5.6}
    price = {"sbr": 1.9, "factice": 2.1, "chalk": 0.2, "zinc_oxide": 2.6}
    assert_allclose(brief.density(frame), recipe.density(amounts, rho), rtol=1e-14)
    assert_allclose(brief.costs(frame)["per_kg"], recipe.cost_per_kg(amounts, price), rtol=1e-14)
    assert_allclose(brief.costs(frame)["per_litre"], recipe.cost_per_litre(amounts, rho, price), rtol=1e-14)
    assert_allclose(
        brief.costs(frame)["per_piece"], brief.costs(frame)["per_litre"] * 9e-3 * 1.08, rtol=1e-14
    )
    dearer = brief.costs(frame, prices={"factice": 3.1})
    assert_allclose(dearer["per_kg"] - brief.costs(frame)["per_kg"], 90 / 295, rtol=1e-12)
    assert list(brief.costs(frame.drop(columns=["cure_min", "press"]))) == [
        "per_kg",
        "per_litre",
        "per_piece",
    ]


def test_a_missing_density_or_price_is_named_and_may_be_given():
    brief = Brief(
        ingredient=[
            {"name": "sbr", "role": "rubber", "density": 1.0},
            {"name": "oil", "low": 1, "high": 2, "price": 1.0},
        ]
    )
    with pytest.raises(BriefError) as caught:
        brief.density(pd.DataFrame({"oil": [1.0]}))
    assert (
        str(caught.value)
        == "1 problem:\n  ingredient 'oil', density: Expected a density, needed for cost or volume."
    )
    with pytest.raises(BriefError) as caught:
        brief.numbers("price")
    assert (
        str(caught.value)
        == "1 problem:\n  ingredient 'sbr', price: Expected a price, needed for cost or volume."
    )
    assert brief.numbers("price", {"sbr": 2.0}).to_dict() == {"sbr": 2.0, "oil": 1.0}
    with pytest.raises(
        BriefError, match=r"price of 'sbrr': it is no ingredient .* choose among \['sbr', 'oil'\]"
    ):
        brief.numbers("price", {"sbrr": 2.0})
    with pytest.raises(BriefError, match="price of 'sbr' = nan; give a number from 0 up"):
        brief.numbers("price", {"sbr": float("nan")})
    assert not brief.has_costs and small().has_costs


def test_phr_from_fractions():
    brief = Brief(
        basis="fraction", ingredient=[RUBBER | {"low": 0.2, "high": 0.6}, CHALK | {"low": 0.4, "high": 0.8}]
    )
    frame = pd.DataFrame({"sbr": [0.4], "chalk": [0.6]})
    assert brief.phr(frame).to_dict("list") == {"sbr": [100.0], "chalk": [pytest.approx(150.0)]}
    assert plain().phr(pd.DataFrame({"factice": [60], "chalk": [10]})).to_numpy().tolist() == [
        [100.0, 60.0, 10.0]
    ]


# ---- what materials contain -----------------------------------------------------------------------------

S80 = {
    "name": "s80",
    "role": "curing agent",
    "low": 1,
    "high": 4,
    "density": 1.5,
    "price": 3.0,
    "contains": {"sulfur": 0.8, "carrier": 0.2},
}
OIL = {"name": "oil", "role": "oil", "low": 0, "high": 60, "density": 0.92, "price": 1.1}
EXTENDED = {
    "name": "oe_sbr",
    "role": "rubber",
    "density": 0.9345,
    "price": 1.6,
    "contains": {"sbr": 100 / 137.5, "oil": 37.5 / 137.5},
}
SILICA = {
    "name": "silica",
    "role": "filler",
    "low": 0,
    "high": 50,
    "density": 2.0,
    "price": 1.0,
    "contains": {"silica": 0.94, "water": 0.06},
}
SULFURED = {
    "name": "factice",
    "role": "factice",
    "low": 60,
    "high": 120,
    "density": 1.04,
    "price": 2.1,
    "contains": {"factice": 0.9, "sulfur": 0.1},
}


def with_contents(*parts):
    return Brief(ingredient=list(parts))


def test_masterbatch():
    """2 phr of sulfur as an 80 % masterbatch: 2.5 phr weighed, 0.5 phr of carrier (common practice, no source)."""
    brief = with_contents(RUBBER, S80)
    frame = pd.DataFrame({"s80": [2.0, 1.0]}, index=["T1", "T2"])
    assert_allclose(brief.materials(frame)["s80"], [2.5, 1.25], rtol=1e-14)
    assert_allclose(brief.total_of(frame, "sulfur"), [2.0, 1.0], rtol=1e-14)
    assert_allclose(brief.density(frame)["T1"], 102.5 / (100 / 0.94 + 2.5 / 1.5), rtol=1e-14)  # carrier stays
    assert_allclose(brief.costs(frame)["per_kg"]["T1"], (190 + 2.5 * 3) / 102.5, rtol=1e-14)


def test_oil_extended_rubber():
    """137.5 phr bring 100 of rubber and 37.5 of oil; its density is 0.9345 from 0.94 and 0.92 (from memory)."""
    brief = with_contents(EXTENDED, OIL)
    frame = pd.DataFrame({"oil": [50.0, 37.5]})
    assert brief.rubbers == ["oe_sbr"] and brief.fixed == {"oe_sbr": 100.0}
    assert_allclose(brief.materials(frame), [[137.5, 12.5], [137.5, 0.0]], atol=1e-12)
    assert_allclose(brief.total_of(frame, "oil"), [50.0, 37.5], rtol=1e-14)
    separately = recipe.density(pd.Series({"sbr": 100.0, "oil": 50.0}), {"sbr": 0.94, "oil": 0.92})
    assert_allclose(brief.density(frame)[0], separately, atol=4e-5)  # 0.9345 is printed to four digits
    assert_allclose(brief.costs(frame)["per_kg"][0], (137.5 * 1.6 + 12.5 * 1.1) / 150, rtol=1e-12)


def test_more_oil_brought_along_than_planned_is_an_error():
    with pytest.raises(RecipeError) as caught:
        with_contents(EXTENDED, OIL).costs(pd.DataFrame({"oil": [50.0, 30.0]}))
    assert str(caught.value) == (
        "The materials bring more than the formula asks for: 'oil'. "
        "Ask for more of it, or take less of the material that brings it."
    )


def test_moist_filler():
    brief = with_contents(RUBBER, SILICA)
    frame = pd.DataFrame({"silica": [47.0]})
    assert_allclose(brief.materials(frame)["silica"], [50.0], rtol=1e-14)
    assert_allclose(brief.density(frame), 147 / (100 / 0.94 + 47 / 2.0), rtol=1e-14)  # its water is lost
    assert_allclose(brief.costs(frame)["per_kg"], (190 + 50) / 147, rtol=1e-14)  # and paid for
    assert_allclose(brief.total_of(frame, "silica"), [47.0], rtol=1e-14)


def test_total_sulfur_counts_factice_and_masterbatch():
    frame = pd.DataFrame({"factice": [90.0], "s80": [2.0]})
    assert_allclose(with_contents(RUBBER, SULFURED, S80).total_of(frame, "sulfur"), [10.0 + 2.0], rtol=1e-14)
    pure = {"name": "sulfur", "low": 0, "high": 20}
    own = S80 | {"contains": {"s80": 0.8, "carrier": 0.2}}
    brief = with_contents(RUBBER, SULFURED, pure, own)
    frame = pd.DataFrame({"factice": [90.0], "sulfur": [11.0], "s80": [0.8]})
    assert_allclose(brief.materials(frame), [[100.0, 100.0, 1.0, 1.0]], rtol=1e-12)  # factice brings 10 of 11
    assert_allclose(brief.total_of(frame, "sulfur"), [11.0], rtol=1e-12)
    with pytest.raises(BriefError) as caught:
        brief.total_of(frame, "selenium")
    assert str(caught.value) == (
        "Nothing in the brief brings 'selenium'; name one of ['carrier', 'factice', 's80', 'sbr', 'sulfur']."
    )


@settings(max_examples=25)
@given(st.floats(0.05, 1), st.floats(0, 0.9), st.floats(38, 60), st.floats(0.5, 4))
def test_what_is_weighed_brings_what_was_planned(active, moist, oil, sulfur):
    parts = [
        EXTENDED,
        OIL,
        S80 | {"contains": {"sulfur": active, "carrier": 1 - active}},
        SILICA | {"contains": {"silica": 1 - moist, "water": moist}},
    ]
    brief = with_contents(*parts)
    frame = pd.DataFrame({"oil": [oil], "s80": [sulfur], "silica": [20.0]})
    for substance, wanted in {"sbr": 100.0, "oil": oil, "sulfur": sulfur, "silica": 20.0}.items():
        assert_allclose(brief.total_of(frame, substance), wanted, rtol=1e-9)
    weighed = brief.materials(frame)
    back = recipe.as_substances(weighed, {p.name: p.contains for p in brief.ingredients if p.contains})
    assert_allclose(back["sulfur"], sulfur, rtol=1e-9)
    assert_allclose(back.sum(axis=1), weighed.sum(axis=1) - weighed["silica"] * moist, rtol=1e-9)


# ---- swaps ----------------------------------------------------------------------------------------------


def test_swap():
    brief = small()
    table = brief.swap(brief.baseline, "chalk", "factice", 20.0, by="volume")
    assert list(table.index) == [*brief.ingredient_names, "density", "per_kg", "per_litre", "per_piece"]
    assert_allclose(table["after"]["factice"], 90 + 20 * 1.04 / 2.71, rtol=1e-14)
    after = pd.DataFrame([table["after"][brief.ingredient_names]])
    assert_allclose(table["after"]["per_litre"], brief.costs(after)["per_litre"], rtol=1e-14)
    assert_allclose(table["after"]["density"], brief.density(after), rtol=1e-14)
    assert_allclose(table["change"], table["after"] - table["before"], rtol=0)
    by_phr = brief.swap({"factice": 90, "chalk": 100}, "chalk", "factice", 20.0)
    assert by_phr["change"][["factice", "chalk"]].tolist() == [20.0, -20.0]


def test_swap_without_prices_and_with_contents():
    brief = with_contents(RUBBER, {"name": "mica", "low": 0, "high": 50, "density": 2.8}, SILICA)
    table = brief.swap({"mica": 10, "silica": 20}, "silica", "mica", 5.0, by="mass")
    assert list(table.index) == ["sbr", "mica", "silica", "density"]
    with pytest.raises(RecipeError) as caught:
        brief.swap({"mica": 10, "silica": 20}, "silica", "mica", 5.0, by="volume")
    assert str(caught.value) == "'silica' is planned without what else it contains. Swap it by phr or mass."


# ---- eyes -----------------------------------------------------------------------------------------------


def test_html_shows_the_parts_and_escapes_everything():
    evil = "<script>alert(1)</script>"
    brief = Brief(
        title=evil,
        currency=evil,
        ingredient=[RUBBER | {"label": evil}, CHALK],
        setting=[CURE | {"label": evil, "unit": evil}, PRESS | {"levels": [evil, "b"]}],
        response=[ERASURE | {"label": evil, "unit": evil}],
        limit=[{"expression": "chalk <= 180", "label": evil}],
    )
    page = brief._repr_html_()
    assert "<script" not in page
    assert page.count("&lt;script&gt;") == 9
    assert "1 ingredient and 2 settings vary, in phr; 1 response with a target." in page
    assert "chalk &lt;= 180" in page
