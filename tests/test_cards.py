import html
import io
import os
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab import Brief, Region, cure, lay_out
from formlab.cards import (
    Mill,
    Scale,
    Site,
    batches_of,
    loads_of,
    make_cards,
    mixings_of,
    read_site,
    results_form,
    sessions_of,
)
from formlab.cards.batches import tubs
from formlab.cards.weigh import _agreeing, mill_steps, weight
from formlab.cli import main
from formlab.errors import BriefError, FormlabError, RecipeError, SeriesError
from formlab.gates import gate_records, yield_gate
from formlab.series import create_series
from tests.known_cards import FULL, brief_of, plan_of
from tests.test_mill import ERASER, ERASER_DENSITY

ROLES = {"sbr": "rubber", "factice": "factice", "chalk": "filler", "pumice": "abrasive", "titanium": "pigment", "oil": "oil",
         "zinc_oxide": "activator", "stearic": "activator", "sulfur": "curing agent", "mbts": "accelerator",
         "dpg": "accelerator"}  # fmt: skip
ERASER_BRIEF = Brief(
    ingredient=[
        {"name": n, "role": ROLES[n], "low": v, "high": v, "density": ERASER_DENSITY[n]}
        for n, v in ERASER.items()
    ]
)


def text_of(page):
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page)))


# ---- weigh-up ----


@pytest.mark.parametrize("count", [3, 8, 12])
def test_a_batch_weighs_what_it_should_within_each_tolerance(count):
    brief = brief_of(count)
    for batch in batches_of(brief, plan_of(brief), Site()):
        lines = batch.lines
        assert_allclose(lines["planned_g"].sum(), 1000 * batch.kg, rtol=1e-9)
        assert (abs(lines["weighed_g"] - lines["planned_g"]) <= lines["tolerance_g"] / 2 + 1e-9).all()
        assert_allclose(
            lines["weighed_g"] / lines["step_g"], (lines["weighed_g"] / lines["step_g"]).round(), atol=1e-6
        )
        assert lines["order"].is_monotonic_increasing
        assert_allclose(lines.loc[lines["role"] == "rubber", "amount"].sum(), 100.0, rtol=1e-9)


def test_tolerances_are_those_of_the_standard_scaled_with_the_batch():
    # ISO 2393, 5.2.1 (GOST edition): on 627 g, rubber 1 g, curatives 0.02 g, fillers 1 %.
    plan = dict(ERASER)
    (batch,) = batches_of(ERASER_BRIEF, plan, Site(), batch_kg=6.27)
    within = batch.lines.set_index("name")["tolerance_g"]
    assert_allclose(within[["sbr", "zinc_oxide", "mbts"]], [10.0, 1.0, 0.2], rtol=1e-9)
    assert_allclose(within["chalk"], 0.01 * 6270 * 150 / 473, rtol=1e-9)


def test_a_scale_that_is_too_coarse_is_named():
    coarse = Site(scales=[Scale(up_to_g=50_000, step_g=5)])
    brief = brief_of(3)
    (batch, *_) = batches_of(brief, plan_of(brief), coarse)
    assert (
        "sulfur: the scale shows steps of 5 g and the tolerance is 0.19 g. Use a finer scale or a larger batch."
        in batch.notes
    )


def test_a_role_may_have_a_scale_of_its_own():
    brief = brief_of(8)
    (batch, *_) = batches_of(brief, plan_of(brief), Site(scale_of={"oil": 2.0}))
    assert batch.lines.set_index("name").loc["oil", "step_g"] == 2.0


def test_masses_are_written_to_the_step_of_their_scale():
    assert [weight(g, s) for g, s in [(999.9, 0.1), (1000.0, 1), (2590.0, 10), (39.5, 0.1), (107.14, 0.01)]] == [
        "999.9 g", "1.000 kg", "2.59 kg", "39.5 g", "107.14 g",
    ]  # fmt: skip


@given(st.lists(st.floats(1.0, 40_000.0), min_size=1, max_size=12), st.floats(3_000.0, 25_000.0))
def test_no_tub_is_over_the_lifting_limit_and_nothing_is_lost(grams, limit):
    said = tubs(grams, limit)
    assert_allclose([sum(g for _, g in line) for line in said], grams, rtol=1e-9)
    loads = (
        pd.Series([g for line in said for _, g in line]).groupby([t for line in said for t, _ in line]).sum()
    )
    assert (loads <= limit * (1 + 1e-9)).all()
    assert list(loads.index) == list(range(1, len(loads) + 1))
    assert all(len(line) == 1 for line, g in zip(said, grams) if g <= limit)


def test_a_batch_over_the_lifting_limit_says_so_on_its_card():
    brief = brief_of(12)
    card = text_of(make_cards(brief, plan_of(brief), FULL)["weigh-up.html"])
    assert "The batch of 40 kg lies over the lifting limit of 15 kg: it goes in 4 tubs." in card
    assert "[tub 4]" in card


def test_order_of_addition_is_watched():
    parts = [
        {"name": "sbr", "role": "rubber", "order": 1}, {"name": "factice", "label": "white factice", "role": "factice", "low": 50, "high": 50, "order": 5},
        {"name": "oil", "role": "oil", "low": 9, "high": 9, "order": 2}, {"name": "wax", "low": 1, "high": 1, "order": 3}, {"name": "chalk", "role": "filler", "low": 90, "high": 90, "order": 4},
        {"name": "dpg", "role": "accelerator", "low": 1, "high": 1, "order": 6}, {"name": "sulfur", "role": "curing agent", "low": 2, "high": 2, "order": 6},
    ]  # fmt: skip
    card = text_of(
        make_cards(Brief(ingredient=parts), Brief(ingredient=parts).fixed, batch_kg=5.0)["weigh-up.html"]
    )
    assert "'oil' goes in without a filler beside it." in card
    assert "'sulfur' and 'dpg' go in together." in card
    assert "'white factice' is acidic and goes in next to 'dpg', which is basic." in card


def test_materials_stand_on_the_card_and_substances_in_the_plan():
    parts = [{"name": "oe_sbr", "role": "rubber", "contains": {"sbr": 8 / 11, "oil": 3 / 11}},
             {"name": "oil", "role": "oil", "low": 40, "high": 60},
             {"name": "s80", "role": "curing agent", "low": 2, "high": 2, "contains": {"sulfur": 0.8, "carrier": 0.2}}]  # fmt: skip
    brief = Brief(ingredient=parts)
    (batch,) = batches_of(brief, {"oil": 50.0}, Site(), batch_kg=10.0)
    amounts = batch.lines.set_index("name")["amount"]
    assert_allclose(amounts[["oe_sbr", "oil", "s80"]], [137.5, 12.5, 2.5], rtol=1e-9)


def test_what_is_zero_is_named_as_left_out():
    brief = brief_of(8)
    plan = plan_of(brief).assign(pumice=0.0)
    (batch, *_) = batches_of(brief, plan, Site())
    assert batch.left_out == ("pumice",) and "pumice" not in set(batch.lines["name"])
    assert "Not in this batch: pumice." in text_of(make_cards(brief, plan)["weigh-up.html"])


