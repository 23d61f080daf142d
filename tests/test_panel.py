"""The what-if panel without a browser: where a formula may go, what is shown of it, and the widgets on top."""

import json
import re
import shutil
import socket
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

import formlab as fl
from formlab.errors import FormlabError
from formlab.panel import words
from formlab.panel.page import notebook, page, served
from formlab.panel.slides import sharing, slide
from formlab.panel.whatif import WhatIf
from formlab.region import Region
from formlab.suggest import conformance, score_promises


def fitted(folder):
    series = fl.open_series(f"demo_trials/{folder}")
    return series.brief, fl.fit(series.brief, series.trials(), kind="least squares", seed=1)


@pytest.fixture(scope="module")
def wedge():
    """Ingredients that share 100 %."""
    return fitted("ink_wedge")


@pytest.fixture(scope="module")
def block():
    """Ingredients in phr and a cure time."""
    return fitted("drafting_block")


# ---- where it may go ----------------------------------------------------------------------------


@settings(max_examples=60)
@given(st.integers(0, 10_000), st.integers(0, 4), st.floats(-0.3, 1.3))
def test_a_moved_formula_stays_allowed_and_goes_as_far_as_it_can(seed, k, where):
    """In the fraction basis, from any formula: allowed, the total kept, and stopped only at a face."""
    brief = fl.read_brief("demo_trials/ink_wedge/brief.toml")
    region = Region.from_brief(brief)
    start, name = region.sample(1, seed), brief.varied[k]
    low, high = brief.ranges[name]
    value = low + where * (high - low)
    moved, stopped = slide(region, start, name, value, sharing(brief, name))
    assert region.contains(moved).all()
    assert_allclose(moved[brief.ingredient_names].sum(axis=1), 100.0, rtol=1e-12)
    if stopped:
        names = list(region.polytope.names)
        assert np.abs(region.polytope.gaps(moved[names].to_numpy(float))).min() < 1e-9
    else:
        assert moved[name].iloc[0] == pytest.approx(value, abs=1e-12)


def test_others_give_way_in_proportion(wedge):
    """Cox (1971, Biometrika 58:155-159): along his direction the others keep their ratios."""
    brief, surfaces = wedge
    state = WhatIf(brief, surfaces)
    before = state.formula.copy()
    assert state.move("oil", 8.0) == ""
    others = ["factice", "silica", "pumice"]
    ratio = state.formula[others].iloc[0] / before[others].iloc[0]
    assert_allclose(ratio, ratio.iloc[0], rtol=1e-12)
    assert state.formula["oil"].iloc[0] == 8.0
    assert_allclose(ratio.iloc[0], (70.0 - 2.0) / 70.0, rtol=1e-12)  # 23 + 20 + 27 gave 2 of their 70


def test_one_that_has_come_to_its_end_stands_still_and_the_rest_give_on(wedge):
    brief, surfaces = wedge
    state = WhatIf(brief, surfaces)
    state.go(state.formula.assign(factice=16.5, oil=6.0, silica=20.0, pumice=33.5))
    state.move("kaolin", 9.0)
    assert state.formula["factice"].iloc[0] == pytest.approx(16.0)
    assert state.formula[["silica", "oil", "pumice"]].iloc[0].tolist() < [20.0, 6.0, 33.5]
    assert state.region.contains(state.formula).all()


def test_one_ingredient_may_be_named_to_give_way(wedge):
    brief, surfaces = wedge
    state = WhatIf(brief, surfaces)
    before = state.formula.copy()
    state.giving = "silica"
    state.move("kaolin", 6.0)
    after = state.formula
    assert after["silica"].iloc[0] == pytest.approx(before["silica"].iloc[0] - 6.0)
    assert after[["factice", "oil", "pumice"]].equals(before[["factice", "oil", "pumice"]])


def test_in_phr_a_control_is_cut_to_what_the_limits_leave(block):
    brief, surfaces = block
    state = WhatIf(brief, surfaces)
    assert state.move("chalk", 149.0) == ""
    assert state.move("pumice", 40.0) == "Stopped at 26.0 phr: chalk + pumice <= 175."
    assert state.formula["pumice"].iloc[0] == pytest.approx(26.0)
    assert state.formula["chalk"].iloc[0] == 149.0
    assert state.move("oil", 2.0) == "Stopped at 8.0 phr: naphthenic oil is at its low, 8."
    assert state.room("pumice") == pytest.approx((0.0, 26.0))


