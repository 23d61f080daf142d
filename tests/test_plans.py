"""Plans end to end: what `lay_out` hands back, for every kind, and its messages."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import Brief, Region, read_brief
from formlab.errors import PlanError
from formlab.plans import Plan, lay_out

DEMO = Path(__file__).parent.parent / "demo_trials"
HEAD = ["trial", "batch", "run_order", "round", "brief_id"]


def mixture(q: int = 3, **more) -> Brief:
    return Brief(
        basis="fraction", ingredient=[{"name": f"x{k}", "low": 0, "high": 1} for k in range(1, q + 1)], **more
    )


def rubber(**more) -> Brief:
    ingredients = [
        {"name": "rubber", "role": "rubber"},
        {"name": "oil", "role": "oil", "low": 5, "high": 20},
        {"name": "chalk", "role": "filler", "low": 20, "high": 100},
        {"name": "zinc_oxide", "low": 5, "high": 5},
    ]
    return Brief(**{"ingredient": ingredients, **more})


def pressed(**more) -> Brief:
    settings = [
        {"name": "cure_min", "unit": "min", "low": 10, "high": 20, "changes": "slab"},
        {"name": "press_c", "unit": "°C", "levels": [140, 150, 160], "changes": "load"},
        {"name": "heat", "levels": ["ram", "steam"], "changes": "batch"},
    ]
    plant = {"slabs_per_batch": 4, "slabs_per_load": 6}
    return rubber(
        **{"setting": settings, "plant": plant, "limit": [{"expression": "oil + chalk <= 110"}], **more}
    )


@pytest.fixture(scope="module")
def loaded() -> Plan:
    return lay_out(pressed(), runs=32, seed=3, starts=2)


# ---- the frame --------------------------------------------------------------------------------------


def test_frame_has_the_contract_columns_in_run_order(loaded):
    brief, plan = loaded.brief, loaded
    assert list(plan.frame.columns) == ["trial", "batch", "load", *HEAD[2:], *brief.columns]
    assert plan.frame["run_order"].tolist() == list(range(1, 33))
    assert plan.frame["trial"].tolist()[:2] == ["T01", "T02"]
    assert set(plan.frame["brief_id"]) == {brief.brief_id}
    assert (plan.frame["zinc_oxide"] == 5).all() and (plan.frame["rubber"] == 100).all()
    assert Region.from_brief(brief).contains(plan.frame).all()


def test_slabs_of_a_batch_share_its_ingredients_and_batch_settings(loaded):
    frame = loaded.frame
    for name in ("oil", "chalk", "heat"):
        assert (frame.groupby("batch")[name].nunique() == 1).all()
    assert (frame.groupby("load")["press_c"].nunique() == 1).all()
    assert (frame.groupby("batch")["cure_min"].nunique() > 1).any()
    assert (frame.groupby("load").size() <= 6).all()


def test_same_seed_same_plan_and_another_seed_another_order():
    brief = rubber(model="linear")
    first, again, other = (lay_out(brief, runs=6, seed=s, starts=3) for s in (5, 5, 6))
    pd.testing.assert_frame_equal(first.frame, again.frame)
    assert not first.frame.equals(other.frame)


def test_seed_is_drawn_and_kept_where_none_is_given():
    plan = lay_out(rubber(), runs=8, starts=2)
    again = lay_out(rubber(), runs=8, starts=2, seed=plan.seed)
    pd.testing.assert_frame_equal(plan.frame, again.frame)


def test_replicates_are_made_in_new_batches():
    plan = lay_out(mixture(), kind="lattice", replicates=2, seed=1)
    assert len(plan) == 12 and plan.frame["batch"].nunique() == 12
    assert (plan.frame.groupby(["x1", "x2", "x3"]).size() == 2).all()
    assert plan.judge().repeats == 6


def test_runs_left_out_are_proposed_with_the_reason():
    plan = lay_out(rubber(), seed=1, starts=2)
    assert len(plan) == 12
    assert plan.notes[1] == (
        "12 trials proposed: 6 terms, 3 more to see whether the model fits, "
        "3 more to see how well trials repeat (common practice, no source)."
    )


# ---- textbook kinds ---------------------------------------------------------------------------------


def test_lattice_points():
    plan = lay_out(mixture(), kind="lattice", degree=3, seed=1)
    assert len(plan) == 10  # {3,3}: NIST/SEMATECH e-Handbook 5.5.4.2 lists ten points
    assert_allclose(plan.frame[["x1", "x2", "x3"]].sum(axis=1), 1.0, rtol=1e-12)
    thirds = plan.frame[["x1", "x2", "x3"]].to_numpy() * 3
    assert_allclose(thirds, np.round(thirds), atol=1e-12)


def test_lattice_uses_pseudo_components():
    """Fruit punch with at least 30 % watermelon (Huor, Ahmed, Rao & Cornell 1980): its six lattice points."""
    brief = Brief(
        basis="fraction",
        total=100,
        ingredient=[
            {"name": "W", "low": 30, "high": 100},
            {"name": "P", "low": 0, "high": 70},
            {"name": "O", "low": 0, "high": 70},
        ],
    )
    found = {
        tuple(row)
        for row in lay_out(brief, kind="lattice", seed=1).frame[["W", "P", "O"]].round(9).to_numpy()
    }
    assert found == {(100, 0, 0), (65, 35, 0), (30, 70, 0), (30, 35, 35), (30, 0, 70), (65, 0, 35)}


def test_centroid_has_every_subset():
    assert len(lay_out(mixture(4), kind="centroid", seed=1)) == 15
    assert len(lay_out(mixture(4), kind="centroid", axial=True, seed=1)) == 19


def test_flare_vertices_and_centroids():
    """McLean & Anderson 1966 (Technometrics 8:447): 8 vertices, 6 face centroids, the overall centroid."""
    bounds = {"magnesium": (0.4, 0.6), "nitrate": (0.1, 0.5), "strontium": (0.1, 0.5), "binder": (0.03, 0.08)}
    brief = Brief(
        basis="fraction",
        ingredient=[{"name": n, "low": low, "high": high} for n, (low, high) in bounds.items()],
    )
    plan = lay_out(brief, kind="vertices", seed=1)
    assert len(plan) == 15
    found = plan.frame[list(bounds)].round(6).to_numpy().tolist()
    for point in ([0.4, 0.1, 0.47, 0.03], [0.6, 0.22, 0.1, 0.08], [0.5, 0.1, 0.345, 0.055]):
        assert point in found


def test_factorial_in_phr_and_categories():
    plan = lay_out(pressed(limit=[]), kind="factorial", levels={"oil": 3}, seed=1)
    assert len(plan) == 3 * 2 * 2 * 3 * 2
    assert set(plan.frame["oil"]) == {5, 12.5, 20} and set(plan.frame["heat"]) == {"ram", "steam"}
    assert (plan.frame.groupby("batch").size() <= 4).all()


def test_composite_is_inscribed_and_rotatable():
    plan = lay_out(rubber(), kind="composite", centres=5, seed=1)
    assert len(plan) == 4 + 4 + 5
    coded = (plan.frame[["oil", "chalk"]] - [12.5, 60]) / [7.5, 40]
    radius = np.sqrt((coded**2).sum(axis=1))
    assert_allclose(radius[radius > 1e-9], 1.0, rtol=1e-12)


def test_points_outside_are_moved_or_dropped_when_asked():
    brief = rubber(limit=[{"expression": "oil + chalk <= 110"}])
    moved = lay_out(brief, kind="factorial", outside="move", seed=1)
    dropped = lay_out(brief, kind="factorial", outside="drop", seed=1)
    assert len(moved) == 4 and len(dropped) == 3
    assert Region.from_brief(brief).contains(moved.frame).all()
    assert dropped.notes == [
        "A factorial plan supports a smaller model than the brief's: model 'interaction'.",
        "1 of 4 points were dropped: point 4 (oil + chalk <= 110).",
        "1 of 4 terms cannot be told apart by these trials; there are fewer trials than terms, so the last of the model "
        "are named: oil × chalk.",
    ]


@pytest.mark.parametrize(
    "wishes", [{"kind": "spread", "runs": 14}, {"kind": "factorial", "levels": 3, "outside": "move"}]
)
def test_amounts_of_textbook_plans_can_be_weighed(wishes):
    """On steps of at most 1/200 of a range, but where that would leave the region: a face is met exactly."""
    brief = pressed(limit=[{"expression": "1.7 oil + chalk <= 103"}])
    plan = lay_out(brief, seed=1, **wishes)
    assert Region.from_brief(brief).contains(plan.frame).all()
    for name, step in {"oil": 0.05, "chalk": 0.2, "cure_min": 0.05}.items():
        off = plan.frame[name] / step
        assert np.mean(np.abs(off - off.round()) < 1e-9) > 0.9, name


# ---- from a frame -----------------------------------------------------------------------------------


def test_from_frame_rebuilds_a_plan(loaded):
    brief, plan = loaded.brief, loaded
    again = Plan.from_frame(brief, plan.frame)
    pd.testing.assert_frame_equal(again.frame, plan.frame)
    assert_allclose(again.judge().summary["I"], plan.judge().summary["I"], rtol=1e-12)


def test_trials_outside_the_region_are_named():
    frame = pd.DataFrame({"oil": [5, 20, 12.5, 20], "chalk": [20, 20, 60, 100]})
    plan = Plan.from_frame(rubber(limit=[{"expression": "oil + chalk <= 110"}]), frame)
    assert plan.messages == ["1 of 4 trials lies outside the region: T04 (oil + chalk <= 110)."]
    assert Plan.from_frame(rubber(), frame).messages == []


def test_slabs_at_different_temperatures_do_not_share_a_load():
    brief = pressed(plant={"slabs_per_load": 4, "press_h": 0.5})
    rows = {"oil": 10, "chalk": 40, "cure_min": 15, "heat": "ram"}
    frame = pd.DataFrame([rows | {"press_c": c} for c in [140, 150, 160, *[140] * 5]])
    assert Plan.from_frame(brief, frame).cost["loads"] == 4  # six slabs at 140 °C take two
    assert Plan.from_frame(brief, frame).cost["press_h"] == 2.0


def test_bare_rows_become_trials_of_their_own():
    plan = Plan.from_frame(rubber(), pd.DataFrame({"oil": [5, 20], "chalk": [20, 100]}), model="linear")
    assert plan.frame["trial"].tolist() == ["T01", "T02"] and plan.frame["batch"].tolist() == ["B01", "B02"]


# ---- reprs ------------------------------------------------------------------------------------------


def test_reprs():
    plan = lay_out(mixture(), kind="lattice", seed=4)
    assert repr(plan) == "Plan(lattice: 6 trials in 6 batches x 3 columns, seed 4)"
    html = plan._repr_html_()
    assert html.index("6 trials in 6 batches for 6 terms (lattice).") < html.index("<table>")
    assert "T01" in plan.judge()._repr_html_()


def test_estimates_that_do_not_depend_on_each_other_are_said_to_be_free():
    judged = lay_out(rubber(model="linear"), kind="composite", centres=5, seed=1).judge()
    assert list(judged.terms["correlation"]) == [0, 0, 0] and list(judged.terms["moves_with"]) == ["", "", ""]
    assert "e-1" not in str(judged) + judged._repr_html_()
    demo = DEMO / "drafting_block"
    terms = Plan.from_frame(read_brief(demo / "brief.toml"), pd.read_csv(demo / "plan.csv")).judge().terms
    assert not (terms["moves_with"] == terms["term"]).any() and terms["correlation"].abs().max() < 1


def test_what_a_plan_takes_has_units():
    html = lay_out(rubber(currency="CHF"), kind="composite", centres=5, seed=1)._repr_html_()
    assert all(f"<td class='t'>{words}</td>" in html for words in ("mill, h", "material, kg", "cost, CHF"))


def test_html_escapes_what_the_user_wrote():
    assert "<b>" not in lay_out(mixture(title="<b>x"), kind="lattice", seed=4)._repr_html_()


# ---- messages ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            {"kind": "best"},
            "kind = 'best'; use one of optimal, lattice, centroid, vertices, factorial, screening, composite, "
            "box-behnken, spread.",
        ),
        ({"criterion": "G"}, "criterion = 'G'; use one of D, A, I."),
        ({"replicates": 0}, "replicates = 0; give at least 1."),
        ({"runs": 200_000}, "runs = 200000; give at most 2000."),
        ({"kind": "factorial", "outside": "ignore"}, "outside = 'ignore'; use one of error, move, drop."),
        (
            {"runs": 2},
            "3 primary terms cannot be estimated from 2 trials. Add at least 1 trial, or choose a smaller model than "
            "'quadratic' (settings 'quadratic', crossed 'main').",
        ),
        (
            {"runs": 8, "batches": 9},
            "8 trials cannot fill 9 batches; give at least one trial a batch.",
        ),
        (
            {"kind": "lattice"},
            "kind 'lattice' is for shares that sum to a total; in basis 'phr' the ingredients vary independently. Use "
            "kind 'factorial', 'composite' or 'optimal', or write the brief in basis 'fraction'.",
        ),
        (
            {"kind": "factorial"},
            "1 of 4 points lie outside the region: point 4 (oil + chalk <= 110). Use outside='move' (to the nearest "
            "allowed formula), outside='drop', or kind 'optimal' or 'vertices'.",
        ),
        (
            {"ratios": {"slab": 1}},
            "ratios has 'slab'; choose among the levels of error block, day, base, batch, load.",
        ),
    ],
)
def test_messages(arguments, message):
    with pytest.raises(PlanError) as caught:
        lay_out(rubber(limit=[{"expression": "oil + chalk <= 110"}]), seed=1, **arguments)
    assert str(caught.value) == message


def test_factorial_of_a_mixture_is_refused():
    with pytest.raises(PlanError) as caught:
        lay_out(mixture(2), kind="factorial")
    assert str(caught.value) == (
        "kind 'factorial' varies every factor on its own, but 'x1', 'x2' share a fixed total. Use kind 'lattice', "
        "'centroid', 'vertices' or 'optimal', or write the brief in basis 'phr'."
    )


def test_judging_too_few_trials_names_the_terms():
    plan = Plan.from_frame(rubber(), pd.DataFrame({"oil": [5, 20, 5, 20], "chalk": [20, 20, 100, 100]}))
    with pytest.raises(PlanError) as caught:
        plan.judge()
    assert str(caught.value) == (
        "4 trials carry only 4 of 6 terms: '1', 'oil²', 'chalk²' cannot be told apart. Add at least 2 trials that "
        "vary them separately, or judge a smaller model."
    )


def test_trial_ids_are_unique():
    with pytest.raises(PlanError) as caught:
        Plan.from_frame(rubber(), pd.DataFrame({"trial": ["A", "A"], "oil": [5, 20], "chalk": [20, 100]}))
    assert str(caught.value) == "Trial 'A' occurs more than once. Give each slab an id of its own."


def test_amounts_of_a_blend_can_be_weighed():
    """No amount has more than four decimals, corners of limits and balances included, and all stay in the region."""
    brief = read_brief("demo_trials/ink_wedge/brief.toml")
    frame = lay_out(brief, runs=14, seed=3, starts=6).frame
    amounts = frame[brief.varied].to_numpy(float)
    assert_allclose(amounts, np.round(amounts, 4), rtol=0, atol=1e-12)
    assert Region(brief).contains(frame).all()


def test_a_plan_says_when_its_batches_leave_nothing_to_tell_them_apart_by():
    brief = Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 5, "high": 15}],
        setting=[{"name": "cure_min", "low": 10, "high": 20, "changes": "slab"}],
    )
    words = (
        " None is left between batches: how far they differ must be guessed, and no chance to see what changes with them can be told. "
        "Add batches, or choose a smaller model."
    )
    few, more = (lay_out(brief, runs=np.int64(12), batches=k, starts=2, seed=1).judge() for k in (3, 5))
    assert few.degrees_of_freedom["df"].tolist()[0] == 0 and words in few.verdict
    assert more.degrees_of_freedom["df"].tolist()[0] == 2 and words not in more.verdict
