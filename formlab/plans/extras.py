"""Trials beside the design: check points between its own, and control batches of the current formula."""

from __future__ import annotations

import numpy as np
import pandas as pd

from formlab.errors import PlanError
from formlab.html import counted
from formlab.plans.ask import Ask, Made
from formlab.plans.basis import Basis
from formlab.plans.spread import scaled
from formlab.plans.structure import Structure

__all__ = ["add_checks", "add_controls"]

POOL = 2000


def add_checks(ask: Ask, basis: Basis, made: Made, count: int, old: pd.DataFrame | None = None) -> Made:
    """Return the plan with trials where neither it nor the `old` ones are near: they tell whether the model bends right."""
    pool = basis.points(ask.region.sample(POOL, np.random.default_rng([ask.seed, 6])))
    own = scaled(basis, basis.points(pd.concat([old, made.frame]) if old is not None else made.frame))
    far = scaled(basis, pool)
    nearest = np.min([np.square(far - row).sum(axis=1) for row in own], axis=0)
    chosen = []
    for _ in range(count):
        chosen.append(int(nearest.argmax()))
        nearest = np.minimum(nearest, np.square(far - far[chosen[-1]]).sum(axis=1))
    ask.notes.append(
        f"{counted(count, 'check point')} lie{'s' if count == 1 else ''} as far from the other trials as the region "
        "allows."
    )
    return _appended(made, basis.frame(pool[chosen]), "check", {})


def add_controls(ask: Ask, made: Made, control: str | int) -> Made:
    """Return the plan with batches of the current formula: one each day or block, or so many in all.

    Raises
    ------
    PlanError
        If the brief has no current formula, or the plan no such level.
    """
    current = ask.brief.baseline
    if current is None:
        raise PlanError(
            "Control batches are batches of the current formula; the brief has none. Add [current] to it."
        )
    groups: dict[str, np.ndarray] = {}
    if isinstance(control, str):
        if control not in made.structure.groups:
            raise PlanError(
                f"control = {control!r}, but this plan has no {control}s. Give {control}s=, or a number."
            )
        groups[control] = np.unique(made.structure.groups[control])
        count = len(groups[control])
        words = f"one each {control}"
    else:
        count, words = int(control), f"{control} in all, spread over the run order"
    rows = pd.concat([current] * count, ignore_index=True)
    if not ask.region.contains(current).all():
        words += f"; the current formula lies outside the region ({ask.region.why_outside(current)[0]})"
    ask.notes.append(f"Control batches of the current formula: {words}.")
    return _appended(made, rows, "control", groups)


def _appended(made: Made, rows: pd.DataFrame, role: str, shared: dict[str, np.ndarray]) -> Made:
    """Add trials in batches of their own; other levels are those given, else the ones with fewest trials."""
    count = len(rows)
    groups = {}
    for level, labels in made.structure.groups.items():
        if level in ("batch", "base"):
            new = labels.max() + 1 + np.arange(count)
        elif level in shared:
            new = shared[level]
        else:
            sizes = np.bincount(labels)
            new = np.array([], dtype=int)
            for _ in range(count):
                new = np.append(new, int(sizes.argmin()))
                sizes[new[-1]] += 1
        groups[level] = np.concatenate([labels, new])
    frame = pd.concat([made.frame, rows[made.frame.columns]], ignore_index=True)
    structure = Structure(len(frame), groups, made.structure.ratios)
    roles = made.roles + [role] * count
    return Made(frame, structure, made.prior, roles)
