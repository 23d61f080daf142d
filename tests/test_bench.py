import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab import bench
from formlab.bench import Count
from formlab.errors import FormlabError, FormlabWarning

DENSITY = st.floats(0.05, 3)
SEVERAL = st.lists(st.floats(1, 100), min_size=2, max_size=6)


# ---- erasing ----


def test_erasing_ratio_by_the_delta_method():
    # JIS S 6050 ratio; uncertainty 100 (M/C) sqrt((s_M/M)^2 + (s_C/C)^2), recomputed.
    ratio = bench.erasing_ratio(0.12, 1.20, u_rubbed=0.015, u_pencilled=0.03)
    assert_allclose(ratio, [90.0, 1.275, 1], atol=5e-4)


def test_erasing_ratio_may_be_negative_and_may_be_perfect():
    assert bench.erasing_ratio(1.5, 1.2).value == pytest.approx(-25)
    clean = bench.erasing_ratio([0.0, 0.0], [1.2, 1.3])
    assert clean == (100.0, 0.0, 2)


@given(DENSITY, DENSITY, st.floats(0, 0.04), st.floats(0.1, 10))
def test_erasing_ratio_knows_no_unit(rubbed, pencilled, paper, factor):
    pencilled += 0.1
    one = bench.erasing_ratio(rubbed, pencilled, paper=paper)
    other = bench.erasing_ratio(factor * rubbed, factor * pencilled, paper=factor * paper)
    assert one.value == pytest.approx(other.value, abs=1e-6)


def test_erasing_ratio_uncertainty_against_simulation():
    rng = np.random.default_rng(3)
    draws = 200_000
    m, c, p = (rng.normal(at, sd, draws) for at, sd in ((0.30, 0.02), (1.20, 0.03), (0.08, 0.01)))
    simulated = np.std(100 * (1 - (m - p) / (c - p)))
    # three paper readings whose standard error is 0.01
    paper = 0.08 + 0.01 * np.sqrt(3) * np.array([-1, 0, 1])
    found = bench.erasing_ratio(0.30, 1.20, paper=paper, u_rubbed=0.02, u_pencilled=0.03)
    assert_allclose(found.std_uncertainty, simulated, rtol=0.01)


def test_single_reading_has_no_uncertainty_of_its_own():
    assert np.isnan(bench.erasing_ratio(0.1, 1.0).std_uncertainty)


def test_strokes_to_clean():
    assert bench.strokes_to_clean([1, 2, 3, 4], [40, 89.9, 90, 70]) == Count(3.0, "")
    assert bench.strokes_to_clean([2, 4], [40, 62]) == Count(4.0, "above")


def test_geometric_mean_without_censoring_is_the_plain_one():
    counts = [4.0, 6.0, 6.0, 9.0]
    found = bench.geometric_mean_censored([Count(c, "") for c in counts])
    logs = np.log(counts)
    assert_allclose(found.value, np.exp(logs.mean()), rtol=1e-6)
    assert_allclose(found.std_uncertainty, found.value * logs.std() / np.sqrt(4), rtol=1e-4)


def test_geometric_mean_with_censoring_recovers_the_truth():
    rng = np.random.default_rng(5)
    strokes = np.exp(rng.normal(np.log(8), 0.4, 4000))
    counts = [Count(min(s, 10.0), "above" if s > 10 else "") for s in strokes]
    found = bench.geometric_mean_censored(counts)
    assert abs(found.value - 8) < 3 * found.std_uncertainty
    assert found.std_uncertainty < 0.1
    assert np.exp(np.mean(np.log([c.value for c in counts]))) < 7.6  # what ignoring the mark would say


# ---- crumbs, smear ----


def test_crumb_per_metre_by_hand():
    found = bench.crumb_per_metre([5200.0, 5180.0], [5180.0, 5156.0], strokes=50, stroke_mm=80)
    assert_allclose(found, [5.5, 0.5, 2], rtol=1e-9)
    alone = bench.crumb_per_metre(5200.0, 5180.0, 50, 80, u_balance_mg=0.4)
    assert_allclose(alone, [5.0, 0.4 * np.sqrt(2) / 4, 1], rtol=1e-9)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=6), st.floats(1, 50))
def test_gathering_is_a_share(shares, total):
    found = bench.gathering(np.array(shares) * total, np.full(len(shares), total))
    assert 0 <= found.value <= 1 + 1e-12
    assert found.value == pytest.approx(np.mean(shares))


def test_smear_adds_the_doubt_of_the_paper():
    found = bench.smear([0.10, 0.14], [0.05, 0.07])
    assert_allclose(found, [0.06, np.hypot(0.02, 0.01), 2], rtol=1e-9)


# ---- rubber tests ----


