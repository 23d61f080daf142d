"""Designs changed in step, against each of them changed alone."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from formlab import Brief
from formlab.plans.criteria import State, score
from formlab.plans.exchange import _exchanged_alone, at_random, exchanged, information_score
from formlab.plans.polish import moved
from formlab.plans.together import Together
from tests.plans_quality import asked

PARTS = {
    "ingredient": [
        {"name": "rubber", "role": "rubber"},
        {"name": "factice", "low": 20, "high": 80},
        {"name": "oil", "low": 5, "high": 25},
        {"name": "chalk", "low": 20, "high": 100},
    ],
    "limit": [{"expression": "factice + chalk <= 150"}],
}
BRIEF = Brief(**PARTS)


def problem(criterion="I", runs=13, batches=13, batch_ratio=1.0):
    return asked(BRIEF, {"batch": batch_ratio}, runs=runs, batches=batches, criterion=criterion)


def random_designs(posed, count, seed=0):
    return [at_random(posed, np.random.default_rng([seed, k])) for k in range(count)]


@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_exchange_of_many_is_that_of_each_alone(criterion):
    posed = problem(criterion)
    together = exchanged(posed, random_designs(posed, 7), None)
    alone = [exchanged(posed, [begun], None)[0] for begun in random_designs(posed, 7)]
    assert_allclose([f.score for f in together], [f.score for f in alone], atol=1e-9)
    assert [f.points.tolist() for f in together] == [f.points.tolist() for f in alone]


@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_what_exchange_ends_in_gains_by_no_single_swap(criterion):
    posed = problem(criterion)
    for found in exchanged(posed, random_designs(posed, 3), None):
        x = posed.basis.matrix(found.points)
        assert found.score == pytest.approx(information_score(posed, x), abs=1e-9)
        state = State(x, posed.weight_matrix, posed.prior, posed.weight)
        table = posed.candidates.table[posed.candidates.allowed]
        for row in range(len(x)):
            assert state.gains(np.array([row]), table[:, None]).max() < 1e-6


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_exchange_in_step_is_as_good_as_unit_by_unit(criterion):
    """The two take swaps in another order, so they end in other designs; on average in equally good ones."""
    posed = problem(criterion)
    together = [f.score for f in exchanged(posed, random_designs(posed, 30), None)]
    rng = np.random.default_rng(2)
    alone = [_exchanged_alone(posed, b, rng, 1e-7, (2, 40)).score for b in random_designs(posed, 30, 1)]
    assert abs(np.mean(together) - np.mean(alone)) < 3 * np.hypot(np.std(together), np.std(alone)) / np.sqrt(
        30
    )


@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_moves_gain_and_stay_inside(criterion):
    posed = problem(criterion)
    before = exchanged(posed, random_designs(posed, 6), None)
    after = moved(posed, before, np.random.default_rng(3))
    assert all(a.score >= b.score for a, b in zip(after, before))
    assert max(a.score - b.score for a, b in zip(after, before)) > 1e-4
    for found in after:
        assert posed.basis.region.polytope.contains(found.points, 1e-9).all()
        assert found.score == pytest.approx(
            information_score(posed, posed.basis.matrix(found.points)), abs=1e-8
        )


@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_a_change_is_what_the_whole_design_says(criterion):
    posed = problem(criterion)
    rng = np.random.default_rng(4)
    table = posed.candidates.table
    x = table[rng.integers(len(table), size=(5, 13))]
    state = Together(x.copy(), posed, posed.weight, np.zeros(5))
    before = np.array(state.scores())
    new = table[rng.integers(len(table), size=(5, 13))]
    which = np.array([0, 2, 3])
    taken, gained = state.change(which, new[which], np.ones((3, 13)))
    after = np.array(state.scores())
    assert_allclose(after[which] - before[which], gained, atol=1e-7)
    assert (state.x[[1, 4]] == x[[1, 4]]).all()
    assert (state.x[which] == np.where(taken[:, :, None], new[which], x[which])).all()
    state.refresh(np.arange(5))
    for b in range(5):
        information = state.x[b].T @ posed.weight_matrix @ state.x[b] + posed.prior
        assert score(information, posed.weight) == pytest.approx(after[b], abs=1e-9)
        assert_allclose(state.d[b] @ information, np.eye(len(information)), atol=1e-6)


def test_a_design_that_tells_nothing_apart_does_not_spoil_those_beside_it():
    posed = problem("A")
    good = random_designs(posed, 2)
    stuck = at_random(posed, np.random.default_rng(9))
    stuck.choice = {"batch": np.zeros(13, dtype=int)}
    stuck.at_random = False
    alone = exchanged(posed, random_designs(posed, 2), None)
    first, second, third = exchanged(posed, [good[0], stuck, good[1]], None)
    assert second.score == -np.inf
    assert_allclose([first.score, third.score], [f.score for f in alone], atol=1e-9)


def test_trials_that_a_batch_chooses_together_are_not_changed_in_step():
    """Without batch error no trial shares one, and still both slabs of a batch are one formula."""
    posed = problem("D", runs=24, batches=12, batch_ratio=0.0)
    assert posed.structure.is_simple
    assert not posed.in_step
    [found] = exchanged(posed, random_designs(posed, 1), np.random.default_rng(0))
    assert (found.points[0::2] == found.points[1::2]).all()
    assert problem().in_step


def test_tasks_are_shared_out_by_what_memory_holds():
    posed = problem()
    jobs = posed.shared_out(40)
    assert np.concatenate(jobs).tolist() == list(range(40))
    assert max(map(len, jobs)) <= 24
    assert [len(job) for job in posed.shared_out(12, 4)] == [6, 6]
    assert [len(job) for job in posed.shared_out(1)] == [1]
