"""The demo files are what the documented generator gives, and the whole job runs on them."""

import re
from functools import partial
from pathlib import Path

import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import demo, open_series, surfaces

HOME = Path(__file__).parent.parent / "demo_trials"


@pytest.mark.parametrize("name", list(demo.BRIEFS))
def test_files_are_what_the_generator_gives(name):
    series = open_series(HOME / name)
    assert (HOME / name / "brief.toml").read_text() == demo.BRIEFS[name]
    plan = series.plan_frame()
    truth = demo.TRUTHS[name](series.brief, plan)
    drawn = demo.make_results(series.brief, plan, truth, demo.SEEDS[name])
    columns = ["trial", *series.brief.response_names]
    pd.testing.assert_frame_equal(series.results()[columns], drawn[columns], check_dtype=False)


@pytest.mark.parametrize("name", list(demo.BRIEFS))
def test_today_meets_its_targets_nearly(name):
    """Today's formula is sold, so no target may be missed by more than what matters."""
    brief = demo.demo_brief(name)
    truth = demo.TRUTHS[name](brief, brief.baseline).iloc[0]
    for part in brief.responses:
        low, high = part.target
        assert low - part.matters <= truth[part.name] <= high + part.matters


def test_errors_have_the_sizes_the_brief_says():
    brief = demo.demo_brief("ink_wedge")
    plan = pd.DataFrame(
        {"trial": [f"T{k}" for k in range(4000)], "batch": [f"B{k // 2}" for k in range(4000)]}
    )
    truth = pd.DataFrame({part.name: 50.0 for part in brief.responses}, index=plan.index)
    drawn = demo.make_results(brief, plan, truth, 5).merge(plan, on="trial")
    part = brief.by_name["hardness"]
    slabs = drawn.groupby(["batch", "trial"])["hardness"].mean()
    batches = slabs.groupby("batch").mean()
    within = drawn.groupby("trial")["hardness"].var().mean()
    between = slabs.groupby("batch").var().mean()
    assert within == pytest.approx(part.sd_reading**2, rel=0.05)
    assert between == pytest.approx(part.sd_slab**2 + part.sd_reading**2 / 3, rel=0.1)
    expected = part.sd_batch**2 + (part.sd_slab**2 + part.sd_reading**2 / 3) / 2
    assert batches.var() == pytest.approx(expected, rel=0.1)


def test_a_series_can_be_made_anew(tmp_path):
    series = demo.make_series("ink_wedge", tmp_path / "wedge")
    trials = series.trials()
    assert trials["trial"].nunique() == 36
    assert trials["batch"].nunique() == 18


def test_the_demo_goes_from_trials_to_a_formula_and_confirms_it(monkeypatch, capsys):
    """With surfaces that are quick to fit; the truth behind both series is known."""
    monkeypatch.setattr(surfaces, "fit", partial(surfaces.fit, kind="least squares"))
    out = demo.run_demo(HOME)
    said = capsys.readouterr().out
    assert list(out) == list(demo.BRIEFS)
    for name, answer in out.items():
        assert answer["reached"] and answer["conformance"]["true_mean"] > 0.88
        truth = demo.TRUTHS[name](
            demo.demo_brief(name), pd.DataFrame([answer["formula"] | answer["settings"]])
        )
        assert_allclose(list(answer["true_means"].values()), truth.iloc[0])
        assert answer["verdict"] in said and answer["confirmed"] in said
        assert re.match(r"\d of 3 batches meet all targets that were read\.", answer["confirmed"])
