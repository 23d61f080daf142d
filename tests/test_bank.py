"""The bench itself: virtual plants, the oracle, the rivals and the table."""

import argparse
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.suggest.suggestion import suggest
from tests.bank import oracle as bank_oracle
from tests.bank import plants, reachable, rivals, run, single
from tests.bank.oracle import Oracle
from tests.bank.physics import Physics
from tests.bank.plants import COUNT, plant

HOME = Path(__file__).parent.parent

# ---- physics ------------------------------------------------------------------------------------------

PLAIN = {"hardness": "modulus", "crumb": "exponential", "erasure": "soft", "smear": "power", "tear": "peak",
         "cure": "exponential"}  # fmt: skip


def make_physics(**forms):
    ingredients = ("rubber", "factice", "oil", "chalk", "pumice", "curative")
    responses = ("erasure", "crumb", "hardness", "smear", "tear")
    return Physics(ingredients, ("cure_min", "cure_c"), responses, True, PLAIN | forms, 4.0)


def one_formula(**amounts):
    line = {"rubber": 100.0, "factice": 90.0, "oil": 15.0, "chalk": 60.0, "pumice": 20.0, "curative": 4.0}
    return pd.DataFrame([line | {"cure_min": 12.0, "cure_c": 150.0} | amounts])


def centre(physics):
    return np.log(physics.prior["centre"].to_numpy())


def values(physics, **amounts):
    means = physics.means(one_formula(**amounts), centre(physics))[0]
    return dict(zip(physics.responses, means))


def test_hardness_by_hand():
    physics = make_physics()
    p = physics.prior["centre"]
    volume = np.array([100 / 0.94, 90 / 1.06, 15 / 0.91, 60 / 2.71, 20 / 2.35, 4 / 1.75])
    _, factice, oil, chalk, pumice, _ = volume / volume.sum()
    filler = p["stiff.chalk"] * chalk + p["stiff.pumice"] * pumice
    cured = 1 - np.exp(-(p["cure.rate"] ** p["cure.shape"]))  # the reference cure is one dose times the rate
    soft = p["hardness.soften"] * oil / (1 + p["hardness.sated"] * oil)
    modulus = p["hardness.base"] * (1 + 2.5 * filler + 14.1 * filler**2)
    modulus *= np.exp(-soft - p["hardness.factice"] * factice - p["hardness.green"] * (1 - cured))
    assert_allclose(values(physics)["hardness"], 100 * modulus / (1 + modulus), rtol=1e-12)


@pytest.mark.parametrize("hardness", ["modulus", "packing"])
@pytest.mark.parametrize("cure", ["exponential", "sigmoid"])
def test_trends_of_the_trade(hardness, cure):
    physics = make_physics(hardness=hardness, cure=cure)
    low, high = values(physics, oil=8.0), values(physics, oil=25.0)
    assert low["hardness"] > high["hardness"] and low["smear"] < high["smear"]
    low, high = values(physics, chalk=30.0), values(physics, chalk=120.0)
    assert low["hardness"] < high["hardness"] and low["crumb"] < high["crumb"]
    low, high = values(physics, cure_min=6.0), values(physics, cure_min=18.0)
    assert low["hardness"] < high["hardness"] and low["crumb"] > high["crumb"]


def test_arrhenius_trades_time_for_temperature():
    physics = make_physics()
    kelvin = np.array([150.0, 158.0]) + 273.15
    faster = np.exp(-physics.prior.loc["cure.energy", "centre"] * (1000 / kelvin[1] - 1000 / kelvin[0]))
    assert 1.5 < faster < 2.0
    assert_allclose(list(values(physics, cure_min=12.0 / faster, cure_c=158.0).values()),
                    list(values(physics).values()), rtol=1e-9)  # fmt: skip


def test_constants_drawn_together_equal_those_drawn_alone():
    physics = make_physics()
    thetas = centre(physics) + 0.1 * np.random.default_rng(0).normal(size=(3, len(physics.prior)))
    frame = pd.concat([one_formula(), one_formula(oil=20.0)], ignore_index=True)
    together = physics.means(frame, thetas)
    assert together.shape == (3, 2, 5)
    assert_allclose(together[1], physics.means(frame, thetas[1]), rtol=1e-12)


# ---- plants -------------------------------------------------------------------------------------------


