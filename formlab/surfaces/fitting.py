"""From one response's values to its surface: which ways of writing it enter, and how they are mixed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import FitError, FormlabError
from formlab.html import counted
from formlab.progress import tick
from formlab.region import Region
from formlab.surfaces.averaging import Averaged, Terms, polynomial_terms
from formlab.surfaces.contest import Entrant, Origin, contest_table, stack
from formlab.surfaces.discrete import fit_discrete, noise_free
from formlab.surfaces.gaussian_process import MOST_TRIALS, GaussianProcess, Priors
from formlab.surfaces.least_squares import Solution, check_estimable, solve
from formlab.surfaces.leave_out import left_out_student
from formlab.surfaces.mixed import MixedFit, least_squares_part, reml, variance_parts
from formlab.surfaces.noise import Noise
from formlab.surfaces.parts import Features, LeastSquaresPart, Part, TermFeatures, columns_of
from formlab.surfaces.readings import Slabs, Values, level_priors, noise_of, usable, values_of
from formlab.surfaces.remarks import NO_TABLE
from formlab.surfaces.sampling import strata
from formlab.surfaces.scales import Scale
from formlab.surfaces.surface import Surface
from formlab.surfaces.variables import Variables, offered
from formlab.terms import ModelSpace

__all__ = ["Ground", "fit_response"]

CHAINS = 48  # of averaging, each at its own ratios of the errors
KEPT = 28  # parts that the posterior of a response is kept in
READINGS = 3  # of a rating, count or pass/fail for every term, below which a maximum says little
LEAST = 4  # trials below which there is nothing to learn from


@dataclass(frozen=True)
class Ground:
    """What all responses of a series share."""

    brief: Brief
    slabs: Slabs
    space: ModelSpace
    prior_scale: float = 1.0

    @cached_property
    def sets(self) -> list[Variables]:
        """Sets of variables on offer."""
        return offered(self.brief, self.slabs.formulas)

    @cached_property
    def terms(self) -> TermFeatures:
        return TermFeatures(self.space)

    @cached_property
    def cover(self) -> pd.DataFrame:
        """Formulas all over the region."""
        try:
            return Region.from_brief(self.brief).sample(200, seed=2)
        except FormlabError:  # an empty region: only the trials themselves
            return self.slabs.formulas

    @cached_property
    def polynomials(self) -> dict[Variables, tuple[Features, Terms]]:
        return {v: polynomial_terms(v) for v in self.sets[1:]}

    def ready(self, kind: str) -> Ground:
        """Work out now what `kind` needs, so that it is the same objects for all responses wherever they are fitted."""
        _ = self.terms
        if kind != "least squares":
            _ = self.sets, self.cover, self.polynomials
        return self


def fit_response(ground: Ground, response: Response, kind: str, rng: np.random.Generator) -> Surface:
    """Return the surface of one response."""
    if response.kind != "measure":
        return _discrete(ground, response, kind)
    scale, notes = _scale(ground, response)
    values = values_of(ground.slabs, response, scale)
    noise, said = noise_of(values, ground.slabs)
    said = [*said, *ground.space.merged]
    bench = _Bench(ground, values, noise, rng)
    if kind == "least squares":
        return bench.least_squares(notes + said)
    bench.check_enough(kind)
    return bench.mixed(kind, notes + said)


def _discrete(ground: Ground, response: Response, kind: str) -> Surface:
    """A rating, count or pass/fail: the whole model by maximum likelihood, or its linear terms where kind leaves the choice."""
    space, slabs = ground.space, ground.slabs
    values = values_of(slabs, response, Scale())
    notes = []
    if kind != "least squares":  # not those of the whole model: its products may carry what is linear
        whole = space
        space = ModelSpace(ground.brief, "linear", "linear", "none", whole.measure)
        words = f"A {response.kind} is fitted by maximum likelihood with linear terms"
        if len(whole) > len(space):
            words += _ask_for_whole(whole, slabs.formulas.iloc[values.rows])
        notes.append(f"{words}.")
    formulas = slabs.formulas.iloc[values.rows]
    check_tried(ground.brief, formulas, response.name)
    columns = space.matrix(formulas)
    check_estimable(columns, space.names, _said(space))
    constant = np.zeros(len(space), dtype=bool)
    names = [t.factors for t in space.terms]
    constant[names.index(()) if () in names else names.index((space.shares[-1],))] = True
    part, values, said = fit_discrete(TermFeatures(space), columns, constant, values)
    noise = noise_free(values, slabs.batches)
    return Surface(
        ground.brief, response, f"{response.kind}, maximum likelihood", space, slabs, values, noise, (part,), (1.0,),
        None, None, None, notes + said,
    )  # fmt: skip


def check_tried(brief: Brief, formulas: pd.DataFrame, response: str) -> None:
    """Raise for an ingredient that no trial had any of, such as one that is newer than the trials."""
    for name in brief.varied:
        if (formulas[name] == 0).all():
            raise FitError(
                f"Response {response!r}: no trial had any {name!r}, so what it does cannot be estimated. Make trials with it "
                "(formlab extend, or extend in Python), or leave it out of the brief."
            )


def _ask_for_whole(space: ModelSpace, formulas: pd.DataFrame) -> str:
    """How to ask for the terms that were left out, or that these trials cannot carry them."""
    try:
        check_estimable(space.matrix(formulas), space.names, _said(space))
    except FitError:
        return "; these trials cannot carry the whole model"
    if len(formulas) < READINGS * len(space):
        return f"; the whole model has {len(space)}, and would take {READINGS * len(space)} readings or more to be worth asking for"
    return "; ask for the whole model with kind = 'least squares'"


def _scale(ground: Ground, response: Response) -> tuple[Scale, list[str]]:
    """The scale asked for; where it was left to choose and readings lie on a bound, the scale as measured."""
    scale = Scale.of(response)
    if response.scale != "auto" or response.name not in ground.slabs.readings:
        return scale, []
    frame = ground.slabs.readings
    y = pd.to_numeric(frame.loc[usable(frame), response.name], errors="coerce").dropna()
    beyond = int((~scale.inside(y.to_numpy())).sum())
    if not beyond:
        return scale, []
    return Scale(), [
        f"{beyond} reading(s) lie at or beyond the bounds, where the scale ({scale.text}) ends: fitted as measured. "
        "Predictions may pass the bounds."
    ]


@dataclass(frozen=True)
class _Bench:
    """One response on the bench."""

    ground: Ground
    values: Values
    noise: Noise
    rng: np.random.Generator

    @cached_property
    def formulas(self) -> pd.DataFrame:
        return self.ground.slabs.formulas.iloc[self.values.rows].reset_index(drop=True)

    @cached_property
    def columns(self) -> np.ndarray:
        return self.ground.space.matrix(self.formulas)

    @property
    def groups(self) -> np.ndarray:
        """Batches as numbers from 0: what is left out together."""
        return self.values.batches

    def on_own_scale(self, score: np.ndarray, values: Values) -> np.ndarray:
        """Turn log densities on the scale of the fit into those of the response's own unit."""
        jacobian = np.where(values.side == 0, -np.log(values.scale.slope(values.eta)), 0.0)
        return score + np.bincount(self.groups, jacobian)

    # ---- least squares and the mixed model ------------------------------------------------------

    def estimates(self) -> tuple[Solution, MixedFit | None]:
        space = self.ground.space
        check_tried(self.ground.brief, self.formulas, self.values.response.name)
        try:
            solution = solve(self.columns, self.values.eta, space.names, _said(space))
        except FitError as error:
            # effects of levels are coded together, so the term it names may be of another level
            for name, levels in space.categories.items():
                never = [level for level in levels if level not in set(self.formulas[name].astype(str))]
                if never:
                    raise FitError(
                        f"{error} {name!r} was never {never[0]!r}: try it, or drop that level."
                    ) from None
            raise
        self._check_levels()
        levelled = bool(self.noise.names) or np.ptp(np.atleast_1d(self.noise.known)) > 0
        if solution.df and levelled:
            return solution, reml(self.columns, self.values.eta, self.noise, space.names, _said(space))
        return solution, None

    @cached_property
    def _used_up(self) -> str:
        """The first level of error whose groups are all taken up by terms that change with it; empty where none is."""
        rank = np.linalg.matrix_rank(self.columns)
        for name, code in zip(self.noise.names, self.noise.codes):
            groups = np.eye(code.max() + 2)[:, :-1][code]  # no group is a row of zeros
            if np.linalg.matrix_rank(np.column_stack([self.columns, groups])) == rank:
                return name
        return ""

    def _check_levels(self) -> None:
        """Raise where nothing is left to tell how large the error of a level is."""
        name = self._used_up
        if name:
            plural = {"batch": "batches"}.get(name, f"{name}s")
            raise FitError(
                f"Response {self.values.response.name!r}: the terms that change with the {name} take up all {plural}, so "
                f'nothing tells how far {plural} differ. Add {plural}, choose a smaller model, or use kind = "averaged".'
            )

    def least_squares(self, notes: list[str]) -> Surface:
        solution, mixed = self.estimates()
        self._check_spare(len(self.ground.space))
        parts = self._flat_parts(self.ground.terms)
        return self._surface("least squares", parts, solution, mixed, notes)

    def _flat_parts(self, features: Features) -> list[LeastSquaresPart]:
        eta, scale = self.values.eta, self.values.scale
        if self.noise.names:
            return variance_parts(features, scale, self.columns, eta, self.noise, self.rng)
        spare = self.columns.shape[0] - self.columns.shape[1]
        noise = self.noise
        if np.any(noise.known):
            rest = eta - self.columns @ np.linalg.lstsq(self.columns, eta, rcond=None)[0]
            unit = float(rest @ rest) / spare
            noise = noise.relative(max(unit - float(np.mean(noise.known)), 0.1 * unit))
        return [least_squares_part(features, scale, self.columns, eta, noise, np.ones(1))]

    def _check_spare(self, terms: int) -> None:
        read = int((self.values.side == 0).sum())
        if read == terms:
            raise FitError(
                f"Response {self.values.response.name!r}: {terms} terms from n_samples = "
                f"{read} trials leave no degree of freedom for error, so no interval can be given. "
                "Add at least 1 trial(s), or choose a smaller model."
            )

    # ---- averaged, gaussian process, auto -------------------------------------------------------

    def _check_base(self) -> None:
        """Raise where the terms that averaging always holds, under a flat prior, cannot be estimated."""
        space, base, read = self.ground.space, _terms_of(self.ground.space).base, self.values.side == 0
        check_tried(self.ground.brief, self.formulas, self.values.response.name)
        names = [n for n, b in zip(space.names, base) if b]
        check_estimable(self.columns[:, base], names)
        if not read.all():
            try:
                check_estimable(self.columns[read][:, base], names)
            except FitError as error:
                raise FitError(
                    f"Response {self.values.response.name!r} has {counted(int((~read).sum()), 'censored reading')} where nothing else tells a "
                    f"coefficient, which then has no end. Add readings within the test's range there: {error}"
                ) from None
        self._check_spare(int(base.sum()))

    @cached_property
    def _base_is_told(self) -> bool:
        try:
            self._check_base()
        except FitError:
            return False
        return True

    def check_enough(self, kind: str) -> None:
        n = len(set(self.values.rows[self.values.side == 0]))
        if not self.ground.sets:
            raise FitError(
                f"Response {self.values.response.name!r}: the brief varies no ingredient and no setting, so there is no surface "
                'to find. Widen a range, or use kind = "least squares" for the mean and its error.'
            )
        if n < LEAST:
            raise FitError(
                f"Response {self.values.response.name!r} has n_samples = {n} trial{'s' if n != 1 else ''}; kind {kind!r} needs at "
                f"least {LEAST}. Add at least {LEAST - n} trial(s)."
            )
        if kind == "averaged":
            self._check_base()
        if kind == "gaussian process" and len(self.values.y) > MOST_TRIALS:
            raise FitError(
                f"Response {self.values.response.name!r} has {len(self.values.y)} values; a Gaussian process here takes at most "
                f'{MOST_TRIALS}. Use kind = "averaged" or "least squares".'
            )

    def mixed(self, kind: str, notes: list[str]) -> Surface:
        entrants = self.entrants(kind)
        weights = stack(np.array([e.score for e in entrants]).T)
        table = contest_table(entrants, weights)
        parts, shares, origins = _kept(entrants, weights, self.rng)
        bench = self._on(_heaviest(parts, shares))
        solution: Solution | None = None
        mixed: MixedFit | None = None
        try:
            if bench.values.side.any():
                raise FitError("some readings are censored; use readings within the test's range for one.")
            solution, mixed = bench.estimates()
        except FitError as error:
            notes = [*notes, f"{NO_TABLE}: {error}"]
        surface = bench._surface(kind, parts, solution, mixed, notes, shares, table)
        return replace(surface, origins=tuple(origins))

    def _on(self, scale: Scale) -> _Bench:
        """The same response with its tables on another scale."""
        if scale == self.values.scale:
            return self
        values = values_of(self.ground.slabs, self.values.response, scale)
        return replace(self, values=values, noise=noise_of(values, self.ground.slabs)[0])

    def entrants(self, kind: str) -> list[Entrant]:
        sets = self.ground.sets
        found: list[Entrant] = []
        process: GaussianProcess | None = None
        if kind != "averaged" and len(self.values.y) <= MOST_TRIALS:
            for variables in sets:
                process = self._process(variables, self.values, self.noise)
                found.append(self._enter_process(process, self.values))
            natural = self.values.scale.kind != "identity" and self.values.response.scale == "auto"
            # as measured, what lies below a limit may lie below the bound too: nothing would speak against it
            if kind == "auto" and natural and not self.values.side.any():
                found.append(self._plain_scale(sets[-1]))
        if kind != "gaussian process":
            ratios = self._ratios() if process is None else process.level_ratios
            for variables in sets if kind == "averaged" else [sets[0], sets[-1]][: len(sets)]:
                if variables is sets[0] and not self._base_is_told:
                    continue
                found.append(self._average(variables, ratios))
        if kind == "auto":
            found += self._plain()
        return found

    def _process(self, variables: Variables, values: Values, noise: Noise) -> GaussianProcess:
        tick(f"{values.response.name}, Gaussian process")
        priors = Priors(level_priors(values, noise)).scaled(self.ground.prior_scale)
        base, cover = variables.base(self.formulas), variables.base(self.ground.cover)
        process = GaussianProcess(
            variables, values.scale, base, values.eta, noise, priors, cover, values.side
        )
        return process.fit(self.rng)

    def _enter_process(self, process: GaussianProcess, values: Values) -> Entrant:
        score = self.on_own_scale(process.left_out(self.groups), values)
        return Entrant("gaussian process", process.variables.text, values.scale.text, process, score)

    def _plain_scale(self, variables: Variables) -> Entrant:
        """The process on the scale as measured, where the natural scale was a choice."""
        values = values_of(self.ground.slabs, self.values.response, Scale())
        noise, _ = noise_of(values, self.ground.slabs)
        return self._enter_process(self._process(variables, values, noise), values)

    def _ratios(self) -> np.ndarray:
        if not self.noise.names:
            return np.ones((1, 1))
        return self._process(self.ground.sets[0], self.values, self.noise).level_ratios

    def _average(self, variables: Variables, ratios: np.ndarray) -> Entrant:
        tick(f"{self.values.response.name}, averaging models")
        features: Features
        if variables is self.ground.sets[0]:
            features, terms = self.ground.terms, _terms_of(self.ground.space)
        else:
            features, terms = self.ground.polynomials[variables]
        columns, cover = (columns_of(features, some) for some in (self.formulas, self.ground.cover))
        chains = ratios[strata(len(ratios), CHAINS)]
        noise = self.noise
        if np.any(noise.known):
            noise = noise.relative(max(float(np.var(self.values.eta)) * 0.05, 1e-300))
        averaged = Averaged(
            features,
            terms,
            self.values.scale,
            columns,
            self.values.eta,
            noise,
            chains,
            cover,
            self.ground.prior_scale**2,
            self.values.side,
        ).fit(self.rng)
        score = self.on_own_scale(averaged.left_out(self.groups), self.values)
        return Entrant("averaged", variables.text, self.values.scale.text, averaged, score)

    def _plain(self) -> list[Entrant]:
        """Least squares on the whole model, where it leaves at least three degrees of freedom and no reading is censored."""
        if self.values.side.any():
            return []
        n, p = self.columns.shape
        rank = np.linalg.matrix_rank(self.columns)
        if n - p < 3 or rank < p or self._used_up:
            return []
        parts = self._flat_parts(self.ground.terms)
        logs = [left_out_student(part.precision, part.y, int(part.df), self.groups) for part in parts]
        score = np.logaddexp.reduce(np.array(logs), axis=0) - np.log(len(parts))
        score = self.on_own_scale(score, self.values)
        return [Entrant("least squares", "as written", self.values.scale.text, _Fixed(parts), score)]

    def _surface(
        self,
        kind: str,
        parts: Sequence[Part],
        solution: Solution | None,
        mixed: MixedFit | None,
        notes: list[str],
        weights: np.ndarray | None = None,
        contest: pd.DataFrame | None = None,
    ) -> Surface:
        shares = np.full(len(parts), 1 / len(parts)) if weights is None else weights
        values = self.values
        if values.side.any():
            same = [(part.y, share) for part, share in zip(parts, shares) if part.scale == values.scale]
            eta = np.average([y for y, _ in same], axis=0, weights=[share for _, share in same])
            values = replace(values, eta=eta)
        return Surface(
            self.ground.brief, self.values.response, kind, self.ground.space, self.ground.slabs, values,
            self.noise, tuple(parts), tuple(map(float, shares)), solution, mixed, contest, notes,
        )  # fmt: skip


