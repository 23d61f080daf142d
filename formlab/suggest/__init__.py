"""From surfaces to what to make: conformance, search, suggestion."""

from formlab.suggest.conformance import Conformance, conformance
from formlab.suggest.suggestion import Suggestion, desirability, suggest

__all__ = ["Conformance", "Suggestion", "conformance", "desirability", "suggest"]
