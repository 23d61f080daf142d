"""The trials as one table: what was planned, what was really weighed, what was read."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from formlab import recipe
from formlab.bases import PART, base_materials
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

TEXT = ("trial", "batch", "load", "brief_id", "status", "note", "operator", "lot", "ingredient", "finals")
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
    """Return what was weighed: batch or base mixing, ingredient or ``base`` for a part of one, weighed_g, lot."""
    _check_columns(table, ["batch", "ingredient", "weighed_g"], file)
    rows = list(table.index)
    grams = numbers(table["weighed_g"].tolist(), file, "weighed_g", rows)
    names = table["ingredient"].tolist()
    known = brief.ingredient_names
    problems = [
        Problem(file, row, "ingredient", name, f"one of {known}")
        for row, name in zip(rows, names)
        if name not in [*known, PART]
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

    Where base mixings are split, lines of a base stand under its own name (A01), and a batch has an ingredient ``base``:
    the grams of its part. A part is taken to have the composition of its base as that was weighed. A line of a batch
    for an ingredient that should have come with the base stands for itself.

    Raises
    ------
    SeriesError
        Naming a batch that the plan has not, a part of a base where none is planned, a batch without rubber, or a size
        that does not follow.
    """
    if weighed.empty or "batch" not in plan or not brief.ingredients:
        return plan
    out, names = plan.copy(), brief.ingredient_names
    contains = {p.name: dict(p.contains) for p in brief.ingredients if p.contains}
    held = base_materials(brief, plan)
    lines = {
        str(name): rows.set_index("ingredient")["weighed_g"]
        for name, rows in weighed.groupby("batch", sort=False)
    }
    _check_names(lines, plan, held)
    planned = plan.drop_duplicates("batch").set_index("batch")[names]
    materials = recipe.as_materials(planned, contains) if contains else planned
    meant = 1000 * (brief.plant.batch_kg or np.nan) / materials.sum(axis=1)  # g per unit, by batch
    base_of = plan.drop_duplicates("batch").set_index("batch")[PART] if held else pd.Series(dtype=str)
    none = pd.Series(dtype=float)
    for batch in plan.loc[plan["batch"].isin(list(lines)) | _in(plan, held, lines), "batch"].unique():
        member = (plan["batch"] == batch).to_numpy()
        grams, base = lines.get(batch, none), base_of.get(batch, "")
        if base in held:
            inside = [n for n in held[base] if n in materials]
            of_base = lines.get(base, none)
            size = meant[base_of.index[base_of == base]].sum(min_count=1)
            mixed = materials.loc[batch, inside]
            if len(of_base):
                mixed = of_base.combine_first(
                    mixed * _grams_per_unit(mixed, of_base, size, _main(brief, mixed))
                )
            whole = _with_part(materials.loc[batch], inside, mixed, grams, meant[batch], brief)
        else:
            own = materials.loc[batch]
            whole = own * _grams_per_unit(own, grams, meant[batch], _main(brief, own))
            whole = grams.reindex(whole.index).fillna(whole)
        for extra in grams.index.difference(whole.index).difference([PART]):
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


def _check_names(
    lines: Mapping[str, pd.Series], plan: pd.DataFrame, held: Mapping[str, tuple[str, ...]]
) -> None:
    """Refuse lines of a batch that the plan has not, and parts of a base in a batch that is mixed whole."""
    split = set(plan.loc[plan[PART].isin(list(held)), "batch"]) if held else set()
    for batch, grams in lines.items():
        if batch not in set(plan["batch"]) | set(held):
            whole = plan.loc[plan[PART] == batch, "batch"].tolist() if PART in plan else []
            if whole:
                raise SeriesError(
                    f"weighed.csv has base mixing {batch!r}, which is not split: its only batch is mixed whole. Give its lines "
                    f"under {whole[0]!r}."
                )
            raise SeriesError(f"weighed.csv has batch {batch!r}, which the plan has not. Correct its name.")
        if PART in grams and batch not in split:
            raise SeriesError(
                f"weighed.csv has a part of a base in {batch!r}, which the plan does not make from one. Give the grams of "
                "each ingredient in its place."
            )


def _in(plan: pd.DataFrame, held: Mapping[str, object], lines: Mapping[str, object]) -> pd.Series:
    """Return which rows are of a base mixing that has lines of its own."""
    if not held:
        return pd.Series(False, index=plan.index)
    return plan[PART].isin([base for base in held if base in lines])


def _main(brief: Brief, materials: pd.Series) -> list[str]:
    return [PART] if PART in materials.index else [n for n in brief.rubbers if n in materials.index]


def _with_part(
    materials: pd.Series, inside: list[str], mixed: pd.Series, grams: pd.Series, meant: float, brief: Brief
) -> pd.Series:
    """Return the grams of each material of a batch made from a part of a base, planned of `inside` and `mixed` so."""
    dry = brief.dry  # a part is weighed without the water that the base has lost
    part = pd.Series({PART: float((materials[inside] * dry[inside]).sum())})
    lines = pd.concat([part, materials.drop(inside)])
    per_unit = _grams_per_unit(lines, grams.drop(inside, errors="ignore"), meant, [PART])
    whole = grams.reindex(lines.index).fillna(lines * per_unit)
    brought = mixed * whole[PART] / float((mixed * dry[mixed.index]).sum())
    own = grams.reindex(inside).dropna()
    return whole.drop(PART).add(brought.drop(own.index), fill_value=0.0).add(own, fill_value=0.0)


def _grams_per_unit(materials: pd.Series, grams: pd.Series, meant: float, main: list[str]) -> float:
    """Return the size of a mixing, in g per phr (or per unit of the total); `meant` is nan where no size is planned.

    Without one, the line of `main` tells it alone.
    """
    planned = materials.reindex(grams.index).fillna(0.0)
    both = (planned > 0) & (grams > 0)
    seen = float((grams[both] / planned[both]).median()) if both.any() else np.nan
    if np.isfinite(meant):
        return seen if both.sum() > 1 and abs(seen / meant - 1) > 0.1 else meant
    rest = [n for n in materials.index if materials[n] > 0 and n not in grams.index]
    if len(grams) and rest and both.sum() < 2 and not any(both.get(n, False) for n in main):
        missing = {PART: "part of the base"}.get(main[0], "rubber") if main else "other ingredients"
        raise SeriesError(
            f"weighed.csv does not tell the size of a batch: it has {list(grams.index)} only. Add the mass of the "
            f"{missing}, or batch_kg under [plant] of the brief."
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
