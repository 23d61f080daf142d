"""Old notebooks: trials that never had a plan are loaded, judged and used, in a block of their own."""

import shutil

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import demo, fit, open_series
from formlab.plans import judge
from formlab.region import Region


@pytest.fixture
def series(tmp_path):
    """The ink wedge with a dozen old trials in silica and oil, read on a bench that added 3 to hardness."""
    shutil.copytree("demo_trials/ink_wedge", tmp_path / "wedge")
    brief = demo.demo_brief("ink_wedge")
    old = Region(brief).sample(12, 5).round(3)
    old["kaolin"] = 0.0
    old["silica"] += 100.0 - old[brief.ingredient_names].sum(axis=1)
    truth = demo.TRUTHS["ink_wedge"](brief, old)
    old["hardness"] = (truth["hardness"] + 3.0).round(2)
    old["smear"] = truth["smear"].round(2)
    old.to_csv(tmp_path / "wedge" / "history.csv", index=False)
    return open_series(tmp_path / "wedge")


def test_history_joins_as_a_block_of_its_own(series):
    both = series.trials(history=True)
    assert list(both["block"].unique()) == ["plan", "history"]
    old = both[both["block"] == "history"]
    assert list(old["trial"]) == [f"H{k + 1}" for k in range(12)]
    assert old["batch"].is_unique and old["erasure"].isna().all()
    pd.testing.assert_frame_equal(
        both[both["block"] == "plan"].drop(columns="block"), series.trials(), check_dtype=False
    )


def test_history_is_judged_for_what_it_can_tell(series):
    judged = judge(series.brief, series.history())
    words = " ".join(judged.notes)
    assert "kaolin" in words  # never varied, so it cannot be told


@pytest.mark.parametrize("kind", ["least squares", "gaussian process"])
def test_a_shifted_bench_moves_the_block_and_not_the_recipe(series, kind):
    brief = series.brief
    points = Region(brief).sample(50, 1)
    truth = demo.TRUTHS["ink_wedge"](brief, points)["hardness"]
    both = fit(brief, series.trials(history=True), ["hardness"], kind=kind, seed=1)
    naive = series.trials(history=True).drop(columns="block")
    naive = fit(brief, naive, ["hardness"], kind=kind, seed=1)

    def miss(surfaces):
        return float(np.mean(surfaces["hardness"].predict(points) - truth))

    assert abs(miss(both)) < 0.5  # the shift was 3
    assert miss(naive) > abs(miss(both)) + 0.3
    assert both["hardness"].predict(points, return_std=True)[1].mean() < 1.0


def test_without_history_the_trials_are_the_planned_ones(series):
    (series.path / "history.csv").unlink()
    pd.testing.assert_frame_equal(open_series(series.path).trials(history=True), series.trials())
    assert_allclose(len(series.trials()), 108)
