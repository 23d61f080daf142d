"""What a surface says in the trade's terms: effects, traces, stationary point, canonical form, ridge of steepest ascent.

Canonical and ridge analysis follow Hoerl (1959) and Draper (1963, Technometrics 5:469); the direction that keeps
the rest in proportion is Cox's (1971, Biometrika 58:155).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from formlab.errors import FitError, FormlabError
from formlab.region import Region
from formlab.surfaces.noise import Scatter
from formlab.surfaces.parts import columns_of
from formlab.surfaces.surface import check_shares

if TYPE_CHECKING:
    from formlab.brief import Brief
    from formlab.surfaces.surface import Surface

__all__ = ["Stationary", "effects", "interactions", "ridge", "stationary", "steepest", "traces"]


# ---- effects at a formula -----------------------------------------------------------------------------


def effects(
    surface: Surface, at: Any = None, *, step: float | None = None, level: float = 0.95, seed: int = 0
) -> pd.DataFrame:
    """Return what a step in each ingredient and setting does to the mean, from one formula.

    Parameters
    ----------
    surface : Surface
    at : mapping or one-row DataFrame, optional
        The formula to step from: today's where left out, else the region's centre.
    step : float, optional
        Of ingredients, in the brief's basis: 10 phr, or a twentieth of the total, where left out, and a quarter of the
        range where that is more than half of it. Settings move by a quarter of their range.
    level : float
        Of the intervals.

    Returns
    -------
    DataFrame
        factor, direction, step, unit, effect, low, high, inside (whether the region holds the formula stepped to; what
        stands beside False is extrapolated). Direction is "against the rubber" (so many phr more, all
        else as it is in phr), "rest in proportion" (Cox: its share of the whole rises, the others keep their
        proportions), "alone" for numeric settings, or "steam instead of ram" for each other level of a category, whose
        step is NaN. Ingredients that a limit holds in a fixed ratio move together.
    """
    check_shares(level=level)
    brief = surface.brief
    base = _start(brief, at)
    rows, frames = [], []
    for name in _movable(surface):
        for direction, size, unit, moved in _ingredient_moves(surface, base, name, step):
            rows.append((name, direction, size, unit))
            frames.append(moved)
    for setting in brief.settings:
        if setting.is_numeric:
            low, high = setting.range
            size = (
                (high - low) / 4
                if float(base[setting.name].iloc[0]) + (high - low) / 4 <= high
                else (low - high) / 4
            )
            rows.append((setting.name, "alone", size, setting.unit))
            frames.append(base.assign(**{setting.name: base[setting.name] + size}))
        else:
            here = base[setting.name].iloc[0]
            for other in [level for level in setting.levels or [] if level != here]:
                rows.append((setting.name, f"{other} instead of {here}", np.nan, ""))
                frames.append(base.assign(**{setting.name: other}))
    both = pd.concat([base, *frames], ignore_index=True)
    mean = surface.predict(both, outside="ignore")
    drawn = draw_means(surface, both, 2000, seed)
    change = drawn[:, 1:] - drawn[:, :1]
    tail = (1 - level) / 2
    out = pd.DataFrame(rows, columns=["factor", "direction", "step", "unit"])
    out["effect"] = mean[1:] - mean[0]
    out["low"], out["high"] = np.quantile(change, [tail, 1 - tail], axis=0)
    out["inside"] = np.asarray(Region.from_brief(brief).contains(both[brief.columns].iloc[1:]))
    return out


def _start(brief: Brief, at: Any) -> pd.DataFrame:
    if at is not None:
        return brief.complete(at).iloc[:1].reset_index(drop=True)
    if brief.baseline is not None:
        return brief.baseline.reset_index(drop=True)
    return Region.from_brief(brief).centre().iloc[:1].reset_index(drop=True)


def _blend(brief: Brief) -> list[str]:
    return brief.rubbers if brief.basis == "phr" else brief.ingredient_names


def _tied(surface: Surface, name: str) -> dict[str, float]:
    """What a limit holds in a fixed ratio to a factor, itself too, and how much of it goes with one of the factor."""
    group = next((g for g in surface.space.ratios if name in g), {name: 1.0})
    return {n: ratio / group[name] for n, ratio in group.items()}


def _movable(surface: Surface) -> list[str]:
    """Ingredients that vary, but for what only follows a rubber of a blend."""
    blend = set(_blend(surface.brief))
    return [n for n in surface.brief.varied if n in blend or not blend & set(_tied(surface, n))]


def _ingredient_moves(
    surface: Surface, base: pd.DataFrame, name: str, step: float | None
) -> list[tuple[str, float, str, pd.DataFrame]]:
    brief, tied = surface.brief, list(_tied(surface, name))
    amount = float(base[name].iloc[0])
    if name not in _blend(brief):
        size = _usual(brief, name, 10.0) if step is None else step
        total = float(base[brief.ingredient_names].sum(axis=1).iloc[0])
        rest, with_it = total - float(base[tied].sum(axis=1).iloc[0]), sum(_tied(surface, name).values())
        percent = _usual(brief, name, 1.0, 100 / total)
        share = amount / total + percent / 100
        return [
            ("against the rubber", size, "phr", _moved(surface, base, name, amount + size)),
            ("rest in proportion", percent, "% of the mass",
             _moved(surface, base, name, share * rest / (1 - share * with_it))),
        ]  # fmt: skip
    whole = 100.0 if brief.basis == "phr" else brief.total
    size = _usual(brief, name, whole / 20) if step is None else step
    return [("rest in proportion", size, brief.amount_unit, _moved(surface, base, name, amount + size))]


def _usual(brief: Brief, name: str, step: float, unit: float = 1.0) -> float:
    """A step, or a quarter of an ingredient's range (times `unit`) where the step is more than half of it."""
    low, high = brief.ranges[name]
    width = (high - low) * unit
    return step if 2 * step <= width or width <= 0 else width / 4


