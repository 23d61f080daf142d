"""What a plan can tell: error of terms and predictions, leverage, degrees of freedom, before any result."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import numpy as np
import pandas as pd

from formlab.errors import PlanError
from formlab.html import Markup, fold, number, panel, table
from formlab.plans.basis import SAMPLE_SEED, Basis
from formlab.plans.structure import Structure

__all__ = ["Judgement"]

FRACTION_POINTS = 2000


class Judgement:
    """A plan under a model and variance ratios; every standard error is in units of the sd of a slab.

    Attributes
    ----------
    terms : DataFrame
        term, std_error, vif, moves_with, correlation: the term it is most confounded with.
    leverage : Series
        By trial; sums to the number of terms.
    degrees_of_freedom : DataFrame
        level, units, df: what is left at each level of error after the model.
    fraction : DataFrame
        fraction, std_error: the share of the region that is predicted at least so well.
    summary : Series
        trials, batches, terms, log det, A, I, average and largest prediction error, condition number.
    """

    def __init__(
        self, basis: Basis, points: np.ndarray, structure: Structure, trials: list[str], source: str = ""
    ) -> None:
        self.basis, self.points, self.structure, self.trials = basis, points, structure, trials
        self.source = source
        self.x = basis.matrix(points)
        self.w = structure.weight()
        self.information = self.x.T @ self.w @ self.x
        rank = int(np.linalg.matrix_rank(self.x, tol=1e-8 * max(1.0, np.abs(self.x).max())))
        if rank < self.x.shape[1]:
            raise PlanError(_singular_words(basis, self.x, rank))
        self.inverse = np.linalg.inv(self.information)

    # ---- numbers --------------------------------------------------------------------------------

    @cached_property
    def covariance(self) -> pd.DataFrame:
        """Covariance of the coefficients of the model's own columns, in units of the slab variance."""
        t = self.basis.transform
        names = self.basis.space.names
        return pd.DataFrame(t @ self.inverse @ t.T, index=names, columns=names)

    @cached_property
    def terms(self) -> pd.DataFrame:
        covariance = self.covariance.to_numpy()
        raw = self.basis.raw(self.points)
        spread = np.einsum("np,nm,mp->p", raw, self.w, raw)
        if "1" in self.basis.space.names:  # about the mean; shares carry the constant between them
            ones = self.w.sum(axis=1)
            spread = spread - (ones @ raw) ** 2 / ones.sum()
        error = np.sqrt(np.diag(covariance))
        vif = np.where(spread > 1e-9 * np.abs(raw).max(), spread * np.diag(covariance), np.nan)
        correlation = covariance / np.outer(error, error) - np.eye(len(error))
        worst = np.abs(correlation).argmax(axis=1)
        names = self.basis.space.names
        return pd.DataFrame(
            {
                "term": names,
                "std_error": error,
                "vif": vif,
                "moves_with": [names[k] for k in worst],
                "correlation": correlation[np.arange(len(worst)), worst],
            }
        )

    @cached_property
    def leverage(self) -> pd.Series:
        values = np.einsum("np,pq,qn->n", self.x, self.inverse, self.x.T @ self.w)
        return pd.Series(values, index=pd.Index(self.trials, name="trial"), name="leverage")

    @cached_property
    def degrees_of_freedom(self) -> pd.DataFrame:
        columns, before, lines = self.x, np.linalg.matrix_rank(self.x), []
        for level in ("block", "day", "base", "batch", "load"):
            labels = self.structure.groups.get(level)
            if labels is None or len(np.unique(labels)) == self.structure.n:
                continue
            columns = np.column_stack([columns, labels[:, None] == np.unique(labels)])
            after = np.linalg.matrix_rank(columns)
            lines.append([level, len(np.unique(labels)), int(after - before)])
            before = after
        alone = "slab" if lines else "trial"
        lines.append([alone, self.structure.n, int(self.structure.n - before)])
        return pd.DataFrame(lines, columns=["level", "units", "df"])

    @cached_property
    def repeats(self) -> int:
        """Degrees of freedom for pure error: trials that repeat another one's formula and settings."""
        return len(self.points) - len(np.unique(np.round(self.points, 9), axis=0))

    def prediction_error(self, points: np.ndarray) -> np.ndarray:
        """Return the standard error of the predicted mean at points, in units of the slab sd."""
        x = self.basis.matrix(points)
        return np.asarray(np.sqrt(np.einsum("np,pq,nq->n", x, self.inverse, x)))

    @cached_property
    def fraction(self) -> pd.DataFrame:
        sample = self.basis.points(self.basis.region.sample(FRACTION_POINTS, SAMPLE_SEED))
        error = np.sort(self.prediction_error(sample))
        share = (np.arange(len(error)) + 0.5) / len(error)
        return pd.DataFrame({"fraction": share, "std_error": error})

    @cached_property
    def summary(self) -> pd.Series:
        p = self.x.shape[1]
        values = {
            "trials": float(self.structure.n),
            "batches": float(len(self.structure.rows("batch"))),
            "terms": float(p),
            "log_det": float(np.linalg.slogdet(self.information)[1] / p),
            "A": float(np.sum(self.basis.a_weight * self.inverse)),
            "I": float(np.trace(self.inverse)),
            "average_error": float(np.sqrt(np.trace(self.inverse))),
            "largest_error_seen": float(self.fraction["std_error"].iloc[-1]),
            "condition": float(np.sqrt(np.linalg.cond(self.information))),
            "repeats": float(self.repeats),
        }
        return pd.Series(values, name="value")

    def at_ratios(self, ratios: Mapping[str, float]) -> Judgement:
        """Return the same plan judged under other variance ratios."""
        structure = Structure(self.structure.n, self.structure.groups, {**self.structure.ratios, **ratios})
        return Judgement(self.basis, self.points, structure, self.trials, "variance ratios given")

    # ---- words ----------------------------------------------------------------------------------

    @property
    def verdict(self) -> str:
        """One sentence: what this plan can tell."""
        s = self.summary
        left = int(self.degrees_of_freedom["df"].sum())
        return (
            f"{int(s.trials)} trials in {int(s.batches)} batches carry {int(s.terms)} terms with {left} degrees of "
            f"freedom left; a predicted mean has a standard error of {number(s.average_error, 3)} slab sds on average."
        )

    def __repr__(self) -> str:
        s = self.summary
        return f"Judgement({int(s.trials)} trials, {int(s.terms)} terms, average error {number(s.average_error, 3)})"

    def __str__(self) -> str:
        parts = [
            self.verdict,
            self.terms.to_string(index=False),
            self.degrees_of_freedom.to_string(index=False),
        ]
        return "\n\n".join(parts)

    def _repr_html_(self) -> Markup:
        lines = self.summary.reset_index().set_axis(["figure", "value"], axis=1)
        return panel(
            "What this plan can tell",
            self.verdict,
            table(self.degrees_of_freedom),
            fold(f"{len(self.terms)} terms", table(self.terms, rows=60)),
            fold("Leverage", table(self.leverage.reset_index(), rows=60)),
            fold("All figures", table(lines, rows=30)),
        )


def _singular_words(basis: Basis, x: np.ndarray, rank: int) -> str:
    """Which terms these trials cannot tell apart, in words."""
    p = x.shape[1]
    _, _, right = np.linalg.svd(x, full_matrices=True)
    loads = np.abs(basis.transform @ right[rank:].T).max(axis=1)
    loads /= loads.max()
    named = [n for n, load in zip(basis.space.names, loads) if load > 1e-3]
    shown = ", ".join(map(repr, named[:8])) + (f" and {len(named) - 8} more" if len(named) > 8 else "")
    return (
        f"{len(x)} trials carry only {rank} of {p} terms: {shown} cannot be told apart. "
        f"Add at least {p - rank} trial(s) that vary them separately, or judge a smaller model."
    )
