"""What objects show in a notebook: verdict first, every word escaped, nothing cut; and what `?` shows of public names."""

import inspect
import os
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import formlab as fl
from formlab.errors import Problem
from formlab.html import table
from formlab.report import report
from formlab.series import problem_table
from formlab.suggest import confirm

EVIL = "<script>alert('x')</script>"
SAFE = "&lt;script&gt;"


@pytest.fixture(scope="module")
def objects():
    """Every object that a notebook shows, made of a brief whose every text is hostile."""
    brief = fl.Brief.model_validate({
        "title": EVIL, "currency": EVIL[:8], "model": "linear", "setting_model": "linear", "crossed": "none",
        "ingredient": [
            {"name": "rubber", "role": "rubber", "label": EVIL, "density": 0.93, "price": 2.0},
            {"name": "oil", "role": "oil", "low": 5, "high": 25, "label": EVIL, "density": 0.9, "price": 1.0},
            {"name": "chalk", "role": "filler", "low": 0, "high": 60, "label": EVIL, "density": 2.7, "price": 0.2},
        ],
        "setting": [{"name": "cure", "unit": EVIL, "label": EVIL, "low": 10, "high": 20, "changes": "slab"}],
        "response": [{"name": "hardness", "unit": EVIL, "label": EVIL, "at_least": 40}],
        "limit": [{"expression": "oil + chalk <= 70"}],
        "current": {"oil": 15, "chalk": 10, "cure": 15},
        "piece": {"volume_cm3": 9.0, "per_year": 1000},
    })  # fmt: skip
    plan = fl.lay_out(brief, runs=16, batches=8, seed=1)
    plan.notes.append(EVIL)
    rng = np.random.default_rng(1)
    batch = plan.frame["batch"].map(dict(zip(plan.frame["batch"].unique(), rng.normal(0, 0.5, 8))))
    made = plan.frame.assign(
        hardness=50 + 0.2 * plan.frame["chalk"] - 0.5 * plan.frame["oil"] + batch + rng.normal(0, 0.5, 16),
        session=EVIL, note=EVIL, status="ok",
    )  # fmt: skip
    made["batch"] = EVIL + made["batch"]
    surfaces = fl.fit(brief, made, kind="least squares", seed=1)
    answer = fl.suggest(brief, surfaces, seed=1)
    return {
        "brief": brief, "region": fl.Region.from_brief(brief), "plan": plan, "judgement": plan.judge(),
        "surfaces": surfaces, "surface": surfaces["hardness"], "suggestion": answer,
        "conformance": answer.conformance,
        "replacement": fl.replace_ingredient(brief, surfaces, "oil", "chalk", shares=(0.0, 0.5), seed=1),
        "confirmation": confirm(brief, surfaces, made.head(4), draws=500, seed=1),
        "problems": problem_table([Problem(EVIL, 3, EVIL, EVIL, EVIL, EVIL), Problem("a.csv", expected="a number")]),
        "whole report": type("Page", (), {"_repr_html_": lambda self: report(brief, made, surfaces, answer, seed=1)})(),
    }  # fmt: skip


NAMES = [
    "brief", "region", "plan", "judgement", "surfaces", "surface", "suggestion", "conformance", "replacement",
    "confirmation", "problems",
]  # fmt: skip


@pytest.mark.parametrize("name", [*NAMES, "whole report"])
def test_every_word_is_escaped(objects, name):
    page = objects[name]._repr_html_()
    assert "<script" not in page
    if name not in (
        "judgement",
        "conformance",
        "surfaces",
        "replacement",
    ):  # these show no text of the user's here
        assert SAFE in page


def test_problems_are_counted_and_escaped(objects):
    page = objects["problems"]._repr_html_()
    assert (
        page.count(SAFE) == 6
        and "2 problems in &lt;script" in page
        and "a.csv. 1 comes with a repair." in page
    )
    assert "Nothing is wrong." in problem_table([])._repr_html_()
    assert "formlab" not in objects["problems"][["row"]]._repr_html_()  # a part of it is any table


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "2 ingredients and 1 setting vary, in phr; 1 response with a target."),
        (
            {"setting": [], "current": {"oil": 15, "chalk": 10}},
            "2 ingredients vary, in phr; 1 response with a target.",
        ),
    ],
)
def test_what_a_brief_says_first(objects, changes, words):
    brief = objects["brief"]
    asked = brief.model_dump(by_alias=True, exclude_none=True, exclude_unset=True)
    assert words in fl.Brief.model_validate({**asked, **changes})._repr_html_()


