"""One fitted response: predicts with uncertainty, and says how far it can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.html import Markup, escape, fold, panel, table
from formlab.surfaces.least_squares import Solution, anova, press
from formlab.surfaces.parts import Part
from formlab.surfaces.readings import Slabs, Values
from formlab.terms import ModelSpace

__all__ = ["Surface"]


@dataclass(frozen=True, repr=False)
class Surface:
    """A fitted response; made by `fit`.

    Attributes
    ----------
    name : str
    kind : str
        least squares, averaged, gaussian process or auto: how it was fitted.
    space : ModelSpace
        The whole model that the brief asks for.
    parts, weights : tuple
        The posterior: ways of writing the response, and their probabilities.
    warnings_ : list of str
        What the user must know, gravest first.
    """

    brief: Brief
    response: Response
    kind: str
    space: ModelSpace
    slabs: Slabs
    values: Values
    parts: tuple[Part, ...]
    weights: tuple[float, ...]
    solution: Solution | None
    warnings_: list[str] = field(default_factory=list)

    @property
    def name(self) -> str:
        return self.response.name

    @cached_property
    def formulas(self) -> pd.DataFrame:
        """The formulas that were read, one row a slab."""
        return self.slabs.formulas.iloc[self.values.rows].reset_index(drop=True)

    # ---- predictions ----------------------------------------------------------------------------

    def predict(self, frame: pd.DataFrame, return_std: bool = False) -> Any:
        """Return the mean of the response in its own unit, shape (n,), integrated over the error levels.

        Parameters
        ----------
        frame : DataFrame
            Formulas with the brief's columns; fixed ingredients may be missing.
        return_std : bool
            Also return the standard deviation of that mean, shape (n,).
        """
        mean, std = self._mean_std(self.brief.complete(frame))
        return (mean, std) if return_std else mean

    def _mean_std(self, frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        means, squares = [], []
        for part in self.parts:
            eta, sd, _ = part.moments(part.features.matrix(frame))
            within = _true_variance(part)
            middle = part.scale.mean(eta, within)
            # the middle difference keeps the standard deviation that of the mean on its own scale
            half = (part.scale.mean(eta + sd, within) - part.scale.mean(eta - sd, within)) / 2
            means.append(middle)
            squares.append(half**2 + middle**2)
        weight = np.array(self.weights)[:, None]
        mean = (weight * np.array(means)).sum(axis=0)
        return mean, np.sqrt(np.maximum((weight * np.array(squares)).sum(axis=0) - mean**2, 0))

    def predict_table(self, frame: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """Return predictions with intervals, the index of `frame` kept.

        Returns
        -------
        DataFrame
            mean, std_error, low, high (of the mean), batch_low, batch_high (one reading of one slab of a new
            batch), all in the response's own unit.
        """
        complete = self.brief.complete(frame)
        mean, std = self._mean_std(complete)
        low, high = self._interval(complete, level, new=False)
        batch_low, batch_high = self._interval(complete, level, new=True)
        return pd.DataFrame(
            {
                "mean": mean,
                "std_error": std,
                "low": low,
                "high": high,
                "batch_low": batch_low,
                "batch_high": batch_high,
            },
            index=frame.index,
        )

    def _interval(self, frame: pd.DataFrame, level: float, new: bool) -> tuple[np.ndarray, np.ndarray]:
        from scipy.stats import t

        ends = []
        laws = []
        for part in self.parts:
            eta, sd, df = part.moments(part.features.matrix(frame))
            total = sum(s**2 for s in part.spread)
            laws.append(
                (part.scale, 0.0 if new else _true_variance(part), eta, np.sqrt(sd**2 + total * new), df)
            )
        for p in ((1 - level) / 2, (1 + level) / 2):
            tails = np.array([s.mean(eta + t.ppf(p, df) * sd, v) for s, v, eta, sd, df in laws])
            ends.append(tails[0] if len(laws) == 1 else _mixture_quantile(laws, self.weights, p, tails))
        return ends[0], ends[1]

    # ---- tables ---------------------------------------------------------------------------------

    @cached_property
    def _columns(self) -> np.ndarray:
        return self.space.matrix(self.formulas)

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Terms with estimate, std_error, t, df, p, low, high (95 %) and vif, on the scale of the fit."""
        from scipy.stats import t

        assert self.solution is not None
        out = pd.DataFrame({"term": self.space.names, "estimate": self.solution.coef})
        out["std_error"] = self.solution.std_error
        out["t"] = out["estimate"] / out["std_error"].where(out["std_error"] > 0)
        out["df"] = float(self.solution.df)
        out["p"] = 2 * t.sf(out["t"].abs(), out["df"])
        half = t.ppf(0.975, out["df"]) * out["std_error"]
        out["low"], out["high"] = out["estimate"] - half, out["estimate"] + half
        out["vif"] = self.solution.vif
        return out

    @cached_property
    def anova(self) -> pd.DataFrame:
        """Analysis of variance about the mean: source, df, ss, ms, f, p; lack of fit where formulas repeat."""
        assert self.solution is not None
        return anova(self._columns, self.values.eta, self.solution, _groups(self.space))

    @cached_property
    def summary(self) -> pd.Series:
        """Trials, batches, terms, r2 (about the mean), r2_adjusted, r2_predicted, s, press, condition number."""
        y, fit = self.values.eta, self.solution
        assert fit is not None
        total = float(((y - y.mean()) ** 2).sum())
        n, out_of = len(y), press(fit)
        return pd.Series(
            {
                "trials": n,
                "batches": self.slabs.labels["batch"].iloc[self.values.rows].nunique(),
                "terms": len(fit.coef),
                "r2": 1 - fit.rss / total,
                "r2_adjusted": 1 - (fit.rss / fit.df) / (total / (n - 1)) if fit.df else np.nan,
                "r2_predicted": 1 - out_of / total,
                "s": fit.s,
                "press": out_of,
                "condition": fit.condition,
                "scale": self.values.scale.text,
            },
            dtype=object,
            name=self.name,
        )

    # ---- shown ----------------------------------------------------------------------------------

    @property
    def verdict(self) -> str:
        """How good it is, in one sentence."""
        summary = self.summary
        return (
            f"{summary['trials']} trials, {summary['terms']} terms, s = {summary['s']:.4g} ({summary['scale']}), "
            f"R² {summary['r2']:.3f}, predicted {summary['r2_predicted']:.3f}"
        )

    def __repr__(self) -> str:
        return f"Surface({self.name!r}: {self.kind}, {len(self.values.y)} trials)"

    def _repr_html_(self) -> str:
        notes = Markup("".join(f"<p>{escape(text)}</p>" for text in self.warnings_))
        return panel(
            f"{self.response.title} ({self.kind})",
            self.verdict,
            notes,
            table(self.coefficients),
            fold("Analysis of variance", table(self.anova)),
        )