def test_a_fraction_brief_is_weighed_with_phr():
    parts = [
        {"name": "sbr", "role": "rubber", "low": 0.2, "high": 0.4},
        {"name": "chalk", "role": "filler", "low": 0.6, "high": 0.8},
    ]
    (batch,) = batches_of(
        Brief(basis="fraction", ingredient=parts), {"sbr": 0.25, "chalk": 0.75}, Site(), batch_kg=8.0
    )
    assert batch.unit == "phr"
    assert batch.lines["amount"].tolist() == [100.0, 300.0]


def test_a_fraction_brief_shows_its_own_amounts_beside_phr():
    parts = [
        {"name": "sbr", "role": "rubber", "low": 20, "high": 50},
        {"name": "factice", "role": "factice", "low": 5, "high": 20},
        {"name": "oil", "role": "oil", "low": 5, "high": 20},
        {"name": "chalk", "role": "filler", "low": 20, "high": 50},
        {"name": "pumice", "role": "abrasive", "low": 5, "high": 20},
    ]
    brief = Brief(basis="fraction", total=100, ingredient=parts)
    formula = {"sbr": 34.0, "factice": 12.0, "oil": 7.0, "chalk": 35.0, "pumice": 12.0}
    (batch,) = batches_of(brief, formula, Site(), batch_kg=6.0)
    assert batch.share_unit == "%" and batch.unit == "phr"
    assert_allclose(
        batch.lines.set_index("name")["share"], pd.Series(formula)[batch.lines["name"]], rtol=1e-12
    )
    page = make_cards(brief, formula, batch_kg=6.0)["weigh-up.html"].split("</section>")[0]
    heads = [text_of(h).strip() for h in re.findall(r"<th[^>]*>.*?</th>", page)]
    assert heads[2:5] == ["%", "phr", "weigh"]
    rows = [re.findall(r"<td class='n'>([\d.]+)</td>", row) for row in re.findall(r"<tr[ >].*?</tr>", page)]
    of_lines, total = np.array([[float(c) for c in row] for row in rows[1:6]]), [float(c) for c in rows[6]]
    assert total == [100.0, 294.12]
    assert_allclose(of_lines.sum(axis=0), total, rtol=1e-12)  # as printed
    assert_allclose(of_lines[:, 1], of_lines[:, 0] / 0.34, atol=0.01)
    in_phr = brief_of(3)
    (batch, *_) = batches_of(in_phr, plan_of(in_phr), Site())
    assert batch.share_unit == "" and "share" not in batch.lines


@given(st.lists(st.floats(1e-3, 500.0), min_size=1, max_size=14))
def test_what_is_printed_adds_up_to_the_total_that_is_printed(amounts):
    *lines, total = (float(text) for text in _agreeing(pd.Series(amounts)))
    assert_allclose(sum(lines), total, rtol=0, atol=1e-7)
    assert_allclose(lines, amounts, rtol=0, atol=0.01)
    assert_allclose(total, sum(amounts), rtol=0, atol=0.0051)


def test_no_more_digits_are_printed_than_there_are():
    assert _agreeing(pd.Series([100.0, 60.0, 1.5])) == ["100", "60", "1.5", "161.5"]
    assert _agreeing(pd.Series([100.0, 0.0123456])) == ["100", "0.0123", "100.0123"]


def test_the_card_has_code_revision_limits_and_a_second_person_for_curatives_only():
    brief = brief_of(8)
    page = make_cards(brief, plan_of(brief))["weigh-up.html"]
    card = text_of(page)
    assert f"Compound B-B01, revision {brief.brief_id}" in card
    batch = batches_of(brief, plan_of(brief), Site())[0]
    within = batch.lines["tolerance_g"].sum()
    low, high = (f"{(batch.weighed_g + side * within) / 1000:.2f}" for side in (-1, 1))
    said = re.search(
        r"Check-weigh all tubs together: ([\d.]+) kg to ([\d.]+) kg\. The tolerances of the lines added up",
        card,
    )
    assert said and (f"{float(said[1]):.2f}", f"{float(said[2]):.2f}") == (low, high)
    assert "Mass off the mill" in card and "5.910 kg to 6.030 kg" in card  # ISO 2476
    assert page.count("class='shut'") == 2 * 6  # all lines but sulfur and MBTS, in two batches
    own = text_of(make_cards(brief, plan_of(brief), Site(check_percent=(-3.0, 1.0)))["weigh-up.html"])
    assert "5.820 kg to 6.060 kg." in own and "added up" not in own


def test_mill_steps_follow_the_order_and_give_way_to_the_sites_own():
    brief = brief_of(8)
    batch = batches_of(brief, plan_of(brief), Site())[0]
    steps = mill_steps(batch)
    assert steps[0].startswith("Band sbr;") and steps[3].startswith(
        "Add oil, chalk and pumice in lots, oil in turn with powder."
    )
    assert [k for k, step in enumerate(steps) if "sulfur" in step] > [
        k for k, step in enumerate(steps) if "mbts" in step
    ]
    assert steps[0].endswith("Guide: 3 to 5 min.")  # the batch says how hot its rolls are
    untold = mill_steps(replace(batch, settings={"press temperature (°C)": "150"}))
    assert untold[0].endswith("Guide: 3 to 5 min, rolls 50 to 70 °C.") and untold[1:] == steps[1:]
    card = text_of(make_cards(brief, plan_of(brief))["weigh-up.html"])
    assert "These steps are a starting point." in card
    ours = text_of(
        make_cards(brief, plan_of(brief), Site(procedure=["Do as sheet 7 says."]))["weigh-up.html"]
    )
    assert "Do as sheet 7 says." in ours and "These steps are a starting point." not in ours


def test_the_gates_on_the_card_hold_the_calculated_density():
    brief = brief_of(8)
    plan = plan_of(brief)
    rho = float(brief.density(plan).iloc[0])
    card = text_of(make_cards(brief, plan, FULL.model_copy(update={"regrind": []}))["weigh-up.html"])
    assert f"{rho - 0.02:.3f} to {rho + 0.02:.3f} g/cm³ (calculated {rho:.3f})" in card
    assert "at least 7 of 10" in card


# ---- base mixings ----


def _split_plan(brief, finals=("oil", "mbts")):
    """Two bases of three and two parts, and a batch that is mixed whole."""
    plan = plan_of(brief, batches=6, slabs=1)
    plan["base"] = ["A01"] * 3 + ["A02"] * 2 + [None]
    plan["oil"], plan["chalk"] = [9.0, 18.0, 36.0, 9.0, 30.0, 18.0], [100.0] * 3 + [150.0] * 3
    return plan.assign(finals=" ".join(finals)) if finals else plan