def test_the_bank_is_what_it_promises():
    bank = [plant(k) for k in range(COUNT)]
    stored = pd.read_csv(plants.CHEAPEST)
    assert list(stored["plant"]) == list(range(COUNT))
    assert stored["conforming"].between(0.02, 0.06).all() and (stored["edges"] >= 2).all()
    assert {len(p.brief.varied) for p in bank} == {4, 5, 6}
    assert {len(p.brief.settings) for p in bank} == {0, 1, 2}
    assert {len(p.brief.responses) for p in bank} == {3, 4, 5}
    assert sum(p.brief.basis == "fraction" for p in bank) >= COUNT / 4
    for p in bank:
        assert all(r.has_target and r.sd_batch is None and r.sd_slab is None for r in p.brief.responses)
        shares = p.sd.div(p.sd["spread"], axis=0)
        assert shares["batch"].between(0.1, 0.25).all() and shares["slab"].between(0.05, 0.15).all()


@pytest.mark.parametrize("number", [4, 17])
def test_region_conforms_in_small_part_and_nothing_is_cheaper(number):
    one = plant(number)
    frame = one.region.sample(10_000, seed=123)
    good = one.conforms(frame)
    assert 0.012 < good.mean() < 0.072
    over = one.brief.costs(frame[good])["per_litre"] / one.cheapest("cost_per_litre")
    assert over.min() >= 1 - 1e-6 and over.min() < 1.06
    per_kg = one.brief.costs(frame[good])["per_kg"] / one.cheapest("cost_per_kg")
    assert per_kg.min() >= 1 - 1e-6 and per_kg.min() < 1.06


@pytest.mark.parametrize("number", [12, 15])
def test_stored_values_can_be_made_again(number):
    rows, line = plants.work_out(number)
    targets = pd.read_csv(plants.TARGETS).query("plant == @number").reset_index(drop=True)
    pd.testing.assert_frame_equal(rows.reset_index(drop=True), targets, rtol=1e-5)
    assert_allclose(line["per_litre"], plant(number).cheapest("cost_per_litre"), rtol=1e-4)
    assert_allclose(line["per_kg"], plant(number).cheapest("cost_per_kg"), rtol=1e-4)


def test_no_such_plant():
    with pytest.raises(ValueError) as caught:
        plant(40)
    assert str(caught.value) == "There is no plant 40; they are 0 to 39."


@pytest.mark.parametrize("number", [0, 3])  # errors of one size; errors in proportion
def test_simulated_errors_have_mean_zero_and_their_levels(number):
    one = plant(number)
    batches, slabs = 3000, 3
    truth = one.truth(one.region.sample(200, seed=1))
    middle = int(((truth - truth.median()) / truth.std()).abs().sum(axis=1).argmin())
    formula = one.region.sample(200, seed=1).iloc[[middle]]
    plan = pd.concat([formula] * (batches * slabs), ignore_index=True)
    plan.insert(0, "batch", np.repeat(np.arange(batches), slabs))
    trials = one.simulate(plan, seed=5)
    assert trials["trial"].is_unique and (trials["status"] == "ok").all()
    for name in one.brief.response_names:
        y = trials[name].to_numpy().reshape(batches, slabs)
        within = y.var(axis=1, ddof=1).mean()
        between = y.mean(axis=1).var(ddof=1) - within / slabs
        sd, mean = one.sd.loc[name], one.truth(formula)[name].iloc[0]
        assert abs(y.mean() - mean) < 4 * np.sqrt(y.mean(axis=1).var() / batches)
        rtol = 0.12 if number == 0 else 0.7  # in proportion: of this size at the region's median only
        assert_allclose(np.sqrt(between), sd["batch"], rtol=rtol)
        assert_allclose(np.sqrt(within), np.hypot(sd["slab"], sd["reading"]), rtol=rtol)


def test_simulation_is_seeded_and_keeps_the_plan():
    one = plant(1)
    plan = one.region.sample(5, seed=0).assign(trial=list("abcde"), batch=list("vwxyz"), round=2)
    trials = one.simulate(plan, seed=9)
    pd.testing.assert_frame_equal(trials, one.simulate(plan, seed=9))
    assert list(trials["trial"]) == list("abcde") and list(trials["round"]) == [2] * 5
    assert not np.allclose(trials["erasure"], one.simulate(plan, seed=10)["erasure"])


