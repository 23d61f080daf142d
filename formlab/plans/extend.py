"""`extend`: more trials for a series that has begun; what was made is kept and credited."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

import numpy as np
import pandas as pd

from formlab.bases import with_finals
from formlab.brief import Brief
from formlab.errors import PlanError
from formlab.html import counted, first_few
from formlab.plans.ask import Ask, Made
from formlab.plans.basis import Basis
from formlab.plans.criteria import CRITERIA, score
from formlab.plans.extras import add_checks, add_controls
from formlab.plans.optimal import check_weighable, pose, prior_for, savings, shape, solve, weight_of
from formlab.plans.order import lay_in_order
from formlab.plans.plan import Plan
from formlab.plans.running import Running
from formlab.plans.structure import COLUMNS, LABELS, Structure, default_ratios
from formlab.region import Region
from formlab.terms import ModelSpace

__all__ = ["extend", "next_labels"]

MADE = ("ok", "pending", "")
ASIDE = ("set aside",)  # lost by mishap: the formula is not to blame
NEAR = 0.1
HEAD = ("trial", "batch", "load", "day", "base", "finals", "block", "role", "run_order", "round", "brief_id")
LETTERS = {"trial": "T", **{COLUMNS[level]: letter for level, letter in LABELS.items()}}


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
    days: int | None = None,
    blocks: int | None = None,
    finals: Sequence[str] = (),
    bases: int | None = None,
    checks: int = 0,
    control: str | int | None = None,
    failed: Sequence[str] = (),
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
) -> Plan:
    """Return a plan of all trials so far and the best further ones for today's brief.

    The brief may have a larger model, wider ranges or new ingredients: an ingredient that the old trials
    lack counts as 0 in them, a new setting as today's value in `[current]`. Amounts are taken as the frame
    has them, so weighed amounts count. What shifted between earlier rounds and the new one is a level of
    error, as variable as a block. New trials, batches, loads, days, base mixings and blocks are labelled after
    all that stand in the frame.

    Parameters
    ----------
    plan_or_trials : Plan or DataFrame
        What was planned, or the trials of a series (several readings of a trial count once); those of
        ``series.trials(unread=True)`` have what is planned and not read yet as well.
    brief : Brief
    runs : int, optional
        New trials; as many as were lost where some failed, else enough for the model and two repeats.
    criterion : {"I", "D", "A"}, optional
        The plan's own, or I.
    batches, slabs, loads, days, blocks, finals, bases, checks, control
        Of the new trials, as in `lay_out`. As many loads and days as make them as large as the earlier ones,
        where those had any and the number is left out.
    failed : sequence of str
        Trials or batches that could not be made; they are kept in the frame but not credited. Trials with a
        status other than ok or pending are left out by themselves.
    model, setting_model, crossed : str, optional
        The model, where it is not today's brief's own.
    potential, prior_scale
        Terms held near 0, as in `lay_out`; beside what the earlier trials tell.
    ratios : mapping of str to float, optional
        Variance of a level of error over that of a slab, as in `lay_out`.
    order, colour, changeovers, warm_up
        How the new trials are run, as in `lay_out`.
    starts, n_jobs : int, optional
        Random starts of the search, whose later rounds are in proportion; workers.
    progress : bool, optional
        Whether to show a progress bar; where left out, at a terminal or in a notebook once it has taken a second.
    seed : int, optional

    Returns
    -------
    Plan
        The trials so far and the new ones, the latter as a round of their own; its notes say what they add.

    Raises
    ------
    PlanError
        If nothing is known of a new setting, a name in `failed` is unknown, the model asks for more, or a wish
        cannot be.

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
    if checks < 0:
        raise PlanError(f"checks = {checks}; give at least 0.")
    running = Running(order, colour, changeovers, warm_up)
    seed = int(np.random.default_rng().integers(2**31)) if seed is None else int(seed)
    notes: list[str] = []
    given = _named(given)
    old, credited = _old(given, brief, failed, notes)
    if slabs is None and batches is None:
        first = old[old["round"] == old["round"].min()]  # later ones may be repairs
        slabs = max(1, round(len(first) / first["batch"].nunique()))
    space = ModelSpace(brief, model, setting_model, crossed)
    variance, source = default_ratios(brief, ratios)
    before, kept = plan_or_trials if isinstance(plan_or_trials, Plan) else None, int(credited.sum())
    if criterion is None:
        criterion = before.criterion if before is not None and before.criterion in CRITERIA else "I"
    ask = Ask(
        brief,
        Region.from_brief(brief).check(),
        space,
        variance,
        seed,
        criterion=criterion,
        runs=_lost_runs(old, credited, failed, space, notes) if runs is None else runs,
        batches=batches,
        slabs=slabs,
        loads=loads,
        days=days,
        blocks=blocks,
        bases=bases,
        finals=tuple(finals),
        potential=potential,
        prior_scale=prior_scale,
        earlier=old["batch"][credited].nunique(),
        starts=starts,
        n_jobs=n_jobs,
        progress=progress,
        notes=[f"Errors: {source}.", *space.merged, *notes],
    ).check()
    check_weighable(ask)
    basis = ask.basis
    made, beside = _made(ask, basis, old, credited, checks, control)
    rows, extras = running.arranged(ask, made)
    ask.notes += [text for text in [savings(ask, made.structure)] if text]
    _credit(ask, basis, made, beside, kept)
    new = lay_in_order(
        made.frame, made.structure, rows, brief, made.roles, round_=int(_last(old, "round")) + 1
    )
    new = with_finals(new, ask.finals)
    frame = _joined(given, old, credited, new, blocks is not None)
    ask.notes += _near_failed(given, frame.tail(len(new)), brief)
    plan = Plan(
        brief,
        frame[[*[c for c in HEAD if c in frame], *brief.columns]],
        space,
        kind="extended",
        criterion=criterion,
        seed=seed,
        notes=ask.notes,
        ratios=ratios,
        prior=made.prior,
        extras={k: v + (before.extras[k] if before is not None else 0.0) for k, v in extras.items()},
    )
    plan.basis = basis
    if made.prior is not None:
        plan.notes.append(plan.judge().told_words)
    return plan


