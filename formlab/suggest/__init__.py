"""From surfaces to what to make: conformance, search, suggestion, trade-offs, replacement."""

from formlab.suggest.conformance import Conformance, conformance
from formlab.suggest.frontier import cost_frontier, response_frontier
from formlab.suggest.replacing import Replacement, replace_ingredient, trial_cost
from formlab.suggest.risks import risks
from formlab.suggest.suggestion import Suggestion, desirability, suggest

__all__ = [
    "Conformance",
    "Replacement",
    "Suggestion",
    "conformance",
    "cost_frontier",
    "desirability",
    "replace_ingredient",
    "response_frontier",
    "risks",
    "suggest",
    "trial_cost",
]
