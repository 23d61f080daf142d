"""Can it be trusted? Each value against what the others say, and what weakens the fit, in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.surfaces.parts import Part

if TYPE_CHECKING:
    from formlab.surfaces.surface import Surface

__all__ = ["diagnostics", "warnings_of"]


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
    found: list[tuple[int, str]] = [(2, note) for note in surface.notes]
    found += _weak(surface)
    return [text for _, text in sorted(found, key=lambda item: item[0])]


def _weak(surface: Surface) -> list[tuple[int, str]]:
    fit, space = surface.solution, surface.space
    words: list[tuple[int, str]] = []
    if fit is None or surface.kind != "least squares":
        return words
    if fit.df <= 2:
        words.append((1,
            f"Only {fit.df} residual degree{'s' if fit.df > 1 else ''} of freedom: the error is hardly known, and "
            "intervals are very wide. Add trials or choose a smaller model."))  # fmt: skip
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
    alone = np.flatnonzero(fit.leverage > 1 - 1e-8)
    if len(alone):
        words.append(
            (2, f"{len(alone)} trial(s) decide a coefficient alone; nothing checks them. Repeat them.")
        )
    return words