def test_going_there_and_back_undoes_it(wedge):
    brief, surfaces = wedge
    state = WhatIf(brief, surfaces)
    before = state.formula.copy()
    for value in (27.0, 34.0, 16.0, 30.0, 27.0):  # beyond where factice and silica come to their ends
        state.move("pumice", value)
    assert_allclose(state.formula[brief.varied], before[brief.varied], rtol=1e-12)


def test_room_is_where_a_move_ends(wedge):
    brief, surfaces = wedge
    state = WhatIf(brief, surfaces)
    here = state.formula.copy()
    low, high = state.room("kaolin")
    state.move("kaolin", 100.0)
    assert state.formula["kaolin"].iloc[0] == pytest.approx(high)
    state.go(here)
    state.move("kaolin", -5.0)
    assert state.formula["kaolin"].iloc[0] == pytest.approx(low)


def with_choices():
    brief = fl.Brief.model_validate(
        {
            "ingredient": [
                {"name": "rubber", "role": "rubber"},
                {"name": "oil", "role": "oil", "low": 0, "high": 20},
            ],
            "setting": [
                {"name": "passes", "levels": [2, 4, 6]},
                {"name": "cure", "levels": ["press", "steam"]},
            ],
            "response": [{"name": "hardness", "unit": "Shore A", "at_least": 50}],
            "limit": [{"expression": "oil + 4 passes <= 30"}],
            "model": "linear",
            "setting_model": "linear",
            "crossed": "none",
        }
    )
    rng = np.random.default_rng(3)
    frame = Region.from_brief(brief).sample(24, 2)
    frame["hardness"] = (
        60 - 0.5 * frame["oil"] + frame["passes"] + 2 * (frame["cure"] == "steam") + rng.normal(size=24)
    )
    return brief, fl.fit(brief, frame, kind="least squares", seed=1)


def test_levels_and_categories_are_switched_or_refused_in_words():
    state = WhatIf(*with_choices())
    state.go(pd.DataFrame({"oil": [12.0], "passes": [2.0], "cure": ["press"]}))
    assert state.move("cure", "steam") == ""
    assert state.move("passes", 4.0) == ""
    assert state.move("passes", 6.0) == "passes cannot be 6.0: oil + 4 passes <= 30."
    assert state.formula.iloc[0][["oil", "passes", "cure"]].tolist() == [12.0, 4.0, "steam"]
    assert "cure\tsteam" in state.recipe(batch_kg=10)
    with pytest.raises(FormlabError) as caught:
        state.recipe()
    assert str(caught.value) == "No batch mass: pass batch_kg, or give the brief [plant] batch_kg in kg."


def test_without_prices_the_surest_is_looked_for():
    state = WhatIf(*with_choices())
    before = state.outcome().conformance.true_mean
    assert state.cheapest() == "Surest formula found."
    assert state.outcome().conformance.true_mean >= before
    assert state.outcome().cost is None and state.today is None


# ---- what it would do ---------------------------------------------------------------------------


def test_figures_agree_with_the_surfaces(block):
    brief, surfaces = block
    state = WhatIf(brief, surfaces, seed=5)
    state.move("chalk", 100.0)
    told = state.outcome()
    for name, surface in surfaces.items():
        line = surface.predict_table(state.formula).iloc[0]
        assert_allclose(told.predicted.loc[name, "mean"], surface.predict(state.formula)[0], rtol=1e-12)
        for column in ("low", "high", "batch_low", "batch_high"):
            assert_allclose(told.predicted.loc[name, column], line[column], rtol=1e-12)
    exact = conformance(brief, surfaces.draw(20_000, seed=1), state.formula)[0]
    for kind in ("true_mean", "new_batch", "accepted"):  # two counts of the same probability
        bound = 5 * np.hypot(told.conformance.error(kind), exact.error(kind))
        assert abs(getattr(told.conformance, kind) - getattr(exact, kind)) < bound
    assert_allclose(told.cost, brief.costs(state.formula).iloc[0], rtol=1e-12)


def test_the_same_draws_counted_slowly_give_the_same_figures(block):
    brief, surfaces = block
    state = WhatIf(brief, surfaces, seed=5)
    slow = conformance(brief, state._draws, state.formula)[0]
    assert state.outcome().conformance == slow