@pytest.mark.parametrize("finals", [("oil", "mbts"), ()])
def test_a_base_and_its_finals_hold_what_the_batches_would_mixed_whole(finals):
    brief = brief_of(8)
    plan = _split_plan(brief, finals)
    mixings = mixings_of(brief, plan, FULL.model_copy(update={"regrind": []}))
    assert [m.batch for m in mixings] == ["A01", "B01", "B02", "B03", "A02", "B04", "B05", "B06"]
    whole = batches_of(brief, plan.drop(columns="base"), FULL.model_copy(update={"regrind": []}))
    names = set(finals or ["oil"])
    for base in (m for m in mixings if m.parts):
        batches = [m for m in mixings if m.base == base.batch]
        assert [p[0] for p in base.parts] == [b.batch for b in batches]
        assert [p[1] for p in base.parts] == [b.lines["weighed_g"].iloc[0] for b in batches]
        own = [w.lines.set_index("name")["planned_g"] for w in whole if w.batch in {b.batch for b in batches}]
        assert_allclose(base.lines.set_index("name")["planned_g"], sum(own)[base.lines["name"]], rtol=1e-9)
        assert_allclose(1000 * base.kg, sum(b.lines["planned_g"].iloc[0] for b in batches), rtol=1e-9)
        for batch, alone in zip(batches, own):
            lines = batch.lines.set_index("name")["planned_g"]
            assert list(lines.index)[0] == "base" and set(lines.index[1:]) == names
            assert not set(lines.index) & set(base.lines["name"])
            assert_allclose(lines[list(names)], alone[list(names)], rtol=1e-9)
            assert_allclose(lines.sum(), alone.sum(), rtol=1e-9)
            assert_allclose(
                batch.lines["amount"].sum(),
                plan[brief.ingredient_names].loc[plan["batch"] == batch.batch].sum(axis=1),
            )
    last = mixings[-1].lines
    pd.testing.assert_frame_equal(last, whole[-1].lines)


def test_a_plan_without_bases_has_the_cards_it_had():
    brief = brief_of(12)
    plain = make_cards(brief, plan_of(brief), FULL)
    alone = plan_of(brief).assign(
        base=["A01", "A01", "A02", "A02"], finals="oil"
    )  # a base of one batch is no base
    assert make_cards(brief, alone, FULL) == plain
    assert [b.batch for b in mixings_of(brief, plan_of(brief), FULL)] == ["B01", "B02"]


def test_the_card_of_a_base_says_what_it_is_cut_into_and_what_to_mind():
    brief = brief_of(8)
    pages = make_cards(brief, _split_plan(brief), Site(children=True))["weigh-up.html"].split("</section>")
    base, mill, batch, batch_mill = map(text_of, pages[:4])
    assert "A01 Weigh-up of a base" in base and "For batches B01, B02, B03" in base
    assert "sulfur in this base: it can scorch while finals are milled in" in base
    assert "see that the mill takes it, else mix it in equal lots" in base
    assert "Sulfur dust." in base and "Crystalline silica." in base and "Mill nip." in mill
    assert "Cut into 3 parts, each of the mass listed; label each with its batch." in mill
    assert re.search(
        r"part of A01 for cut weighed by B01 5\.\d+ kg B02 5\.\d+ kg B03 5\.\d+ kg Nothing is weighed to spare",
        mill,
    )
    assert "Before it is cut" in mill and "Before pressing" in batch_mill
    assert (
        "1 base A01" in batch and "Base A01 brings sbr, factice, chalk, pumice, zinc oxide, sulfur." in batch
    )
    assert "'oil' goes in without a filler beside it." in batch and "Band base A01;" in batch_mill
    assert "Crystalline silica." not in batch and "Crystalline silica." in batch_mill


def test_what_is_odd_within_a_base_is_said_on_its_own_card():
    parts = [
        {"name": "sbr", "role": "rubber", "order": 1}, {"name": "factice", "label": "white factice", "role": "factice", "low": 50, "high": 50, "order": 2},
        {"name": "dpg", "role": "accelerator", "low": 1, "high": 1, "order": 2}, {"name": "oil", "role": "oil", "low": 5, "high": 9, "order": 3},
    ]  # fmt: skip
    plan = pd.DataFrame({"batch": ["B1", "B2"], "base": "A1", "oil": [5.0, 9.0]})
    base, *batches = mixings_of(Brief(ingredient=parts), plan, Site(), batch_kg=2.0)
    odd = "'white factice' is acidic and goes in next to 'dpg', which is basic."
    assert any(note.startswith(odd) for note in base.notes)
    assert not any(odd in note for batch in batches for note in batch.notes)


def test_water_of_a_base_is_gone_when_it_is_cut():
    parts = [
        {"name": "sbr", "role": "rubber"},
        {
            "name": "silica",
            "role": "filler",
            "low": 40,
            "high": 40,
            "contains": {"silica": 0.8, "water": 0.2},
        },
        {"name": "oil", "role": "oil", "low": 5, "high": 20},
    ]
    plan = pd.DataFrame({"batch": ["B1", "B2"], "base": "A1", "oil": [10.0, 20.0]})
    base, one, other = mixings_of(Brief(ingredient=parts), plan, Site(), batch_kg=1.6)
    assert_allclose(one.lines["planned_g"], [1400.0, 100.0], rtol=1e-9)  # of 150 dry and 160 moist phr
    assert_allclose(base.kg * 140 / 150, (1400.0 + other.lines["planned_g"].iloc[0]) / 1000, rtol=1e-9)
    assert_allclose(base.off_mill_g, sum(grams for _, grams, _ in base.parts), atol=1.5)


# ---- batch size ----


def test_the_laboratory_rule_only_where_the_volume_fits():
    # ISO 2393: four times the recipe in g. 473 phr make 1.31 l at four times, against 0.55 l for the control recipe.
    (batch,) = batches_of(ERASER_BRIEF, dict(ERASER), Site())
    assert_allclose(batch.litres, 0.55, rtol=1e-6)
    assert_allclose(batch.kg, 0.55 * 1.445097, rtol=1e-5)
    assert (
        batch.notes[0]
        == "Four times the recipe would make 1.31 l, the mill takes 0.55 l: 1.68 times the recipe."
    )


def test_batch_size_by_volume_and_by_the_rolls():
    (by_volume,) = batches_of(ERASER_BRIEF, dict(ERASER), Site(batch_litres=20.0))
    assert_allclose(by_volume.kg, 20 * 1.445097, rtol=1e-6)
    mill = Mill(diameter_mm=152, length_mm=265, band_mm=1.9, bank=2.3)
    (by_rolls,) = batches_of(ERASER_BRIEF, dict(ERASER), Site(mill=mill))
    assert_allclose(by_rolls.litres, 0.553, atol=1e-3)
    (too_much,) = batches_of(ERASER_BRIEF, dict(ERASER), Site(mill=mill), batch_kg=2.0)
    assert (
        "The batch is 1.38 l, more than the 0.553 l that band and bank of this mill take." in too_much.notes
    )


def test_a_batch_without_a_size_is_refused():
    brief = Brief(
        ingredient=[{"name": "sbr", "role": "rubber"}, {"name": "oil", "role": "oil", "low": 1, "high": 9}]
    )
    with pytest.raises(RecipeError) as caught:
        batches_of(brief, {"oil": 5.0}, Site())
    assert str(caught.value) == (
        "Nothing says how large a batch is. Give batch_kg, [plant] batch_kg in the brief, or densities with the "
        "site's batch_litres or mill."
    )


# ---- cure ----


