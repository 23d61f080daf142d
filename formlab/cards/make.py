"""All cards of a plan at once."""

from __future__ import annotations

from typing import Any

from formlab.brief import Brief
from formlab.cards import press, sessions, weigh
from formlab.cards.batches import mixings_of, plan_table, rows_of_round
from formlab.cards.loads import loads_of
from formlab.cards.page import document
from formlab.cards.sessions import key_sheets, of_round, sessions_of
from formlab.cards.site import Site
from formlab.regrind import check_regrind

__all__ = ["make_cards"]


def make_cards(
    brief: Brief,
    plan: Any,
    site: Site | None = None,
    *,
    batch_kg: float | None = None,
    round: int | None = None,
    seed: int = 1,
) -> dict[str, str]:
    """Return the cards of a plan as HTML pages to print on A4.

    Parameters
    ----------
    brief : Brief
    plan : Plan, DataFrame, Series, mapping or Suggestion
        Anything with formulas and settings in the columns of the brief; trial, batch and load are made up where
        they are missing (a row each).
    site : Site, optional
        How the site works; cards say where a default of ours stands in.
    batch_kg : float, optional
        Size of every batch, before what the site and the brief say.
    round : int, optional
        Cards of this round of the plan alone. Codes and sessions are those that it has among all rounds.
    seed : int
        Of codes and order of test; the same seed prints the same key again.

    Returns
    -------
    dict of str to str
        ``weigh-up.html`` (a batch, or a base mixing before the first of its batches: sheet and back), ``cure.html`` (a press load), ``test.html`` (a session and its
        panel) and ``test-key.html``, as far as the brief has ingredients and responses.

    Raises
    ------
    RecipeError
        If nothing says how large a batch is, or a line is too light for the scale.
    FormlabError
        If the plan has no such round, the site names a setting that the brief has not, or lacks what a cure needs.

    Examples
    --------
    >>> brief = Brief(ingredient=[{"name": "nr", "role": "rubber"}, {"name": "oil", "role": "oil", "low": 5, "high": 20}])
    >>> cards = make_cards(brief, {"oil": 10.0}, batch_kg=2.0)
    >>> list(cards), "1.818 kg" in cards["weigh-up.html"]
    (['weigh-up.html', 'cure.html'], True)
    """
    site = site or Site()
    check_regrind(brief, site.regrind)
    title = brief.title or "Trial compound"
    cards = {}
    whole, plan = plan, plan if round is None else rows_of_round(plan_table(brief, plan), round)
    if brief.ingredients:
        mixings = mixings_of(brief, plan, site, batch_kg=batch_kg)
        cards["weigh-up.html"] = document(f"Weigh-up: {title}", weigh.sheets(mixings, brief, site))
    cards["cure.html"] = document(f"Cure: {title}", press.sheets(loads_of(brief, plan, site), brief, site))
    if brief.responses:
        tests = sessions_of(brief, whole, site, seed=seed)
        if round is not None:
            tests = of_round(tests, plan["trial"])
        cards["test.html"] = document(f"Test: {title}", sessions.sheets(tests, brief, site))
        cards["test-key.html"] = document(f"Key: {title}", key_sheets(tests, brief, site))
    return cards
