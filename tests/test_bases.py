"""Which materials of a plan go into its base mixings."""

import pandas as pd
import pytest

from formlab import Brief, extend, lay_out
from formlab.bases import base_materials, with_finals

PARTS = [
    {"name": "sbr", "role": "rubber"},
    {"name": "chalk", "role": "filler", "low": 40, "high": 80},
    {"name": "oil", "role": "oil", "low": 5, "high": 20},
    {"name": "red", "role": "pigment", "low": 0, "high": 4},
    {"name": "sulfur", "role": "curing agent", "low": 2, "high": 2},
]
BRIEF = Brief(ingredient=PARTS)


def plan(**more):
    return pd.DataFrame({
        "trial": [f"T{k}" for k in range(1, 7)], "batch": ["B1", "B1", "B2", "B3", "B4", "B5"],
        "base": ["A1", "A1", "A1", "A2", "A2", "A3"], "sbr": 100.0, "chalk": [40.0, 40, 40, 80, 80, 60],
        "oil": [5.0, 5, 20, 10, 10, 10], "red": [1.0, 1, 1, 0, 4, 2], "sulfur": 2.0, **more,
    })  # fmt: skip


def test_what_is_alike_in_all_parts_of_every_base_goes_into_it():
    # oil is alike in the parts of A2 and red in those of A1, but each is a final of the plan; A3 has one batch only.
    assert base_materials(BRIEF, plan()) == {
        "A1": ("sbr", "chalk", "sulfur"),
        "A2": ("sbr", "chalk", "sulfur"),
    }


def test_a_plan_that_names_its_finals_is_believed():
    named = with_finals(plan(), ["oil", "red", "sulfur"])
    assert list(named)[2:4] == ["base", "finals"] and set(named["finals"]) == {"oil red sulfur"}
    assert base_materials(BRIEF, named) == {"A1": ("sbr", "chalk"), "A2": ("sbr", "chalk")}
    forgotten = with_finals(plan(), ["sulfur"])  # no base can hold two amounts of red
    assert base_materials(BRIEF, forgotten)["A2"] == ("sbr", "chalk", "oil")


def test_nothing_is_split_without_bases_or_parts():
    assert base_materials(BRIEF, plan().drop(columns="base")) == {}
    assert base_materials(BRIEF, plan(base=None)) == {}
    assert base_materials(BRIEF, plan(base=["A1", "A1", "A2", "A3", "A4", "A5"])) == {}
    assert with_finals(plan(), ()) is not None and "finals" not in with_finals(plan(), ())


def test_materials_are_told_apart_and_not_substances():
    parts = [
        {"name": "oe_sbr", "role": "rubber", "contains": {"sbr": 8 / 11, "oil": 3 / 11}},
        {"name": "oil", "role": "oil", "low": 40, "high": 60},
    ]
    frame = pd.DataFrame({"batch": ["B1", "B2"], "base": "A1", "oe_sbr": 100.0, "oil": [40.0, 55.0]})
    assert base_materials(Brief(ingredient=parts), frame) == {"A1": ("oe_sbr",)}


@pytest.mark.parametrize("finals", [["oil", "red"], ["oil", "red", "sulfur"]])
def test_a_plan_says_what_is_added_to_the_parts(finals):
    brief = Brief(ingredient=PARTS, model="linear")
    made = lay_out(brief, 8, finals=finals, bases=4, starts=2, seed=1)
    assert set(made.frame["finals"]) == {" ".join(finals)}
    held = base_materials(brief, made.frame)
    assert len(held) == 4 and all(
        names == tuple(n for n in brief.ingredient_names if n not in finals) for names in held.values()
    )
    longer = extend(made, brief, 4, finals=["oil"], bases=2, starts=2, seed=1).frame
    assert longer.groupby("round")["finals"].first().tolist() == [" ".join(finals), "oil"]
