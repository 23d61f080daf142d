import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pydantic import ValidationError

from formlab.parts import Ingredient, Response, Setting

TARGETS = [
    ({"at_least": 85, "unit": "%"}, (85, math.inf), "at least 85 %"),
    ({"at_most": 3}, (-math.inf, 3), "at most 3"),
    ({"at_least": 400, "at_most": 600}, (400, 600), "400 to 600"),
    ({"near": 70, "within": 5, "unit": "Shore A"}, (65, 75), "70 ± 5 Shore A"),
    ({}, (-math.inf, math.inf), "watched"),
]


@pytest.mark.parametrize("fields, target, text", TARGETS)
def test_targets(fields, target, text):
    response = Response(name="y", **fields)
    assert response.target == target
    assert response.target_text == text
    assert response.has_target == (text != "watched")
    ends = [v for v in target if math.isfinite(v)]
    assert response.meets(ends).all()
    assert response.meets([target[0] - 1, target[1] + 1]).tolist() == [not math.isfinite(v) for v in target]


def test_desirability_of_derringer_and_suich():
    """Linear form of Derringer & Suich 1980 (J. Quality Technology 12:214), their elongation and hardness."""
    elongation = Response(name="elongation", at_least=400, at_most=600, ideal=500)
    assert_allclose(elongation.desirability([350, 400, 450, 500, 550, 600, 650]), [0, 0, 0.5, 1, 0.5, 0, 0])
    hardness = Response(name="hardness", near=67.5, within=7.5)
    assert_allclose(hardness.desirability([60, 63.75, 67.5, 75, 80]), [0, 0.5, 1, 0, 0])
    abrasion = Response(name="abrasion", at_least=120, ideal=170)
    assert_allclose(abrasion.desirability([100, 120, 145, 170, 200]), [0, 0, 0.5, 1, 1])
    modulus = Response(name="modulus", at_most=10, ideal=0)
    assert_allclose(modulus.desirability([12, 10, 5, 0, -3]), [0, 0, 0.5, 1, 1])
    assert_allclose(Response(name="y", at_least=5).desirability([4, 5, 6]), [0, 1, 1])
    assert_allclose(Response(name="y", at_least=5, ideal=5).desirability([4, 5, 6]), [0, 1, 1])
    assert_allclose(Response(name="y").desirability([4, 5]), [1, 1])


@given(st.floats(-100, 100), st.floats(0.1, 50), st.floats(0, 1), st.floats(-300, 300))
def test_desirability_is_a_fraction_and_zero_only_where_the_target_fails(low, width, share, value):
    response = Response(name="y", at_least=low, at_most=low + width, ideal=low + share * width)
    d = float(response.desirability(value))
    assert 0 <= d <= 1
    assert d == 0 or bool(response.meets(value))


def test_what_counts_as_rubber():
    assert Ingredient(name="sbr", role="rubber").is_rubber
    assert not Ingredient(name="crumb", role="rubber", counts_as_rubber=False).is_rubber
    assert Ingredient(name="regrind", role="regrind", counts_as_rubber=True).is_rubber
    assert not Ingredient(name="factice", role="factice").is_rubber


def test_settings_are_ranges_numeric_levels_or_categories():
    range_, levels, categories = (
        Setting(name="cure_min", low=12, high=24.5),
        Setting(name="passes", levels=[8, 2, 4]),
        Setting(name="press", levels=["ram", "steam"]),
    )
    assert [s.is_numeric for s in (range_, levels, categories)] == [True, True, False]
    assert (range_.range, levels.range) == ((12.0, 24.5), (2.0, 8.0))
    assert [s.range_text for s in (range_, levels, categories)] == ["12 to 24.5", "8, 2, 4", "ram, steam"]


def test_titles():
    assert Ingredient(name="zinc_oxide").title == Setting(name="zinc_oxide").title == "zinc oxide"
    assert Response(name="y", label="Erasure (%)").title == "Erasure (%)"


def test_a_part_is_not_changed_once_it_is_checked():
    with pytest.raises(ValidationError, match="frozen"):
        Ingredient(name="oil").name = "chalk"