def test_equivalent_cure_and_preform_on_the_cure_card():
    brief = brief_of(8)
    plan = plan_of(brief)
    site = Site(press_c=160.0, slab_mm=12.0, slab_cm3=200.0, activation_kj=90.0)
    loads = loads_of(brief, plan, site)
    assert [load.load for load in loads] == ["L01", "L02"]
    slabs = loads[0].slabs
    # Arrhenius at 90 kJ/mol: 1.80503 times faster at 160 than at 150 degC (recomputed).
    assert_allclose(slabs["face"], 10 * 1.80503, rtol=1e-5)
    expected = cure.state_of_cure(10.0, 160.0, 1.0, 150.0, thickness_mm=12.0, activation_kj=90.0)["centre"]
    assert_allclose(slabs["centre"], float(expected.iloc[0]), rtol=1e-9)
    assert_allclose(slabs["preform_g"], brief.density(plan).iloc[0] * 200 * 1.05, rtol=1e-9)
    assert (
        "activation energy of 90 kJ/mol" in loads[0].notes[0]
        and "the doubling rule says 2" in loads[0].notes[0]
    )


def test_without_loads_the_slabs_of_a_batch_go_in_together():
    brief = brief_of(8)
    loads = loads_of(brief, plan_of(brief, batches=3).drop(columns="load"), Site(press_c=150.0))
    assert [list(load.slabs["trial"]) for load in loads] == [["T01", "T02"], ["T03", "T04"], ["T05", "T06"]]


PRESSED = [
    {"name": "cure_min", "unit": "min", "low": 8, "high": 20, "changes": "slab"},
    {"name": "pressure", "label": "press pressure", "unit": "bar", "levels": [60, 120], "changes": "slab"},
    {"name": "finish", "label": "mould finish", "levels": ["satin", "bright"], "changes": "slab"},
    {"name": "bumps", "levels": [1, 3], "changes": "load"},
]


def _pressed():
    brief = Brief(ingredient=[{"name": "sbr", "role": "rubber"}], setting=PRESSED)
    plan = pd.DataFrame({
        "trial": ["T01", "T02", "T03"], "batch": "B01", "load": ["L01", "L01", "L02"], "cure_min": 12.0, "bumps": [1, 1, 3],
        "pressure": [60, 120, 60], "finish": ["satin", "bright", "satin"],
    })  # fmt: skip
    return brief, plan


def test_a_setting_that_differs_within_a_load_stands_beside_each_slab():
    brief, plan = _pressed()
    first, second = loads_of(brief, plan, Site(press_c=150.0))
    assert first.differing.to_dict("list") == {
        "press pressure (bar)": ["60", "120"],
        "mould finish": ["satin", "bright"],
    }
    assert first.settings == {"bumps": "1"} and second.differing.empty
    assert second.settings == {"press pressure (bar)": "60", "mould finish": "satin", "bumps": "3"}
    one, other = make_cards(brief, plan, Site(press_c=150.0), batch_kg=1.0)["cure.html"].split("</section>")[
        :2
    ]
    assert ">press pressure (bar)</th>" in one and "<b>60</b>" in one and "<b>bright</b>" in one
    rows = [text_of(row).split()[:5] for row in re.findall(r"<tr>(.*?)</tr>", one)]
    assert rows[1:3] == [["T01", "B01", "60", "satin", "12"], ["T02", "B01", "120", "bright", "12"]]
    assert "differ in press pressure (bar), mould finish: each as listed." in text_of(one)
    assert "press pressure (bar): 60." in text_of(other) and "mould finish</th>" not in other


def test_a_far_press_temperature_is_said():
    brief = brief_of(8)
    said = loads_of(brief, plan_of(brief), Site(press_c=175.0))[0].notes
    assert any(note.startswith("Press and reference or cure meter lie 25 °C apart.") for note in said)


def test_scorch_is_said_for_the_batch_that_scorches():
    brief = brief_of(12)
    said = loads_of(brief, plan_of(brief), FULL)[0].notes
    assert [note for note in said if "Scorch" in note] == [
        "Scorch, batch B01: ts2 at 160 °C is 0.78 min, shorter than the 1.5 min to load and close. "
        "Close faster, press cooler or delay the cure."
    ]
    hot = FULL.model_copy(update={"heat_history": [(200.0, 110.0)]})
    assert any(
        "used all of the scorch time" in note for note in loads_of(brief, plan_of(brief), hot)[0].notes
    )


MULTIPLE = {"name": "times_t90", "label": "cure", "unit": "x t90", "low": 0.8, "high": 2.0, "changes": "slab"}


def _multiple_brief():
    return Brief(
        ingredient=[{"name": "sbr", "role": "rubber", "density": 0.94}],
        setting=[MULTIPLE],
        response=[{"name": "hardness"}],
        plant={"batch_kg": 2.0},
    )


def test_the_cure_card_says_what_the_label_says_of_its_minutes():
    setting = {
        "name": "cure_min",
        "label": "cure at 150 °C",
        "unit": "min",
        "low": 10,
        "high": 20,
        "changes": "slab",
    }
    brief = Brief(
        ingredient=[{"name": "sbr", "role": "rubber"}], setting=[setting], response=[{"name": "hardness"}]
    )
    plan = pd.DataFrame({"batch": ["B01"], "cure_min": [12.0]})
    assert "Minutes: cure at 150 °C." in text_of(make_cards(brief, plan, Site(), batch_kg=9.0)["cure.html"])
    hot = make_cards(brief, plan, Site(press_c=160.0), batch_kg=9.0)["cure.html"]
    assert "Minutes:" not in text_of(hot) and "160 °C" in text_of(hot)


def test_a_cure_card_without_a_cure_time_says_so():
    brief = Brief(ingredient=[{"name": "sbr", "role": "rubber"}], response=[{"name": "hardness"}])
    plan = pd.DataFrame({"batch": ["B01"]})
    said = "The brief and the site give no cure time: write in the minutes before the press is closed."
    assert said in text_of(make_cards(brief, plan, Site(press_c=150.0), batch_kg=9.0)["cure.html"])
    assert said not in text_of(
        make_cards(brief, plan, Site(press_c=150.0, minutes=12), batch_kg=9.0)["cure.html"]
    )


def test_the_form_says_what_each_kind_of_reading_may_be():
    kinds = {"tear": "pass", "feel": "rating", "specks": "count", "hardness": "measure"}
    brief = Brief(
        ingredient=[{"name": "sbr", "role": "rubber"}],
        response=[{"name": n, "kind": k} for n, k in kinds.items()],
    )
    book = openpyxl.load_workbook(io.BytesIO(results_form(brief, pd.DataFrame({"batch": ["B01"]}))))
    said = {c.value: c.comment.text for c in book["results"][1] if c.comment}
    assert "1 for a pass, 0 for a fail; not read: leave empty." in said["tear"]
    assert "<0.5" in said["hardness"] and "<0.5" not in said["feel"] + said["tear"]
    assert "A whole number" in said["specks"] and "A whole number" in said["feel"]
    rules = {
        str(r.sqref)[0]: r.formula1
        for r in book["results"].data_validations.dataValidation
        if r.type == "custom"
    }
    letters = {c.value: c.column_letter for c in book["results"][1]}
    assert rules[letters["feel"]] == "AND(ISNUMBER({0}),{0}=INT({0}))".format(letters["feel"] + "2")
    assert "INT(" in rules[letters["specks"]] and "INT(" not in rules[letters["hardness"]]


