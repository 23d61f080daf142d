"""The trials as one table: what was planned, what was really weighed, what was read."""

from __future__ import annotations

import numpy as np
import pandas as pd

from formlab import recipe
from formlab.brief import Brief
from formlab.errors import Problem, SeriesError
from formlab.series.readings import STATUSES
from formlab.series.tables import numbers, typed

__all__ = [
    "as_weighed",
    "history_frame",
    "plan_frame",
    "price_frame",
    "readings_frame",
    "trials_frame",
    "weighed_frame",
]

TEXT = ("trial", "batch", "load", "brief_id", "status", "note", "operator", "lot", "ingredient")
UNITS = ("batch", "load", "day", "base", "block")


def plan_frame(table: pd.DataFrame, brief: Brief, file: str = "plan.csv") -> pd.DataFrame:
    """Return a plan's table with its kinds: ids as text, amounts as numbers.

    A column that the brief has and an old plan has not is filled with what the brief fixes, else with 0 for
    an ingredient; a setting must be there.
    """
    rows = list(table.index)
    if file == "plan.csv":
        _check_columns(table, ["trial"], file)
        _check_once(table["trial"].tolist(), rows, file)
    out = pd.DataFrame(index=range(len(table)))
    for name in table.columns:
        values = table[name].tolist()
        if name in brief.ranges:
            out[name] = numbers(values, file, name, rows)
        elif name in brief.columns or name in TEXT:
            out[name] = pd.Series(values, dtype="str")
        else:
            out[name] = typed(values)
        if name in UNITS:  # trials without a label share nothing
            out[name] = out[name].mask(out[name] == "")
    missing = [n for n in brief.columns if n not in out]
    lost = [n for n in missing if n not in brief.ingredient_names]
    if lost:
        raise SeriesError(
            [Problem(file, 1, n, expected="a column for this setting of the brief") for n in lost]
        )
    for name in missing:
        out[name] = 0.0
    others = [n for n in out.columns if n not in brief.columns]
    return out[[*others, *brief.columns]]


def readings_frame(table: pd.DataFrame, brief: Brief, file: str = "results.csv") -> pd.DataFrame:
    """Return results with responses as numbers and ``NAME_censored`` beside those that have censored readings."""
    rows = list(table.index)
    if file == "results.csv":
        _check_columns(table, ["trial", "session", "status", "note"], file)
        _check_statuses(table["status"].tolist(), rows, file)
    out = pd.DataFrame(index=range(len(table)))
    for name in table.columns:
        values = table[name].tolist()
        if name in brief.response_names:
            side = [{"<": "below", ">": "above"}.get(v[:1], "") for v in values]
            out[name] = numbers([v[1:] if s else v for v, s in zip(values, side)], file, name, rows)
            if any(side):
                out[f"{name}_censored"] = pd.Series(side, dtype="str")
        else:
            out[name] = pd.Series(values, dtype="str") if name in TEXT else typed(values)
    for name in brief.response_names:
        if name not in out:
            out[name] = np.nan
    return out


def weighed_frame(table: pd.DataFrame, brief: Brief, file: str = "weighed.csv") -> pd.DataFrame:
    """Return what was weighed: batch, ingredient, weighed_g, lot."""
    _check_columns(table, ["batch", "ingredient", "weighed_g"], file)
    rows = list(table.index)
    grams = numbers(table["weighed_g"].tolist(), file, "weighed_g", rows)
    names = table["ingredient"].tolist()
    known = brief.ingredient_names
    problems = [
        Problem(file, row, "ingredient", name, f"one of {known}")
        for row, name in zip(rows, names)
        if name not in known
    ]
    problems += [
        Problem(file, row, "weighed_g", value, "a mass in g, 0 or more")
        for row, value in zip(rows, grams)
        if not value >= 0
    ]
    pairs = list(zip(table["batch"], names))
    problems += [
        Problem(file, row, "ingredient", pair[1], f"one line for each ingredient of batch {pair[0]}")
        for k, (row, pair) in enumerate(zip(rows, pairs))
        if pair in pairs[:k]
    ]
    if problems:
        raise SeriesError(problems)
    out = pd.DataFrame(
        {
            "batch": pd.Series(table["batch"].tolist(), dtype="str"),
            "ingredient": pd.Series(names, dtype="str"),
        }
    )
    out["weighed_g"] = grams
    out["lot"] = pd.Series(table["lot"].tolist() if "lot" in table else [""] * len(table), dtype="str")
    return out