def _moved(surface: Surface, base: pd.DataFrame, name: str, to: float) -> pd.DataFrame:
    """One factor at a new value, with what is tied to it; the other varied parts of its blend scaled to keep the sum."""
    by, tied, blend = to - base[name], _tied(surface, name), _blend(surface.brief)
    out = base.assign(**{n: base[n] + by * ratio for n, ratio in tied.items()})
    others = [n for n in blend if n not in tied and n in surface.brief.varied]
    if name not in blend or not others:
        return out
    rest = float(base[others].sum(axis=1).iloc[0])
    left = rest - float((out[blend] - base[blend])[[n for n in blend if n in tied]].sum(axis=1).iloc[0])
    for n in others:
        to_n = base[n] * (left / rest) if rest > 0 else base[n] + left / len(others)
        out = out.assign(**{m: base[m] + (to_n - base[n]) * r for m, r in _tied(surface, n).items()})
    return out


def draw_means(surface: Surface, frame: pd.DataFrame, draws: int, seed: int) -> np.ndarray:
    """Return posterior draws of the mean (or median, where targets speak of it) in own units, shape (draws, n)."""
    rng = np.random.default_rng(seed)
    complete = surface.brief.complete(frame)
    slabs, batches = len(surface.slabs), int(surface.slabs.batches.max()) + 1
    out = []
    for part, weight in zip(surface.parts, surface.weights):
        k = max(int(round(draws * weight)), 1)
        drawn = part.draw(Scatter(rng.standard_normal((k, batches)), rng.standard_normal((k, slabs))), rng)
        eta = drawn.coef @ columns_of(part.features, complete).T
        within = 0.0 if surface.response.statistic == "median" else drawn.sd_batch**2 + drawn.sd_slab**2
        out.append(part.scale.mean(eta, np.reshape(within, (-1, 1))))
    return np.concatenate(out)


def interactions(surface: Surface) -> pd.DataFrame:
    """Return the products of two or more factors in the brief's model, most certain first: term, estimate, std_error, t, p."""
    degree = np.array([len(set(t.factors)) for t in surface.space.terms])
    table = surface.coefficients[degree > 1]
    order = (table["estimate"].abs() / table["std_error"]).sort_values(ascending=False, kind="stable").index
    return table.loc[order, ["term", "estimate", "std_error", "t", "p"]].reset_index(drop=True)


