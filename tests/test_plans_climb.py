"""All trials moved at once: slopes against differences, textbook designs, and what must never happen."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from formlab import Brief
from formlab.plans.climb import Climb
from formlab.plans.criteria import inverses
from formlab.plans.exchange import at_random, exchanged
from formlab.plans.polish import moved
from tests.plans_quality import asked, posed
from tests.test_plans_together import PARTS

BRIEF = Brief(
    **PARTS,
    setting=[
        {"name": "cure_min", "low": 6, "high": 14},
        {"name": "cure_temp", "levels": [140, 150, 160]},
        {"name": "mould", "levels": ["steel", "coated"]},
    ],
)


def climb_of(problem):
    return Climb(problem, *problem.lines.values())


def inside(problem, count, seed=0):
    """Designs of points all over the region."""
    basis = problem.basis
    frame = basis.region.sample(count * problem.structure.n, seed)
    return basis.points(frame).reshape(count, problem.structure.n, -1)


def a_problem(criterion="I", runs=40):
    return asked(BRIEF, runs=runs, batches=runs, criterion=criterion)


def score_of(climb, points):
    return climb.value(points)[0]


@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_slope_against_differences(criterion):
    problem = a_problem(criterion)
    climb, points = climb_of(problem), inside(problem, 2)
    slope = climb.slope(points, *climb.value(points)[1:])
    d = climb.ways.shape[1]
    for trial in (0, 7):
        for k, way in enumerate(climb.ways):
            ends = []
            for sign in (1, -1):
                there = points.copy()
                there[:, trial, :d] += sign * 1e-5 * way
                ends.append(score_of(climb, there))
            assert_allclose(slope[:, trial, k], (ends[0] - ends[1]) / 2e-5, rtol=1e-4, atol=1e-8)


@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_a_climb_gains_stays_inside_and_leaves_levels_alone(criterion):
    problem = a_problem(criterion)
    climb, points = climb_of(problem), inside(problem, 5)
    after, gained = climb.up(points, 1e-7, 30)
    assert_allclose(score_of(climb, after) - score_of(climb, points), gained, atol=1e-9)
    assert (gained > 0.05).all()
    polytope = problem.basis.region.polytope
    assert polytope.contains(after[:, :, : len(polytope.names)].reshape(-1, len(polytope.names)), 1e-9).all()
    for name in ("cure_temp", "mould"):
        column = problem.basis.variables.index(name)
        assert (after[:, :, column] == points[:, :, column]).all()


def test_company_does_not_matter():
    problem = a_problem()
    climb, points = climb_of(problem), inside(problem, 4)
    together = climb.up(points, 1e-5, 15)[0]
    for one, alone in zip(together, points):
        assert_allclose(climb.up(alone[None], 1e-5, 15)[0][0], one, atol=1e-6)


def test_three_levels_of_one_variable():
    """D-optimal for a parabola: both ends and the middle, a third of the trials each (Smith 1918, Biometrika 12:1)."""
    brief = Brief(setting=[{"name": "x", "low": -1, "high": 1}], response=[{"name": "y"}])
    climb = climb_of(asked(brief, runs=6, batches=6, criterion="D"))
    points = np.array([[-0.9], [-0.6], [-0.1], [0.3], [0.7], [0.8]])[None]
    after = climb.up(points, 1e-12, 100)[0]
    assert_allclose(np.sort(after[0, :, 0]), [-1, -1, 0, 0, 1, 1], atol=1e-4)


def test_lattice_of_three_shares():
    """D-optimal for Scheffé's quadratic: the {3, 2} lattice (Kiefer 1961, Ann. Math. Stat. 32:298)."""
    brief = Brief(basis="fraction", ingredient=[{"name": n, "low": 0, "high": 1} for n in ("a", "b", "c")])
    climb = climb_of(asked(brief, runs=6, batches=6, criterion="D"))
    lattice = np.vstack([np.eye(3), (1 - np.eye(3)) / 2])
    points = 0.8 * lattice + 0.2 * np.random.default_rng(0).dirichlet(np.ones(3), 6)
    after = climb.up(points[None], 1e-12, 200)[0][0]
    assert_allclose(after, lattice, atol=1e-4)


@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_a_design_that_tells_nothing_stays_where_it_is(criterion):
    problem = a_problem(criterion)
    climb, points = climb_of(problem), inside(problem, 2)
    points[1] = points[1, :1]
    with np.errstate(all="raise"):
        after, gained = climb.up(points, 1e-6, 5)
    assert (after[1] == points[1]).all() and gained[1] == 0 and gained[0] > 0


@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_designs_at_rest_stay_inside(criterion):
    """What is left of the slope there is rounding, which may point anywhere."""
    problem = posed("3 shares", criterion)
    begun = [at_random(problem, np.random.default_rng(k)) for k in range(6)]
    found = moved(problem, exchanged(problem, begun, None), np.random.default_rng(0))
    points = np.array([f.points for f in found])
    after, gained = climb_of(problem).up(points, 0.0, 40)
    assert (gained < 1e-5).all()
    assert_allclose(after.sum(axis=2), 1, atol=1e-9)
    assert problem.basis.region.polytope.contains(after.reshape(-1, 3), 1e-9).all()


def test_inverses_of_which_one_does_not_exist():
    m = np.array([np.eye(2), np.zeros((2, 2)), 2 * np.eye(2)])
    assert_allclose(inverses(m), [np.eye(2), np.zeros((2, 2)), np.eye(2) / 2])
