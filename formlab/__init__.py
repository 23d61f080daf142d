"""formlab: few, telling trials for moulded rubber erasers.

Names are fetched when first used, so that importing the package is fast.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import Any

_HOMES = {
    "Brief": "formlab.brief",
    "FormlabError": "formlab.errors",
    "ModelSpace": "formlab.terms",
    "Plan": "formlab.plans",
    "Region": "formlab.region",
    "Site": "formlab.cards",
    "Suggestion": "formlab.suggest",
    "Surface": "formlab.surfaces",
    "Surfaces": "formlab.surfaces",
    "confirm": "formlab.suggest",
    "confirm_promise": "formlab.suggest",
    "confirmation_trials": "formlab.suggest",
    "extend": "formlab.plans",
    "fit": "formlab.surfaces",
    "lay_out": "formlab.plans",
    "make_cards": "formlab.cards",
    "next_trials": "formlab.suggest",
    "open_series": "formlab.series",
    "panel": "formlab.panel",
    "read_brief": "formlab.series",
    "results_form": "formlab.cards",
    "rehearse": "formlab.suggest",
    "replace_ingredient": "formlab.suggest",
    "report": "formlab.report",
    "suggest": "formlab.suggest",
}
__all__ = sorted(_HOMES)
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'formlab' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]


class _Facade(ModuleType):
    """Keeps `formlab.suggest` the function although a package of that name holds it."""

    def __setattr__(self, name: str, value: Any) -> None:
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)

    def __reduce__(self) -> tuple[Any, ...]:  # workers import the package by name, as any other
        return import_module, (self.__name__,)


sys.modules[__name__].__class__ = _Facade