def test_what_could_not_be_made_is_in_the_figures(block):
    brief, surfaces = block
    trials = fl.open_series("demo_trials/drafting_block").trials()
    stuck = trials["oil"] > trials["oil"].quantile(0.6)
    failed = trials.assign(status=trials["status"].mask(stuck, "stuck"))
    failed.loc[stuck, brief.response_names] = np.nan
    state = WhatIf(brief, fl.fit(brief, failed, kind="least squares", seed=1), seed=5)
    state.move("oil", 26.0)
    told = state.outcome().conformance
    assert told == conformance(brief, state._draws, state.formula)[0] and told.made < 0.6
    shown = f"{100 * told.made:.0f} %"
    assert re.search(
        rf"<tr data-made='1'>.*can be made.*<td class='n'>{shown}</td>",
        words.predictions(brief, state.outcome(), None),
    )
    alone = state.outcome().predicted["chance"].min()
    said = f"In most doubt: whether it can be made at all, {shown} sure by itself."
    assert alone < told.made and "Hardest to meet: " in words.verdict(brief, state.outcome(), None)
    easy = replace(state.outcome(), predicted=state.outcome().predicted.assign(chance=0.9))
    assert said in words.verdict(brief, easy, None)
    assert "can be made" not in words.predictions(brief, WhatIf(brief, surfaces).outcome(), None)
    state.confidence = (
        0.95  # what is said of the surest is what the headline shows, not what the search counted
    )
    told, found = state.cheapest(), state.outcome().conformance.true_mean
    assert f"{100 * found:.0f} %" in told and f"<strong>{100 * found:.0f} %</strong>" in words.verdict(
        brief, state.outcome(), None
    )


def test_past_misses_lower_what_the_panel_claims_and_what_it_suggests(block):
    brief, surfaces = block
    ledger = score_promises([0.9] * 20, [True] * 12 + [False] * 8)
    plain, wary = WhatIf(brief, surfaces, seed=5), WhatIf(brief, surfaces, seed=5, ledger=ledger)
    alone, told = plain.outcome().conformance, wary.outcome().conformance
    for kind in ("true_mean", "new_batch", "accepted"):
        assert getattr(told, kind) == ledger.honest(getattr(alone, kind)) < getattr(alone, kind)
    assert wary.today.conformance == told
    plain.confidence = wary.confidence = 0.5
    cheap = plain.suggestion()
    given = WhatIf(
        brief, surfaces, suggestion=cheap, seed=5, ledger=ledger
    )  # made without the ledger: asked anew
    given.confidence = 0.5
    sure = given.suggestion()
    assert sure.shift == ledger.shift and sure.cost["per_piece"] > cheap.cost["per_piece"]
    assert sure.notes[-1].startswith(f"{ledger.words} Claims are lowered for it: ")
    assert wary.remarks[0] == f"{ledger.words} Claims are lowered for it."
    wary.cheapest()
    assert wary.outcome().cost["per_piece"] > cheap.cost["per_piece"]
    assert wary.outcome().conformance.true_mean > 0.5 - 0.06


def test_a_price_scenario_changes_today_too(block):
    brief, surfaces = block
    prices = pd.DataFrame({"dear_oil": [9.0, np.nan]}, index=["oil", "chalk"])
    state = WhatIf(brief, surfaces, prices)
    before = state.today.cost["per_kg"]
    state.scenario = "dear_oil"
    want = brief.costs(brief.baseline, {"oil": 9.0}).iloc[0]["per_kg"]
    assert state.today.cost["per_kg"] == pytest.approx(want) and want > before
    assert state.outcome().cost["per_kg"] == pytest.approx(want)


def test_beyond_the_trials_is_said(block):
    brief, surfaces = block
    state = WhatIf(brief, surfaces)
    assert state.outcome().beyond == []
    at_trials = [state.outcome(frame.to_frame().T).predicted["doubt"] for _, frame in
                 surfaces["crumble"].formulas.drop_duplicates().iterrows()]  # fmt: skip
    assert max(doubt.max() for doubt in at_trials) == pytest.approx(1.0)
    for name, value in (("oil", 28.0), ("pumice", 0.0), ("chalk", 150.0), ("cure_min", 10.0)):
        state.move(name, value)
    told = state.outcome()
    assert told.beyond
    said = words.verdict(brief, told, state.today)
    assert f"Less sure than at any trial: {', '.join(brief.title_of(n) for n in told.beyond)}." in said


