"""Where a plan cannot be: a clear message or note, never a singular matrix or a plan that keeps silent."""

from __future__ import annotations

import numpy as np
import pytest

from formlab import Brief
from formlab.errors import FormlabError, PlanError
from formlab.plans import Plan, lay_out

QUICK = {"criterion": "D", "seed": 1, "starts": 2, "n_jobs": 1}
OIL = {"name": "oil", "low": 5, "high": 20}
CHALK = {"name": "chalk", "low": 20, "high": 100}


def rubber(*parts: dict, limit: str = "", **more) -> Brief:
    rules = [{"expression": limit}] if limit else []
    return Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, *(parts or (OIL, CHALK))], limit=rules, **more
    )


NOT_APART = (
    "{} of 6 terms cannot be told apart anywhere in the region: the columns of {} depend on each other. {}"
    "Choose a smaller model, widen a range or limit, or fix an ingredient."
)


@pytest.mark.parametrize(
    ("brief", "message"),
    [
        (
            rubber(limit="oil - 0.2 chalk = 1"),
            NOT_APART.format(3, "'1', 'oil', 'chalk', 'oil × chalk', 'oil²', 'chalk²'", ""),
        ),
        (
            rubber(limit="oil >= 20"),
            NOT_APART.format(
                3,
                "'1', 'oil', 'chalk', 'oil × chalk', 'oil²'",
                "The limits leave only one value of oil. ",
            ),
        ),
        (
            rubber(limit="oil + chalk <= 20"),
            "No formula fulfils all ranges and limits. These cannot hold together: oil at least 5; chalk at least 20; "
            "oil + chalk <= 20. Widen one of them.",
        ),
        (
            rubber(CHALK, {"name": "acc", "low": 1, "high": 1.00001}, plant={"batch_kg": 1}),
            "A range is thinner than the scale can weigh: acc: 6.21e-05 g in a batch of 1 kg, weighed to within "
            "0.0621 g. Widen it, or fix the amount.",
        ),
    ],
)
def test_regions_that_carry_no_plan(brief, message):
    with pytest.raises(FormlabError) as caught:
        lay_out(brief, 8, **QUICK)
    assert str(caught.value) == message


def test_a_range_that_is_narrow_beside_the_scale_is_noted():
    brief = rubber(CHALK, {"name": "acc", "low": 1, "high": 1.05}, plant={"batch_kg": 1})
    assert lay_out(brief, 8, **QUICK).notes[0] == (
        "The range of acc is only 0.311 g in a batch of 1 kg, which is weighed to within 0.0637 g (ISO 2393)."
    )


def test_finals_that_share_a_total_with_their_base_are_refused():
    shares = {"a": (0.2, 0.8), "b": (0.1, 0.8), "c": (0.01, 0.05)}
    blend = Brief(
        basis="fraction",
        ingredient=[{"name": n, "low": low, "high": high} for n, (low, high) in shares.items()],
    )
    with pytest.raises(PlanError) as caught:
        lay_out(blend, 12, finals=["c"], **QUICK)
    assert str(caught.value) == (
        "A limit with '=' ties what changes with the base mixing to what is added later, or ingredients to a setting "
        "that changes within the batch, so neither can be chosen for itself. Write the brief in basis 'phr', or leave "
        "finals out."
    )


def test_a_category_never_used_is_named():
    levels = ["white", "pink", "black", "blue", "red"]
    brief = rubber(setting=[{"name": "colour", "levels": levels, "changes": "batch"}], model="linear")
    held = [f"colour[{c}]" for c in levels[:-1]]
    plan = lay_out(brief, 3, potential=held, crossed="none", **QUICK)
    never = [c for c in levels if c not in set(plan.frame["colour"])]
    words = f"No trial uses colour = {', '.join(map(repr, never))}; nothing can be said about it."
    assert len(never) >= 2 and words in plan.notes and words in plan.judge().notes
    assert plan.notes[-1].startswith("Told by these trials")
    six = Plan.from_frame(brief, plan.frame, crossed="none")
    with pytest.raises(PlanError) as caught:
        six.judge()
    assert words in str(caught.value)


def test_textbook_plans_say_what_they_cannot_tell():
    brief = rubber(limit="oil >= 20")
    assert lay_out(brief, kind="vertices", seed=1).notes == [
        "3 of 6 terms cannot be told apart by these trials; there are fewer trials than terms, so the last of the model "
        "are named: oil, oil × chalk, oil²."
    ]
    assert not [n for n in lay_out(rubber(), kind="composite", seed=1).notes if "told apart" in n]


@pytest.mark.parametrize(
    ("wish", "value"),
    [("runs", 7), ("batches", 3), ("loads", 2), ("finals", ("oil",)), ("bases", 2), ("potential", "auto")],
)
def test_textbook_plans_refuse_what_they_cannot_follow(wish, value):
    with pytest.raises(PlanError) as caught:
        lay_out(rubber(), kind="factorial", seed=1, **{wish: value})
    assert str(caught.value) == (
        f"kind 'factorial' fixes its own trials and cannot follow {wish} = {value!r}. Leave {wish} out, or use kind "
        "'optimal'."
    )
    if wish in ("runs", "batches"):
        assert len(lay_out(rubber(), kind="factorial", seed=1, **{wish: 4})) == 4


def test_more_terms_than_trials_show_their_prior():
    """Terms of higher order get a standard deviation over their span; main effects stay primary."""
    brief = rubber(*({"name": f"x{k}", "low": 0, "high": 10} for k in range(4)))
    plan = lay_out(brief, 12, **QUICK)
    note = next(n for n in plan.notes if "potential" in n)
    assert note == (
        "12 trials are fewer than 15 terms: 10 terms of higher order are taken as potential, near 0 with a standard "
        "deviation of 1 times that of a single trial over their span (DuMouchel & Jones 1994)."
    )
    judged = plan.judge()
    terms = judged.terms.set_index("term")
    assert terms["prior_sd"].isna().sum() == 5
    assert terms.loc["x0 × x1", "prior_sd"] == pytest.approx(np.sqrt(2) / 2)  # spans 2 in coded units
    assert terms.loc["x0²", "prior_sd"] == pytest.approx(np.sqrt(2))  # spans 1
    assert "Without the prior only" in plan.notes[-1] and "not apart from each other" in plan.notes[-1]
    smaller = lay_out(brief, 12, prior_scale=0.5, **QUICK).judge().terms.set_index("term")
    assert smaller.loc["x0²", "prior_sd"] == pytest.approx(np.sqrt(2) / 2)
