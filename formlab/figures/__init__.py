"""Figures: each answers one question of one user; functions take results and return Axes.

Every function takes ``ax=`` (an Axes, or as many as there are panels), draws in the look of
`formlab.figures.theme`, leaves matplotlib's settings alone and computes nothing of its own.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "batch_tree": "plans",
    "confirmed": "choices",
    "cost_conformance": "costs",
    "drift": "fits",
    "effects": "fits",
    "observed_predicted": "fits",
    "over_two": "responses",
    "plan_layout": "plans",
    "predicted_against_targets": "choices",
    "prediction_error": "plans",
    "region_pairs": "plans",
    "reliability": "choices",
    "residual_checks": "fits",
    "ternary": "responses",
    "traces": "along",
    "where_met": "choices",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'formlab.figures' has no attribute {name!r}")
    return getattr(import_module(f"formlab.figures.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return list(__all__)
