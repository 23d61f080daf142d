"""One fitted response: predicts with uncertainty, and says how far it can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import chain
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import FitError, FormlabError
from formlab.html import Markup, escape, fold, headed, number, panel, table
from formlab.region import Region
from formlab.surfaces.contest import Origin
from formlab.surfaces.least_squares import Solution
from formlab.surfaces.mixed import MixedFit
from formlab.surfaces.noise import Noise, Scatter
from formlab.surfaces.outside import warn_outside
from formlab.surfaces.parts import Part, columns_of
from formlab.surfaces.readings import Slabs, Values
from formlab.terms import ModelSpace

__all__ = ["Surface", "check_shares"]

MANY = 400  # parts of the posterior for tables that speak of rare ones
NODES = 65  # of the table that a mixture of laws is inverted by
STRATA = 64  # equal parts of a law, each seen at its middle
CHUNK = 64  # formulas at a time, so that the table stays in cache


def check_shares(**given: float) -> None:
    """Raise FitError for the first of the named numbers that is not between 0 and 1."""
    for name, value in given.items():
        if not 0 < value < 1:
            raise FitError(f"{name} = {value:g}; give a share between 0 and 1, such as 0.95.")


@dataclass(frozen=True, repr=False)
class Surface:
    """A fitted response; made by `fit`.

    Attributes
    ----------
    name : str
    kind : str
        least squares, averaged, gaussian process or auto: how it was fitted; of a rating, count or pass/fail "…, maximum
        likelihood".
    space : ModelSpace
        The whole model that the brief asks for.
    parts, weights : tuple
        The posterior: ways of writing the response, and their probabilities.
    contest : DataFrame or None
        How the ways of writing it did on batches they had not seen: kind, variables, scale, score, behind,
        std_error, weight.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> surface = fl.fit(series.brief, series.trials(), ["hardness"], kind="least squares", seed=1)["hardness"]
    >>> surface.kind, surface.predict(series.brief.baseline).shape
    ('least squares', (1,))
    """

    brief: Brief
    response: Response
    kind: str
    space: ModelSpace
    slabs: Slabs
    values: Values
    noise: Noise
    parts: tuple[Part, ...]
    weights: tuple[float, ...]
    solution: Solution | None
    mixed: MixedFit | None
    contest: pd.DataFrame | None = None
    notes: list[str] = field(default_factory=list)
    origins: tuple[Origin, ...] = ()

    def __getstate__(self) -> dict[str, Any]:
        """All but what is kept by where things lie in memory."""
        return {key: value for key, value in self.__dict__.items() if key != "_turns"}

    @property
    def name(self) -> str:
        """Name of the response."""
        return self.response.name

    @cached_property
    def formulas(self) -> pd.DataFrame:
        """The formulas that were read, one row a value."""
        return self.slabs.formulas.iloc[self.values.rows].reset_index(drop=True)

    # ---- predictions ----------------------------------------------------------------------------

    def predict(self, frame: pd.DataFrame, return_std: bool = False, *, outside: str = "warn") -> Any:
        """Return the mean of the response in its own unit, shape (n,), integrated over the error levels.

        It is the middle of the posterior of that mean; of a rating or a pass the expectation, which is what a piece
        is expected to get. Where the brief's ``statistic`` of the response is the median,
        all of it is said of the true median.

        Parameters
        ----------
        frame : DataFrame
            Formulas with the brief's columns; fixed ingredients may be missing.
        return_std : bool
            Also return half the distance between the 16 and 84 per cent points of that posterior, shape (n,): the standard
            deviation where it is normal.
        outside : {"warn", "ignore"}
            What to do where formulas lie outside the brief's region by more than 1 % of a range and were not tried.

        Warns
        -----
        ExtrapolationWarning
            Naming the first such formula and the ranges and limits it breaks.
        """
        mean, std = self._mean_std(self._laws_at(frame, outside))
        return (mean, std) if return_std else mean

    def predict_median(self, frame: pd.DataFrame, *, outside: str = "warn") -> np.ndarray:
        """Return the median of the response at the n formulas of `frame`, shape (n,), in its own unit: half of all slabs lie below.

        `outside` as in `predict`.
        """
        laws = [replace(law, within=0.0) for law in self._laws_at(frame, outside)]
        return self._mean_std(laws)[0]

    @cached_property
    def _region(self) -> Region:
        return Region.from_brief(self.brief)

    def _laws_at(self, frame: pd.DataFrame, outside: str) -> list[_Law]:
        """Laws at formulas that the user asks for: said where they are extrapolated, in the user's own line."""
        complete = self.brief.complete(frame)
        laws = self._laws(complete)
        warn_outside(self._region, self.slabs.formulas, complete, outside, stacklevel=3)
        return laws

    def _laws(self, frame: pd.DataFrame) -> list[_Law]:
        bases: dict[int, np.ndarray] = {}
        laws = []
        for part in self.parts:
            variables = part.features.variables
            if id(variables) not in bases:
                bases[id(variables)] = variables.base(frame)
            eta, sd, df = part.moments(part.features.expand(bases[id(variables)]))
            batch, slab, reading = part.spread
            within = 0.0 if self.response.statistic == "median" else batch**2 + slab**2
            laws.append(_Law(part.scale, eta, sd, df, within, batch**2 + slab**2 + reading**2))
        return laws

    def may_pass(self, low: float, high: float) -> bool:
        """Whether some way of writing the response as measured comes within 3 sds of `low` or `high`, or beyond, at a trial."""
        laws = [law for law in self._laws(self.formulas) if law.scale.kind == "identity"]
        return any(((w.eta - 3 * w.sd < low) | (w.eta + 3 * w.sd > high)).any() for w in laws)

    def _mean_std(self, laws: list[_Law]) -> tuple[np.ndarray, np.ndarray]:
        """Middle of the posterior of the mean, and half the distance between its 16 and 84 per cent points.

        The expectation itself hangs on the far tail of a log scale; the middle does not. A rating and a share that
        passes have bounds on both sides, and their expectation is what a piece is expected to get: the middle may be near
        1 only because little is known.
        """
        if self.response.by_expectation:
            return _expectation(laws, self.weights)
        if len(laws) == 1:
            law = laws[0]
            # the middle difference keeps the standard deviation that of the mean on its own scale
            ends = law.scale.mean(law.eta + law.sd, law.within) - law.scale.mean(law.eta - law.sd, law.within)
            return law.scale.mean(law.eta, law.within), ends / 2
        low, middle, high = (_quantile(laws, self.weights, p) for p in (0.15865525, 0.5, 0.84134475))
        return middle, (high - low) / 2

    def predict_table(
        self, frame: pd.DataFrame, level: float = 0.95, *, outside: str = "warn"
    ) -> pd.DataFrame:
        """Return predictions with intervals, the index of `frame` kept.

        Parameters
        ----------
        frame : DataFrame
            Formulas, as in `predict`.
        level : float
            Of the intervals, between 0 and 1.
        outside : {"warn", "ignore"}
            What to do where formulas lie outside the brief's region by more than 1 % of a range and were not tried.

        Returns
        -------
        DataFrame
            mean, std_error (both as in `predict`), low, high (of the mean; all of the median where the brief's ``statistic`` is that), batch_low, batch_high (one reading of one slab of a new
            batch), all in the response's own unit.

        Raises
        ------
        FitError
            If `level` is not between 0 and 1.

        Warns
        -----
        ExtrapolationWarning
            Naming the first such formula and the ranges and limits it breaks.
        """
        check_shares(level=level)
        laws = self._laws_at(frame, outside)
        mean, std = self._mean_std(laws)
        out = {"mean": mean, "std_error": std}
        new = [_Law(w.scale, w.eta, np.sqrt(w.sd**2 + w.total), w.df, 0.0, 0.0) for w in laws]
        for end, p in (("low", (1 - level) / 2), ("high", (1 + level) / 2)):
            out[end] = _quantile(laws, self.weights, p)
            out[f"batch_{end}"] = (
                _quantile(new, self.weights, p)
                if self.response.kind == "measure"
                else self._counted(laws[0], p)
            )
        out = {name: out[name] for name in ("mean", "std_error", "low", "high", "batch_low", "batch_high")}
        return pd.DataFrame(out, index=frame.index)

    def _counted(self, law: _Law, p: float, spread: int = 21, reads: int = 120) -> np.ndarray:
        """Quantile of one reading of a rating, count or pass/fail: over the predictor's law, and the reading's about it."""
        from scipy.special import ndtri

        along = ndtri((np.arange(spread) + 0.5) / spread)[:, None, None]
        z = ndtri((np.arange(reads) + 0.5) / reads)[:, None]
        sd = np.hypot(law.sd, self.parts[0].spread[1])
        read = law.scale.read(law.eta + along * sd, z, 0.0).reshape(spread * reads, -1)
        return np.asarray(np.quantile(read, p, axis=0, method="inverted_cdf"))

    def draw_scale(self, frame: pd.DataFrame, draws: int = 400, seed: int = 0) -> np.ndarray:
        """Return posterior draws of the predictor on the scale of the fit at the n formulas of `frame`, shape (draws, n).

        Ways of writing the response on another scale are left out. One `seed`, the same draws.
        """
        rng = np.random.default_rng(seed)
        complete = self.brief.complete(frame)
        slabs, batches = len(self.slabs), int(self.slabs.batches.max()) + 1
        same = [(p, w) for p, w in zip(self.parts, self.weights) if p.scale == self.values.scale]
        total = sum(w for _, w in same)
        out = []
        for part, weight in same:
            k = max(round(draws * weight / total), 1)
            scatter = Scatter(rng.standard_normal((k, batches)), rng.standard_normal((k, slabs)))
            out.append(part.draw(scatter, rng).coef @ columns_of(part.features, complete).T)
        return np.concatenate(out)

    @cached_property
    def projector(self) -> tuple[pd.DataFrame, np.ndarray]:
        """Formulas all over the region, and what turns predictors there into the nearest coefficients of the brief's terms."""
        try:
            cover = self._region.sample(max(200, 4 * len(self.space)), seed=3)
        except FormlabError:  # an empty region: only the trials themselves
            cover = self.formulas
        return cover, np.linalg.pinv(self.space.matrix(cover))

    @cached_property
    def in_full(self) -> Surface:
        """The same posterior in many more parts, for tables that speak of rare ones; itself where it has no more."""
        if not self.origins:
            return self
        rng = np.random.default_rng(0)
        origins = tuple(Origin.of(o.entrant, o.weight, MANY, rng) for o in self.origins)
        parts = tuple(chain.from_iterable(o.parts for o in origins))
        weights = tuple(chain.from_iterable(o.weights for o in origins))
        return replace(self, parts=parts, weights=weights, origins=origins)

    @cached_property
    def _turns(self) -> dict[int, np.ndarray]:
        return {}

    def nearest(self, part: Part) -> np.ndarray:
        """Return what turns coefficients of a part into the nearest ones of the brief's terms over the region, shape (terms, p)."""
        key = id(part.features)
        if key not in self._turns:
            cover, projector = self.projector
            self._turns[key] = projector @ columns_of(part.features, cover)
        return self._turns[key]

    # ---- tables ---------------------------------------------------------------------------------

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """term, estimate, std_error, t, df, p, low, high (95 %), vif, on the scale of the fit.

        Of least squares or the mixed model where that is the kind; else what the terms of the brief's model
        come nearest to the surface with, over the region, and how uncertain that is.
        """
        from formlab.surfaces.tables import coefficients

        return coefficients(self)

    @cached_property
    def anova(self) -> pd.DataFrame:
        """Analysis of variance of the whole model about the mean: source, df, ss, ms, f, p.

        With lack of fit where formulas repeat. Of a mixed model: source, df, df_error, f, p, each factor and
        product of factors given all others.
        """
        from formlab.surfaces.tables import anova_of

        return anova_of(self)

    @cached_property
    def components(self) -> pd.DataFrame:
        """Levels of error: level, groups, variance, sd, low, high (95 % of the sd), on the scale of the fit.

        NaN for a level that the law of a rating, count or pass/fail does not have.
        """
        from formlab.surfaces.tables import components

        return components(self)

    @cached_property
    def summary(self) -> pd.Series:
        """kind, trials, batches, terms, r2, r2_adjusted, r2_predicted, s, press, condition, scale.

        R² is about the mean, without the shifts of test sessions, operators and a history; s is NaN for the law of a
        rating or pass/fail, which has no such error.
        """
        from formlab.surfaces.tables import summary

        return summary(self)

    @cached_property
    def priors(self) -> pd.DataFrame:
        """Every prior that the fit rests on: way (of writing the response), of (what), law; on the scale of the fit."""
        from formlab.surfaces.priors import stated

        return stated(self)

    @cached_property
    def hinges(self) -> pd.DataFrame:
        """What each term does by the stated prior, and with its scale halved and doubled: term, stated, halved, doubled, flips.

        A term "rises" or "falls" where its 95 % interval leaves out zero, else it is "open". The same draws are
        weighted anew. Empty under a flat prior.
        """
        from formlab.surfaces.hinges import hinges

        return hinges(self)

    @cached_property
    def diagnostics(self) -> pd.DataFrame:
        """One row a value: trial, batch, measured, fitted, residual, leverage, studentised, cook, left_out, left_out_error."""
        from formlab.surfaces.diagnose import diagnostics

        return diagnostics(self)

    @cached_property
    def warnings_(self) -> list[str]:
        """What the user must know, in plain sentences, gravest first."""
        from formlab.surfaces.remarks import warnings_of

        return warnings_of(self)

    @cached_property
    def looks(self) -> list[tuple[int, str]]:
        """What weakens the fit as a whole: how grave it is, least the gravest, and what to say."""
        from formlab.surfaces.remarks import looks

        return looks(self)

    @property
    def formula_warnings(self) -> list[str]:
        """Those of `warnings_` that bear on a formula, not on the fit alone; known sooner."""
        from formlab.surfaces.remarks import about_formulas

        return about_formulas(self)

    # ---- shown ----------------------------------------------------------------------------------

    @property
    def verdict(self) -> str:
        """How good it is, in one sentence."""
        s = self.summary
        out = s["r2_predicted"]
        said = f"of batches left out {out:.2f}" if np.isfinite(out) else "some decide a term alone"
        error = f"error {s['s']:.3g}{self._error_unit}, " if np.isfinite(s["s"]) else ""
        return (
            f"{s['trials']} trials in {s['batches']} batches, fitted {s['scale']}: {error}"
            f"R² {s['r2']:.2f}, {said}"
        )

    @property
    def _error_unit(self) -> str:
        """Unit of the error; of one on another scale what it is in the response's own unit, halfway along what was read."""
        unit = f" {self.response.unit}" if self.response.unit else ""
        scale = self.values.scale
        if scale.kind == "identity":
            return unit
        middle, error = float(np.median(self.values.eta)), float(self.summary["s"])
        low, high = scale.mean(np.array([middle - error, middle + error]), 0.0)
        return f" on that scale (about {abs(high - low) / 2:.2g}{unit} in the middle)"

    def __repr__(self) -> str:
        return f"Surface({self.name!r}: {self.kind}, {self.summary['trials']} trials)"

    def __str__(self) -> str:
        title = self.response.title
        head = title if title == self.name else f"{title} ({self.name})"
        parts = ["\n".join([f"{head}: {self.verdict}", *(f"  ! {w}" for w in self.warnings_)])]
        only = "; of shares and cut points only differences count" if self._shares_with_cuts else ""
        tables = {f"Coefficients, on the scale of the fit ({self.values.scale.text}{only})": self._shown}
        if len(self.cut_points):
            tables["Cut points of the predictor"] = self.cut_points
        if self.solution is not None:
            tables[
                "Analysis of variance of the whole model by least squares, each line beside all others"
            ] = headed(self.anova)
        for title, frame in tables.items():
            text = frame.to_string(index=False, float_format=lambda v: number(v, 4))
            parts.append("\n".join([title, *("  " + line for line in text.splitlines())]))
        return "\n\n".join(parts)

    @property
    def _shares_with_cuts(self) -> bool:
        """Whether shares, which sum to 1, and cut points could all be raised together without a change."""
        return bool(self.space.shares) and len(self.cut_points) > 0

    @property
    def cut_points(self) -> pd.DataFrame:
        """Of a rating: between (two neighbouring categories), at (the predictor where half lie above); else no rows."""
        scale = self.parts[0].scale
        ends = getattr(scale, "categories", ())
        between = [f"{low:g} and {high:g}" for low, high in zip(ends, ends[1:])]
        return pd.DataFrame({"between": between, "at": list(getattr(scale, "thresholds", ()))})

    @property
    def _shown(self) -> pd.DataFrame:
        """The coefficients without what says nothing of this kind of fit."""
        least = self.kind == "least squares"
        table = self.coefficients
        if len(self.cut_points):  # they stand for the constant
            table = table[table["term"] != "1"]
        return headed(table.drop(columns=["df"] if least else ["t", "df", "p", "vif"]))

    def _repr_html_(self) -> str:
        notes = Markup("".join(f"<p>{escape(text)}</p>" for text in self.warnings_[:3]))
        shown = self._shown
        flips = set(self.hinges.loc[self.hinges["flips"], "term"])
        if flips:
            shown["prior"] = ["hangs on it" if term in flips else "" for term in shown["term"]]
        parts = [notes, table(shown, rows=60)]
        if len(self.cut_points):
            parts.append(fold("Cut points of the predictor", table(self.cut_points)))
        if self.contest is not None:
            parts.append(fold("The contest: ways of writing it, by what they predicted", table(self.contest)))
        if self.solution is not None:
            parts.append(fold("Analysis of variance of the whole model", table(headed(self.anova), rows=60)))
        told = "slab" in self.noise.names or ("batch" in self.noise.names and not self.noise.slabs_repeat)
        apart = "" if told else ": batch and slab divide by a prior, no batch has two slabs"
        parts.append(fold(f"Levels of error{apart}", table(self.components)))
        parts.append(fold("Priors", table(self.priors, rows=40)))
        if len(self.warnings_) > 3:
            more = Markup("".join(f"<p>{escape(text)}</p>" for text in self.warnings_[3:]))
            parts.append(fold(f"{len(self.warnings_) - 3} more remarks", more))
        return panel(f"{self.response.title} ({self.kind})", self.verdict, *parts)


