import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab import cure
from formlab.errors import ExtrapolationWarning, FormlabError

FAR = pytest.mark.filterwarnings("ignore::formlab.errors.ExtrapolationWarning")
TEMP = st.floats(120, 180)
ENERGY = st.floats(60, 160)


# ---- equivalence ----

# t90 = 10 min at 150 degC, recomputed from the Arrhenius law with R = 8.314462618 J/(mol K).
EQUIVALENT = {
    80: [17.3389, 5.9158, 3.5836],
    90: [18.5738, 5.5401, 3.1522],
    100: [19.8965, 5.1882, 2.7727],
    120: [22.8314, 4.5501, 2.1452],
}


@pytest.mark.parametrize("energy", EQUIVALENT)
def test_equivalent_minutes_table(energy):
    found = cure.equivalent_minutes(10.0, 150.0, [140.0, 160.0, 170.0], energy)
    assert_allclose(found, EQUIVALENT[energy], atol=5e-5)
    assert_allclose(cure.arrhenius_factor(150.0, 140.0, energy), EQUIVALENT[energy][0] / 10, atol=5e-6)


def test_coefficient_rule():
    assert_allclose(cure.coefficient_minutes(10.0, 150.0, [140.0, 160.0, 170.0]), [20, 5, 2.5], rtol=1e-12)
    # A seal handbook: 20 degF more halves the time, which is 1.866 per 10 degC.
    assert_allclose(cure.coefficient_minutes(1.0, 150.0 + 20 / 1.8, 150.0, 1.866), 2.0, atol=1e-3)


@pytest.mark.parametrize(
    "temp, energy", [(130, 95.99), (140, 100.75), (150, 105.63), (160, 110.62), (170, 115.73)]
)
def test_activation_that_agrees_with_doubling(temp, energy):
    assert_allclose(cure.agreeing_activation(2.0, temp, temp + 10), energy, atol=5e-3)
    assert_allclose(
        cure.arrhenius_factor(temp + 10, temp, cure.agreeing_activation(2.0, temp, temp + 10)), 2.0
    )


@FAR
@given(st.floats(0.1, 100), TEMP, TEMP, TEMP, ENERGY)
def test_equivalence_goes_there_and_back_by_any_road(minutes, one, two, three, energy):
    direct = cure.equivalent_minutes(minutes, one, three, energy)
    via = cure.equivalent_minutes(cure.equivalent_minutes(minutes, one, two, energy), two, three, energy)
    assert direct == pytest.approx(via)
    assert cure.equivalent_minutes(direct, three, one, energy) == pytest.approx(minutes)
    if abs(one - three) > 1:
        assert cure.activation_of_two(minutes, one, direct, three) == pytest.approx(energy, rel=1e-6)


@FAR
@given(st.floats(0.1, 100), TEMP, TEMP, ENERGY, st.floats(1.5, 3))
def test_both_rules_side_by_side(minutes, temp, at, energy, coefficient):
    table = cure.compare_equivalents(minutes, temp, at, energy, coefficient)
    assert table.loc["arrhenius", "minutes"] == pytest.approx(
        cure.equivalent_minutes(minutes, temp, at, energy)
    )
    assert table.loc["coefficient", "minutes"] == pytest.approx(
        cure.coefficient_minutes(minutes, temp, at, coefficient)
    )
    for rule in table.index:  # each rule is the other one with the figures the table gives for it
        row = table.loc[rule]
        assert row["minutes"] == pytest.approx(
            cure.equivalent_minutes(minutes, temp, at, row["activation_kj"])
        )
        assert row["minutes"] == pytest.approx(
            cure.coefficient_minutes(minutes, temp, at, row["factor_per_10_c"])
        )


def test_warns_beyond_20_degc():
    message = (
        "The temperatures lie 21 degC apart. Beyond 20 degC equivalent times rest wholly on the activation energy; "
        "measure the cure nearer to where it is used."
    )
    cure.equivalent_minutes(1.0, 150.0, 170.0)
    for call in (cure.equivalent_minutes, cure.coefficient_minutes, cure.compare_equivalents):
        with pytest.warns(ExtrapolationWarning) as caught:
            call(1.0, 150.0, 171.0)
        assert str(caught[0].message) == message
        assert caught[0].filename == __file__


# ---- history ----


