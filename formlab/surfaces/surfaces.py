"""All responses of a brief, fitted together, and joint draws from them."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from copy import copy
from dataclasses import replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import FitError
from formlab.html import Markup, escape, headed, panel, table
from formlab.surfaces.diagnose import over_parts
from formlab.surfaces.draws import Columns, Draws, Mixed
from formlab.surfaces.fitting import Ground, fit_response
from formlab.surfaces.gaussian_process import KernelFeatures, expanded
from formlab.surfaces.makeable import Chance, chance_to_make
from formlab.surfaces.noise import Scatter
from formlab.surfaces.parts import Features
from formlab.surfaces.readings import Slabs, arrange, refuse_censored
from formlab.surfaces.surface import Surface
from formlab.surfaces.variables import Held, Variables
from formlab.terms import ModelSpace
from formlab.workers import one_thread, over_workers

__all__ = ["KINDS", "Surfaces", "fit"]

KINDS = ("auto", "least squares", "averaged", "gaussian process")


def fit(
    brief: Brief,
    trials: pd.DataFrame,
    responses: Sequence[str] | None = None,
    kind: str = "auto",
    *,
    model: str | None = None,
    setting_model: str | None = None,
    crossed: str | None = None,
    measure: Literal["mass", "volume"] = "mass",
    seed: int | None = None,
    prior_scale: float = 1.0,
    n_jobs: int | None = None,
    progress: bool | None = None,
) -> Surfaces:
    """Return a surface for every response.

    Parameters
    ----------
    brief : Brief
    trials : DataFrame
        Factor columns and responses, one row a reading. Rows of one ``trial`` are readings of one slab; rows of
        one ``batch`` share its error. Where a column ``NAME_censored`` says "below" or "above", the reading is a limit. Without a trial column each row is a trial, without a batch column each
        trial is its own batch. Rows whose ``status`` is not ok are left out.
    responses : sequence of str, optional
        Which to fit; all of the brief's where left out.
    kind : str
        auto, least squares, averaged, gaussian process.
    model, setting_model, crossed : str, optional
        As in `ModelSpace`; the brief's own where left out.
    measure : {"mass", "volume"}
        Whether the model as written is one of amounts by mass, or of volume fractions (densities are needed).
    seed : int, optional
    prior_scale : float
        Factor on the scale of the priors of averaging and the Gaussian process; see `prior_sensitivity`.
    n_jobs : int, optional
        Workers, a response each, through joblib; where left out, what ``joblib.parallel_config`` says, else one. The
        answer does not depend on it.
    progress : bool, optional
        Whether to show a progress bar; where left out, at a terminal or in a notebook once it has taken a second.

    Returns
    -------
    Surfaces
        A read-only mapping of response name to `Surface`, in the order of the brief.

    Raises
    ------
    FitError
        Saying which trial, term or response stands in the way, and what to do.

    Examples
    --------
    >>> brief = Brief(ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 20}],
    ...     response=[{"name": "hardness"}], model="linear")
    >>> trials = pd.DataFrame({"oil": [0, 5, 10, 15, 20], "hardness": [60.2, 57.4, 55.1, 52.6, 49.9]})
    >>> surfaces = fit(brief, trials, kind="least squares")
    >>> surfaces["hardness"].predict(pd.DataFrame({"oil": [10.0]})).round(2)
    array([55.04])
    """
    if kind not in KINDS:
        raise FitError(f"kind = {kind!r}; use one of {', '.join(map(repr, KINDS))}.")
    names = list(brief.response_names if responses is None else responses)
    unknown = [n for n in names if n not in brief.response_names]
    if unknown or not names:
        raise FitError(
            f"{unknown[0]!r} is not a response of the brief; choose among {brief.response_names}."
            if unknown
            else "The brief has no response to fit; add one with [[response]]."
        )
    slabs = arrange(brief, trials)
    space = ModelSpace(brief, model, setting_model, crossed, measure)
    asked = [r for r in brief.responses if r.name in names]
    refuse_censored(slabs, asked, kind)
    ground = Ground(brief, slabs, space, prior_scale)
    streams = np.random.default_rng(seed).spawn(len(asked))
    jobs = [(ground.ready(kind), response, kind, rng) for response, rng in zip(asked, streams)]
    back = over_workers(fit_response, jobs, n_jobs if len(jobs) > 1 else 1, progress, "fitting")
    fitted = [replace(surface, brief=brief, slabs=slabs) for surface in back]  # the one there is, not copies
    chance = chance_to_make(slabs, ground.sets[0]) if ground.sets else None
    surfaces = Surfaces(brief, slabs, fitted, trials, chance)
    surfaces.kind = kind
    surfaces.model = {"model": model, "setting_model": setting_model, "crossed": crossed, "measure": measure}
    return surfaces


class Surfaces(Mapping[str, Surface]):
    """Fitted responses by name, in the brief's order; made by `fit`.

    Attributes
    ----------
    brief : Brief
    names : list of str
    trials : DataFrame
        As they were given.
    kind, model : str, dict
        What `fit` was asked for.
    slabs : Slabs
    batch_correlation, slab_correlation : DataFrame
        Between the errors of responses, shrunk towards none.
    chance : Chance or None
        The chance that a formula can be made; None where no trial failed.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
    >>> list(surfaces)
    ['erasure', 'crumble', 'hardness', 'smear']
    >>> surfaces.sample(series.brief.baseline, draws=100, seed=1).shape  # draws, formulas, responses
    (100, 1, 4)
    """

    def __init__(
        self,
        brief: Brief,
        slabs: Slabs,
        fitted: list[Surface],
        trials: pd.DataFrame,
        chance: Chance | None = None,
    ) -> None:
        self.brief, self.slabs, self.trials, self.chance = brief, slabs, trials, chance
        self.kind = "auto"
        self.model: dict[str, Any] = {}
        self._fitted = {surface.name: surface for surface in fitted}
        batch, slab = _correlations(fitted, slabs)
        self.batch_correlation = pd.DataFrame(batch, self.names, self.names)
        self.slab_correlation = pd.DataFrame(slab, self.names, self.names)

    @property
    def names(self) -> list[str]:
        """Names of the responses that were fitted."""
        return list(self._fitted)

    def __getitem__(self, name: str) -> Surface:
        if name not in self._fitted:
            raise KeyError(f"{name!r} was not fitted; fitted are {self.names}.")
        return self._fitted[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._fitted)

    def __len__(self) -> int:
        return len(self._fitted)

    # ---- joint draws ----------------------------------------------------------------------------

    def draw(self, draws: int = 1000, seed: int | None = None) -> Draws:
        """Return one joint posterior draw of everything, `draws` times.

        Coefficients, models, error variances; errors of responses read on the same slabs are correlated. One `seed`, the same draws.
        """
        return self.in_full._draw(draws, seed)

    def draw_few(self, draws: int = 1000, seed: int | None = None) -> Draws:
        """Return `draws` joint draws from the few models of each response that `predict` mixes, as in `draw`.

        They need fewer model columns, which makes a long search fast; what it finds is to be judged on `draw`, for
        which models were kept is chance. One `seed`, the same draws.
        """
        return self._draw(draws, seed)

    @cached_property
    def in_full(self) -> Surfaces:
        """The same posterior in many more of its models; itself where it has no more. See `Surface.in_full`."""
        if not any(surface.origins for surface in self._fitted.values()):
            return self
        other = copy(self)
        other._fitted = {name: surface.in_full for name, surface in self._fitted.items()}
        other.__dict__["in_full"] = other
        return other

    def _draw(self, draws: int, seed: int | None) -> Draws:
        seed = int(np.random.default_rng().integers(2**31)) if seed is None else int(seed)
        rng = np.random.default_rng(seed)
        batches = self.slabs.batches
        roots = [np.linalg.cholesky(c.to_numpy()) for c in (self.batch_correlation, self.slab_correlation)]
        m = len(self)
        batch = rng.standard_normal((draws, batches.max() + 1, m)) @ roots[0].T
        slab = rng.standard_normal((draws, len(self.slabs), m)) @ roots[1].T
        mixed = []
        for k, surface in enumerate(self._fitted.values()):
            owner = _owners(surface.weights, draws, rng)
            rows = tuple(np.flatnonzero(owner == j) for j in range(len(surface.parts)))
            parts = tuple(
                part.draw(Scatter(batch[r, :, k], slab[r, :, k]), rng) for part, r in zip(surface.parts, rows)
            )
            mixed.append(Mixed(parts, rows, draws))
        correlation = self.batch_correlation.to_numpy(), self.slab_correlation.to_numpy()
        chance = None if self.chance is None else self.chance.draw(draws, rng)
        return Draws(self, mixed, correlation, seed, chance)

    def columns(self, frame: pd.DataFrame, only: Collection[int] | None = None) -> Columns:
        """Return the model columns of the formulas of `frame` that `draw_few` needs; see `Draws.columns`.

        All of them, or `only` those that are needed (`Meeting.needed`).
        """
        complete = self.brief.complete(frame)
        features = {id(p.features): p.features for s in self._fitted.values() for p in s.parts}
        if only is not None:
            some = {key: f for key, f in features.items() if key in only}
            # one at least tells how many formulas there are
            features = some or dict(list(features.items())[:1])
        variables = {id(f.variables): f.variables for f in features.values()}
        held = Held(complete)
        base = {key: v.base(held if isinstance(v, Variables) else complete) for key, v in variables.items()}

        if len(features) * len(complete) < 200_000:  # threads cost more than they bring
            return _at_once(features, base)
        with (
            one_thread(),
            ThreadPoolExecutor(os.cpu_count() or 1) as pool,
        ):  # large arrays leave the interpreter lock
            made = pool.map(lambda f: f.expand(base[id(f.variables)]), features.values())
            return dict(zip(features, made))

    def sample(
        self, frame: pd.DataFrame, draws: int = 1000, of: str = "mean", seed: int | None = None
    ) -> np.ndarray:
        """Return joint posterior draws in own units, shape (draws, rows, responses).

        Parameters
        ----------
        frame : DataFrame
            Formulas.
        draws : int
        of : {"mean", "median", "typical", "new_batch", "reading"}
            The true mean, or median, of all slabs, or that of the two which the target speaks of; the true values of
            one new batch; one reading of one slab of a new batch.
        seed : int, optional
        """
        drawn = self.draw(draws, seed)
        if of in ("mean", "median", "typical", "new_batch", "reading"):
            return np.asarray(getattr(drawn, of)(frame))
        raise FitError(f"of = {of!r}; use one of 'mean', 'median', 'typical', 'new_batch', 'reading'.")

    # ---- shown ----------------------------------------------------------------------------------

    @property
    def summary(self) -> pd.DataFrame:
        """The summaries of all responses, one row each."""
        return pd.DataFrame([s.summary for s in self._fitted.values()]).rename_axis("response")

    @property
    def warnings_(self) -> list[str]:
        """Warnings of all responses, each with the names it concerns."""
        concerned: dict[str, list[str]] = {}
        for name, surface in self._fitted.items():
            for text in surface.warnings_:
                concerned.setdefault(text, []).append(name)
        return [*(f"{', '.join(names)}: {text}" for text, names in concerned.items()), *self.failures_]

    @property
    def failures_(self) -> list[str]:
        """How many trials could not be made and why, in words; empty where none failed."""
        words = []
        if self.chance is not None:
            why = ", ".join(f"{reason} ({count})" for reason, count in self.chance.reasons.items())
            words.append(
                f"{self.chance.failed} trial{'s' if self.chance.failed != 1 else ''} could not be made: {why}. The chance to make "
                "is a surface of its own."
            )
        return words

    def __repr__(self) -> str:
        return f"Surfaces({', '.join(self.names)}: {len(self.slabs)} trials)"

    def _repr_html_(self) -> str:
        shown = self.summary.reset_index()[["response", "kind", "trials", "r2", "r2_predicted", "s", "scale"]]
        notes = Markup("".join(f"<p>{escape(text)}</p>" for text in self.warnings_))
        verdict = f"{len(self)} response{'s' if len(self) != 1 else ''} from {len(self.slabs)} trials"
        worst = self.summary["r2_predicted"].astype(float)
        if worst.notna().any():
            least = f"R² {worst.min():.2f}" if np.isfinite(worst.min()) else "some decide a term alone"
            verdict += f"; batches left out are predicted worst for {worst.idxmin()} ({least})."
        return panel("Surfaces", verdict, table(headed(shown), rows=20, digits=3), notes)


def _at_once(features: Mapping[int, Features], base: Mapping[int, np.ndarray]) -> Columns:
    """Columns of all features; processes in the same variables are worked out together."""
    alike: dict[int, list[int]] = {}
    for key, feature in features.items():
        if isinstance(feature, KernelFeatures):
            alike.setdefault(id(feature.variables), []).append(key)
    out = {
        key: f.expand(base[id(f.variables)])
        for key, f in features.items()
        if not isinstance(f, KernelFeatures)
    }
    for variables, keys in alike.items():
        out |= zip(keys, expanded([features[key] for key in keys], base[variables]))  # type: ignore[misc]
    return out


def _owners(weights: tuple[float, ...], draws: int, rng: np.random.Generator) -> np.ndarray:
    """Which part each draw comes from: counts as near the weights as whole numbers allow, in random order."""
    edges = (np.arange(draws) + rng.random()) / draws
    owner = np.searchsorted(np.cumsum(weights), edges * sum(weights), side="right")
    return rng.permutation(np.minimum(owner, len(weights) - 1))


def _correlations(
    fitted: list[Surface], slabs: Slabs, strength: float = 4.0
) -> tuple[np.ndarray, np.ndarray]:
    """Correlations between responses of the errors of batches and of slabs within them.

    From residuals where responses share slabs, shrunk as if `strength` more degrees of freedom had shown none.
    Where no batch has two slabs the two levels cannot be told apart, and share one estimate.
    """
    if len(fitted) < 2:
        return np.eye(len(fitted)), np.eye(len(fitted))
    residual = np.full((len(slabs), len(fitted)), np.nan)
    taken, count = np.empty(
        (2, 2, len(fitted))
    )  # degrees of freedom that the fit took, of how many: batches, slabs
    for k, surface in enumerate(fitted):
        read = surface.values.side == 0
        by_slab = surface.diagnostics["residual"][read].groupby(surface.values.rows[read]).mean()
        residual[by_slab.index, k] = by_slab
        taken[:, k] = _taken(surface)
        count[:, k] = surface.values.batches.max() + 1, len(by_slab)
    batches = slabs.batches
    repeated = np.bincount(batches)[batches] > 1
    if not repeated.any():
        whole = _shrunk(residual, 1 - taken.sum(axis=0) / count[1], strength)
        return whole, whole
    mean = pd.DataFrame(residual).groupby(batches).mean()
    within = residual - mean.to_numpy()[batches]
    within[~repeated] = np.nan
    share = 1 - len(set(batches[repeated])) / repeated.sum()
    between = _shrunk(mean.to_numpy(), 1 - taken[0] / count[0], strength)
    return between, _shrunk(within, share - taken[1] / count[1], strength)


def _taken(surface: Surface) -> np.ndarray:
    """Degrees of freedom that the fit takes from the means of batches, and from slabs within them, shape (2,)."""
    batch = surface.values.batches
    mean = (batch[:, None] == batch) / np.bincount(batch)[batch]
    between, whole = over_parts(surface, lambda p: np.array([(mean * p.hat).sum(), np.trace(p.hat)]))
    return np.array([between, whole - between])


def _shrunk(residual: np.ndarray, free: np.ndarray, strength: float) -> np.ndarray:
    """Correlation matrix of columns with gaps, each pair shrunk towards none and the whole kept positive definite.

    `free` is the part of the rows that the fit of each column left as degrees of freedom.
    """
    free = np.maximum(free, 0.0)
    m = residual.shape[1]
    out = np.eye(m)
    for i in range(m):
        for j in range(i):
            both = np.isfinite(residual[:, i]) & np.isfinite(residual[:, j])
            a, b = residual[both, i], residual[both, j]
            size = np.sqrt((a @ a) * (b @ b))
            df = both.sum() * min(free[i], free[j])
            out[i, j] = out[j, i] = (a @ b) / size * df / (df + strength) if size > 0 else 0.0
    values, vectors = np.linalg.eigh(out)
    if values[0] < 1e-6:
        out = (vectors * np.maximum(values, 1e-6)) @ vectors.T
        scale = np.sqrt(np.diag(out))
        out = out / np.outer(scale, scale)
    return out
