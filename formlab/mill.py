"""Two-roll mill arithmetic: how much fits, how closely to weigh, in what order, and what regrind adds up to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

import numpy as np
import pandas as pd

from formlab.errors import FormlabError, Problem
from formlab.recipe import ByName, mass_fractions, to_phr, volumes

__all__ = [
    "LAB_ROOM_LITRES",
    "ORDER_RULES",
    "LabBatch",
    "OrderRule",
    "band_batch_litres",
    "explode_regrind",
    "lab_batch",
    "large_mill_litres",
    "mean_passes",
    "order_warnings",
    "share_passed",
    "weighing_tolerances",
]

Formulas = TypeVar("Formulas", pd.Series, pd.DataFrame)

LAB_ROOM_LITRES = 0.55  # four times the SBR control recipe (156.75 phr, 137.5 cm3 per 100 g of rubber)
_CONTROL_BATCH_G = 4 * 156.75  # what the weighing tolerances of ISO 2393 were written for
_LARGE_MM = 400.0  # roll diameter; the large-mill rule was drawn from production mills


# ---- batch size -------------------------------------------------------------------------------------------


def band_batch_litres(diameter_mm: float, length_mm: float, band_mm: float, *, bank: float = 2.5) -> float:
    """Return the batch volume in l that makes a band of `band_mm` on one roll and a rolling bank.

    bank x pi x diameter x length x thickness. The band alone is bank = 1; 2 to 3 is common practice, no
    source, on laboratory and production mills alike. `length_mm` is that between the guides.

    Examples
    --------
    >>> round(band_batch_litres(560, 1520, 7), 1)
    46.8
    """
    _above_zero(diameter_mm=diameter_mm, length_mm=length_mm, band_mm=band_mm, bank=bank)
    return bank * np.pi * diameter_mm * length_mm * band_mm * 1e-6


def large_mill_litres(diameter_mm: float, length_mm: float) -> tuple[float, float]:
    """Return the usual range of batch volume in l on a production mill: 0.0065 to 0.0085 D L, in cm.

    A rule of machinery textbooks (from memory). On a laboratory mill it asks for five times too much, so
    rolls under 400 mm are refused; that border is ours.

    Examples
    --------
    >>> low, high = large_mill_litres(500, 1500)
    >>> round(low, 1), round(high, 1)
    (48.8, 63.8)
    """
    _above_zero(diameter_mm=diameter_mm, length_mm=length_mm)
    if diameter_mm < _LARGE_MM:
        raise FormlabError(
            f"Rolls of {diameter_mm:g} mm are too small for the large-mill rule ({_LARGE_MM:g} mm and up). "
            "Use band_batch_litres with the thickness of the band."
        )
    area_cm2 = diameter_mm * length_mm / 100.0
    return 0.0065 * area_cm2, 0.0085 * area_cm2


class LabBatch(NamedTuple):
    """A laboratory batch; `times` is its mass in g over the recipe's phr, `words` says which rule set it."""

    times: float
    mass_g: float
    litres: float
    words: str


def lab_batch(
    amounts: pd.Series, densities: ByName, *, rubbers: Iterable[str], room_litres: float = LAB_ROOM_LITRES
) -> LabBatch:
    """Return the batch for a laboratory mill: four times the recipe in g where that fits, else what fits.

    Four times is the rule of ISO 2393; it was written for recipes of about 157 phr, and an eraser stock of
    three times the volume would choke the mill.

    Parameters
    ----------
    amounts : Series
        One formula by mass.
    rubbers : iterable of str
        The lines that make up the 100.
    room_litres : float
        What the mill takes: from trials, `band_batch_litres`, or the volume the standard's own recipe makes.
    """
    _above_zero(room_litres=room_litres)
    phr = to_phr(amounts, rubbers)
    four = 4.0 * volumes(phr, densities).sum() / 1000.0
    times = 4.0 * min(1.0, room_litres / four)
    words = f"Four times the recipe makes {four:.3g} l and fits the {room_litres:.3g} l of the mill."
    if four > room_litres:
        words = (
            f"Four times the recipe would make {four:.3g} l, the mill takes {room_litres:.3g} l: "
            f"{times:.3g} times the recipe."
        )
    return LabBatch(times, times * float(phr.sum()), times / 4.0 * four, words)


# ---- weighing ---------------------------------------------------------------------------------------------

# Tolerance on a control batch: grams, and percent of the line; the tighter counts (ISO 2393, 5.2.1).
_TOLERANCE: dict[str, tuple[float, float]] = {
    "rubber": (1.0, np.inf),
    "oil": (1.0, 1.0),
    "activator": (0.1, np.inf),
    "curing agent": (0.02, np.inf),
    "accelerator": (0.02, np.inf),
}
_ALL_OTHERS = (np.inf, 1.0)


