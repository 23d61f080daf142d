"""`extend`: more trials for a series that has begun; what was made is kept and credited."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import PlanError
from formlab.plans.ask import Ask
from formlab.plans.basis import Basis
from formlab.plans.criteria import score
from formlab.plans.optimal import check_weighable, pose, prior_for, shape, solve, weight_of
from formlab.plans.order import lay_in_order, random_order
from formlab.plans.plan import Plan
from formlab.plans.structure import COLUMNS, LABELS, Structure, default_ratios
from formlab.region import Region
from formlab.terms import ModelSpace

__all__ = ["extend", "next_labels"]

MADE = ("ok", "pending", "")
HEAD = ("trial", "batch", "load", "day", "base", "block", "role", "run_order", "round", "brief_id")


def extend(
    plan_or_trials: Plan | pd.DataFrame,
    brief: Brief,
    runs: int | None = None,
    seed: int | None = None,
    *,
    criterion: str | None = None,
    batches: int | None = None,
    slabs: int | None = None,
    loads: int | None = None,
    failed: Sequence[str] = (),
    model: str | None = None,
    setting_model: str | None = None,
    crossed: str | None = None,
    ratios: Mapping[str, float] | None = None,
    starts: int = 40,
    n_jobs: int | None = None,
    progress: bool | None = None,
) -> Plan:
    """Return a plan of all trials so far and the best further ones for today's brief.

    The brief may have a larger model, wider ranges or new ingredients: an ingredient that the old trials
    lack counts as 0 in them, a new setting as today's value in `[current]`. Amounts are taken as the frame
    has them, so weighed amounts count.

    Parameters
    ----------
    plan_or_trials : Plan or DataFrame
        What was planned, or the trials of a series (several readings of a trial count once).
    brief : Brief
    runs : int, optional
        New trials; as many as were lost where some failed, else enough for the model and two repeats.
    criterion : {"I", "D", "A"}, optional
        The plan's own, or I.
    batches, slabs, loads : int, optional
        Of the new trials, as in `lay_out`.
    failed : sequence of str
        Trials or batches that could not be made; they are kept in the frame but not credited. Trials with a
        status other than ok or pending are left out by themselves.
    model, setting_model, crossed : str, optional
        The model, where it is not today's brief's own.
    ratios : mapping of str to float, optional
        Variance of a level of error over that of a slab, as in `lay_out`.
    starts, n_jobs : int, optional
        Random starts of the search, workers.
    progress : bool, optional
        Whether to show a progress bar; where left out, at a terminal or in a notebook once it has taken a second.
    seed : int, optional

    Returns
    -------
    Plan
        The trials so far and the new ones, the latter as a round of their own.

    Raises
    ------
    PlanError
        If nothing is known of a new setting, a name in `failed` is unknown, or the model asks for more.

    Examples
    --------
    >>> from formlab import Brief, lay_out
    >>> brief = Brief(ingredient=[{"name": "rubber", "role": "rubber"},
    ...     {"name": "oil", "low": 5, "high": 15}, {"name": "chalk", "low": 20, "high": 60}])
    >>> first = lay_out(brief, kind="factorial", seed=7)
    >>> longer = extend(first, brief, runs=4, seed=7)
    >>> len(longer), longer.frame["round"].tolist()
    (8, [1, 1, 1, 1, 2, 2, 2, 2])
    """
    given = plan_or_trials.frame if isinstance(plan_or_trials, Plan) else plan_or_trials
    if not len(given):
        raise PlanError("There are no trials to extend; use lay_out for a first plan.")
    seed = int(np.random.default_rng().integers(2**31)) if seed is None else int(seed)
    notes: list[str] = []
    old, credited = _old(given, brief, failed, notes)
    if slabs is None and batches is None:
        slabs = max(1, round(len(old) / old["batch"].nunique()))
    space = ModelSpace(brief, model, setting_model, crossed)
    variance, source = default_ratios(brief, ratios)
    criterion = criterion or (
        getattr(plan_or_trials, "criterion", "") if isinstance(plan_or_trials, Plan) else ""
    )
    ask = Ask(
        brief,
        Region.from_brief(brief).check(),
        space,
        variance,
        seed,
        criterion=criterion if criterion in ("D", "A", "I") else "I",
        runs=runs
        if runs is not None
        else _lost_runs(len(old) - int(credited.sum()), int(credited.sum()), space, notes),
        batches=batches,
        slabs=slabs,
        loads=loads,
        starts=starts,
        n_jobs=n_jobs,
        progress=progress,
        notes=[f"Errors: {source}.", *space.merged, *notes],
    ).check()
    check_weighable(ask)
    return _extended(ask, old, credited, ratios)


def _extended(ask: Ask, old: pd.DataFrame, credited: pd.Series, ratios: Mapping[str, float] | None) -> Plan:
    basis = Basis(ask.region, ask.space)
    round_ = int(old["round"].max()) + 1
    known = _known(ask, basis, old[credited])
    structure = _new_structure(ask, basis)
    problem = pose(ask, basis, structure, known)
    prior = prior_for(ask, problem)
    points = solve(ask, problem, prior)
    extra = np.zeros_like(known) if prior is None else prior.precision
    _credit(ask, basis, structure, points, known, extra, int(credited.sum()))
    order = random_order(structure, np.random.default_rng([ask.seed, 1]))
    new = lay_in_order(basis.frame(points), structure, order, ask.brief, round_=round_)
    frame = pd.concat([old, _renumbered(old, new)], ignore_index=True)
    if "role" in old or not credited.all():
        before = old.get("role", pd.Series("design", index=old.index))
        frame["role"] = [*before.fillna("design").where(credited, "failed"), *["design"] * len(new)]
    head = [c for c in HEAD if c in frame]
    plan = Plan(
        ask.brief,
        frame[[*head, *ask.brief.columns]],
        ask.space,
        kind="extended",
        criterion=ask.criterion,
        seed=ask.seed,
        notes=ask.notes,
        ratios=ratios,
        prior=prior,
    )
    if prior is not None:
        plan.notes.append(plan.judge().told_words)
    return plan


def _old(
    given: pd.DataFrame, brief: Brief, failed: Sequence[str], notes: list[str]
) -> tuple[pd.DataFrame, pd.Series]:
    """Old trials with today's columns, one row each, and which of them count."""
    frame = given.drop_duplicates("trial") if "trial" in given else given
    frame = _filled(frame.reset_index(drop=True), brief, notes)
    old = Plan.from_frame(brief, frame).frame
    unknown = [name for name in failed if name not in set(old["trial"]) | set(old["batch"])]
    if unknown:
        raise PlanError(
            f"failed names {unknown[0]!r}, which is neither a trial nor a batch of these trials; check its spelling."
        )
    bad = old["trial"].isin(failed) | old["batch"].isin(failed)
    if "role" in old:
        bad |= old["role"] == "failed"
    if "status" in given:
        status = given.assign(trial=given["trial"].astype(str)) if "trial" in given else given
        good = status["status"].fillna("").isin(MADE)
        made = set(status.loc[good, "trial"]) if "trial" in status else set()
        bad |= ~old["trial"].astype(str).isin(made)
    if bad.any():
        notes.append(
            f"{int(bad.sum())} of {len(old)} trials are not credited: {', '.join(old['trial'][bad].astype(str))}."
        )
    return old, ~bad


