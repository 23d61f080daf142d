"""Rehearsal: the whole job simulated many times before anything is milled.

Each run draws a plant that could be the real one from guessed effects and errors, lays out, measures, fits and
suggests, and looks up whether the suggested formula truly meets all targets.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import FitError, SuggestError
from formlab.region import Region
from formlab.suggest.making import trial_cost
from formlab.terms import ModelSpace
from formlab.workers import over_workers

__all__ = ["GuessedPlant", "rehearse"]


@dataclass(frozen=True)
class GuessedPlant:
    """A plant drawn from guesses: a quadratic about the region's centre on every response's own scale.

    Attributes
    ----------
    space : ModelSpace
    coefficients : DataFrame of shape (n_terms, n_responses)
    """

    brief: Brief
    space: ModelSpace
    coefficients: pd.DataFrame

    def truth(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return true means, one column a response, inside what is possible."""
        values = self.space.matrix(self.brief.complete(frame)) @ self.coefficients.to_numpy()
        out = pd.DataFrame(values, index=frame.index, columns=self.brief.response_names)
        for part in self.brief.responses:
            out[part.name] = out[part.name].clip(*part.possible)
        return out

    def measure(self, frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
        """Return the plan with one reading a slab (the mean of the brief's readings) of every response."""
        out, truth = frame.copy(), self.truth(frame)
        codes = pd.factorize(frame["batch"])[0]
        for part in self.brief.responses:
            batch, slab, reading = _sds(part, truth[part.name])
            noise = batch * rng.standard_normal(codes.max() + 1)[codes]
            noise = noise + np.hypot(slab, reading / np.sqrt(part.readings)) * rng.standard_normal(len(frame))
            out[part.name] = (truth[part.name] + noise).clip(*part.possible)
        return out.assign(status="ok")


def _sds(part: Response, truth: pd.Series) -> tuple[float, float, float]:
    """The brief's sds; where it has none, 15, 10 and 5 % of the spread of the true means."""
    spread = float(truth.std()) or 1.0
    given = (part.sd_batch, part.sd_slab, part.sd_reading)
    return tuple(spread * share if sd is None else sd for sd, share in zip(given, (0.15, 0.10, 0.05)))  # type: ignore[return-value]


def guessed_plant(
    brief: Brief, effects: Mapping[str, Mapping[str, float]], rng: np.random.Generator, curvature: float = 0.3
) -> GuessedPlant:
    """Return a plant drawn about guessed effects.

    `effects[response][factor]` is the change of the response over half the factor's range; `effects[response]
    ["centre"]` its value at the centre of the region. Every effect is drawn with a standard deviation of 30 % of
    the largest one of its response, squares and products with `curvature` times it.
    """
    _check_effects(brief, effects)
    space = ModelSpace(brief)
    region = Region.from_brief(brief).check()
    sample = region.sample(400, rng)
    design = space.matrix(sample)
    columns = {}
    for part in brief.responses:
        guess = dict(effects.get(part.name, {}))
        values = _drawn_surface(brief, part, guess, sample, region, rng, curvature)
        columns[part.name] = np.linalg.lstsq(design, values, rcond=None)[0]
    return GuessedPlant(brief, space, pd.DataFrame(columns, index=space.names))


def _factors(brief: Brief) -> list[str]:
    """What varies and has a range."""
    return [n for n in [*brief.varied, *brief.setting_names] if n in brief.ranges]


def _check_effects(brief: Brief, effects: Mapping[str, Mapping[str, float]]) -> None:
    for name, guess in effects.items():
        if name not in brief.response_names:
            raise SuggestError(f"effects names {name!r}; choose among the responses {brief.response_names}.")
        unknown = [n for n in guess if n not in ("centre", *_factors(brief))]
        if unknown:
            raise SuggestError(
                f"effects[{name!r}] names {unknown[0]!r}; choose among the factors {_factors(brief)} and 'centre'."
            )


def _drawn_surface(
    brief: Brief, part: Response, guess: dict[str, float], sample: pd.DataFrame, region: Region,
    rng: np.random.Generator, curvature: float,
) -> np.ndarray:  # fmt: skip
    names = _factors(brief)
    centre = region.centre()[names].iloc[0].to_numpy(float)
    half = np.array([(brief.ranges[n][1] - brief.ranges[n][0]) / 2 for n in names])
    z = (sample[names].to_numpy(float) - centre) / half
    low, high = part.target
    finite = [v for v in (low, high) if np.isfinite(v)]
    middle = guess.pop("centre", float(np.mean(finite)) if finite else 0.0)
    scale = max(map(abs, guess.values()), default=3 * (part.matters or max(abs(middle), 1.0) * 0.05))
    linear = np.array([guess.get(n, 0.0) for n in names]) + 0.3 * scale * rng.standard_normal(len(names))
    square = rng.standard_normal((len(names), len(names))) * curvature * scale / np.sqrt(len(names))
    return middle + z @ linear + np.einsum("ij,jk,ik->i", z, square, z)


def rehearse(
    brief: Brief,
    effects: Mapping[str, Mapping[str, float]] | None = None,
    *,
    batches: Sequence[int] = (12, 18, 24),
    slabs: int = 1,
    runs: int = 40,
    plan: Any = None,
    kind: str = "auto",
    confidence: float = 0.90,
    n_jobs: int | None = None,
    seed: int | None = None,
    progress: bool | None = None,
) -> pd.DataFrame:
    """Simulate the whole job and return how it would end, against the number of batches.

    Parameters
    ----------
    brief : Brief
    effects : mapping, optional
        Guessed effects, see `guessed_plant`, or read by `formlab.series.read_guesses`; drawn about nothing where left
        out.
    batches : sequence of int
        Numbers of mill batches to compare.
    slabs : int
        Slabs a batch.
    runs : int
        Simulated plants for each number of batches.
    plan : Plan, optional
        To rehearse this plan; `batches` and `slabs` are then its own. Otherwise an optimal one is laid out in each run.
    kind : str
        Kind of surface.
    confidence : float
    n_jobs : int, optional
        Workers, through joblib; where left out, what ``joblib.parallel_config`` says, else one. The answer does not
        depend on it.
    seed : int, optional
    progress : bool, optional
        As in `fit`. Stopped with Ctrl-C, what is done so far is returned.

    Returns
    -------
    DataFrame
        batches, runs, conforming (share that truly meets all targets), error (its standard error), claimed (mean
        conformance claimed), reached (share that could claim the confidence), possible (share of plants in which
        any formula conforms), cost (median, of the conforming ones; per litre), trials_cost (what the trials cost, in
        the brief's currency; missing where its ``[plant]`` does not say what an hour costs).

    Raises
    ------
    SuggestError
        If `effects` names what is no response, or no factor with a range, or no response has a target.
    PlanError
        If so few batches cannot carry the model.

    Examples
    --------
    >>> import formlab as fl
    >>> brief = fl.Brief(ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 20}],
    ...     response=[{"name": "hardness", "at_most": 55, "sd_batch": 0.5}], model="linear")
    >>> end = rehearse(brief, batches=(6,), runs=2, kind="least squares", seed=1, progress=False)
    >>> end[["batches", "runs"]].to_numpy().tolist()
    [[6, 2]]
    """
    root = np.random.SeedSequence(seed)
    laid = None if plan is None else plan.frame
    if laid is not None:
        batches = (int(laid["batch"].nunique()),)
    jobs = [
        (brief, effects or {}, count, slabs, laid, kind, confidence, child)
        for count, group in zip(batches, root.spawn(len(batches)))
        for child in group.spawn(runs)
    ]
    done: list[dict[str, Any]] = []
    try:
        for line in over_workers(_one_run, jobs, n_jobs, progress, "rehearsing"):
            done.append(line)
    except KeyboardInterrupt:
        if not done:
            raise
    frame = pd.DataFrame(done)
    out = []
    for count, group in frame.groupby("batches", sort=True):
        share = group["conforming"].mean()
        out.append(
            {
                "batches": count, "runs": len(group), "conforming": share,
                "error": float(np.sqrt(share * (1 - share) / len(group))),
                "claimed": group["claimed"].mean(), "reached": group["reached"].mean(),
                "possible": group["possible"].mean(), "cost": group.loc[group["conforming"], "cost"].median(),
            }
        )  # fmt: skip
        if brief.plant.mill_h is not None and brief.plant.rate_per_h is not None:
            formulas = Region.from_brief(brief).centre() if laid is None else laid
            out[-1]["trials_cost"] = trial_cost(brief, int(count), brief.complete(formulas))
    return pd.DataFrame(out)


def _one_run(
    brief: Brief, effects: Mapping[str, Mapping[str, float]], batches: int, slabs: int, laid: pd.DataFrame | None,
    kind: str, confidence: float, seed: np.random.SeedSequence,
) -> dict[str, Any]:  # fmt: skip
    from formlab.plans import lay_out
    from formlab.suggest.suggestion import suggest
    from formlab.surfaces import fit

    rng = np.random.default_rng(seed)
    plant = guessed_plant(brief, effects, rng)
    numbers = [int(v) for v in rng.integers(2**31, size=3)]
    if laid is None:
        laid = lay_out(brief, runs=batches * slabs, batches=batches, seed=numbers[0]).frame
    sample = Region.from_brief(brief).sample(2000, numbers[1])
    possible = bool(_meets(brief, plant.truth(sample)).any())
    line = {"batches": batches, "possible": possible, "conforming": False, "claimed": 0.0, "reached": False}
    try:
        surfaces = fit(brief, plant.measure(laid, rng), kind=kind, seed=numbers[1])
    except FitError:
        return {**line, "cost": np.nan}
    answer = suggest(brief, surfaces, confidence=confidence, seed=numbers[2], explain=False, alternatives=0)
    cost = np.nan if answer.cost is None else float(answer.cost["per_litre"])
    return {
        **line, "conforming": bool(_meets(brief, plant.truth(answer.frame))[0]), "cost": cost,
        "claimed": answer.conformance.true_mean, "reached": answer.reached,
    }  # fmt: skip


def _meets(brief: Brief, truth: pd.DataFrame) -> np.ndarray:
    ok = np.ones(len(truth), dtype=bool)
    for part in brief.responses:
        ok &= part.meets(truth[part.name])
    return ok
