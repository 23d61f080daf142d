"""More terms than trials: primary terms that must be estimated, potential ones held near zero.

After DuMouchel & Jones (1994, Technometrics 36:37): what a potential term adds to the primary ones, scaled
so that it spans one unit over the region, has a coefficient with mean 0 and standard deviation tau slab sds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from formlab.errors import PlanError
from formlab.plans.basis import Basis, region_points

__all__ = ["Prior", "default_potential", "make_prior"]


@dataclass
class Prior:
    """Potential terms and what is assumed of them.

    Attributes
    ----------
    potential : list of str
    tau : float
        Prior standard deviation of a potential term over its span, in slab sds.
    precision : ndarray of shape (p, p)
        In the orthonormal columns of the basis.
    sd : Series
        Prior standard deviation of each potential term's own coefficient, in slab sds.
    """

    potential: list[str]
    tau: float
    precision: np.ndarray
    sd: pd.Series


def default_potential(basis: Basis) -> list[str]:
    """Return the terms of higher than first order; share × setting counts as first order where it holds it."""
    space = basis.space
    pure = {f for t in space.terms if t.degree == 1 for f in t.factors}
    out = []
    for name, term in zip(space.names, space.terms):
        shares = [f for f in term.factors if f in space.shares]
        rest = [f for f in term.factors if f not in space.shares]
        carries = len(shares) == 1 and len(rest) == 1 and rest[0] not in pure
        if term.degree > 1 and not carries:
            out.append(name)
    return out


def make_prior(basis: Basis, potential: Sequence[str] | str, tau: float) -> Prior:
    """Return the prior of potential terms.

    Raises
    ------
    PlanError
        If a name is not a term, or every term is potential.
    """
    names = basis.space.names
    chosen = default_potential(basis) if isinstance(potential, str) else list(potential)
    unknown = [n for n in chosen if n not in names]
    if unknown:
        raise PlanError(f"{unknown[0]!r} is not a term of this model; choose among {', '.join(names)}.")
    if len(chosen) == len(names):
        raise PlanError(
            "Every term is potential. Leave at least one primary, to be estimated without a prior."
        )
    is_potential = np.array([n in chosen for n in names])
    span = _spans(basis, is_potential)
    raw = np.where(is_potential, (span / tau) ** 2, 0.0)
    precision = basis.transform.T @ (raw[:, None] * basis.transform)
    sd = pd.Series(tau / span[is_potential], index=pd.Index(chosen, name="term"), name="prior_sd")
    return Prior(chosen, float(tau), precision, sd)


def _spans(basis: Basis, is_potential: np.ndarray) -> np.ndarray:
    """Range over the region of what each potential term adds to the primary ones."""
    root = basis.inverse  # moments of the raw columns are root' root
    first, second = root[:, ~is_potential], root[:, is_potential]
    onto = np.linalg.lstsq(first, second, rcond=None)[0]
    raw = basis.raw(region_points(basis))
    rest = raw[:, is_potential] - raw[:, ~is_potential] @ onto
    out = np.ones(len(is_potential))
    out[is_potential] = np.maximum(np.ptp(rest, axis=0), 1e-12)
    return out
