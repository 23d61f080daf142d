"""Regrind in a series: where it comes from, what it holds, and what stands in while there is none.

Regrind is an ingredient of its own in the model, or it is exploded into the ingredients of its parent; never
both, as its rubber and filler would count twice.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable

import pandas as pd
from pydantic import Field

from formlab.brief import Brief
from formlab.errors import BriefError, PlanError, Problem
from formlab.mill import explode_regrind, mean_passes, share_passed
from formlab.parts import Part
from formlab.region import Region

__all__ = ["Regrind", "check_regrind", "exploded", "parent_formula", "steady_state"]


class Regrind(Part):
    """Where one line of regrind comes from.

    Attributes
    ----------
    ingredient : str
        Its name in the brief.
    parent : str
        A batch of the plan, ``current`` for today's formula, or nothing while the series has none of its own.
    colour, made : str
        Its colour, and the day it was ground as 2031-05-17.
    generation : int
        How often it has been ground: 1 if the parent held no regrind.
    """

    ingredient: str
    parent: str = ""
    colour: str = ""
    made: datetime.date | None = None
    generation: int = Field(default=1, ge=1)

    def age_days(self, today: datetime.date | None = None) -> int | None:
        """Return its age in days, or None where the day is not known."""
        return None if self.made is None else ((today or datetime.date.today()) - self.made).days

    def described(self, today: datetime.date | None = None) -> str:
        """Return parent, colour, age and generation in words.

        Examples
        --------
        >>> print(Regrind(ingredient="own", parent="B02", colour="white", generation=2).described())
        parent B02, white, age not known, generation 2
        """
        age = self.age_days(today)
        return ", ".join([
            f"parent {self.parent}" if self.parent else "no parent in this series yet",
            self.colour or "colour not known",
            "age not known" if age is None else f"{age} days old",
            f"generation {self.generation}",
        ])  # fmt: skip


def check_regrind(brief: Brief, regrinds: Iterable[Regrind] = ()) -> None:
    """Raise if a line of regrind is counted twice, or one that is described is not in the brief.

    Raises
    ------
    BriefError
        Naming each regrind that counts as rubber, that brings other ingredients by its `contains` while being an
        ingredient of its own, or that the brief does not have.
    """
    lines = {part.name: part for part in brief.ingredients if part.role == "regrind"}
    problems = []
    for name, part in lines.items():
        brought = [other for other in part.contains if other != name and other in brief.ingredient_names]
        if brought:
            repair = (
                "Keep it as an ingredient of its own, or leave it out and give what it brings; never both."
            )
            problems.append(
                Problem(
                    column=f"regrind {name!r}, contains",
                    value=brought,
                    expected="no other ingredient",
                    repair=repair,
                )
            )
        if part.is_rubber:
            repair = "Its rubber is cured and would count twice."
            problems.append(
                Problem(
                    column=f"regrind {name!r}, counts_as_rubber", value=True, expected="false", repair=repair
                )
            )
    problems += [
        Problem(
            column="regrind", value=r.ingredient, expected=f"an ingredient of role regrind: {list(lines)}"
        )
        for r in regrinds
        if r.ingredient not in lines
    ]
    if problems:
        raise BriefError(problems)


def parent_formula(brief: Brief, regrind: Regrind, plan: pd.DataFrame | None = None) -> tuple[pd.Series, str]:
    """Return what the regrind is made of, in the brief's unit, and in words where that comes from.

    While a series has none of its own, today's formula stands in, as ground scrap of it is what lies in the
    store; without one, the middle of the region, of which a batch must then be made and ground first.

    Raises
    ------
    PlanError
        If the parent is no batch of the plan.
    """
    if regrind.parent and regrind.parent != "current":
        batches = [] if plan is None or "batch" not in plan else list(dict.fromkeys(plan["batch"]))
        if regrind.parent not in batches:
            raise PlanError(
                f"Regrind {regrind.ingredient!r} has the parent {regrind.parent!r}; name one of the batches {batches}."
            )
        assert plan is not None
        row = plan[plan["batch"] == regrind.parent].iloc[:1]
        return _amounts(brief, row), f"Regrind {regrind.ingredient!r} is ground from batch {regrind.parent}."
    head = "" if regrind.parent else "The series has no regrind of its own yet. "
    if brief.baseline is not None:
        return _amounts(
            brief, brief.baseline
        ), f"{head}Ground scrap of today's formula stands in for {regrind.ingredient!r}."
    middle = Region.from_brief(brief).centre()
    row = middle if isinstance(middle, pd.DataFrame) else middle.to_frame().T
    words = f"{head}Make a batch in the middle of the ranges, cure and grind it: it stands in for {regrind.ingredient!r}."
    return _amounts(brief, row), words


def exploded(
    brief: Brief, frame: pd.DataFrame, regrinds: Iterable[Regrind], plan: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Return formulas with every line of regrind replaced by what its parent holds.

    Tells composition, density and cost, not cure: the curatives in it are spent. The regrind columns are gone, so
    that the answer cannot be fitted as if regrind were an ingredient besides.
    """
    regrinds = list(regrinds)
    check_regrind(brief, regrinds)
    parents = {r.ingredient: parent_formula(brief, r, plan)[0] for r in regrinds}
    return explode_regrind(brief.amounts(frame), parents)


def steady_state(brief: Brief, frame: pd.DataFrame) -> pd.DataFrame:
    """Return what it comes to if each formula lives on its own regrind for good.

    Returns
    -------
    DataFrame
        Index of `frame`; columns ``regrind_fraction`` (by mass), ``mean_passes`` and ``reground_twice_or_more``
        (share of the mass).

    Examples
    --------
    >>> brief = Brief(ingredient=[{"name": "nr", "role": "rubber"}, {"name": "own", "role": "regrind", "low": 0, "high": 50}])
    >>> steady_state(brief, pd.DataFrame({"own": [25.0]})).round(4)
       regrind_fraction  mean_passes  reground_twice_or_more
    0               0.2         1.25                    0.04
    """
    amounts = brief.amounts(frame)
    lines = [part.name for part in brief.ingredients if part.role == "regrind"]
    fraction = amounts[lines].sum(axis=1) / amounts.sum(axis=1)
    return pd.DataFrame({
        "regrind_fraction": fraction,
        "mean_passes": fraction.map(mean_passes),
        "reground_twice_or_more": fraction.map(lambda r: share_passed(r, 3)),
    })  # fmt: skip


def _amounts(brief: Brief, row: pd.DataFrame) -> pd.Series:
    return brief.amounts(row).iloc[0].rename(None)
