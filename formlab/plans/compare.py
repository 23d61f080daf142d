"""Plans side by side, and what more batches, slabs or readings would bring."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import PlanError
from formlab.html import Markup, fold, number, panel, table
from formlab.plans.criteria import CRITERIA
from formlab.plans.judge import Judgement
from formlab.plans.layout import lay_out
from formlab.plans.plan import Plan
from formlab.progress import along

__all__ = ["Comparison", "compare", "trade_off"]


@dataclass
class Comparison:
    """Several plans under one model.

    Attributes
    ----------
    table : DataFrame
        plan, trials, batches, terms, D, A, I (each over the best of these plans, per plan and not per trial),
        of_limit (efficiency of the first plan's criterion against the limit for batches like these; NaN where none is
        derived), average_error, largest_error_seen, largest leverage, vif and correlation of terms, repeats, df by
        level, batches and loads to make, kg, mill_h, press_h, money.
    fraction : DataFrame
        plan, fraction, std_error: the curves of prediction error over the region.
    power : DataFrame
        plan and the columns of `Judgement.power`.
    materials : DataFrame
        plan, ingredient, kg, price, money.
    judged : dict of str to Judgement
    """

    table: pd.DataFrame
    fraction: pd.DataFrame
    power: pd.DataFrame
    materials: pd.DataFrame
    judged: dict[str, Judgement]

    @property
    def verdict(self) -> str:
        best = self.table.loc[self.table["I"].idxmax(), "plan"]
        least = self.table.loc[self.table["I"].idxmin()]
        return (
            f"{best} predicts best on average; {least['plan']} reaches {100 * least['I']:.0f} % of its precision "
            f"(average variance), with {number(least['trials'])} trials."
        )

    def __repr__(self) -> str:
        return f"Comparison({', '.join(map(str, self.table['plan']))})"

    def __str__(self) -> str:
        return f"{self.verdict}\n{self.table.to_string(index=False)}"

    def _repr_html_(self) -> Markup:
        flat = self.table.set_index("plan").T.rename_axis("figure").reset_index()
        return panel(
            "Plans side by side",
            self.verdict,
            table(flat, rows=40),
            fold("Power", table(self.power, rows=80)) if len(self.power) else Markup(""),
            fold("Material", table(self.materials, rows=80)),
        )


def compare(plans: Mapping[str, Plan] | Sequence[Plan], limit: bool = True) -> Comparison:
    """Return several plans side by side, judged under the model of the first.

    Parameters
    ----------
    plans : mapping of name to Plan, or sequence of Plan
    limit : bool, default=True
        Also find out how good plans with the batches of each could be; large models take seconds.

    Raises
    ------
    PlanError
        If there are fewer than two, their briefs have other columns, or one cannot carry the model.
    """
    named = dict(plans) if isinstance(plans, Mapping) else {f"plan {k + 1}": p for k, p in enumerate(plans)}
    if len(named) < 2:
        raise PlanError(f"{len(named)} plan is given; pass at least two.")
    first = next(iter(named.values()))
    judged = {}
    criterion = first.criterion if first.criterion in CRITERIA else "I"
    for name, plan in named.items():
        if plan.brief.columns != first.brief.columns:
            raise PlanError(
                f"{name!r} has other ingredients or settings than {next(iter(named))!r}; give plans of one brief."
            )
        same = Plan(
            first.brief,
            plan.frame,
            first.space,
            criterion=criterion,
            ratios=first.ratios,
            prior=first.prior,
        )
        try:
            judged[name] = same.judge()
        except PlanError as error:
            raise PlanError(
                f"{name!r} cannot carry the model of {next(iter(named))!r}, so leave it out or compare a smaller model: {error}"
            ) from error
    materials = pd.concat([p.materials.assign(plan=name) for name, p in named.items()], ignore_index=True)
    materials = materials[["plan", "ingredient", "kg", "price", "money"]]
    return Comparison(_side_by_side(named, judged, limit), *_long(judged), materials, judged)


def _side_by_side(plans: Mapping[str, Plan], judged: Mapping[str, Judgement], limit: bool) -> pd.DataFrame:
    lines: list[dict[str, Any]] = []
    for name, found in judged.items():
        line: dict[str, Any] = {"plan": name}
        line.update(found.summary[["trials", "batches", "terms"]].to_dict())
        line.update({c: found.score(c) for c in ("D", "A", "I")})
        if limit:
            line["of_limit"] = found.efficiencies["efficiency"].iloc[0]
        line.update(found.summary[["average_error", "largest_error_seen", "repeats"]].to_dict())
        line["error_if_batch_lost"] = 1 + found.without_batch["larger"].max()  # times the average one
        line["largest_leverage"] = float(found.leverage.max())
        line["largest_vif"] = float(found.terms["vif"].max())
        line["largest_correlation"] = float(found.terms["correlation"].abs().max())
        left = found.degrees_of_freedom.set_index("level")["df"]
        line.update({f"df_{'slab' if level == 'trial' else level}": value for level, value in left.items()})
        line.update(plans[name].cost.drop(["batches", "slabs"]).to_dict())
        lines.append(line)
    out = pd.DataFrame(lines)
    for criterion in ("D", "A", "I"):
        out[criterion] = np.exp(out[criterion] - out[criterion].max())
    return out


def _long(judged: Mapping[str, Judgement]) -> tuple[pd.DataFrame, pd.DataFrame]:
    curves = [found.fraction.assign(plan=name) for name, found in judged.items()]
    powers = [found.power.assign(plan=name) for name, found in judged.items() if len(found.power)]
    fraction = pd.concat(curves, ignore_index=True)[["plan", "fraction", "std_error"]]
    if not powers:
        return fraction, pd.DataFrame()
    power = pd.concat(powers, ignore_index=True)
    return fraction, power[["plan", *[c for c in power if c != "plan"]]]


# ---- batches × slabs × readings ---------------------------------------------------------------------


def trade_off(
    brief: Brief,
    batches: Sequence[int],
    slabs: Sequence[int] = (1, 2, 4),
    readings: Sequence[int] = (1, 3),
    *,
    response: str | None = None,
    seed: int = 1,
    starts: int = 3,
    **wishes: Any,
) -> pd.DataFrame:
    """Return what plans of several sizes would tell of each response, and what they cost.

    A plan is searched for every number of batches and slabs, and judged for each response with the sds that it
    has in the brief; more readings of a slab only make the reading's own error smaller, so they are no replicates.

    Parameters
    ----------
    response : str, optional
        Only this one; all with `sd_batch` and one of `sd_slab`, `sd_reading` if left out.
    wishes
        Further arguments of `lay_out`.

    Returns
    -------
    DataFrame
        batches, slabs, readings, response, trials, average_error (in the response's unit), share of its variance that
        comes from batches, slabs and readings, lowest power over the factors for `matters`, smallest difference
        of the worst factor, df at the batch level, mill_h, press_h, money, note: why there can be no plan of this
        size, whose figures are then missing; else empty.

    Raises
    ------
    PlanError
        If no response has the sds that this needs, or no size can be planned.
    """
    parts = _with_sds(brief, response)
    if few := [r for r in readings if r < 1]:
        raise PlanError(f"readings has {few[0]}; give at least 1 of a slab.")
    lines: list[dict[str, Any]] = []
    planned = False
    sizes = [(b, s) for b in batches for s in slabs]
    for b, s in along(sizes, "comparing", words=[f"{b} batches of {s}" for b, s in sizes]):
        keys = [(r, part) for r in readings for part in parts]
        heads = [
            {"batches": b, "slabs": s, "readings": r, "response": p.name, "trials": b * s} for r, p in keys
        ]
        try:
            plan = lay_out(brief, runs=b * s, batches=b, seed=seed, starts=starts, **wishes)
            told = [_cell(plan, part, r, wishes.get("ratios")) for r, part in keys]
            planned = True
        except PlanError as error:
            why, told = str(error), [{"note": str(error)}] * len(keys)
        lines += [{**head, **figures} for head, figures in zip(heads, told)]
    if not planned:
        raise PlanError(
            f"None of these sizes can be planned; give larger ones, or mend this: {why}"
            if sizes
            else "No size is given; name batches and slabs."
        )
    out = pd.DataFrame(lines)
    return out[[*out.columns.drop("note"), "note"]]


def _with_sds(brief: Brief, response: str | None) -> list[Response]:
    if response not in (None, *brief.response_names):
        raise PlanError(f"response = {response!r}; choose one of {', '.join(brief.response_names)}.")
    parts = [
        part
        for part in brief.responses
        if response in (None, part.name) and part.sd_batch is not None and (part.sd_slab or part.sd_reading)
    ]
    if parts:
        return parts
    named = f"The response {response!r} lacks" if response else "No response has"
    raise PlanError(
        f"{named} sd_batch with sd_slab or sd_reading; add guesses of them to the brief for a trade-off."
    )


def _cell(plan: Plan, part: Response, readings: int, given: Mapping[str, float] | None) -> dict[str, Any]:
    """What a plan tells of one response with so many readings a slab."""
    data = plan.brief.model_dump(by_alias=True, exclude_unset=True)
    data["response"] = [{**r, "readings": readings} for r in data["response"] if r["name"] == part.name]
    own_batch, own_slab = (part.sd_batch or 0.0) ** 2, (part.sd_slab or 0.0) ** 2
    own_reading = (part.sd_reading or 0.0) ** 2 / readings
    slab = own_slab + own_reading
    other = {level: ratio for level, ratio in (given or {}).items() if level != "batch"}
    same = Plan(
        Brief.model_validate(data),
        plan.frame,
        plan.space,
        criterion=plan.criterion,
        ratios=other,
        prior=plan.prior,
    )
    found = same.judge()
    power = found.power
    left = found.degrees_of_freedom.set_index("level")["df"]
    total = own_batch + slab
    return {
        "average_error": float(found.summary["average_error"] * np.sqrt(slab)),
        "share_batch": own_batch / total,
        "share_slab": own_slab / total,
        "share_reading": own_reading / total,
        "lowest_power": float(power["power"].min()) if len(power) else np.nan,
        "smallest": float(power["smallest"].max()) if len(power) else np.nan,
        "df_batch": float(left.get("batch", left.get("trial", 0))),
        **plan.cost[["mill_h", "press_h", "money"]].to_dict(),
        "note": "",
    }