# ---- the earlier trials -----------------------------------------------------------------------------


def _named(given: pd.DataFrame) -> pd.DataFrame:
    """The frame with a name for every trial and batch that lacks one."""
    out = given.reset_index(drop=True)
    for column in ("trial", "batch"):
        if column in out:
            lacks = out[column].isna() | (out[column].astype(str).str.strip() == "")
            if lacks.any():
                out[column] = out[column].astype(object)
                rows = pd.Series(np.flatnonzero(lacks))
                out.loc[lacks, column] = next_labels(out[column][~lacks], rows, LETTERS[column])
    if "run_order" in out and out["run_order"].isna().all():
        out = out.drop(columns="run_order")
    return out


def _last(old: pd.DataFrame, column: str) -> float:
    """The largest number of a column; 0 where there is none."""
    return float(np.nanmax([0.0, *pd.to_numeric(old[column], errors="coerce")]))


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
        count = int(bad.sum())
        notes.append(
            f"{count} of {counted(len(old), 'trial')} {'is' if count == 1 else 'are'} not credited: "
            f"{', '.join(old['trial'][bad].astype(str))}."
        )
    return old, ~bad


def _filled(frame: pd.DataFrame, brief: Brief, notes: list[str]) -> pd.DataFrame:
    """New ingredients at 0, new settings at today's value."""
    out = frame.copy()
    for name in brief.columns:
        if name in brief.fixed:
            continue
        if name in brief.ingredient_names:
            out[name] = out.get(name, 0.0)
            if (out[name] == 0).all():
                notes.append(f"{name} is new: the earlier trials had none of it and count with 0.")
        elif name in out:
            continue
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


