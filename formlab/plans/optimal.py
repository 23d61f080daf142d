"""Optimal plans: how many trials in which batches, then the search for what they should be."""

from __future__ import annotations

from dataclasses import replace
from math import ceil
from typing import Any

import numpy as np

from formlab.brief import Setting
from formlab.errors import PlanError
from formlab.html import counted
from formlab.plans.ask import Ask, Made
from formlab.plans.basis import Basis
from formlab.plans.bayes import Prior, default_potential, make_prior
from formlab.plans.candidates import Candidates, level_of, level_variables
from formlab.plans.capacity import Capacity, capacity
from formlab.plans.judge import unused_levels
from formlab.plans.problem import Problem
from formlab.plans.search import search
from formlab.plans.structure import Structure
from formlab.plans.tidy import tidy

__all__ = ["check_weighable", "grouped", "make_optimal", "pose", "prior_for", "shape", "solve", "weight_of"]


def make_optimal(ask: Ask) -> Made:
    """Return the plan with the best criterion that the search finds."""
    basis = ask.basis
    structure = shape(ask, basis)
    p = len(ask.space)
    problem = pose(ask, basis, structure, np.zeros((p, p)))
    prior = prior_for(ask, problem)
    points = solve(ask, problem, prior)
    ask.notes.append(f"Prediction variance is averaged {basis.measure}.")
    ask.notes += unused_levels(basis, points)
    return Made(basis.frame(points), structure, prior)


def pose(ask: Ask, basis: Basis, structure: Structure, known: np.ndarray) -> Problem:
    """Return what is to be searched when `known` is the information that is there already."""
    positions = level_variables(basis, point_levels(ask, structure))
    candidates = Candidates.build(basis, positions, np.random.default_rng([ask.seed, 0]))
    _separable(candidates)
    return Problem(basis, candidates, structure, known, weight_of(basis, ask.criterion))


def solve(ask: Ask, problem: Problem, prior: Prior | None) -> np.ndarray:
    """Return the best points that the search finds, tidied."""
    if prior is not None:
        problem = replace(problem, prior=problem.prior + prior.precision)
    seed = np.random.SeedSequence(ask.seed)
    found = search(problem, seed, ask.starts, ask.space.affine, ask.n_jobs, ask.progress)
    return tidy(problem.basis, found.points, problem.structure, problem.candidates)


def weight_of(basis: Basis, criterion: str) -> np.ndarray | None:
    """Return the matrix of a trace criterion, or None for D."""
    return {"D": None, "I": np.eye(len(basis.space)), "A": basis.a_weight}[criterion]


def point_levels(ask: Ask, structure: Structure) -> dict[str, str]:
    """Return the level at which each variable changes in this plan."""
    inner = {"slab"} if len(structure.rows("batch")) < structure.n else set()
    levels = level_of(ask.region, {*structure.groups, *inner})
    if "base" in structure.groups:
        for name in ask.brief.ingredient_names:
            if name not in ask.finals:
                levels[name] = "base"
    return levels


def _separable(candidates: Candidates) -> None:
    polytope = candidates.basis.region.polytope
    level = {int(c): name for name, cols in candidates.positions.items() for c in cols}
    tied = [
        {level[int(c)] for c in np.flatnonzero(rule.coefficients) if polytope.upper[c] > polytope.lower[c]}
        for rule in polytope.rules
        if rule.sense == "="
    ]
    if any(len(levels) > 1 for levels in tied) or not candidates.allowed.any():
        raise PlanError(
            "A limit with '=' ties what changes with the base mixing to what is added later, or ingredients to a "
            "setting that changes within the batch, so neither can be chosen for itself. Write the brief in basis "
            "'phr', or leave finals out."
        )


def prior_for(ask: Ask, problem: Problem) -> Prior | None:
    """Return the prior that was asked for, or that fewer trials, batches or loads than terms need.

    Raises
    ------
    PlanError
        If not even the primary terms find room.
    """
    basis, potential = problem.basis, ask.potential
    names = basis.space.names
    held = default_potential(basis) if potential is None or isinstance(potential, str) else potential
    primary = [n for n in names if n not in held]
    room = capacity(problem, primary, ask.seed)
    if potential is None and not room.lost:
        return None
    prior = make_prior(basis, held, ask.prior_scale * trial_sd(problem.structure))
    _check_primary(ask, problem, primary, room)
    if potential is None:
        ask.notes.append(
            f"{_shortage(problem, room)}: {len(held)} terms of higher order are taken as potential, near 0 with a "
            f"standard deviation of {ask.prior_scale:g} times that of a single trial over their span "
            "(DuMouchel & Jones 1994)."
        )
    return prior


