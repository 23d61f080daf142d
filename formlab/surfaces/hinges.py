"""Which verdicts of a fit hang on its priors: the same draws weighted anew, with the scale of the priors halved and doubled."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.errors import FitError
from formlab.surfaces.noise import Scatter
from formlab.surfaces.parts import Part
from formlab.surfaces.priors import by_origin, under_scale, with_prior_scale

if TYPE_CHECKING:
    from formlab.surfaces.surface import Surface
    from formlab.surfaces.surfaces import Surfaces

__all__ = ["hinges", "prior_sensitivity", "verdicts"]

SCALES = {"stated": 1.0, "halved": 0.5, "doubled": 2.0}
DRAWS = 25  # of every part
MOVES = 0.2  # of a chance; less is no other verdict


def verdicts(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return "rises", "falls" or, where the interval holds zero, "open"."""
    return np.where(low > 0, "rises", np.where(high < 0, "falls", "open"))


def prior_sensitivity(surfaces: Surfaces, seed: int = 0) -> pd.DataFrame:
    """Return verdicts with the priors as they are, halved and doubled in scale.

    Verdicts on terms are those of `Surface.hinges`; on what the target speaks of, at today's formula (or the region's
    centre), it is whether the target is likely met (chance above a half), with the chance; it flips where the chances
    differ by more than 0.2 besides, for near a half any difference changes the word. Nothing hangs on a flat prior:
    responses that have no other are left out.

    Returns
    -------
    DataFrame
        response, verdict_on, stated, halved, doubled, flips.

    Raises
    ------
    FitError
        If it is given one surface.
    """
    from formlab.surfaces.interpret import _start

    if hasattr(surfaces, "predict"):
        raise FitError(
            "prior_sensitivity looks at all surfaces of a fit together: give it what formlab.fit returned. What hangs on the prior of "
            "one surface is its `hinges`."
        )
    at, of = _start(surfaces.brief, None), list(surfaces)
    held = [surface for surface in surfaces.values() if surface.origins]
    met: dict[str, np.ndarray] = {}
    if any(surface.response.has_target for surface in held):
        met = {
            k: with_prior_scale(surfaces, factor).sample(at, 2000, "typical", seed)[:, 0]
            for k, factor in SCALES.items()
        }
    rows = []
    for surface in held:
        response, k = surface.response, of.index(surface.name)
        rows += [(surface.name, *line) for line in surface.hinges.itertuples(index=False)]
        if response.has_target:
            chances = np.array([response.meets(v[:, k]).mean() for v in met.values()])
            likely = chances > 0.5
            said = [
                f"likely {'met' if yes else 'missed'} ({chance:.2f})" for yes, chance in zip(likely, chances)
            ]
            flips = bool(likely.any() and not likely.all() and np.ptp(chances) > MOVES)
            rows.append((surface.name, "target at today's formula", *said, flips))
    return pd.DataFrame(rows, columns=["response", "verdict_on", *SCALES, "flips"])


def hinges(surface: Surface) -> pd.DataFrame:
    """Return the table that `Surface.hinges` describes."""
    columns = ["term", *SCALES, "flips"]
    if not surface.origins:
        return pd.DataFrame(columns=columns).astype({"flips": bool})
    drawn: dict[int, np.ndarray] = {}
    said = {name: _said(surface.in_full, factor, drawn) for name, factor in SCALES.items()}
    table = pd.DataFrame({"term": surface.space.names, **said})
    table = table[[t.degree > 0 for t in surface.space.terms]].reset_index(drop=True)
    return table.assign(flips=table[list(SCALES)].nunique(axis=1) > 1)


def _said(surface: Surface, factor: float, drawn: dict[int, np.ndarray]) -> np.ndarray:
    """Verdict on every term with the prior's scale multiplied; the same random numbers whatever the factor.

    `drawn` keeps the draws of the surface's own parts, which some priors only weight anew.
    """
    values: list[np.ndarray] = []
    weights: list[float] = []
    for origin, stated_parts in by_origin(surface):
        if stated_parts[0].scale == surface.values.scale:
            parts, weight = under_scale(origin, stated_parts, factor)
            weights += list(weight)
            for k, part in enumerate(parts):
                own = part is stated_parts[k]
                found = drawn.get(id(part)) if own else None
                found = _drawn(surface, part, k) if found is None else found
                if own:
                    drawn[id(part)] = found
                values.append(found)
    every = np.concatenate(values)
    every[np.abs(every) < 1e-9 * np.abs(every).max(axis=0)] = 0.0  # a term left out, but for rounding
    low, high = _quantiles(every, np.repeat(weights, DRAWS), (0.025, 0.975))
    return verdicts(low, high)


def _drawn(surface: Surface, part: Part, seed: int) -> np.ndarray:
    """Draws of the nearest coefficients of the brief's terms, shape (DRAWS, p)."""
    rng = np.random.default_rng(seed)
    slabs, batches = len(surface.slabs), int(surface.slabs.batches.max()) + 1
    scatter = Scatter(rng.standard_normal((DRAWS, batches)), rng.standard_normal((DRAWS, slabs)))
    return part.draw(scatter, rng).coef @ surface.nearest(part).T


def _quantiles(values: np.ndarray, weights: np.ndarray, at: tuple[float, ...]) -> np.ndarray:
    """Weighted quantiles of each column, shape (len(at), columns)."""
    order = np.argsort(values, axis=0)
    below = np.cumsum(weights[order], axis=0) / weights.sum()
    place = [np.minimum((below < p).sum(axis=0), len(values) - 1) for p in at]
    return np.array([np.take_along_axis(values, order, axis=0)[k, np.arange(values.shape[1])] for k in place])
