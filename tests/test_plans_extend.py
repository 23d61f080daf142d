"""`extend`: more trials, larger models, wider ranges, new ingredients, and what failed or was weighed otherwise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import Brief, Region
from formlab.errors import PlanError
from formlab.plans import Plan, extend, lay_out

QUICK = {"seed": 1, "starts": 4, "n_jobs": 1}
OIL = {"name": "oil", "low": 5, "high": 20}
CHALK = {"name": "chalk", "low": 20, "high": 100}


def rubber(*parts: dict, **more) -> Brief:
    return Brief(ingredient=[{"name": "rubber", "role": "rubber"}, *(parts or (OIL, CHALK))], **more)


@pytest.fixture(scope="module")
def first() -> Plan:
    return lay_out(rubber(), 8, **QUICK)


def test_old_trials_are_kept_and_credited(first):
    longer = extend(first, first.brief, 3, **QUICK)
    pd.testing.assert_frame_equal(longer.frame.head(8), first.frame)
    assert longer.frame["trial"].tolist()[8:] == ["T09", "T10", "T11"]
    assert longer.frame["round"].tolist() == [1] * 8 + [2] * 3
    assert longer.frame["run_order"].is_monotonic_increasing
    assert (
        longer.notes[-1] == "The 8 earlier trials are credited: the new ones alone could not carry the model."
    )
    alone = lay_out(first.brief, 9, **QUICK)
    both = extend(first, first.brief, 9, ratios={"block": 0.0}, **QUICK)
    assert both.judge().score("I") > alone.judge().score("I")
    assert "times the new trials alone (I)" in both.notes[-1]


def test_higher_model():
    line = lay_out(rubber(model="linear"), 5, **QUICK)
    longer = extend(line, rubber(), **QUICK)
    assert len(longer.judge().terms) == 6
    assert "4 new trials proposed: what 6 terms lack beside 5 old trials, and 2 more." in longer.notes


def test_wider_range_is_used(first):
    wider = rubber({**OIL, "high": 40}, CHALK)
    longer = extend(first, wider, 4, **QUICK)
    assert longer.frame["oil"][8:].max() == 40 and longer.frame["oil"][:8].max() <= 20


def test_new_ingredient_counts_as_none_in_the_old_trials(first):
    clay = {"name": "clay", "low": 10, "high": 60}
    longer = extend(first, rubber(OIL, CHALK, clay), 6, **QUICK)
    assert (longer.frame["clay"][:8] == 0).all() and longer.frame["clay"][8:].between(10, 60).all()
    assert "clay is new: the earlier trials had none of it and count with 0." in longer.notes
    assert np.isfinite(longer.judge().score("I"))


def test_new_ingredient_of_a_blend():
    blends = [
        Brief(basis="fraction", ingredient=[{"name": f"x{k}", "low": 0, "high": 1} for k in range(q)])
        for q in (3, 4)
    ]
    longer = extend(lay_out(blends[0], 7, **QUICK), blends[1], 6, **QUICK)
    assert (longer.frame["x3"][:7] == 0).all() and longer.frame["x3"][7:].max() == 1
    assert_allclose(longer.frame[blends[1].varied].sum(axis=1), 1.0, rtol=1e-9)


def test_failed_trials_are_kept_but_tell_nothing(first):
    trials = first.frame.assign(status=["ok", "ok", "scorched", *["ok"] * 5])
    longer = extend(trials, first.brief, **QUICK)
    assert len(longer) == 9 and longer.frame["role"].tolist()[2] == "failed"
    assert "1 of 8 trials are not credited: T03." in longer.notes
    assert "1 new trials proposed, as many as were lost." in longer.notes
    judged = longer.judge()
    assert judged.trials == ["T01", "T02", "T04", "T05", "T06", "T07", "T08", "T09"]
    without = Plan.from_frame(first.brief, longer.frame.drop(index=2)).judge()
    assert_allclose(judged.score("I"), without.score("I"), rtol=1e-12)


def test_roles_of_old_trials_stay():
    checked = lay_out(rubber(), 7, checks=1, **QUICK)
    before = checked.frame["role"].tolist()
    assert extend(checked, rubber(), 2, **QUICK).frame["role"].tolist() == [*before, "design", "design"]
    lost = before.index("design")
    after = (
        extend(checked, rubber(), 2, failed=[checked.frame["trial"][lost]], **QUICK).frame["role"].tolist()
    )
    assert after == [*before[:lost], "failed", *before[lost + 1 :], "design", "design"]


def test_weighed_amounts_count_where_a_batch_was_weighed_wrongly(first):
    weighed = first.frame.assign(oil=first.frame["oil"].where(first.frame.index != 3, 27.3))
    longer = extend(weighed, first.brief, 2, **QUICK)
    assert longer.frame["oil"][3] == 27.3
    assert Region.from_brief(first.brief).contains(longer.frame)[8:].all()
    basis = longer.basis
    assert_allclose(longer.judge().x[3], basis.matrix(basis.points(weighed.iloc[[3]]))[0], rtol=1e-12)


def test_new_trials_are_a_block_of_their_own_beside_old_blocks():
    blocked = lay_out(rubber(), 8, blocks=2, **QUICK)
    blocks = extend(blocked, rubber(), 4, **QUICK).structure.groups["block"]
    assert len(set(blocks[:8])) == 2 and len(set(blocks[8:])) == 1 and blocks[8] not in blocks[:8]


def test_slabs_of_new_batches_share_what_is_not_labelled():
    cured = rubber(setting=[{"name": "cure", "low": 10, "high": 20, "changes": "slab"}])
    days = lay_out(cured, 24, batches=8, days=2, **QUICK)
    longer = extend(days, cured, 6, batches=2, **QUICK)
    groups = longer.structure.groups
    assert len(np.unique(groups["day"])) == 4
    for rows in longer.structure.rows("batch"):
        assert len(set(groups["day"][rows])) == 1


def test_new_batches_without_a_base_are_mixed_whole():
    plant = {"mill_h": 0.75}
    sulfur = {"name": "sulfur", "low": 1, "high": 3}
    brief = rubber(OIL, sulfur, plant=plant, model="linear")
    split = lay_out(brief, 8, finals=["sulfur"], bases=4, **QUICK)
    longer = extend(split, brief, 2, **QUICK)
    assert_allclose(split.cost["mill_h"], 4 * 0.5 + 8 * 0.25)
    assert_allclose(longer.cost["mill_h"], split.cost["mill_h"] + 2 * 0.75)
    assert longer.tree().count("batch") == 10


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            {"failed": ["B99"]},
            "failed names 'B99', which is neither a trial nor a batch of these trials; check its spelling.",
        ),
        (
            {"brief": rubber(setting=[{"name": "t", "low": 1, "high": 3, "changes": "batch"}])},
            "The earlier trials lack the setting 't'. Give the value they were made at in [current], or add a column.",
        ),
        (
            {"brief": rubber({**OIL, "high": 5.00001}, CHALK, plant={"batch_kg": 1})},
            "A range is thinner than the scale can weigh: oil: 6.06e-05 g in a batch of 1 kg, weighed to within "
            "0.303 g. Widen it, or fix the amount.",
        ),
    ],
)
def test_messages(first, arguments, message):
    with pytest.raises(PlanError) as caught:
        extend(first, **{"brief": first.brief, "runs": 4, **QUICK, **arguments})
    assert str(caught.value) == message


def test_nothing_to_extend(first):
    with pytest.raises(PlanError) as caught:
        extend(first.frame.iloc[:0], first.brief)
    assert str(caught.value) == "There are no trials to extend; use lay_out for a first plan."
