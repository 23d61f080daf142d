import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab import Brief, cure, cure_trials, fit
from formlab.errors import FormlabError

T90 = {"B01": 8.0, "B02": 11.0, "B03": 14.0}
PLAN = pd.DataFrame(
    {"batch": ["B01", "B02", "B03", "B04"], "times_t90": [1.0, 1.5, 0.8, 1.2]}, index=[7, 5, 3, 1]
)


def test_minutes_follow_each_batchs_own_t90_and_wait_for_those_without():
    minutes = cure_trials.minutes_of_multiples(PLAN, "times_t90", T90, 150.0)
    assert_allclose(minutes, [8.0, 16.5, 11.2, np.nan], rtol=1e-12)
    assert list(minutes.index) == [7, 5, 3, 1]


def test_minutes_at_another_press_temperature():
    # Arrhenius at 90 kJ/mol: 10 min at 150 degC are 5.5401 min at 160 degC (recomputed).
    plan = PLAN.iloc[:1].assign(press_c=160.0)
    minutes = cure_trials.minutes_of_multiples(
        plan, "times_t90", {"B01": 10.0}, 150.0, press="press_c", activation_kj=90.0
    )
    assert_allclose(minutes, [5.5401], atol=5e-5)


def test_minutes_for_the_centre_of_a_slab():
    # Conduction from 25 degC, 0.11 mm2/s, 90 kJ/mol: 12 mm need 16.4 min for 10 min at the centre (recomputed).
    minutes = cure_trials.minutes_of_multiples(
        PLAN.iloc[:1], "times_t90", {"B01": 10.0}, 150.0, thickness_mm=12.0, activation_kj=90.0
    )
    assert_allclose(minutes, [16.4], atol=0.05)


@given(st.floats(0.5, 3.0), st.floats(4.0, 15.0), st.floats(145.0, 160.0), st.floats(4.0, 16.0))
def test_minutes_and_state_of_cure_are_each_others_way_back(multiple, t90, press, thickness):
    plan = pd.DataFrame({"batch": ["B"], "x": [multiple]})
    for place, given_mm in (("cure_face", None), ("cure_centre", thickness)):
        minutes = cure_trials.minutes_of_multiples(
            plan, "x", {"B": t90}, 150.0, press=press, thickness_mm=given_mm
        )
        back = cure_trials.with_state_of_cure(
            plan.assign(m=minutes),
            minutes="m",
            t90={"B": t90},
            t90_at_c=150.0,
            press=press,
            thickness_mm=thickness,
        )
        assert_allclose(back[place], [multiple], rtol=1e-4)


def test_state_of_cure_keeps_rows_that_cannot_be_told():
    trials = pd.DataFrame(
        {"batch": ["B01", "B09", "B02"], "m": [12.0, 12.0, np.nan], "press": 150.0}, index=[2, 4, 6]
    )
    out = cure_trials.with_state_of_cure(
        trials, minutes="m", t90=T90, t90_at_c=150.0, press="press", thickness_mm=10.0
    )
    assert out["cure_face"].isna().tolist() == [False, True, True]
    expected = cure.state_of_cure(12.0, 150.0, 8.0, 150.0, thickness_mm=10.0)
    assert_allclose(out.loc[2, ["cure_centre", "cure_face"]].astype(float), expected.iloc[0], rtol=1e-12)
    assert "cure_face" not in trials


def _invented(rng):
    """Hardness that depends on the state of cure and on chalk; MBTS acts only through t90."""
    rows = [(c, a, m) for c in (80.0, 120.0) for a in (1.0, 2.0) for m in (8.0, 12.0, 18.0)]
    trials = pd.DataFrame(rows, columns=["chalk", "mbts", "minutes"])
    trials["t90"] = 14.0 - 5.0 * (trials["mbts"] - 1.0)
    trials = cure_trials.with_state_of_cure(
        trials, minutes="minutes", t90="t90", t90_at_c=150.0, thickness_mm=10.0
    )
    truth = 40 + 0.1 * (trials["chalk"] - 100) + 8 * trials["cure_centre"]
    return trials.assign(hardness=truth + rng.normal(0, 0.1, len(trials)))


def test_formula_and_cure_come_apart_on_the_state_of_cure():
    trials = _invented(np.random.default_rng(5))
    parts = [{"name": "sbr", "role": "rubber"}, {"name": "chalk", "role": "filler", "low": 80, "high": 120},
             {"name": "mbts", "role": "accelerator", "low": 1, "high": 2}]  # fmt: skip

    def effect_of_mbts(setting, low, high, at):
        asked = {"name": setting, "low": low, "high": high, "changes": "slab"}
        brief = Brief(ingredient=parts, setting=[asked], response=[{"name": "hardness"}], model="linear",
                      setting_model="linear", crossed="none")  # fmt: skip
        surface = fit(brief, trials, kind="least squares", seed=1)["hardness"]
        ends = pd.DataFrame({"chalk": 100.0, "mbts": [1.0, 2.0], setting: at})
        return float(np.diff(surface.predict(ends))[0])

    assert abs(effect_of_mbts("cure_centre", 0.3, 1.7, 1.0)) < 0.3  # MBTS does nothing at one state of cure
    # At one time it seems to harden, by what it does to the state of cure.
    by_cure = 8 * trials.groupby("mbts")["cure_centre"].mean().diff().iloc[-1]
    assert by_cure > 2.0
    assert_allclose(effect_of_mbts("minutes", 8, 18, 12.0), by_cure, atol=0.25)


def test_bad_input_is_named():
    with pytest.raises(FormlabError) as caught:
        cure_trials.minutes_of_multiples(PLAN, "x", T90, 150.0, press="press_c")
    assert (
        str(caught.value) == "The trials lack ['x', 'press_c']; add them. They have ['batch', 'times_t90']."
    )
    with pytest.raises(FormlabError) as caught:
        cure_trials.minutes_of_multiples(PLAN.assign(times_t90=-1.0), "times_t90", {"B01": 0.0}, 150.0)
    assert str(caught.value) == (
        "2 problems:\n  t90_min: 0.0. Expected a number above 0.\n  times_t90: -1.0. Expected a number above 0."
    )
