"""`extend`: more trials, larger models, wider ranges, new ingredients, and what failed or was weighed otherwise."""

from __future__ import annotations

import re
from itertools import combinations_with_replacement, product

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
    assert "1 of 8 trials is not credited: T03." in longer.notes
    assert "1 new trial proposed, as many as were lost." in longer.notes
    judged = longer.judge()
    assert judged.trials == ["T01", "T02", "T04", "T05", "T06", "T07", "T08", "T09"]
    without = Plan.from_frame(first.brief, longer.frame.drop(index=2)).judge()
    assert_allclose(judged.score("I"), without.score("I"), rtol=1e-12)


def test_new_trials_near_one_that_could_not_be_made_are_named(first):
    """A lost trial told most, so what replaces it is often the same formula: not where a mishap alone is to blame."""
    brief = first.brief
    lost = first.frame.assign(status=["ok", "ok", "scorched", *["ok"] * 5])
    longer = extend(lost, brief, **QUICK)
    width = np.array([high - low for low, high in (brief.ranges[n] for n in brief.varied)])
    apart = np.abs(longer.frame[brief.varied].to_numpy() - longer.frame[brief.varied].to_numpy()[2]) / width
    near = [f"{t} near T03 (scorched)" for t in longer.frame["trial"][8:][(apart.max(axis=1) <= 0.1)[8:]]]
    said = [note for note in longer.notes if note.startswith("Within a tenth of every range")]
    assert near and len(said) == 1 and all(pair in said[0] for pair in near)
    aside = extend(lost.assign(status=lost["status"].replace("scorched", "set aside")), brief, **QUICK)
    assert not any("Within a tenth" in note for note in aside.notes)


def test_what_was_made_up_for_is_not_made_up_for_again(first):
    trials = first.frame.assign(status=["ok", "ok", "scorched", *["ok"] * 5])
    longer = extend(trials, first.brief, **QUICK).frame.assign(status=["ok", "ok", "scorched", *["ok"] * 6])
    again = extend(longer, first.brief, **QUICK)
    said = "1 trial of earlier rounds was lost before the last round was laid out; no more are proposed for that."
    assert any(note.startswith(said) for note in again.notes)
    assert not any("as many as were lost" in note for note in again.notes)
    said_now = extend(longer, first.brief, failed=["T04"], **QUICK)
    assert "1 new trial proposed, as many as were lost." in said_now.notes


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
    frame = extend(days, cured, 6, batches=2, **QUICK).frame
    longer = Plan.from_frame(cured, frame.assign(day=frame["day"].where(frame["round"] == 1)))
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


# ---- the best addition ------------------------------------------------------------------------------


def switches(*names: str, **more) -> Brief:
    """Settings from -1 to 1 beside a rubber that is always 100."""
    return Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}],
        setting=[{"name": n, "low": -1, "high": 1, "changes": "batch"} for n in names],
        **more,
    )


def test_no_addition_from_a_grid_is_better():
    """All 165 ways to add three trials of the 3 x 3 grid to a D-optimal plan of six, with a shift between the rounds."""
    brief = switches("a", "b")
    half = lay_out(brief, 6, criterion="D", **QUICK)
    longer = extend(half, brief, 3, criterion="D", **QUICK)
    grid = pd.DataFrame(list(product([-1.0, 0.0, 1.0], repeat=2)), columns=["a", "b"])
    ways = list(combinations_with_replacement(range(9), 3))
    assert len(ways) == 165
    best = -np.inf
    shift = np.kron(np.eye(2), np.ones((6, 6)))[:9, :9]
    w = np.linalg.inv(2 * np.eye(9) + shift)  # a batch and a slab each, and a block the rounds
    for way in ways:
        rows = pd.concat([half.frame[["a", "b"]], grid.iloc[list(way)]], ignore_index=True)
        x = longer.basis.matrix(longer.basis.points(brief.complete(rows)))
        sign, value = np.linalg.slogdet(x.T @ w @ x)
        best = max(best, value / 6 if sign > 0 else -np.inf)
    assert longer.judge().score("D") >= best - 1e-9