def traces(surface: Surface, at: Any = None, *, points: int = 21, level: float = 0.95) -> pd.DataFrame:
    """Return the mean along each factor's own direction through one formula.

    Ingredients of a blend move with the rest in proportion, all others alone, or with what a limit holds in a fixed
    ratio to them. Categories have no direction.

    Returns
    -------
    DataFrame
        factor, value, unit (of the value), mean, low, high (in the response's own unit), inside (whether the region
        holds the formula).
    """
    brief = surface.brief
    base = _start(brief, at)
    frames = []
    for name in [*_movable(surface), *(s.name for s in brief.settings if s.is_numeric)]:
        for value in np.linspace(*brief.ranges[name], points):
            frames.append(_moved(surface, base, name, value).assign(_factor=name, _value=value))
    if not frames:
        return pd.DataFrame(columns=["factor", "value", "unit", "mean", "low", "high", "inside"])
    frame = pd.concat(frames, ignore_index=True)
    out = frame[["_factor", "_value"]].rename(columns={"_factor": "factor", "_value": "value"})
    out["unit"] = out["factor"].map(brief.unit)
    formulas = frame[brief.columns]
    table = surface.predict_table(formulas, level, outside="ignore")
    out[["mean", "low", "high"]] = table[["mean", "low", "high"]]
    out["inside"] = np.asarray(Region.from_brief(brief).contains(formulas))
    return out


# ---- second-order surfaces ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Stationary:
    """The stationary point of a second-order surface, and its canonical form.

    Attributes
    ----------
    formula : Series
        Where it is: every ingredient and setting.
    coded : Series
        The same in the model's own variables: coded to -1 … 1, or shares.
    value : float
        Of the fitted polynomial there, on the scale of the fit.
    eigenvalues : ndarray
        Of the quadratic form in the model's variables, rising.
    directions : DataFrame
        Canonical directions, one column an eigenvalue.
    kind : str
        maximum, minimum or saddle; "…, with a ridge" where an eigenvalue is next to zero. Where nothing bends along a
        direction and the surface rises there, it is said, and it has no stationary point: what is given is that of the
        other directions.
    inside : bool
        Whether the region holds it.
    """

    formula: pd.Series
    coded: pd.Series
    value: float
    eigenvalues: np.ndarray
    directions: pd.DataFrame
    kind: str
    inside: bool


@dataclass(frozen=True)
class _Quadratic:
    """c + g't + t'Ht about an origin, t along the rows of `basis` in the model's variables."""

    origin: np.ndarray
    basis: np.ndarray
    constant: float
    gradient: np.ndarray
    curvature: np.ndarray
    names: list[str]
    levels: dict[str, str]  # of categories, held


def _held_levels(surface: Surface, at: Mapping[str, str] | None) -> dict[str, str]:
    """A level of every category."""
    given, categories = dict(at or {}), surface.space.categories
    for name, levels in categories.items():
        if given.get(name) not in levels:
            example = {name: levels[0]}
            raise FitError(
                f"Canonical analysis needs numeric factors, and {name!r} is a category. Give the level that it is held at, one of {levels}, "
                f"such as at = {example}."
            )
    for name in given:
        if name not in categories:
            raise FitError(
                f"at holds {name!r}, which is no category of the model; name levels of {list(categories)} alone."
            )
    return given


def _quadratic(surface: Surface, at: Mapping[str, str] | None, scaled: bool = False) -> _Quadratic:
    """The brief's polynomial as a quadratic form in free directions: coded factors, and shares that keep their sum.

    About equal shares, in units of a share; `scaled` about the middle of the region, in half ranges of each share as of
    the factors.
    """
    space = surface.space
    if not space.affine:
        raise FitError(
            "Canonical analysis needs a model of amounts by mass, whose variables can be turned back into a formula; fit with "
            'measure = "mass".'
        )
    if max(t.degree for t in space.terms) > 2:
        raise FitError(
            'Canonical analysis needs a model of at most second order; fit with model = "quadratic".'
        )
    held = _held_levels(surface, at)
    names = space.base_names
    coef = surface.coefficients["estimate"].to_numpy()
    q, d = len(space.shares), len(names)
    effects = [
        (held[name] == level) - float(held[name] == levels[-1])
        for name, levels in space.categories.items()
        for level in levels[:-1]
    ]
    origin = np.array([1 / q if q else 0.0] * q + [0.0] * len(space.codes) + effects)
    basis = np.eye(d)[q : d - len(effects)]
    if q:
        size = np.ones(q)
        if scaled:
            base = space.base(Region.from_brief(surface.brief).sample(500, seed=4))[:, :q]
            origin[:q], size = base.mean(axis=0), np.maximum(np.ptp(base, axis=0) / 2, 1e-9)
        free = np.linalg.svd(size[None])[2][1:] * size  # directions in which the shares keep their sum
        basis = np.vstack([np.hstack([free, np.zeros((q - 1, d - q))]), basis])

    def value(t: np.ndarray) -> np.ndarray:
        return np.asarray(space.expand(origin + t @ basis) @ coef)

    k = len(basis)
    eye = np.eye(k)
    middle, plus, minus = value(np.zeros((1, k)))[0], value(eye), value(-eye)
    gradient, squares = (plus - minus) / 2, (plus + minus) / 2 - middle
    pairs = value((eye[:, None, :] + eye[None, :, :]).reshape(-1, k)).reshape(k, k)
    curvature = (pairs - plus[:, None] - plus[None, :] + middle) / 2
    curvature[np.diag_indices(k)] = squares
    return _Quadratic(origin, basis, float(middle), gradient, curvature, names, held)


