"""Predictions beyond the region say so, in the line that asked, and only there."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from formlab.brief import Brief
from formlab.errors import ExtrapolationWarning, FitError
from formlab.region import Region
from formlab.surfaces import fit
from formlab.surfaces.interpret import effects, traces

BRIEF = Brief(
    ingredient=[
        {"name": "rubber", "role": "rubber"},
        {"name": "oil", "low": 0, "high": 20},
        {"name": "chalk", "low": 10, "high": 60},
    ],
    setting=[
        {"name": "temp_c", "low": 140, "high": 170},
        {"name": "mould", "levels": ["old", "new"]},
    ],
    limit=[{"expression": "oil + chalk <= 70"}],
    response=[{"name": "hardness"}],
    model="linear",
    setting_model="linear",
    current={"rubber": 100, "oil": 30, "chalk": 40, "temp_c": 150, "mould": "old"},
)
TAIL = (
    'Predict inside the region, or widen it and make trials there; outside="ignore" leaves this warning out.'
)


def trials():
    frame = Region.from_brief(BRIEF).sample(14, seed=3)
    rng = np.random.default_rng(4)
    return frame.assign(hardness=60 - frame["oil"] + 0.2 * frame["chalk"] + rng.normal(size=14))


@pytest.fixture(scope="module")
def surface():
    return fit(BRIEF, trials(), kind="least squares", seed=1)["hardness"]


def formulas(index, **changes):
    frame = pd.DataFrame({"oil": 10.0, "chalk": 30.0, "temp_c": 150.0, "mould": "old"}, index=index)
    return frame.assign(**changes)


@pytest.mark.parametrize("ask", ["predict", "predict_table", "predict_median"])
def test_the_first_formula_and_what_it_breaks_are_named(surface, ask):
    frame = formulas(["T1", "T2", "T3"], oil=[20.1, 24.0, -3.0], chalk=[30.0, 50.0, 30.0])
    with pytest.warns(ExtrapolationWarning) as caught:
        getattr(surface, ask)(frame)
    assert len(caught) == 1 and caught[0].filename == __file__
    assert str(caught[0].message) == (
        "2 of 3 formulas lie outside the brief's region by more than 1 % of a range, so predictions there are extrapolated; "
        f"the first is formula T2: oil above 20; oil + chalk <= 70. {TAIL}"
    )


def test_one_formula(surface):
    with pytest.warns(ExtrapolationWarning) as caught:
        surface.predict(formulas([0], temp_c=139.0))
    assert str(caught[0].message) == (
        "1 of 1 formulas lies outside the brief's region by more than 1 % of a range, so predictions there are extrapolated; "
        f"the first is formula 0: temp_c below 140. {TAIL}"
    )


def test_rounding_is_no_extrapolation(surface):
    surface.predict(formulas([0, 1], oil=[20.19, -0.19]))
    with pytest.warns(ExtrapolationWarning, match="formula 0: oil above 20"):
        surface.predict(formulas([0], oil=20.21))


def test_asked_to_ignore_it_only_predicts(surface):
    frame = formulas([0], oil=40.0)
    with pytest.warns(ExtrapolationWarning):
        warned = surface.predict_table(frame)
    pd.testing.assert_frame_equal(surface.predict_table(frame, outside="ignore"), warned)
    assert_array_equal(surface.predict(frame, outside="ignore"), warned["mean"])


def test_unknown_choice(surface):
    with pytest.raises(FitError) as caught:
        surface.predict(formulas([0]), outside="raise")
    assert str(caught.value) == "outside = 'raise'; use one of 'warn', 'ignore'."


def test_trials_outside_the_region_are_fitted_and_predicted_without_a_word():
    frame = trials()
    frame.loc[0, ["oil", "chalk"]] = 26.0, 55.0
    kept = fit(BRIEF, frame, seed=1, kind="averaged")["hardness"]
    kept.predict(frame)
    assert not kept.diagnostics.empty and kept.warnings_ is not None
    with pytest.warns(ExtrapolationWarning, match="1 of 15 formulas lies .* formula 14: oil above 20"):
        kept.predict(pd.concat([frame, formulas([14], oil=26.0, rubber=100.0)]))
    other = frame.head(1).assign(mould="new" if frame["mould"].iloc[0] == "old" else "old")
    with pytest.warns(ExtrapolationWarning):  # the same amounts in the other mould were not tried
        kept.predict(other)


def test_what_reads_the_surface_from_inside_does_not_warn(surface):
    assert BRIEF.baseline is not None and not Region.from_brief(BRIEF).contains(BRIEF.baseline).any()
    assert not effects(surface, at=BRIEF.baseline).empty
    assert not traces(surface)["inside"].all()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.5, 2.5))
def test_it_warns_exactly_where_the_region_ends(surface, seed, factor):
    region = Region.from_brief(BRIEF)
    frame = region.sample(6, seed=seed)
    frame["oil"] *= factor
    inside = region.contains(frame, tolerance=0.01)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        surface.predict(frame)
    words = [str(w.message) for w in caught if w.category is ExtrapolationWarning]
    assert [w.split(" formulas")[0] for w in words] == ([] if inside.all() else [f"{(~inside).sum()} of 6"])
