"""The tables of a fitted response: coefficients, analysis of variance, levels of error, summary."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.errors import FitError
from formlab.surfaces.diagnose import batch_degrees, over_parts
from formlab.surfaces.discrete import NormalPart
from formlab.surfaces.least_squares import anova, press
from formlab.surfaces.mixed import MixedFit
from formlab.surfaces.noise import Scatter
from formlab.surfaces.readings import HISTORY
from formlab.terms import ModelSpace

if TYPE_CHECKING:
    from formlab.surfaces.surface import Surface

__all__ = ["anova_of", "coefficients", "components", "summary"]


def coefficients(surface: Surface) -> pd.DataFrame:
    """Return the table that `Surface.coefficients` describes."""
    from scipy.stats import t

    if surface.kind == "least squares":
        fit, mixed = surface.solution, surface.mixed
        assert fit is not None
        out = pd.DataFrame(
            {"term": surface.space.names, "estimate": fit.coef if mixed is None else mixed.coef}
        )
        out["std_error"] = fit.std_error if mixed is None else mixed.std_error
        df = np.full(len(out), float(fit.df)) if mixed is None else mixed.df
        vif = fit.vif
    elif isinstance(surface.parts[0], NormalPart):
        law = surface.parts[0]
        out = pd.DataFrame({"term": surface.space.names, "estimate": law.estimate})
        out["std_error"] = np.linalg.norm(law.root, axis=1)
        df, vif = np.full(len(out), np.inf), np.full(len(out), np.nan)
    else:
        return _of_posterior(surface)
    out["t"] = out["estimate"] / out["std_error"].where(out["std_error"] > 0)
    out["df"] = df
    out["p"] = 2 * t.sf(out["t"].abs(), out["df"])
    out.loc[_untested(surface), ["t", "p"]] = np.nan
    half = t.ppf(0.975, out["df"]) * out["std_error"]
    out["low"], out["high"] = out["estimate"] - half, out["estimate"] + half
    # Student's law with less than one degree of freedom has limits without meaning
    out.loc[out["df"] < 1, ["t", "p", "low", "high"]] = np.nan
    out["vif"] = vif
    if surface.response.kind == "rating":  # its constant is in the cut points
        out.loc[[not term.factors for term in surface.space.terms], out.columns != "term"] = np.nan
    return out


def _of_posterior(surface: Surface) -> pd.DataFrame:
    """Means without the outer tenth, and quantiles: a mixture may have tails too long for moments."""
    from scipy.stats import norm, trim_mean

    drawn = _nearest(surface.in_full)
    low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
    out = pd.DataFrame({"term": surface.space.names, "estimate": trim_mean(drawn, 0.05, axis=0)})
    out["std_error"] = (high - low) / (2 * norm.ppf(0.975))
    out["t"] = out["estimate"] / out["std_error"].where(out["std_error"] > 0)
    out["df"] = np.inf
    out["p"] = 2 * norm.sf(out["t"].abs())
    out.loc[_untested(surface), ["t", "p"]] = np.nan
    out["low"], out["high"] = low, high
    out["vif"] = np.nan if surface.solution is None else surface.solution.vif
    return out


def _untested(surface: Surface, whole: bool = False) -> np.ndarray:
    """Terms that differ only between batches, where too few batches are left to judge them by."""
    spare = batch_degrees(surface, whole)
    if spare is None or spare > 2:
        return np.zeros(len(surface.space), dtype=bool)
    x = pd.DataFrame(surface.space.matrix(surface.formulas))
    within = x - x.groupby(surface.values.batches).transform("mean")
    return np.asarray((within.abs() < 1e-9).all())


def _nearest(surface: Surface, draws: int = 1500) -> np.ndarray:
    """Coefficients of the brief's terms that come nearest to each posterior draw over the region, (draws, p)."""
    cover, projector = surface.projector
    drawn = surface.draw_scale(cover, draws) @ projector.T
    return np.where(np.abs(drawn) > 1e-9 * np.abs(drawn).max(), drawn, 0.0)  # a term left out is 0, not 1e-14