def _lost_runs(
    old: pd.DataFrame, credited: pd.Series, failed: Sequence[str], space: ModelSpace, notes: list[str]
) -> int:
    """How many new trials: as many as the last round lost, for what was lost before has been made up for since."""
    named = old["trial"].isin(failed) | old["batch"].isin(failed)  # of these it is only known now
    last = ~credited & (named | (old["round"] == old["round"].max()))
    lost, before, kept = int(last.sum()), int((~credited & ~last).sum()), int(credited.sum())
    if before:
        notes.append(
            f"{counted(before, 'trial')} of earlier rounds {'was' if before == 1 else 'were'} lost before the last round was laid out; no "
            "more are proposed for that. runs asks for any number."
        )
    if lost:
        notes.append(f"{counted(lost, 'new trial')} proposed, as many as were lost.")
        return lost
    runs = max(4, len(space) - kept + 2)
    lacking = f": what {counted(len(space), 'term')} lack{'s' if len(space) == 1 else ''} beside {counted(kept, 'old trial')}, and 2 more."
    notes.append(f"{runs} new trials proposed{lacking if len(space) > kept else '; the terms lack none.'}")
    return runs


# ---- the new ones -----------------------------------------------------------------------------------


@dataclass
class Beside:
    """What the new trials are searched beside: information of the credited ones, and the levels of error of all."""

    known: np.ndarray
    levels: set[str]

    def whole(self, structure: Structure) -> Structure:
        """The new trials as they share errors once they stand beside the old ones."""
        return structure.with_levels(self.levels)


def _made(
    ask: Ask, basis: Basis, old: pd.DataFrame, credited: pd.Series, checks: int, control: str | int | None
) -> tuple[Made, Beside]:
    """The new trials, and what they were searched beside."""
    before = old[credited]
    earlier = Structure.from_frame(before, ask.ratios) if len(before) else None
    found = _shape(ask, basis, old, apart=earlier is not None)
    levels = {*found.groups, *(earlier.groups if earlier else ())}
    beside = Beside(np.zeros((len(ask.space), len(ask.space))), levels)
    if earlier is not None:
        ask.notes += [
            f"The earlier trials have no {level}: each {unit} counts with one of its own."
            for level, unit in (("day", "batch"), ("load", "slab"))
            if level in levels - set(earlier.groups)
        ]
        x = basis.matrix(basis.points(before))
        beside.known = np.asarray(x.T @ earlier.with_levels(levels).weight() @ x)
    problem = replace(pose(ask, basis, found, beside.known), structure=beside.whole(found))
    prior = prior_for(ask, problem)
    made = Made(basis.frame(solve(ask, problem, prior)), found, prior)
    if checks:
        made = add_checks(ask, basis, made, checks, old)
    if control is not None:
        made = add_controls(ask, made, control)
    return made, beside


def _shape(ask: Ask, basis: Basis, old: pd.DataFrame, apart: bool) -> Structure:
    """Batches, loads, days and blocks of the new trials; a block of their own if they are apart from others."""
    tried = shape(replace(ask, notes=[]), basis)
    units = len(tried.rows("base" if "base" in tried.groups else "batch"))
    if "day" in old and old["day"].notna().any() and "day" not in tried.groups:
        size = old["batch"][old["day"].notna()].nunique() / old["day"].nunique()
        ask.days = min(units, ceil(len(tried.rows("batch")) / size - 1e-9))
        ask.notes.append(f"{counted(ask.days, 'new day')}, of as many batches as the earlier ones had.")
    if "load" in old and old["load"].notna().any() and "load" not in tried.groups:
        size = ask.brief.plant.slabs_per_load or old["load"].notna().sum() / old["load"].nunique()
        ask.loads = ceil(tried.n / size - 1e-9)
        ask.notes.append(f"{counted(ask.loads, 'new load')}, of as many slabs as the earlier ones had.")
    found = shape(ask, basis)
    if apart or "block" in old:
        found = found.with_levels(["block"])
    return found


