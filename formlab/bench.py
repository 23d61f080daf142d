"""Bench arithmetic: raw readings into a response with its standard uncertainty.

Several readings give the uncertainty of their mean by their own scatter. A single reading has none of its
own: then the uncertainty is nan, unless that of the instrument is given.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from formlab.errors import FormlabError, FormlabWarning

__all__ = [
    "Count",
    "Measured",
    "abrasion_index",
    "ageing_change",
    "crumb_per_metre",
    "displaced_density",
    "erasing_ratio",
    "gathering",
    "geometric_mean_censored",
    "hardness",
    "relative_abrasion",
    "smear",
    "strokes_to_clean",
]

Readings = float | npt.ArrayLike


class Measured(NamedTuple):
    """A response, its standard uncertainty (one standard deviation) and the number of readings behind it."""

    value: float
    std_uncertainty: float
    n: int


class Count(NamedTuple):
    """A count; `censored` is "above" when the test ended before the goal was reached, else empty."""

    value: float
    censored: Literal["", "above"]


# ---- erasing ----------------------------------------------------------------------------------------------


def erasing_ratio(
    rubbed: Readings,
    pencilled: Readings,
    *,
    paper: Readings = 0.0,
    u_rubbed: float | None = None,
    u_pencilled: float | None = None,
) -> Measured:
    """Return the erasing ratio 100 (1 - M/C) in percent, with its uncertainty by the delta method.

    Parameters
    ----------
    rubbed, pencilled, paper : float or array-like
        Optical density of the rubbed part (M), the pencilled part (C) and the bare paper, which is taken off
        both; leave `paper` at 0 where the densitometer was zeroed on it.
    u_rubbed, u_pencilled : float
        Standard uncertainty of M and C, in place of that from the scatter of the readings.

    Notes
    -----
    The ratio of JIS S 6050 (C, M and the limit of 80 % as quoted by the trade). That standard leaves
    vulcanised rubber erasers out, so for those the method is borrowed and a report must say so. The ratio is
    negative where smearing makes the rubbed part darker; near 100 % its scatter is that of M.

    Examples
    --------
    >>> erasing_ratio(0.12, 1.20, u_rubbed=0.015, u_pencilled=0.03)
    Measured(value=90.0, std_uncertainty=1.2747..., n=1)
    """
    m, u_m, n = _mean(rubbed, "rubbed", u_rubbed)
    c, u_c, _ = _mean(pencilled, "pencilled", u_pencilled)
    p, u_p, _ = _mean(paper, "paper", 0.0 if np.ndim(paper) == 0 else None)
    m, c = m - p, c - p
    if c <= 0:
        raise FormlabError(
            f"The pencilled part ({c:g} above the paper) is no darker than the paper. Check it."
        )
    by_paper = (c - m) / c * u_p  # the paper is taken off both, so its error is shared
    spread = float(np.sqrt(u_m**2 + (m / c * u_c) ** 2 + by_paper**2))
    return Measured(100.0 * (1.0 - m / c), 100.0 * spread / c, n)


def strokes_to_clean(strokes: npt.ArrayLike, ratios: npt.ArrayLike, *, clean_at: float = 90.0) -> Count:
    """Return the strokes after which the erasing ratio first reached `clean_at` percent.

    Right-censored when it never did: the last count then stands, marked "above". Where not every stroke was
    read, the true count lies between this one and the one read before it.

    Examples
    --------
    >>> strokes_to_clean([2, 4, 6, 8], [55, 80, 91, 95])
    Count(value=6.0, censored='')
    >>> strokes_to_clean([2, 4], [40, 62])
    Count(value=4.0, censored='above')
    """
    count, ratio = _series(strokes, "strokes"), _series(ratios, "ratios")
    if len(count) != len(ratio) or (np.diff(count) <= 0).any() or count[0] < 1:
        raise FormlabError(
            f"{len(count)} stroke counts and {len(ratio)} ratios. Give one ratio for each count, counts rising from 1."
        )
    clean = np.flatnonzero(ratio >= clean_at)
    return Count(float(count[clean[0]]), "") if len(clean) else Count(float(count[-1]), "above")


def geometric_mean_censored(counts: Sequence[Count]) -> Measured:
    """Return the geometric mean of counts of which some are censored, by maximum likelihood.

    The logarithms are taken as normal. Drop none of the censored counts: they are the worst erasers. At least
    two different counts must have reached their goal. The uncertainty comes from the curvature of the likelihood.
    """
    from scipy.optimize import minimize
    from scipy.stats import norm

    logs = np.log(_series([c.value for c in counts], "counts"))
    above = np.array([c.censored == "above" for c in counts])
    if len(set(logs[~above])) < 2:
        raise FormlabError(
            f"Of {len(logs)} counts {int((~above).sum())} reached their goal. At least two different ones must; "
            "go on for more strokes."
        )

    def loss(at: np.ndarray) -> float:
        z = (logs - at[0]) / np.exp(at[1])
        return float(-(norm.logpdf(z[~above]) - at[1]).sum() - norm.logsf(z[above]).sum())

    best = minimize(loss, [logs.mean(), np.log(logs[~above].std())], method="Nelder-Mead",
                    options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000}).x  # fmt: skip
    value = float(np.exp(best[0]))
    return Measured(value, value * float(np.sqrt(np.linalg.inv(_curvature(loss, best))[0, 0])), len(logs))


def _curvature(loss: Any, at: np.ndarray, step: float = 1e-3) -> np.ndarray:
    """Return the 2 x 2 matrix of second derivatives by central differences."""
    a, b = step * np.eye(2)
    mixed = (loss(at + a + b) - loss(at + a - b) - loss(at - a + b) + loss(at - a - b)) / (4 * step**2)
    own = [(loss(at + d) - 2 * loss(at) + loss(at - d)) / step**2 for d in (a, b)]
    return np.array([[own[0], mixed], [mixed, own[1]]])


# ---- crumbs and smear -------------------------------------------------------------------------------------


def crumb_per_metre(
    before_mg: Readings, after_mg: Readings, strokes: float, stroke_mm: float, *, u_balance_mg: float = 0.0
) -> Measured:
    """Return the crumb mass in mg per metre rubbed: (m0 - m1) / (strokes x stroke length).

    `before_mg` and `after_mg` weigh the eraser, one pair for each repeat. `u_balance_mg` is the standard
    uncertainty of one weighing; it counts where there is a single pair, as scatter holds it otherwise.
    """
    lost = _series(before_mg, "before_mg") - _series(after_mg, "after_mg")
    metres = strokes * stroke_mm / 1000.0
    if metres <= 0 or (lost < 0).any():
        raise FormlabError(
            f"Rubbed {metres:g} m, lost {lost.min():g} mg at least. Give a way above 0 and losses of 0 or more."
        )
    alone = np.sqrt(2.0) * u_balance_mg if u_balance_mg else np.nan
    value, spread, n = _mean(lost / metres, "crumb", alone / metres if len(lost) == 1 else None)
    return Measured(value, spread, n)


def gathering(largest_mg: Readings, total_mg: Readings) -> Measured:
    """Return the share of the crumb mass in its largest cluster, 0 to 1; the mean over the repeats."""
    largest, total = _series(largest_mg, "largest_mg"), _series(total_mg, "total_mg")
    if (total <= 0).any() or (largest < 0).any() or (largest > total).any():
        raise FormlabError(
            "The largest cluster must weigh 0 or more, and no more than all crumbs together; weigh both again."
        )
    return _mean(largest / total, "gathering")


def smear(margin: Readings, paper: Readings) -> Measured:
    """Return how much darker the margin beside the rubbed track is than the paper, in optical density.

    A small negative value is noise and is kept, as cutting it off would lift the mean of a clean eraser.
    """
    edge, bare = _mean(margin, "margin"), _mean(paper, "paper")
    return Measured(
        edge.value - bare.value, float(np.hypot(edge.std_uncertainty, bare.std_uncertainty)), edge.n
    )


# ---- rubber tests -----------------------------------------------------------------------------------------


def hardness(readings: Readings) -> Measured:
    """Return the median of durometer readings (ISO 48-4), with the standard error of a median.

    The standard deviation of n normal readings times sqrt(pi / (2n + pi - 2)), which is within 2 % of exact
    for odd n. Readings outside 20 to 90 belong to another scale and give a warning.

    Examples
    --------
    >>> hardness([51, 52, 52, 53, 58]).value
    52.0
    """
    values = _series(readings, "readings")
    middle, n = float(np.median(values)), len(values)
    if not 20 <= middle <= 90:
        warnings.warn(
            f"A hardness of {middle:g} lies outside 20 to 90, where this durometer scale tells little. "
            "Use a scale for softer or harder rubber.",
            FormlabWarning,
            stacklevel=2,
        )
    spread = np.std(values, ddof=1) * np.sqrt(np.pi / (2 * n + np.pi - 2)) if n > 1 else np.nan
    return Measured(middle, float(spread), n)


def relative_abrasion(
    loss_mg: Readings,
    density_g_cm3: float,
    reference_loss_mg: Readings,
    *,
    reference_mg: float = 200.0,
    u_density: float = 0.0,
) -> Measured:
    """Return the relative volume loss in mm3: loss x reference_mg / (density x loss of the reference rubber).

    The form of ISO 4649; `reference_mg` is the nominal loss of its reference rubber (200 mg for rubber 1).
    Comparative only: the standard itself claims no close relation to service.
    """
    loss, reference = _mean(loss_mg, "loss_mg"), _mean(reference_loss_mg, "reference_loss_mg")
    value = _positive(loss.value, "loss_mg") * reference_mg
    value /= _positive(density_g_cm3, "density_g_cm3") * _positive(reference.value, "reference_loss_mg")
    return Measured(value, value * _relative(loss, reference, Measured(density_g_cm3, u_density, 1)), loss.n)


def abrasion_index(
    loss_mg: Readings, density_g_cm3: float, reference_loss_mg: Readings, reference_density_g_cm3: float
) -> Measured:
    """Return the abrasion resistance index in percent (ISO 4649): volume loss of the reference over ours."""
    loss, reference = _mean(loss_mg, "loss_mg"), _mean(reference_loss_mg, "reference_loss_mg")
    value = 100.0 * reference.value * _positive(density_g_cm3, "density_g_cm3")
    value /= _positive(loss.value, "loss_mg") * _positive(reference_density_g_cm3, "reference_density_g_cm3")
    return Measured(value, value * _relative(loss, reference), loss.n)


def ageing_change(before: Readings, after: Readings, *, as_difference: bool = False) -> Measured:
    """Return the change by ageing: 100 (after - before) / before in percent, or the plain difference.

    Hardness is stated as a difference (ISO 188, from memory).
    """
    old, new = _mean(before, "before"), _mean(after, "after")
    if as_difference:
        return Measured(
            new.value - old.value, float(np.hypot(new.std_uncertainty, old.std_uncertainty)), new.n
        )
    ratio = new.value / _positive(old.value, "before")
    spread = np.hypot(new.std_uncertainty, ratio * old.std_uncertainty) / old.value
    return Measured(100.0 * (ratio - 1.0), float(100.0 * spread), new.n)


def displaced_density(
    air_g: Readings, water_g: Readings, *, water_density: float = 0.9975, u_balance_g: float = 0.0
) -> Measured:
    """Return density in g/cm3 by weighing in air and in water: m_air x water / (m_air - m_water).

    The displacement method of ISO 2781; `water_density` is that at 23 degC (from memory). Give one pair for
    each test piece; `u_balance_g`, of one weighing, counts where there is a single pair. A bubble on the
    piece makes it read light and no scatter shows it. A piece that floats needs a sinker.

    Examples
    --------
    >>> round(displaced_density(2.89, 0.89, water_density=1.0).value, 3)
    1.445
    """
    air, water = _series(air_g, "air_g"), _series(water_g, "water_g")
    if len(air) != len(water) or (water < 0).any() or (air <= water).any():
        raise FormlabError("Give each piece a weight in air and a smaller one in water, 0 or more.")
    alone = None
    if len(air) == 1:
        lift = float(air[0] - water[0])
        alone = (
            water_density * u_balance_g * float(np.hypot(air[0], water[0])) / lift**2
            if u_balance_g
            else np.nan
        )
    return _mean(air * water_density / (air - water), "density", alone)


# ---- helpers ----------------------------------------------------------------------------------------------


def _series(values: Readings, name: str) -> np.ndarray:
    numbers = np.atleast_1d(np.asarray(values, dtype=float))
    if numbers.ndim != 1 or not len(numbers) or not np.isfinite(numbers).all():
        raise FormlabError(
            f"{name} must be one finite reading or a list of them. Leave missing readings out."
        )
    return numbers


def _mean(values: Readings, name: str, given: float | None = None) -> Measured:
    """Return the mean of readings and its standard error; `given` stands in for the latter."""
    numbers = _series(values, name)
    n = len(numbers)
    own = float(np.std(numbers, ddof=1) / np.sqrt(n)) if n > 1 else float("nan")
    return Measured(float(numbers.mean()), own if given is None else float(given), n)


def _positive(value: float, name: str) -> float:
    if not value > 0:
        raise FormlabError(f"{name} = {value:g}. Give a number above 0.")
    return value


def _relative(*parts: Measured) -> float:
    """Return the relative uncertainty of a product or quotient."""
    return float(np.sqrt(sum((part.std_uncertainty / part.value) ** 2 for part in parts)))