@dataclass(frozen=True)
class _Law:
    """A Student law of the predictor at some formulas, and the variances about it."""

    scale: Any
    eta: np.ndarray
    sd: np.ndarray
    df: float
    within: float  # of batches and slabs: integrated into the mean; 0 for the median
    total: float  # of one reading of one slab of a new batch


def _expectation(laws: list[_Law], weights: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of a mixture of Student laws in the response's own unit, where that has bounds."""
    from scipy.special import ndtri, stdtrit

    shares = (np.arange(STRATA) + 0.5) / STRATA
    mean = square = np.zeros(len(laws[0].eta))
    for law, weight in zip(laws, weights):
        z = ndtri(shares) if np.isinf(law.df) else stdtrit(law.df, shares)
        values = law.scale.mean(law.eta[:, None] + z * law.sd[:, None], law.within)
        mean, square = mean + weight * values.mean(axis=1), square + weight * (values**2).mean(axis=1)
    return mean, np.sqrt(np.maximum(square - mean**2, 0.0))


def _quantile(laws: list[_Law], weights: tuple[float, ...], p: float) -> np.ndarray:
    """Quantile of a mixture of Student laws that may live on different scales.

    Each law is tabulated once in the response's own unit, over its own deviate; between the nodes the deviate
    is interpolated, which is exact on the scale as measured and good to four digits on the others. Newton steps,
    kept between the laws' own quantiles.
    """
    from scipy.special import ndtri, stdtrit

    places = [float(ndtri(p) if np.isinf(w.df) else stdtrit(w.df, p)) for w in laws]
    tails = np.array([w.scale.mean(w.eta + z * w.sd, w.within) for w, z in zip(laws, places)])
    if len(laws) == 1:
        return np.asarray(tails[0])
    nodes = np.linspace(-1.0, 1.0, NODES) ** 3 * (2 * max(map(abs, places)) + 12.0)
    freedom, share = np.array([w.df for w in laws])[:, None], np.array(weights)[:, None]
    out = np.empty(tails.shape[1])
    for start in range(0, len(out), CHUNK):
        part = slice(start, start + CHUNK)
        table = np.array(
            [w.scale.mean(w.eta[part, None] + nodes * w.sd[part, None], w.within) for w in laws]
        )  # laws, formulas, nodes
        out[part] = _solved(table, nodes, freedom, share, p, tails[:, part])
    return out


def _solved(
    table: np.ndarray, nodes: np.ndarray, freedom: np.ndarray, share: np.ndarray, p: float, tails: np.ndarray
) -> np.ndarray:
    """Where the mixture's distribution function is p, by Newton steps with a bracket."""
    low, high = tails.min(axis=0), tails.max(axis=0)
    close = 1e-9 * np.maximum(np.abs(low) + np.abs(high), 1e-300)
    now = np.clip((share * tails).sum(axis=0), low, high)
    for _ in range(60):
        k = np.clip((table < now[:, None]).sum(axis=2), 1, len(nodes) - 1)[..., None]
        left = np.take_along_axis(table, k - 1, axis=2)[..., 0]
        width = np.maximum(np.take_along_axis(table, k, axis=2)[..., 0] - left, 1e-300)
        step = nodes[k[..., 0]] - nodes[k[..., 0] - 1]
        z = nodes[k[..., 0] - 1] + np.clip((now - left) / width, 0, 1) * step
        chance, density = _student(z, freedom)
        short = p - (share * chance).sum(axis=0)
        low, high = np.where(short > 0, now, low), np.where(short > 0, high, now)
        moved = now + short / np.maximum((share * density * step / width).sum(axis=0), 1e-300)
        moved = np.where((moved > low) & (moved < high), moved, (low + high) / 2)
        done = bool((np.abs(moved - now) <= close).all())
        now = moved
        if done:
            break
    return np.asarray(now)


def _student(z: np.ndarray, freedom: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distribution function and density of Student laws; of the normal law where `freedom` is infinite."""
    from scipy.special import gammaln, ndtr, stdtr

    endless = np.isinf(freedom)
    nu = np.where(endless, 1.0, freedom)
    tail = gammaln((nu + 1) / 2) - gammaln(nu / 2) - 0.5 * np.log(nu * np.pi)
    density = np.where(
        endless, np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi), np.exp(tail - (nu + 1) / 2 * np.log1p(z**2 / nu))
    )
    return np.where(endless, ndtr(z), stdtr(nu, z)), density
