"""Promises: what was claimed of formulas, scored against later batches; past misses lower future claims."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import SuggestError
from formlab.html import counted, number
from formlab.suggest.conformance import KINDS, Conformance, passes
from formlab.surfaces.readings import USABLE, WAITING, status_of

__all__ = [
    "Ledger",
    "after_misses",
    "batches_of",
    "failures",
    "ledger_of",
    "promise_words",
    "promised_formula",
    "read_of",
    "score_promises",
    "settle_promises",
    "shifted",
]


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
        return shifted(claim, self.shift)

    def raw(self, claim: float) -> float:
        """Return what surfaces must claim so that `honest` is `claim`."""
        return shifted(claim, -self.shift)

    def told(self, claim: float | None = None) -> str:
        """Return the words, with what they did to a claim of the surfaces alone, or to all claims."""
        if self.shift >= 0:
            return self.words
        done = (
            ""
            if claim is None
            else f": {claim:.3f} by these surfaces alone is printed as {self.honest(claim):.3f}"
        )
        return f"{self.words} Claims are lowered for it{done}."

    def __str__(self) -> str:
        return self.words

    __repr__ = __str__


def shifted(claim: float, shift: float) -> float:
    """Return a claim with something added to its log-odds."""
    if shift == 0.0 or not 0 < claim < 1:
        return float(claim)
    return float(1 / (1 + (1 - claim) / claim * np.exp(-shift)))


def after_misses(figures: Conformance, ledger: Ledger | None) -> Conformance:
    """Return the three figures, lowered by what past promises teach."""
    if ledger is None:
        return figures
    mean, batch, passed = (ledger.honest(getattr(figures, kind)) for kind in KINDS)
    return replace(figures, true_mean=mean, new_batch=batch, accepted=passed)


def settle_promises(brief: Brief, promises: pd.DataFrame, trials: pd.DataFrame) -> pd.DataFrame:
    """Return what became of promises: every later batch of a promised formula, and whether it passed as measured.

    Parameters
    ----------
    brief : Brief
    promises : DataFrame
        From `Series.promises`: factors, ``accepted``, the claimed chance that a new batch passes, and where they are
        known ``made``, the batches that had been made before: they are no test of the promise.
    trials : DataFrame
        From `Series.trials`.

    Returns
    -------
    DataFrame
        promise (row of `promises`), batch, claimed, shift (what earlier misses had already taken off the
        log-odds), came_true, counts (how much it tells as a share of what a batch of another formula would); one row a batch whose factors agree with the promised formula to a hundredth of
        each range and whose responses were all read, or lie beyond a limit that decides; one that is missed decides alone. Of an ingredient that is newer than a promise the promised formula
        holds none; a promise that is older than a setting is not tested.
    """
    aimed = [part for part in brief.responses if part.has_target]
    lines = []
    for row, promise in promises.iterrows():
        own = []
        for batch, group in batches_of(brief, promise, trials).groupby("batch", sort=False):
            verdicts = [passes(part, group) for part in aimed]
            lost = bool(failures(group))  # the chance to make is in the claim
            if lost or False in verdicts or None not in verdicts:
                passed = not lost and False not in verdicts
                own.append({"promise": row, "batch": batch, "claimed": promise["accepted"],
                            "shift": float(promise.get("shift", 0.0)), "came_true": passed})  # fmt: skip
        alike = 1 + (len(own) - 1) * _likeness(promise)
        lines += [line | {"counts": 1 / alike} for line in own]
    return pd.DataFrame(lines, columns=["promise", "batch", "claimed", "shift", "came_true", "counts"])


def _likeness(promise: pd.Series) -> float:
    """Correlation of whether batches of one formula pass: they share whether its true mean meets the targets.

    If it does they pass with accepted / true_mean, else never: the variance between formulas over the whole.
    """
    if "true_mean" not in promise:
        return 0.0
    passes = float(np.clip(promise["accepted"], 0.001, 0.999))
    meets = max(
        float(promise["true_mean"]), passes
    )  # an error of the test may let pass what does not meet them
    return min(passes * (1 / meets - 1) / (1 - passes), 1.0)


def batches_of(brief: Brief, promise: pd.Series, trials: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of `trials` that test a promise: of its formula, and later; arguments as in `settle_promises`."""
    same = pd.Series(True, index=trials.index)
    for name in [*brief.varied, *brief.setting_names]:
        promised = promise.get(name)
        if promised is None or promised != promised:
            if name not in brief.ingredient_names:
                return trials.iloc[:0]
            promised = 0.0
        if name in brief.ranges:
            low, high = brief.ranges[name]
            same &= (trials[name].astype(float) - float(promised)).abs() <= 0.0101 * (
                high - low
            )  # steps of a setting are 1/50
        else:
            same &= trials[name] == promised
    before = promise.get("made")
    return trials[same & ~trials["batch"].isin(before)] if isinstance(before, list) else trials[same]


def made_with(promise: pd.Series) -> tuple[str, bool]:
    """Return the kind of surface that a promise was made with, and whether a history was in it; auto and no where it does not say."""
    kind, history = promise.get("kind"), promise.get("history")
    return kind if isinstance(kind, str) else "auto", isinstance(history, (bool, np.bool_)) and bool(history)


