"""`lay_out`: from a brief to a plan, by whichever way of making one is asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from formlab.bases import with_finals
from formlab.brief import Brief
from formlab.errors import PlanError
from formlab.plans.ask import Ask, Made
from formlab.plans.extras import add_checks, add_controls
from formlab.plans.optimal import check_weighable, make_optimal, savings
from formlab.plans.order import lay_in_order
from formlab.plans.plan import Plan
from formlab.plans.running import Running
from formlab.plans.structure import Structure, default_ratios
from formlab.plans.textbook import make_textbook, supported
from formlab.region import Region
from formlab.terms import ModelSpace

__all__ = ["lay_out"]


def lay_out(
    brief: Brief,
    runs: int | None = None,
    kind: str = "optimal",
    criterion: str = "I",
    *,
    batches: int | None = None,
    slabs: int | None = None,
    loads: int | None = None,
    days: int | None = None,
    blocks: int | None = None,
    finals: Sequence[str] = (),
    bases: int | None = None,
    replicates: int = 1,
    checks: int = 0,
    control: str | int | None = None,
    centres: int = 4,
    degree: int = 2,
    axial: Any = None,
    levels: int | dict[str, int] = 2,
    centroids: Sequence[int] | None = None,
    generators: Mapping[str, Sequence[str]] | None = None,
    resolution: int | None = None,
    outside: str = "error",
    model: str | None = None,
    setting_model: str | None = None,
    crossed: str | None = None,
    potential: Sequence[str] | str | None = None,
    prior_scale: float = 1.0,
    ratios: Mapping[str, float] | None = None,
    order: str = "random",
    colour: str | None = None,
    changeovers: pd.DataFrame | None = None,
    warm_up: int = 0,
    starts: int = 40,
    n_jobs: int | None = None,
    progress: bool | None = None,
    seed: int | None = None,
) -> Plan:
    """Return a plan for a brief: what to make, in which batches, in which order.

    Parameters
    ----------
    brief : Brief
    runs : int, optional
        Trials (slabs); proposed, with the reason in the notes, where left out.
    kind : str
        optimal, lattice, centroid, vertices, factorial, screening, composite, box-behnken, spread.
    criterion : {"I", "D", "A"}
        Of an optimal plan: least average prediction variance over the region, smallest joint confidence
        region of the coefficients, least sum of their variances.
    batches, slabs, loads : int, optional
        Batches, slabs cut from each batch, press loads. Slabs of a batch share its ingredients and
        whatever changes with the batch.
    days, blocks : int, optional
        Days or blocks that batches are spread over.
    finals : sequence of str, optional
        Ingredients added to the parts of a split base mixing, fixed ones too (curatives, say); all others go into the
        base. Stand in the plan's column ``finals``.
    bases : int, optional
        Base mixings, with `finals`.
    replicates : int, default=1
        How often the whole plan is made, in new batches.
    checks : int, default=0
        Check points far from all other trials, beside the `runs`.
    control : {"day", "block"} or int, optional
        Batches of the current formula: one each day or block, or so many in all.
    centres : int
        Centre points of a composite or Box-Behnken plan.
    degree : int
        m of a {q, m} lattice.
    axial : optional
        Composite: "rotatable" (default), "orthogonal", "face" or a distance. Centroid: True for axial points.
    levels : int or dict
        Of a factorial: values tried per range.
    centroids : sequence of int, optional
        Kind vertices: dimensions of the faces whose centroids are added.
    generators, resolution : optional
        Kind screening: what each added factor is the product of, or the resolution that is wanted.
    outside : {"error", "move", "drop"}
        What to do with textbook points that break a limit.
    model, setting_model, crossed : str, optional
        The model, where it is not the brief's own.
    potential : sequence of str or "auto", optional
        Terms held near 0 by a prior, so that there may be more terms than trials; "auto" is every term of
        higher order, and the default where there are fewer trials than terms.
    prior_scale : float
        Prior standard deviation of a potential term over its span, in sds of a single trial.
    ratios : mapping of str to float, optional
        Variance of a level of error (block, day, base, batch, load) over that of a slab as measured.
    order : {"random", "trend", "colour"}
        Random within the structure, nearly orthogonal to time trends, or by `colour`.
    colour : str, optional
        Setting with categories, or ingredient, whose changes need cleaning.
    changeovers : DataFrame, optional
        from, to, minutes, kg of cleaning between colours; counted in the cost in any order.
    warm_up : int
        Throw-away batches before each day's first, counted in the cost.
    starts, n_jobs : int, optional
        Random starts of the search, whose later rounds are in proportion; workers (the answer is the same for any number).
    progress : bool, optional
        Whether to show a progress bar; where left out, at a terminal or in a notebook once it has taken a second.
    seed : int, optional
        One seed, one plan. Drawn and stored in the plan where left out.

    Returns
    -------
    Plan
        Its frame holds one row a trial in run order; its notes say what must be known of it.

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
    for name, count, least in (("replicates", replicates, 1), ("checks", checks, 0)):
        if count < least:
            raise PlanError(f"{name} = {count}; give at least {least}.")
    running = Running(order, colour, changeovers, warm_up)
    asked = {"model": model, "setting_model": setting_model, "crossed": crossed}
    variance, source = default_ratios(brief, ratios)
    seed = int(np.random.default_rng().integers(2**31)) if seed is None else int(seed)
    space = ModelSpace(brief, model, setting_model, crossed)
    options = {
        "centres": centres,
        "degree": degree,
        "axial": axial,
        "levels": levels,
        "centroids": centroids,
        "generators": generators,
        "resolution": resolution,
    }
    ask = Ask(
        brief,
        Region.from_brief(brief).check(),
        space,
        variance,
        seed,
        kind,
        criterion,
        runs,
        batches,
        slabs,
        loads,
        days,
        blocks,
        bases,
        tuple(finals),
        potential,
        prior_scale,
        outside,
        starts=starts,
        n_jobs=n_jobs,
        progress=progress,
        options=options,
        notes=[*space.merged],
    ).check()
    check_weighable(ask)
    if kind == "optimal":
        place = len(ask.notes)
        made = make_optimal(ask)
        ask.notes.insert(place, f"Errors: {source}{_other_ratios(made.structure)}.")
    else:
        ask.space = supported(ask, asked)
        made = make_textbook(ask)
    made = _repeat(made, replicates)
    if checks:
        made = add_checks(ask, ask.basis, made, checks)
    if control is not None:
        made = add_controls(ask, made, control)
    rows, extras = running.arranged(ask, made)
    ask.notes += [text for text in [savings(ask, made.structure)] if text]
    laid = with_finals(lay_in_order(made.frame, made.structure, rows, brief, made.roles), ask.finals)
    plan = Plan(
        brief,
        laid,
        ask.space,
        kind=kind,
        criterion=criterion if kind == "optimal" else "",
        seed=seed,
        notes=ask.notes,
        ratios=ratios,
        prior=made.prior,
        extras=extras,
    )
    if kind == "optimal":
        plan.basis = ask.basis
    if made.prior is not None:
        plan.notes.append(plan.judge().told_words)
    return plan


def _other_ratios(structure: Structure) -> str:
    """Assumed ratios of the levels of error that a plan has besides its batches."""
    levels = [level for level in structure.random if level != "batch"]
    ratios = structure.ratios
    half = " (half of the batch's, an assumption)"
    return "".join(
        f", {level} to slab {ratios[level]:.3g}{half if level == 'load' and ratios['load'] == ratios['batch'] / 2 else ''}"
        for level in levels
    )


def _repeat(made: Made, times: int) -> Made:
    """The whole plan again in new batches, loads and days."""
    if times == 1:
        return made
    groups = {
        level: np.concatenate([labels + k * (labels.max() + 1) for k in range(times)])
        for level, labels in made.structure.groups.items()
    }
    whole = pd.concat([made.frame] * times, ignore_index=True)
    return Made(whole, Structure(len(whole), groups, made.structure.ratios), made.prior)