def history_frame(table: pd.DataFrame, brief: Brief, file: str = "history.csv") -> pd.DataFrame:
    """Return earlier trials that never had a plan, in the columns of `trials_frame`."""
    fixed = brief.fixed
    factors = table.drop(columns=[n for n in brief.response_names if n in table])
    missing = [n for n in brief.columns if n not in table and n not in fixed]
    if missing:
        raise SeriesError(
            [Problem(file, 1, n, expected="a column for this part of the brief") for n in missing]
        )
    planned = plan_frame(factors, brief, file)
    for name, value in fixed.items():
        if name not in table:
            planned[name] = value
    read = readings_frame(table[[n for n in brief.response_names if n in table]], brief, file)
    out = pd.concat([planned, read], axis=1)
    if "status" not in out:
        out["status"] = pd.Series(["ok"] * len(out), dtype="str")
    return out


def with_history(trials: pd.DataFrame | None, history: pd.DataFrame) -> pd.DataFrame:
    """Return planned trials and earlier ones together, with a column ``block`` that tells them apart.

    Earlier trials get ids of their own (H1, H2, …) and, where no batch is known, a batch each.
    """
    old = history.copy()
    ids = [f"H{k + 1}" for k in range(len(old))]
    for name in ("trial", "batch"):
        given = (
            old[name].astype("str").fillna("").str.strip()
            if name in old
            else pd.Series([""] * len(old), index=old.index)
        )
        old[name] = [f"H-{value}" if value else own for value, own in zip(given, ids)]
    if "block" not in old:
        old["block"] = "history"
    if trials is None:
        return old.reset_index(drop=True)
    new = trials.copy()
    new["block"] = new["block"].fillna("").replace("", "plan") if "block" in new else "plan"
    order = [*new.columns, *[c for c in old if c not in new]]
    both = pd.concat([new, old.assign(round=0)], ignore_index=True)
    if "note" in both:
        both["note"] = both["note"].fillna("")
    return both[[c for c in order if c in both]]


def price_frame(table: pd.DataFrame, brief: Brief, file: str = "prices.csv") -> pd.DataFrame:
    """Return prices by ingredient, one column a scenario; a blank cell is the brief's own price."""
    _check_columns(table, ["ingredient"], file)
    rows, known = list(table.index), brief.ingredient_names
    named = table["ingredient"].tolist()
    problems = [
        Problem(file, row, "ingredient", name, f"one of {known}, once")
        for k, (row, name) in enumerate(zip(rows, named))
        if name not in known or name in named[:k]
    ]
    if problems:
        raise SeriesError(problems)
    own = pd.Series({p.name: np.nan if p.price is None else p.price for p in brief.ingredients}, dtype=float)
    out = pd.DataFrame(index=pd.Index(known, name="ingredient"))
    for scenario in [n for n in table.columns if n != "ingredient"]:
        prices = numbers(table[scenario].tolist(), file, scenario, rows).set_axis(named)
        negative = [r for r, p in zip(rows, prices) if p < 0]
        if negative:
            raise SeriesError([Problem(file, r, scenario, expected="a price, 0 or more") for r in negative])
        out[scenario] = prices.reindex(known).fillna(own)
    return out


def as_weighed(plan: pd.DataFrame, weighed: pd.DataFrame, brief: Brief) -> pd.DataFrame:
    """Return the plan with the amounts that were really weighed.

    Lines that are missing count as weighed to plan. The plan's grams follow from the plant's batch size, unless
    two or more lines together say another one by more than 10 %: then from the median of weighed over planned.
    Then phr is taken on the rubber that was really weighed; in a fraction basis all is taken on the whole batch.
    """
    if weighed.empty or "batch" not in plan or not brief.ingredients:
        return plan
    out, names = plan.copy(), brief.ingredient_names
    contains = {p.name: dict(p.contains) for p in brief.ingredients if p.contains}
    for batch, lines in weighed.groupby("batch", sort=False):
        member = (plan["batch"] == batch).to_numpy()
        if not member.any():
            raise SeriesError(f"weighed.csv has batch {batch!r}, which the plan has not. Correct its name.")
        planned = plan.loc[member, names].iloc[0]
        materials = recipe.as_materials(planned, contains) if contains else planned
        grams = lines.set_index("ingredient")["weighed_g"]
        whole = materials * _grams_per_unit(materials, grams, brief)
        whole = grams.reindex(whole.index).fillna(whole)
        for extra in grams.index.difference(whole.index):
            whole[extra] = grams[extra]
        real = recipe.as_substances(whole, contains) if contains else whole
        real = real.reindex(names).fillna(0.0)
        over = real[brief.rubbers].sum() / 100 if brief.basis == "phr" else real.sum() / brief.total
        if not over > 0:
            raise SeriesError(
                f"weighed.csv leaves batch {batch!r} without {'rubber' if brief.basis == 'phr' else 'mass'}; add what was weighed."
            )
        out.loc[member, names] = np.tile((real / over).to_numpy(), (int(member.sum()), 1))
    return out


