"""Run order: random in its structure, nearly free of time trends, by colour; what cleaning takes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import Brief
from formlab.errors import PlanError
from formlab.plans import Plan, lay_out
from formlab.plans.order import apart_in_loads, random_order
from formlab.plans.structure import Structure

QUICK = {"criterion": "D", "seed": 1, "starts": 2, "n_jobs": 1}
COLOURS = ["white", "pink", "black"]  # light to dark
CLEANING = pd.DataFrame(
    [
        [a, b, 10 if i < k else 60, 1 if i < k else 5]
        for i, a in enumerate(COLOURS)
        for k, b in enumerate(COLOURS)
        if i != k
    ],
    columns=["from", "to", "minutes", "kg"],
)


PARTS = [
    {"name": "rubber", "role": "rubber", "price": 3},
    {"name": "oil", "low": 5, "high": 20, "price": 1.5},
    {"name": "chalk", "low": 20, "high": 100, "price": 0.2},
]


def inked(**more) -> Brief:
    plant = {"batch_kg": 12, "mill_h": 0.75, "press_h": 0.5, "slabs_per_load": 4, "rate_per_h": 60}
    colour = {"name": "colour", "levels": COLOURS, "changes": "batch"}
    return Brief(ingredient=PARTS, setting=[colour], plant=plant, **more)


def trends(plan: Plan) -> float:
    """Largest correlation of a model column with a straight or a bent line over the run order."""
    x = plan.space.matrix(plan.frame)
    t = np.linspace(-1, 1, len(x))
    lines = np.column_stack([t, t**2])
    return float(np.abs(np.corrcoef(lines.T, x[:, x.std(axis=0) > 1e-9].T)[:2, 2:]).max())


@pytest.fixture(scope="module")
def cleaned() -> Plan:
    return lay_out(inked(), 14, order="colour", colour="colour", changeovers=CLEANING, warm_up=1, **QUICK)


def test_random_within_days():
    orders = [lay_out(inked(), 14, days=2, **{**QUICK, "seed": s}).frame for s in (1, 2)]
    for frame in orders:
        assert frame["day"].is_monotonic_increasing
    colours = [frame["colour"].tolist() for frame in orders]
    assert colours[0] != colours[1] and all(c != sorted(c, key=COLOURS.index) for c in colours)


def test_batches_that_share_loads_are_mixed_one_after_another():
    """Eight batches of two slabs in loads of four: four batches fill two loads, and none waits for the other four."""
    labels = np.repeat(np.arange(8), 2)
    loads = np.array([2 * (batch // 4) + place for batch in range(8) for place in range(2)])
    structure = Structure(16, {"batch": labels, "load": loads})
    orders = [random_order(structure, np.random.default_rng(seed)) for seed in range(20)]
    assert {apart_in_loads(structure, order) for order in orders} == {3}
    assert len({tuple(labels[order]) for order in orders}) == 20
    assert {int(labels[order][0]) // 4 for order in orders} == {0, 1}
    chained = Structure(16, {"batch": labels, "load": np.roll(loads, 1)})  # now they all hang together
    assert max(apart_in_loads(chained, random_order(chained, np.random.default_rng(s))) for s in range(9)) > 4


def test_a_load_that_waits_more_than_a_day_is_said():
    waiting = {"name": "press_c", "unit": "°C", "low": 140, "high": 160, "changes": "load"}
    plant = {"mill_h": 2.0, "slabs_per_load": 4, "slabs_per_batch": 2}  # four batches a day
    brief = Brief(ingredient=PARTS, setting=[waiting], plant=plant)
    plan = lay_out(brief, 20, batches=10, **QUICK)
    said = [note for note in plan.notes if note.startswith("A press load takes slabs of batches up to")]
    assert len(said) == 1 and "A number of batches that is a multiple of 4" in said[0]
    days = brief.model_copy(update={"plant": brief.plant.model_copy(update={"mill_h": 8.0})})
    alike = [n for n in lay_out(days, 16, batches=8, **QUICK).notes if n.startswith("A press load")]
    assert len(alike) == 1 and "multiple" not in alike[0]  # 8 batches already are one
    assert not [n for n in lay_out(brief, 16, batches=8, **QUICK).notes if n.startswith("A press load")]


def test_nearly_free_of_linear_and_quadratic_trends():
    brief = Brief(
        basis="fraction",
        ingredient=[
            {"name": "a", "low": 0.2, "high": 0.8},
            {"name": "b", "low": 0, "high": 0.3},
            {"name": "c", "low": 0.1, "high": 0.3},
        ],
    )
    plain, free = (lay_out(brief, 12, order=order, **QUICK) for order in ("random", "trend"))
    assert trends(free) < 0.1 and trends(plain) > 0.3
    said = next(note for note in free.notes if note.startswith("Run order nearly free"))
    assert 0 <= float(said.split("above ")[1].split()[0]) - trends(free) <= 0.01


def test_light_to_dark_with_its_price(cleaned):
    seen = cleaned.frame["colour"].tolist()
    assert seen == sorted(seen, key=COLOURS.index)
    notes = "\n".join(cleaned.notes)
    assert "changeovers take 20 min and 2 kg; in a random order" in notes
    assert (
        "is lost in the drift" in notes
        and "1 warm-up batch before the first batch counts in the cost." in notes
    )


def test_warm_up_and_cleaning_count_in_the_cost(cleaned):
    plain = Plan(cleaned.brief, cleaned.frame, cleaned.space)
    assert cleaned.cost["batches"] == plain.cost["batches"] + 1
    assert_allclose(cleaned.cost["kg"], plain.cost["kg"] + 12 + 2)
    assert_allclose(cleaned.cost["mill_h"], plain.cost["mill_h"] + 0.75 + 20 / 60)
    assert_allclose(cleaned.materials["kg"].sum(), cleaned.cost["kg"], rtol=1e-12)
    hours = cleaned.cost["mill_h"] + cleaned.cost["press_h"]
    assert_allclose(cleaned.cost["money"], cleaned.materials["money"].sum() + 60 * hours, rtol=1e-12)


def test_cleaning_is_counted_in_any_order():
    plan = lay_out(inked(), 14, colour="colour", changeovers=CLEANING, **QUICK)
    steps = list(zip(plan.frame["colour"], plan.frame["colour"][1:]))
    price = CLEANING.set_index(["from", "to"])
    minutes = sum(price.loc[step, "minutes"] for step in steps if step[0] != step[1])
    assert_allclose(plan.cost["mill_h"], 14 * 0.75 + minutes / 60)


def test_each_day_goes_light_to_dark_after_its_warm_up():
    plan = lay_out(
        inked(), 14, days=3, warm_up=1, order="colour", colour="colour", changeovers=CLEANING, **QUICK
    )
    for _, day in plan.frame.groupby("day"):
        seen = day["colour"].tolist()
        assert seen == sorted(seen, key=COLOURS.index)
    assert plan.cost["batches"] == 14 + 3


def test_without_a_table_nothing_is_said_of_minutes():
    plan = lay_out(inked(), 14, order="colour", colour="colour", **QUICK)
    assert (
        "Batches run by colour, light to dark: what changeovers take is not known; give a table of them."
        in plan.notes
    )


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"order": "by hand"}, "order = 'by hand'; use one of random, trend, colour."),
        (
            {"order": "colour"},
            "order = 'colour' needs colour: name the setting or ingredient whose changes need cleaning.",
        ),
        (
            {"order": "colour", "colour": "hue"},
            "colour = 'hue'; name a setting with categories or an ingredient of the brief.",
        ),
        (
            {"order": "colour", "colour": "colour", "changeovers": CLEANING.drop(columns="kg")},
            "The table of changeovers lacks 'kg'; add it. It has from, to, minutes.",
        ),
        (
            {"order": "colour", "colour": "colour", "changeovers": CLEANING.iloc[:2]},
            "The table of changeovers has no line from 'pink' to 'black'; add it.",
        ),
        (
            {"order": "colour", "colour": "colour", "changeovers": CLEANING.assign(minutes="long")},
            "The table of changeovers has minutes = 'long' from 'white' to 'pink'; give a number of at least 0.",
        ),
    ],
)
def test_messages(arguments, message):
    with pytest.raises(PlanError) as caught:
        lay_out(inked(), 14, **{**QUICK, "starts": 1, **arguments})
    assert str(caught.value) == message
