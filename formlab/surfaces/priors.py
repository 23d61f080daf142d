"""The priors that a fit rests on: in words, and the same posterior under priors of another scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.surfaces.averaging import HYPER_A, INCLUSION
from formlab.surfaces.discrete import NormalPart
from formlab.surfaces.gaussian_process import GaussianProcess

if TYPE_CHECKING:
    from formlab.surfaces.contest import Origin
    from formlab.surfaces.parts import Part
    from formlab.surfaces.surface import Surface
    from formlab.surfaces.surfaces import Surfaces

__all__ = ["by_origin", "stated", "under_scale", "with_prior_scale"]


# ---- another scale -----------------------------------------------------------------------------------------


def with_prior_scale(surfaces: Surfaces, factor: float) -> Surfaces:
    """Return the same posterior under priors whose scale is multiplied by a factor, its draws reweighted, not refitted."""
    surfaces = surfaces.in_full  # importance weights want many models
    other = copy(surfaces)
    other.__dict__.pop("in_full")
    other._fitted = {name: _rescaled(surface, factor) for name, surface in surfaces.items()}
    return other


def _rescaled(surface: Surface, factor: float) -> Surface:
    parts: list[Part] = []
    weights: list[float] = []
    for origin, own in by_origin(surface):
        changed, weight = under_scale(origin, own, factor)
        parts += changed
        weights += list(weight)
    return replace(surface, parts=tuple(parts), weights=tuple(weights), origins=()) if parts else surface


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


# ---- in words ----------------------------------------------------------------------------------------------


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
            "normal, moving the response by 0 ± root of g residual sds (over the region)",
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
        ("bend of all variables together", f"normal, 0 ± {prior.bend * s:.3g}"),
        ("size of the rest", about(prior.amplitude, s)),
        ("lengths, in half ranges", about(prior.length, 1.0)),
        *((f"sd of {name}", about(law, s)) for name, law in zip(levels, prior.level)),
    ]
