import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab import precision
from formlab.errors import FormlabError

# Sulfur in coal, mass percent: the unbalanced example of ISO 5725-2 (from memory; its twelve published
# figures come out of these data). One line a laboratory, levels separated by bars.
COAL = """
.71 .71 .70 .71 | 1.20 1.18 1.23 1.21 | 1.68 1.70 1.68 1.69 | 3.26 3.26 3.20 3.24
.69 .67 .68 | 1.22 1.21 1.22 | 1.64 1.64 1.65 | 3.20 3.20 3.20
.66 .65 .69 | 1.28 1.31 1.30 | 1.61 1.61 1.62 | 3.37 3.36 3.38
.67 .65 .66 | 1.23 1.18 1.20 | 1.68 1.66 1.66 | 3.16 3.22 3.23
.70 .69 .66 .71 .69 | 1.31 1.22 1.22 1.24 | 1.64 1.67 1.60 1.66 1.68 | 3.20 3.19 3.18 3.27 3.24
.73 .74 .73 | 1.39 1.36 1.37 | 1.70 1.73 1.73 | 3.27 3.31 3.29
.71 .71 .69 | 1.20 1.26 1.26 | 1.69 1.70 1.68 | 3.27 3.24 3.23
.70 .65 .68 | 1.24 1.22 1.30 | 1.67 1.68 1.67 | 3.25 3.26 3.26
"""
PUBLISHED = {
    1: (0.690, 0.015, 0.026),
    2: (1.252, 0.029, 0.061),
    3: (1.667, 0.017, 0.035),
    4: (3.250, 0.026, 0.058),
}


@pytest.fixture
def coal():
    rows = [
        (lab, level, float(value))
        for lab, line in enumerate(COAL.strip().splitlines(), 1)
        for level, cell in enumerate(line.split("|"), 1)
        for value in cell.split()
    ]
    return pd.DataFrame(rows, columns=["lab", "level", "reading"])


def test_iso_5725_sulfur_in_coal(coal):
    found = precision.precision(coal)
    assert_allclose(found[["mean", "s_r", "s_R"]], list(PUBLISHED.values()), atol=5.1e-4)
    assert_allclose(found["s_L"], [0.0216, 0.0533, 0.0303, 0.0521], atol=5e-5)
    assert_allclose(found["n_bar"], [3.354, 3.242, 3.354, 3.354], atol=5e-4)
    assert_allclose(found["R"], 2.8 * found["s_R"], rtol=1e-12)
    assert found["labs"].tolist() == [8] * 4 and found["readings"].tolist() == [27, 26, 27, 27]


def test_critical_values_of_the_published_tables():
    # ISO 5725-2 tables (Cochran, Grubbs) and ASTM E691 (Mandel), from memory; recomputed to six digits.
    assert_allclose(
        [precision.cochran_critical(8, 3, a) for a in (0.05, 0.01)], [0.515687, 0.615167], atol=5e-7
    )
    assert_allclose(
        [precision.cochran_critical(6, 2, a) for a in (0.05, 0.01)], [0.780726, 0.882848], atol=5e-7
    )
    assert_allclose([precision.grubbs_critical(8, a) for a in (0.05, 0.01)], [2.126645, 2.274365], atol=5e-7)
    assert_allclose(precision.mandel_h_critical(8), 2.152492, atol=5e-7)
    assert_allclose(precision.mandel_k_critical(8, 3), 2.060840, atol=5e-7)


def test_balanced_case_is_the_analysis_of_variance():
    rng = np.random.default_rng(1)
    y = 50 + rng.normal(0, 2, (6, 1)) + rng.normal(0, 1, (6, 4))
    rows = [(i, "x", value) for i, row in enumerate(y) for value in row]
    found = precision.precision(pd.DataFrame(rows, columns=["lab", "level", "reading"])).loc["x"]
    within, between = y.var(axis=1, ddof=1).mean(), 4 * y.mean(axis=1).var(ddof=1)
    assert_allclose(found["s_r"] ** 2, within, rtol=1e-9)
    assert_allclose(found["s_L"] ** 2, (between - within) / 4, rtol=1e-9)


@given(st.floats(-100, 100), st.floats(0.1, 10))
def test_precision_follows_the_unit(shift, scale):
    rng = np.random.default_rng(8)
    frame = pd.DataFrame({"lab": np.repeat(list("abcd"), 3), "level": 1, "reading": rng.normal(10, 1, 12)})
    one = precision.precision(frame).loc[1]
    other = precision.precision(frame.assign(reading=shift + scale * frame["reading"])).loc[1]
    assert_allclose(other["s_R"], scale * one["s_R"], rtol=1e-6)
    assert_allclose(other["mean"], shift + scale * one["mean"], rtol=1e-9, atol=1e-9)


def test_labs_that_agree_have_no_spread_between_them():
    frame = pd.DataFrame({"lab": list("aabb"), "level": 1, "reading": [1.0, 3.0, 1.0, 3.0]})
    found = precision.precision(frame).loc[1]
    assert found["s_L"] == 0 and found["s_R"] == found["s_r"] == pytest.approx(math.sqrt(2))


def test_consistency_of_coal(coal):
    found = precision.consistency(coal)
    assert list(found.columns) == [
        "level", "lab", "n", "mean", "sd", "h", "h_limit", "k", "k_limit", "spread", "place",
    ]  # fmt: skip
    assert len(found) == 32
    level = found[found["level"] == 2]
    assert_allclose(level["h"].sum(), 0, atol=1e-9)
    assert_allclose((level["h"] ** 2).sum(), 7, rtol=1e-9)
    assert_allclose((level["k"] ** 2).sum(), 8, rtol=1e-9)
    # Laboratory 6 reads level 2 highest of all; Grubbs: (1.3733 - mean of the means) / their sd = 2.00 < 2.126.
    assert level.loc[level["h"].idxmax(), "lab"] == 6
    assert (found["place"] == "").all()


