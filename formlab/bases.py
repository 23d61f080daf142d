"""Base mixings that are split: which materials go into a base, and which are added to its parts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from formlab.brief import Brief

__all__ = ["PART", "base_materials", "with_finals"]

PART = "base"  # the line of a batch that is a part of a base mixing


def with_finals(frame: pd.DataFrame, finals: Sequence[str]) -> pd.DataFrame:
    """Return a plan that says of each trial with a base mixing what is added to the parts, after the column ``base``.

    Names are parted by blanks. The amounts alone do not tell it of an ingredient that is fixed.
    """
    if not finals or PART not in frame:
        return frame
    out = frame.drop(columns="finals", errors="ignore")
    said = pd.Series(" ".join(finals), index=out.index).where(out[PART].notna())
    out.insert(out.columns.get_loc(PART) + 1, "finals", said)
    return out


def base_materials(brief: Brief, plan: pd.DataFrame) -> dict[str, tuple[str, ...]]:
    """Return for each base mixing of a plan that is split the materials that go into it, in the brief's order.

    Those that the plan's column ``finals`` does not name; where it has none, those alike in all parts of every base.
    A base of one batch is not split: its batch is mixed whole.

    Parameters
    ----------
    brief : Brief
    plan : DataFrame
        Columns of the brief, ``batch`` and ``base``; without them, or without ingredients, nothing is split.

    Returns
    -------
    dict of str to tuple of str
        By base, in the order of the plan.
    """
    if not {"batch", PART} <= set(plan) or not brief.ingredients:
        return {}
    rows = plan[plan[PART].notna()].drop_duplicates("batch")
    rows = rows[rows.groupby(PART)["batch"].transform("size") > 1]
    if rows.empty:
        return {}
    amounts = brief.materials(rows)
    differing = {base: _differing(amounts[rows[PART] == base]) for base in rows[PART].unique()}
    everywhere = set().union(*differing.values())
    out = {}
    for base, own in differing.items():
        named = set(_named(rows[rows[PART] == base]))
        finals = named | own if named else everywhere
        if held := tuple(n for n in amounts.columns if n not in finals):
            out[str(base)] = held
    return out


def _differing(amounts: pd.DataFrame) -> set[str]:
    spread = amounts.max() - amounts.min()
    return set(spread.index[spread > 1e-6 * np.maximum(amounts.max(), 1e-3)])


def _named(rows: pd.DataFrame) -> Iterator[str]:
    if "finals" in rows:
        for said in rows["finals"].dropna():
            yield from str(said).split()