# ---- oracle -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def oracle():
    one = plant(1)
    return Oracle(one, one.simulate(one.region.sample(24, seed=0), seed=0), seed=0)


def test_oracle_draws(oracle):
    one, frame = oracle.plant, oracle.plant.region.sample(300, seed=4)
    draws = oracle.draw(800, seed=1)
    mean, truth = draws.mean(frame), one.truth(frame).to_numpy()
    assert mean.shape == (800, 300, len(one.brief.responses)) and len(draws) == 800
    assert_allclose(mean, oracle.draw(800, seed=1).mean(frame))
    error = np.abs(mean.mean(axis=0) - truth) / one.sd["spread"].to_numpy()
    assert np.median(error) < 0.15  # a third of what 24 trials of that error tell alone
    batch = draws.new_batch(frame, seed=2)
    assert (batch.std(axis=0) > mean.std(axis=0)).all()
    table = oracle["erasure"].predict_table(frame)
    assert (table["batch_low"] < table["low"]).all() and (table["high"] < table["batch_high"]).all()


def test_oracle_posterior_is_the_one_written_down(oracle):
    theta = oracle.thetas[0]
    residual = oracle.trials[oracle.names].to_numpy() - oracle.plant.truth(oracle._frame, theta).to_numpy()
    prior = oracle.plant.theta_prior
    by_hand = -12 * np.log((residual**2).sum(axis=0)).sum()
    by_hand -= (((theta - prior["centre"]) ** 2 / prior["scale"] ** 2).sum()) / 2
    assert_allclose(oracle._log_posterior(theta), by_hand, rtol=1e-10)


def test_oracle_walk_samples_the_posterior(oracle):
    """The walk does not remember where it began: half its kept states agree with the other half."""
    sd = oracle.thetas.std(axis=0)
    first, last = np.array_split(oracle.thetas, 2)
    assert np.abs(first.mean(axis=0) - last.mean(axis=0)).max() < 0.2 * sd.max()
    assert_allclose(first.std(axis=0), last.std(axis=0), rtol=0.2)


def test_oracle_honours_batches(monkeypatch):
    monkeypatch.setattr(bank_oracle, "STEPS", 400)  # of a walk, enough to tell a mean sd
    one = plant(1)
    formulas = one.region.sample(12, seed=0)
    plan = pd.concat([formulas, formulas], ignore_index=True)
    plan.insert(0, "batch", [*range(12), *range(12)])
    trials = one.simulate(plan, seed=0)
    doubled = Oracle(one, trials, seed=0)
    frame = one.region.sample(200, seed=2)
    ignored = Oracle(one, trials.drop(columns="batch"), seed=0)
    assert (
        doubled.draw(500, 0).mean(frame).std(axis=0).mean()
        > ignored.draw(500, 0).mean(frame).std(axis=0).mean()
    )


def test_a_suggestion_is_made_from_an_oracle(oracle):
    answer = suggest(oracle.plant.brief, oracle, minimise="cost_per_litre", seed=0, explain=False,
                     alternatives=0)  # fmt: skip
    assert oracle.plant.region.contains(answer.frame).all()
    assert (answer.predicted["low"] < answer.predicted["high"]).all()


@pytest.mark.slow
def test_oracle_claims_are_calibrated():
    inside = []
    for number in range(0, COUNT, 2):
        one = plant(number)
        trials = one.simulate(one.region.sample(24, seed=1), seed=1)
        frame = one.region.sample(50, seed=3)
        draws = Oracle(one, trials, seed=0).draw(1000, seed=0).mean(frame)
        low, high = np.percentile(draws, [5, 95], axis=0)
        truth = one.truth(frame).to_numpy()
        inside.append(((truth > low) & (truth < high)).mean())
    assert 0.82 < np.mean(inside) < 0.96


# ---- rivals -------------------------------------------------------------------------------------------


def test_space_filling_is_a_hypercube_where_nothing_is_cut_off():
    one = next(p for p in map(plant, range(COUNT)) if p.brief.basis == "phr" and not p.brief.limits)
    frame = rivals.space_filling(one.region, 24, seed=1)
    for name in one.brief.varied:
        low, high = one.brief.ranges[name]
        cell = np.floor((frame[name] - low) / (high - low) * 24)
        assert sorted(cell) == list(range(24))