def planted(shift=0.0, noise=1.0, labs=8):
    rng = np.random.default_rng(6)
    reading = rng.normal(0, 1, (labs, 3))
    reading -= reading.mean(axis=1, keepdims=True)
    reading /= reading.std(axis=1, ddof=1, keepdims=True)
    reading[-1] = reading[-1] * noise
    reading += 0.2 * np.arange(labs)[:, None]
    reading[-1] += shift
    return pd.DataFrame({"lab": np.repeat(np.arange(labs), 3), "level": "x", "reading": reading.ravel()})


@pytest.mark.parametrize("noise, verdict", [(2.6, ""), (2.85, "straggler"), (4.0, "outlier")])
def test_cochran_flags_a_lab_that_scatters(noise, verdict):
    # Seven variances of 1 and one of noise^2: C = noise^2 / (7 + noise^2), against 0.516 and 0.615.
    found = precision.consistency(planted(noise=noise))
    assert found["spread"].tolist() == [""] * 7 + [verdict]
    assert_allclose(found["k"].iloc[-1] ** 2, 8 * noise**2 / (7 + noise**2), rtol=1e-9)


def test_grubbs_flags_a_lab_that_stands_apart():
    found = precision.consistency(planted(shift=20.0))
    assert found["place"].tolist() == [""] * 7 + ["outlier"]
    assert found["h"].iloc[-1] > found["h_limit"].iloc[-1]
    assert (precision.consistency(planted())["place"] == "").all()


# ---- verdict ----


def test_smallest_difference_seen():
    assert_allclose(precision.smallest_seen(1.0, 1), (1.959964 + 0.841621) * math.sqrt(2), rtol=1e-6)
    # At power one half it is the critical difference 1.96 sqrt(2) s = 2.77 s, which ISO 5725 rounds to 2.8 s.
    assert_allclose(precision.smallest_seen(1.0, 1, power=0.5), 2.772, atol=5e-4)


@given(st.floats(0.1, 5), st.floats(0.2, 5), st.floats(0, 1))
def test_readings_needed_are_the_fewest_that_see_it(s_r, matters, s_big):
    n = precision.readings_needed(s_r, matters, s_L=s_big)
    if math.isinf(n):
        assert precision.smallest_seen(s_r, 10**9, s_L=s_big) >= matters * (1 - 1e-6)
        return
    assert precision.smallest_seen(s_r, n, s_L=s_big) <= matters * (1 + 1e-6)
    if n > 1:
        assert precision.smallest_seen(s_r, n - 1, s_L=s_big) > matters * (1 - 1e-6)


def test_chance_to_see_it_is_the_power_by_simulation():
    rng = np.random.default_rng(9)
    n, s = 4, 1.5
    apart = precision.smallest_seen(s, n)
    difference = rng.normal(apart, s * math.sqrt(2 / n), 100_000)
    assert_allclose(np.mean(np.abs(difference) > 1.959964 * s * math.sqrt(2 / n)), 0.80, atol=0.005)


def test_verdict_in_words():
    assert precision.verdict_for(2.0, 0.5, readings=3).words == (
        "3 readings of each formula see a difference of 1.14 with a chance of 80 %; 2 matters: good enough."
    )
    short = precision.verdict_for(2.0, 1.5, readings=1)
    assert not short.good_enough and short.readings_needed == 9
    assert short.words == (
        "1 reading of each formula sees a difference of 5.94; 2 matters and needs 9 readings. "
        "Read more, or steady the test."
    )
    never = precision.verdict_for(2.0, 0.5, s_L=2.0, readings=5)
    assert math.isinf(never.readings_needed)
    assert never.words == (
        "5 readings of each formula see a difference of 7.97; 2 matters, and no number of readings is enough, "
        "as sessions differ by 2. Compare within one session, with the reference eraser in each."
    )


# ---- bad input ----

BAD = {
    "columns": (
        lambda: precision.precision(pd.DataFrame({"lab": [1], "value": [1.0]})),
        "Readings lack ['level', 'reading']; add them. They have ['lab', 'value'].",
    ),
    "missing": (
        lambda: precision.precision(pd.DataFrame({"lab": [1, 2], "level": 1, "reading": [1.0, np.nan]})),
        "Some readings are missing or not finite. Leave their rows out.",
    ),
    "no repeats": (
        lambda: precision.precision(pd.DataFrame({"lab": [1, 2], "level": "x", "reading": [1.0, 2.0]})),
        "Level 'x' has 2 readings from 2 labs. Add readings: repeatability and reproducibility need two labs, "
        "and repeats in one of them at least.",
    ),
    "few labs": (
        lambda: precision.consistency(pd.DataFrame({"lab": [1, 1, 2, 2], "level": "x", "reading": 1.0})),
        "Level 'x' has 2 labs, most with 2 readings. Add readings: these tests need three labs and two readings each.",
    ),
    "matters": (
        lambda: precision.readings_needed(1.0, 0.0),
        "matters = 0. Give the smallest difference worth seeing, above 0.",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_full_message(case):
    call, message = BAD[case]
    with pytest.raises(FormlabError) as caught:
        call()
    assert str(caught.value) == message
