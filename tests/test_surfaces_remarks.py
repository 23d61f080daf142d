"""Warnings in plain words: the one that matters is said, the gravest first, in every kind of fit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.brief import Brief
from formlab.errors import FitError
from formlab.surfaces import fit, without_each_batch
from formlab.surfaces.diagnose import batch_degrees

BRIEF = Brief(
    ingredient=[
        {"name": "rubber", "role": "rubber"},
        {"name": "oil", "low": 0, "high": 20},
        {"name": "chalk", "low": 30, "high": 120},
    ],
    setting=[{"name": "cure_min", "low": 8, "high": 20}],
    response=[{"name": "hardness"}],
    model="linear",
    setting_model="linear",
    crossed="none",
)


def series(batches=10, slabs=3, batch_sd=1.0, seed=0):
    """Invented: oil and chalk change with the batch, minutes with the slab."""
    rng = np.random.default_rng(seed)
    k = np.repeat(np.arange(batches), slabs)
    frame = pd.DataFrame(
        {
            "trial": [f"T{i:02}" for i in range(len(k))],
            "batch": [f"B{i}" for i in k],
            "oil": rng.uniform(0, 20, batches)[k],
            "chalk": rng.uniform(30, 120, batches)[k],
            "cure_min": rng.choice([8.0, 14.0, 20.0], len(k)),
        }
    )
    mean = 60 - 0.5 * frame["oil"] + 0.1 * frame["chalk"] + 0.3 * frame["cure_min"]
    return frame.assign(hardness=mean + rng.normal(0, batch_sd, batches)[k] + rng.normal(0, 0.5, len(k)))


def fitted(frame, kind="least squares"):
    return fit(BRIEF, frame, kind=kind, seed=1)["hardness"]


kinds = pytest.mark.parametrize("kind", ["least squares", "averaged"])


@pytest.mark.parametrize(("batches", "spare"), [(8, 5), (5, 2), (4, 1)])
def test_degrees_between_batches(batches, spare):
    """Constant, oil and chalk differ between batches only; minutes do not cost a batch."""
    assert batch_degrees(fitted(series(batches))) == spare


@kinds
def test_two_degrees_between_batches_show_no_test_and_say_why(kind):
    surface = fitted(series(5), kind)
    table = surface.coefficients.set_index("term")
    assert table.loc[["1", "oil", "chalk"], ["t", "p"]].isna().all(axis=None)
    assert np.isfinite(table.loc["cure_min", "p"])
    tests = surface.anova.set_index("source")
    assert tests.loc[["oil", "chalk"], "p"].isna().all() and np.isfinite(tests.loc["cure_min", "p"])
    assert (
        "Only 2 degrees of freedom between batches: what differs from batch to batch cannot be tested, and no such "
        "test is shown. Repeat batches, or choose a smaller model."
    ) in surface.warnings_


@kinds
def test_enough_batches_are_tested(kind):
    assert np.isfinite(fitted(series(8), kind).coefficients["p"]).all()


@kinds
@pytest.mark.parametrize("seed", range(3))
def test_an_odd_batch_is_named(kind, seed):
    frame = series(seed=seed)
    frame.loc[frame["batch"] == "B7", "hardness"] += 20
    said = [text for text in fitted(frame, kind).warnings_ if "when predicted from the others" in text]
    assert len(said) == 1 and said[0].startswith("Batch 'B7' is off by ")
    assert said[0].endswith("the error they lead one to expect. Look at its records; it is kept.")


@kinds
def test_no_batch_is_named_without_reason(kind):
    named = [t for s in range(6) for t in fitted(series(seed=s), kind).warnings_ if t.startswith("Batch ")]
    assert len(named) <= 1


@kinds
def test_an_odd_slab_is_named_with_a_number_that_can_be(kind):
    frame = series()
    frame.loc[4, "hardness"] += 12
    surface = fitted(frame, kind)
    assert any(t.startswith("Trial 'T04' (batch 'B1') lies ") for t in surface.warnings_)
    assert surface.diagnostics["studentised"].abs().idxmax() == 4
    assert surface.diagnostics["studentised"].abs().max() < 100


def test_one_batch_that_spoils_what_is_predicted_is_named():
    """It alone tells of a factor: the others are predicted well, and it is not."""
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"oil": [*([10.0] * 12), 20.0], "batch": [f"B{k:02}" for k in range(13)]})
    frame = frame.assign(chalk=rng.uniform(30, 120, 13), cure_min=rng.uniform(8, 20, 13))
    frame["oil"] += rng.uniform(-0.02, 0.02, 13)
    frame["hardness"] = 60 + 0.05 * (frame["chalk"] - 70) - 4 * (frame["oil"] - 10) + rng.normal(0, 0.3, 13)
    surface = fitted(frame)
    assert surface.summary["r2_predicted"] < 0.1
    (said,) = [text for text in surface.warnings_ if text.startswith("Batches left out are predicted")]
    assert "but for 'B12' they are well (0." in said and said.endswith(
        "Repeat it before acting on this surface."
    )


def test_the_batch_that_decides_is_named_whatever_the_kind():
    """One batch far out in oil, whose reading alone makes the slope."""
    rng = np.random.default_rng(3)
    frame = pd.DataFrame({"oil": [*rng.uniform(8, 12, 12), 20.0], "batch": [f"B{k:02}" for k in range(13)]})
    frame = frame.assign(chalk=rng.uniform(30, 120, 13), cure_min=rng.uniform(8, 20, 13))
    frame["hardness"] = rng.normal(60, 0.3, 13)
    frame.loc[12, "hardness"] = 50.0
    for kind in ("least squares", "auto"):
        surface = fitted(frame, kind)
        said = [
            t for t in surface.warnings_ if t.startswith("Batch 'B12' decides the coefficient of 'oil': ")
        ]
        assert len(said) == 1, kind
        row = without_each_batch(surface).set_index(["batch", "term"]).loc[("B12", "oil")]
        assert row["overturned"] and abs(row["without"]) < 0.5 * abs(row["estimate"])


@kinds
def test_drift_within_a_series_of_batches_is_seen(kind):
    frame = series(12, 2, seed=2).assign(run_order=np.random.default_rng(1).permutation(np.arange(1, 25)))
    frame["hardness"] += 0.5 * frame["run_order"]
    said = [
        t for t in fitted(frame, kind).warnings_ if t.startswith("Residuals rise with the run order (p = ")
    ]
    assert len(said) == 1 and "remove_drift" in said[0]


def test_the_gravest_comes_first():
    frame = series(5, seed=4)
    frame["hardness"] = np.random.default_rng(0).normal(size=len(frame))
    words = fitted(frame).warnings_
    assert words[0].startswith("Batches left out are predicted") and words[1].startswith("Only 2 degrees")


def test_one_level_that_explains_all_but_rounding():
    frame = series(8)
    frame["hardness"] = np.where(frame["trial"] < "T04", 99.0, 100.0)
    assert fitted(frame).warnings_  # leaving batches out leaves values that are all alike


def test_infinite_reading_is_refused():
    frame = series()
    frame.loc[5, "hardness"] = np.inf
    with pytest.raises(FitError) as caught:
        fitted(frame)
    assert (
        str(caught.value)
        == "Row 6 of the trials has 'hardness' = inf; write a finite number, or leave it empty."
    )


def test_a_reading_that_is_not_possible_is_refused_unless_set_aside():
    """Instruments show 480 where 48.0 was read; files are checked when they are loaded, frames here."""
    part = BRIEF.responses[0].model_copy(update={"possible": (0.0, 100.0)})
    brief = BRIEF.model_copy(update={"responses": [part]})
    frame = series().assign(status="ok")
    frame.loc[2, "hardness"] = 480.0
    with pytest.raises(FitError) as caught:
        fit(brief, frame, kind="least squares", seed=1)
    assert str(caught.value).startswith(
        "Row 3 of the trials has 'hardness' = 480; by the brief 0 to 100 is possible. Correct it, give the row the status"
    )
    frame.loc[2, "status"] = "set aside"
    assert fit(brief, frame, kind="least squares", seed=1)["hardness"].values.y.max() < 100


def test_readings_show_their_repeatability():
    frame = series()
    again = pd.concat([frame, frame.assign(hardness=frame["hardness"] + 0.2)])
    row = fitted(again).components.set_index("level").loc["reading"]
    assert row["groups"] == 60
    assert_allclose(row["sd"], 0.2 / np.sqrt(2), rtol=1e-9)  # two readings 0.2 apart
    assert row["low"] < row["sd"] < row["high"]


@kinds
def test_readings_of_one_slab_that_differ_grossly_are_named(kind):
    """Cochran's question, asked of each slab against the others: 61.4 written down as 16.4."""
    rng = np.random.default_rng(3)
    frame = series()
    again = pd.concat([frame, frame.assign(hardness=frame["hardness"] + rng.normal(0, 0.3, len(frame)))])
    again = again.reset_index(drop=True)
    sound = fitted(again, kind)
    assert not any("scatter" in text for text in sound.warnings_)
    again.loc[4, "hardness"] = 16.4
    told = [
        text for text in fitted(again, kind).warnings_ if text.startswith("Readings of trial 'T04' are 16.4")
    ]
    assert len(told) == 1 and told[0].endswith(
        "times as widely as those of the others. Look at its records; all are kept."
    )


