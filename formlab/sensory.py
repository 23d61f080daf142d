"""Panels: a blinded layout balanced for order and carry-over, and ratings freed of who gave them."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import pandas as pd

from formlab.errors import FormlabError, FormlabWarning

__all__ = ["assessor_effects", "panel_layout", "panel_means"]


def panel_layout(samples: Sequence[str], assessors: int, *, seed: int | np.random.Generator) -> pd.DataFrame:
    """Return a blinded order of rating for each assessor, balanced for place and for what went before.

    Williams squares: in each block of as many assessors as samples (twice as many for an odd number), every
    sample stands in every place equally often and follows every other equally often (Williams 1949,
    Australian J. Sci. Res. A 2:149; from memory).

    Parameters
    ----------
    samples : sequence of str
        Two to 26 samples; put the reference eraser among them.
    assessors : int
        How many people; not a multiple of the block, and balance is lost in the last block, with a warning.

    Returns
    -------
    DataFrame
        Columns ``assessor, place, code, sample``. Show the panel ``code`` only: three random digits a sample.
    """
    names = list(dict.fromkeys(samples))
    if len(names) != len(samples) or not 2 <= len(names) <= 26 or assessors < 1:
        raise FormlabError(
            f"{len(samples)} samples ({len(names)} different) and {assessors} assessors. "
            "Give 2 to 26 different samples and at least one assessor."
        )
    rng = np.random.default_rng(seed)
    square = _williams(len(names))
    if assessors % len(square):
        warnings.warn(
            f"With {len(names)} samples, places and neighbours are balanced in full among "
            f"{len(square) * (assessors // len(square) + 1)} assessors; among {assessors} they are so only nearly. Ask as "
            "many, or take it as it is.",
            FormlabWarning,
            stacklevel=2,
        )
    codes = dict(zip(names, rng.choice(np.arange(100, 1000), len(names), replace=False)))
    rows: list[tuple[int, int, int, str]] = []
    for first in range(0, assessors, len(square)):
        block = rng.permutation(names)[rng.permutation(square)]
        rows += [
            (first + i + 1, place + 1, int(codes[name]), str(name))
            for i, line in enumerate(block[: assessors - first])
            for place, name in enumerate(line)
        ]
    return pd.DataFrame(rows, columns=["assessor", "place", "code", "sample"])


def _williams(n: int) -> np.ndarray:
    """Return the square for n samples, shape (n, n) for even n, and with its mirror image (2n, n) for odd."""
    first = [0]
    for k in range(1, n):
        first.append((k + 1) // 2 if k % 2 else n - k // 2)
    square = (np.array(first) + np.arange(n)[:, None]) % n
    return square if n % 2 == 0 else np.vstack([square, square[:, ::-1]])


def panel_means(ratings: pd.DataFrame) -> pd.DataFrame:
    """Return each sample's mean rating, freed of who rated it (and of its place, where that is given).

    Parameters
    ----------
    ratings : DataFrame
        Columns ``assessor, sample, rating``, and ``place`` if wanted; one row a rating, gaps allowed.

    Returns
    -------
    DataFrame
        Index sample; columns ``n, mean, std_error``. The additive model treats steps of a rating scale as
        equal; where that will not do, fit an ordinal model.
    """
    effects, centre = _additive(ratings, "sample")
    effects.insert(1, "mean", effects.pop("effect") + centre)
    return effects.drop(columns="spread")


def assessor_effects(ratings: pd.DataFrame) -> pd.DataFrame:
    """Return how high each assessor rates, how scattered, and how well each agrees with the others.

    Returns
    -------
    DataFrame
        Index assessor; columns ``n``, ``effect`` (against the mean assessor), ``std_error``, ``spread`` (root
        mean square of what the additive model leaves) and ``agreement`` (correlation with the mean of the
        others over the samples; nan where it cannot be told).
    """
    effects, _ = _additive(ratings, "assessor")
    table = ratings.pivot_table(index="sample", columns="assessor", values="rating", aggfunc="mean")
    agreement = [_agreement(table[who], table.drop(columns=who).mean(axis=1)) for who in effects.index]
    return effects.assign(agreement=agreement)


def _agreement(own: pd.Series, others: pd.Series) -> float:
    both = pd.concat([own, others], axis=1).dropna()
    if len(both) < 3 or (both.nunique() < 2).any():
        return float("nan")
    return float(np.corrcoef(both.T.to_numpy())[0, 1])


def _additive(ratings: pd.DataFrame, wanted: str) -> tuple[pd.DataFrame, float]:
    """Return effects of `wanted` that sum to zero, from least squares on all factors, and the centre."""
    factors = ["assessor", "sample", *(["place"] if "place" in ratings else [])]
    missing = [name for name in [*factors, "rating"] if name not in ratings]
    if missing:
        raise FormlabError(f"Ratings lack {missing}; add them. They have {list(ratings.columns)}.")
    codings = {name: _sum_coding(ratings[name]) for name in factors}
    beta, cov, left = _least_squares(ratings, codings)
    levels, coding = codings[wanted]
    widths = [codings[name][1].shape[1] for name in factors[: factors.index(wanted)]]
    here = np.arange(coding.shape[1]) + 1 + sum(widths)
    # A sample's mean has the doubt of the centre in it too; an assessor's effect is a difference from it.
    lift = np.hstack([np.full((len(levels), 1), float(wanted == "sample")), coding])
    keep = np.r_[0, here]
    of = levels.get_indexer(pd.Index(ratings[wanted]))
    squares = np.bincount(of, left**2)
    frame = pd.DataFrame(
        {
            "n": np.bincount(of),
            "effect": coding @ beta[here],
            "std_error": np.sqrt(np.diag(lift @ cov[np.ix_(keep, keep)] @ lift.T)),
            "spread": np.sqrt(squares / np.bincount(of)),
        },
        index=levels,
    )
    return frame, float(beta[0])


def _least_squares(
    ratings: pd.DataFrame, codings: dict[str, tuple[pd.Index, np.ndarray]]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return coefficients (centre first), their covariance, and what is left of each rating."""
    y = ratings["rating"].to_numpy(dtype=float)
    columns = [
        coding[levels.get_indexer(pd.Index(ratings[name]))] for name, (levels, coding) in codings.items()
    ]
    x = np.hstack([np.ones((len(y), 1)), *columns])
    df = len(y) - x.shape[1]
    if not np.isfinite(y).all() or df < 1 or np.linalg.matrix_rank(x) < x.shape[1]:
        raise FormlabError(
            f"{len(y)} ratings cannot tell {', '.join(codings)} apart. Leave out empty ratings, and let the "
            "assessors share samples."
        )
    beta = np.linalg.lstsq(x, y, rcond=None)[0]
    left = y - x @ beta
    return beta, left @ left / df * np.linalg.inv(x.T @ x), left


def _sum_coding(factor: pd.Series) -> tuple[pd.Index, np.ndarray]:
    """Return the levels of a factor and, for each, its row of coefficients that sum to zero."""
    levels = pd.Index(factor.unique(), name=factor.name).sort_values()
    return levels, np.vstack([np.eye(len(levels) - 1), -np.ones((1, len(levels) - 1))])
