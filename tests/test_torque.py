import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab import torque as meter
from formlab.errors import FormlabError


def first_order(end=40.0, ml=6.0, rise=30.0, delay=3.0, rate=0.3):
    """A curve with closed-form answers: flat at ML, then ML + rise (1 - exp(-rate (t - delay)))."""
    time = np.linspace(0, end, 4001)
    return time, ml + rise * (1 - np.exp(-rate * np.clip(time - delay, 0, None)))


def test_torque_numbers_of_a_first_order_curve():
    numbers = meter.torque_numbers(*first_order())
    assert_allclose([numbers.ml, numbers.mh], [6.0, 36.0], atol=1e-3)
    at = lambda share: 3.0 - np.log(1 - share) / 0.3  # noqa: E731
    found = [numbers.ts1, numbers.ts2, numbers.t10, numbers.t50, numbers.t90]
    assert_allclose(found, [at(1 / 30), at(2 / 30), at(0.1), at(0.5), at(0.9)], atol=2e-3)
    assert_allclose(numbers.cure_rate_index, 100 / (at(0.9) - at(2 / 30)), rtol=1e-3)
    assert not numbers.marching and not numbers.reverting


def test_cure_rate_index_of_a_published_tread():
    # ISO 6502 formula; ts2 and t90 of a published tyre compound, rheometer at 150 degC.
    assert_allclose(meter.cure_rate_index(5.5, 13.7), 12.195, atol=5e-4)


def test_marching_and_reversion_are_told():
    time = np.linspace(0, 40, 401)
    marching = meter.torque_numbers(time, 6 + 0.5 * time)
    assert marching.marching and not marching.reverting
    assert_allclose(marching.rise_at_end_percent, 25.0, atol=0.01)
    hump = 6 + 30 * np.exp(-((time - 20) ** 2) / 200)
    reverting = meter.torque_numbers(time, hump)
    assert reverting.reverting and not reverting.marching
    low = hump[0]
    assert_allclose(reverting.reversion_percent, 100 * (36 - hump[-1]) / (36 - low), rtol=1e-9)


def test_soft_cure_has_no_ts2():
    time, torque = first_order(rise=1.5)
    numbers = meter.torque_numbers(time, torque)
    assert np.isnan(numbers.ts2) and np.isnan(numbers.cure_rate_index)
    assert np.isfinite(numbers.ts1) and np.isfinite(numbers.t90)


@given(st.floats(0.5, 20), st.floats(0.1, 1))
def test_torque_numbers_follow_the_clock(delay, rate):
    time, torque = first_order(delay=3.0, rate=0.5)
    base, later = meter.torque_numbers(time, torque), meter.torque_numbers(delay + rate * time, torque)
    assert_allclose(later.t90, delay + rate * base.t90, rtol=1e-9)
    assert_allclose(later.cure_rate_index, base.cure_rate_index / rate, rtol=1e-9)
    assert later.mh == base.mh


@pytest.mark.parametrize("stiff_by", [14, 60])
def test_crossings_are_looked_for_after_the_minimum(stiff_by):
    # A cold sample starts stiff, here at 20 dN m or above MH itself; that is not a cure.
    time, torque = first_order()
    stiff = torque + stiff_by * np.exp(-20 * time)
    assert_allclose(meter.torque_numbers(time, stiff).ts2, meter.torque_numbers(time, torque).ts2, atol=1e-6)


# ---- bad input ----

CURVE = "Give a torque curve "
BAD = {
    "short": (
        lambda: meter.torque_numbers([1, 2], [1, 2]),
        CURVE + "times and torques of one length, 5 or more; found (2,) and (2,).",
    ),
    "backward": (
        lambda: meter.torque_numbers([0, 2, 1, 3, 4], [1, 2, 3, 4, 5]),
        CURVE + "finite numbers and rising times. Sort it and drop the gaps.",
    ),
    "dead": (
        lambda: meter.torque_numbers([0, 1, 2, 3, 4], [5, 4, 3, 2, 1]),
        "The torque never rises: it starts at 5 and ends at 1 dN m. There is no cure to read; measure for longer.",
    ),
    "index": (
        lambda: meter.cure_rate_index(5.0, 5.0),
        "t90 = 5 min is not later than ts2 = 5 min; read both again.",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_full_message(case):
    call, message = BAD[case]
    with pytest.raises(FormlabError) as caught:
        call()
    assert str(caught.value) == message
