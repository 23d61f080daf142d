"""From surfaces to what to make: conformance, search, suggestion, and what follows from them."""

from formlab.suggest.confirm import (
    Confirmation,
    beside_promised,
    confirm,
    confirm_promise,
    confirmation_trials,
)
from formlab.suggest.conformance import Conformance, conformance
from formlab.suggest.frontier import cost_frontier, response_frontier
from formlab.suggest.impossible import Conflict, find_conflict
from formlab.suggest.making import trial_cost
from formlab.suggest.next import next_trials, worth_of_another_round
from formlab.suggest.promises import Ledger, ledger_of, score_promises, settle_promises
from formlab.suggest.question import desirability
from formlab.suggest.rehearse import GuessedPlant, guessed_plant, rehearse
from formlab.suggest.replacing import Replacement, replace_ingredient
from formlab.suggest.risks import risks
from formlab.suggest.robust import cost_scenarios, operating_window, strayed_conformance
from formlab.suggest.suggestion import Suggestion, suggest

__all__ = [
    "Confirmation",
    "Conflict",
    "Conformance",
    "GuessedPlant",
    "Ledger",
    "Replacement",
    "Suggestion",
    "beside_promised",
    "confirm",
    "confirm_promise",
    "confirmation_trials",
    "conformance",
    "cost_frontier",
    "cost_scenarios",
    "desirability",
    "find_conflict",
    "guessed_plant",
    "ledger_of",
    "next_trials",
    "operating_window",
    "rehearse",
    "replace_ingredient",
    "response_frontier",
    "risks",
    "score_promises",
    "settle_promises",
    "strayed_conformance",
    "suggest",
    "trial_cost",
    "worth_of_another_round",
]