def test_cheapest_leaves_what_is_held(block):
    brief, surfaces = block
    state = WhatIf(brief, surfaces)
    state.confidence = 0.45
    free = WhatIf(brief, surfaces)
    free.confidence = 0.45
    free.cheapest()
    state.held = {"pumice", "cure_min"}
    said = state.cheapest()
    sure = state.outcome().conformance.true_mean
    assert said.startswith(f"Cheapest formula found with what is held: {100 * sure:.0f} % sure.")
    assert ("ask for more to be surer" in said) == (sure < 0.445)
    assert state.formula[["pumice", "cure_min"]].iloc[0].tolist() == [10.0, 16.0]
    assert state.region.contains(state.formula).all()
    assert free.outcome().cost["per_piece"] <= state.outcome().cost["per_piece"] + 1e-6
    assert state.outcome().cost["per_piece"] < state.today.cost["per_piece"]
    assert state.outcome().conformance.true_mean > 0.45 - 0.06


def test_what_cannot_be_reached_is_said(block):
    brief, surfaces = block
    state = WhatIf(brief, surfaces)
    state.confidence, state.held = 0.99, {"chalk", "oil", "pumice"}
    said, sure = state.cheapest(), state.outcome().conformance.true_mean
    assert said == (
        f"No formula was found that is as sure as 99 % with what is held; this is the surest, {100 * sure:.0f} %."
    )


def test_it_begins_with_the_suggestion(block):
    brief, surfaces = block
    answer = fl.suggest(brief, surfaces, confidence=0.5, seed=3, alternatives=0, explain=False)
    state = WhatIf(brief, surfaces, suggestion=answer)
    assert_allclose(state.formula[brief.varied], answer.frame[brief.varied], rtol=1e-9)
    state.confidence = 0.5
    assert state.suggestion() is answer
    assert WhatIf(brief, surfaces).formula["chalk"].iloc[0] == brief.baseline["chalk"].iloc[0]


def test_kept_formulas_stand_side_by_side(block):
    brief, surfaces = block
    state = WhatIf(brief, surfaces)
    assert state.keep() == "K1" and state.keep("soft one ") == "soft one"
    state.move("oil", 20.0)
    table = state.compare()
    assert list(table.columns) == ["today", "K1", "soft one", "here"]
    assert table.loc["naphthenic oil, phr"].tolist() == [14.0, 14.0, 14.0, 20.0]
    assert table.loc["crumb, mg/m", "here"] == pytest.approx(surfaces["crumble"].predict(state.formula)[0])
    assert state.keep("here") == "here (kept)"
    assert state.go(state.kept["K1"]) == "" and state.formula["oil"].iloc[0] == 14.0


def test_a_formula_that_is_not_allowed_is_said_to_be_moved(block):
    brief, surfaces = block
    state = WhatIf(brief, surfaces)
    said = state.go(state.formula.assign(chalk=150.0, pumice=40.0))
    assert said == "That formula is not allowed (chalk + pumice <= 175); this is the nearest that is."
    assert state.region.contains(state.formula).all()


def test_the_recipe_weighs_what_the_suggestion_would(block):
    brief, surfaces = block
    state = WhatIf(brief, surfaces)
    lines = [line.split("\t") for line in state.recipe(batch_kg=9.0).splitlines()]
    weighed = {line[0]: float(line[2]) for line in lines if len(line) == 3 and line[0] in
               [brief.title_of(n) for n in brief.ingredient_names]}  # fmt: skip
    total = brief.amounts(state.formula).sum(axis=1).iloc[0]
    for name in brief.ingredient_names:
        want = 9000 * state.formula[name].iloc[0] / total
        assert weighed[brief.title_of(name)] == pytest.approx(want, abs=0.5)


def test_a_response_that_was_not_fitted_is_named(block):
    brief, _ = block
    trials = fl.open_series("demo_trials/drafting_block").trials()
    few = fl.fit(brief, trials, responses=["crumble"], kind="least squares")
    with pytest.raises(FormlabError) as caught:
        fl.panel(brief, few)
    assert str(caught.value) == (
        "'erasure' is a response of the brief and was not fitted. Fit all: fit(brief, trials)."
    )


# ---- what is shown ------------------------------------------------------------------------------