def test_the_form_holds_readings_to_the_ends_of_their_scale():
    responses = [
        {"name": "tear", "kind": "pass"},
        {"name": "feel", "kind": "rating", "possible": [1, 5]},
        {"name": "specks", "kind": "count"},
        {"name": "erasure", "unit": "%", "bounds": [0, 100]},
        {"name": "gloss", "bounds": [0, 100], "possible": [0, 100]},
    ]
    brief = Brief(ingredient=[{"name": "sbr", "role": "rubber"}], response=responses)
    sheet = openpyxl.load_workbook(io.BytesIO(results_form(brief, pd.DataFrame({"batch": ["B01"]}))))[
        "results"
    ]
    letters = {c.value.split(" ")[0]: c.column_letter for c in sheet[1]}
    rules = {str(r.sqref)[0]: r for r in sheet.data_validations.dataValidation}
    rule = {name: rules[letters[name]] for name in brief.response_names}
    wanted = {
        "tear": "AND(ISNUMBER({0}),{0}>=0.0,{0}<=1.0,{0}=INT({0}))",
        "feel": "AND(ISNUMBER({0}),{0}>=1.0,{0}<=5.0,{0}=INT({0}))",
        "specks": 'OR(AND(ISNUMBER({0}),{0}>=0.0,{0}=INT({0})),LEFT({0},1)="<",LEFT({0},1)=">")',
        "erasure": 'OR(AND(ISNUMBER({0}),{0}>=0.0,{0}<=100.0),LEFT({0},1)="<",LEFT({0},1)=">")',
    }
    assert {n: rule[n].formula1 for n in wanted} == {n: f.format(letters[n] + "2") for n, f in wanted.items()}
    # beyond the scale of a measure is odd, not impossible: the sheet asks; all else it refuses
    assert {n: r.errorStyle or "stop" for n, r in rule.items()} == dict.fromkeys(
        brief.response_names, "stop"
    ) | {"erasure": "warning"}
    assert rule["feel"].error == "A whole number, 1 to 5; not read: leave empty."


def test_cure_as_a_multiple_of_t90_is_a_card_in_two_steps():
    brief = _multiple_brief()
    plan = pd.DataFrame({"batch": ["B01", "B02"], "load": "L01", "times_t90": [1.0, 1.5]})
    before = text_of(make_cards(brief, plan, Site(press_c=150.0))["cure.html"])
    assert "Step 1. Mill, rest, and run the cure meter on every batch of this load." in before
    assert np.isnan(loads_of(brief, plan, Site(press_c=150.0))[0].slabs["minutes"]).all()
    known = Site(press_c=150.0, t90={"B01": 8.0, "B02": 10.0}, meter_c=150.0)
    (load,) = loads_of(brief, plan, known)
    assert load.slabs["minutes"].tolist() == [8.0, 15.0]
    assert "Step 2. Minutes are the multiple of each batch's own t90, at the face." in text_of(
        make_cards(brief, plan, known)["cure.html"]
    )


def test_thickness_by_the_sites_rule_or_by_conduction():
    brief = _multiple_brief()
    plan = pd.DataFrame({"batch": ["B01"], "times_t90": [1.0]})
    about = {"press_c": 150.0, "t90": {"B01": 10.0}, "meter_c": 150.0, "slab_mm": 12.0, "activation_kj": 90.0}
    minutes = {
        at: float(loads_of(brief, plan, Site(**about, cure_at=at))[0].slabs["minutes"].iloc[0])
        for at in ("face", "rule", "centre")
    }
    assert minutes["face"] == 10.0
    assert minutes["rule"] == 16.0  # 1 min per mm above 6 mm: common practice, no source
    assert_allclose(minutes["centre"], 16.4, atol=0.05)  # conduction, recomputed
    with pytest.raises(FormlabError) as caught:
        loads_of(brief, plan, Site(**about | {"slab_mm": None}, cure_at="centre"))
    assert (
        str(caught.value)
        == "1 problem:\n  slab_mm: Expected the thickness of a slab in mm, needed for cure_at = 'centre'."
    )


# ---- tests ----


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_sessions_test_every_trial_once_between_two_references(seed):
    brief = brief_of(8)
    plan = plan_of(brief, batches=8, slabs=3)
    sessions = sessions_of(brief, plan, Site(session_size=10), seed=seed)
    assert [len(s.order) - 2 for s in sessions] == [8, 8, 8]
    for session in sessions:
        assert session.order["sample"].iloc[[0, -1]].tolist() == ["reference eraser"] * 2
    tested = pd.concat([s.order.iloc[1:-1] for s in sessions])
    assert sorted(tested["sample"]) == sorted(plan["trial"])
    codes = pd.concat([s.order for s in sessions])["code"]
    assert codes.is_unique and codes.between(100, 999).all()
    batch = plan.set_index("trial")["batch"]
    for session in sessions:  # one slab of each batch in each session
        assert batch[session.order["sample"].iloc[1:-1]].is_unique


def test_the_same_seed_prints_the_same_key_and_the_test_sheet_hides_it():
    brief = brief_of(8)
    cards, again, other = (make_cards(brief, plan_of(brief), seed=s) for s in (4, 4, 5))
    assert cards == again and cards["test-key.html"] != other["test-key.html"]
    assert (
        "T01" in cards["test-key.html"]
        and "T01" not in cards["test.html"]
        and "B01" not in cards["test.html"]
    )


def test_a_later_round_changes_neither_codes_nor_sessions_of_the_first():
    brief = brief_of(8)
    plan = plan_of(brief, batches=8, slabs=3).assign(round=1)
    more = plan.head(9).assign(round=2, trial=[f"T{k}" for k in range(90, 99)], batch=["B90"] * 9)
    both = pd.concat([plan, more], ignore_index=True)
    first, all_of_them = (sessions_of(brief, p, Site(session_size=10), seed=3) for p in (plan, both))
    assert [s.session for s in all_of_them] == ["S1", "S2", "S3", "S4"]
    for before, after in zip(first, all_of_them):
        pd.testing.assert_frame_equal(before.order, after.order)
    codes = pd.concat([s.order for s in all_of_them])["code"]
    assert codes.is_unique
    cards = make_cards(brief, both, Site(session_size=10), round=2, seed=3)
    assert "T90" in cards["test-key.html"] and "T01" not in cards["test-key.html"]
    assert "B90" in cards["weigh-up.html"] and "B-01" not in cards["weigh-up.html"]
    unsaid = both.assign(round=both["round"].where(both["round"] == 2))  # an old plan had none
    assert [s.session for s in sessions_of(brief, unsaid, Site(session_size=10), seed=3)] == [
        "S1",
        "S2",
        "S3",
        "S4",
    ]
    with pytest.raises(FormlabError, match=r"The plan has no round 7; choose one of \[1, 2\]."):
        make_cards(brief, both, round=7)