@given(TEMP, TEMP, ENERGY, st.floats(0.1, 60))
def test_constant_history_is_the_plain_rule(temp, reference, energy, minutes):
    found = cure.equivalent_cure([0, minutes / 3, minutes], [temp] * 3, reference, energy)
    assert found == pytest.approx(minutes * cure.arrhenius_factor(temp, reference, energy))


def test_ramp_against_a_fine_sum():
    time = np.linspace(0, 12, 200001)
    middle = 25 + 135 * (time[1:] + time[:-1]) / 24
    fine = np.sum(np.diff(time) * np.exp(90 / 8.314462618e-3 * (1 / 423.15 - 1 / (middle + 273.15))))
    assert_allclose(cure.equivalent_cure([0, 12], [25, 160], 150.0, 90.0), fine, rtol=2e-5)


@given(st.lists(st.floats(20, 170), min_size=3, max_size=8), st.integers(1, 6))
def test_history_adds_up_over_its_parts(temps, cut):
    time = np.arange(len(temps), dtype=float)
    cut = min(cut, len(temps) - 2)
    whole = cure.equivalent_cure(time, temps, 150.0)
    parts = [cure.equivalent_cure(time[s], temps[s], 150.0) for s in (slice(0, cut + 1), slice(cut, None))]
    assert whole == pytest.approx(sum(parts))


# ---- slab ----


@pytest.mark.parametrize(
    "thickness, minutes, seconds",
    [(6, 11.6, 107), (10, 14.4, 298), (12, 16.4, 429), (15, 19.8, 671), (20, 27.0, 1193), (25, 35.45, 1864)],
)
def test_press_time_by_conduction(thickness, minutes, seconds):
    # Conduction series with diffusivity 0.11 mm2/s, 25 to 150 degC, 10 min at 150 degC, 90 kJ/mol; recomputed,
    # the last one (35.448) by a plain sum over 400 terms and 400 001 times.
    assert_allclose(cure.press_minutes(10.0, 150.0, 150.0, thickness, activation_kj=90.0), minutes, atol=0.05)
    assert_allclose(60 * cure.warm_up_minutes(thickness), seconds, atol=0.5)