def weighing_tolerances(planned_g: pd.Series, roles: Mapping[str, str]) -> pd.DataFrame:
    """Return how closely each line of a batch is to be weighed.

    The grams of ISO 2393 hold for its batch of 627 g and are scaled with the mass of this one; its
    percentages (oil, fillers, all others) scale by themselves.

    Returns
    -------
    DataFrame
        Columns ``ingredient, role, planned_g, tolerance_g``, lines in the order given.

    Examples
    --------
    >>> import pandas as pd
    >>> planned = pd.Series({"SBR": 6000.0, "chalk": 6000.0, "sulfur": 540.0})
    >>> roles = {"SBR": "rubber", "chalk": "filler", "sulfur": "curing agent"}
    >>> weighing_tolerances(planned, roles)
      ingredient          role  planned_g  tolerance_g
    0        SBR        rubber     6000.0         20.0
    1      chalk        filler     6000.0         60.0
    2     sulfur  curing agent      540.0          0.4
    """
    missing = [name for name in planned_g.index if name not in roles]
    if missing:
        raise FormlabError(f"No role is given for {missing}. Name one for each ingredient.")
    scale = float(planned_g.sum()) / _CONTROL_BATCH_G
    limits = [_TOLERANCE.get(roles[name], _ALL_OTHERS) for name in planned_g.index]
    by_line = [
        min(grams * scale, percent / 100.0 * line) for (grams, percent), line in zip(limits, planned_g)
    ]
    frame = pd.DataFrame(
        {"role": [roles[name] for name in planned_g.index], "planned_g": planned_g.astype(float)}
    )
    return frame.assign(tolerance_g=by_line).rename_axis("ingredient").reset_index()


# ---- order of addition ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class OrderRule:
    """Two kinds of ingredient that belong within `steps` of each other, or farther apart than that.

    A kind is a set of roles, and of words of which one stands in the name or label where words are given.
    """

    roles: frozenset[str]
    words: tuple[str, ...]
    other_roles: frozenset[str]
    other_words: tuple[str, ...]
    together: bool
    steps: int
    text: str


_GUANIDINES = ("dpg", "dotg", "guanidine", "hexamine", "hmt", "aldehyde-amine", "aldehyde amine")

# Common practice, no source; Blow & Hepburn, Rubber Technology and Manufacture, says as much (from memory).
ORDER_RULES = (
    OrderRule(
        frozenset({"oil"}), (), frozenset({"filler", "abrasive"}), (), True, 1,
        "{a} goes in without a filler beside it. Oil alone slips the band: add it in turn with filler.",
    ),
    OrderRule(
        frozenset({"curing agent"}), (), frozenset({"accelerator"}), (), False, 0,
        "{a} and {b} go in together. Keep them apart while the stock is hot: one early, or the last one cool.",
    ),
    OrderRule(
        frozenset({"factice"}), ("white",), frozenset({"accelerator", "curing agent"}), _GUANIDINES, False, 1,
        "{a} is acidic and goes in next to {b}, which is basic. Keep them apart or buffer with magnesia or chalk.",
    ),
)  # fmt: skip


def order_warnings(lines: pd.DataFrame, rules: Iterable[OrderRule] = ORDER_RULES) -> list[str]:
    """Return what an experienced mill hand would say to this order of addition, in words; empty if nothing.

    Parameters
    ----------
    lines : DataFrame
        Columns ``name, role, label, order``; lines of one order go in together. An empty label is no harm.
    rules : iterable of OrderRule
        The site's own rules may stand in for ours.

    Examples
    --------
    >>> import pandas as pd
    >>> lines = pd.DataFrame(
    ...     [("oil", "oil", "", 2), ("clay", "filler", "", 4), ("SBR", "rubber", "", 1), ("wax", "other", "", 3)],
    ...     columns=["name", "role", "label", "order"],
    ... )
    >>> order_warnings(lines)
    ["'oil' goes in without a filler beside it. Oil alone slips the band: add it in turn with filler."]
    """
    missing = [name for name in ("name", "role", "label", "order") if name not in lines]
    if missing:
        raise FormlabError(f"The order of addition lacks {missing}; add them. It has {list(lines.columns)}.")
    steps = lines["order"].rank(method="dense").to_numpy()
    said = [text for rule in rules for text in _apply(rule, lines, steps)]
    return said + _curatives_in_hot_stock(lines)


