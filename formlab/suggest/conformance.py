"""Conformance: the probability that all targets are met together, counted from joint posterior draws.

Peterson (2004, J. Quality Technology 36:139): draws of everything unknown, kept joint, so that
correlated responses and shared batch errors count as they should.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import SuggestError
from formlab.html import headed, panel, table
from formlab.suggest.posterior import Drawn, chance_to_make
from formlab.surfaces.censored import ABOVE, BELOW
from formlab.surfaces.readings import sides

__all__ = [
    "KINDS",
    "Conformance",
    "as_judged",
    "between",
    "chance_of_all",
    "conformance",
    "meaning",
    "met",
    "passes",
]

ROWS = 400  # formulas at a time

KINDS = {
    "true_mean": "the formula's true mean meets all targets",
    "new_batch": "the true values of one new batch meet all targets",
    "accepted": "a new batch passes as measured",
}


@dataclass(frozen=True)
class Conformance:
    """Three probabilities, each "all targets together", with their Monte Carlo standard error.

    Attributes
    ----------
    true_mean, new_batch, accepted : float
        A formula that cannot be made meets nothing: the chance that it can be made is in all three.
    draws : int
        Number of joint draws behind each.
    made : float
        The chance that the formula can be made at all; 1 where no trial ever failed.
    of : str
        What the first figure is of: the true mean, or the true median of responses whose targets speak of it.
    of_parts : float
        About by how much another seed of the fit would move the first figure, as a standard error: a fit keeps some of the
        models it has seen. It is not in `error`.
    """

    true_mean: float
    new_batch: float
    accepted: float
    draws: int
    made: float = 1.0
    of: str = "true mean"
    of_parts: float = field(default=0.0, compare=False)  # an estimate of an error, no figure

    def error(self, kind: str) -> float:
        """Return the Monte Carlo standard error of one of the three."""
        p = getattr(self, kind)
        return float(np.sqrt(max(p * (1 - p), 1 / self.draws) / self.draws))

    def reaches(self, kind: str, asked: float) -> bool:
        """Return whether one of the three is what was asked, but for two of its Monte Carlo standard errors."""
        return bool(getattr(self, kind) >= asked - 2 * self.error(kind))

    def table(self) -> pd.DataFrame:
        """Return the three figures, what each means and its Monte Carlo standard error."""
        return pd.DataFrame(
            {
                "figure": list(KINDS),
                "meaning": [meaning(kind, self.of) for kind in KINDS],
                "probability": [getattr(self, kind) for kind in KINDS],
                "mc_error": [self.error(kind) for kind in KINDS],
            }
        )

    def _repr_html_(self) -> str:
        verdict = (
            f"All targets together: {self.of} {self.true_mean:.3f}, one new batch {self.new_batch:.3f}, "
            f"passed as measured {self.accepted:.3f}."
        )
        return panel("Conformance", verdict, table(headed(self.table()), digits=3))


def meaning(kind: str, of: str) -> str:
    """Return what one of the three figures means, in words; `of` as in `Conformance`."""
    return KINDS[kind].replace("true mean", of)


def as_judged(part: Response, batch: pd.DataFrame) -> float:
    """Return what a batch reads: the mean of its readings, or the median of its slabs where the target asks for that.

    NaN where it was not read, or where readings that only say below or above leave it open.
    """
    least, most = between(part, batch)
    return least if least == most else float("nan")


def passes(part: Response, batch: pd.DataFrame) -> bool | None:
    """Return whether a batch as read meets its target; None where nothing was read, or limits leave it open."""
    least, most = between(part, batch)
    if part.meets(least) and part.meets(most):
        return True
    low, high = part.target
    return False if most < low or least > high else None


def between(part: Response, batch: pd.DataFrame) -> tuple[float, float]:
    """The least and the most that a batch may have read: readings below or above a limit may lie at the response's bound."""
    values, side = batch[part.name].astype(float), sides(batch, part.name)
    ends = []
    for way, bound in zip((BELOW, ABOVE), part.bounds):
        own = values.mask(pd.Series(side == way, index=values.index), bound)
        if part.statistic == "median":
            own = (own.groupby(batch["trial"]).mean() if "trial" in batch else own).median()
        ends.append(float(own if part.statistic == "median" else own.mean()))
    return ends[0], ends[1]