def test_centre_temperature_against_finite_differences():
    thickness, points, diffusivity = 10.0, 41, 0.11
    dx = thickness / (points - 1)
    dt = 0.2 * dx**2 / diffusivity
    temp = np.full(points, 25.0)
    temp[[0, -1]] = 150.0
    steps = round(120 / dt)
    for _ in range(steps):
        temp[1:-1] += 0.2 * (temp[2:] - 2 * temp[1:-1] + temp[:-2])
    assert_allclose(cure.centre_temperature(steps * dt / 60, thickness, 150.0), temp[points // 2], atol=0.05)


@given(st.floats(4, 30), st.floats(0.05, 0.4))
def test_warm_up_is_when_the_centre_is_that_near(thickness, within):
    centre = cure.centre_temperature(cure.warm_up_minutes(thickness, within=within), thickness, 150.0)
    assert_allclose((150.0 - centre) / 125.0, within, atol=2e-4)


@given(st.floats(4, 30), st.floats(0, 60))
def test_centre_warms_steadily(thickness, minutes):
    now, later = cure.centre_temperature([minutes, minutes + 1], thickness, 160.0)
    assert 25.0 - 1e-9 <= now <= later + 1e-9 <= 160.0 + 2e-9
    assert cure.centre_temperature(0.0, thickness, 160.0) == 25.0


@given(st.floats(2, 25), st.floats(5, 30), st.floats(140, 160), st.floats(0.8, 1.6))
def test_press_time_gives_the_state_of_cure_asked_for(thickness, t90, press, multiple):
    minutes = cure.press_minutes(multiple * t90, 150.0, press, thickness)
    state = cure.state_of_cure(minutes, press, t90, 150.0, thickness_mm=thickness)
    assert_allclose(state["centre"], multiple, rtol=1e-5)
    assert state["face"].iloc[0] > multiple


def test_centre_cure_equals_the_history_of_the_centre():
    time = np.linspace(0, 16.0, 2001)
    history = cure.centre_temperature(time, 12.0, 150.0)
    state = cure.state_of_cure(16.0, 150.0, 10.0, 150.0, thickness_mm=12.0)
    assert_allclose(state["centre"] * 10, cure.equivalent_cure(time, history, 150.0), rtol=1e-5)


def test_state_of_cure_of_many_slabs_keeps_labels():
    minutes = pd.Series([12.0, 18.0], index=["T1", "T2"])
    state = cure.state_of_cure(minutes, 155.0, [9.0, 10.0], 150.0, thickness_mm=10.0)
    assert list(state.index) == ["T1", "T2"] and list(state.columns) == ["centre", "face"]
    alone = cure.state_of_cure(18.0, 155.0, 10.0, 150.0, thickness_mm=10.0)
    assert_allclose(state.loc["T2"], alone.iloc[0], rtol=1e-12)


def test_rule_of_the_site():
    # One minute per mm above 6 mm: common practice, no source.
    assert cure.press_minutes_by_rule(10.0, 12.0) == 16.0
    assert cure.press_minutes_by_rule(10.0, 4.0) == 10.0
    assert cure.press_minutes_by_rule(10.0, 12.35, minutes_per_mm=5 / 6.35, above_mm=6.0) == pytest.approx(
        15.0
    )


# ---- scorch ----


def test_scorch_is_quiet_when_there_is_time():
    check = cure.scorch_check(5.0, 150.0, press_c=150.0, close_min=1.5)
    assert check == cure.Scorch(5.0, 0.0, 5.0, 1.5, ())


def test_scorch_at_the_press():
    check = cure.scorch_check(3.0, 150.0, press_c=170.0, close_min=1.5)
    assert check.cautions == (
        "ts2 at 170 degC is 0.83 min, shorter than the 1.5 min to load and close. "
        "Close faster, press cooler or delay the cure.",
    )
    assert_allclose(check.ts2_at_press_min, 3 * 0.27727, atol=2e-5)


@FAR
def test_scorch_eaten_on_the_mill():
    steps = [(10.0, 110.0), (6.0, 120.0)]
    check = cure.scorch_check(
        4.0, 140.0, press_c=150.0, close_min=1.0, heat_history=steps, activation_kj=90.0
    )
    used = sum(m * np.exp(90 / 8.314462618e-3 * (1 / 413.15 - 1 / (t + 273.15))) for m, t in steps) / 4.0
    assert_allclose(check.used_fraction, used, rtol=1e-12)
    assert check.cautions == (
        f"The heat before the press has used {100 * used:.0f} % of the scorch time; "
        f"{check.left_at_press_min:.2g} min are left at 150 degC, 1 min are needed to load and close.",
    )
    spent = cure.scorch_check(
        4.0, 140.0, press_c=150.0, close_min=1.0, heat_history=4 * steps, activation_kj=90.0
    )
    assert spent.left_at_press_min == 0.0
    assert spent.cautions == (
        f"The heat before the press has used all of the scorch time ({400 * used:.0f} %). "
        "Cool the stock sooner, or add the last curative later.",
    )


# ---- bad input ----

BAD = {
    "energy": (
        lambda: cure.arrhenius_factor(150.0, 140.0, 0.0),
        "1 problem:\n  activation_kj: 0.0. Expected a number above 0.",
    ),
    "kelvin": (
        lambda: cure.arrhenius_factor(-300.0, 140.0),
        "Temperature -300.0 degC is not above absolute zero. Give degC.",
    ),
    "one temperature": (
        lambda: cure.activation_of_two(10, 150, 5, 150),
        "Both times are at 150 degC. Run the second at least 10 degC away.",
    ),
    "history": (
        lambda: cure.equivalent_cure([0], [150], 150),
        "Give a history times and temperatures of one length, 2 or more; found (1,) and (1,).",
    ),
    "history order": (
        lambda: cure.equivalent_cure([0, 2, 1], [150] * 3, 150),
        "The times of a temperature history must be finite and must not fall. Sort it.",
    ),
    "slab": (
        lambda: cure.press_minutes(0, 150, 150, -1),
        "2 problems:\n  cure_min: 0. Expected a number above 0.\n  thickness_mm: -1. Expected a number above 0.",
    ),
    "within": (
        lambda: cure.warm_up_minutes(10, within=0.7),
        "within = 0.7. Give a share above 0 and not above 0.5.",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_full_message(case):
    call, message = BAD[case]
    with pytest.raises(FormlabError) as caught:
        call()
    assert str(caught.value) == message
