"""Plans beside longer searches: the reduced form of `tests.plans_quality`, and beside pyDOE3's own search."""

from __future__ import annotations

import numpy as np
import pytest

from formlab.demo import demo_brief
from formlab.plans.exchange import search
from tests.benchmarks.bench_planning import Judge, same_candidates
from tests.plans_quality import REGIONS, efficiency, posed


@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_as_good_as_a_longer_search_on_shares(criterion):
    problem = posed("3 shares", criterion)
    found = search(problem, np.random.SeedSequence(0)).score
    longer = max(search(problem, np.random.SeedSequence(k)).score for k in range(1, 6))
    assert efficiency(found, longer) >= 99.5


def test_every_region_of_the_bank_can_be_posed():
    assert len(REGIONS) >= 8
    for name in REGIONS:
        problem = posed(name, "I")
        assert problem.candidates.allowed.any() and problem.structure.n >= 10


@pytest.mark.parametrize("method", ["fedorov", "detmax"])
def test_determinant_is_never_below_that_of_pydoe3_on_the_same_candidates(method):
    brief = demo_brief("drafting_block")
    row = same_candidates(brief, Judge(brief), 3, method)
    assert row.ours_quality >= row.theirs_quality * (1 - 1e-9)
