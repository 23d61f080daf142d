"""`lay_out`: from a brief to a plan, by whichever way of making one is asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import PlanError
from formlab.plans import classical
from formlab.plans.basis import Basis
from formlab.plans.candidates import Candidates, level_of, level_variables
from formlab.plans.criteria import CRITERIA
from formlab.plans.exchange import Problem, search
from formlab.plans.order import lay_in_order, random_order
from formlab.plans.plan import Plan
from formlab.plans.structure import Structure, default_ratios
from formlab.region import Region
from formlab.terms import ModelSpace

__all__ = ["KINDS", "lay_out"]

KINDS = ("optimal", "lattice", "centroid", "vertices", "factorial", "composite")


def lay_out(
    brief: Brief,
    runs: int | None = None,
    kind: str = "optimal",
    criterion: str = "I",
    *,
    batches: int | None = None,
    slabs: int | None = None,
    loads: int | None = None,
    replicates: int = 1,
    centres: int = 4,
    degree: int = 2,
    axial: Any = None,
    levels: int | dict[str, int] = 2,
    centroids: Sequence[int] | None = None,
    model: str | None = None,
    setting_model: str | None = None,
    crossed: str | None = None,
    ratios: Mapping[str, float] | None = None,
    outside: str = "error",
    starts: int = 10,
    n_jobs: int = 1,
    progress: bool = False,
    seed: int | None = None,
) -> Plan:
    """Return a plan for a brief: what to make, in which batches, in which order.

    Parameters
    ----------
    brief : Brief
    runs : int, optional
        Trials (slabs) of an optimal plan; proposed, with the reason in the notes, where left out.
    kind : str
        optimal, lattice, centroid, vertices, factorial, composite.
    criterion : {"I", "D", "A"}
        Of an optimal plan: least average prediction variance over the region, smallest joint confidence
        region of the coefficients, least sum of their variances.
    batches, slabs, loads : int, optional
        Batches, slabs cut from each batch, press loads. Slabs of a batch share its ingredients and
        whatever changes with the batch.
    replicates : int, default=1
        How often the whole plan is made, in new batches.
    centres : int
        Centre points of a composite plan.
    degree : int
        m of a {q, m} lattice.
    axial : optional
        Composite: "rotatable" (default), "orthogonal", "face" or a distance. Centroid: True for axial points.
    levels : int or dict
        Of a factorial: values tried per range.
    centroids : sequence of int, optional
        Kind vertices: dimensions of the faces whose centroids are added.
    model, setting_model, crossed : str, optional
        The model, where it is not the brief's own.
    ratios : mapping of str to float, optional
        Variance of a level of error (block, day, base, batch, load) over that of a slab as measured.
    outside : {"error", "move", "drop"}
        What to do with textbook points that break a limit.
    starts, n_jobs, progress
        Random starts of the search, workers (the answer is the same for any number), progress bar.
    seed : int, optional
        One seed, one plan. Drawn and stored in the plan where left out.

    Raises
    ------
    PlanError
        Saying what cannot be planned and what to change.

    Examples
    --------
    >>> from formlab import Brief, lay_out
    >>> brief = Brief(ingredient=[{"name": "rubber", "role": "rubber"},
    ...     {"name": "oil", "low": 5, "high": 15}, {"name": "chalk", "low": 20, "high": 60}])
    >>> lay_out(brief, runs=9, seed=7)
    Plan(optimal: 9 trials in 9 batches x 3 columns, seed 7)
    """
    if kind not in KINDS:
        raise PlanError(f"kind = {kind!r}; it is one of {', '.join(KINDS)}.")
    if criterion not in CRITERIA:
        raise PlanError(f"criterion = {criterion!r}; it is one of {', '.join(CRITERIA)}.")
    if replicates < 1:
        raise PlanError(f"replicates = {replicates}; at least 1.")
    region = Region.from_brief(brief).check()
    space = ModelSpace(brief, model, setting_model, crossed)
    variance, source = default_ratios(brief, ratios)
    seed = int(np.random.default_rng().integers(2**31)) if seed is None else int(seed)
    job = _Job(brief, region, space, variance, seed, [*space.merged])
    if kind == "optimal":
        job.notes.append(f"Errors: {source}.")
        frame, structure = _optimal(job, runs, criterion, batches, slabs, loads, starts, n_jobs, progress)
    else:
        frame = _textbook(job, kind, degree, axial, levels, centroids, centres)
        frame = _inside(job, frame, outside)
        structure = _textbook_batches(job, frame, slabs, loads)
    frame, structure = _repeat(frame, structure, replicates)
    order = random_order(structure, np.random.default_rng([seed, 1]))
    laid = lay_in_order(frame, structure, order, brief)
    shown = criterion if kind == "optimal" else ""
    return Plan(brief, laid, space, kind=kind, criterion=shown, seed=seed, notes=job.notes, ratios=ratios)


@dataclass
class _Job:
    brief: Brief
    region: Region
    space: ModelSpace
    ratios: dict[str, float]
    seed: int
    notes: list[str] = field(default_factory=list)


# ---- optimal ----------------------------------------------------------------------------------------


def _optimal(
    job: _Job,
    runs: int | None,
    criterion: str,
    batches: int | None,
    slabs: int | None,
    loads: int | None,
    starts: int,
    n_jobs: int,
    progress: bool,
) -> tuple[pd.DataFrame, Structure]:
    basis = Basis(job.region, job.space)
    structure = _structure(job, runs, batches, slabs, loads)
    levels = level_of(
        job.region, {*structure.groups, "slab"} if len(structure.rows("batch")) < structure.n else set()
    )
    positions = level_variables(basis, levels)
    seeds = np.random.SeedSequence(job.seed)
    candidates = Candidates.build(basis, positions, np.random.default_rng([job.seed, 0]))
    p = len(job.space)
    weight = {"D": None, "I": np.eye(p), "A": basis.a_weight}[criterion]
    problem = Problem(basis, candidates, structure, np.zeros((p, p)), weight)
    found = search(problem, seeds, starts=starts, n_jobs=n_jobs, progress=progress)
    job.notes.append(f"Average prediction variance is taken {basis.measure}." if criterion == "I" else "")
    job.notes[:] = [note for note in job.notes if note]
    return basis.frame(found.points), structure


def _structure(
    job: _Job, runs: int | None, batches: int | None, slabs: int | None, loads: int | None
) -> Structure:
    """Decide trials, batches and loads; say what was proposed and why."""
    p = len(job.space)
    inner = [s for s in job.brief.settings if s.changes in ("load", "slab")]
    if slabs is None and batches is None:
        slabs = job.brief.plant.slabs_per_batch if inner else 1
    if runs is None and not (batches and slabs):
        runs = _proposed(job, p) if batches is None else max(_proposed(job, p), batches)
    if batches is None:
        assert runs is not None
        batches = -(-runs // (slabs or 1))
        needed = min(runs, _batch_terms(job, basis_levels=inner) + 2)
        if slabs and slabs > 1 and batches < needed:
            job.notes.append(
                f"{needed} batches instead of {batches}: the terms that only change between batches need them."
            )
            batches = needed
    runs = batches * slabs if runs is None and slabs else runs
    assert runs is not None
    if runs < p:
        raise PlanError(
            f"{p} terms cannot be estimated from {runs} trials. Add at least {p - runs} trial(s), or choose a smaller "
            f"model than {job.space.model!r} (settings {job.space.setting_model!r}, crossed {job.space.crossed!r})."
        )
    if batches > runs:
        raise PlanError(f"{runs} trials cannot fill {batches} batches; give at least one trial a batch.")
    groups = {"batch": np.sort(np.arange(runs) % batches)}
    if any(s.changes == "load" for s in job.brief.settings) and batches < runs or loads:
        groups["load"] = _loads(groups["batch"], loads, job.brief.plant.slabs_per_load)
    return Structure(runs, groups, job.ratios)


def _proposed(job: _Job, p: int) -> int:
    lack, repeats = max(3, round(0.15 * p)), max(3, round(0.1 * p))
    job.notes.append(
        f"{p + lack + repeats} trials proposed: {p} terms, {lack} more to see whether the model fits, "
        f"{repeats} more to see how well trials repeat (common practice, no source)."
    )
    return p + lack + repeats


def _batch_terms(job: _Job, basis_levels: list[Any]) -> int:
    """Terms without any setting that changes within a batch: their errors are those of batches."""
    inner = {s.name for s in basis_levels}
    effects = {f"{s.name}[{level}]" for s in basis_levels for level in s.levels or []}
    return sum(not set(t.factors) & (inner | effects) for t in job.space.terms)


def _loads(batch: np.ndarray, loads: int | None, per_load: int | None) -> np.ndarray:
    """Cross slabs with loads: first slabs of all batches, then second slabs, cut into loads."""
    place = np.zeros(len(batch), dtype=int)
    for k in np.unique(batch):
        rows = np.flatnonzero(batch == k)
        place[rows] = np.arange(len(rows))
    sequence = np.lexsort((batch, place))
    count = loads or -(-len(batch) // (per_load or max(1, len(np.unique(batch)))))
    out = np.empty(len(batch), dtype=int)
    out[sequence] = np.arange(len(batch)) * count // len(batch)
    return out


# ---- textbook ---------------------------------------------------------------------------------------


def _textbook(
    job: _Job,
    kind: str,
    degree: int,
    axial: Any,
    levels: int | dict[str, int],
    centroids: Sequence[int] | None,
    centres: int,
) -> pd.DataFrame:
    if kind == "lattice":
        return classical.lattice(job.brief, degree)
    if kind == "centroid":
        return classical.centroid(job.brief, axial=bool(axial))
    if kind == "vertices":
        return classical.vertices(job.brief, job.region, centroids)
    if kind == "factorial":
        return classical.factorial(job.brief, levels)
    return classical.composite(job.brief, "rotatable" if axial is None else axial, centres)


def _inside(job: _Job, frame: pd.DataFrame, outside: str) -> pd.DataFrame:
    """Report points that break a range, limit or level; move or drop them only when asked."""
    if outside not in ("error", "move", "drop"):
        raise PlanError(f"outside = {outside!r}; it is 'error', 'move' or 'drop'.")
    why = job.region.why_outside(frame)
    bad = [k for k, word in enumerate(why) if word]
    if not bad:
        return frame
    listed = "; ".join(f"point {k + 1} ({why[k]})" for k in bad[:5])
    more = f" and {len(bad) - 5} more" if len(bad) > 5 else ""
    if outside == "error":
        raise PlanError(
            f"{len(bad)} of {len(frame)} points lie outside the region: {listed}{more}. "
            "Use outside='move' (to the nearest allowed formula), outside='drop', or kind 'optimal' or 'vertices'."
        )
    done = "moved to the nearest allowed formula" if outside == "move" else "dropped"
    job.notes.append(f"{len(bad)} of {len(frame)} points were {done}: {listed}{more}.")
    if outside == "drop":
        return frame.drop(index=frame.index[bad]).reset_index(drop=True)
    out = frame.copy()
    moved = job.region.nearest(frame.iloc[bad])
    for name in job.brief.columns:
        values = out[name].to_numpy().copy()
        values[bad] = moved[name].to_numpy()
        out[name] = values
    return out


def _textbook_batches(job: _Job, frame: pd.DataFrame, slabs: int | None, loads: int | None) -> Structure:
    """Trials that share ingredients and batch settings share a batch of up to `slabs` slabs."""
    n = len(frame)
    inner = [s.name for s in job.brief.settings if s.changes in ("load", "slab")]
    if slabs is None:
        slabs = job.brief.plant.slabs_per_batch if inner else 1
    outer = [name for name in job.brief.columns if name not in inner]
    formula = (
        frame[outer].round(9).groupby(outer, sort=False).ngroup().to_numpy() if outer else np.zeros(n, int)
    )
    place = pd.Series(formula).groupby(formula).cumcount().to_numpy() // slabs
    batch = pd.factorize(pd.Series(list(zip(formula.tolist(), place.tolist()))))[0]
    groups = {"batch": batch}
    load_names = [s.name for s in job.brief.settings if s.changes == "load"]
    if load_names and len(np.unique(batch)) < n:
        setting = frame.groupby(load_names, sort=False).ngroup().to_numpy()
        per = job.brief.plant.slabs_per_load or n
        within = pd.Series(setting).groupby(setting).cumcount().to_numpy() // per
        groups["load"] = pd.factorize(pd.Series(list(zip(setting.tolist(), within.tolist()))))[0]
    return Structure(n, groups, job.ratios)


def _repeat(frame: pd.DataFrame, structure: Structure, times: int) -> tuple[pd.DataFrame, Structure]:
    """The whole plan again in new batches and loads."""
    if times == 1:
        return frame, structure
    groups = {
        level: np.concatenate([labels + k * (labels.max() + 1) for k in range(times)])
        for level, labels in structure.groups.items()
    }
    whole = pd.concat([frame] * times, ignore_index=True)
    return whole, Structure(len(whole), groups, structure.ratios)