@pytest.mark.parametrize("name", NAMES)
def test_the_verdict_comes_first(objects, name):
    page = objects[name]._repr_html_()
    body = page[page.index("</style>") :]
    assert re.match(r"</style><h4>.+?</h4><p class='verdict'>.+?</p>", body, re.DOTALL)
    assert body.index("class='verdict'") < body.find("<table>") % len(body)


@pytest.mark.parametrize("name", NAMES)
def test_the_text_form_is_short_and_has_no_address(objects, name):
    assert " at 0x" not in repr(objects[name])


CHROMIUM = "/usr/bin/chromium"
WIDTH = 620  # of an output cell beside an open side bar


@pytest.fixture(scope="module")
def page():
    if not Path(CHROMIUM).exists():
        if os.environ.get("FORMLAB_BROWSER") == "required":
            pytest.fail(f"{CHROMIUM} is required and not there")
        pytest.skip(f"{CHROMIUM} is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        yield browser.new_page(viewport={"width": WIDTH + 40, "height": 800})
        browser.close()


@pytest.mark.browser
@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_cut_in_a_narrow_cell(objects, page, name):
    """With all folds open, only a table that can be scrolled is wider than the cell."""
    page.set_content(
        f"<div id='cell' style='width:{WIDTH}px;overflow:hidden'>{objects[name]._repr_html_()}</div>"
    )
    assert (
        page.evaluate(
            "() => { document.querySelectorAll('details').forEach(d => { d.open = true });"
            " const edge = document.querySelector('#cell').getBoundingClientRect().right + 1;"
            " return [...document.querySelectorAll('#cell *')].filter(e => !e.closest('.wide table, pre')"
            " && e.getBoundingClientRect().right > edge).map(e => e.outerHTML.slice(0, 80)) }"
        )
        == []
    )
    assert page.evaluate(
        "() => [...document.querySelectorAll('.wide')].every(e => getComputedStyle(e).overflowX === 'auto')"
    )


# ---- what `?` shows -----------------------------------------------------------------------------


def sections(text):
    return set(re.findall(r"^([A-Z][A-Za-z ]+)\n-{3,}$", inspect.cleandoc(text or ""), re.MULTILINE))


def methods(kind):
    """Public methods that the package itself writes, with what they take."""
    for name, found in vars(kind).items():
        found = getattr(found, "__func__", found)
        if inspect.isfunction(found) and not name.startswith("_") and found.__module__.startswith("formlab"):
            yield name, found


CLASSES = [name for name in fl.__all__ if inspect.isclass(getattr(fl, name))]
FUNCTIONS = [name for name in fl.__all__ if inspect.isfunction(getattr(fl, name))]


@pytest.mark.parametrize("name", FUNCTIONS)
def test_help_of_functions_is_complete(name):
    function = getattr(fl, name)
    text, takes = function.__doc__, list(inspect.signature(function).parameters)
    assert {"Parameters", "Returns", "Examples"} <= sections(text)
    told = inspect.cleandoc(text).split("Parameters\n")[1].split("\nReturns\n")[0]
    heads = [line for line in told.splitlines() if line and not line.startswith((" ", "-"))]
    listed = {word.strip("* ") for line in heads for word in line.split(":")[0].split(",")}
    assert [p for p in takes if p not in listed] == []


@pytest.mark.parametrize("name", CLASSES)
def test_help_of_classes_and_their_methods_is_there(name):
    kind = getattr(fl, name)
    assert kind.__doc__ and not kind.__doc__.startswith(f"{name}(")  # not the one that dataclasses write
    assert [f"{name}.{method}" for method, found in methods(kind) if not (found.__doc__ or "").strip()] == []


@pytest.mark.parametrize("name", CLASSES)
def test_help_of_properties_is_there(name):
    kind = getattr(fl, name)
    found = [
        (n, getattr(p, "func", getattr(p, "fget", None)))
        for n, p in vars(kind).items()
        if not n.startswith("_")
    ]
    ours = [(n, f) for n, f in found if inspect.isfunction(f) and f.__module__.startswith("formlab")]
    assert [f"{name}.{n}" for n, f in ours if not (f.__doc__ or "").strip()] == []


def test_the_table_of_nothing_is_a_table():
    assert "<table>" in table(pd.DataFrame())
