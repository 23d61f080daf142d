"""The priors that a fit rests on, in words, and which of its verdicts hang on their scale."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.surfaces.averaging import HYPER_A, INCLUSION
from formlab.surfaces.discrete import NormalPart
from formlab.surfaces.gaussian_process import GaussianProcess
from formlab.surfaces.noise import Scatter
from formlab.surfaces.parts import Part
from formlab.surfaces.priors import by_origin, under_scale

if TYPE_CHECKING:
    from formlab.surfaces.surface import Surface

__all__ = ["hinges", "stated", "verdicts"]

SCALES = {"stated": 1.0, "halved": 0.5, "doubled": 2.0}
DRAWS = 100  # of every part


def verdicts(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return "rises", "falls" or, where the interval holds zero, "open"."""
    return np.where(low > 0, "rises", np.where(high < 0, "falls", "open"))


# ---- which verdicts hang on a prior ------------------------------------------------------------------------


def hinges(surface: Surface) -> pd.DataFrame:
    """Return the table that `Surface.hinges` describes."""
    columns = ["term", *SCALES, "flips"]
    if not surface.origins:
        return pd.DataFrame(columns=columns).astype({"flips": bool})
    drawn: dict[int, np.ndarray] = {}
    said = {name: _said(surface, factor, drawn) for name, factor in SCALES.items()}
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
    low, high = _quantiles(np.concatenate(values), np.repeat(weights, DRAWS), (0.025, 0.975))
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


# ---- the priors in words -----------------------------------------------------------------------------------


def stated(surface: Surface) -> pd.DataFrame:
    """Return the table that `Surface.priors` describes."""
    rows: list[tuple[str, str, str]] = []
    if isinstance(surface.parts[0], NormalPart):
        rows.append(("maximum likelihood", "coefficients", "none"))
    elif not surface.origins:
        rows += _flat(surface)
    done = set()
    for origin in surface.origins:
        entrant = origin.entrant
        way = f"{entrant.kind}, {entrant.scale}"
        if way in done:  # those of other variables are the same
            continue
        done.add(way)
        if isinstance(entrant.source, GaussianProcess):
            rows += [(way, *row) for row in _of_process(entrant.source, (*surface.noise.names, "residual"))]
        else:
            rows += _flat(surface) if entrant.kind == "least squares" else _of_average()
    return pd.DataFrame(rows, columns=["way", "of", "law"])


def _flat(surface: Surface) -> list[tuple[str, str, str]]:
    rows = [("least squares", "coefficients", "flat"), ("least squares", "residual variance", "1 / variance")]
    for name in surface.noise.names:
        law = (
            "half-Cauchy, scale 1"
            if name != "batch"
            else "flat near zero, then 1 / ratio (see `variance_parts`)"
        )
        rows.append(("least squares", f"sd of {name} over the residual's", law))
    return rows


def _of_average() -> list[tuple[str, str, str]]:
    odds = ", ".join(f"{p:g} ({name})" for p, name in zip(INCLUSION[1:], ("linear", "second order", "third")))
    return [
        ("averaged", "a term is in, all its parents in", odds),
        (
            "averaged",
            "coefficients",
            "normal, 0 ± root of g times the residual's sd, over the region (root mean square)",
        ),
        ("averaged", "g", f"hyper-g, a = {HYPER_A:g}"),
        ("averaged", "residual variance", "1 / variance"),
    ]


def _of_process(process: GaussianProcess, levels: tuple[str, ...]) -> list[tuple[str, str]]:
    prior, s = process.priors, process.unit

    def about(law: tuple[float, float], unit: float) -> str:
        return f"lognormal about {np.exp(law[0]) * unit:.3g}, sd of the log {law[1]:g}"

    return [
        ("constant", f"normal, {process.centre:.3g} ± {prior.constant * s:.3g}"),
        ("slopes, per half range", f"normal, 0 ± {prior.slope * s:.3g}"),
        ("bend of all variables together, from the middle", f"normal, 0 ± {prior.bend * s:.3g}"),
        ("size of the rest", about(prior.amplitude, s)),
        ("lengths, in half ranges", about(prior.length, 1.0)),
        *((f"sd of {name}", about(law, s)) for name, law in zip(levels, prior.level)),
    ]
