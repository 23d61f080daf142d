"""Plans judged and side by side: other ratios, aliases, what it takes; batches × slabs × readings."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import Brief
from formlab.errors import PlanError
from formlab.plans import Plan, compare, judge, lay_out, trade_off
from formlab.region import Region

QUICK = {"seed": 1, "starts": 4, "n_jobs": 1}
PLANT = {"batch_kg": 12, "slabs_per_load": 4, "mill_h": 0.75, "press_h": 0.5, "rate_per_h": 60}
ERASURE = {
    "name": "erasure",
    "at_least": 85,
    "matters": 5,
    "sd_batch": 1,
    "sd_slab": 1,
    "sd_reading": 1.5,
    "readings": 3,
}
PARTS = [
    {"name": "rubber", "role": "rubber", "price": 3},
    {"name": "oil", "low": 5, "high": 20, "price": 1.5},
    {"name": "chalk", "low": 20, "high": 100, "price": 0.2},
    {"name": "sulfur", "low": 1, "high": 3, "price": 1},
]


def rubber(*left_out: str, **more) -> Brief:
    parts = [part for part in PARTS if part["name"] not in left_out]
    return Brief(**{"ingredient": parts, "plant": PLANT, "response": [ERASURE], **more})


@pytest.fixture(scope="module")
def split() -> Plan:
    return lay_out(rubber(), 16, finals=["sulfur"], **QUICK)


@pytest.fixture(scope="module")
def pair() -> dict[str, Plan]:
    return {f"{n} trials": lay_out(rubber("sulfur"), n, **QUICK) for n in (9, 12)}


# ---- base and finals --------------------------------------------------------------------------------


def test_parts_of_a_base_share_all_but_the_finals(split):
    frame = split.frame
    assert (frame.groupby("base")[["oil", "chalk"]].nunique() == 1).all(axis=None)
    assert (frame.groupby("base")["batch"].nunique() == 2).all()
    assert (frame.groupby("base")["sulfur"].nunique() == 2).any()
    assert split.notes[-1] == (
        "8 base mixings are split into 16 batches; added to the parts: sulfur. That saves 4 of 12 mill hours, "
        "if finals take a third of a mixing."
    )
    assert_allclose(split.cost["mill_h"], 12 - 4)


def test_tree_shows_which_parts_come_from_which_base(split):
    lines = split.tree().splitlines()
    assert lines[:3] == ["base A01", "  batch B01: T01", "  batch B02: T02"] and len(lines) == 24


def test_what_a_base_holds_is_tested_against_the_error_of_bases(split):
    judged = split.judge()
    left = judged.degrees_of_freedom.set_index("level")["df"]
    power = judged.power.set_index("factor")
    assert power["level"].to_dict() == {"oil": "base", "chalk": "base", "sulfur": "batch"}
    assert left["base"] == 2 and (power.loc[["oil", "chalk"], "df"] == 2).all()
    assert power.loc["sulfur", "df"] == left["slab"]


def test_a_setting_of_the_day_is_tested_against_the_error_of_days():
    humid = {"name": "humid", "low": 30, "high": 60, "changes": "day"}
    judged = lay_out(rubber("sulfur", setting=[humid], model="linear"), 16, days=4, **QUICK).judge()
    power = judged.power.set_index("factor")
    assert power["level"].to_dict() == {"oil": "batch", "chalk": "batch", "humid": "day"}
    left = judged.degrees_of_freedom.set_index("level")["df"]
    assert power.loc["humid", "df"] == left["day"] == 1 and power.loc["oil", "df"] == left["slab"]


def test_no_limit_is_claimed_where_batches_share_errors(split):
    line = split.judge(limit=True).efficiencies.iloc[0]
    assert np.isnan(line["efficiency"]) and not line["proven"]
    assert line["limit"] == "none derived for batches that share loads, days, blocks or base mixings"


# ---- judged -----------------------------------------------------------------------------------------


def test_other_ratios_are_shown(split):
    judged = split.judge()
    table = judged.under_ratios("base")
    assert table["average_error"].is_monotonic_increasing
    assert_allclose(table["average_error"][2], split.judge({"base": 1}).summary["average_error"], rtol=1e-12)
    assert "Under other variance ratios: base" in judged._repr_html_()


def test_what_a_lost_batch_costs_is_what_the_others_tell():
    """Against the plan judged without the batch; a batch that some term hangs on is named."""
    brief = rubber("sulfur", model="linear")
    plan = lay_out(brief, 12, batches=6, **QUICK)
    judged = plan.judge()
    assert len(judged.without_batch) == 6
    for batch, line in zip(plan.frame["batch"].unique(), judged.without_batch.itertuples()):
        rest = plan.frame[plan.frame["batch"] != batch]
        assert line.trials == ", ".join(plan.frame.loc[plan.frame["batch"] == batch, "trial"])
        other = Plan.from_frame(brief, rest, ratios=plan.ratios).judge()
        ratio = other.summary["average_error"] / judged.summary["average_error"]
        assert line.untold == [] and line.larger == pytest.approx(ratio - 1, rel=1e-9)
    assert "be lost" in judged.if_lost or "times as large" in judged.if_lost
    assert judged.if_lost in str(judged) and judged.if_lost in judged._repr_html_()

    few = lay_out(brief, len(judged.basis.space), **QUICK).judge()
    assert few.without_batch["untold"].map(len).ge(1).all() and np.isinf(few.without_batch["larger"]).all()
    assert few.if_lost.startswith("If the batch of T01 is lost, ")
    others = len(few.trials) - 1
    assert few.if_lost.endswith(
        f"cannot be told from other terms; so with {others} other batches. Plan a batch more, or make a lost one again."
    )


def test_limit_is_proven_only_where_vertices_decide():
    for model, proven in (("linear", True), ("interaction", True), ("quadratic", False)):
        line = lay_out(rubber("sulfur", model=model), 8, **QUICK).judge(limit=True).efficiencies.iloc[0]
        assert (
            line["proven"] == proven
            and line["gap"] < 1e-3
            and line["efficiency"] <= np.exp(line["gap"]) + 1e-12
        )
        assert ("not proven; searched vertices" in line["limit"]) != proven


def test_aliases_of_a_half_fraction():
    """x3 = x1 x2, so that each main effect carries a whole interaction of the other two (Box & Hunter 1961)."""
    signs = np.array([[-1, -1, 1], [1, -1, -1], [-1, 1, -1], [1, 1, 1]])
    brief = Brief(
        ingredient=[PARTS[0]], setting=[{"name": n, "low": -1, "high": 1, "changes": "batch"} for n in "abc"]
    )
    plan = Plan.from_frame(brief, pd.DataFrame(signs, columns=list("abc")), setting_model="linear")
    found = plan.judge().aliases(setting_model="interaction")
    assert_allclose(found.loc[["a", "b", "c"], ["b × c", "a × c", "a × b"]], np.eye(3), atol=1e-12)
    assert_allclose(found.loc["1"], 0, atol=1e-12)


def test_readings_and_slabs_alike_are_no_replicates():
    brief = rubber("sulfur", model="linear")
    slabs = pd.DataFrame(
        {"trial": list("abcdef"), "batch": list("112233"), "oil": [5, 5, 20, 20, 5, 5], "chalk": [20] * 4 + [100] * 2}
    )  # fmt: skip
    judged = judge(brief, pd.concat([slabs, slabs]))
    assert judged.structure.n == 6 and judged.repeats == 0
    left = judged.degrees_of_freedom.set_index("level")["df"].to_dict()
    assert left == {"batch": 0, "slab": 3}
    assert judged.power["power"].isna().all()


def test_a_category_that_no_trial_uses_is_named_once():
    brief = rubber(
        "sulfur", setting=[{"name": "colour", "levels": ["white", "pink", "black"], "changes": "batch"}]
    )
    frame = lay_out(brief, 20, **QUICK).frame.query("colour != 'pink'")
    assert judge(brief, frame).notes == [
        "3 of 12 terms cannot be told apart by these trials: colour[pink], oil × colour[pink], chalk × colour[pink].",
        "No trial uses colour = 'pink'; nothing can be said about it.",
    ]


# ---- side by side -----------------------------------------------------------------------------------


def test_side_by_side(pair):
    seen = compare(pair)
    table = seen.table.set_index("plan")
    assert table["trials"].tolist() == [9, 12] and table.loc["12 trials", "I"] == 1
    nine, twelve = (found.score("I") for found in seen.judged.values())
    assert_allclose(table.loc["9 trials", "I"], np.exp(nine - twelve), rtol=1e-12)
    assert ((table["of_limit"] > 0.8) & (table["of_limit"] <= 1.001)).all()
    assert table["kg"].tolist() == [108, 144] and table["mill_h"].tolist() == [6.75, 9]
    kg = seen.materials.groupby("plan")["kg"].sum()
    assert_allclose([kg["9 trials"], kg["12 trials"]], table["kg"], rtol=1e-12)
    assert "chalk" in seen._repr_html_().split("Material")[1]
    assert set(seen.power["plan"]) == set(seen.fraction["plan"]) == set(pair)


def test_what_a_plan_takes_lists_each_material(pair):
    plan = pair["9 trials"]
    assert "chalk" in plan._repr_html_().split("What it takes")[1]
    frame = plan.frame[plan.brief.ingredient_names]
    chalk = (frame["chalk"] / frame.sum(axis=1)).sum() * 12
    assert_allclose(plan.materials.set_index("ingredient").loc["chalk", "kg"], chalk, rtol=1e-12)
    assert_allclose(plan.cost["money"], plan.materials["money"].sum() + 60 * (6.75 + 1.5), rtol=1e-12)


def test_one_plan_is_no_comparison(pair):
    with pytest.raises(PlanError) as caught:
        compare({"a": pair["9 trials"]})
    assert str(caught.value) == "1 plan is given; pass at least two."


# ---- batches × slabs × readings ---------------------------------------------------------------------


def test_trade_off():
    found = trade_off(rubber("sulfur"), [8, 12], slabs=(1, 2), readings=(1, 3), starts=2)
    assert (found["note"] == "").all() and (found["response"] == "erasure").all()
    table = found.set_index(["batches", "slabs", "readings"])
    assert (
        table["average_error"].groupby(["batches", "slabs"]).apply(lambda e: e.is_monotonic_decreasing).all()
    )
    assert (table["df_batch"].groupby("batches").nunique() == 1).all()  # neither slabs nor readings add any
    assert_allclose(table[["share_batch", "share_slab", "share_reading"]].sum(axis=1), 1, rtol=1e-12)
    assert_allclose(table.loc[(8, 1, 3), "share_reading"], 0.75 / 2.75, rtol=1e-12)
    assert table.loc[(12, 2, 3), "lowest_power"] > table.loc[(8, 2, 3), "lowest_power"]
    assert table.loc[(12, 2, 3), "mill_h"] == 9 and table["money"].notna().all()


def test_trade_off_needs_sds():
    with pytest.raises(PlanError) as caught:
        trade_off(rubber(response=[]), [8])
    assert str(caught.value) == (
        "No response has sd_batch with sd_slab or sd_reading; add guesses of them to the brief for a trade-off."
    )


HARDNESS = {"name": "hardness", "at_most": 60, "matters": 4, "sd_batch": 2, "sd_slab": 0.5, "readings": 1}


def test_trade_off_takes_each_response_by_its_own_sds():
    """The variance of a linear effect of a two-level plan is that of batches and slabs over their numbers, by hand."""
    brief = rubber("sulfur", response=[ERASURE, HARDNESS, {"name": "smear", "at_most": 9}], model="linear")
    found = trade_off(brief, [8], slabs=(2,), readings=(1, 3), ratios={"batch": 7}, starts=2)
    assert found["response"].tolist() == ["erasure", "hardness"] * 2
    table = found.set_index(["response", "readings"])
    assert_allclose(table.loc[("hardness", 1)].drop("note").astype(float),
                    table.loc[("hardness", 3)].drop("note").astype(float), rtol=1e-12)  # fmt: skip
    assert_allclose(table.loc[("hardness", 1), "share_batch"], 4 / 4.25, rtol=1e-12)
    for name, readings, variance in (
        ("erasure", 1, 1 + (1 + 2.25) / 2),
        ("erasure", 3, 1 + (1 + 0.75) / 2),
        ("hardness", 1, 4 + 0.25 / 2),
    ):
        # corners twice each: a mean is known to variance / 8, and x_i, spread evenly, to a third of that on average
        expected = np.sqrt(variance / 8 * (1 + 2 / 3))
        assert_allclose(table.loc[(name, readings), "average_error"], expected, rtol=1e-6)
    alone = trade_off(
        brief, [8], slabs=(2,), readings=(3,), response="hardness", ratios={"batch": 7}, starts=2
    )
    pd.testing.assert_frame_equal(alone, found.iloc[[3]].reset_index(drop=True))


def test_a_size_that_is_too_small_is_a_row_that_says_so():
    found = trade_off(rubber("sulfur", model="linear"), [2, 6], slabs=(1,), readings=(1, 3), starts=2)
    assert found["trials"].tolist() == [2, 2, 6, 6]
    assert found["average_error"].isna().tolist() == [True, True, False, False]
    assert (
        found["note"]
        .tolist()[0]
        .startswith("3 primary terms cannot be estimated from 2 trials. Add at least 1")
    )
    assert found["note"].tolist()[2:] == ["", ""] and found.columns[-1] == "note"
    with pytest.raises(PlanError) as caught:
        trade_off(rubber("sulfur", model="linear"), [1, 2], slabs=(1,), starts=2)
    assert str(caught.value).startswith(
        "None of these sizes can be planned; give larger ones, or mend this: 3 primary terms cannot be estimated from 2 "
        "trials. Add at least 1 trial, or"
    )


@pytest.mark.parametrize(
    ("wishes", "message"),
    [
        ({"response": "bite"}, "response = 'bite'; choose one of erasure, hardness."),
        ({"readings": (0, 3)}, "readings has 0; give at least 1 of a slab."),
        ({"batches": []}, "No size is given; name batches and slabs."),
        (
            {"response": "hardness"},
            "The response 'hardness' lacks sd_batch with sd_slab or sd_reading; add guesses of them to the brief for a "
            "trade-off.",
        ),
    ],
)
def test_trade_off_messages(wishes, message):
    brief = rubber("sulfur", response=[ERASURE, {"name": "hardness", "sd_batch": 2}])
    with pytest.raises(PlanError) as caught:
        trade_off(brief, **{"batches": [8], **wishes})
    assert str(caught.value) == message


def test_the_largest_error_is_that_of_the_worst_corner():
    """Against every corner worked out term by term; the points of the region alone stay below it."""
    brief = rubber("sulfur", model="quadratic", setting=[{"name": "press", "levels": ["ram", "steam"]}])
    plan = lay_out(brief, 20, **QUICK)
    judged = plan.judge()
    names = brief.varied
    corners = pd.DataFrame(list(product(*[brief.ranges[n] for n in names])), columns=names)
    corners = pd.concat([brief.complete(corners.assign(press=p)) for p in ("ram", "steam")])
    x = plan.space.matrix(corners)
    error = np.sqrt(np.diag(x @ judged.covariance.to_numpy() @ x.T))
    assert_allclose(judged.least_sure["std_error"], error.max())
    assert judged.least_sure["corner"].all()
    assert_allclose(judged.fraction["std_error"].iloc[-1], error.max())
    assert_allclose(judged.summary["largest_error_seen"], error.max())
    inside = brief.complete(Region.from_brief(brief).sample(500, 1))
    assert judged.prediction_error(plan.basis.points(inside)).max() < error.max()
