"""What a suggestion trades: cost against sureness, one response against another, prices against each other."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.errors import SuggestError
from formlab.suggest import cost_frontier, cost_scenarios, response_frontier
from tests.known_surfaces import KnownSurfaces
from tests.test_suggest import TWO, brief_of, hardness, smear, two_known


def test_cost_rises_with_the_confidence_asked():
    brief, surfaces = two_known()
    frame = cost_frontier(brief, surfaces, cost="cost_per_litre", confidences=(0.6, 0.9, 0.98), seed=2)
    assert frame["cost_per_litre"].is_monotonic_increasing
    assert_allclose(frame["conformance"], frame["asked"], atol=0.008)
    assert frame["reached"].all()


def test_frontier_of_two_responses_is_the_line_between_the_corners():
    """Hardness 40 + 0.1 chalk - 0.5 oil against smear 5 + oil: the best has chalk at its top throughout."""
    brief = brief_of(response=[TWO[0], {"name": "smear", "at_least": 20.0}])
    surfaces = KnownSurfaces(brief, [hardness, smear], [2.0, 1.5])
    frame = response_frontier(brief, surfaces, "hardness", "smear", points=5, seed=1)
    assert_allclose(frame["chalk"].iloc[:-1], 150, atol=0.1)
    assert_allclose(frame["hardness"].iloc[:-1], 55 - 0.5 * (frame["smear"].iloc[:-1] - 5), atol=0.02)


def test_frontiers_are_held_against_today():
    brief, surfaces = two_known(current={"oil": 5.0, "chalk": 60.0})
    today = brief.costs(brief.baseline)["per_piece"].iloc[0]  # what is meant where the brief has a piece
    frame = cost_frontier(brief, surfaces, confidences=(0.6, 0.9), seed=2)
    assert_allclose(frame["saving"], today - frame["cost_per_piece"], atol=1e-12)
    both = response_frontier(brief, surfaces, "hardness", "smear", points=3, seed=1)
    assert_allclose(both["hardness change"], both["hardness"] - 43.5)
    assert_allclose(both["smear change"], both["smear"] - 10.0)


def test_costs_under_price_scenarios():
    """A dearer oil costs its amount times the difference, over mass or volume; blanks keep the brief's price."""
    brief = brief_of()
    formulas = brief.complete(pd.DataFrame({"oil": [10.0, 0.0], "chalk": [90.0, 90.0]}))
    prices = pd.DataFrame({"dear": {"oil": 2.2, "chalk": np.nan}})
    with pytest.raises(SuggestError, match="prices has a line for 0, which is no ingredient of the brief"):
        cost_scenarios(brief, formulas, prices.reset_index())
    got = cost_scenarios(brief, formulas, prices).set_index(["formula", "scenario"])
    assert_allclose(got.loc[(0, "dear"), "per_kg"] - got.loc[(0, "brief"), "per_kg"], 10 * 1.0 / 200)
    volume = 10 / 0.91 + 90 / 2.71 + 100 / 0.94
    assert_allclose(got.loc[(0, "dear"), "per_litre"] - got.loc[(0, "brief"), "per_litre"], 10 * 1.0 / volume)
    assert_allclose(got.loc[(1, "dear")], got.loc[(1, "brief")])
