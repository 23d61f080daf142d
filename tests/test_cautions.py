import re
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from formlab import Brief, cautions
from formlab.errors import FormlabError


def line(name, role="other", label="", contains=()):
    return SimpleNamespace(name=name, role=role, label=label, contains=dict.fromkeys(contains, 0.5))


PLAIN = [line("rubber", "rubber", "light SBR"), line("stearic_acid", "activator")]

# For each rule: a material that calls for it, one that looks like it and does not, and a stage.
CASES = {
    "Powders": (line("chalk", "filler"), line("wax", "other"), "weigh"),
    "Crystalline silica": (line("a1", "abrasive", "Pumice, fine"), line("a2", "filler", "whiting"), "mill"),
    "Unnamed abrasive": (line("grit_7", "abrasive"), line("pumice", "abrasive"), "weigh"),
    "Talc": (line("dust", "other", "talcum"), line("catalco", "filler"), "mill"),
    "Sulfur dust": (
        line("s80", "curing agent", contains=["sulfur", "carrier"]),
        line("x", "accelerator", "sulfur donor"),
        "weigh",
    ),
    "Peroxide": (line("dcp_40", "curing agent"), line("sulfur", "curing agent"), "press"),
    "N-nitrosamines": (line("tmtd", "accelerator"), line("mbts", "accelerator", "MBTS"), "press"),
    "Benzyl accelerators": (line("acc", "accelerator", "ZBEC paste"), line("cbs", "accelerator"), "mill"),
    "Guanidines": (line("dpg", "accelerator"), line("mbt", "accelerator"), "press"),
    "White factice": (
        line("factice", "factice", "white factice"),
        line("factice", "factice", "brown factice"),
        "mill",
    ),
    "Oil": (line("soya", "oil"), line("oil_black", "pigment"), "mill"),
    "Aromatic oil": (line("oil", "oil", "aromatic oil"), line("oil", "oil", "naphthenic oil"), "press"),
    "Heavy metals": (line("zinc_oxide", "activator"), line("magnesia", "activator"), "weigh"),
    "Regrind": (line("own", "regrind"), line("reclaim", "rubber"), "mill"),
}
ALWAYS = {"Mill nip": "mill", "Press": "press", "Hot stock": "press", "Rubber dust and fume": "weigh", "Lifting": "weigh", "Test bench": "test"}  # fmt: skip
FOR_CHILDREN = {"Children's articles", "Children's articles, accelerators"}


def topics(materials, **kwargs):
    return {caution.topic for caution in cautions.cautions_for(materials, **kwargs)}


def test_every_rule_has_a_case():
    assert {rule.topic for rule in cautions.RULES} == set(CASES) | set(ALWAYS) | FOR_CHILDREN
    assert len({rule.topic for rule in cautions.RULES}) == len(cautions.RULES)


@pytest.mark.parametrize("topic", CASES)
def test_a_rule_speaks_of_what_it_is_meant_for_and_of_nothing_else(topic):
    yes, no, stage = CASES[topic]
    said = {c.topic: c for c in cautions.cautions_for([*PLAIN, yes], stage=stage)}
    assert said[topic].materials == (cautions.short_name(yes.label or yes.name.replace("_", " ")),)
    assert said[topic].materials[0] in said[topic].text
    assert topic not in topics([*PLAIN, no], stage=stage)


@pytest.mark.parametrize("topic, stage", ALWAYS.items())
def test_what_always_applies_does_so_at_its_stages_only(topic, stage):
    assert topic in topics([], stage=stage)
    rule = next(rule for rule in cautions.RULES if rule.topic == topic)
    for other in set(cautions.STAGES) - set(rule.stages):
        assert topic not in topics(PLAIN, stage=other)


@pytest.mark.parametrize("name", ["TMTD-80", "tmtm", "TETD", "ZDMC", "zdec_75", "ZDBC", "MBS", "NOBS", "DTDM", "OTOS", "dipentamethylene thiuram tetrasulfide", "zinc diethyldithiocarbamate", "morpholinyl disulfide"])  # fmt: skip
def test_secondary_amine_accelerators_are_flagged(name):
    assert "N-nitrosamines" in topics([line("acc", "accelerator", name)])


@pytest.mark.parametrize("name", ["MBTS", "CBS", "TBBS", "MBT", "DPG", "ZBEC", "TBzTD"])
def test_other_accelerators_are_not(name):
    assert "N-nitrosamines" not in topics([line("acc", "accelerator", name)])


def test_what_a_masterbatch_contains_counts():
    assert "N-nitrosamines" in topics([line("acc_a", "accelerator", "A-80", contains=["tmtd", "carrier"])])


def test_articles_for_children_add_reminders_only_where_asked():
    tmtd = line("tmtd", "accelerator")
    assert not FOR_CHILDREN & topics([tmtd])
    assert topics([tmtd], children=True) >= FOR_CHILDREN
    said = cautions.cautions_for(PLAIN, children=True)
    assert "reminder, not a verdict" in next(c.text for c in said if c.topic == "Children's articles")
    assert "Children's articles, accelerators" not in {c.topic for c in said}


def test_several_materials_are_listed_as_people_would():
    silica = [line("pumice", "abrasive"), line("kaolin", "filler"), line("q", "filler", "quartz flour")]
    text = next(c.text for c in cautions.cautions_for(silica) if c.topic == "Crystalline silica")
    assert text.startswith("pumice, kaolin and quartz flour can hold respirable crystalline silica.")


def test_no_text_gives_a_verdict_or_a_limit_value():
    texts = [cautions.GENERAL, *(rule.text for rule in cautions.RULES)]
    for text in texts:
        assert not re.search(r"\b(safe|safely|compliant|complies|permitted|approved|harmless)\b", text, re.I)
        assert not re.search(r"\d\s*(mg|µg|ppm|m³|%)", text)
    deferring = " ".join(texts)
    for words in [
        "safety data sheet",
        "your site's assessment",
        "local code",
        "rained and authorised people",
        "law where you work",
    ]:
        assert words in deferring


def test_a_site_may_add_its_own_rule():
    ours = cautions.Rule("Ice", ("mill",), "{materials}: cold burns.", words=("dry ice",))
    said = cautions.cautions_for([line("dry_ice", label="dry ice")], rules=[*cautions.RULES, ours])
    assert str(said[-1]) == "Ice: dry ice: cold burns."


def test_an_unknown_stage_is_refused():
    with pytest.raises(FormlabError) as caught:
        cautions.cautions_for([], stage="lunch")
    assert str(caught.value) == "stage = 'lunch'. Use one of weigh, mill, press, test, or None for all."


def test_the_ingredients_of_a_brief_fit():
    brief = Brief(
        ingredient=[{"name": "nr", "role": "rubber"}, {"name": "own", "role": "regrind", "low": 1, "high": 9}]
    )
    assert "Regrind" in topics(brief.ingredients, stage="weigh")


@given(
    st.lists(st.sampled_from([case[0] for case in CASES.values()]), max_size=6),
    st.sampled_from(cautions.STAGES),
)
def test_more_materials_never_take_a_caution_away(materials, stage):
    assert topics(materials[:-1], stage=stage) <= topics(materials, stage=stage)


def test_the_html_escapes_names_and_has_the_general_caution_first():
    html = cautions.cautions_html(cautions.cautions_for([line("x", "oil", "<b>oil</b>")], stage="weigh"))
    assert "<b>oil</b>" not in html and "&lt;b&gt;oil&lt;/b&gt;" in html
    assert html.index("Planning aid only") < html.index("<li>")
