"""Targets that cannot all be met: which fight, and by how much each must give."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose
from scipy.stats import norm

from formlab import suggest
from formlab.suggest import find_conflict
from tests.known_surfaces import KnownSurfaces
from tests.test_suggest import TWO, brief_of, hardness, smear, two_known


def test_two_targets_that_fight_and_what_each_must_give():
    """Hardness at least 50 wants no oil, slip at least 25 wants 20 of it: linear, so the answer is known."""
    brief = brief_of(
        response=[
            {"name": "hardness", "unit": "Shore A", "at_least": 50.0, "matters": 1.0},
            {"name": "slip", "unit": "x", "at_least": 25.0, "matters": 1.0},
            {"name": "smear", "at_most": 90.0, "matters": 1.0},
        ]
    )
    surfaces = KnownSurfaces(brief, [hardness, smear, smear], [0.5, 0.5, 0.5])
    conflict = find_conflict(brief, surfaces, confidence=0.9, seed=1)
    assert conflict.fighting == conflict.sets["targets"].iloc[-1] == ("hardness", "slip")
    give = conflict.give.set_index("response")["give"]
    # slip 25 + m at oil = 20 + m leaves hardness 45 - m / 2; both need about 1.6 of their sds
    assert 5.0 < give["hardness"] < 6.6
    assert 10.0 < give["slip"] < 13.2
    assert (
        "hardness and slip are hardest to meet together: both with probability 0.00 at best. To"
        in conflict.words
    )
    # 3 m is 10 and three margins of the doubt: slip 25 - m at oil = 20 - m leaves hardness 45 + m / 2
    assert 3.3 < conflict.give["equally"].iloc[0] == conflict.give["equally"].iloc[1] < 4.4


def test_three_targets_that_only_together_are_too_much():
    """Two of u >= 0.6, v >= 0.6 and u + v <= 1 can be met, three lack 0.2 and three margins of the doubt."""
    brief = brief_of(
        response=[
            {"name": "u", "unit": "x", "at_least": 0.6, "matters": 0.05},
            {"name": "v", "unit": "x", "at_least": 0.6, "matters": 0.05},
            {"name": "sum", "unit": "x", "at_most": 1.0, "matters": 0.1},
            {"name": "smear", "at_most": 90.0, "matters": 1.0},
        ]
    )
    u, v = (lambda f: f["oil"].to_numpy() / 30), (lambda f: f["chalk"].to_numpy() / 150)
    surfaces = KnownSurfaces(brief, [u, v, lambda f: u(f) + v(f), smear], [0.01, 0.01, 0.01, 0.5])
    conflict = find_conflict(brief, surfaces, confidence=0.9, draws=800, seed=1)
    assert conflict.fighting == ("u", "v", "sum")
    assert (conflict.sets["best"].iloc[:-1] >= 0.9).all() and conflict.sets["best"].iloc[-1] < 0.01
    lacking = 0.2 + 3 * 0.01 * norm.ppf(0.9 ** (1 / 3))
    give = conflict.give.set_index("response")
    assert_allclose(give["give"], lacking, atol=0.011)  # sizes are found to a tenth of what matters
    assert_allclose(give["equally"], np.array([1, 1, 2]) * lacking / 4, atol=0.011)
    assert_allclose(give["alone"], 1.0)
    assert conflict.words.startswith(
        "u, v and sum are hardest to meet together: all three with probability 0.00 at best, any two of them with 0.90 or more. "
        "To reach 0.90 for all targets, relax u (at least 0.6 x) by 0.2"
    )
    assert ". Or all of them at once: u (at least 0.6 x) by 0.0" in conflict.words
    assert not conflict.failures and "can be made" not in conflict.words
    said = replace(conflict, failures=True).words
    assert said == f"{conflict.words} In all of these counts the chance that the formula can be made at all."


def test_two_fights_at_once_are_said():
    """Relaxing either target of one pair leaves the other pair fighting."""
    ends = {"u": 0.9, "v": 0.9, "less": -0.1, "few": -0.1}
    brief = brief_of(response=[{"name": n, "at_least": e, "matters": 0.01} for n, e in ends.items()])
    u, v = (lambda f: f["oil"].to_numpy() / 30), (lambda f: f["chalk"].to_numpy() / 150)
    surfaces = KnownSurfaces(brief, [u, v, lambda f: -u(f), lambda f: -v(f)], [0.01] * 4)
    conflict = find_conflict(brief, surfaces, confidence=0.9, seed=1)
    assert set(conflict.fighting) in ({"u", "less"}, {"v", "few"})
    assert np.isinf(conflict.give[["give", "equally"]]).all(axis=None)
    assert conflict.words.endswith(
        f"No relaxing of one of {' and '.join(conflict.fighting)} is enough, nor of all together: other targets fight as well."
    )


def test_a_target_out_of_reach_is_not_said_to_fight():
    """Hardness is 55 at most, so 58 asks 3 more of the region and 1.28 sds of the doubt."""
    brief = brief_of(
        response=[{"name": "hardness", "unit": "Shore A", "at_least": 58.0, "matters": 1.0}, TWO[1]]
    )
    surfaces = KnownSurfaces(brief, [hardness, smear], [0.5, 0.5])
    conflict = find_conflict(brief, surfaces, confidence=0.9, draws=4000, seed=1)
    assert list(conflict.give["response"]) == ["hardness"]
    assert_allclose(conflict.give["give"], 3 + 0.5 * norm.ppf(0.9), atol=0.13)
    assert conflict.words.startswith("Out of reach even alone: hardness with probability 0.00 at best. ")
    assert "To be met with 0.90 at all, relax hardness (at least 58 Shore A) by 3." in conflict.words
    answer = suggest(brief, surfaces, confidence=0.9, alternatives=0, seed=1)
    assert answer.notes[1].startswith("Out of reach even alone: hardness")
    # nothing is probable, so the answer is what comes nearest: hardness is highest with no oil and all the chalk
    assert answer.nearest and not answer.reached
    assert_allclose(answer.formula[["oil", "chalk"]], [0, 150], atol=0.5)
    assert "far from reached. Nearest to the targets" in answer.verdict
    assert answer.binding.empty and answer.alternatives.empty
    assert "no formula" not in answer.notes[0] and "probability of even 0.01" in answer.notes[0]
    assert not [note for note in answer.notes if "flat" in note]
    most = suggest(brief, surfaces, maximise="conformance", seed=1)
    assert most.nearest and most.notes[1].startswith("Out of reach even alone: hardness")
    calm = find_conflict(*two_known(), confidence=0.9, seed=1)
    assert calm.give.empty and calm.words.endswith("at best: none has to give.")