def test_the_panel_rates_the_codes_of_the_key_in_balanced_order():
    brief = brief_of(8)
    (session,) = sessions_of(brief, plan_of(brief), Site(assessors=10), seed=2)
    key = session.order.iloc[:-1].set_index("code")["sample"]
    assert (session.panel["sample"] == session.panel["code"].map(key)).all()
    counts = session.panel.groupby(["sample", "place"]).size()
    assert (counts == 2).all() and len(counts) == 25  # Williams: each in each place equally often
    page = text_of(make_cards(brief, plan_of(brief), Site(assessors=10), seed=2)["test.html"])
    assert "Panel, assessor 10" in page


def _rated(**more):
    feel = {"name": "feel", "kind": "rating", "label": "feel in the hand", "readings": 4, **more}
    brief = Brief(
        ingredient=[{"name": "sbr", "role": "rubber"}], response=[{"name": "erasure", "readings": 2}, feel]
    )
    return brief, pd.DataFrame({"batch": ["B01", "B01", "B02", "B02"]})


def test_the_panel_reads_the_scale_and_which_end_is_wanted():
    ends = {"possible": [1, 5], "at_least": 3.5}
    for target, said in [
        (ends, "feel in the hand: whole numbers, 1 … 5 (target: at least 3.5, 5 is the end that is wanted)."),
        (
            {"bounds": [1, 7], "at_most": 2},
            "whole numbers, 1 … 7 (target: at most 2, 1 is the end that is wanted).",
        ),
        ({"possible": [1, 5], "near": 3, "within": 1}, "whole numbers, 1 … 5 (target: 3 ± 1)."),
        ({"possible": [1, 5]}, "feel in the hand: whole numbers, 1 … 5."),
        (
            {},
            "the brief does not give the ends of the scale (possible = [1, 5], say). Agree on them and write them below",
        ),
    ]:
        page = make_cards(*_rated(**target), Site(assessors=4), batch_kg=1.0)["test.html"]
        panel = text_of(page.split("</section>")[1])
        assert "Panel, assessor 1" in panel and said in panel
        alone = text_of(make_cards(*_rated(**target), batch_kg=1.0)["test.html"])
        assert said in alone  # without a panel the bench rates
    panel = text_of(
        make_cards(*_rated(**ends), Site(assessors=4), batch_kg=1.0)["test.html"].split("</section>")[1]
    )
    assert "feel in the hand, 1 … 5" in panel and "feel in the hand, 5 means" in panel


def test_a_panel_sheet_counts_the_pieces_that_it_lists():
    page = make_cards(*_rated(), Site(assessors=4), batch_kg=1.0)["test.html"]
    for sheet in page.split("</section>")[:-1]:
        said = int(re.search(r"(\d+) pieces", text_of(sheet))[1])
        assert said == len(set(re.findall(r"<td class='big'[^>]*>(\d+)</td>", sheet)))
    assert "5 pieces" in text_of(page) and "6 pieces" in text_of(
        page
    )  # the second reference is not rated again


def test_more_or_fewer_assessors_than_readings_are_said():
    cards = make_cards(*_rated(), Site(assessors=6), batch_kg=1.0)
    said = (
        "feel in the hand: 6 assessors rate, and the brief asks for 4 readings, which are the lines of the form. Set "
        "readings = 6 in the brief and make the form again, or assessors = 4 for the site; every assessor's rating is a "
        "line of its own."
    )
    bench = text_of(cards["test.html"].split("</section>")[0])
    assert said in bench and said in text_of(cards["test-key.html"])
    assert "Rated by the panel, on sheets of its own: feel in the hand." in bench and "1 of 2" in bench
    assert "4 of 4" not in bench  # no boxes for what others rate
    same = make_cards(*_rated(), Site(assessors=4), batch_kg=1.0)
    assert "assessors rate, and" not in text_of(same["test.html"]) + text_of(same["test-key.html"])


# ---- every card ----


@pytest.mark.parametrize("count", [3, 8, 12])
def test_cautions_stand_on_every_sheet_and_no_card_gives_a_verdict(count):
    brief = brief_of(count)
    for name, page in make_cards(brief, plan_of(brief), FULL if count == 12 else None).items():
        sheets = page.split("<section class='sheet'>")[1:]
        if name != "test-key.html":
            assert all("class='cautions'" in sheet for sheet in sheets)
        assert not re.search(r"\b(safe|safely|compliant|permitted)\b", page, re.I)
    weigh = make_cards(brief, plan_of(brief))["weigh-up.html"]
    assert ("N-nitrosamines" in weigh) == (count == 12)


def test_names_are_escaped_and_nothing_is_fetched():
    parts = [{"name": "sbr", "role": "rubber", "label": "<script>alert(1)</script>"}]
    pages = "".join(
        make_cards(
            Brief(title="<b>x</b>", ingredient=parts, response=[{"name": "y"}]), {"sbr": 100.0}, batch_kg=1.0
        ).values()
    )
    assert "<script" not in pages and "<b>x</b>" not in pages
    assert not re.search(r"(src|href)=|url\(|@import|https?:", pages)


def test_any_plan_will_do():
    brief = brief_of(8)
    formula = Region.from_brief(brief).centre()
    row = formula.iloc[0] if isinstance(formula, pd.DataFrame) else formula
    assert "B-X01" in make_cards(brief, row.to_dict())["weigh-up.html"]
    plan = lay_out(brief_of(3), runs=6, seed=1)
    assert make_cards(brief_of(3), plan).keys() == {
        "weigh-up.html",
        "cure.html",
        "test.html",
        "test-key.html",
    }


def test_regrind_that_would_count_twice_gets_no_card():
    parts = [
        {"name": "sbr", "role": "rubber", "low": 80, "high": 80},
        {"name": "own", "role": "regrind", "counts_as_rubber": True, "low": 20, "high": 20},
    ]
    with pytest.raises(BriefError) as caught:
        make_cards(Brief(ingredient=parts), {}, batch_kg=1.0)
    assert "Its rubber is cured and would count twice." in str(caught.value)


# ---- the site ----


def test_a_site_is_read_from_toml():
    site = read_site(
        'name = "Line 2"\nlift_kg = 12\nprocedure = """\nBand.\n\n  Cut. """\nscales = [{up_to_g = 100, step_g = 0.01}]\n'
        '[mill]\ndiameter_mm = 150\nlength_mm = 260\nband_mm = 2\n[[regrind]]\ningredient = "own"\nmade = 2031-05-17\n'
    )
    assert (
        site.procedure == ["Band.", "Cut."] and site.mill.litres > 0.5 and site.regrind[0].made.year == 2031
    )


