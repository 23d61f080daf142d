"""Plans: which trials to make, in which batches and order, and what they can tell."""

from formlab.plans.layout import lay_out
from formlab.plans.plan import Plan

__all__ = ["Plan", "lay_out"]
