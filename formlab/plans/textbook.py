"""Textbook plans for a brief: the points of `classical` and `screening`, inside the region, in batches."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from formlab.errors import PlanError
from formlab.html import counted, first_few
from formlab.plans import classical, screening
from formlab.plans.ask import Ask, Made
from formlab.plans.capacity import independent, lost_words
from formlab.plans.optimal import grouped
from formlab.plans.spread import spread
from formlab.plans.structure import Structure
from formlab.plans.tidy import tidied
from formlab.terms import ModelSpace

__all__ = ["make_textbook", "supported"]


def supported(ask: Ask, asked: dict[str, Any]) -> ModelSpace:
    """Return the model a textbook kind is made for, where none was asked for and the brief's own is larger."""
    levels = ask.options.get("levels", 2)
    small: dict[str, dict[str, str]] = {
        "screening": {"model": "linear", "setting_model": "linear", "crossed": "none"},
        "factorial": {"model": "interaction", "setting_model": "interaction"} if levels == 2 else {},
    }
    wanted = dict(small.get(ask.kind, {}))
    if ask.kind == "lattice" and ask.options.get("degree", 2) == 1:
        wanted = {"model": "linear"}
    if ask.brief.basis == "fraction" and wanted.get("model") == "interaction":
        wanted.pop("model")
    if not ask.brief.settings:
        wanted = {k: v for k, v in wanted.items() if k == "model"}
    wanted = {k: v for k, v in wanted.items() if asked.get(k) is None and getattr(ask.space, k) != v}
    if not wanted or all(_order(getattr(ask.space, k)) <= _order(v) for k, v in wanted.items()):
        return ask.space
    space = ModelSpace(ask.brief, **{**asked, **wanted})
    said = ", ".join(f"{k} {v!r}" for k, v in wanted.items())
    ask.notes.append(f"A {ask.kind} plan supports a smaller model than the brief's: {said}.")
    return space


def _order(model: str) -> int:
    return ["none", "linear", "main", "interaction", "quadratic", "special cubic", "full"].index(model)


def make_textbook(ask: Ask) -> Made:
    """Return the points of a textbook kind in batches.

    Raises
    ------
    PlanError
        If something is asked for that only an optimal plan can have, or no point lies inside the region.
    """
    _refuse(ask, finals=ask.finals, bases=ask.bases, potential=ask.potential)
    frame = _inside(ask, _points(ask))
    if not len(frame):
        raise PlanError("No point of this plan lies inside the region. Use kind 'optimal' or 'vertices'.")
    made = Made(frame, _batches(ask, frame))
    for level, wanted in (("slab", ask.runs), ("batch", ask.batches), ("load", ask.loads)):
        if wanted is not None and wanted != len(made.structure.rows(level)):
            _refuse(ask, **{{"slab": "runs", "batch": "batches", "load": "loads"}[level]: wanted})
    names = ask.space.names
    lost = sorted(set(range(len(names))) - set(independent(ask.space.matrix(frame), range(len(names)))))
    if lost:
        ask.notes.append(lost_words([names[k] for k in lost], len(names), len(frame)))
    return made


def _refuse(ask: Ask, **wishes: Any) -> None:
    """Say that a kind which fixes its own points cannot follow a wish; those left out are empty."""
    for name, value in wishes.items():
        if value is not None and value != ():
            raise PlanError(
                f"kind {ask.kind!r} fixes its own trials and cannot follow {name} = {value!r}. Leave {name} out, or "
                "use kind 'optimal'."
            )


def _points(ask: Ask) -> pd.DataFrame:
    brief, options = ask.brief, ask.options
    if ask.kind == "lattice":
        return classical.lattice(brief, options["degree"])
    if ask.kind == "centroid":
        return classical.centroid(brief, axial=bool(options["axial"]))
    if ask.kind == "vertices":
        return classical.vertices(brief, ask.region, options["centroids"])
    if ask.kind == "factorial":
        return classical.factorial(brief, options["levels"])
    if ask.kind == "screening":
        return _screening(ask)
    if ask.kind == "box-behnken":
        return classical.box_behnken(brief, options["centres"])
    if ask.kind == "spread":
        return _spread(ask)
    axial = "rotatable" if options["axial"] is None else options["axial"]
    return classical.composite(brief, axial, options["centres"])


def _screening(ask: Ask) -> pd.DataFrame:
    names, levels = classical.two_level_factors(ask.brief)
    made = screening.two_level(names, ask.runs, ask.options["generators"], ask.options["resolution"])
    if isinstance(made, screening.Fraction):
        ask.notes.append(made.text[0].upper() + made.text[1:] + ".")
        coded = made.coded
        if made.generators:
            chains = screening.alias_chains(made, 1)
            shown = "; ".join(f"{e} = {a}" for e, a in zip(chains["effect"], chains["aliases"]) if a)
            ask.notes.append(f"Aliases of the main effects up to two factors: {shown}." if shown else
                             "No main effect is aliased with a product of two factors.")  # fmt: skip
    else:
        coded = made
        ask.notes.append(
            f"Plackett & Burman's plan of {len(coded)} runs: every main effect carries a part (a third or less) of the "
            "products of other factors."
        )
    return classical.from_two_levels(ask.brief, names, levels, coded)


