"""Risks of a sampling plan: what is shipped that should not be, and scrapped that need not be.

JCGM 106:2012, sections 9.3 to 9.5: specific to one formula, from joint draws of the true values of a batch and of
what its test would read.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.suggest.conformance import met

__all__ = ["risks"]


def risks(brief: Brief, draws: Any, frame: pd.DataFrame, guard: float = 0.0, seed: int = 0) -> pd.DataFrame:
    """Return producer's and consumer's risk of testing new batches of each formula.

    Parameters
    ----------
    brief : Brief
    draws : Draws
    frame : DataFrame
        Formulas.
    guard : float
        Acceptance limits are drawn in by this many standard uncertainties of the test (0: none; negative: widened).
    seed : int

    Returns
    -------
    DataFrame
        passes: chance that a new batch is accepted; consumers_risk: chance that it is accepted although its true
        values miss a target; producers_risk: chance that it is rejected although they meet all; index of `frame`.
    """
    true = draws.new_batch(frame, seed=seed)
    read = draws.accepted(frame, seed=seed)
    good = met(brief, true)
    passes = np.ones_like(good)
    for k, part in enumerate(brief.responses):
        low, high = part.target
        width = guard * (read[..., k] - true[..., k]).std(axis=0)  # each formula has its own
        passes &= (read[..., k] >= low + width) & (read[..., k] <= high - width)
    return pd.DataFrame(
        {
            "passes": passes.mean(axis=0),
            "consumers_risk": (passes & ~good).mean(axis=0),
            "producers_risk": (~passes & good).mean(axis=0),
        },
        index=frame.index,
    )