def _grams_per_unit(materials: pd.Series, grams: pd.Series, brief: Brief) -> float:
    """Return the size of a batch, in g per phr (or per unit of the total)."""
    planned = materials.reindex(grams.index).fillna(0.0)
    both = (planned > 0) & (grams > 0)
    seen = float((grams[both] / planned[both]).median()) if both.any() else np.nan
    if brief.plant.batch_kg is not None:
        meant = 1000 * brief.plant.batch_kg / float(materials.sum())
        return seen if both.sum() > 1 and abs(seen / meant - 1) > 0.1 else meant
    rest = [n for n in materials.index if materials[n] > 0 and n not in grams.index]
    if rest and both.sum() < 2 and not any(both.get(n, False) for n in brief.rubbers):
        raise SeriesError(
            f"weighed.csv does not tell the size of a batch: it has {list(grams.index)} only. Add the mass of the "
            f"{'rubber' if brief.rubbers else 'other ingredients'}, or batch_kg under [plant] of the brief."
        )
    return seen if np.isfinite(seen) else 1.0


def trials_frame(
    plan: pd.DataFrame, readings: pd.DataFrame, weighed: pd.DataFrame, brief: Brief, unread: bool = False
) -> pd.DataFrame:
    """Return one row a reading: the plan's row of its trial as weighed, then what was read.

    With `unread`, planned trials without any reading follow, one row each with status "".
    """
    plan = as_weighed(plan, weighed, brief)
    place = pd.Series(range(len(plan)), index=plan["trial"])
    unknown = [t for t in readings["trial"] if t not in place.index]
    if unknown:
        raise SeriesError(
            f"results.csv has trials {list(dict.fromkeys(unknown))}, which plan.csv has not. Correct the trial names, or load the plan they belong to."
        )
    if unread:
        rest = pd.DataFrame({"trial": plan["trial"][~plan["trial"].isin(readings["trial"])]})
        texts = [c for c in readings if isinstance(readings[c].dtype, pd.StringDtype)]
        readings = pd.concat([readings, rest], ignore_index=True)
        readings[texts] = readings[texts].fillna("")
    left = plan.iloc[place.loc[readings["trial"]].to_numpy()].reset_index(drop=True)
    responses = [c for n in brief.response_names for c in (n, f"{n}_censored") if c in readings]
    first = [c for c in ("session", "operator", "reading") if c in readings]
    right = readings[[*first, *responses, "status", "note"]].reset_index(drop=True)
    return pd.concat([left, right], axis=1)


def _check_columns(table: pd.DataFrame, needed: list[str], file: str) -> None:
    missing = [n for n in needed if n not in table]
    odd = len(table.columns) == 1 and any(c in str(table.columns[0]) for c in ";\t")
    repair = "Save it with commas between the cells." if odd else ""
    if missing:
        raise SeriesError([Problem(file, 1, n, None, "a column of this name", repair) for n in missing])


def _check_once(names: list[str], rows: list[int], file: str) -> None:
    seen: set[str] = set()
    problems = []
    for row, name in zip(rows, names):
        if name in seen or not name.strip():
            problems.append(Problem(file, row, "trial", name, "an id used once"))
        seen.add(name)
    if problems:
        raise SeriesError(problems)


def _check_statuses(words: list[str], rows: list[int], file: str) -> None:
    expected = f"one of {', '.join(STATUSES)}"
    problems = [Problem(file, r, "status", w, expected) for r, w in zip(rows, words) if w not in STATUSES]
    if problems:
        raise SeriesError(problems)
