"""Plans: which trials to make, in which batches and order, and what they can tell."""

from formlab.plans.compare import Comparison, compare, trade_off
from formlab.plans.extend import extend
from formlab.plans.judge import Judgement, judge
from formlab.plans.layout import lay_out
from formlab.plans.plan import Plan

__all__ = ["Comparison", "Judgement", "Plan", "compare", "extend", "judge", "lay_out", "trade_off"]
