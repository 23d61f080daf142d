import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab.errors import BriefError
from formlab.limits import parse_limit
from formlab.polytope import Rule

NAMES = ["chalk", "pumice", "oil", "cure_min"]
ROLES = {"filler": ["chalk", "pumice"], "oil": ["oil"], "curing agent": ["oil"], "rubber": []}


@pytest.mark.parametrize(
    "text, rule",
    [
        ("chalk + pumice <= 180", ((1, 1, 0, 0), "<=", 180)),
        ("chalk+2*pumice>=3 oil", ((1, 2, -3, 0), ">=", 0)),
        ("chalk + 2pumice <= 180 - oil", ((1, 2, 1, 0), "<=", 180)),
        ("-chalk + .5 pumice = -1.5e1", ((-1, 0.5, 0, 0), "=", -15)),
        ("role(filler) <= 2 role(oil) + 10", ((1, 1, -2, 0), "<=", 10)),
        ("0.5 role( curing agent ) <= 4", ((0, 0, 0.5, 0), "<=", 4)),
        ("10 - chalk <= 5 + 2 cure_min", ((-1, 0, 0, -2), "<=", -5)),
        ("chalk + chalk <= 10", ((2, 0, 0, 0), "<=", 10)),
        ("  chalk\n <=\t10 ", ((1, 0, 0, 0), "<=", 10)),
    ],
)
def test_what_a_limit_stands_for(text, rule):
    found = parse_limit(text, NAMES, ROLES)
    assert (found.coefficients, found.sense, found.bound) == rule
    assert found.text == " ".join(text.split())


BAD = {
    "chalk + < 180": "a name, a number, + - *, or one of <= >= = at the caret:\n    chalk + < 180\n            ^",
    "chalk + <= 180": "a name or a number at the caret:\n    chalk + <= 180\n            ^",
    "chalk 180": "+, - or one of <= >= = at the caret:\n    chalk 180\n          ^",
    "chalk <= 180 <= oil": "+, - or the end of the limit at the caret:\n    chalk <= 180 <= oil\n                 ^",
    "chalc <= 180": "the name of an ingredient or numeric setting (did you mean 'chalk'?) at the caret:\n"
    "    chalc <= 180\n    ^",
    "water <= 180": "the name of an ingredient or numeric setting at the caret:\n    water <= 180\n    ^",
    "2 * 3 <= oil": "the name of an ingredient or numeric setting at the caret:\n    2 * 3 <= oil\n        ^",
    "role(pigment) <= 3": "a role that an ingredient has (curing agent, filler, oil) at the caret:\n"
    "    role(pigment) <= 3\n         ^",
    "role(": "a role that an ingredient has (curing agent, filler, oil) at the caret:\n    role(\n         ^",
    "role(filler <= 3": "a closing bracket at the caret:\n    role(filler <= 3\n                ^",
    "chalk - chalk <= 3": "at least one ingredient or setting that does not cancel at the caret:\n"
    "    chalk - chalk <= 3\n    ^",
    "3 <= 4": "at least one ingredient or setting that does not cancel at the caret:\n    3 <= 4\n    ^",
    "chalk <= 1e999": "numbers that stay below 1e308 at the caret:\n    chalk <= 1e999\n    ^",
    "": "a name or a number at the caret:\n    \n    ^",
    "chalk <=": "a name or a number at the caret:\n    chalk <=\n            ^",
}


@pytest.mark.parametrize("text", BAD)
def test_what_is_refused_and_where(text):
    with pytest.raises(BriefError) as caught:
        parse_limit(text, NAMES, ROLES)
    assert str(caught.value) == f"write {BAD[text]}"


def test_a_limit_without_end_is_refused():
    with pytest.raises(BriefError) as caught:
        parse_limit("chalk <= 1" + " " * 1000, NAMES, ROLES)
    assert (
        str(caught.value)
        == "the limit has 1010 characters; at most 1000 are read. Write it as several limits."
    )


WORDS = st.sampled_from(
    [
        *NAMES,
        "role",
        "(",
        ")",
        "filler",
        "curing",
        "agent",
        "<=",
        ">=",
        "=",
        "+",
        "-",
        "*",
        "2",
        "1e9",
        "é",
        "²",
        " ",
    ]
)


@given(
    st.one_of(
        st.text(max_size=40),
        st.lists(WORDS, max_size=12).map(" ".join),
        st.lists(WORDS, max_size=8).map("".join),
    )
)
def test_the_parser_raises_nothing_but_brief_errors(text):
    try:
        assert isinstance(parse_limit(text, NAMES, ROLES), Rule)
    except BriefError as error:
        assert str(error).startswith("write ")


COEFFICIENTS = st.lists(st.floats(-1e6, 1e6), min_size=4, max_size=4).filter(any)


@given(COEFFICIENTS, st.floats(-1e6, 1e6), st.sampled_from(["<=", ">=", "="]))
def test_what_is_written_comes_back(coefficients, bound, sense):
    left = " ".join(f"{'-' if c < 0 else '+'} {abs(c)!r} {n}" for c, n in zip(coefficients, NAMES))
    rule = parse_limit(f"{left} {sense} {'-' if bound < 0 else ''}{abs(bound)!r}", NAMES, ROLES)
    assert_allclose(rule.coefficients, coefficients, rtol=0)
    assert (rule.bound, rule.sense) == (bound, sense)