def _shortage(problem: Problem, room: Capacity) -> str:
    n, p = problem.structure.n, len(problem.basis.space)
    if problem.prior.any():
        return (
            f"{counted(n, 'new trial')} beside the old ones can carry only {len(room.carried)} of {p} terms"
        )
    if n < p:
        return f"{counted(n, 'trial')} {'is' if n == 1 else 'are'} fewer than {p} terms" + (
            f" ({room.words})" if room.words else ""
        )
    return (
        room.words
        or f"{counted(n, 'trial')} in this structure can carry only {len(room.carried)} of {p} terms"
    )


def _check_primary(ask: Ask, problem: Problem, primary: list[str], room: Capacity) -> None:
    runs, lost = problem.structure.n, [n for n in primary if n in room.lost]
    if not lost:
        return
    smaller = (
        f"choose a smaller model than {ask.space.model!r} (settings {ask.space.setting_model!r}, crossed "
        f"{ask.space.crossed!r})."
    )
    if runs < len(primary) and not problem.prior.any():
        raise PlanError(
            f"{len(primary)} primary terms cannot be estimated from {counted(runs, 'trial')}. Add at least "
            f"{counted(len(primary) - runs, 'trial')}, or {smaller}"
        )
    few = f"There {'is' if runs == 1 else 'are'} {counted(runs, 'trial')}"
    raise PlanError(
        f"{len(lost)} of {len(primary)} primary terms cannot find room: {', '.join(map(repr, lost))}. "
        f"{room.words[:1].upper() + room.words[1:] or few}. Add to them, name more terms in potential=, or {smaller}"
    )


def trial_sd(structure: Structure) -> float:
    """Return the standard deviation of a single trial with all its levels of error, in slab sds."""
    return float(np.sqrt(np.diag(structure.covariance()).mean()))


# ---- trials, batches, loads -------------------------------------------------------------------------


def shape(ask: Ask, basis: Basis) -> Structure:
    """Return how many trials there are in which batches, loads, days and blocks; what was proposed is noted."""
    inner = [s for s in ask.brief.settings if s.changes in ("load", "slab")]
    slabs = ask.slabs
    if slabs is None and ask.batches is None:
        slabs = ask.brief.plant.slabs_per_batch if inner else 1
    runs = ask.runs
    if runs is None and not (ask.batches and slabs):
        runs = max(_proposed(ask), ask.batches or 1)
    batches = ask.batches or _batches(ask, int(runs or 0), int(slabs or 1), inner)
    runs = batches * int(slabs or 1) if runs is None else runs
    if batches > runs:
        raise PlanError(
            f"{counted(runs, 'trial')} cannot fill {counted(batches, 'batch')}; give at least one trial a batch."
        )
    if ask.slabs and runs > ask.slabs * batches:
        raise PlanError(
            f"{counted(runs, 'trial')} do not fit into {counted(batches, 'batch')} of {counted(ask.slabs, 'slab')}; give "
            "more batches or fewer runs."
        )
    groups = {"batch": np.sort(np.arange(runs) % batches), **_coarse(ask, runs, batches)}
    if (any(s.changes == "load" for s in ask.brief.settings) and batches < runs) or ask.loads:
        groups["load"] = _loads(groups["batch"], ask.loads, ask.brief.plant.slabs_per_load)
    return Structure(runs, groups, ask.ratios)


def _proposed(ask: Ask) -> int:
    """Terms, and more for lack of fit and repeats; fewer where the batches would be dear."""
    p = len(ask.space)
    lack, repeats = max(3, round(0.15 * p)), max(3, round(0.1 * p))
    ask.notes.append(
        f"{p + lack + repeats} trials proposed: {p} terms, {lack} more to see whether the model fits, "
        f"{repeats} more to see how well trials repeat (common practice, no source)."
    )
    return p + lack + repeats


def _batches(ask: Ask, runs: int, slabs: int, inner: list[Setting]) -> int:
    """As many batches as the slabs fill, or as the terms that only change between batches need."""
    batches = ceil(runs / slabs)
    needed = min(runs, batch_terms(ask, inner) + 2 - ask.earlier)
    if slabs > 1 and batches < needed:
        ask.notes.append(
            f"{needed} batches instead of {batches}: the terms that only change between batches need them."
        )
        return needed
    return batches


def batch_terms(ask: Ask, inner: list[Setting]) -> int:
    """Terms without any setting that changes within a batch: their errors are those of batches."""
    names = {s.name for s in inner} | {f"{s.name}[{level}]" for s in inner for level in s.levels or []}
    return sum(not set(t.factors) & names for t in ask.space.terms)


