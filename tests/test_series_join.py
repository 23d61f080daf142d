"""Plan, weighed amounts, readings, history and prices as tables of trials."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.brief import Brief
from formlab.errors import SeriesError
from formlab.series.join import (
    as_weighed,
    history_frame,
    plan_frame,
    price_frame,
    readings_frame,
    trials_frame,
    weighed_frame,
)
from formlab.series.tables import from_csv

PHR = Brief.model_validate(
    {
        "ingredient": [
            {"name": "rubber", "role": "rubber", "price": 2.0},
            {"name": "oil", "role": "oil", "low": 5.0, "high": 20.0, "price": 1.5},
            {"name": "sulfur", "role": "curing agent", "low": 2.0, "high": 2.0},
        ],
        "setting": [{"name": "press", "levels": ["ram", "steam"]}],
        "response": [{"name": "erasure"}],
        "plant": {"batch_kg": 1.12},
    }
)
PLAN = "trial,batch,run_order,brief_id,rubber,oil,sulfur,press\nT01,B01,1,00000012,100.0,10.0,2.0,ram\nT02,B02,2,x,100.0,10.0,2.0,steam\n"


def plan(brief: Brief = PHR, text: str = PLAN) -> pd.DataFrame:
    return plan_frame(from_csv(text, "plan.csv"), brief)


def weighed(lines: str, brief: Brief = PHR) -> pd.DataFrame:
    return weighed_frame(from_csv("batch,ingredient,weighed_g\n" + lines, "weighed.csv"), brief)


def amounts(lines: str, brief: Brief = PHR, text: str = PLAN) -> list[float]:
    out = as_weighed(plan(brief, text), weighed(lines, brief), brief)
    return out[brief.ingredient_names].iloc[0].tolist()


def test_ids_stay_text() -> None:
    assert plan()["brief_id"].tolist() == ["00000012", "x"]
    assert plan()["press"].tolist() == ["ram", "steam"]
    assert plan()["run_order"].dtype == "int64"


def test_a_new_ingredient_is_0_in_old_trials() -> None:
    text = "trial,rubber,oil,press\nT01,100.0,10.0,ram\n"
    assert plan(text=text)["sulfur"].tolist() == [0.0]


def test_missing_lines_are_as_planned_at_the_size_of_the_batch() -> None:
    # 1.12 kg for 112 phr: 10 g a phr. The rubber is 1 % heavy, so everything else is less of it.
    assert_allclose(amounts("B01,rubber,1010\n"), [100, 10 / 1.01, 2 / 1.01], rtol=1e-12)
    assert_allclose(amounts("B01,oil,120\n"), [100, 12, 2], rtol=1e-12)
    assert_allclose(amounts("B01,rubber,1010\nB01,oil,101\nB01,sulfur,20.2\n"), [100, 10, 2], rtol=1e-12)


def test_another_batch_is_left_as_planned() -> None:
    out = as_weighed(plan(), weighed("B01,oil,120\n"), PHR)
    assert out["oil"].tolist() == [12.0, 10.0]


def test_a_sheet_of_another_size_sets_the_size_itself() -> None:
    assert_allclose(amounts("B01,rubber,5000\nB01,oil,510\n"), [100, 10.2, 2 * 50.5 / 50], rtol=1e-12)


def test_a_size_that_nothing_tells_is_asked_for() -> None:
    data = PHR.model_dump(by_alias=True) | {"plant": {}}
    brief = Brief.model_validate(data)
    with pytest.raises(SeriesError) as caught:
        amounts("B01,oil,120\n", brief)
    assert str(caught.value) == (
        "weighed.csv does not tell the size of a batch: it has ['oil'] only. Add the mass of the rubber, or batch_kg "
        "under [plant] of the brief."
    )
    assert_allclose(amounts("B01,rubber,500\n", brief), [100, 10, 2], rtol=1e-12)


def test_nothing_weighed_of_an_ingredient_is_0() -> None:
    assert_allclose(amounts("B01,oil,0\n"), [100, 0, 2], rtol=1e-12)


def test_a_batch_without_rubber_is_refused() -> None:
    with pytest.raises(SeriesError) as caught:
        amounts("B01,rubber,0\n")
    assert str(caught.value) == "weighed.csv leaves batch 'B01' without rubber; add what was weighed."


def test_a_batch_that_is_not_planned_is_refused() -> None:
    with pytest.raises(SeriesError) as caught:
        amounts("B09,rubber,10\n")
    assert str(caught.value) == "weighed.csv has batch 'B09', which the plan has not. Correct its name."


def test_fractions_are_taken_on_the_whole_batch() -> None:
    brief = Brief.model_validate(
        {
            "basis": "fraction",
            "total": 100.0,
            "ingredient": [
                {"name": "gel", "low": 20.0, "high": 60.0},
                {"name": "chalk", "low": 40.0, "high": 80.0},
            ],
        }
    )
    text = "trial,batch,gel,chalk\nT01,B01,40.0,60.0\n"
    assert_allclose(amounts("B01,gel,500\nB01,chalk,500\n", brief, text), [50, 50], rtol=1e-12)


def test_a_masterbatch_is_weighed_as_material_and_planned_as_substance() -> None:
    data = PHR.model_dump(by_alias=True)
    data["ingredient"][2]["contains"] = {"sulfur": 0.8, "carrier": 0.2}
    brief = Brief.model_validate(data)
    planned = "B01,rubber,1000\nB01,oil,100\n"
    assert_allclose(amounts(planned + "B01,sulfur,25\n", brief), [100, 10, 2], rtol=1e-12)
    assert_allclose(amounts(planned + "B01,sulfur,50\n", brief), [100, 10, 4], rtol=1e-12)


def test_bad_weighed_lines_are_all_named() -> None:
    with pytest.raises(SeriesError) as caught:
        weighed("B01,rubbr,10\nB01,oil,-1\nB01,oil,3\nB01,sulfur,\n")
    assert str(caught.value) == (
        "4 problems:\n"
        "  weighed.csv, row 2, ingredient: 'rubbr'. Expected one of ['rubber', 'oil', 'sulfur'].\n"
        "  weighed.csv, row 3, weighed_g: -1.0. Expected a mass in g, 0 or more.\n"
        "  weighed.csv, row 5, weighed_g: nan. Expected a mass in g, 0 or more.\n"
        "  weighed.csv, row 4, ingredient: 'oil'. Expected one line for each ingredient of batch B01."
    )


def test_readings_and_censoring() -> None:
    table = from_csv("trial,session,erasure,status,note\nT02,1,<0.5,ok,\nT01,1,80,ok,x\nT01,1,,pending,\n")
    frame = readings_frame(table, PHR)
    assert frame["erasure_censored"].tolist() == ["below", "", ""]
    joined = trials_frame(plan(), frame, weighed(""), PHR)
    assert joined["trial"].tolist() == ["T02", "T01", "T01"] and joined["press"].tolist() == [
        "steam",
        "ram",
        "ram",
    ]
    np.testing.assert_array_equal(joined["erasure"], [0.5, 80.0, np.nan])


def test_results_of_a_trial_that_is_not_planned() -> None:
    frame = readings_frame(from_csv("trial,session,erasure,status,note\nT09,1,5,ok,\n"), PHR)
    with pytest.raises(SeriesError) as caught:
        trials_frame(plan(), frame, weighed(""), PHR)
    assert (
        str(caught.value)
        == "results.csv has trials ['T09'], which plan.csv has not. Correct the trial names, or load the plan they belong to."
    )


def test_history_fills_fixed_amounts() -> None:
    frame = history_frame(from_csv("oil,press,erasure\n7.5,ram,>90\n"), PHR)
    assert frame[["rubber", "oil", "sulfur", "erasure"]].iloc[0].tolist() == [100.0, 7.5, 2.0, 90.0]
    assert frame["erasure_censored"].tolist() == ["above"] and frame["status"].tolist() == ["ok"]
    with pytest.raises(SeriesError) as caught:
        history_frame(from_csv("press,erasure\nram,9\n"), PHR)
    assert (
        str(caught.value)
        == "1 problem:\n  history.csv, row 1, oil: Expected a column for this part of the brief."
    )


def test_prices_fall_back_on_the_brief() -> None:
    frame = price_frame(from_csv("ingredient,spring,dear oil\noil,,4\nrubber,1.9,\n"), PHR)
    np.testing.assert_array_equal(frame, [[1.9, 2.0], [1.5, 4.0], [np.nan, np.nan]])
    assert frame.index.tolist() == ["rubber", "oil", "sulfur"] and list(frame) == ["spring", "dear oil"]
    with pytest.raises(SeriesError) as caught:
        price_frame(from_csv("ingredient,spring\noyl,2\noil,-1\n"), PHR)
    assert str(caught.value) == (
        "1 problem:\n  prices.csv, row 2, ingredient: 'oyl'. Expected one of ['rubber', 'oil', 'sulfur'], once."
    )


# ---- parts of base mixings ----

SPLIT = Brief.model_validate(
    {
        "ingredient": [
            {"name": "rubber", "role": "rubber"},
            {"name": "chalk", "role": "filler", "low": 40.0, "high": 80.0},
            {"name": "oil", "role": "oil", "low": 5.0, "high": 20.0},
        ],
        "plant": {"batch_kg": 1.6},
    }
)
SPLIT_PLAN = (
    "trial,batch,base,finals,rubber,chalk,oil\n"
    "T1,B1,A1,oil,100,50,10\nT2,B1,A1,oil,100,50,10\nT3,B2,A1,oil,100,50,10\nT4,B3,,,100,50,10\n"
)


def split(lines: str, brief: Brief = SPLIT) -> list[list[float]]:
    out = as_weighed(plan(brief, SPLIT_PLAN), weighed(lines, brief), brief)
    assert out.loc[0, brief.ingredient_names].tolist() == out.loc[1, brief.ingredient_names].tolist()
    return out.loc[[0, 2, 3], brief.ingredient_names].to_numpy().tolist()


def test_all_parts_have_the_composition_of_their_base() -> None:
    # 1.6 kg for 160 phr: a part is 1500 g, a base 3000 g of 2000 g rubber and 1000 g chalk.
    heavy = split("A1,chalk,1100\n")
    part = 100 * 1500 * 2000 / 3100 / 100  # g of rubber in a part
    assert_allclose(heavy[0], [100, 55, 100 * 100 / part], rtol=1e-12)
    assert heavy[1] == heavy[0]
    assert_allclose(heavy[2], [100, 50, 10], rtol=1e-12)  # mixed whole


def test_a_part_and_its_finals_are_weighed_by_batch() -> None:
    light = split("B1,base,1470\nB1,oil,98\n")
    assert_allclose(light, [[100, 50, 10]] * 3, rtol=1e-12)
    assert_allclose(split("B1,base,1470\n")[0], [100, 50, 10 / 0.98], rtol=1e-12)
    both = split("A1,rubber,1950\nA1,chalk,975\nB1,base,1462.5\nB1,oil,195\n")
    assert_allclose(both, [[100, 50, 20], [100, 50, 10], [100, 50, 10]], rtol=1e-12)
    # what a batch says of a line itself goes first
    assert_allclose(split("A1,chalk,1100\nB2,rubber,1000\nB2,chalk,500\n")[1], [100, 50, 10], rtol=1e-12)


def test_what_came_with_the_base_unplanned_is_counted_too() -> None:
    got = split("A1,rubber,2000\nA1,chalk,1000\nA1,oil,30\n")[1]
    part = 1500 / 3030  # of the base
    assert_allclose(got, [100, 50, (30 * part + 100) / (2000 * part) * 100], rtol=1e-12)


def test_a_part_is_weighed_without_the_water_that_its_base_lost() -> None:
    data = SPLIT.model_dump(by_alias=True)
    data["ingredient"][1]["contains"] = {"chalk": 0.8, "water": 0.2}
    brief = Brief.model_validate(data)
    # 62.5 g moist chalk for 50: a part as planned holds 150 of 172.5 phr, 1600 g make 9.2754 g a phr.
    per_phr = 1600 / 172.5
    lines = f"A1,rubber,{200 * per_phr}\nA1,chalk,{125 * per_phr}\nB1,base,{150 * per_phr}\nB1,oil,{10 * per_phr}\n"
    assert_allclose(split(lines, brief), [[100, 50, 10]] * 3, rtol=1e-9)


def test_parts_that_are_not_planned_or_not_enough_are_refused() -> None:
    with pytest.raises(SeriesError) as caught:
        split("B3,base,1500\n")
    assert str(caught.value) == (
        "weighed.csv has a part of a base in 'B3', which the plan does not make from one. Give the grams of each "
        "ingredient in its place."
    )
    with pytest.raises(SeriesError) as caught:
        as_weighed(
            plan(SPLIT, SPLIT_PLAN).assign(base=["A1", "A1", "A1", "A2"]),
            weighed("A2,oil,90\n", SPLIT),
            SPLIT,
        )
    assert str(caught.value) == (
        "weighed.csv has base mixing 'A2', which is not split: its only batch is mixed whole. Give its lines under 'B3'."
    )
    bare = Brief.model_validate(SPLIT.model_dump(by_alias=True) | {"plant": {}})
    with pytest.raises(SeriesError) as caught:
        split("B1,oil,100\n", bare)
    assert str(caught.value) == (
        "weighed.csv does not tell the size of a batch: it has ['oil'] only. Add the mass of the part of the base, or "
        "batch_kg under [plant] of the brief."
    )
    assert_allclose(split("B1,base,150\nB1,oil,11\n", bare)[0], [100, 50, 11], rtol=1e-12)