def met(
    brief: Brief, values: np.ndarray, relaxed: dict[str, tuple[float, float]] | None = None
) -> np.ndarray:
    """Return whether all targets are met together.

    Parameters
    ----------
    brief : Brief
    values : ndarray of shape (..., n_responses)
        In the order of the brief's responses.
    relaxed : mapping of str to (low, high), optional
        Targets to use in place of the brief's.
    """
    ok = np.ones(values.shape[:-1], dtype=bool)
    for k, part in enumerate(brief.responses):
        low, high = (relaxed or {}).get(part.name, part.target)
        if np.isfinite(low):
            ok &= values[..., k] >= low
        if np.isfinite(high):
            ok &= values[..., k] <= high
    return ok


def conformance(
    brief: Brief, draws: Drawn, frame: pd.DataFrame, seed: int | None = None
) -> list[Conformance]:
    """Return the three conformance figures of each formula.

    Parameters
    ----------
    brief : Brief
    draws : Draws
        Joint posterior draws, from ``surfaces.draw``.
    frame : DataFrame
        Formulas.
    seed : int, optional
        For the errors of the new batch and of its test; the draws' own where left out.
    """
    values = draws.typical(frame), draws.new_batch(frame, seed=seed), draws.accepted(frame, seed=seed)
    ok: list[np.ndarray] = [met(brief, value) for value in values]
    chance, made = chance_to_make(draws, frame), np.ones(len(frame))
    if chance is not None:
        ok, made = [part * chance for part in ok], chance.mean(axis=0)
    mean, batch, passed = (part.mean(axis=0) for part in ok)
    return [
        Conformance(float(a), float(b), float(c), len(draws), float(d), brief.true_words, float(e))
        for a, b, c, d, e in zip(mean, batch, passed, made, _of_parts(draws, ok[0]))
    ]


def chance_of_all(
    brief: Brief,
    draws: Drawn,
    frame: pd.DataFrame,
    of: str,
    seed: int | None = None,
    shifts: np.ndarray | None = None,
) -> np.ndarray:
    """Return one of the three conformance figures of many formulas, shape (n_formulas,).

    Parameters
    ----------
    brief : Brief
    draws : Draws
    frame : DataFrame
        Formulas.
    of : {"true_mean", "new_batch", "accepted"}
    seed : int, optional
        As in `conformance`.
    shifts : ndarray of shape (n_formulas, n_responses), optional
        What is added to each formula's values.

    Raises
    ------
    SuggestError
        If `of` is none of the three.
    """
    if of not in KINDS:
        raise SuggestError(f"of = {of!r}; use one of {list(KINDS)}.")
    out = []
    for start in range(0, len(frame), ROWS):
        some = slice(start, start + ROWS)
        part = frame.iloc[some]
        values = draws.typical(part) if of == "true_mean" else getattr(draws, of)(part, seed=seed)
        ok = met(brief, values if shifts is None else values + shifts[some])
        chance = chance_to_make(draws, part)  # what cannot be made meets nothing
        out.append((ok if chance is None else ok * chance).mean(axis=0))
    return np.concatenate(out)


def _of_parts(draws: Drawn, ok: np.ndarray) -> np.ndarray:
    """Standard error of shares of draws (rows of `ok`) for having kept some parts of each posterior only, shape (n,).

    Draws from one part are a cluster, and each response has clusters of its own, as in the variance of Cameron, Gelbach &
    Miller (2011, J. Business & Economic Statistics 29:238; from memory), without what two responses' clusters share.
    """
    total, mean = np.zeros(ok.shape[1]), ok.mean(axis=0)
    for clusters in getattr(draws, "by_part", []):
        if len(clusters) > 1:
            total += sum(
                (len(rows) / len(ok)) ** 2 * (ok[rows].mean(axis=0) - mean) ** 2 for rows in clusters
            )
    return np.sqrt(total)