def anova_of(surface: Surface) -> pd.DataFrame:
    """Return the table that `Surface.anova` describes.

    Raises
    ------
    FitError
        If the trials cannot support the whole model.
    """
    if surface.response.kind != "measure":
        raise FitError(
            f"Response {surface.name!r} is a {surface.response.kind}: its terms are judged by their own errors, there is no analysis "
            "of variance. Use the coefficients."
        )
    if surface.values.side.any():
        raise FitError(
            f"Response {surface.name!r} has limits among its readings, so there is no analysis of variance. Use the coefficients."
        )
    if surface.solution is None:
        raise FitError(
            f"Response {surface.name!r}: the {len(surface.values.y)} trials cannot support the whole model of "
            f"{len(surface.space)} terms, so there is no analysis of variance. Choose a smaller model."
        )
    if surface.mixed is not None:
        return _mixed_anova(surface, surface.mixed)
    columns = surface.space.matrix(surface.formulas)
    return anova(columns, surface.values.eta, surface.solution, _groups(surface.space))


def _mixed_anova(surface: Surface, mixed: MixedFit) -> pd.DataFrame:
    """Tests of each factor and product of factors, each given all others: source, df, df_error, f, p."""
    space, rows = surface.space, []
    hidden = _untested(surface, whole=True)
    sources: dict[str, list[int]] = {}
    for k, term in enumerate(space.terms):
        if term.factors and not (term.degree == 1 and term.factors[0] in space.shares):
            sources.setdefault(" × ".join(f.split("[")[0] for f in term.factors), []).append(k)
    if len(space.shares) > 1:  # shares sum to 1: that they all do the same is what can be tested
        linear = [space.names.index(s) for s in space.shares]
        contrast = np.zeros((len(linear) - 1, len(space)))
        contrast[:, linear[:-1]], contrast[:, linear[-1]] = np.eye(len(linear) - 1), -1.0
        rows.append(_tested(mixed, "linear blending", contrast, bool(hidden[linear].all())))
    for name, columns in sources.items():
        rows.append(_tested(mixed, name, np.eye(len(space))[columns], bool(hidden[columns].all())))
    table = pd.DataFrame(rows, columns=["source", "f", "df", "df_error", "p"])
    return table[["source", "df", "df_error", "f", "p"]]


def _tested(
    mixed: MixedFit, name: str, contrast: np.ndarray, hidden: bool
) -> tuple[str, float, float, float, float]:
    f, df, df_error, p = mixed.test(contrast)
    return (name, np.nan, df, df_error, np.nan) if hidden else (name, f, df, df_error, p)


def _groups(space: ModelSpace) -> dict[str, list[int]]:
    """Columns of the constant with all linear terms, then of each kind of higher term."""
    groups: dict[str, list[int]] = {"linear": []}
    kinds = space.table()["kind"]
    for k, term in enumerate(space.terms):
        if term.degree <= 1:
            groups["linear"].append(k)
        elif len(set(term.factors)) == 1:
            groups.setdefault("squares", []).append(k)
        elif kinds[k] == "crossed":
            groups.setdefault("crossed", []).append(k)
        else:
            groups.setdefault("products" if term.degree == 2 else "triple products", []).append(k)
    return groups


LEVEL_COLUMNS = ["level", "groups", "variance", "sd", "low", "high"]


def components(surface: Surface) -> pd.DataFrame:
    """Return the table that `Surface.components` describes; from the mixed model, else from the posterior."""
    if surface.mixed is not None and surface.kind == "least squares":
        table = surface.mixed.components
        return (
            pd.concat([table, _repeatability(surface)], ignore_index=True)
            if surface.values.repeat_df.any()
            else table
        )
    return _levels_of_posterior(surface)


