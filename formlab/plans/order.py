"""Run order: random within the structure, and the labels that go with it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.plans.structure import COLUMNS, LABELS, Structure

__all__ = ["label", "lay_in_order", "random_order"]


def random_order(structure: Structure, rng: Any) -> np.ndarray:
    """Return rows in a random run order: blocks, days and base mixings stay together, then batches.

    Within a unit of a coarser level the finer units come in random order; slabs within a batch too.
    Loads do not decide: a load is pressed when its last batch has been mixed.
    """
    keys = [rng.random(structure.n)]
    for level in ("batch", "base", "day", "block"):
        if level in structure.groups:
            labels = structure.groups[level]
            draw = rng.random(labels.max() + 1)
            keys.append(draw[labels])
    return np.lexsort(keys)


def lay_in_order(
    frame: pd.DataFrame, structure: Structure, order: np.ndarray, brief: Brief, round_: int = 1
) -> pd.DataFrame:
    """Return the plan's frame: rows in run order with trial, batch, load and block columns."""
    out = frame.iloc[order].reset_index(drop=True)
    groups = {level: structure.groups[level][order] for level in structure.groups}
    lead: dict[str, Any] = {"trial": label("T", np.arange(len(out)))}
    for level in ("batch", "load", "day", "base", "block"):
        if level in groups:
            lead[COLUMNS[level]] = label(LABELS[level], _by_end(groups[level], last=level == "load"))
    lead["run_order"] = np.arange(1, len(out) + 1)
    lead["round"] = round_
    lead["brief_id"] = brief.brief_id
    head = pd.DataFrame(lead)
    return pd.concat([head, out], axis=1)


def _by_end(labels: np.ndarray, last: bool) -> np.ndarray:
    """Number units by when they first occur, or by when their last member is there."""
    position = np.arange(len(labels))
    when = pd.Series(position).groupby(labels).agg("max" if last else "min")
    rank = when.rank(method="first").astype(int) - 1
    return rank.loc[labels].to_numpy()


def label(letter: str, numbers: np.ndarray) -> list[str]:
    """Return labels such as T01, wide enough for the largest number."""
    width = max(2, len(str(int(numbers.max()) + 1))) if len(numbers) else 2
    return [f"{letter}{int(k) + 1:0{width}d}" for k in numbers]
