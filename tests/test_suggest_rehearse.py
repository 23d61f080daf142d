"""Rehearsal of the whole job."""

import sys

import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.errors import SuggestError
from formlab.plans import Plan
from formlab.suggest import rehearse, trial_cost
from tests.test_suggest import brief_of


def test_rehearsal_does_not_depend_on_workers():
    brief = brief_of(
        response=[{"name": "hardness", "near": 50.0, "within": 4.0, "sd_batch": 0.5, "sd_slab": 0.4}]
    )
    kwargs = {"batches": (8,), "runs": 2, "kind": "least squares", "seed": 3, "progress": False}
    one = rehearse(brief, {"hardness": {"chalk": 8.0, "oil": -6.0}}, **kwargs)
    two = rehearse(brief, {"hardness": {"chalk": 8.0, "oil": -6.0}}, **kwargs, n_jobs=2)
    pd.testing.assert_frame_equal(one, two)
    assert one["runs"].iloc[0] == 2
    with pytest.raises(SuggestError, match="names 'tar'; choose among the factors"):
        rehearse(brief, {"hardness": {"tar": 1.0}}, **kwargs)


def test_a_plan_of_ones_own_is_rehearsed_and_its_trials_have_a_price():
    """Hardness rises with chalk alone: two levels of it tell all, one level tells nothing and fits nothing."""
    brief = brief_of(
        model="linear", plant={"mill_h": 1.0, "rate_per_h": 50.0},
        response=[{"name": "hardness", "near": 50.0, "within": 4.0, "sd_batch": 0.2, "sd_slab": 0.2}],
    )  # fmt: skip
    guess, asked = (
        {"hardness": {"chalk": 8.0, "oil": -6.0}},
        {"runs": 4, "kind": "least squares", "seed": 3, "progress": False},
    )
    spread = pd.DataFrame({"oil": [0, 30, 0, 30, 15, 15, 0], "chalk": [0, 0, 150, 150, 75, 60, 75]})
    blind = spread.assign(chalk=75.0)
    good, none = (
        rehearse(brief, guess, plan=Plan.from_frame(brief, frame), **asked) for frame in (spread, blind)
    )
    assert list(good["batches"]) == [7] and good["runs"].iloc[0] == 4
    assert good["conforming"].iloc[0] > none["conforming"].iloc[0] == 0
    assert_allclose(good["trials_cost"], trial_cost(brief, 7, brief.complete(spread)))


def test_a_rehearsal_that_is_stopped_returns_what_is_done(monkeypatch):
    brief = brief_of(response=[{"name": "hardness", "near": 50.0, "within": 4.0, "sd_batch": 0.5}])
    module, calls = sys.modules["formlab.suggest.rehearse"], []
    one_run = module._one_run

    def stopped(*job):
        calls.append(1)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return one_run(*job)

    monkeypatch.setattr(module, "_one_run", stopped)
    end = rehearse(brief, batches=(8,), runs=5, kind="least squares", seed=3, progress=False)
    assert list(end["runs"]) == [2]