def test_every_wrong_key_of_a_site_is_named():
    with pytest.raises(FormlabError) as caught:
        read_site('lift = 12\nrest = 3\nscales = [{up_to_g = 0, step_g = 1}]\n[[regrind]]\ncolour = "red"\n')
    assert str(caught.value) == (
        "4 problems:\n"
        "  scales[1].up_to_g: 0. Expected greater than 0.\n"
        "  rest: 3. Expected a valid string.\n"
        "  regrind[1].ingredient: Expected a value; it is required.\n"
        "  lift: 12. Expected a key of a site. Check its spelling."
    )
    with pytest.raises(FormlabError) as caught:
        read_site("name =")
    assert str(caught.value).startswith("The site is no TOML text: Invalid value")
    with pytest.raises(FormlabError) as caught:
        Site(t90={"B01": 8.0})
    assert (
        str(caught.value)
        == "1 problem:\n  meter_c: Expected the temperature in degC at which t90 and ts2 were measured."
    )
    with pytest.raises(FormlabError) as caught:
        loads_of(brief_of(8), plan_of(brief_of(8)), Site(minutes_from="cure"))
    assert (
        str(caught.value)
        == "1 problem:\n  minutes_from: 'cure'. Expected a numeric setting of the brief: ['roll_c', 'cure_min']."
    )


# ---- the form ----


@pytest.fixture
def series(tmp_path):
    brief = brief_of(8)
    series = create_series(tmp_path / "block", brief)
    series.save_plan(plan_of(brief).assign(run_order=[1, 2, 3, 4], round=1))
    return series


def columns_of(sheet):
    return {str(cell.value): k for k, cell in enumerate(sheet[1], 1)}


def fill(book, rng):
    """Fill in a form as a person would; return the readings by trial and reading."""
    sheet = book["results"]
    at = columns_of(sheet)
    expected = []
    for row in range(2, sheet.max_row + 1):
        trial, reading = sheet.cell(row, at["trial"]).value, sheet.cell(row, at["reading"]).value
        sheet.cell(row, at["session"]).value = "S1"
        if trial == "T04":
            sheet.cell(row, at["status"]).value = "stuck" if reading == 1 else None
            sheet.cell(row, at["session"]).value = "S1" if reading == 1 else None
            continue
        values = {
            "erasure": round(float(rng.normal(85, 2)), 1),
            "crumb": "<0.5" if reading == 1 else 11.25,
            "feel": 3,
        }
        for name, head, most in [
            ("erasure", "erasure [%]", 3),
            ("crumb", "crumb [mg/m]", 2),
            ("feel", "feel", 1),
        ]:
            if reading <= most:
                sheet.cell(row, at[head]).value = values[name]
        sheet.cell(row, at["note"]).value = "=good" if reading == 2 else None
        expected.append((trial, reading, values["erasure"]))
    return expected


def check_loaded(series, expected):
    got = series.results()
    kept = got[got["status"] == "ok"]
    assert list(zip(kept["trial"], kept["reading"].astype(int), kept["erasure"])) == expected
    assert got.loc[got["trial"] == "T04", "status"].tolist() == ["stuck"]
    assert (kept.loc[kept["reading"].astype(int) == 1, "crumb_censored"] == "below").all()
    assert kept.loc[kept["reading"].astype(int) == 3, ["crumb", "feel"]].isna().all(axis=None)


def test_the_form_filled_in_loads_back_as_it_is(series, tmp_path):
    content = results_form(series.brief, series.plan_frame())
    book = openpyxl.load_workbook(io.BytesIO(content))
    expected = fill(book, np.random.default_rng(3))
    book.save(tmp_path / "bench.xlsx")
    loaded = series.load_results(tmp_path / "bench.xlsx")
    assert loaded.added == 10 and len(loaded.repairs) == 0
    check_loaded(series, expected)
    assert series.load_results(tmp_path / "bench.xlsx").added == 0


def test_the_form_empty_is_refused_and_not_taken_for_results(series, tmp_path):
    (tmp_path / "empty.xlsx").write_bytes(results_form(series.brief, series.plan_frame()))
    assert len(series.results()) == 0
    with pytest.raises(SeriesError) as caught:
        series.load_results(tmp_path / "empty.xlsx")
    assert (
        str(caught.value)
        == "1 problem:\n  empty.xlsx: Expected at least one line with a reading or a status."
    )
    assert len(series.results()) == 0


def test_the_plan_is_locked_and_readings_are_checked(series):
    book = openpyxl.load_workbook(io.BytesIO(results_form(series.brief, series.plan_frame(), show=["oil"])))
    sheet = book["results"]
    at = columns_of(sheet)
    assert sheet.protection.sheet and sheet.protection.password is None
    assert list(at) == [
        "trial",
        "batch",
        "load",
        "reading",
        "oil [phr]",
        "session",
        "operator",
        "erasure [%]",
        "crumb [mg/m]",
        "feel",
        "status",
        "note",
    ]
    locked = {name: sheet.cell(2, k).protection.locked for name, k in at.items()}
    assert [name for name, shut in locked.items() if shut] == [
        "trial",
        "batch",
        "load",
        "reading",
        "oil [phr]",
    ]
    assert sheet.cell(4, at["crumb [mg/m]"]).protection.locked  # a third reading of crumb is not asked for
    rules = {str(rule.sqref): rule for rule in sheet.data_validations.dataValidation}
    assert (
        rules["H2:H13"].formula1 == 'OR(AND(ISNUMBER(H2),H2>=-50.0,H2<=100.0),LEFT(H2,1)="<",LEFT(H2,1)=">")'
    )
    assert rules["H2:H13"].error.startswith("A number, -50 to 100 %;")
    assert (
        rules["K2:K13"].formula1 == '"ok,pending,set aside,would not band,stuck,scorched,blistered,spoiled"'
    )
    assert sheet.freeze_panes == "F2" and "chalk" not in at


def test_text_of_the_brief_is_never_a_formula_in_the_form():
    brief = Brief(
        title="=1+1",
        ingredient=[{"name": "sbr", "role": "rubber"}],
        response=[{"name": "y", "label": "=2+2"}],
    )
    plan = pd.DataFrame({"trial": ["=T1"], "batch": ["B01"]})
    book = openpyxl.load_workbook(io.BytesIO(results_form(brief, plan)))
    assert [c.data_type for sheet in book for row in sheet for c in row if c.data_type == "f"] == []


def test_the_form_goes_through_libreoffice_and_back(series, tmp_path):
    office = shutil.which("soffice") or shutil.which("libreoffice")
    if office is None:
        pytest.skip("LibreOffice is not installed")
    book = openpyxl.load_workbook(io.BytesIO(results_form(series.brief, series.plan_frame())))
    expected = fill(book, np.random.default_rng(4))
    book.save(tmp_path / "bench.xlsx")
    out = tmp_path / "saved"
    call = [
        office,
        "--headless",
        f"-env:UserInstallation=file://{tmp_path}/office",
        "--convert-to",
        "xlsx",
        "--outdir",
        str(out),
        str(tmp_path / "bench.xlsx"),
    ]
    subprocess.run(call, check=True, capture_output=True, timeout=180)
    series.load_results(out / "bench.xlsx")
    check_loaded(series, expected)


# ---- the folder and the command line ----


def test_commands_write_cards_and_form_below_out(series, capsys):
    (series.path / "site.toml").write_text('name = "Line 7 (invented)"\n', encoding="utf-8")
    assert main(["cards", str(series.path), "--seed", "3"]) == 0
    assert main(["form", str(series.path)]) == 0
    said = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert [p.relative_to(series.path).as_posix() for p in said] == [
        "out/cards/weigh-up.html", "out/cards/cure.html", "out/cards/test.html", "out/cards/test-key.html", "out/results_form.xlsx",
    ]  # fmt: skip
    assert "Line 7 (invented)" in said[0].read_text(encoding="utf-8")
    assert main(["cards", str(series.path), "--round", "5"]) == 1
    assert capsys.readouterr().err == "formlab: The plan has no round 5; choose one of [1].\n"