def read_of(brief: Brief, trials: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of `trials` that hold a reading of any response."""
    return trials[trials[[n for n in brief.response_names if n in trials]].notna().any(axis=1)]


def failures(trials: pd.DataFrame) -> dict[str, str]:
    """Return the batches of which no slab could be made or measured, and why."""
    status = status_of(trials)
    failed = ~status.isin((*USABLE, *WAITING))
    found = {}
    for batch, rows in trials.groupby("batch", sort=False):
        if len(rows) and failed[rows.index].all():
            found[str(batch)] = str(status[rows.index].iloc[0])
    return found


def promised_formula(brief: Brief, promise: pd.Series) -> pd.DataFrame:
    """Return the formula and settings of a promise as one row; of an ingredient that is newer than it, it holds none.

    Raises
    ------
    SuggestError
        If the brief has a setting that the promise does not know.
    """
    row = promise.reindex(brief.columns)
    row = row.fillna(dict.fromkeys(brief.ingredient_names, 0.0))
    lacking = [n for n in brief.setting_names if pd.isna(row[n])]
    if lacking:
        raise SuggestError(
            f"The promise is older than the setting {lacking[0]!r}: it does not say what that is to be. Keep a new one (formlab suggest --promise)."
        )
    return pd.DataFrame([row]).reset_index(drop=True).infer_objects()


def promise_words(brief: Brief, promise: pd.Series) -> str:
    """Return in words what was promised, of which formula and when."""
    named = [n for n in [*brief.varied, *brief.setting_names] if n in promise]
    amounts = ", ".join(f"{brief.title_of(n)} {number(promise[n])} {brief.unit(n)}".rstrip() for n in named)
    return (
        f"Promised {promise['when'][:10]} of {amounts}: the {brief.true_words} meets all targets with probability "
        f"{promise['true_mean']:.2f}, a new batch passes as measured with {promise['accepted']:.2f}."
    )


def ledger_of(brief: Brief, promises: pd.DataFrame, trials: pd.DataFrame) -> Ledger | None:
    """Return how promises came out so far; None where no later batch tells. Arguments as in `settle_promises`."""
    settled = settle_promises(brief, promises, trials)
    if not len(settled):
        return None
    return score_promises(
        settled["claimed"].clip(0.001, 0.999), settled["came_true"], settled["shift"], settled["counts"]
    )


def score_promises(claims: Any, came_true: Any, shifts: Any = 0.0, counts: Any = 1.0) -> Ledger:
    """Score conformance that was claimed against whether later batches conformed.

    Parameters
    ----------
    claims : array-like of shape (n,)
        Probabilities, strictly between 0 and 1.
    came_true : array-like of bool, shape (n,)
    shifts : float or array-like of shape (n,)
        What was already taken off the log-odds of each claim for misses before it.
    counts : float or array-like of shape (n,)
        How much each outcome tells; batches of one formula tell less than one each (`settle_promises`).

    Notes
    -----
    The shift of future claims is the posterior mode of a common error of the log-odds with a standard normal
    prior, cut at 0: good luck does not earn bolder claims.

    Examples
    --------
    >>> score_promises([0.9] * 20, [True] * 17 + [False] * 3).words
    'Of 20 batches promised to pass at 0.90 on average, 17 did (18.0 were to be expected); Brier score 0.130 (0 is perfect).'
    """
    p, y = np.asarray(claims, dtype=float), np.asarray(came_true, dtype=bool)
    if len(p) == 0 or len(p) != len(y) or ((p <= 0) | (p >= 1)).any():
        raise SuggestError("Give as many outcomes as claims, and claims strictly between 0 and 1.")
    edges = [0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0]
    which = np.digitize(p, edges[1:-1], right=False)
    lines = [
        {"claimed": p[which == k].mean(), "promises": int((which == k).sum()), "came_true": int(y[which == k].sum()),
         "share": y[which == k].mean()}
        for k in np.unique(which)
    ]  # fmt: skip
    words = (
        f"Of {counted(len(p), 'batch')} promised to pass at {p.mean():.2f} on average, {int(y.sum())} did ({p.sum():.1f} were to be "
        f"expected); Brier score {((p - y) ** 2).mean():.3f} (0 is perfect)."
    )
    return Ledger(
        float(((p - y) ** 2).mean()),
        pd.DataFrame(lines),
        _shift(p, y, np.asarray(shifts, dtype=float), np.asarray(counts, dtype=float)),
        words,
    )


def _shift(p: np.ndarray, y: np.ndarray, before: np.ndarray, counts: np.ndarray) -> float:
    odds, shift = np.log(p / (1 - p)) - before, 0.0
    for _ in range(50):  # Newton steps on a concave log posterior
        q = 1 / (1 + np.exp(-(odds + shift)))
        step = ((counts * (y - q)).sum() - shift) / ((counts * q * (1 - q)).sum() + 1.0)
        shift += step
        if abs(step) < 1e-10:
            break
    return float(min(shift, 0.0))
