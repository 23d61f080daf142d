"""Plans beside longer searches: the reduced form of `tests.plans_quality`, and beside pyDOE3's own search."""

from __future__ import annotations

import numpy as np
import pytest

from formlab.demo import demo_brief
from formlab.plans.search import search
from tests.benchmarks.bench_planning import Judge, same_candidates
from tests.plans_quality import REGIONS, best_before, efficiency, posed


@pytest.mark.parametrize(
    ("region", "criterion"),
    [("3 shares", "D"), ("3 shares", "A"), ("3 shares", "I"), ("4 phr, 2 limits", "D")],
)
def test_a_search_comes_near_the_best_that_any_has_found(region, criterion):
    found = search(posed(region, criterion), np.random.SeedSequence(0)).score
    assert efficiency(found, best_before(region, criterion)) >= 99.5


def test_every_region_of_the_bank_can_be_posed():
    assert len(REGIONS) >= 8
    for name in REGIONS:
        problem = posed(name, "I")
        assert problem.candidates.allowed.any() and problem.structure.n >= 10
        assert all(np.isfinite(best_before(name, criterion)) for criterion in "DAI")


@pytest.mark.parametrize("method", ["fedorov", "detmax"])
def test_determinant_is_never_below_that_of_pydoe3_on_the_same_candidates(method):
    brief = demo_brief("drafting_block")
    row = same_candidates(brief, Judge(brief), 3, method)
    assert row.ours_quality >= row.theirs_quality * (1 - 1e-9)


def test_recombined_designs_beat_the_starts_they_come_from():
    problem = posed("5 phr, thin cure", "I")
    best = search(problem, np.random.SeedSequence(3), polish=False).score
    assert efficiency(best, search(problem, np.random.SeedSequence(3), starts=4).score) < 97


@pytest.mark.parametrize("name", ["5 phr, thin cure", "3 phr in batches"])
def test_recombining_does_not_hang_on_workers(name, monkeypatch):
    from formlab.plans import pool

    monkeypatch.setattr(pool, "effort", lambda problem, share: (4, 8, 2))
    problem = posed(name, "D")
    one, two = (search(problem, np.random.SeedSequence(1), starts=6, n_jobs=n) for n in (1, 2))
    assert (one.points == two.points).all() and one.score == two.score


def test_candidates_worked_out_beforehand_or_when_asked_are_the_same(monkeypatch):
    from formlab.plans import candidates

    c = posed("3 phr in batches", "D").candidates
    rng = np.random.default_rng(0)
    choice = {level: rng.integers(size, size=(7, 3)) for level, size in zip(c.levels, c.sizes)}
    columns, allows = c.columns(choice), c.allows(choice)
    monkeypatch.setattr(candidates, "TABLED", 0)
    np.testing.assert_allclose(c.columns(choice), columns, atol=1e-12)
    assert (c.allows(choice) == allows).all()
    assert c.first == dict.fromkeys(c.levels, 0)