def test_gates_are_kept_in_the_journal(series):
    low = yield_gate(5000.0, 6000.0)
    series.save_gates(gate_records("B01", [low], "remill", by="AB"), who="AB")
    series.save_gates(gate_records("B01", [low], "accept", reason="tray loss is known", by="AB"))
    kept = series.gates()
    assert kept[["batch", "gate", "decision", "reason", "tries"]].values.tolist() == [
        ["B01", "yield", "accept", "tray loss is known", 2]
    ]
    assert series.journal()["note"].tolist()[-2:] == ["B01: remill", "B01: accept"]
    with pytest.raises(SeriesError) as caught:
        series.save_gates(gate_records("B9", [low], "remake"))
    assert str(caught.value) == "The plan has no batch 'B9'; choose among ['B01', 'B02']."


# ---- in a browser ----

CHROMIUM = "/usr/bin/chromium"
MEASURE = """<script>
const bad = [];
for (const cell of document.querySelectorAll("td, th, .id, .title, .side, li, p, .fields span")) {
  const text = document.createRange(); text.selectNodeContents(cell);
  const inside = text.getBoundingClientRect(), room = cell.getBoundingClientRect();
  if (!cell.textContent.trim()) continue;
  if (inside.right > room.right + 1 || inside.left < room.left - 1 || inside.bottom > room.bottom + 1 || inside.top < room.top - 1)
    bad.push(cell.textContent.trim().slice(0, 40));
  if (cell.clientWidth < 20) bad.push("too narrow: " + cell.textContent.trim().slice(0, 40));
}
for (const sheet of document.querySelectorAll(".sheet"))
  if (sheet.scrollWidth > sheet.clientWidth + 1) bad.push("sheet too wide");
const sizes = [...document.querySelectorAll("td, th, p, li")].filter(e => e.textContent.trim()).map(e => parseFloat(getComputedStyle(e).fontSize));
document.documentElement.dataset.bad = JSON.stringify(bad);
document.documentElement.dataset.smallest = Math.min(...sizes) * 0.75;
</script></body>"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    if not Path(CHROMIUM).exists():
        if os.environ.get("FORMLAB_BROWSER") == "required":
            pytest.fail(f"{CHROMIUM} is required and not there")
        pytest.skip(f"{CHROMIUM} is not installed")
    home = tmp_path_factory.mktemp("browser")

    def run(page, *flags):
        call = [
            CHROMIUM,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            f"--user-data-dir={home}",
            *flags,
            page.as_uri(),
        ]
        return subprocess.run(call, check=True, capture_output=True, timeout=120).stdout.decode()

    return run


def pages_of(pdf):
    content = pdf.read_bytes()
    assert set(re.findall(rb"/MediaBox ?\[0 0 ([0-9.]+) ([0-9.]+)\]", content)) <= {
        (b"594.95996", b"841.91998"),
        (b"595", b"842"),
    }
    return len(re.findall(rb"/Type ?/Page\b", content))


def cut_texts(browser, page, content):
    """Return the texts that do not fit where they stand, and the smallest letters in points."""
    whole = content.replace(
        "</style>", "th { overflow-wrap: normal; }</style>"
    )  # a head broken inside a word shows too
    page.write_text(whole.replace("</body>", MEASURE), encoding="utf-8")
    shown = browser(page, "--window-size=900,1300", "--dump-dom")
    bad, smallest = (re.search(rf'data-{key}="([^"]*)"', shown)[1] for key in ("bad", "smallest"))
    return html.unescape(bad), float(smallest)


@pytest.mark.browser
@pytest.mark.parametrize("count, most", [(3, 4), (8, 4), (12, 8)])
def test_cards_print_on_a4_with_no_text_cut(browser, tmp_path, count, most):
    brief = brief_of(count)
    cards = make_cards(brief, plan_of(brief), FULL if count == 12 else None)
    for name, content in cards.items():
        bad, smallest = cut_texts(browser, tmp_path / name, content)
        assert bad == "[]", name
        assert smallest >= 8.5
    browser(tmp_path / "weigh-up.html", "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'card.pdf'}")
    assert (
        4 <= pages_of(tmp_path / "card.pdf") <= most
    )  # two batches, sheet and back each; long names may run on


@pytest.mark.browser
def test_cards_of_a_base_print_with_no_text_cut(browser, tmp_path):
    brief = brief_of(12)
    content = make_cards(brief, _split_plan(brief), FULL)["weigh-up.html"]
    assert "Weigh-up of a base" in content
    assert cut_texts(browser, tmp_path / "base.html", content)[0] == "[]"


@pytest.mark.browser
def test_a_cure_card_with_every_column_is_not_cut(browser, tmp_path):
    brief = _multiple_brief().model_copy(
        update={
            "settings": [
                MULTIPLE,
                {"name": "press_c", "unit": "°C", "low": 145, "high": 155, "changes": "load"},
            ]
        }
    )
    plan = pd.DataFrame(
        {
            "trial": ["T101", "T102", "T103"],
            "batch": ["B101", "B102", "B103"],
            "load": "L01",
            "times_t90": [1.0, 1.25, 2.0],
            "press_c": [145.0, 150.0, 155.0],
        }
    )
    site = Site(
        slab_mm=10.0, slab_cm3=1800.0, meter_c=150.0, t90={"B101": 18.55, "B102": 10.0}, cure_at="centre"
    )
    content = make_cards(brief, plan, site)["cure.html"]
    assert "× t90" in content and ">°C<" in content and "centre, min" in content
    assert cut_texts(browser, tmp_path / "cure.html", content)[0] == "[]"
    assert not [cell for cell in re.findall(r"<td[^>]*>([^<]*)</td>", content) if "nan" in cell]


@pytest.mark.browser
def test_boxes_that_find_no_room_stand_in_a_table_of_their_own(browser, tmp_path):
    brief, plan = _pressed()
    wide = brief.model_copy(update={"settings": [MULTIPLE, *PRESSED[1:]]})
    site = Site(press_c=150.0, slab_mm=10.0, meter_c=150.0, t90={"B01": 8.0})
    content = make_cards(wide, plan.assign(times_t90=1.2), site, batch_kg=1.0)["cure.html"]
    first, written = content.split("</section>")[0].split("Written down")
    assert "mould finish</th>" in first and "open at" not in first
    assert "T02" in written and "open at" in written
    assert cut_texts(browser, tmp_path / "cure.html", content)[0] == "[]"


@pytest.mark.browser
def test_the_measure_sees_text_that_is_cut(browser, tmp_path):
    content = make_cards(brief_of(12), plan_of(brief_of(12)), FULL)["weigh-up.html"]
    bad, _ = cut_texts(
        browser, tmp_path / "card.html", content.replace("</style>", "td { white-space: nowrap; }</style>")
    )
    assert "constant viscosity" in bad or "natural rubber" in bad
