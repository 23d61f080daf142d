"""Can it be trusted? Each value against what the others say, and what weakens the fit, in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.surfaces.parts import Part

if TYPE_CHECKING:
    from formlab.surfaces.surface import Surface

__all__ = [
    "batch_degrees",
    "diagnostics",
    "leave_one_batch_out",
    "normal_quantiles",
    "warnings_of",
    "without_each_batch",
]


def diagnostics(surface: Surface) -> pd.DataFrame:
    """Return one row a value, on the scale of the fit.

    Returns
    -------
    DataFrame
        trial, batch, measured, fitted, residual, leverage, studentised (by the error without the value), cook
        (Cook's distance), left_out (predicted with the whole batch left out), left_out_error.
    """
    y = surface.values.eta
    groups = surface.values.batches
    fitted, leverage, left, weight = np.zeros(len(y)), np.zeros(len(y)), np.zeros(len(y)), 0.0
    for part, share in zip(surface.parts, surface.weights):
        if part.scale != surface.values.scale:
            continue
        fitted += share * (y - part.residual)
        leverage += share * np.diag(part.hat)
        left += share * (y - _left_out_error(part, groups))
        weight += share
    fitted, leverage, left = fitted / weight, leverage / weight, left / weight
    residual = y - fitted
    p = leverage.sum()
    df = max(len(y) - p, 1e-9)
    s2 = float(residual @ residual) / df
    room = np.maximum(1 - leverage, 1e-12)
    without = np.maximum((df * s2 - residual**2 / room) / max(df - 1, 1e-9), 1e-300)
    return pd.DataFrame(
        {
            "trial": surface.values.labels["trial"],
            "batch": surface.values.labels["batch"],
            "measured": y,
            "fitted": fitted,
            "residual": residual,
            "leverage": leverage,
            "studentised": residual / np.sqrt(without * room),
            "cook": residual**2 * leverage / (max(p, 1e-9) * s2 * room**2) if s2 > 0 else 0.0,
            "left_out": left,
            "left_out_error": y - left,
        }
    )


def _left_out_error(part: Part, groups: np.ndarray) -> np.ndarray:
    """Error of each value predicted from the other groups, at the part's own hyperparameters.

    For a linear smoother with hat matrix H and residual r the group's errors are (I - H_gg)^-1 r_g where the
    errors of different groups are independent.
    """
    hat, residual = part.hat, part.residual
    out = np.empty(len(residual))
    for g in range(groups.max() + 1):
        rows = np.flatnonzero(groups == g)
        block = np.eye(len(rows)) - hat[np.ix_(rows, rows)]
        out[rows] = np.linalg.lstsq(block, residual[rows], rcond=None)[0]
    return out


def warnings_of(surface: Surface) -> list[str]:
    """Return what weakens the fit, gravest first."""
    found: list[tuple[int, str]] = [
        (5 if note.startswith("No analysis") else 3, note) for note in surface.notes
    ]
    for look in (
        _never_varied,
        _useless,
        _few_degrees,
        _few_batches,
        _misfit,
        _decided_by_batch,
        _outliers,
        _drift,
        _zero_level,
        _collinear,
        _alone,
        _tails,
    ):
        found += look(surface)
    return [text for _, text in sorted(found, key=lambda item: item[0])]


Found = list[tuple[int, str]]


def _never_varied(surface: Surface) -> Found:
    """Factors and levels that the trials say little or nothing about."""
    brief, formulas, words = surface.brief, surface.formulas, []
    for name in [*brief.varied, *(s.name for s in brief.settings if s.is_numeric)]:
        values = formulas[name].to_numpy(float)
        low, high = brief.ranges[name]
        if np.ptp(values) <= 1e-9 * (high - low):
            words.append(
                (
                    0,
                    f"{name!r} was {values[0]:g} in all trials: what it does is unknown, and only a prior fills the gap. Vary it.",
                )
            )
    for setting in brief.settings:
        if setting.is_numeric:
            continue
        count = formulas[setting.name].astype(str).value_counts()
        for level in map(str, setting.levels or []):
            if count.get(level, 0) == 0:
                words.append(
                    (
                        0,
                        f"{setting.name!r} was never {level!r}: nothing is known about that level. Try it, or drop it.",
                    )
                )
            elif count[level] == 1:
                words.append(
                    (
                        2,
                        f"{setting.name!r} was {level!r} in one trial only: nothing checks what is said about that level. Repeat it.",
                    )
                )
    return words


def _useless(surface: Surface) -> Found:
    predicted = surface.summary["r2_predicted"]
    if predicted > 0.1 or np.isnan(predicted):
        return []
    if np.isinf(predicted):
        return []  # said by `_alone`
    much = "no better than" if predicted <= 0 else "hardly better than"
    return [
        (
            0,
            f"Batches left out are predicted {much} by their mean (predicted R² {predicted:.2f}): do not act on this surface.",
        )
    ]


def _few_degrees(surface: Surface) -> Found:
    fit = surface.solution
    if fit is None or fit.df > 2 or surface.kind != "least squares":
        return []
    return [(1,
        f"Only {fit.df} residual degree{'s' if fit.df > 1 else ''} of freedom: the error is hardly known, and intervals "
        "are very wide. Add trials or choose a smaller model.")]  # fmt: skip


def batch_degrees(surface: Surface) -> int | None:
    """Return the batches beyond the terms that differ between batches; None where batches are not repeated."""
    if "batch" not in surface.noise.names:
        return None
    means = pd.DataFrame(surface.space.matrix(surface.formulas)).groupby(surface.values.batches).mean()
    return int(len(means) - np.linalg.matrix_rank(means.to_numpy()))


def _few_batches(surface: Surface) -> Found:
    spare = batch_degrees(surface)
    if spare is None or spare > 2 or surface.mixed is None or surface.kind != "least squares":
        return []
    return [(1,
        f"Only {max(spare, 0)} degree{'s' if spare != 1 else ''} of freedom between batches: what differs from batch to batch "
        "cannot be tested, and no such test is shown. Repeat batches, or choose a smaller model.")]  # fmt: skip


def _misfit(surface: Surface) -> Found:
    if surface.solution is None or surface.kind != "least squares" or surface.mixed is not None:
        return []
    lack = surface.anova[surface.anova["source"] == "  lack of fit"]
    if lack.empty or not lack["p"].iloc[0] < 0.05:
        return []
    return [(1,
        f"Lack of fit: the model misses the means of repeated formulas by more than their scatter explains (p = {lack['p'].iloc[0]:.2g}). "
        "Add curvature, another scale, or other variables.")]  # fmt: skip


def _decided_by_batch(surface: Surface) -> Found:
    """The batch whose absence changes a coefficient's message most, if it changes it."""
    if surface.kind != "least squares" or surface.solution is None or surface.solution.df < 2:
        return []
    table = without_each_batch(surface)
    moved = table[table["overturned"]]
    if moved.empty:
        return []
    worst = moved.loc[moved["moved"].abs().idxmax()]
    return [(2,
        f"Batch {worst['batch']!r} decides the coefficient of {worst['term']!r}: without it, it is {worst['without']:.3g} "
        f"± {worst['std_error']:.2g} instead of {worst['estimate']:.3g}.")]  # fmt: skip


def without_each_batch(surface: Surface) -> pd.DataFrame:
    """Return every coefficient with each batch left out, at the error ratios of the whole fit.

    Returns
    -------
    DataFrame
        batch, term, estimate, without, std_error (of the latter), moved (difference in its own standard errors),
        overturned (told from zero on one side only, or with another sign).
    """
    from scipy.stats import t

    fit, names = surface.solution, surface.space.names
    x, y, groups = surface.space.matrix(surface.formulas), surface.values.eta, surface.values.batches
    v = np.eye(len(y))
    if surface.mixed is not None:
        v = surface.noise.covariance(np.sqrt(surface.mixed.variance))
    whole = surface.coefficients
    rows = []
    for g in range(groups.max() + 1):
        keep = groups != g
        if keep.sum() <= x.shape[1] or np.linalg.matrix_rank(x[keep]) < x.shape[1]:
            continue
        inverse = np.linalg.inv(v[np.ix_(keep, keep)])
        phi = np.linalg.inv(x[keep].T @ inverse @ x[keep])
        coef = phi @ x[keep].T @ inverse @ y[keep]
        rest = y[keep] - x[keep] @ coef
        df = int(keep.sum() - x.shape[1])
        error = np.sqrt(np.diag(phi) * (rest @ inverse @ rest) / df)
        label = surface.values.labels["batch"].to_numpy()[groups == g][0]
        rows += [(label, n, c, e, df) for n, c, e in zip(names, coef, error)]
    table = pd.DataFrame(rows, columns=["batch", "term", "without", "std_error", "df"])
    assert fit is not None
    table = table.merge(whole[["term", "estimate", "low", "high"]], on="term")
    half = t.ppf(0.975, table["df"].clip(lower=1)) * table["std_error"]
    before = np.sign(table["low"]) * (np.sign(table["low"]) == np.sign(table["high"]))
    after = np.sign(table["without"]) * (table["without"].abs() > half)
    table["moved"] = (table["without"] - table["estimate"]) / table["std_error"]
    linear = table["term"].isin([n for n, term in zip(names, surface.space.terms) if term.degree > 0])
    table["overturned"] = linear & (before != after) & (table["moved"].abs() > 1.5)
    return table[["batch", "term", "estimate", "without", "std_error", "moved", "overturned"]]


def _outliers(surface: Surface) -> Found:
    from scipy.stats import t

    check = surface.diagnostics
    df = len(check) - check["leverage"].sum() - 1
    if df < 2 or np.ptp(check["residual"]) < 1e-9 * np.ptp(
        check["measured"]
    ):  # a perfect fit has only rounding
        return []
    worst = check.loc[check["studentised"].abs().idxmax()]
    p = min(2 * t.sf(abs(worst["studentised"]), df) * len(check), 1.0)
    if p > 0.02:
        return []
    return [(2,
        f"Trial {worst['trial']!r} (batch {worst['batch']!r}) lies {abs(worst['studentised']):.1f} standard deviations from what the "
        "others say. Look at its records; it is kept.")]  # fmt: skip


def _drift(surface: Surface) -> Found:
    from scipy.stats import pearsonr

    if "run_order" not in surface.slabs.readings:
        return []
    order = pd.to_numeric(surface.slabs.readings.groupby("slab")["run_order"].first(), errors="coerce")
    run = order.reindex(surface.values.rows).to_numpy(float)
    residual = surface.diagnostics["residual"].to_numpy()
    if len(run) < 6 or np.isnan(run).any() or np.ptp(run) == 0:
        return []
    batch = surface.values.batches
    means = pd.DataFrame({"run": run, "residual": residual}).groupby(batch).mean()
    if len(means) < 6:
        return []
    r, p = pearsonr(means["run"], means["residual"])
    if p > 0.01:
        return []
    way = "rise" if r > 0 else "fall"
    return [
        (
            2,
            f"Residuals {way} with the run order (correlation {r:.2f}): something drifted. Make a control batch each day.",
        )
    ]


def _zero_level(surface: Surface) -> Found:
    if surface.mixed is None or surface.kind != "least squares":
        return []
    table = surface.mixed.components
    words = []
    for row in table.iloc[:-1].itertuples():
        if row.variance <= 1e-8 * table["variance"].sum():
            words.append((3,
                f"The error of {row.level} is estimated at zero; it stays in the model, and its standard deviation may be up to "
                f"{row.high:.2g}."))  # fmt: skip
    return words


def _collinear(surface: Surface) -> Found:
    fit, space = surface.solution, surface.space
    if fit is None or surface.kind != "least squares":
        return []
    words = []
    worst = int(np.argmax(fit.vif))
    if not space.shares and fit.vif[worst] > 10:
        words.append((3,
            f"{space.names[worst]!r} is hard to tell from the other terms: its variance is {fit.vif[worst]:.0f} times what "
            "trials that vary it separately would give."))  # fmt: skip
    if fit.condition > 1e4:
        words.append(
            (
                3,
                f"The columns are nearly dependent (condition number {fit.condition:.2g}); single coefficients mean little.",
            )
        )
    return words


def _alone(surface: Surface) -> Found:
    if surface.solution is None or surface.kind != "least squares":
        return []
    alone = surface.values.labels["trial"][surface.solution.leverage > 1 - 1e-8]
    if alone.empty:
        return []
    return [(2,
        f"Trial{'s' if len(alone) > 1 else ''} {', '.join(map(repr, alone.iloc[:3]))}{' and others' if len(alone) > 3 else ''} decide"
        f"{'' if len(alone) > 1 else 's'} a coefficient alone; nothing checks {'them' if len(alone) > 1 else 'it'}. Repeat.")]  # fmt: skip


def _tails(surface: Surface) -> Found:
    from scipy.stats import shapiro

    residual = surface.diagnostics["residual"].to_numpy()
    if len(residual) < 12 or np.ptp(residual) < 1e-9 * np.ptp(surface.values.eta):
        return []
    p = float(shapiro(residual).pvalue)
    if p > 0.01:
        return []
    return [
        (
            4,
            f"Residuals are not normal (Shapiro-Wilk p = {p:.2g}): intervals of single batches may be off. Another scale may help.",
        )
    ]


def normal_quantiles(surface: Surface) -> pd.DataFrame:
    """Return residuals against normal quantiles (Blom's plotting positions): trial, quantile, residual, in rising order."""
    from scipy.special import ndtri

    check = surface.diagnostics.sort_values("residual", kind="stable")
    n = len(check)
    place = ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    return pd.DataFrame(
        {"trial": check["trial"].to_numpy(), "quantile": place, "residual": check["residual"].to_numpy()}
    )


def leave_one_batch_out(surface: Surface) -> pd.DataFrame:
    """Return every value predicted with its batch left out, the error ratios estimated anew each time.

    For the whole model (least squares, mixed where batches repeat).

    Returns
    -------
    DataFrame
        trial, batch, measured, predicted, error, std_error (of predicting one such value), on the scale of the fit.

    Raises
    ------
    FitError
        If without some batch the whole model cannot be estimated.
    """
    from formlab.surfaces.least_squares import solve
    from formlab.surfaces.mixed import reml

    x, y, groups = surface.space.matrix(surface.formulas), surface.values.eta, surface.values.batches
    predicted, error = np.empty(len(y)), np.empty(len(y))
    for g in range(groups.max() + 1):
        out = groups == g
        keep = ~out
        if surface.mixed is None:
            fit = solve(x[keep], y[keep], surface.space.names)
            covariance, variance, coef = fit.inverse * fit.s**2, fit.s**2, fit.coef
        else:
            mixed = reml(x[keep], y[keep], surface.noise.subset(keep), surface.space.names)
            covariance, variance, coef = mixed.covariance, float(mixed.variance.sum()), mixed.coef
        predicted[out] = x[out] @ coef
        error[out] = np.sqrt(np.einsum("ij,jk,ik->i", x[out], covariance, x[out]) + variance)
    labels = surface.values.labels
    return pd.DataFrame(
        {
            "trial": labels["trial"],
            "batch": labels["batch"],
            "measured": y,
            "predicted": predicted,
            "error": y - predicted,
            "std_error": error,
        }
    )
