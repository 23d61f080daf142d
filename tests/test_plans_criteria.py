"""What a change of a design gains, against the score of the whole design worked out anew."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab.plans.criteria import State, best_swaps, score

CASES = st.tuples(st.integers(0, 10_000), st.booleans(), st.booleans())


def a_design(seed, traced, shared):
    """A state of 9 rows and 4 columns, its weights, and options; rows share errors by threes if wanted."""
    rng = np.random.default_rng(seed)
    x, options = rng.normal(size=(9, 4)), rng.normal(size=(6, 4))
    groups = np.kron(np.eye(3), np.ones((3, 3)))
    w = np.linalg.inv(np.eye(9) + groups) if shared else np.diag(rng.uniform(0.3, 2.0, 9))
    prior = np.diag(rng.uniform(0, 1, 4))
    root = rng.normal(size=(4, 4))
    return State(x, w, prior, root @ root.T if traced else None), options


def anew(state, x):
    return score(x.T @ state.w @ x + state.prior, state.weight)


def put(x, rows, new):
    out = x.copy()
    out[rows] = new
    return out


def swaps(state, options, allowed):
    traced = None if state.weight is None else (state.dsd, state.trace)
    return best_swaps(state.x, np.diag(state.w), state.d, traced, options, allowed)


@settings(deadline=None, max_examples=40)
@given(CASES)
def test_gains_of_one_row_and_of_several(case):
    state, options = a_design(*case)
    before = state.score
    for rows in (np.array([2]), np.array([3, 4, 5])):
        wanted = [anew(state, put(state.x, rows, option)) - before for option in options]
        new = np.repeat(options[:, None], len(rows), axis=1)
        assert_allclose(state.gains(rows, new), wanted, atol=1e-8)


@settings(deadline=None, max_examples=40)
@given(st.tuples(st.integers(0, 10_000), st.booleans(), st.just(False)))
def test_best_swaps_are_those_of_trying_every_one(case):
    state, options = a_design(*case)
    allowed = np.array([True, False, True, True, False, True])
    before = state.score
    every = np.array(
        [[anew(state, put(state.x, row, option)) - before for row in range(9)] for option in options]
    )
    every[~allowed] = -np.inf
    best, hoped = swaps(state, options, allowed)
    assert (best == every.argmax(axis=0)).all()
    assert_allclose(hoped, every.max(axis=0), atol=1e-8)


@pytest.mark.parametrize("traced", [False, True])
def test_no_swap_where_none_is_allowed(traced):
    state, options = a_design(1, traced, False)
    assert (swaps(state, options, np.zeros(6, dtype=bool))[1] == -np.inf).all()


@settings(deadline=None, max_examples=40)
@given(CASES)
def test_a_state_goes_on_as_if_worked_out_anew(case):
    state, options = a_design(*case)
    for k, rows in enumerate((np.array([0]), np.array([6, 7, 8]), np.array([4]))):
        new, before = np.repeat(options[[k]], len(rows), axis=0), anew(state, state.x)
        wanted = anew(state, put(state.x, rows, new)) - before
        assert_allclose(state.replace(rows, new), wanted, atol=1e-8)
    fresh = State(state.x, state.w, state.prior, state.weight)
    assert_allclose(state.d, fresh.d, atol=1e-9)
    assert_allclose(state.wx, fresh.wx, atol=1e-9)
    if state.weight is not None:
        assert_allclose(state.dsd, fresh.dsd, atol=1e-8)
        assert_allclose(state.trace, fresh.trace, rtol=1e-9)


@settings(deadline=None, max_examples=40)
@given(CASES)
def test_a_change_that_does_not_gain_is_not_made(case):
    state, options = a_design(*case)
    rows, x = np.array([1]), state.x.copy()
    gain = anew(state, put(x, rows, options[0])) - state.score
    assert state.replace(rows, options[[0]], gain + 1e-6) == 0.0
    assert (state.x == x).all()


def test_a_trace_that_is_not_positive_has_no_score():
    """As rounding makes it of a nearly singular design; a NaN would rank anywhere."""
    assert score(np.eye(3), -np.eye(3)) == -np.inf
    assert score(np.eye(3), np.eye(3)) == pytest.approx(-np.log(3))


def test_a_matrix_that_only_just_cannot_be_inverted_has_no_score(monkeypatch):
    def refuse(matrix):
        raise np.linalg.LinAlgError("Singular matrix")

    monkeypatch.setattr(np.linalg, "inv", refuse)
    assert score(np.eye(3), np.eye(3)) == -np.inf
