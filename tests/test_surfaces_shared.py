"""Responses fitted by several workers: the same bits, and what they share stays one object."""

import copy
import pickle

import cloudpickle
import numpy as np
import pandas as pd
import pytest

from formlab import Brief, Region, fit, suggest
from formlab.surfaces.shared import Shared

BRIEF = Brief(
    ingredient=[
        {"name": "rubber", "role": "rubber", "density": 0.94},
        {"name": "oil", "role": "oil", "low": 5, "high": 25, "density": 0.91},
        {"name": "chalk", "role": "filler", "low": 20, "high": 120, "density": 2.7},
    ],
    response=[
        {"name": "hardness", "at_least": 45},
        {"name": "smear", "bounds": [0, np.inf], "at_most": 3},
        {"name": "grade", "kind": "rating"},
    ],
)
AT = Region.from_brief(BRIEF).sample(40, 3)


@pytest.fixture(scope="module")
def trials():
    frame, rng = Region.from_brief(BRIEF).sample(20, 1), np.random.default_rng(2)
    frame["hardness"] = 40 + 0.15 * frame["chalk"] - 0.2 * frame["oil"] + rng.normal(0, 1, 20)
    frame["smear"] = np.exp(0.05 * frame["oil"] + rng.normal(0, 0.2, 20))
    frame["grade"] = np.clip(np.round(frame["oil"] / 6 + rng.normal(0, 0.8, 20)), 1, 4)
    return frame


@pytest.fixture(scope="module")
def auto(trials):
    """The same fit by one worker and by two."""
    return [fit(BRIEF, trials, ["hardness", "smear"], seed=4, n_jobs=n) for n in (1, 2)]


def same_bits(one, two):
    for name in one:
        tables = [s[name].predict_table(AT).to_numpy().tobytes() for s in (one, two)]
        assert tables[0] == tables[1]
        pd.testing.assert_frame_equal(one[name].coefficients, two[name].coefficients, check_exact=True)
    assert one.sample(AT, 200, seed=5).tobytes() == two.sample(AT, 200, seed=5).tobytes()


def test_two_workers_give_the_same_bits(auto):
    same_bits(*auto)


def test_two_workers_give_the_same_suggestion(trials):
    one, two = (fit(BRIEF, trials, kind="least squares", seed=4, n_jobs=n) for n in (1, 2))
    same_bits(one, two)
    asked = {"maximise": "conformance", "alternatives": 0, "explain": False, "seed": 6}
    first, second = (suggest(BRIEF, s, **asked) for s in (one, two))
    pd.testing.assert_frame_equal(first.frame, second.frame, check_exact=True)
    assert first.conformance == second.conformance


def test_what_responses_share_comes_back_as_one_object(auto):
    def shared(surfaces):
        parts = [part for surface in surfaces.values() for part in surface.parts]
        return (
            len({id(p.features) for p in parts}),
            len({id(p.features.variables) for p in parts}),
            len(parts),
        )

    one, two = auto
    assert shared(one) == shared(two)
    assert shared(two)[1] < shared(two)[2]
    assert all(surface.brief is BRIEF and surface.slabs is two.slabs for surface in two.values())
    assert len(two.columns(AT)) == len(one.columns(AT)) == shared(one)[0]


def test_a_copy_beside_its_original_is_the_original_and_elsewhere_whole():
    thing = Thing([1, 2])
    kept = pickle.dumps(thing)
    assert pickle.loads(kept) is thing and copy.copy(thing) is thing and cloudpickle.loads(kept) is thing
    del thing  # nobody holds it any more: it is made anew, once
    again = pickle.loads(kept)
    assert again.values == [1, 2] and pickle.loads(kept) is again


class Thing(Shared):
    def __init__(self, values):
        self.values = values
