"""The tables of a fitted response: coefficients, analysis of variance, levels of error, summary."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.errors import FitError, FormlabError
from formlab.region import Region
from formlab.surfaces.discrete import NormalPart
from formlab.surfaces.least_squares import anova, press
from formlab.surfaces.mixed import MixedFit
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
        draws = _nearest(surface)
        out = pd.DataFrame({"term": surface.space.names, "estimate": draws.mean(axis=0)})
        out["std_error"] = draws.std(axis=0, ddof=1)
        df = np.full(len(out), np.inf)
        vif = np.full(len(out), np.nan) if surface.solution is None else surface.solution.vif
    out["t"] = out["estimate"] / out["std_error"].where(out["std_error"] > 0)
    out["df"] = df
    out["p"] = 2 * t.sf(out["t"].abs(), out["df"])
    out.loc[_untested(surface), ["t", "p"]] = np.nan
    half = t.ppf(0.975, out["df"]) * out["std_error"]
    out["low"], out["high"] = out["estimate"] - half, out["estimate"] + half
    out["vif"] = vif
    return out


def _untested(surface: Surface) -> np.ndarray:
    """Terms that differ only between batches, where too few batches are left to judge them by."""
    from formlab.surfaces.diagnose import batch_degrees

    spare = batch_degrees(surface) if surface.mixed is not None and surface.kind == "least squares" else None
    if spare is None or spare > 2:
        return np.zeros(len(surface.space), dtype=bool)
    x = pd.DataFrame(surface.space.matrix(surface.formulas))
    within = x - x.groupby(surface.values.batches).transform("mean")
    return np.asarray((within.abs() < 1e-9).all())


def _nearest(surface: Surface, draws: int = 600) -> np.ndarray:
    """Coefficients of the brief's terms that come nearest to each posterior draw over the region, (draws, p)."""
    space = surface.space
    try:
        cover = Region.from_brief(surface.brief).sample(max(200, 4 * len(space)), seed=3)
    except FormlabError:
        cover = surface.formulas
    eta = surface.draw_scale(cover, draws)
    return np.linalg.lstsq(space.matrix(cover), eta.T, rcond=None)[0].T


def anova_of(surface: Surface) -> pd.DataFrame:
    """Return the table that `Surface.anova` describes.

    Raises
    ------
    FitError
        If the trials cannot support the whole model.
    """
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
    hidden = _untested(surface)
    sources: dict[str, list[int]] = {}
    for k, term in enumerate(space.terms):
        if term.factors and not (term.degree == 1 and term.factors[0] in space.shares):
            sources.setdefault(" × ".join(f.split("[")[0] for f in term.factors), []).append(k)
    if len(space.shares) > 1:  # shares sum to 1: that they all do the same is what can be tested
        linear = [space.names.index(s) for s in space.shares]
        contrast = np.zeros((len(linear) - 1, len(space)))
        contrast[:, linear[:-1]], contrast[:, linear[-1]] = np.eye(len(linear) - 1), -1.0
        rows.append(("linear blending", *mixed.test(contrast)))
    for name, columns in sources.items():
        f, df, df_error, p = mixed.test(np.eye(len(space))[columns])
        if hidden[columns].all():
            f = p = np.nan
        rows.append((name, f, df, df_error, p))
    table = pd.DataFrame(rows, columns=["source", "f", "df", "df_error", "p"])
    return table[["source", "df", "df_error", "f", "p"]]


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


def components(surface: Surface) -> pd.DataFrame:
    """Return the table that `Surface.components` describes; from the mixed model, else from the posterior."""
    if surface.mixed is not None and surface.kind == "least squares":
        return surface.mixed.components
    rng = np.random.default_rng(0)
    rows: dict[str, list[float]] = {"batch": [], "slab": [], "reading": []}
    for part, weight in zip(surface.parts, surface.weights):
        if part.scale != surface.values.scale:
            continue
        from formlab.surfaces.noise import Scatter

        k = max(int(1500 * weight), 4)
        slabs = np.zeros((k, len(surface.slabs)))
        drawn = part.draw(Scatter(np.zeros((k, int(surface.slabs.batches.max()) + 1)), slabs), rng)
        for name in rows:
            rows[name] += list(getattr(drawn, f"sd_{name}"))
    out = []
    groups = {"batch": surface.values.labels["batch"].nunique(), "slab": len(set(surface.values.rows))}
    for name, sd in rows.items():
        values = np.array(sd if sd else [np.nan])
        low, high = np.quantile(values, [0.025, 0.975])
        variance = float((values**2).mean())
        out.append((name, groups.get(name), variance, np.sqrt(variance), low, high))
    return pd.DataFrame(out, columns=["level", "groups", "variance", "sd", "low", "high"])


def summary(surface: Surface) -> pd.Series:
    """Return what `Surface.summary` describes."""
    y, fit = surface.values.eta, surface.solution
    total = float(((y - y.mean()) ** 2).sum())
    n = len(y)
    if surface.kind == "least squares" and fit is not None and surface.mixed is None:
        rss, left, out_of, s = fit.rss, float(fit.df), press(fit), fit.s
        base = total
    else:
        check = surface.diagnostics
        rss = float((check["residual"] ** 2).sum())
        left = n - float(check["leverage"].sum())
        out_of = float((check["left_out_error"] ** 2).sum())
        s = float(np.sqrt(sum(w * sum(v**2 for v in p.spread) for w, p in zip(surface.weights, surface.parts)
                              if p.scale == surface.values.scale)
                          / sum(w for w, p in zip(surface.weights, surface.parts) if p.scale == surface.values.scale)))  # fmt: skip
        base = total
    return pd.Series(
        {
            "kind": surface.kind,
            "trials": len(set(surface.values.rows)),
            "batches": surface.values.labels["batch"].nunique(),
            "terms": len(surface.space),
            "r2": 1 - rss / base,
            "r2_adjusted": 1 - (rss / left) / (base / (n - 1)) if left > 0 else np.nan,
            "r2_predicted": 1 - out_of / base,
            "s": s,
            "press": out_of,
            "condition": np.nan if fit is None else fit.condition,
            "scale": surface.values.scale.text,
        },
        dtype=object,
        name=surface.name,
    )
