"""Bad briefs: the whole text of every message."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from formlab import Brief
from formlab.checks import active_substance
from formlab.errors import BriefError

RUBBER = {"name": "sbr", "role": "rubber"}
CHALK = {"name": "chalk", "role": "filler", "low": 0, "high": 150}
CURE = {"name": "cure_min", "unit": "min", "low": 12, "high": 24, "changes": "load"}
PRESS = {"name": "press", "levels": ["ram", "steam"], "changes": "day"}
S80 = {"name": "s80", "low": 1, "high": 4, "contains": {"sulfur": 0.8, "carrier": 0.2}}
EXTENDED = {"name": "oe_sbr", "role": "rubber"}
A, B = {"name": "a", "low": 0, "high": 1}, {"name": "b", "low": 0, "high": 1}
Y = {"name": "y"}
BAD = {
    "nothing": ({}, "ingredient: Expected at least one ingredient or setting."),
    "field": (
        {"ingredient": [RUBBER, CHALK | {"prize": 2}]},
        "ingredient[2].prize: 2. Expected a field of this part. Did you mean 'price'?",
    ),
    "top field": (
        {"ingredient": [RUBBER], "ingredient_s": 1},
        "ingredient_s: 1. Expected a field of this part. Did you mean 'ingredient'?",
    ),
    "required": (
        {"ingredient": [RUBBER, {"low": 1, "high": 2}]},
        "ingredient[2].name: Expected a value; it is required.",
    ),
    "shape": (
        {"ingredient": {"name": "x"}},
        "ingredient: \"{'name': 'x'}\". Expected a list: [[ingredient]], in double brackets.",
    ),
    "row": ({"ingredient": [RUBBER, 3]}, "ingredient[2]: 3. Expected a valid dictionary."),
    "quotes": (
        {"ingredient": [RUBBER, CHALK | {"low": "5"}]},
        "ingredient[2].low: '5'. Expected a valid number.",
    ),
    "negative": (
        {"ingredient": [RUBBER, CHALK | {"low": -5}]},
        "ingredient[2].low: -5. Expected greater than or equal to 0.",
    ),
    "infinite": (
        {"ingredient": [RUBBER, CHALK | {"high": math.inf}]},
        "ingredient[2].high: inf. Expected a finite number.",
    ),
    "heavy": (
        {"ingredient": [RUBBER, CHALK | {"density": 2710}]},
        "ingredient[2].density: 2710. Expected less than or equal to 25. Densities are in g/cm3.",
    ),
    "role": (
        {"ingredient": [RUBBER, CHALK | {"role": "salt"}]},
        "ingredient[2].role: 'salt'. Expected 'rubber', 'factice', 'oil', 'filler', 'abrasive', 'curing agent', "
        "'accelerator', 'activator', 'pigment', 'regrind' or 'other'.",
    ),
    "spelling": (
        {"ingredient": [RUBBER, CHALK | {"name": "2 chalk"}]},
        "ingredient[2].name: '2 chalk'. Expected a name of letters, digits and _, not starting with a digit.",
    ),
    "reserved": (
        {"ingredient": [RUBBER, CHALK | {"name": "batch"}], "response": [{"name": "y_censored"}]},
        "ingredient[2].name: 'batch'. Expected a name that is not a column of the series itself.\n"
        "  response[1].name: 'y_censored'. Expected a name that is not a column of the series itself.",
    ),
    "twice": (
        {"ingredient": [RUBBER, CHALK], "response": [{"name": "Chalk"}]},
        "response[1].name: 'Chalk'. Expected a name not used before (see ingredient[2].name).",
    ),
    "no range": (
        {"ingredient": [RUBBER, {"name": "oil"}]},
        "ingredient[2].low: Expected a number; low = high fixes an amount.\n"
        "  ingredient[2].high: Expected a number; low = high fixes an amount.",
    ),
    "high below low": (
        {"ingredient": [RUBBER, CHALK | {"low": 9, "high": 8}]},
        "ingredient[2].high: 8. Expected at least low = 9.",
    ),
    "lone rubber": (
        {"ingredient": [RUBBER | {"low": 90, "high": 100}]},
        "ingredient[1].low: 90. Expected 100: a single rubber is 100 phr by definition. Leave low and high out.",
    ),
    "no rubber": (
        {"ingredient": [CHALK]},
        "basis: 'phr'. Expected at least one ingredient that counts as rubber. "
        'Give one the role "rubber", or use basis = "fraction".',
    ),
    "basis": ({"setting": [CURE], "basis": "volume"}, "basis: 'volume'. Expected 'phr' or 'fraction'."),
    "cubic in phr": (
        {"ingredient": [RUBBER], "model": "special cubic"},
        "model: 'special cubic'. Expected one of linear, interaction, quadratic in basis \"phr\".",
    ),
    "interaction of shares": (
        {"ingredient": [A, B], "basis": "fraction", "model": "interaction"},
        "model: 'interaction'. Expected one of linear, quadratic, special cubic in basis \"fraction\".",
    ),
    "model": (
        {"ingredient": [RUBBER], "model": "cubic"},
        "model: 'cubic'. Expected 'linear', 'interaction', 'quadratic' or 'special cubic'.",
    ),
    "share": (
        {"ingredient": [RUBBER, S80 | {"contains": {"sulfur": 80, "carrier": 20}}]},
        "ingredient[2].contains.sulfur: 80. Expected a mass fraction from 0 to 1.\n"
        "  ingredient[2].contains.carrier: 20. Expected a mass fraction from 0 to 1.",
    ),
    "shares": (
        {"ingredient": [RUBBER, S80 | {"contains": {"sulfur": 0.8, "carrier": 0.1}}]},
        "ingredient[2].contains: 0.9. Expected mass fractions that sum to 1.",
    ),
    "nothing to plan by": (
        {
            "ingredient": [
                RUBBER,
                EXTENDED | {"low": 0, "high": 100, "contains": {"sbr": 0.7, "carrier": 0.3}},
            ]
        },
        "ingredient[1].low: Expected a number; low = high fixes an amount.\n"
        "  ingredient[1].high: Expected a number; low = high fixes an amount.\n"
        "  ingredient[2].contains: ['sbr', 'carrier']. Expected a substance to plan by: its own name, or one that "
        "is no carrier, water or other ingredient.",
    ),
    "nothing of it": (
        {"ingredient": [RUBBER, S80 | {"contains": {"sulfur": 0, "carrier": 1}}]},
        "ingredient[2].contains: ['sulfur', 'carrier']. Expected a substance to plan by: its own name, or one that "
        "is no carrier, water or other ingredient.",
    ),
    "setting range": ({"setting": [CURE | {"low": 24}]}, "setting[1].high: 24. Expected more than low = 24."),
    "one level": (
        {"setting": [PRESS | {"levels": ["ram"]}]},
        "setting[1].levels: ['ram']. Expected at least two levels, each one once.",
    ),
    "level twice": (
        {"setting": [PRESS | {"levels": [1, 2, 1]}]},
        "setting[1].levels: [1, 2, 1]. Expected at least two levels, each one once.",
    ),
    "mixed levels": (
        {"setting": [PRESS | {"levels": ["ram", 2]}]},
        "setting[1].levels: ['ram', 2]. Expected all numbers, or all categories in quotes.",
    ),
    "levels and range": (
        {"setting": [CURE | {"levels": [1, 2]}]},
        "setting[1].levels: [1, 2]. Expected levels, or low and high, not both.",
    ),
    "near": (
        {
            "ingredient": [RUBBER],
            "response": [Y | {"near": 5}, Y | {"name": "z", "near": 5, "within": 1, "at_least": 2}],
        },
        "response[1].near: 5. Expected near together with within.\n"
        "  response[2].near: 5. Expected either near with within, or at_least and at_most.",
    ),
    "between": (
        {"ingredient": [RUBBER], "response": [Y | {"at_least": 5, "at_most": 5}]},
        "response[1].at_most: 5. Expected more than at_least = 5.",
    ),
    "ideal": (
        {
            "ingredient": [RUBBER],
            "response": [
                Y | {"ideal": 5},
                {"name": "u", "ideal": 5, "near": 4, "within": 1},
                {"name": "v", "ideal": 5, "at_least": 6},
                {"name": "w", "ideal": 5, "at_most": 4},
            ],
        },
        "response[1].ideal: 5. Expected an ideal beside at_least or at_most only.\n"
        "  response[2].ideal: 5. Expected no ideal beside near.\n"
        "  response[3].ideal: 5. Expected at least 6, as at_least says.\n"
        "  response[4].ideal: 5. Expected at most 4, as at_most says.",
    ),
    "bounds": (
        {"ingredient": [RUBBER], "response": [Y | {"bounds": [1, 2, 3], "possible": [2, 1]}]},
        "response[1].bounds: '[1, 2, 3]'. Expected two numbers.\n"
        "  response[1].possible: [2, 1]. Expected low before high.",
    ),
    "nan": (
        {"ingredient": [RUBBER], "response": [Y | {"at_least": math.nan, "bounds": [math.nan, 1]}]},
        "response[1].at_least: nan. Expected a finite number.\n"
        "  response[1].bounds: [nan, 1]. Expected low before high.",
    ),
    "readings": (
        {"ingredient": [RUBBER], "response": [Y | {"readings": 0}]},
        "response[1].readings: 0. Expected greater than or equal to 1.",
    ),
    "limit": (
        {"ingredient": [RUBBER, CHALK], "limit": [{"expression": "chalk + pumice <= 180"}, "chalk <= 3"]},
        "limit[2]: 'chalk <= 3'. Expected a valid dictionary.\n"
        "  limit[1].expression: 'chalk + pumice <= 180'. Write the name of an ingredient or numeric setting at the caret:\n"
        "    chalk + pumice <= 180\n            ^",
    ),
    "limit on a category": (
        {"setting": [CURE, PRESS], "limit": [{"expression": "press <= 2"}]},
        "limit[1].expression: 'press <= 2'. Write the name of an ingredient or numeric setting at the caret:\n"
        "    press <= 2\n    ^",
    ),
    "current": (
        {
            "ingredient": [RUBBER, CHALK],
            "setting": [CURE, PRESS],
            "current": {"chalk": -1, "oil": 2, "press": "cold"},
        },
        "current.chalk: -1. Expected an amount of 0 or more.\n"
        "  current.oil: 2. Expected an ingredient or setting of this brief.\n"
        "  current.press: 'cold'. Expected one of ['ram', 'steam'].\n"
        "  current.cure_min: Expected today's value of this setting.",
    ),
    "current number": (
        {"ingredient": [RUBBER, CHALK], "current": {"chalk": "much"}},
        "current.chalk: 'much'. Expected a number.",
    ),
    "current sum": (
        {"ingredient": [A, B], "basis": "fraction", "current": {"a": 0.5, "b": 0.4}},
        "current: 0.9. Expected amounts that sum to 1.",
    ),
    "current rubbers": (
        {
            "ingredient": [RUBBER | {"low": 40, "high": 100}, RUBBER | {"name": "nr", "low": 0, "high": 60}],
            "current": {"sbr": 70},
        },
        "current: 70.0. Expected rubbers that sum to 100. Name nr too; what is not named counts as 0.",
    ),
    "plant": ({"setting": [CURE], "plant": {"batch_kg": -1}}, "plant.batch_kg: -1. Expected greater than 0."),
    "piece": ({"setting": [CURE], "piece": {}}, "piece.volume_cm3: Expected a value; it is required."),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_briefs(case):
    data, text = BAD[case]
    with pytest.raises(BriefError) as caught:
        Brief(**data)
    count = len(caught.value.problems)
    assert str(caught.value) == f"{count} problem{'s' if count > 1 else ''}:\n  {text}"


def test_all_problems_at_once():
    everything = {
        key: sum((data.get(key, []) for data, _ in BAD.values() if isinstance(data.get(key, []), list)), [])
        for key in ("ingredient", "setting", "response", "limit")
    }
    with pytest.raises(BriefError) as caught:
        Brief(**everything)
    assert len(caught.value.problems) > 60


def test_a_brief_is_a_mapping():
    with pytest.raises(BriefError) as caught:
        Brief.model_validate(3)
    assert str(caught.value) == "1 problem:\n  3. Expected a mapping with the fields of a brief."


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.sampled_from(["rubber", "sbr", "chalk <= 3"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from([*"ab", "name", "role", "low", "high", "levels", "expression", "contains", "near", "ideal", "bounds"]), inner, max_size=4),
    max_leaves=12,
)  # fmt: skip
FIELDS = st.sampled_from(
    [
        "ingredient",
        "setting",
        "response",
        "limit",
        "current",
        "piece",
        "plant",
        "basis",
        "total",
        "model",
        "x",
    ]
)


@given(st.dictionaries(FIELDS, JUNK, max_size=5))
def test_junk_raises_nothing_but_brief_errors(data):
    try:
        brief = Brief(**data)
    except BriefError as error:
        assert error.problems
    else:
        assert brief._repr_html_() and brief.rules is not None


def test_what_an_ingredient_is_planned_by():
    assert active_substance("silica", {"water": 0.1, "silica": 0.9}, ["silica"]) == "silica"
    assert active_substance("s80", {"carrier": 0.2, "sulfur": 0.8}, ["s80", "oil"]) == "sulfur"
    assert active_substance("oe_sbr", {"oil": 0.3, "sbr": 0.7}, ["oe_sbr", "oil"]) == "sbr"
    assert active_substance("blend", {"oil": 0.3, "carrier": 0.7}, ["blend", "oil"]) is None
