"""How much hangs on the priors: the same fit with their scale halved and doubled."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from formlab.surfaces.contest import Origin
    from formlab.surfaces.parts import Part
    from formlab.surfaces.surface import Surface
    from formlab.surfaces.surfaces import Surfaces

__all__ = ["by_origin", "prior_sensitivity", "under_scale", "with_prior_scale"]


def with_prior_scale(surfaces: Surfaces, factor: float) -> Surfaces:
    """Return the same posterior under priors whose scale is multiplied by a factor, its draws reweighted, not refitted."""
    other = copy(surfaces)
    other._fitted = {name: _rescaled(surface, factor) for name, surface in surfaces.items()}
    return other


def _rescaled(surface: Surface, factor: float) -> Surface:
    parts: list[Part] = []
    weights: list[float] = []
    for origin, own in by_origin(surface):
        changed, weight = under_scale(origin, own, factor)
        parts += changed
        weights += list(weight)
    return replace(surface, parts=tuple(parts), weights=tuple(weights)) if parts else surface


def by_origin(surface: Surface) -> Iterator[tuple[Origin, Sequence[Part]]]:
    """The parts of a surface with where they come from."""
    first = 0
    for origin in surface.origins:
        yield origin, surface.parts[first : first + len(origin.picked)]
        first += len(origin.picked)


def under_scale(origin: Origin, own: Sequence[Part], factor: float) -> tuple[Sequence[Part], np.ndarray]:
    """Parts of one origin under priors of another scale, and their weights, which still sum to that of the origin."""
    changed, log_weight = origin.entrant.source.rescaled(origin.picked, own, factor)
    weight = np.exp(log_weight - log_weight.max())
    return changed, origin.weight * weight / weight.sum()


def prior_sensitivity(surfaces: Surfaces, seed: int = 0) -> pd.DataFrame:
    """Return verdicts with the priors as they are, halved and doubled in scale.

    A verdict on a term is "rises", "falls" or "open" (its 95 % interval holds zero); on the mean at today's
    formula (or the region's centre) it is whether the target is likely met (chance above a half).

    Returns
    -------
    DataFrame
        response, verdict_on, stated, halved, doubled, flips.
    """
    from formlab.surfaces.interpret import _start

    scales = {"stated": 1.0, "halved": 0.5, "doubled": 2.0}
    fits = {
        name: surfaces if scale == 1.0 else with_prior_scale(surfaces, scale)
        for name, scale in scales.items()
    }
    at = _start(surfaces.brief, None)
    rows = []
    for name in surfaces.names:
        verdicts = {k: _verdicts(f[name]) for k, f in fits.items()}
        response = surfaces[name].response
        if response.has_target:
            for k, f in fits.items():
                met = response.meets(f.sample(at, 2000, seed=seed)[:, 0, f.names.index(name)]).mean()
                verdicts[k] = {
                    **verdicts[k],
                    "target at today's formula": "likely met" if met > 0.5 else "likely missed",
                }
        for on in verdicts["stated"]:
            said = [verdicts[k][on] for k in scales]
            rows.append((name, on, *said, len(set(said)) > 1))
    return pd.DataFrame(rows, columns=["response", "verdict_on", *scales, "flips"])


def _verdicts(surface: Surface) -> dict[str, str]:
    table = surface.coefficients
    words = np.where(table["low"] > 0, "rises", np.where(table["high"] < 0, "falls", "open"))
    degree = [t.degree for t in surface.space.terms]
    return {term: str(word) for term, word, d in zip(table["term"], words, degree) if d > 0}