def test_hardness_is_a_median_whose_error_is_that_of_a_median():
    assert bench.hardness([51, 52, 52, 53, 58])[::2] == (52.0, 5)
    # Exact variance of the median of n normal readings, by quadrature over its density.
    from scipy.integrate import quad
    from scipy.stats import beta, norm

    for n in (3, 5, 7, 9):
        k = (n + 1) / 2
        exact = quad(lambda x, k=k: x**2 * beta.pdf(norm.cdf(x), k, k) * norm.pdf(x), -8, 8)[0]
        values = 50 + np.arange(n) - (n - 1) / 2
        ours = bench.hardness(values).std_uncertainty / np.std(values, ddof=1)
        assert_allclose(ours, np.sqrt(exact), rtol=0.02)


def test_hardness_off_the_scale_warns():
    with pytest.warns(FormlabWarning) as caught:
        bench.hardness([15, 16, 17])
    assert str(caught[0].message) == (
        "A hardness of 16 lies outside 20 to 90, where this durometer scale tells little. "
        "Use a scale for softer or harder rubber."
    )
    assert caught[0].filename == __file__


def test_relative_abrasion_of_the_reference_rubber_is_its_nominal_loss():
    # ISO 4649: 200 mg of reference rubber of density 1.5 g/cm3 is 133.3 mm3.
    assert_allclose(bench.relative_abrasion(190.0, 1.5, 190.0).value, 200 / 1.5, rtol=1e-12)
    assert_allclose(bench.abrasion_index(190.0, 1.5, 190.0, 1.5).value, 100.0, rtol=1e-12)


@given(SEVERAL, SEVERAL, st.floats(0.9, 2))
def test_abrasion_forms_agree(loss, reference, density):
    volume = bench.relative_abrasion(loss, density, reference)
    index = bench.abrasion_index(loss, density, reference, 1.5)
    assert volume.value * index.value == pytest.approx(100 * 200 / 1.5)
    assert volume.std_uncertainty / volume.value == pytest.approx(
        index.std_uncertainty / index.value, abs=1e-9
    )


@given(SEVERAL, SEVERAL)
def test_ageing_change(before, after):
    percent, points = (
        bench.ageing_change(before, after),
        bench.ageing_change(before, after, as_difference=True),
    )
    assert percent.value * np.mean(before) / 100 == pytest.approx(points.value, abs=1e-9)
    assert bench.ageing_change([50, 50], [55, 55]).value == pytest.approx(10)


@given(st.floats(0.5, 5), st.floats(1.15, 2.5), st.floats(0.9, 1.1))
def test_displaced_density_gives_back_the_density(volume, density, liquid):
    air = volume * density
    found = bench.displaced_density(air, air - volume * liquid, water_density=liquid, u_balance_g=0.001)
    assert found.value == pytest.approx(density)
    up, down = (
        bench.displaced_density(air + d, air - volume * liquid, water_density=liquid) for d in (1e-6, -1e-6)
    )
    wet, dry = (
        bench.displaced_density(air, air - volume * liquid + d, water_density=liquid) for d in (1e-6, -1e-6)
    )
    slopes = np.array([up.value - down.value, wet.value - dry.value]) / 2e-6
    assert found.std_uncertainty == pytest.approx(0.001 * np.hypot(*slopes), rel=1e-3)


# ---- bad input ----

BAD = {
    "no pencil": (
        lambda: bench.erasing_ratio(0.1, 0.05, paper=0.08),
        "The pencilled part (-0.03 above the paper) is no darker than the paper. Check it.",
    ),
    "missing": (
        lambda: bench.smear([0.1, np.nan], 0.1),
        "margin must be one finite reading or a list of them. Leave missing readings out.",
    ),
    "strokes": (
        lambda: bench.strokes_to_clean([2, 1], [10, 20]),
        "2 stroke counts and 2 ratios. Give one ratio for each count, counts rising from 1.",
    ),
    "all censored": (
        lambda: bench.geometric_mean_censored([Count(9, "above"), Count(5, "")]),
        "Of 2 counts 1 reached their goal. At least two different ones must; go on for more strokes.",
    ),
    "gained": (
        lambda: bench.crumb_per_metre(10.0, 11.0, 10, 100),
        "Rubbed 1 m, lost -1 mg at least. Give a way above 0 and losses of 0 or more.",
    ),
    "cluster": (
        lambda: bench.gathering(3.0, 2.0),
        "The largest cluster must weigh 0 or more, and no more than all crumbs together; weigh both again.",
    ),
    "abrasion": (
        lambda: bench.relative_abrasion(10.0, 0.0, 10.0),
        "density_g_cm3 = 0. Give a number above 0.",
    ),
    "floats": (
        lambda: bench.displaced_density(1.0, 1.2),
        "Give each piece a weight in air and a smaller one in water, 0 or more.",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_full_message(case):
    call, message = BAD[case]
    with pytest.raises(FormlabError) as caught:
        call()
    assert str(caught.value) == message
