"""Next trials and what another round is worth."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog
from scipy.stats import norm

from formlab import fit, open_series, suggest
from formlab.errors import SuggestError
from formlab.region import Region
from formlab.suggest import conformance, find_conflict, next_trials, trial_cost
from formlab.suggest.next import chosen_trials
from formlab.terms import ModelSpace
from tests.known_surfaces import KnownSurfaces
from tests.test_suggest import brief_of, hardness


@pytest.fixture(scope="module")
def wedge():
    series = open_series("demo_trials/ink_wedge")
    trials = series.trials()
    return series.brief, trials, fit(series.brief, trials, kind="least squares", seed=1)


def test_next_trials_continue_the_plan_inside_the_region(wedge):
    brief, trials, surfaces = wedge
    plan = next_trials(brief, surfaces, trials, count=3, seed=4)
    assert list(plan.frame["trial"]) == ["T37", "T38", "T39"]
    assert list(plan.frame["batch"]) == ["B19", "B20", "B21"]
    assert set(plan.frame["round"]) == {2}
    assert Region(brief).contains(plan.frame).all()
    assert "Knowing everything would save" in plan.notes[-1]
    again = next_trials(brief, surfaces, trials, count=3, seed=4)
    pd.testing.assert_frame_equal(plan.frame, again.frame)
    with pytest.raises(SuggestError, match="count = 0; ask for at least 1 trial."):
        next_trials(brief, surfaces, trials, count=0)


def test_next_trials_keep_limits_in_which_a_level_stands():
    brief = brief_of(
        setting=[{"name": "cuts", "levels": [1.0, 20.0, 40.0]}],
        limit=[{"expression": "chalk + cuts <= 100"}],
    )
    surfaces = KnownSurfaces(brief, [lambda f: hardness(f) + 0.05 * f["cuts"].to_numpy()], [2.0], [1.0])
    for seed in range(3):
        chosen = next_trials(brief, surfaces, pd.DataFrame(), count=6, seed=seed).frame
        assert Region(brief).contains(chosen).all()


def test_next_trials_share_a_batch_and_fill_loads():
    """Slabs of a batch differ only in what changes with the load or slab; a load holds one press setting."""
    series = open_series("demo_trials/drafting_block")
    trials = series.trials()
    brief = series.brief.model_copy(
        update={"settings": (series.brief.settings[0].model_copy(update={"changes": "load"}),)}
    )
    surfaces = fit(brief, trials, kind="least squares", seed=1)
    made = next_trials(brief, surfaces, trials, count=3, slabs=3, seed=4)
    assert made.takes.startswith("It takes 3 batches, 3 press loads, ") and made.takes.endswith(" EUR.")
    plan = made.frame
    assert list(plan.groupby("batch").size()) == [3, 3, 3]
    assert (plan.groupby("batch")[brief.ingredient_names].nunique() == 1).all().all()
    assert Region(brief).contains(plan).all()
    assert (plan.groupby("load")["cure_min"].nunique() == 1).all()
    assert plan.groupby("load").size().max() <= brief.plant.slabs_per_load
    assert plan["load"].nunique() == 3  # nine slabs need no more
    _, alone = chosen_trials(brief, surfaces, trials, 4, seed=4)
    assert alone["load"].nunique() <= 2  # one that is full, or a second that is worth its hours
    with pytest.raises(SuggestError, match="slabs = 0; ask for at least 1 slab of a batch."):
        next_trials(brief, surfaces, trials, slabs=0)


def test_another_round_is_worth_what_it_can_save_in_a_year():
    """A mean known to 2 is backed off by 1.28 of it; knowing it would take that back, at the price of the hardness."""
    few, many = (
        brief_of(piece={"volume_cm3": 10.0, "per_year": per_year}, plant={"mill_h": 1.0, "rate_per_h": 50.0})
        for per_year in (1000, 10_000_000)
    )
    words = [
        next_trials(b, KnownSurfaces(b, [hardness], [2.0], [1.0]), pd.DataFrame(), count=2, seed=1).notes[-1]
        for b in (few, many)
    ]
    assert all(f"this round costs {trial_cost(few, 2):.3g} EUR" in text for text in words)
    ends = [text.endswith("Another round is hardly worth its mill time.") for text in words]
    assert ends == [True, False]
    # every world is a linear-fractional programme: exact by Charnes & Cooper, with the litres equal to 1
    volume, z = [1 / 0.91, 1 / 2.71, 100 / 0.94], norm.ppf((np.arange(400) + 0.5) / 400)
    costs = [
        linprog([1.2, 0.2, 200.0], A_ub=[[0.5, -0.1, m], [1, 0, -30], [0, 1, -150]], b_ub=np.zeros(3),
                A_eq=[volume], b_eq=[1.0]).fun for m in [2.0 * norm.ppf(0.9), *(2.0 * z)]
    ]  # fmt: skip
    saved = float(words[1].split("It is ")[1].split(" EUR")[0])
    assert_allclose(
        saved, 10_000_000 * 10.0 / 1000 * (costs[0] - np.mean(costs[1:])), rtol=0.2
    )  # 400 worlds, 16 searched


def test_a_round_that_cannot_make_surer_is_not_worth_it():
    """Hardness is 55 at most: at least 30 is sure already, at least 55 is a coin that a trial would turn."""
    sure, open_ = (
        brief_of(response=[{"name": "hardness", "at_least": v, "matters": 1.0}]) for v in (30.0, 55.0)
    )
    words = [
        next_trials(
            b, KnownSurfaces(b, [hardness], [2.0], [1.0]), pd.DataFrame(), count=2, seed=1, **asked
        ).notes[-1]
        for b, asked in ((sure, {"maximise": "conformance"}), (open_, {}), (sure, {"maximise": "hardness"}))
    ]
    assert words[0].startswith("The best formula so far is 1.00 sure") and words[0].endswith("its mill time.")
    assert words[1].endswith("As likely is it that more trials find one.")
    assert words[2].startswith("Knowing everything would bring about 0 more of hardness") and words[
        2
    ].endswith("its mill time.")


def test_what_could_not_be_made_is_avoided():
    """Every blend with much oil stuck to the mill: conformance counts it, and the next trials stay away from it."""
    brief = brief_of(response=[{"name": "hardness", "at_least": 30.0, "sd_slab": 0.5}])
    rng = np.random.default_rng(3)
    frame = Region(brief).sample(40, 2)
    frame["hardness"] = hardness(frame) + rng.normal(0, 0.5, len(frame))
    stuck = frame["oil"] > frame["oil"].median()
    frame["status"] = np.where(stuck, "stuck", "ok")
    frame.loc[stuck, "hardness"] = np.nan
    surfaces = fit(brief, frame, kind="least squares", seed=1)
    draws = surfaces.draw(2000, seed=1)
    ends = frame.iloc[[frame["oil"].idxmax(), frame["oil"].idxmin()]][brief.columns]
    wet, dry = conformance(brief, draws, ends, seed=1)
    assert wet.made < 0.2 < 0.8 < dry.made
    assert wet.true_mean <= wet.made and dry.true_mean > 0.8
    most = find_conflict(brief, surfaces, confidence=0.99, seed=1)
    region = Region(brief).sample(2000, 1)
    together = conformance(brief, surfaces.draw(500, seed=1), region, seed=1)
    assert_allclose(
        most.together, max(c.true_mean for c in together), atol=0.03
    )  # what cannot be made meets nothing
    ahead = next_trials(brief, surfaces, frame, count=3, maximise="hardness", seed=1).frame
    assert ahead["oil"].max() < frame["oil"].quantile(0.75)
    answer = suggest(brief, surfaces, maximise="conformance", seed=1, explain=False)
    assert answer.conformance.made > 0.8


def test_next_trials_teach_more_than_random_ones(wedge):
    """For a polynomial the doubt at the suggestion is its leverage, which needs no readings to be known."""
    brief, trials, surfaces = wedge
    near = next_trials(brief, surfaces, trials, count=4, seed=4).frame[brief.columns]
    best, space = demo_best(brief, surfaces), ModelSpace(brief)
    slabs = trials.drop_duplicates("trial")[brief.columns]

    def leverage(extra):
        x = space.matrix(pd.concat([slabs, extra], ignore_index=True))
        row = space.matrix(best)[0]
        return row @ np.linalg.solve(x.T @ x, row)

    random = [leverage(Region(brief).sample(4, seed)) for seed in range(20)]
    assert leverage(near) < np.quantile(random, 0.1)


def demo_best(brief, surfaces):
    return suggest(brief, surfaces, seed=1, explain=False, alternatives=0).frame


def test_what_is_to_be_made_can_be_weighed_and_set():
    series = open_series("demo_trials/drafting_block")
    surfaces = fit(series.brief, series.trials(), kind="least squares", seed=1)
    more = next_trials(series.brief, surfaces, series.trials(), count=3, slabs=2, seed=1).frame
    steps = {"oil": 0.1, "chalk": 0.2, "pumice": 0.2, "cure_min": 0.05}  # at most 1/200 of each range
    for name, step in steps.items():
        assert_allclose(more[name] / step, (more[name] / step).round(), atol=1e-9)
    assert more.groupby("batch")[["oil", "chalk", "pumice"]].nunique().max().max() == 1
    assert Region.from_brief(series.brief).contains(more).all()