def test_space_filling_stays_in_a_mixture():
    one = plant(2)
    frame = rivals.space_filling(one.region, 24, seed=1)
    assert len(frame) == 24 and one.region.contains(frame).all()
    assert_allclose(frame[one.brief.ingredient_names].sum(axis=1), 100.0, rtol=1e-9)


@pytest.mark.parametrize("kind", ["ridge", "lasso"])
def test_hand_wired_learns_a_plane_and_backs_off(kind):
    one = plant(12)
    trials = one.region.sample(60, seed=0)
    first = one.brief.varied[0]
    low, high = one.brief.ranges[first]
    rng = np.random.default_rng(0)
    for (
        r
    ) in one.brief.responses:  # every response is 10 times the first ingredient, -1 to 1, and a little noise
        trials[r.name] = 10 * (2 * (trials[first] - low) / (high - low) - 1) + 0.2 * rng.normal(size=60)
    model = rivals.HandWired(one, trials, kind, seed=0)
    new = one.region.sample(200, seed=1)
    expected = 10 * (2 * (new[first] - low) / (high - low) - 1)
    error = model.predict(new) - expected.to_numpy()[:, None]
    assert np.sqrt((error**2).mean()) < 0.2  # better than one reading
    assert (model.sd > 0.05).all() and (model.sd < 0.5).all()


def test_rival_meets_its_own_predictions_at_least_cost():
    one = plant(15)
    trials = one.simulate(rivals.space_filling(one.region, 40, seed=0), seed=0)
    model = rivals.HandWired(one, trials, "ridge", seed=0)
    answer = model.cheapest(0.0, seed=0)
    assert answer.reached and one.region.contains(answer.frame).all()
    predicted = model.predict(answer.frame)[0]
    ends = np.array([r.target for r in one.brief.responses])
    assert (predicted >= ends[:, 0] - 1e-3).all() and (predicted <= ends[:, 1] + 1e-3).all()
    dearer = model.cheapest(1.0, seed=0)
    price = [float(one.brief.costs(a.frame)["per_litre"].iloc[0]) for a in (answer, dearer)]
    assert not dearer.reached or price[1] > price[0]


# ---- the table ----------------------------------------------------------------------------------------


def test_summary_counts():
    rows = pd.DataFrame({
        "plant": [0, 0, 1, 1], "method": "x", "round": 0, "reached": [True, True, True, False],
        "hit": [True, False, True, True], "claim": [0.9, 0.9, 1.0, 0.4], "over": [0.02, -0.1, 0.04, 0.3],
        "seconds": [1.0, 2.0, 3.0, 4.0], "error": [None, None, None, "FitError: no"],
    })  # fmt: skip
    line = run.summary(rows).iloc[0]
    # whole plants are drawn again: 0, 0 hits half; 1, 1 hits all
    assert line["hits"] == "0.750 [0.500, 1.000]"
    assert line["reached"].startswith("0.750 ") and line["hits reached"].startswith("0.667 ")
    assert line["claim"].startswith("0.800 ") and line["claim - hits"].startswith("0.050 ")
    assert line["cost over %"].startswith("4.0 ")  # median over hits alone
    assert line["n"] == 4 and line["failed"] == 1 and line["seconds"] == "2.5"


def test_a_run_can_be_stopped_and_goes_on(tmp_path, capsys):
    command = ["--plants", "13", "--first", "12", "--jobs", "1", "--method", "ridge", "--out", str(tmp_path)]
    run.main([*command, "--seeds", "1"])
    file = next(tmp_path.glob("ridge*.csv"))
    first = pd.read_csv(file)
    assert list(first["plant"]) == [12] and list(first["seed"]) == [0]
    first["seconds"] = -1.0  # marked, to see that it is not made again
    first.to_csv(file, index=False)
    run.main([*command, "--seeds", "2"])
    both = pd.read_csv(file)
    assert list(both["seed"]) == [0, 1] and both["seconds"].iloc[0] == -1.0 and both["seconds"].iloc[1] > 0
    assert "claim - hits" in capsys.readouterr().out


def test_reliability_of_the_truth_itself():
    """Draws that are all the truth claim 0 or 1 and are right."""
    one = plant(12)

    class Known:
        def draw(self, draws, seed):
            return self

        def mean(self, frame):
            return one.truth(frame).to_numpy()[None]

    sums = run.reliability(one, Known(), seed=0, count=1000)
    last = len(run.EDGES) - 2
    assert sums["n0"] + sums[f"n{last}"] == 1000 and sums["true0"] == 0
    assert sums[f"true{last}"] == sums[f"n{last}"] == sums[f"claim{last}"] > 20
    table = run.reliability_table(pd.DataFrame([{"plant": 0, "method": "known", **sums}]))
    assert list(table["true"]) == [0.0, 1.0]