def _filled(frame: pd.DataFrame, brief: Brief, notes: list[str]) -> pd.DataFrame:
    """New ingredients at 0, new settings at today's value."""
    out = frame.copy()
    for name in brief.columns:
        if name in out or name in brief.fixed:
            continue
        if name in brief.ingredient_names:
            out[name] = 0.0
            notes.append(f"{name} is new: the earlier trials had none of it and count with 0.")
        elif name in brief.current:
            out[name] = brief.current[name]
            notes.append(
                f"{name} is new: the earlier trials count with today's value, {brief.current[name]!r}."
            )
        else:
            raise PlanError(
                f"The earlier trials lack the setting {name!r}. Give the value they were made at in [current], "
                "or add a column."
            )
    return out


def _lost_runs(lost: int, kept: int, space: ModelSpace, notes: list[str]) -> int:
    if lost:
        notes.append(f"{lost} new trials proposed, as many as were lost.")
        return lost
    runs = max(4, len(space) - kept + 2)
    notes.append(
        f"{runs} new trials proposed: what {len(space)} terms lack beside {kept} old trials, and 2 more."
    )
    return runs


def _known(ask: Ask, basis: Basis, old: pd.DataFrame) -> np.ndarray:
    """Information of the credited trials; each earlier round is a block of its own."""
    p = len(ask.space)
    if not len(old):
        return np.zeros((p, p))
    structure = Structure.from_frame(old, ask.ratios)
    if "block" not in structure.groups:
        structure = Structure(structure.n, {"block": np.zeros(len(old), int), **structure.groups}, ask.ratios)
    x = basis.matrix(basis.points(old))
    return np.asarray(x.T @ structure.weight() @ x)


def _new_structure(ask: Ask, basis: Basis) -> Structure:
    found = shape(ask, basis)
    groups = {"block": np.zeros(found.n, dtype=int), **found.groups}
    return Structure(found.n, groups, ask.ratios)


def _credit(
    ask: Ask,
    basis: Basis,
    structure: Structure,
    points: np.ndarray,
    known: np.ndarray,
    extra: np.ndarray,
    kept: int,
) -> None:
    """Say what the old trials bring beside the new ones alone."""
    x = basis.matrix(points)
    new = x.T @ structure.weight() @ x + extra
    weight = weight_of(basis, ask.criterion)
    alone, both = score(new, weight), score(new + known, weight)
    if np.isfinite(alone):
        ask.notes.append(
            f"The {kept} earlier trials are credited: with them the plan is worth {np.exp(both - alone):.2f} times the "
            f"new trials alone ({ask.criterion})."
        )
    else:
        ask.notes.append(
            f"The {kept} earlier trials are credited: the new ones alone could not carry the model."
        )


def _renumbered(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """New labels that go on where the old ones end."""
    out = new.drop(columns="block")
    out["trial"] = next_labels(old["trial"], out["trial"], "T")
    for level in ("batch", "load", "day", "base"):
        column = COLUMNS[level]
        if column in out:
            taken = old[column] if column in old else pd.Series([], dtype=object)
            out[column] = next_labels(taken, out[column], LABELS[level])
    out["run_order"] = out["run_order"] + int(old["run_order"].max())
    return out


def next_labels(taken: pd.Series, labels: pd.Series, letter: str) -> list[str]:
    """Return new names for `labels`, equal ones alike, that go on after those `taken`: T08, T09, …"""
    numbers = [int(t[1:]) for t in taken.dropna().astype(str) if t[:1] == letter and t[1:].isdigit()]
    last = max(numbers, default=0)
    used: Any = set(taken.dropna().astype(str))
    width = max(2, len(str(last + labels.nunique())))
    names: dict[str, str] = {}
    for old in labels:
        if old not in names:
            last += 1
            while f"{letter}{last:0{width}d}" in used:
                last += 1
            names[old] = f"{letter}{last:0{width}d}"
    return [names[old] for old in labels]
