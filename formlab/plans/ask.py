"""What is asked of a plan: the wishes of `lay_out`, checked once and handed to whoever makes it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from numbers import Integral
from typing import Any

import pandas as pd

from formlab.brief import Brief
from formlab.errors import PlanError
from formlab.plans.basis import Basis
from formlab.plans.bayes import Prior
from formlab.plans.criteria import CRITERIA
from formlab.plans.structure import Structure
from formlab.region import Region
from formlab.terms import ModelSpace

__all__ = ["KINDS", "Ask", "Made"]

KINDS = (
    "optimal",
    "lattice",
    "centroid",
    "vertices",
    "factorial",
    "screening",
    "composite",
    "box-behnken",
    "spread",
)
OUTSIDE = ("error", "move", "drop")
MOST_RUNS = 2000  # errors are worked out for every pair of trials


@dataclass
class Ask:
    """One request for a plan, beside so many `earlier` batches; `notes` collects what the user must know."""

    brief: Brief
    region: Region
    space: ModelSpace
    ratios: dict[str, float]
    seed: int
    kind: str = "optimal"
    criterion: str = "I"
    runs: int | None = None
    batches: int | None = None
    slabs: int | None = None
    loads: int | None = None
    days: int | None = None
    blocks: int | None = None
    bases: int | None = None
    finals: Sequence[str] = ()
    potential: Sequence[str] | str | None = None
    prior_scale: float = 1.0
    outside: str = "error"
    earlier: int = 0
    starts: int = 40
    n_jobs: int | None = None
    progress: bool | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    _basis: Basis | None = field(default=None, init=False, repr=False)

    @property
    def basis(self) -> Basis:
        """Columns of the model, orthonormal over the region; worked out when they are first asked for."""
        if self._basis is None or self._basis.space is not self.space:
            self._basis = Basis(self.region, self.space)
        return self._basis

    def check(self) -> Ask:
        """Return itself.

        Raises
        ------
        PlanError
            Naming the first wish that cannot be.
        """
        for name, value, allowed in (
            ("kind", self.kind, KINDS),
            ("criterion", self.criterion, CRITERIA),
            ("outside", self.outside, OUTSIDE),
        ):
            if value not in allowed:
                raise PlanError(f"{name} = {value!r}; use one of {', '.join(map(str, allowed))}.")
        for name in ("runs", "batches", "slabs", "loads", "days", "blocks", "bases", "starts"):
            value = getattr(self, name)
            if value is not None and (
                not isinstance(value, Integral) or isinstance(value, bool) or value < 1
            ):
                raise PlanError(f"{name} = {value!r}; give a whole number of at least 1.")
        if self.runs is not None and self.runs > MOST_RUNS:
            raise PlanError(f"runs = {self.runs}; give at most {MOST_RUNS}.")
        if not 1e-3 <= self.prior_scale <= 1e3:
            raise PlanError(
                f"prior_scale = {self.prior_scale!r}; give a number between 0.001 and 1000, in sds of a trial over the span "
                "of a term."
            )
        wrong = [n for n in self.finals if n not in self.brief.ingredient_names]
        if wrong:
            raise PlanError(
                f"finals names {wrong[0]!r}; choose among the ingredients {', '.join(self.brief.ingredient_names)}."
            )
        return self


@dataclass
class Made:
    """A plan before it has an order: formulas with settings, what they share, the prior if there is one.

    `roles` says of each trial whether it is part of the design, a check point or a control.
    """

    frame: pd.DataFrame
    structure: Structure
    prior: Prior | None = None
    roles: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.roles:
            self.roles = ["design"] * len(self.frame)