def stationary(surface: Surface, at: Mapping[str, str] | None = None) -> Stationary:
    """Return the stationary point of the fitted second-order polynomial and its canonical form.

    Parameters
    ----------
    surface : Surface
    at : mapping of str to str, optional
        The level that each category is held at; needed where there are categories.

    Raises
    ------
    FitError
        If the model has no curvature, is of third order, or has a category that is not held at a level.
    """
    form = _quadratic(surface, at)
    values, vectors = np.linalg.eigh(form.curvature)
    size = np.abs(values).max(initial=0.0)
    if size <= 1e-12 * max(np.abs(form.gradient).max(initial=0.0), 1e-300):
        raise FitError("The surface has no curvature, so no stationary point; follow `steepest` instead.")
    t = np.linalg.lstsq(form.curvature, -form.gradient / 2, rcond=None)[0]
    coded = form.origin + t @ form.basis
    formula = _decoded(surface, coded[None], form.levels)
    straight = np.abs(values) <= 1e-9 * size
    flat = (np.abs(values) < 0.02 * size) & ~straight
    bent = values[~straight]
    kind = "maximum" if (bent < 0).all() else "minimum" if (bent > 0).all() else "saddle"
    if flat.any():
        kind += ", with a ridge"
    rising = form.basis.T @ vectors[:, straight] @ (vectors[:, straight].T @ form.gradient)
    if np.abs(rising).max(initial=0.0) > 1e-9 * np.abs(form.gradient).max(initial=0.0):
        along = [n for n, r in zip(form.names, np.abs(rising)) if r > 0.1 * np.abs(rising).max()]
        kind += (
            f" across a straight rise along {' and '.join(along)}, where nothing bends: follow `ridge` there"
        )
    elif straight.any():
        kind += ", with a ridge"
    inside = bool(np.asarray(Region.from_brief(surface.brief).contains(formula))[0])
    return Stationary(
        formula.iloc[0],
        pd.Series(coded, form.names),
        float(form.constant + form.gradient @ t / 2),
        values,
        pd.DataFrame(form.basis.T @ vectors, form.names),
        kind,
        inside,
    )


def _decoded(surface: Surface, coded: np.ndarray, levels: Mapping[str, str]) -> pd.DataFrame:
    """Formulas from the model's variables, categories at the levels given."""
    space, brief = surface.space, surface.brief
    out = pd.DataFrame(index=range(len(coded)))
    whole = brief.total - sum(brief.fixed.values()) if brief.basis == "fraction" else 100.0
    for name, column in zip([*space.shares, *space.codes], coded.T):
        if name in space.shares:
            parts, amount = name.split(" + "), column * whole
        else:
            centre, half = space.codes[name]
            parts, amount = [name], centre + half * column
        group = next((g for g in space.ratios if parts[0] in g), {name: 1.0})
        unit = sum(group[part] for part in parts)
        for part, ratio in group.items():
            out[part] = amount * (ratio / unit)
    return brief.complete(out.assign(**levels))