class _Fixed:
    """Parts that are there already, under a flat prior."""

    def __init__(self, parts: list[LeastSquaresPart]) -> None:
        self._parts = parts

    def pick(self, count: int, rng: np.random.Generator) -> np.ndarray:
        if count >= len(self._parts):
            return np.arange(len(self._parts))
        return rng.choice(len(self._parts), count, replace=False)

    def parts(self, picked: np.ndarray) -> list[LeastSquaresPart]:
        return [self._parts[i] for i in picked]

    def rescaled(
        self, picked: np.ndarray, parts: Sequence[Part], factor: float
    ) -> tuple[Sequence[Part], np.ndarray]:
        return parts, np.zeros(len(picked))


def _kept(
    entrants: list[Entrant], weights: np.ndarray, rng: np.random.Generator
) -> tuple[list[Part], np.ndarray, list[Origin]]:
    """Parts of the entrants that matter, as many of each as its weight asks for, and where they come from."""
    weights = np.where(weights < 0.02, 0.0, weights)
    weights = weights / weights.sum()
    parts: list[Part] = []
    shares: list[float] = []
    origins: list[Origin] = []
    for entrant, weight in zip(entrants, weights):
        if weight:
            origins.append(Origin.of(entrant, float(weight), KEPT, rng))
            parts += origins[-1].parts
            shares += origins[-1].weights
    return parts, np.array(shares), origins


def _heaviest(parts: Sequence[Part], shares: np.ndarray) -> Scale:
    """The scale that most of the posterior lives on."""
    weight: dict[Scale, float] = {}
    for part, share in zip(parts, shares):
        weight[part.scale] = weight.get(part.scale, 0.0) + float(share)
    return max(weight, key=lambda scale: weight[scale])


def _terms_of(space: ModelSpace) -> Terms:
    """The brief's own model as a space to average over: the constant, or the blend's linear terms, always in."""
    degree = np.array([t.degree for t in space.terms])
    base = np.array([not t.factors or (t.degree == 1 and t.factors[0] in space.shares) for t in space.terms])
    parents = np.zeros((len(space), len(space)), dtype=bool)
    for k in range(len(space)):
        parents[k, space.parents(k)] = True
    return Terms(space.names, base, degree, parents)


def _said(space: ModelSpace) -> str:
    """The model in words, for a message that asks for a smaller one."""
    settings = f" (setting_model {space.setting_model}, crossed {space.crossed})" if space.settings else ""
    return f"{space.model}{settings}"