def _spread(ask: Ask) -> pd.DataFrame:
    basis = ask.basis
    factors = len(ask.brief.varied) + len(ask.brief.settings)
    runs = ask.runs or 10 * factors
    if ask.runs is None:
        ask.notes.append(
            f"{runs} trials proposed: 10 for each of {factors} factors (Loeppky, Sacks & Welch 2009)."
        )
    points = basis.frame(spread(basis, runs, np.random.default_rng([ask.seed, 3])))
    return tidied(ask.region, points, ask.brief.columns)


def _inside(ask: Ask, frame: pd.DataFrame) -> pd.DataFrame:
    """Report points that break a range, limit or level; move or drop them only when asked."""
    why = ask.region.why_outside(frame)
    bad = [k for k, word in enumerate(why) if word]
    if not bad:
        return frame
    points = first_few([f"point {k + 1} ({why[k]})" for k in bad], 5, "; ")
    if ask.outside == "error":
        raise PlanError(
            f"{len(bad)} of {len(frame)} points lie outside the region: {points}. "
            "Use outside='move' (to the nearest allowed formula), outside='drop', or kind 'optimal' or 'vertices'."
        )
    done = "moved to the nearest allowed formula" if ask.outside == "move" else "dropped"
    said = (
        " What is said above of resolution and aliases is of the plan as it was before; judge() shows what this one tells apart."
        if ask.kind == "screening"
        else ""
    )
    ask.notes.append(f"{len(bad)} of {len(frame)} points were {done}: {points}.{said}")
    if ask.outside == "drop":
        return frame.drop(index=frame.index[bad]).reset_index(drop=True)
    out = frame.copy()
    moved = tidied(ask.region, ask.region.nearest(frame.iloc[bad]), ask.brief.columns)
    for name in ask.brief.columns:
        values = out[name].to_numpy().copy()
        values[bad] = moved[name].to_numpy()
        out[name] = values
    return out


def _batches(ask: Ask, frame: pd.DataFrame) -> Structure:
    """Trials that share ingredients and batch settings share a batch of up to `slabs` slabs."""
    n = len(frame)
    inner = [s.name for s in ask.brief.settings if s.changes in ("load", "slab")]
    slabs = ask.slabs or (ask.brief.plant.slabs_per_batch if inner else 1)
    outer = [name for name in ask.brief.columns if name not in inner]
    formula = _same(frame.round(9), outer)
    batch = _chunks(formula, slabs)
    groups = {"batch": batch}
    load_names = [s.name for s in ask.brief.settings if s.changes == "load"]
    if load_names and len(np.unique(batch)) < n:
        groups["load"] = _chunks(_same(frame, load_names), ask.brief.plant.slabs_per_load or n)
    count = int(batch.max()) + 1
    day_names = [s.name for s in ask.brief.settings if s.changes == "day"]
    if day_names:
        groups["day"] = _same(frame, day_names)
    for level, wanted in (("day", ask.days), ("block", ask.blocks)):
        if wanted and level not in groups:
            if wanted > count:
                raise PlanError(
                    f"{counted(count, 'batch')} cannot be spread over {counted(wanted, level)}; ask for fewer {level}s."
                )
            groups[level] = grouped(_spread_out(ask, frame, batch, wanted), count, wanted)
    return Structure(n, groups, ask.ratios)


def _same(frame: pd.DataFrame, names: list[str]) -> np.ndarray:
    return frame.groupby(names, sort=False).ngroup().to_numpy() if names else np.zeros(len(frame), int)


def _chunks(labels: np.ndarray, size: int) -> np.ndarray:
    """Units of at most `size` rows with the same label."""
    place = pd.Series(labels).groupby(labels).cumcount().to_numpy() // size
    return np.asarray(pd.factorize(pd.Series(list(zip(labels.tolist(), place.tolist()))))[0])


def _spread_out(ask: Ask, frame: pd.DataFrame, batch: np.ndarray, count: int) -> np.ndarray:
    """Batches renumbered so that neighbours in groups of equal size have nearly the same mean columns.

    Swaps two batches of different groups while the squared group sums of the orthonormal columns fall:
    the blocks end up nearly orthogonal to the model.
    """
    basis = ask.basis
    x = basis.matrix(basis.points(frame))
    x = x - x.mean(axis=0)
    x = x / np.where(x.std(axis=0) > 1e-12, x.std(axis=0), 1.0)
    sums = np.array([x[batch == k].sum(axis=0) for k in range(batch.max() + 1)])
    rng = np.random.default_rng([ask.seed, 4])
    best, least = np.arange(len(sums)), np.inf
    for _ in range(20):
        place, loss = _swap(sums, rng.permutation(len(sums)), count)
        if loss < least - 1e-9:
            best, least = place, loss
    return best[batch]


def _swap(sums: np.ndarray, place: np.ndarray, count: int) -> tuple[np.ndarray, float]:
    n = len(sums)
    group = grouped(place, n, count)
    totals = np.array([sums[group == g].sum(axis=0) for g in range(count)])
    improved = True
    while improved:
        improved = False
        for i in range(n):
            gap = sums[i] - sums
            change = 2 * (gap * (totals[group] - totals[group[i]])).sum(axis=1) + 2 * np.square(gap).sum(
                axis=1
            )
            change[group == group[i]] = 0.0
            j = int(change.argmin())
            if change[j] < -1e-9:
                totals[group[i]] -= gap[j]
                totals[group[j]] += gap[j]
                place[[i, j]] = place[[j, i]]
                group[[i, j]] = group[[j, i]]
                improved = True
    return place, float(np.square(totals).sum())
