from itertools import product

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab.polytope import Polytope, Rule
from formlab.steps import nearest_on_steps

LOW, HIGH = np.array([5.0, 50.0, 0.0]), np.array([15.0, 90.0, 20.0])
SUM = Polytope(("oil", "chalk", "clay"), LOW, HIGH, (Rule((1.0, 1.0, 1.0), "=", 100.0),))
CAP = Polytope(
    ("oil", "chalk", "clay"),
    LOW,
    HIGH,
    (Rule((1.0, 1.0, 0.0), "<=", 80.0), Rule((0.0, 1.0, -2.0), ">=", 31.0)),
)


@settings(deadline=None, max_examples=40)
@given(st.sampled_from([SUM, CAP]), st.lists(st.floats(-20, 120), min_size=3, max_size=3))
def test_nearest_by_brute_force(polytope, x):
    step = np.array([2.5, 5.0, 1.0])
    found = nearest_on_steps(polytope, np.array(x), step)
    grid = np.array(list(product(np.arange(5, 15.1, 2.5), np.arange(50, 91, 5.0), np.arange(0, 21, 1.0))))
    grid = grid[polytope.contains(grid, 1e-9)]
    best = (np.abs(grid - x) / (HIGH - LOW)).sum(axis=1).min()
    assert polytope.contains(found[None, :], 1e-9)[0]
    assert_allclose(found / step, np.round(found / step), atol=1e-9)
    assert_allclose((np.abs(found - x) / (HIGH - LOW)).sum(), best, rtol=1e-9, atol=1e-9)


def test_a_free_variable_makes_up_the_balance():
    found = nearest_on_steps(SUM, np.array([7.3, 80.0, 12.7]), np.array([2.0, 3.0, 0.0]))
    # changes 1.3/10 + 1/40 + 0.3/20 = 0.17; with 8 of oil it would be 0.7/10 + 1/40 + 1.7/20 = 0.18
    assert_allclose(found, [6.0, 81.0, 13.0])


def test_no_point_on_the_steps():
    assert nearest_on_steps(SUM, LOW, np.array([7.0, 40.0, 30.0])) is None
    point = Polytope(("oil",), np.array([3.3]), np.array([3.3]))
    assert nearest_on_steps(point, np.array([3.0]), np.array([1.0])).tolist() == [3.3]
    empty = Polytope(("oil",), np.array([3.3]), np.array([3.3]), (Rule((1.0,), "<=", 3.0),))
    assert nearest_on_steps(empty, np.array([3.0]), np.array([1.0])) is None