def _coarse(ask: Ask, runs: int, batches: int) -> dict[str, np.ndarray]:
    """Base mixings, days and blocks as groups of neighbouring batches."""
    batch = np.sort(np.arange(runs) % batches)
    out: dict[str, np.ndarray] = {}
    if ask.finals or ask.bases:
        bases = ask.bases or _default_bases(ask, batches)
        if not ask.finals:
            raise PlanError(
                "bases needs finals: name the ingredients that are added to the parts of a base mixing."
            )
        if bases > batches:
            raise PlanError(
                f"{counted(batches, 'batch')} cannot come from {counted(bases, 'base mixing')}; ask for at most one a batch."
            )
        out["base"] = grouped(batch, batches, bases)
    days = ask.days
    if days is None and any(s.changes == "day" for s in ask.brief.settings):
        per_day = ask.brief.plant.batches_per_day
        days = ceil(batches / per_day) if per_day else max(2, ceil(batches / 6))
        if not per_day:
            ask.notes.append(
                f"{counted(days, 'day')} of at most 6 batches, an assumption (plant.batches_per_day is not given)."
            )
    unit, count = ("base mixing", int(out["base"].max()) + 1) if "base" in out else ("batch", batches)
    for level, wanted in (("day", days), ("block", ask.blocks)):
        if wanted:
            if wanted > count:
                raise PlanError(
                    f"{counted(count, unit)} cannot be spread over {counted(wanted, level)}; ask for fewer {level}s."
                )
            out[level] = grouped(out.get("base", batch), count, wanted)
    return out


def _default_bases(ask: Ask, batches: int) -> int:
    """As many base mixings as the terms of the base ingredients need, and two more."""
    free = set(ask.finals) | set(ask.brief.setting_names)
    terms = sum(not {f.split("[")[0] for f in t.factors} & free for t in ask.space.terms)
    bases = min(batches, terms + 2)
    ask.notes.append(
        f"{counted(bases, 'base mixing')}: {counted(terms, 'term')} only change{'s' if terms == 1 else ''} between them."
    )
    return bases


def grouped(labels: np.ndarray, count: int, groups: int) -> np.ndarray:
    """Return neighbouring labels 0 … count - 1 in groups of nearly equal size."""
    return np.asarray((labels * groups) // count)


def _loads(batch: np.ndarray, loads: int | None, per_load: int | None) -> np.ndarray:
    """Cross slabs with loads: first slabs of all batches, then second slabs, cut into loads."""
    place = np.zeros(len(batch), dtype=int)
    for k in np.unique(batch):
        rows = np.flatnonzero(batch == k)
        place[rows] = np.arange(len(rows))
    sequence = np.lexsort((batch, place))
    count = loads or ceil(len(batch) / (per_load or max(1, len(np.unique(batch)))))
    if per_load and loads and loads * per_load < len(batch):
        raise PlanError(
            f"{counted(len(batch), 'slab')} do not fit into {counted(loads, 'load')} of {per_load}; give more loads."
        )
    out = np.empty(len(batch), dtype=int)
    out[sequence] = np.arange(len(batch)) * count // len(batch)
    return out


def savings(ask: Ask, structure: Structure) -> str:
    """Say what splitting base mixings saves in mill hours; empty text where nothing is split."""
    from formlab.plans.cost import FINALS_SHARE

    if "base" not in structure.groups:
        return ""
    bases, batches = (len(structure.rows(level)) for level in ("base", "batch"))
    text = f"{counted(bases, 'base mixing')} {'is' if bases == 1 else 'are'} split into {counted(batches, 'batch')}; added to the parts: {', '.join(ask.finals)}."
    hours = ask.brief.plant.mill_h
    if hours is not None:
        saved = (batches - bases) * hours * (1 - FINALS_SHARE)
        text += f" That saves {saved:.3g} of {batches * hours:.3g} mill hours, if finals take a third of a mixing."
    return text


def check_weighable(ask: Ask) -> None:
    """Note ranges that are narrow beside what a scale can tell apart.

    Raises
    ------
    PlanError
        If a whole range is less than that.
    """
    from formlab.mill import weighing_tolerances

    kg = ask.brief.plant.batch_kg
    if kg is None or not ask.brief.varied:
        return
    centre = ask.region.centre()
    amounts = ask.brief.amounts(centre).iloc[0]
    scale: Any = kg * 1000 / amounts.sum()
    roles = {p.name: p.role for p in ask.brief.ingredients}
    limits = weighing_tolerances(amounts * scale, roles).set_index("ingredient")["tolerance_g"]
    thin = []
    for name in ask.brief.varied:
        low, high = ask.brief.ranges[name]
        width, least = (high - low) * scale, float(limits[name])
        if width < least:
            thin.append(f"{name}: {width:.3g} g in a batch of {kg:g} kg, weighed to within {least:.3g} g")
        elif width < 5 * least:
            ask.notes.append(
                f"The range of {name} is only {width:.3g} g in a batch of {kg:g} kg, which is weighed to within "
                f"{least:.3g} g (ISO 2393)."
            )
    if thin:
        raise PlanError(
            f"A range is thinner than the scale can weigh: {'; '.join(thin)}. Widen it, or fix the amount."
        )