def _apply(rule: OrderRule, lines: pd.DataFrame, steps: np.ndarray) -> list[str]:
    ours = np.flatnonzero(_is_kind(lines, rule.roles, rule.words))
    others = np.flatnonzero(_is_kind(lines, rule.other_roles, rule.other_words))
    names = [f"'{name}'" for name in lines["name"]]
    near = {i: [j for j in others if abs(steps[i] - steps[j]) <= rule.steps] for i in ours}
    if rule.together:
        return [rule.text.format(a=names[i]) for i in ours if len(others) and not near[i]]
    return [rule.text.format(a=names[i], b=names[j]) for i in ours for j in near[i]]


def _is_kind(lines: pd.DataFrame, roles: frozenset[str], words: tuple[str, ...]) -> pd.Series:
    text = (lines["name"].astype(str) + " " + lines["label"].fillna("").astype(str)).str.lower()
    named = text.map(lambda t: not words or any(word in t for word in words)).astype(bool)
    return lines["role"].isin(roles) & named


def _curatives_in_hot_stock(lines: pd.DataFrame) -> list[str]:
    """Return a warning where sulfur and accelerator are both in before the last other ingredient."""
    first = {
        role: lines.loc[lines["role"] == role, "order"].min() for role in ("curing agent", "accelerator")
    }
    both_in = max(first.values()) if not any(pd.isna(step) for step in first.values()) else np.inf
    later = lines.loc[(lines["order"] > both_in) & ~lines["role"].isin(list(first)), "name"]
    if later.empty:
        return []
    return [
        f"Curing agent and accelerator are both in before {', '.join(map(repr, later))}. Working these in "
        "heats a stock that can scorch: hold the sulfur or the accelerator back to the end."
    ]


# ---- regrind ----------------------------------------------------------------------------------------------


def mean_passes(regrind_fraction: float) -> float:
    """Return how often material has passed the mill on average, when that mass fraction of every batch is regrind.

    1 / (1 - r) in the steady state, fresh material counting one pass.

    Examples
    --------
    >>> mean_passes(0.20)
    1.25
    """
    return 1.0 / (1.0 - _fraction(regrind_fraction))


def share_passed(regrind_fraction: float, at_least: int) -> float:
    """Return the share of the batch that has passed the mill `at_least` times: r to the power of one less.

    Reground twice or more is three passes or more.

    Examples
    --------
    >>> round(share_passed(0.20, 3), 6)
    0.04
    """
    if at_least < 1:
        raise FormlabError(f"at_least = {at_least}. Count passes from 1, which everything has made.")
    return _fraction(regrind_fraction) ** (at_least - 1)


def explode_regrind(amounts: Formulas, parents: Mapping[str, pd.Series]) -> Formulas:
    """Return formulas with each regrind line replaced by the ingredients of its parent.

    Use this, or keep regrind as an ingredient of its own, and never both: its rubber would count twice. The
    curatives it brings are spent, so the exploded formula tells composition and cost, not cure.

    Parameters
    ----------
    amounts : Series or DataFrame
        Formulas by mass.
    parents : mapping of regrind line to Series
        The formula each regrind came from, in any unit. A parent may itself hold regrind: its own line, whose
        composition in the steady state is that of the rest, or another line of `parents`.

    Examples
    --------
    >>> import pandas as pd
    >>> today = pd.Series({"SBR": 100.0, "chalk": 150.0, "regrind": 50.0})
    >>> explode_regrind(today, {"regrind": pd.Series({"SBR": 100.0, "chalk": 100.0})})
    SBR      125.0
    chalk    175.0
    dtype: float64
    """
    names = amounts.index if amounts.ndim == 1 else amounts.columns
    exploded = amounts.copy()
    for line, parent in parents.items():
        if line not in names:
            continue
        rest = {name: other for name, other in parents.items() if name != line}
        shares = mass_fractions(_without_itself(line, parent, rest))
        brought = exploded[line]
        exploded = exploded.drop(line, axis=amounts.ndim - 1)
        for name, share in shares.items():
            exploded[name] = exploded.get(name, 0.0) + share * brought
    return exploded


def _without_itself(line: str, parent: pd.Series, rest: Mapping[str, pd.Series]) -> pd.Series:
    pure = explode_regrind(parent.drop(line, errors="ignore"), rest)
    if line in pure.index:
        raise FormlabError(
            f"'{line}' comes back through its own parent's regrind. Give one of the parents exploded."
        )
    return pure


# ---- checks -----------------------------------------------------------------------------------------------


def _fraction(value: float) -> float:
    if not 0 <= value < 1:
        raise FormlabError(
            f"regrind_fraction = {value:g}. Give a mass fraction of the batch, 0 or more and below 1."
        )
    return float(value)


def _above_zero(**given: float) -> None:
    bad = [
        Problem(column=name, value=value, expected="a number above 0")
        for name, value in given.items()
        if not (np.isfinite(value) and value > 0)
    ]
    if bad:
        raise FormlabError(bad)