def test_a_half_of_a_factorial_is_made_whole():
    """The fold-over of a half fraction frees each effect of the others (Box & Hunter 1961)."""
    brief = switches("a", "b", "c", setting_model="interaction")
    corners = pd.DataFrame(list(product([-1.0, 1.0], repeat=3)), columns=["a", "b", "c"])
    half = corners[corners.prod(axis=1) == 1]
    longer = extend(half, brief, 4, criterion="D", **QUICK)
    assert_allclose(
        longer.frame[4:].sort_values(["a", "b", "c"])[["a", "b", "c"]], corners[corners.prod(axis=1) == -1]
    )
    judged = longer.judge()
    assert_allclose(judged.terms["std_error"][1:], np.sqrt(2 / 8), rtol=1e-9)
    # of the mean: batches and slabs over eight, and a shift each round over two
    assert_allclose(judged.terms["std_error"][0], np.sqrt(2 / 8 + 1 / 2), rtol=1e-9)


def test_a_shift_between_rounds_costs_only_where_rounds_differ():
    """Two rounds of the same corners tell slopes as if nothing had shifted; a slope tried in one round alone does not gain."""
    brief = switches("a", "b", setting_model="linear")
    corners = pd.DataFrame(list(product([-1.0, 1.0], repeat=2)), columns=["a", "b"])
    for shift in (0.0, 4.0):
        longer = extend(corners, brief, 4, criterion="D", ratios={"block": shift, "batch": 1}, **QUICK)
        error = longer.judge().terms["std_error"]
        assert_allclose(error, np.sqrt([2 / 8 + shift / 2, 2 / 8, 2 / 8]), rtol=1e-9)
    still = corners.assign(b=1.0)  # b moved between the rounds tells b no better than the shift allows
    apart = Plan.from_frame(
        brief, pd.concat([still.assign(round=1), still.assign(round=2, b=-1.0)], ignore_index=True)
    )
    for shift in (0.0, 4.0):
        error = apart.judge({"block": shift}).terms.set_index("term")["std_error"]
        assert_allclose(error["b"], np.sqrt(2 / 8 + shift / 2), rtol=1e-9)


# ---- the new trials' own structure ------------------------------------------------------------------


def test_labels_of_days_blocks_and_loads_go_on():
    cured = rubber(
        setting=[{"name": "cure", "low": 10, "high": 20, "changes": "load"}], setting_model="linear"
    )
    first = lay_out(cured, 24, batches=12, days=2, blocks=2, **QUICK)
    longer = extend(first, cured, 8, batches=4, days=2, blocks=2, **QUICK).frame
    for column, letter, count in (("day", "D", 2), ("block", "K", 2), ("batch", "B", 4), ("trial", "T", 8)):
        before, new = set(longer[column][:24]), sorted(set(longer[column][24:]))
        assert new == [f"{letter}{len(before) + k:02d}" for k in range(1, count + 1)]
    assert not set(longer["load"][:24]) & set(longer["load"][24:])
    assert (longer[24:].groupby("batch")[["day", "block"]].nunique() == 1).all(axis=None)


def test_a_first_block_or_day_beside_earlier_trials_without(first):
    longer = extend(first, first.brief, 6, blocks=2, days=3, **QUICK)
    assert longer.frame["block"].isna().tolist() == [True] * 8 + [False] * 6
    assert sorted(set(longer.frame["block"][8:])) == ["K01", "K02"]
    assert sorted(set(longer.frame["day"][8:])) == ["D01", "D02", "D03"]
    assert "The earlier trials have no day: each batch counts with one of its own." in longer.notes
    assert [len(set(longer.structure.groups["block"][rows])) for rows in (slice(8), slice(8, 14))] == [1, 2]


def test_days_and_loads_are_as_large_as_the_earlier_ones():
    cured = rubber(
        setting=[{"name": "cure", "low": 10, "high": 20, "changes": "slab"}], setting_model="linear"
    )
    first = lay_out(cured, 24, batches=12, days=3, loads=6, **QUICK)
    longer = extend(first, cured, 10, batches=5, **QUICK)
    new = longer.frame[24:]
    assert new["day"].nunique() == 2 and new["load"].nunique() == 3
    assert "2 new days, of as many batches as the earlier ones had." in longer.notes
    assert "3 new loads, of as many slabs as the earlier ones had." in longer.notes