def test_readings_that_agree_by_rounding_name_none_that_is_one_step_off():
    frame = series(8).assign(hardness=lambda f: f["hardness"].round())
    again = pd.concat([frame, frame]).reset_index(drop=True)
    again.loc[3, "hardness"] += 1.0
    assert not any("scatter" in text for text in fitted(again).warnings_)


@kinds
def test_the_error_shown_is_that_of_a_reading(kind):
    """Two days say little about days; the error shown does not run away with what they leave open."""
    frame = series(12, batch_sd=0.5)
    frame["day"] = np.where(frame["batch"] < "B5", "Monday", "Tuesday")
    assert fitted(frame, kind).summary["s"] < 2.5


def test_degrees_between_batches_of_a_blend_count_what_the_mill_does():
    """In a crossed model of shares no term of first order holds the setting; it costs a batch all the same."""
    rng = np.random.default_rng(0)
    blend = Brief(
        basis="fraction",
        ingredient=[{"name": n, "low": 0, "high": 1} for n in "abc"],
        setting=[{"name": "mill", "low": 0, "high": 1, "changes": "batch"}],
        response=[{"name": "y"}],
    )
    k = np.repeat(np.arange(7), 3)
    frame = pd.DataFrame(rng.dirichlet([1, 1, 1], 7)[k], columns=list("abc")).assign(batch=k)
    frame["mill"] = rng.uniform(0, 1, 7)[k]
    frame["y"] = frame["a"] + rng.normal(0, 1, 7)[k] + rng.normal(0, 0.2, 21)
    assert batch_degrees(fit(blend, frame, kind="averaged", seed=1)["y"]) == 7 - 3 - 1


