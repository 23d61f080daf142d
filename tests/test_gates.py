import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab import gates, recipe
from formlab.errors import FormlabError
from tests.test_mill import ERASER, ERASER_DENSITY

LIGHT = gates.density_gate(1.412, 1.445)
FINE = gates.yield_gate(8910.0, 9000.0)


def test_density_of_a_batch_with_a_line_left_out_fails_its_gate():
    # Common practice, no source: more than 0.01 to 0.02 g/cm3 off means weights, dispersion or air.
    whole = recipe.density(ERASER, ERASER_DENSITY)
    short = recipe.density(ERASER.drop("pumice"), ERASER_DENSITY)
    twice = recipe.density(ERASER.where(ERASER.index != "oil", 40.0), ERASER_DENSITY)
    assert gates.density_gate(whole + 0.019, whole).passed
    for off, hint in [(short, "heavy line short"), (twice, "oil twice")]:
        gate = gates.density_gate(off, whole)
        assert not gate.passed and hint in gate.words


def test_yield_limits_are_those_of_the_standard():
    # ISO 2476:1996 (after ISO 2393): discard beyond +0.5 % and -1.5 %.
    assert_allclose(gates.yield_limits(10_000.0), (9850.0, 10_050.0), rtol=1e-12)
    assert [gates.yield_gate(g, 10_000.0).passed for g in (9849, 9850, 10_050, 10_051)] == [
        False,
        True,
        True,
        False,
    ]
    assert gates.yield_gate(9600.0, 10_000.0, percent=(-5.0, 0.5)).passed


def test_dispersion_has_a_lower_limit_only():
    gate = gates.dispersion_gate(5.0, 7.0)
    assert (
        gate.words
        == "Dispersion 5 of 10, limits at least 7 of 10: failed. Undispersed filler: pass it tight and cut it more."
    )
    assert gates.dispersion_gate(10.0, 7.0).passed
    with pytest.raises(FormlabError) as caught:
        gates.dispersion_gate(12.0, 7.0)
    assert str(caught.value) == "A dispersion rating of 12 is not on the scale; give one from 1 to 10."


def test_records_hold_value_limits_and_decision_and_go_through_json():
    records = gates.gate_records(
        "B02", [LIGHT, FINE, gates.dispersion_gate(8, 7)], "accept", reason="only for hardness", by="AB"
    )
    assert json.loads(json.dumps(records)) == records
    assert records[0] == {
        "batch": "B02", "gate": "density", "value": 1.412, "low": pytest.approx(1.425), "high": pytest.approx(1.465),
        "unit": "g/cm3", "passed": False, "decision": "accept", "reason": "only for hardness", "by": "AB",
    }  # fmt: skip
    assert records[2]["high"] is None


def test_a_failed_gate_needs_a_decision():
    with pytest.raises(FormlabError) as caught:
        gates.gate_records("B02", [LIGHT, FINE])
    assert str(caught.value) == (
        "1 problem:\n  decision: 'release'. Expected no release, as density failed. Say remill, remake, or accept with a reason."
    )
    with pytest.raises(FormlabError) as caught:
        gates.gate_records("B02", [LIGHT], "accept", reason=" ")
    assert str(caught.value) == "1 problem:\n  reason: ' '. Expected why the batch is accepted all the same."
    with pytest.raises(FormlabError) as caught:
        gates.gate_records("B02", [], "press it")
    assert str(caught.value) == (
        "2 problems:\n  gates: Expected at least one gate.\n"
        "  decision: 'press it'. Expected one of release, remill, remake, accept."
    )


def test_the_table_keeps_the_last_try():
    first = gates.gate_records("B02", [LIGHT], "remill")
    second = gates.gate_records("B02", [gates.density_gate(1.441, 1.445)])
    other = gates.gate_records("B03", [FINE])
    table = gates.gate_table([*first, *second, *other])
    assert table[["batch", "gate", "decision", "tries"]].values.tolist() == [
        ["B02", "density", "release", 2],
        ["B03", "yield", "release", 1],
    ]
    assert len(gates.gate_table([])) == 0


def test_bad_numbers_are_named():
    with pytest.raises(FormlabError) as caught:
        gates.density_gate(float("nan"), 0.0)
    assert str(caught.value) == (
        "2 problems:\n  measured: nan. Expected a number above 0.\n  calculated: 0.0. Expected a number above 0."
    )


@given(st.floats(0.5, 3.0), st.floats(0.5, 3.0))
def test_density_gate_does_not_care_which_way_it_is_off(measured, calculated):
    gate = gates.density_gate(measured, calculated)
    assert (
        gate.passed == gates.density_gate(calculated, measured).passed
        or abs(abs(measured - calculated) - 0.02) < 1e-9
    )
    assert (
        gate.passed == (abs(measured - calculated) <= 0.02) or abs(abs(measured - calculated) - 0.02) < 1e-9
    )