def test_base_mixings_of_the_new_trials():
    sulfur = {"name": "sulfur", "low": 1, "high": 3}
    brief = rubber(OIL, sulfur, plant={"mill_h": 0.75}, model="linear")
    split = lay_out(brief, 8, finals=["sulfur"], bases=4, **QUICK)
    longer = extend(split, brief, 6, finals=["sulfur"], bases=3, **QUICK)
    new = longer.frame[8:]
    assert sorted(set(new["base"])) == ["A05", "A06", "A07"]
    assert (new.groupby("base")["oil"].nunique() == 1).all() and (
        new.groupby("base")["sulfur"].nunique() > 1
    ).any()
    assert any(note.startswith("3 base mixings are split into 6 batches") for note in longer.notes)


def test_slabs_of_a_batch_are_kept_where_the_earlier_batches_tell_the_formulas():
    cured = rubber(setting=[{"name": "cure", "low": 10, "high": 20, "changes": "slab"}])
    first = lay_out(cured, 24, batches=12, **QUICK)
    longer = extend(first, cured, 4, **QUICK)
    assert longer.frame["batch"][24:].nunique() == 2
    assert not any("the terms that only change between batches" in note for note in longer.notes)


@pytest.mark.parametrize(
    "wishes",
    [
        {},
        {"days": 2},
        {"blocks": 2, "control": "block"},
        {"finals": ["chalk"], "bases": 4},
        {"loads": 2},
        {"checks": 1, "control": 1},
        {"failed": ["T02", "B05"]},
    ],
    ids=lambda wishes: ", ".join(wishes) or "plain",
)
@pytest.mark.parametrize(
    "before",
    [{}, {"days": 2}, {"blocks": 2}, {"finals": ["chalk"], "bases": 5}],
    ids=lambda wishes: ", ".join(wishes) or "plain",
)
def test_what_is_said_to_be_gained_is_what_the_plan_is_judged_to_tell(before, wishes):
    brief = rubber(current={"oil": 10, "chalk": 50}, model="linear")
    first = lay_out(brief, 10, **before, **QUICK)
    longer = extend(first, brief, 6, **wishes, **QUICK)
    said = " ".join(longer.notes)
    error = float(re.search(r"standard error of ([\d.]+) slab sds", said)[1])
    assert_allclose(error, longer.judge().summary["average_error"], rtol=5e-3)  # three digits are said
    if "failed" not in wishes and not before:
        was = float(re.search(r"on average, before ([\d.]+)\.", said)[1])
        shifted = first.judge().at_ratios({"block": 0.0}).inverse
        in_one_block = np.sqrt(np.trace(shifted) + 1.0)  # the mean is as uncertain as its block
        if not {"days", "finals", "loads"} & set(wishes):
            assert_allclose(was, in_one_block, rtol=5e-3)


# ---- how they are run -------------------------------------------------------------------------------


def test_order_by_colour_and_warm_up_count_on_top_of_the_first_plan():
    colours = {"name": "colour", "levels": ["white", "pink", "black"], "changes": "batch"}
    brief = rubber(setting=[colours], model="linear", crossed="none", plant={"batch_kg": 10, "mill_h": 1})
    table = pd.DataFrame(
        [[a, b, 6, 1] for a in colours["levels"] for b in colours["levels"] if a != b],
        columns=["from", "to", "minutes", "kg"],
    )
    first = lay_out(brief, 8, warm_up=1, **QUICK)
    run = {"order": "colour", "colour": "colour", "changeovers": table, "warm_up": 2}
    longer = extend(first, brief, 6, **run, **QUICK)
    new = longer.frame["colour"][8:].tolist()
    steps = sum(a != b for a, b in zip(new, new[1:]))
    assert steps == len(set(new)) - 1
    assert longer.extras == {"batches": 3.0, "hours": pytest.approx(steps * 0.1), "kg": float(steps)}
    assert "2 warm-up batches before the first batch count in the cost." in longer.notes
    assert_allclose(longer.cost["batches"], 8 + 6 + 3)


