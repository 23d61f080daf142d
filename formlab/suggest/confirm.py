"""Confirmation: do later batches agree with what was predicted, and did promises come true?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import SuggestError
from formlab.html import panel, table

__all__ = ["Confirmation", "Ledger", "confirm", "score_promises", "settle_promises"]


@dataclass(frozen=True)
class Confirmation:
    """Observed confirmation batches beside what was predicted for them.

    Attributes
    ----------
    table : DataFrame
        batch, response, unit, observed, predicted, low, high (95 % for this batch as measured), inside.
    p_value : float
        Of the joint test: how often batches as predicted stray this far or farther.
    agrees : bool
        Whether p_value is at least 0.05.
    verdict : str
    """

    table: pd.DataFrame
    p_value: float
    verdict: str

    @property
    def agrees(self) -> bool:
        return self.p_value >= 0.05

    def __str__(self) -> str:
        return f"{self.verdict}\n{self.table.to_string(index=False)}"

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return panel("Confirmation", self.verdict, table(self.table, rows=40))


def confirm(
    brief: Brief, surfaces: Any, made: pd.DataFrame, *, draws: int = 4000, seed: int | None = None
) -> Confirmation:
    """Compare confirmation trials with the prediction of surfaces that have not seen them.

    The statistic is the Mahalanobis distance of all batch means and responses together from their joint
    predictive distribution; its law is taken from the draws themselves, so that uncertain coefficients, shared
    by all batches, and batch, slab and reading errors all count.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
        Fitted without the confirmation trials.
    made : DataFrame
        Confirmation trials: factor columns, ``batch`` (each row its own where left out) and responses.
    draws : int
    seed : int, optional

    Returns
    -------
    Confirmation
        table, p_value and verdict.

    Raises
    ------
    SuggestError
        If no response was read.
    """
    names = [n for n in brief.response_names if n in made and made[n].notna().any()]
    if not names:
        raise SuggestError(f"The confirmation trials hold no reading of {brief.response_names}.")
    batch = (
        made["batch"].astype(str) if "batch" in made else pd.Series(made.index.astype(str), index=made.index)
    )
    groups = [made[batch == label] for label in dict.fromkeys(batch)]
    rng = np.random.default_rng(seed)
    drawn = surfaces.draw(draws, seed=int(rng.integers(2**31)))
    where = [brief.response_names.index(n) for n in names]
    columns, observed, lines = [], [], []
    for label, group in zip(dict.fromkeys(batch), groups):
        # a seed of its own each, for errors of different batches are independent
        values = drawn.accepted(brief.complete(group.head(1)), seed=int(rng.integers(2**31)))[:, 0, :][
            :, where
        ]
        for k, name in enumerate(names):
            reading = float(group[name].mean())
            if not np.isfinite(reading):
                continue
            low, high = np.quantile(values[:, k], [0.025, 0.975])
            lines.append(
                {
                    "batch": label, "response": name, "unit": brief.unit(name), "observed": reading,
                    "predicted": float(values[:, k].mean()), "low": low, "high": high,
                    "inside": bool(low <= reading <= high),
                }
            )  # fmt: skip
            columns.append(values[:, k])
            observed.append(reading)
    p = _joint_p(np.column_stack(columns), np.array(observed))
    frame = pd.DataFrame(lines)
    return Confirmation(frame, p, _words(frame, p))


def _joint_p(predicted: np.ndarray, observed: np.ndarray) -> float:
    centre = predicted.mean(axis=0)
    covariance = np.atleast_2d(np.cov(predicted.T))
    weight = np.linalg.pinv(covariance, hermitian=True)
    apart = predicted - centre
    own = np.einsum("ij,jk,ik->i", apart, weight, apart)
    seen = (observed - centre) @ weight @ (observed - centre)
    return float((1 + (own >= seen).sum()) / (1 + len(own)))


def _words(frame: pd.DataFrame, p: float) -> str:
    count, inside = len(frame), int(frame["inside"].sum())
    head = f"{inside} of {count} readings lie inside their 95 % limits; joint test p = {p:.3f}."
    if p >= 0.05:
        return head + " The confirmation batches agree with the prediction."
    worst = frame.loc[
        ((frame["observed"] - frame["predicted"]) / (frame["high"] - frame["low"])).abs().idxmax()
    ]
    side = "above" if worst["observed"] > worst["predicted"] else "below"
    return head + (
        f" They do NOT agree: {worst['response']} of batch {worst['batch']} lies farthest out, {side} the prediction. "
        "Check the batch before trusting either; then refit with these trials in."
    )


def settle_promises(brief: Brief, promises: pd.DataFrame, trials: pd.DataFrame) -> pd.DataFrame:
    """Return what became of promises: every later batch of a promised formula, and whether it passed as measured.

    Parameters
    ----------
    brief : Brief
    promises : DataFrame
        From `Series.promises`: factors and ``accepted``, the claimed chance that a new batch passes.
    trials : DataFrame
        From `Series.trials`.

    Returns
    -------
    DataFrame
        promise (row of `promises`), batch, claimed, came_true; one row a batch whose factors agree with the
        promised formula to a hundredth of each range and whose responses were all read.
    """
    aimed = [part for part in brief.responses if part.has_target]
    numeric = [n for n in [*brief.varied, *brief.setting_names] if n in brief.ranges]
    category = [n for n in brief.setting_names if n not in brief.ranges]
    width = {n: brief.ranges[n][1] - brief.ranges[n][0] for n in numeric}
    lines = []
    for row, promise in promises.iterrows():
        same = pd.Series(True, index=trials.index)
        for name in numeric:
            same &= (trials[name].astype(float) - float(promise[name])).abs() <= 0.01 * width[name]
        for name in category:
            same &= trials[name] == promise[name]
        for batch, group in trials[same].groupby("batch", sort=False):
            means = group[[part.name for part in aimed]].mean()
            if means.notna().all():
                passed = all(bool(part.meets(means[part.name])) for part in aimed)
                lines.append(
                    {"promise": row, "batch": batch, "claimed": promise["accepted"], "came_true": passed}
                )
    return pd.DataFrame(lines, columns=["promise", "batch", "claimed", "came_true"])


@dataclass(frozen=True)
class Ledger:
    """Promises scored against what became of them.

    Attributes
    ----------
    brier : float
        Mean squared difference of claim and outcome (Brier 1950); 0 is perfect.
    reliability : DataFrame
        claimed (mean of the bin), promises, came_true, share.
    shift : float
        What past outcomes take off the log-odds of future claims; never positive.
    words : str
    """

    brier: float
    reliability: pd.DataFrame
    shift: float
    words: str

    def honest(self, claim: float) -> float:
        """Return a claim after what past misses teach; never above the claim itself."""
        odds = np.log(claim / (1 - claim)) + self.shift
        return float(1 / (1 + np.exp(-odds)))

    def __str__(self) -> str:
        return self.words

    __repr__ = __str__


def score_promises(claims: Any, came_true: Any) -> Ledger:
    """Score conformance that was claimed against whether later batches conformed.

    Parameters
    ----------
    claims : array-like of shape (n,)
        Probabilities, strictly between 0 and 1.
    came_true : array-like of bool, shape (n,)

    Notes
    -----
    The shift of future claims is the posterior mode of a common error of the log-odds with a standard normal
    prior, cut at 0: good luck does not earn bolder claims.

    Examples
    --------
    >>> score_promises([0.9] * 20, [True] * 17 + [False] * 3).words
    'Of 20 promises at 0.90 on average, 17 came true (18.0 were to be expected); Brier score 0.130.'
    """
    p, y = np.asarray(claims, dtype=float), np.asarray(came_true, dtype=bool)
    if len(p) == 0 or len(p) != len(y) or ((p <= 0) | (p >= 1)).any():
        raise SuggestError("Promises need as many outcomes as claims, and claims strictly between 0 and 1.")
    edges = [0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0]
    which = np.digitize(p, edges[1:-1], right=False)
    lines = [
        {"claimed": p[which == k].mean(), "promises": int((which == k).sum()), "came_true": int(y[which == k].sum()),
         "share": y[which == k].mean()}
        for k in np.unique(which)
    ]  # fmt: skip
    words = (
        f"Of {len(p)} promises at {p.mean():.2f} on average, {int(y.sum())} came true ({p.sum():.1f} were to be "
        f"expected); Brier score {((p - y) ** 2).mean():.3f}."
    )
    return Ledger(float(((p - y) ** 2).mean()), pd.DataFrame(lines), _shift(p, y), words)


def _shift(p: np.ndarray, y: np.ndarray) -> float:
    odds, shift = np.log(p / (1 - p)), 0.0
    for _ in range(50):  # Newton steps on a concave log posterior
        q = 1 / (1 + np.exp(-(odds + shift)))
        step = ((y - q).sum() - shift) / ((q * (1 - q)).sum() + 1.0)
        shift += step
        if abs(step) < 1e-10:
            break
    return float(min(shift, 0.0))