def test_predictions_that_pass_a_bound_are_said():
    """Erasures of 92 to 99.5 % with an error of 1: a straight line has ends of its intervals beyond 100."""
    brief = Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 10}],
        model="linear",
        response=[{"name": "erasure", "unit": "%", "bounds": [0, 100], "scale": "identity"}],
    )
    oil = np.tile([0.0, 5.0, 10.0], 3)
    read = 92 + 0.75 * oil + np.array([1, -1, 0.0, -1, 1, 0.2, 0.5, -0.5, -0.3])
    frame = pd.DataFrame({"rubber": 100.0, "oil": oil, "erasure": read})
    surface = fit(brief, frame, kind="least squares", seed=1)["erasure"]
    top = surface.predict_table(frame[["oil"]])[["mean", "high"]].max()
    assert top["mean"] < 100 < top["high"]
    said = [
        text
        for text in surface.warnings_
        if text.startswith("Predictions at trials pass the bound of 100 % (mean 99.")
    ]
    assert len(said) == 1 and 'scale = "logit" in the brief would keep them' in said[0]
    kept = brief.model_copy(update={"responses": (brief.responses[0].model_copy(update={"scale": "logit"}),)})
    assert not [
        t for t in fit(kept, frame, kind="least squares")["erasure"].warnings_ if "pass the bound" in t
    ]
    assert surface.formula_warnings == surface.warnings_