def test_order_nearly_free_of_trends(first):
    longer = extend(first, first.brief, 10, order="trend", **QUICK)
    said = next(note for note in longer.notes if note.startswith("Run order nearly free of time trends"))
    most = float(re.search(r"above ([\d.]+) with", said)[1])
    x = longer.basis.raw(longer.basis.points(longer.frame))[8:]
    x = x - x.mean(axis=0)
    x = x[:, np.linalg.norm(x, axis=0) > 1e-9]
    t = np.linspace(-1, 1, 10)
    for trend in (t, t**2 - np.mean(t**2)):
        found = np.abs(trend @ x) / np.linalg.norm(x, axis=0) / np.linalg.norm(trend)
        assert found.max() <= most + 1e-9
    assert sorted(map(tuple, longer.formulas.to_numpy()[8:])) == sorted(
        map(tuple, extend(first, first.brief, 10, **QUICK).formulas.to_numpy()[8:])
    )


def test_potential_terms_beside_the_earlier_trials():
    line = lay_out(rubber(model="linear"), 4, **QUICK)
    longer = extend(line, rubber(), 1, potential="auto", prior_scale=0.5, **QUICK)
    assert set(longer.prior.potential) == {"oil²", "chalk²", "oil × chalk"}
    single = np.sqrt(3)  # block, batch and slab, each as variable as the other
    assert longer.prior.tau == pytest.approx(0.5 * single)
    assert longer.notes[-1].startswith("Told by these trials, of the potential terms")


# ---- names ------------------------------------------------------------------------------------------


def named(first: Plan, case: str) -> pd.DataFrame:
    frame = first.frame.copy()
    if case == "without names at the end":
        frame.loc[5:, ["trial", "batch"]] = np.nan
    elif case == "written otherwise":
        frame["trial"] = ["t1", "T2a", " T3", "T004", "X9", "7", "T5 again", "T08"]
    elif case == "whole numbers":
        frame["trial"] = range(1, 9)
    elif case == "two readings, another batch":
        frame = pd.concat([frame, frame.tail(1).assign(batch="B09")], ignore_index=True)
    elif case == "all failed":
        frame["status"] = "scorched"
    elif case == "no results":
        frame = frame.assign(status=None, run_order=np.nan)
    return frame


@pytest.mark.parametrize(
    "case",
    ["plain", "without names at the end", "written otherwise", "whole numbers", "two readings, another batch",
     "all failed", "no results"],
)  # fmt: skip
def test_names_are_never_used_again(first, case):
    given = named(first, case)
    frame = extend(given, first.brief, 6, model="linear", **QUICK).frame
    assert len(frame) == 14 and frame["trial"].is_unique and frame["trial"].notna().all()
    numbers = [int(re.search(r"\d+", str(name))[0]) for name in frame["trial"]]
    assert len(set(zip(numbers, [str(n).strip()[:1].upper() for n in frame["trial"]]))) == 14
    assert not set(frame["batch"][8:]) & {*frame["batch"][:8], *given["batch"]}
    assert frame["run_order"][8:].tolist() == list(range(9, 15))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"runs": 2, "days": 3}, "2 batches cannot be spread over 3 days; ask for fewer days."),
        ({"runs": 1, "blocks": 2}, "1 batch cannot be spread over 2 blocks; ask for fewer blocks."),
        (
            {"bases": 2},
            "bases needs finals: name the ingredients that are added to the parts of a base mixing.",
        ),
        ({"finals": ["clay"]}, "finals names 'clay'; choose among the ingredients rubber, oil, chalk."),
        (
            {"runs": 2, "finals": ["oil"], "bases": 3},
            "2 batches cannot come from 3 base mixings; ask for at most one a batch.",
        ),
        ({"order": "alphabetical"}, "order = 'alphabetical'; use one of random, trend, colour."),
        (
            {"order": "colour"},
            "order = 'colour' needs colour: name the setting or ingredient whose changes need cleaning.",
        ),
        ({"warm_up": -1}, "warm_up = -1; give at least 0."),
        ({"checks": -1}, "checks = -1; give at least 0."),
        ({"criterion": "E"}, "criterion = 'E'; use one of D, A, I."),
        (
            {"potential": ["clay"]},
            "'clay' is not a term of this model; choose among 1, oil, chalk, oil × chalk, oil², chalk².",
        ),
        (
            {"control": "day"},
            "Control batches are batches of the current formula; the brief has none. Add [current] to it.",
        ),
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