def _credit(ask: Ask, basis: Basis, made: Made, beside: Beside, kept: int) -> None:
    """Say what the new trials bring beside the old ones, and the old ones beside the new."""
    if not kept:
        ask.notes.append("No earlier trial is credited.")
        return
    extra = 0.0 if made.prior is None else made.prior.precision
    x = basis.matrix(basis.points(made.frame))
    new = x.T @ beside.whole(made.structure).weight() @ x + extra
    known = beside.known
    weight = weight_of(basis, ask.criterion)
    before, alone, both = (score(m, weight) for m in (known + extra, new, new + known))
    if np.isfinite(before):
        was, now = (float(np.sqrt(np.trace(np.linalg.inv(m)))) for m in (known + extra, new + known))
        ask.notes.append(
            f"With the new trials the plan is worth {np.exp(both - before):.2f} times the earlier trials alone "
            f"({ask.criterion}); a predicted mean has a standard error of {now:.3g} slab sds on average, before {was:.3g}."
        )
    else:
        ask.notes.append("The earlier trials alone could not carry the model; with the new ones they do.")
    one = kept == 1
    credited = f"The {counted(kept, 'earlier trial')} {'is' if one else 'are'} credited: "
    if np.isfinite(alone):
        ask.notes.append(
            f"{credited}with {'it' if one else 'them'} the plan is worth {np.exp(both - alone):.2f} times the new trials "
            f"alone ({ask.criterion})."
        )
    else:
        ask.notes.append(f"{credited}the new ones alone could not carry the model.")


# ---- together ---------------------------------------------------------------------------------------


def _joined(
    given: pd.DataFrame, old: pd.DataFrame, credited: pd.Series, new: pd.DataFrame, blocks: bool
) -> pd.DataFrame:
    """The old rows and the new ones, whose labels go on after every label given."""
    new = new if blocks or "block" in old else new.drop(columns="block", errors="ignore")
    new = new.assign(run_order=new["run_order"] + int(_last(old, "run_order")))
    for column, letter in LETTERS.items():
        if column in new:
            frame = given if column in given else old
            taken = frame[column] if column in frame else pd.Series([], dtype=object)
            new[column] = next_labels(taken, new[column], letter)
    frame = pd.concat([old, new], ignore_index=True)
    if "role" in old or "role" in new or not credited.all():
        before = old.get("role", pd.Series("design", index=old.index))
        after = new.get("role", pd.Series("design", index=new.index))
        frame["role"] = [*before.fillna("design").where(credited, "failed"), *after]
    return frame


def _near_failed(given: pd.DataFrame, new: pd.DataFrame, brief: Brief) -> list[str]:
    """Words on new trials within a tenth of every range of one that could not be made."""
    if "status" not in given:
        return []
    status = given["status"].fillna("")
    failed = given[~status.isin((*MADE, *ASIDE))].drop_duplicates("trial")
    numeric = [n for n, (low, high) in brief.ranges.items() if high > low and n in failed]
    kinds = [s.name for s in brief.settings if not s.is_numeric and s.name in failed]
    width = np.array([brief.ranges[n][1] - brief.ranges[n][0] for n in numeric])
    near = np.abs(new[numeric].to_numpy(float)[:, None] - failed[numeric].to_numpy(float)) <= NEAR * width
    alike = near.all(axis=2) & (new[kinds].to_numpy()[:, None] == failed[kinds].to_numpy()).all(axis=2)
    pairs = [
        f"{new['trial'].iloc[i]} near {failed['trial'].iloc[j]} ({failed['status'].iloc[j]})"
        for i, j in zip(*np.nonzero(alike))
    ]
    if not pairs:
        return []
    return [
        f"Within a tenth of every range of a trial that could not be made: {first_few(pairs, 4)}. Make {'it' if len(pairs) == 1 else 'them'} "
        "first, or shift the range if that is likely to happen again."
    ]


def next_labels(taken: pd.Series, labels: pd.Series, letter: str) -> list[str]:
    """Return new names for `labels`, equal ones alike, that go on after those `taken`: T08, T09, …

    Whatever follows the number, and however it is written, a number that is taken is not used again.
    """
    names = taken.dropna().astype(str).str.strip()
    digits = [m[1] for n in names if (m := re.match(rf"{letter}([0-9]+)", n, re.IGNORECASE))]
    last = max(map(int, digits), default=0)
    width = max([2, len(str(last + labels.nunique())), *(len(d) for d in digits if d[0] == "0")])
    number = dict(zip(labels.drop_duplicates(), range(last + 1, last + 1 + labels.nunique())))
    return [f"{letter}{number[label]:0{width}d}" for label in labels]