# ---- what was measured ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "number", "line"),
    [
        ("auto_default_24_24_0.csv", 0, "**auto (the default)**"),
        ("auto_default_24_24_3.csv", 1, "auto, after 1 round of 4 more trials"),
        ("auto_default_24_24_3.csv", 2, "auto, after 2 rounds"),
        ("auto_default_24_24_3.csv", 3, "auto, after 3 rounds"),
        ("auto_default_24_12_0.csv", 0, "auto, 12 batches of 2 slabs instead"),
        ("least_squares_default_24_24_0.csv", 0, "least squares"),
        ("averaged_default_24_24_0.csv", 0, "averaged"),
        ("gaussian_process_default_24_24_0.csv", 0, "gaussian process"),
        ("oracle_default_24_24_0.csv", 0, "oracle"),
        ("ridge_default_24_24_0.csv", 0, "ridge quadratic, cheapest predicted good"),
        ("ridge_-2sd_default_24_24_0.csv", 0, "ridge quadratic, backed off by 2 residual sds"),
        ("lasso_default_24_24_0.csv", 0, "lasso quadratic, cheapest predicted good"),
        ("lasso_-2sd_default_24_24_0.csv", 0, "lasso quadratic, backed off by 2 residual sds"),
    ],
)
def test_the_table_in_developers_says_what_was_measured(file, number, line):
    rows = pd.read_csv(HOME / "tests" / "bank" / "measured" / file)
    part = rows[rows["round"] == number]
    text = (HOME / "DEVELOPERS.md").read_text(encoding="utf-8")
    cells = next(row for row in text.splitlines() if row.startswith(f"| {line} |")).split("|")
    hit = part["hit"].astype(bool)
    assert int(cells[2]) == len(part)
    assert float(cells[3].split("[")[0]) == pytest.approx(hit.mean(), abs=0.0051)
    assert float(cells[6].split("%")[0]) == pytest.approx(100 * part.loc[hit, "over"].median(), abs=0.051)


def test_single_responses_known_to_their_error_are_called_honest(monkeypatch):
    """A stand-in for a surface that is off by as much as it says: errors of one sd, intervals that hold 95 %."""
    one = plant(1)

    class Honest:
        def draw(self, count, seed):
            self.count = count
            return self

        def mean(self, frame):
            rng, true = np.random.default_rng(5), one.truth(frame).to_numpy()
            sd = 0.3 * one.sd["spread"].to_numpy()
            centre = true + sd * rng.normal(size=true.shape)
            return centre + sd * rng.normal(size=(self.count, *true.shape))

    monkeypatch.setattr(single, "fit", lambda *args, **kwargs: Honest())
    options = argparse.Namespace(plan="hypercube", inside=0)
    rows = pd.DataFrame(single.scored(1, 0, "any", options))
    assert rows["response"].tolist() == one.brief.response_names
    assert_allclose(rows["square"].mean(), 1.0, atol=0.12)
    assert_allclose(rows["cover"].mean(), 0.95, atol=0.02)
    assert_allclose(rows["error"].mean(), 0.3, atol=0.03)
    assert_allclose(rows["true"].mean(), rows["claim"].mean(), atol=0.05)


def test_some_trials_of_a_plan_can_be_spread_over_the_inside():
    one = plant(1)
    options = argparse.Namespace(plan="default", inside=6, starts=2, prior_scale=1.0)
    plan = single.planned(one, 0, options)
    assert len(plan) == plan["batch"].nunique() == 24
    assert one.region.contains(plan).all()


def test_claims_rise_where_the_targets_are_known_to_be_met(tmp_path):
    """Draws in which much of the region conforms are those that favour any formula chosen to conform."""
    options = argparse.Namespace(plan="hypercube", trials=24, batches=24, kind="least squares", out=tmp_path)
    found = reachable.claimed(14, 0, 0.01, options)
    assert 0 < found["draws with enough"] <= 1 and found["hit"] in (0.0, 1.0)
    assert found["claim if reachable"] >= found["claim"] - 0.02