def _true_variance(part: Part) -> float:
    batch, slab, _ = part.spread
    return batch**2 + slab**2


def _groups(space: ModelSpace) -> dict[str, list[int]]:
    """Columns of the constant with all linear terms, then of each kind of higher term."""
    groups: dict[str, list[int]] = {"linear": []}
    kinds = space.table()["kind"]
    for k, term in enumerate(space.terms):
        if term.degree <= 1:
            groups["linear"].append(k)
        elif len(set(term.factors)) == 1:
            groups.setdefault("squares", []).append(k)
        elif kinds[k] == "crossed":
            groups.setdefault("crossed", []).append(k)
        else:
            groups.setdefault("products" if term.degree == 2 else "triple products", []).append(k)
    return groups


def _mixture_quantile(laws: list[Any], weights: tuple[float, ...], p: float, tails: np.ndarray) -> np.ndarray:
    """Quantile of a mixture of Student laws that live on different scales, by bisection between theirs."""
    from scipy.stats import t

    low, high = tails.min(axis=0), tails.max(axis=0)
    for _ in range(60):
        middle = (low + high) / 2
        below = np.zeros_like(middle)
        for weight, (scale, variance, eta, sd, df) in zip(weights, laws):
            below += weight * t.cdf((scale.predictor(middle, variance) - eta) / sd, df)
        low, high = np.where(below < p, middle, low), np.where(below < p, high, middle)
    return (low + high) / 2