def ridge(
    surface: Surface,
    radii: Any = None,
    *,
    at: Mapping[str, str] | None = None,
    lowest: bool = False,
    level: float = 0.95,
) -> pd.DataFrame:
    """Return the ridge of steepest ascent: the best point at each distance from the middle.

    Parameters
    ----------
    surface : Surface
    radii : sequence of float, optional
        Distances from the middle of the region, in half ranges; 0 to 1 where left out.
    at : mapping of str to str, optional
        The level that each category is held at; needed where there are categories.
    lowest : bool
        Descent instead of ascent.

    Returns
    -------
    DataFrame
        radius, every ingredient and setting, mean, low, high, inside; without those that have an amount below 0.
    """
    form = _quadratic(surface, at, scaled=True)
    radii = np.linspace(0, 1, 11) if radii is None else np.asarray(radii, dtype=float)
    sign = -1.0 if lowest else 1.0
    points = np.array([_best_at(sign * form.gradient, sign * form.curvature, r) for r in radii])
    frame = _decoded(surface, form.origin + points @ form.basis, form.levels)
    possible = _amounts_are_possible(surface, frame)
    frame, radii = frame[possible].reset_index(drop=True), radii[possible]
    table = surface.predict_table(frame, level, outside="ignore")
    out = pd.concat([pd.Series(radii, name="radius"), frame, table[["mean", "low", "high"]]], axis=1)
    return out.assign(inside=_held_by_the_region(surface, frame))


def _amounts_are_possible(surface: Surface, frame: pd.DataFrame) -> np.ndarray:
    return np.asarray((frame[surface.brief.ingredient_names] >= -1e-9).all(axis=1))


def _held_by_the_region(surface: Surface, frame: pd.DataFrame) -> np.ndarray:
    """Whether the region holds each formula; amounts below nothing are in no region."""
    try:
        return np.asarray(Region.from_brief(surface.brief).contains(frame))
    except FormlabError:
        return np.zeros(len(frame), dtype=bool)


def _best_at(gradient: np.ndarray, curvature: np.ndarray, radius: float) -> np.ndarray:
    """The highest point of g't + t'Ht at |t| = radius: (m - H) t = g / 2 with m at or above the largest eigenvalue."""
    if radius == 0:
        return np.zeros(len(gradient))
    values, vectors = np.linalg.eigh(curvature)
    pull = vectors.T @ gradient / 2
    top = values[-1]

    def length(m: float) -> float:
        return float(np.linalg.norm(pull / np.maximum(m - values, 1e-300)))

    low, high = top + 1e-12 * max(abs(top), 1.0), top + np.linalg.norm(pull) / radius + 1e-9
    if (
        length(low) <= radius
    ):  # the pull has nothing along the top direction: the rest of the way goes along it
        t = pull / np.maximum(low - values, 1e-300)
        t[-1] = 0.0
        t[-1] = np.sqrt(max(radius**2 - t @ t, 0.0)) * (1.0 if pull[-1] >= 0 else -1.0)
        return np.asarray(vectors @ t)
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if length(middle) > radius else (low, middle)
    return np.asarray(vectors @ (pull / (high - values)))


def steepest(
    surface: Surface,
    steps: int = 6,
    *,
    step: float = 1.0,
    at: Mapping[str, str] | None = None,
    lowest: bool = False,
) -> pd.DataFrame:
    """Return the path of steepest ascent of the linear terms, from the middle.

    Parameters
    ----------
    surface : Surface
    steps : int
    step : float
        Length of one step, in half ranges.
    at : mapping of str to str, optional
        The level that each category is held at; needed where there are categories.
    lowest : bool
        Descent instead of ascent.

    Returns
    -------
    DataFrame
        distance, every ingredient and setting, mean, low, high (95 %), inside (whether the region holds it). Beyond the
        region it is extrapolation: make trials there. It ends where an amount would fall below 0.
    """
    form = _quadratic(surface, at, scaled=True)
    direction = form.gradient / np.linalg.norm(form.gradient) * (-1.0 if lowest else 1.0)
    distance = step * np.arange(steps + 1)
    frame = _decoded(surface, form.origin + np.outer(distance, direction) @ form.basis, form.levels)
    frame = frame[_amounts_are_possible(surface, frame)]
    distance = distance[frame.index]
    table = surface.predict_table(frame, outside="ignore")
    out = pd.concat([pd.Series(distance, name="distance"), frame, table[["mean", "low", "high"]]], axis=1)
    return out.assign(inside=_held_by_the_region(surface, frame))
