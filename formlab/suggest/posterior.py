"""What is asked of surfaces and of their draws; other surfaces than our own may stand in, such as a known truth."""

from __future__ import annotations

from typing import Any, Protocol, runtime_checkable

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import SuggestError

__all__ = ["Drawn", "Posterior", "chance_to_make", "check_all_fitted", "few", "trials_of"]


class Drawn(Protocol):
    """Joint draws. Values are in the responses' own units, of shape (draws, formulas, responses)."""

    def __len__(self) -> int: ...

    def typical(self, frame: pd.DataFrame) -> np.ndarray: ...

    def new_batch(self, frame: pd.DataFrame, seed: int | None = None) -> np.ndarray: ...

    def accepted(self, frame: pd.DataFrame, seed: int | None = None) -> np.ndarray: ...


class Posterior(Protocol):
    """Surfaces by response, and draws of all of them together."""

    def __getitem__(self, name: str) -> Any: ...

    def draw(self, draws: int = ..., seed: int | None = ...) -> Any: ...


@runtime_checkable
class _FromTrials(Protocol):
    """Surfaces that keep the trials they were fitted to, some of which may have failed."""

    trials: pd.DataFrame
    chance: Any


@runtime_checkable
class _DrawnFromTrials(Protocol):
    surfaces: _FromTrials

    def chance_to_make(self, frame: pd.DataFrame) -> np.ndarray: ...


@runtime_checkable
class _OfManyModels(Protocol):
    def draw_few(self, draws: int = ..., seed: int | None = ...) -> Any: ...


def few(surfaces: Posterior, draws: int, seed: int) -> Any:
    """Return joint draws from few models, which a search is fast on; its figures are counted on ``surfaces.draw``."""
    ask = surfaces.draw_few if isinstance(surfaces, _OfManyModels) else surfaces.draw
    return ask(draws, seed=seed)


def chance_to_make(draws: Drawn, frame: pd.DataFrame) -> np.ndarray | None:
    """Return the chance that formulas can be made at all, shape (draws, formulas).

    None where no trial failed, and of draws that know nothing of trials: everything can be made then.
    """
    if not isinstance(draws, _DrawnFromTrials) or draws.surfaces.chance is None:
        return None
    return draws.chance_to_make(frame)


def check_all_fitted(brief: Brief, surfaces: Posterior) -> None:
    """Raise if what is given is no fit, or a response of the brief has no surface: figures of a formula speak of all of them.

    Raises
    ------
    SuggestError
    """
    if not callable(getattr(surfaces, "draw", None)):
        raise SuggestError(
            f"surfaces = {type(surfaces).__name__}; give what formlab.fit returned for this brief."
        )
    fitted = getattr(surfaces, "names", None)
    lacking = [] if fitted is None else [n for n in brief.response_names if n not in fitted]
    if lacking:
        raise SuggestError(
            f"{', '.join(map(repr, lacking))} of the brief {'was' if len(lacking) == 1 else 'were'} not fitted. Fit all responses, "
            "or leave out of the brief those that cannot be."
        )


def trials_of(surfaces: Posterior) -> pd.DataFrame | None:
    """Return the trials that surfaces were fitted to; None of those that know nothing of trials."""
    return surfaces.trials if isinstance(surfaces, _FromTrials) else None
