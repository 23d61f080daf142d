"""Samples: affine-invariant ensembles (Goodman & Weare 2010, Comm. App. Math. Comp. Sci. 5:65-80), and even picks of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["ensemble", "evenly", "strata"]


def ensemble(
    log_density: Callable[[np.ndarray], np.ndarray],
    start: np.ndarray,
    steps: int,
    burn: int,
    rng: np.random.Generator,
    stretch: float = 2.0,
    renew: Callable[[np.ndarray], np.ndarray] | None = None,
    moved: int | None = None,
) -> np.ndarray:
    """Return samples from a density, shape ((steps - burn) * walkers, d).

    Parameters
    ----------
    log_density : callable
        Of points of shape (k, d), up to a constant; -inf where impossible.
    start : ndarray of shape (walkers, d)
        Spread-out starting points; an even number, more than twice d.
    steps, burn : int
        Sweeps over all walkers, and how many of them are thrown away.
    rng : numpy Generator
    stretch : float
    renew : callable, optional
        Called with all points before every other sweep; returns them with their last columns drawn anew given the first.
    moved : int, optional
        How many first columns the sweeps move, given the others; all where left out.
    """
    x = np.array(start, dtype=float)
    walkers = len(x)
    d = x.shape[1] if moved is None else moved
    half = walkers // 2
    halves = (slice(0, half), slice(half, 2 * half))
    log_p = log_density(x)
    kept = []
    for step in range(steps):
        if renew is not None and step % 2 == 0:
            x = renew(x)
            log_p = log_density(x)
        for mine, others in (halves, halves[::-1]):
            z = (rng.random(half) * (stretch**0.5 - stretch**-0.5) + stretch**-0.5) ** 2
            partner = x[others][rng.integers(half, size=half)]
            proposal = x[
                mine
            ].copy()  # another walker's place is as good a partner whatever its own last columns are
            proposal[:, :d] = partner[:, :d] + z[:, None] * (x[mine, :d] - partner[:, :d])
            log_q = log_density(proposal)
            accept = np.log(rng.random(half)) < (d - 1) * np.log(z) + log_q - log_p[mine]
            x[mine] = np.where(accept[:, None], proposal, x[mine])
            log_p[mine] = np.where(accept, log_q, log_p[mine])
        if step >= burn:
            kept.append(x.copy())
    return np.concatenate(kept)


def evenly(count: int, take: int, rng: np.random.Generator) -> np.ndarray:
    """Return numbers below `count` at even distances, the first at random: a systematic sample, shape (take,)."""
    return ((np.arange(take) + rng.random()) * count / take).astype(int)


def strata(count: int, take: int) -> np.ndarray:
    """Return the middles of as many equal parts of the numbers below `count`, shape (take,)."""
    return ((np.arange(take) + 0.5) * count / take).astype(int)
