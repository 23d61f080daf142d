"""Confirmation: do later batches agree with what was predicted?"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import SuggestError
from formlab.html import counted, first_few, number, panel, table
from formlab.plans.tidy import tidied
from formlab.region import Region
from formlab.suggest.conformance import as_judged, between, conformance, met, passes
from formlab.suggest.making import one_row, plan_rows
from formlab.suggest.posterior import chance_to_make, check_all_fitted
from formlab.suggest.promises import batches_of, failures, made_with, promised_formula, read_of, shifted
from formlab.surfaces.readings import HISTORY
from formlab.terms import ModelSpace

__all__ = ["Confirmation", "beside_promised", "confirm", "confirm_promise", "confirmation_trials"]

EXPECTED_DRAWS = 4000
LEAST_KEPT = 50  # draws that fewer would count too coarsely


@dataclass(frozen=True)
class Confirmation:
    """Observed confirmation batches beside what was predicted for them.

    Attributes
    ----------
    table : DataFrame
        batch, response, unit, observed, predicted, low, high (95 % for this batch as measured), inside, target, meets
        (whether what was read of the batch meets it; None where there is no target).
    p_value : float
        Of the joint test: how often batches as predicted stray this far or farther.
    agrees : bool
        Whether p_value is at least 0.05.
    updated : DataFrame
        batch (all of each formula that was made), before and after: the chance that the formula's true mean
        meets all targets, as it was said of it, and with these batches taken in, which could be made.
    verdict : str
    brief : Brief
    """

    table: pd.DataFrame
    p_value: float
    verdict: str
    updated: pd.DataFrame
    brief: Brief

    @property
    def agrees(self) -> bool:
        return self.p_value >= 0.05

    def __str__(self) -> str:
        tables = [self.read, *([self.told] if self.table["meets"].notna().any() else [])]
        texts = [t.to_string(index=False, float_format=lambda v: number(v, 4)) for t in tables]
        return "\n".join([self.verdict, *texts])

    __repr__ = __str__

    @property
    def read(self) -> pd.DataFrame:
        """`table` with yes and no, for people."""
        words = {True: "yes", False: "no"}
        return self.table.assign(**{c: self.table[c].map(words).fillna("") for c in ("inside", "meets")})

    @property
    def told(self) -> pd.DataFrame:
        """`updated` with its columns named for people."""
        heads = {"before": "chance that all targets are met, before", "after": "with these batches"}
        return self.updated.rename(columns=heads)

    def _repr_html_(self) -> str:
        return panel("Confirmation", self.verdict, table(self.read, rows=40), table(self.told, rows=10))


def confirm(
    brief: Brief, surfaces: Any, made: pd.DataFrame, *, draws: int = 4000, seed: int | None = None
) -> Confirmation:
    """Compare confirmation trials with the prediction of surfaces that have not seen them.

    The statistic is the Mahalanobis distance of all batch means and responses together from their joint
    predictive distribution; its law is taken from the draws themselves, so that uncertain coefficients, shared
    by all batches, and batch, slab and reading errors all count. The updated conformance moves every draw by what
    the batches read, linearly in the covariance of draws (an ensemble Kalman step, Evensen 1994); refit with the
    batches in for the last word.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
        Fitted without the confirmation trials.
    made : DataFrame
        Confirmation trials: factor columns, ``batch`` (each row its own where left out) and responses. Slabs of a
        batch are counted by ``trial``; without that column they are as many as the brief's plant cuts.
    draws : int
    seed : int, optional

    Returns
    -------
    Confirmation
        table, p_value, updated and verdict.

    Raises
    ------
    SuggestError
        If no response was read.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
    >>> made = series.trials().head(6)  # stands in for confirmation trials here
    >>> confirm(series.brief, surfaces, made, draws=200, seed=1).table["response"].tolist()
    ['erasure', 'crumble', 'hardness', 'smear']
    """
    check_all_fitted(brief, surfaces)
    names = [n for n in brief.response_names if n in made and made[n].notna().any()]
    if not names:
        raise SuggestError(
            f"The confirmation trials hold no reading of {brief.response_names}. Load their results first."
        )
    batch = (
        made["batch"].astype(str) if "batch" in made else pd.Series(made.index.astype(str), index=made.index)
    )
    groups = [made[batch == label] for label in dict.fromkeys(batch)]
    rng = np.random.default_rng(seed)
    drawn = surfaces.draw(draws, seed=int(rng.integers(2**31)))
    where = [brief.response_names.index(n) for n in names]
    columns, observed, lines = [], [], []
    limits: list[tuple[str, str, np.ndarray, tuple[float, float]]] = []
    failed: list[tuple[str, str]] = []
    formulas = brief.complete(pd.concat([group.head(1) for group in groups], ignore_index=True))
    drawn_for: list[np.ndarray] = []
    alike: dict[tuple[Any, ...], list[int]] = {}
    for place, group in enumerate(groups):
        # a seed of its own each, for errors of different batches are independent
        slabs = group.loc[group[names].notna().any(axis=1), "trial"].nunique() if "trial" in group else None
        values = drawn.accepted(formulas.iloc[[place]], seed=int(rng.integers(2**31)), slabs=slabs or None)
        drawn_for.append(values[:, 0, :][:, where])
        alike.setdefault((slabs, *formulas.iloc[place]), []).append(place)
    # batches of one formula have one prediction, counted on the draws of all of them
    pooled = {
        place: np.concatenate([drawn_for[k] for k in some]) for some in alike.values() for place in some
    }
    typical = drawn.typical(formulas)
    # as surfaces predict
    expected = [part.by_expectation for part in brief.responses if part.name in names]
    said = np.where(expected, typical.mean(axis=0)[:, where], np.median(typical, axis=0)[:, where])
    for place, (label, group) in enumerate(zip(dict.fromkeys(batch), groups)):
        values = drawn_for[place]
        for k, name in enumerate(names):
            part: Any = brief.by_name[name]
            reading = as_judged(part, group)
            if not np.isfinite(reading):
                if group[name].notna().any():
                    limits.append((name, str(label), values[:, k], between(part, group)))
                    if part.has_target and passes(part, group) is False:
                        failed.append((name, str(label)))
                continue
            low, high = np.quantile(pooled[place][:, k], [0.025, 0.975])
            lines.append(
                {
                    "batch": label, "response": name, "unit": brief.unit(name), "observed": reading,
                    "predicted": float(said[place, k]), "low": low, "high": high,
                    "inside": bool(low <= reading <= high), "target": part.target_text,
                    "meets": bool(part.meets(reading)) if part.has_target else None,
                }
            )  # fmt: skip
            columns.append(values[:, k])
            observed.append(reading)
    if not columns:
        raise SuggestError(
            "All readings of the confirmation trials are limits (such as '<0.5'), which say nothing of a difference. Give some "
            "readings within the test's range."
        )
    predicted, seen = np.column_stack(columns), np.array(observed)
    p = _joint_p(predicted, seen)
    frame = pd.DataFrame(lines)
    chance = chance_to_make(drawn, formulas)
    made_at_all = 1.0 if chance is None else chance
    updated = _updated(
        brief,
        formulas,
        list(dict.fromkeys(batch)),
        typical,
        predicted,
        seen,
        made_at_all,
        limits,
    )
    words = _words(frame, p, {label for _, label in failed})
    if failed:
        missed = [f"{name} of batch {label}" for name, label in failed]
        words = f"Beyond the target, whatever lies behind their limits: {first_few(missed, 4)}. {words}"
    if limits:
        inside = np.array([(values >= low) & (values <= high) for *_, values, (low, high) in limits])
        named = [f"{name} of batch {label}" for name, label, *_ in limits]
        words += (
            f" Read only below or above, and so in no limits above: {first_few(named, 4)}; that {'this reads' if len(named) == 1 else 'all these read'} "
            f"so had a probability of {inside.all(axis=0).mean():.3f}."
        )
    return Confirmation(frame, p, words, updated, brief)


def confirmation_trials(
    brief: Brief,
    formula: Any,
    trials: pd.DataFrame,
    count: int = 3,
    *,
    slabs: int | None = None,
    surfaces: Any = None,
    seed: int | None = None,
) -> Any:
    """Return batches of one formula that are to show whether it does what was promised, as a plan.

    Parameters
    ----------
    brief : Brief
    formula : Suggestion, Series, mapping or one-row DataFrame
        Amounts and settings; they are put on steps of at most 1/200 of each range, 1/50 of a setting's.
    trials : DataFrame
        What was made or planned so far; new trial and batch names go on from it.
    count : int
        How many batches, each mixed anew: slabs of one batch cannot tell what the next one does.
    slabs : int, optional
        Slabs of each batch; as many as the brief's plant cuts where left out, for ``accepted`` speaks of those.
    surfaces : Surfaces, optional
        What is expected of the batches is then said in the notes.
    seed : int, optional
        Of the draws behind that.

    Returns
    -------
    Plan

    Raises
    ------
    SuggestError
        If `count` or `slabs` is less than 1.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> plan = confirmation_trials(series.brief, series.brief.baseline, series.trials(), 2, seed=1)
    >>> plan.frame[["trial", "batch"]].to_numpy().tolist()
    [['T37', 'B19'], ['T38', 'B19'], ['T39', 'B20'], ['T40', 'B20']]
    """
    from formlab.plans import Plan

    slabs = brief.plant.slabs_per_batch if slabs is None else slabs
    for name, value in (("count", count), ("slabs", slabs)):
        if value < 1:
            raise SuggestError(f"{name} = {value!r}; ask for at least 1.")
    region = Region.from_brief(brief)
    row = tidied(region, one_row(brief, formula), brief.columns)
    chosen = row.loc[row.index.repeat(count * slabs)].reset_index(drop=True)
    loads = np.arange(len(chosen)) // (brief.plant.slabs_per_load or len(chosen))
    frame = plan_rows(brief, chosen, slabs, trials, loads.tolist())
    plan = Plan(brief, frame, ModelSpace(brief), kind="confirmation", seed=seed)
    if surfaces is not None and any(part.has_target for part in brief.responses):
        plan.notes.append(_expected(brief, surfaces, row, count, slabs, seed))
    return plan


def _expected(
    brief: Brief, surfaces: Any, row: pd.DataFrame, count: int, slabs: int, seed: int | None
) -> str:
    """How likely all batches pass, by the surfaces: they share what is uncertain of the formula, and each has its own error."""
    rng = np.random.default_rng(seed)
    drawn = surfaces.draw(EXPECTED_DRAWS, seed=int(rng.integers(2**31)))
    chance = chance_to_make(drawn, row)
    passed = np.ones((count, len(drawn)))
    for k in range(count):
        read = drawn.accepted(row, seed=int(rng.integers(2**31)), slabs=slabs)
        passed[k] = met(brief, read)[:, 0] * (1.0 if chance is None else chance[:, 0])
    one, every = passed.mean(), passed.prod(axis=0).mean()
    if count == 1:
        return f"By these surfaces the batch passes as measured with probability {one:.2f}."
    return (
        f"By these surfaces each batch passes as measured with probability {one:.2f}, all {count} with {every:.2f}: "
        "a batch that does not is no contradiction by itself."
    )


def confirm_promise(
    brief: Brief,
    promise: pd.Series,
    trials: pd.DataFrame,
    *,
    kind: str | None = None,
    seed: int | None = None,
    n_jobs: int | None = None,
    progress: bool | None = None,
) -> Confirmation:
    """Compare the batches made of a promised formula with what was to be expected of it when it was promised.

    Parameters
    ----------
    brief : Brief
    promise : Series
        A row of `Series.promises`.
    trials : DataFrame
        From `Series.trials`, with its history where the promise was made with it. Surfaces are fitted to the batches that
        had been made before the promise; where it does not name them, to all but those of its formula.
    kind : str, optional
        As in `fit`; the one that the promise was made with where left out.
    seed, n_jobs, progress
        As in `fit`.

    Returns
    -------
    Confirmation

    Raises
    ------
    SuggestError
        If no batch of the formula, to a hundredth of each range, was read since.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> trials = series.trials()
    >>> before = sorted(set(trials["batch"]) - {"B18"})  # as if B18 had been made for a promise
    >>> formula = trials[trials["batch"] == "B18"].iloc[0][series.brief.columns]
    >>> promise = pd.Series({**formula, "when": "2026-11-01", "made": before})
    >>> told = confirm_promise(series.brief, promise, trials, kind="least squares", seed=1)
    >>> told.table["batch"].unique().tolist()
    ['B18']
    """
    from formlab.surfaces import fit

    promised_formula(brief, promise)
    made = batches_of(brief, promise, trials)
    failed = failures(made)
    lost = f"Could not be made: {', '.join(f'{b} ({why})' for b, why in failed.items())}." if failed else ""
    made = read_of(brief, made)
    if not len(made):
        raise SuggestError(
            f"No batch of the promised formula has been read since. {lost} Make some of it and load what they read.".replace(
                "  ", " "
            )
        )
    before = promise.get("made")
    told = isinstance(before, list) and len(before) > 0
    known = trials["batch"].isin(before) if told else ~trials["batch"].isin(made["batch"])
    if "block" in trials:
        known |= trials["block"] == HISTORY
    surfaces = fit(
        brief, trials[known], kind=kind or made_with(promise)[0], seed=seed, n_jobs=n_jobs, progress=progress
    )
    done = confirm(brief, surfaces, made, seed=seed)
    return replace(done, verdict=f"{lost} {done.verdict}") if lost else done


def beside_promised(
    brief: Brief,
    surfaces: Any,
    answer: Any,
    promises: pd.DataFrame,
    trials: pd.DataFrame,
    *,
    prices: Mapping[str, float] | None = None,
    seed: int | None = None,
) -> str:
    """Return in words how a suggestion stands beside the formula that was promised last, if batches of that were read.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
        Fitted to `trials`.
    answer : Suggestion
    promises, trials : DataFrame
        From `Series.promises` and `Series.trials`.
    prices : mapping of str to float, optional
        Those that the suggestion was asked with.
    seed : int, optional

    Returns
    -------
    str
        Empty where nothing was promised and made, or it is the same formula.
    """
    if not len(promises):
        return ""
    promise = promises.iloc[-1]
    made = read_of(brief, batches_of(brief, promise, trials))
    if not len(made) or len(
        batches_of(brief, promise.drop("made", errors="ignore"), answer.frame.assign(batch=""))
    ):
        return ""
    formula = promised_formula(brief, promise)
    figure = getattr(conformance(brief, surfaces.draw(EXPECTED_DRAWS, seed=seed), formula)[0], answer.of)
    figure = shifted(figure, answer.shift)  # lowered for past misses as the new one is
    said = (
        f"The formula promised {promise['when'][:10]}, of which {counted(made['batch'].nunique(), 'batch')} "
        f"{'was' if made['batch'].nunique() == 1 else 'were'} read, has a probability of {figure:.2f} by these surfaces, this new one "
        f"{getattr(answer.conformance, answer.of):.2f}"
    )
    if answer.cost is not None:
        last = str(answer.cost.index[-1])
        change = 100 * (float(answer.cost[last]) / float(brief.costs(formula, prices)[last].iloc[0]) - 1)
        said += f"; it costs {abs(change):.1f} % {'less' if change < 0 else 'more'} {last.replace('_', ' ')}"
    return (
        f"{said}."
        if len(batches_of(brief, answer.frame.iloc[0], trials))
        else f"{said}, and none of it was made."
    )


def _updated(
    brief: Brief,
    formulas: pd.DataFrame,
    labels: list[str],
    means: np.ndarray,
    predicted: np.ndarray,
    seen: np.ndarray,
    chance: np.ndarray | float,
    limits: Sequence[tuple[str, str, np.ndarray, tuple[float, float]]] = (),
) -> pd.DataFrame:
    """Chance of each formula before and after the batches; `means` of shape (draws, formulas, responses).

    Draws are moved by what was read, and those are kept whose figures then lie beyond the limits that were read.
    """
    kind = _alike(brief, formulas)
    first = ~kind.duplicated().to_numpy()
    named = [", ".join(b for b, k in zip(labels, kind) if k == one) for one in kind[first]]
    flat = means[:, first].reshape(len(means), -1)
    apart, error = flat - flat.mean(axis=0), predicted - predicted.mean(axis=0)
    learn = np.linalg.pinv(error.T @ error, hermitian=True) @ error.T  # regression on what was read
    after = (flat + (seen - predicted) @ (learn @ apart)).reshape(len(means), first.sum(), -1)
    keep = np.ones(len(means), dtype=bool)
    for *_, values, (low, high) in limits:
        moved = values + (seen - predicted) @ (learn @ (values - values.mean()))
        keep &= (moved >= low) & (moved <= high)
    if keep.sum() < LEAST_KEPT:  # too few to count on: as the readings alone say
        keep[:] = True
    return pd.DataFrame(
        {
            "batch": named,
            "before": (met(brief, means) * chance)[:, first].mean(axis=0),
            "after": met(brief, after[keep]).mean(axis=0),
        }
    )


def _alike(brief: Brief, formulas: pd.DataFrame) -> pd.Series:
    """A number for each formula, the same where they agree to a hundredth of each range: as weighed none is quite another's."""
    rows = [
        batches_of(brief, formulas.iloc[k], formulas.assign(batch="")).index for k in range(len(formulas))
    ]
    return pd.Series([int(same.min()) for same in rows], index=formulas.index)


def _joint_p(predicted: np.ndarray, observed: np.ndarray) -> float:
    centre = predicted.mean(axis=0)
    covariance = np.atleast_2d(np.cov(predicted.T))
    weight = np.linalg.pinv(covariance, hermitian=True)
    apart = predicted - centre
    own = np.einsum("ij,jk,ik->i", apart, weight, apart)
    seen = (observed - centre) @ weight @ (observed - centre)
    return float((1 + (own >= seen).sum()) / (1 + len(own)))


def _words(frame: pd.DataFrame, p: float, missed: Collection[str] = ()) -> str:
    count, inside = len(frame), int(frame["inside"].sum())
    head = (
        f"{inside} of {counted(count, 'batch figure')} lie inside their 95 % limits; joint test p = {p:.3f}."
    )
    aimed = frame[frame["meets"].notna()]
    if len(aimed):
        passed = aimed.groupby("batch", sort=False)["meets"].all()
        passed &= ~passed.index.astype(str).isin(list(missed))
        head = (
            f"{int(passed.sum())} of {counted(len(passed), 'batch')} meet all targets that were read. {head}"
        )
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