def test_what_people_wrote_is_escaped():
    data = fl.read_brief("demo_trials/drafting_block/brief.toml").model_dump(
        exclude_unset=True, by_alias=True
    )
    data["title"] = "<script>alert(1)</script>"
    data["ingredient"][2]["label"] = "<img src=x onerror=alert(1)>"
    data["response"][0]["label"] = "<b>bold</b>"
    brief = fl.Brief.model_validate(data)
    trials = fl.open_series("demo_trials/drafting_block").trials()
    panel = fl.panel(brief, fl.fit(brief, trials, kind="least squares"))
    shown = "".join(child.value for child in all_of(panel) if isinstance(getattr(child, "value", None), str))
    assert "<img" not in shown and "<script" not in shown and "<b>bold" not in shown
    assert "&lt;b&gt;bold&lt;/b&gt;" in shown


def all_of(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from all_of(child)


def test_widgets_follow_the_state_and_the_state_the_widgets(wedge):
    brief, surfaces = wedge
    panel = fl.panel(brief, surfaces)
    assert set(panel.controls) == set(panel.state.moving)
    panel.controls["kaolin"].value = 8.0
    state = panel.state
    assert state.formula["kaolin"].iloc[0] == 8.0
    for name, control in panel.controls.items():
        assert abs(control.value - state.formula[name].iloc[0]) <= control.step / 2
        steps = (control.value - control.min) / control.step
        assert abs(steps - round(steps)) < 1e-9
    mean = surfaces["crumble"].predict(state.formula)[0]
    row = re.search(r"data-response='crumble'.*?<td class='n'>(.*?)</td>", panel._predicted.value).group(1)
    assert float(row) == pytest.approx(mean, rel=5e-3)


def test_what_a_browser_says_back_of_a_slider_is_no_move(wedge):
    """A slider that was set tells its step, with rounding of its own; a formula between steps stays as it is."""
    panel = fl.panel(*wedge)
    panel.controls["kaolin"].value = 8.0
    before = panel.state.formula.copy()
    assert before["factice"].iloc[0] != pytest.approx(panel.controls["factice"].value, abs=1e-6)
    for control in panel.controls.values():
        control.value += 1e-13
    assert panel.state.formula.equals(before)
    panel.controls["factice"].value += panel.controls["factice"].step  # a hand
    assert panel.state.formula["factice"].iloc[0] == pytest.approx(panel.controls["factice"].value, abs=1e-9)


def test_a_typed_value_between_steps_is_taken_as_typed(block):
    panel = fl.panel(*block)
    panel.controls["oil"].value = 14.234
    assert panel.state.formula["oil"].iloc[0] == 14.234
    assert panel.controls["oil"].value == pytest.approx(14.2)


def test_every_control_is_labelled_and_every_button_works(block):
    brief, surfaces = block
    prices = pd.DataFrame({"dear_chalk": [2.0]}, index=["chalk"])
    panel = fl.panel(brief, surfaces, prices)
    kinds = {type(c).__name__: [] for c in all_of(panel)}
    for child in all_of(panel):
        kinds[type(child).__name__].append(child)
    for kind in ("FloatSlider", "Dropdown", "BoundedIntText", "Checkbox", "Button", "Text", "Textarea"):
        assert all(child.description.strip() for child in kinds.get(kind, [])), kind
    press = {button.description: button.click for button in kinds["Button"]}
    assert list(press) == [
        "Today's formula",
        "Suggestion",
        "Cheapest from here",
        "Keep this formula",
        "Copy as recipe",
    ]
    panel.controls["oil"].value = 20.0
    press["Keep this formula"]()
    assert "Kept as K1." in panel._said.value and "K1" in panel._kept.value
    press["Today's formula"]()
    assert panel.controls["oil"].value == 14.0
    panel._back.value = "K1"
    assert panel.controls["oil"].value == 20.0 and panel._back.value == ""
    press["Copy as recipe"]()
    assert panel._recipe.value == panel.state.recipe() and panel._recipe.layout.display is None
    chosen = next(c for c in kinds["Dropdown"] if c.description == "prices")
    before = panel._costs.value
    chosen.value = "dear_chalk"
    assert panel._costs.value != before and panel.state.scenario == "dear_chalk"
    hold = kinds["Checkbox"][0]
    hold.value = True
    assert panel.state.held == {"oil"}
    hold.value = False
    assert panel.state.held == set()


def test_a_recipe_without_a_batch_mass_is_an_answer_in_words():
    panel = fl.panel(*with_choices())
    copy = next(c for c in all_of(panel) if getattr(c, "description", "") == "Copy as recipe")
    copy.click()
    assert "No batch mass: pass batch_kg, or give the brief [plant] batch_kg in kg." in panel._said.value


# ---- its own page -------------------------------------------------------------------------------


def test_the_notebook_of_the_page_is_one_cell():
    book = json.loads(notebook("A <title>", "averaged", 3))
    assert [cell["source"] for cell in book["cells"]] == [
        "from formlab.panel.page import page\n\npage('../..', kind='averaged', seed=3, history=False)"
    ]


def test_what_stands_in_the_way_is_said_on_the_page(tmp_path):
    fl.open_series("demo_trials/drafting_block")
    (tmp_path / "brief.toml").write_text(
        "title = '<i>new</i>'\n[[ingredient]]\nname = 'rubber'\nrole = 'rubber'\n"
    )
    shown = page(str(tmp_path)).data
    assert "No panel yet" in shown and "has no plan yet" in shown


def test_the_page_knows_how_past_promises_came_out(tmp_path):
    series = fl.open_series(shutil.copytree("demo_trials/drafting_block", tmp_path / "block"))
    brief, trials = series.brief, series.trials()
    first = trials.drop_duplicates("batch").iloc[[0]]
    answer = fl.suggest(brief, fl.fit(brief, trials, kind="least squares", seed=1), confidence=0.5, seed=1,
                        alternatives=0, explain=False)  # fmt: skip
    kept = replace(answer, formula=first.iloc[0][brief.ingredient_names].astype(float),
                   settings=first.iloc[0][brief.setting_names])  # fmt: skip
    series.save_promise(kept)  # of a formula whose batch was made before: no test of the promise
    assert page(str(series.path), kind="least squares").state.ledger is None
    later = series.plan_frame().iloc[[-1]].assign(trial="T90", batch="B90", round=2)
    later[brief.columns] = first[brief.columns].to_numpy()
    series.save_plan(pd.concat([series.plan_frame(), later], ignore_index=True))
    read = pd.DataFrame({"trial": ["T90"], "session": ["S90"], **{n: [1.0] for n in brief.response_names}})
    read.to_csv(tmp_path / "late.csv", index=False)
    series.load_results(tmp_path / "late.csv")
    state = page(str(series.path), kind="least squares").state
    assert state.ledger.words.startswith("Of 1 batch promised to pass at") and state.ledger.shift < 0
    assert state.remarks[0].endswith("Claims are lowered for it.")


def test_the_page_is_never_served_without_a_token(tmp_path, monkeypatch):
    """The server answers without the token with its login page only, and listens on this machine alone."""
    import urllib.request

    pytest.importorskip("voila")
    series = fl.open_series(shutil.copytree("demo_trials/drafting_block", tmp_path / "series"))
    monkeypatch.chdir(tmp_path)  # settings of somebody that take the token away are not read
    (tmp_path / "voila.json").write_text('{"Voila": {"token": "", "ip": "0.0.0.0"}}')
    with served(series) as (address, server):
        host, token = re.fullmatch(r"(http://127\.0\.0\.1:\d+)/\?token=([\w-]{32})", address).groups()
        with urllib.request.urlopen(f"{host}/") as answer:
            text = answer.read().decode()
            assert "/login" in answer.url and token not in text and "panel.ipynb" not in text
        assert token not in " ".join(map(str, server.args))
    told = json.loads((series.path / "out/panel/voila.json").read_text())
    assert told["Voila"]["ip"] == "127.0.0.1" and token not in json.dumps(told)
    assert server.poll() is not None


def test_the_command_ends_its_server_with_it(tmp_path):
    """A command that is told to end, as a service manager would, leaves no server behind."""
    pytest.importorskip("voila")
    folder = shutil.copytree("demo_trials/drafting_block", tmp_path / "block")
    command = [sys.executable, "-m", "formlab.cli", "panel", str(folder), "--no-browser", "--json"]
    started = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    lines = "".join(iter(started.stdout.readline, "}\n")) + "}"
    port = int(re.search(r":(\d+)/", json.loads(lines)["address"]).group(1))
    socket.create_connection(("127.0.0.1", port), 5).close()
    started.terminate()
    assert started.wait(20) == 0
    started.stdout.close()
    with pytest.raises(OSError):
        socket.create_connection(("127.0.0.1", port), 2)