def _repeatability(surface: Surface) -> pd.DataFrame:
    """The scatter of readings of one slab: what the test repeats to."""
    from scipy.stats import chi2

    ss, df = surface.values.repeat_ss.sum(), surface.values.repeat_df.sum()
    low, high = np.sqrt(ss / chi2.ppf([0.975, 0.025], df))
    row = ("reading", int(surface.values.count.sum()), ss / df, surface.values.repeatability, low, high)
    return pd.DataFrame([row], columns=LEVEL_COLUMNS)


def _levels_of_posterior(surface: Surface) -> pd.DataFrame:
    """Middles and quantiles of the levels' standard deviations; of the test where sessions or operators are known."""
    rng, same = np.random.default_rng(0), []
    batches = int(surface.slabs.batches.max()) + 1
    full = surface.in_full
    for part, weight in zip(full.parts, full.weights):
        if part.scale == surface.values.scale:
            k = max(round(6000 * weight), 2)
            one = part.draw(Scatter(np.zeros((k, batches)), np.zeros((k, len(surface.slabs)))), rng)
            same.append(np.column_stack([one.sd_batch, one.sd_slab, one.sd_reading, one.sd_test]))
    drawn = np.concatenate(same)
    drawn[:, ~drawn.any(axis=0)] = np.nan  # the law of the response has no such error: none was estimated
    low, middle, high = np.quantile(drawn, [0.025, 0.5, 0.975], axis=0)
    groups = {"batch": surface.values.labels["batch"].nunique(), "slab": len(set(surface.values.rows))}
    names = ["batch", "slab", "reading"] + ["test"] * (
        {"session", "operator"} & set(surface.noise.names) != set()
    )
    rows = [(n, groups.get(n), m**2, m, a, b) for n, a, m, b in zip(names, low, middle, high)]
    return pd.DataFrame(rows, columns=LEVEL_COLUMNS)


def summary(surface: Surface) -> pd.Series:
    """Return what `Surface.summary` describes."""
    # R² speaks of what formulas do: what sessions or a history did to values is no part of it
    read = (
        surface.values.side == 0
    )  # what may lie behind a censored reading follows the surface, and says nothing of it
    y = (surface.values.eta - over_parts(surface, lambda part: part.passing))[read]
    fit = surface.solution
    total, n = float(((y - y.mean()) ** 2).sum()) or np.nan, len(y)
    if surface.kind == "least squares" and fit is not None and surface.mixed is None:
        rss, left, out_of, s = fit.rss, float(fit.df), press(fit), fit.s
    else:
        check = surface.diagnostics[read]
        rss = float((check["residual"] ** 2).sum())
        left = n - float(check["leverage"].sum())
        out_of, s = float((check["left_out_error"] ** 2).sum()), _single_error(surface)
    return pd.Series(
        {
            "kind": surface.kind,
            "trials": len(set(surface.values.rows)),
            "batches": surface.values.labels["batch"].nunique(),
            "terms": len(surface.space),
            "r2": 1 - rss / total,
            "r2_adjusted": 1 - (rss / left) / (total / (n - 1)) if left > 0 else np.nan,
            "r2_predicted": 1 - out_of / total,
            "s": s,
            "press": out_of,
            "condition": np.nan if fit is None else fit.condition,
            "scale": surface.values.scale.text,
        },
        dtype=object,
        name=surface.name,
    )


def _single_error(surface: Surface) -> float:
    """Standard deviation of one reading of one slab of a new batch, on the scale of the fit; NaN of a law that has none."""
    if surface.mixed is not None and surface.kind == "least squares":
        today = [v for n, v in zip(surface.mixed.levels, surface.mixed.variance) if n != HISTORY]
        return float(np.sqrt(sum(today) + surface.mixed.variance[-1] + surface.noise.single_reading))
    full = surface.in_full
    same = [(np.hypot(np.hypot(*p.spread[:2]), p.spread[2]), w)
            for p, w in zip(full.parts, full.weights) if p.scale == surface.values.scale]  # fmt: skip
    sizes, weights = np.array(sorted(same)).T
    return float(sizes[np.searchsorted(np.cumsum(weights), weights.sum() / 2)]) or np.nan
