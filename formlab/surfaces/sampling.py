"""Samples of a density by ensembles of walkers, and even picks of them.

Most sweeps move a walker by the difference of two others (differential evolution, ter Braak 2006, Stat. Comput.
16:239-249), which in a dozen dimensions forgets the start many times sooner than the rest, stretches along the line to
another walker (Goodman & Weare 2010, Comm. App. Math. Comp. Sci. 5:65-80). One half moves by what the other half tells.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["ensemble", "evenly", "strata"]

DIFFERENCES = 0.9  # of sweeps that move by differences
WHOLE = 0.1  # of these, those that take a difference as it is, from one mode to another
JITTER = 1e-6


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
            # another walker's place is as good a partner whatever its own last columns are
            partner, proposal = x[others, :d][rng.permutation(half)], x[mine].copy()
            if rng.random() < DIFFERENCES:
                size = 1.0 if rng.random() < WHOLE else 2.38 / np.sqrt(2 * d)
                apart = partner - np.roll(partner, 1, axis=0)
                proposal[:, :d] += size * apart + JITTER * rng.standard_normal((half, d))
                log_ratio = np.zeros(half)
            else:
                z = (rng.random(half) * (stretch**0.5 - stretch**-0.5) + stretch**-0.5) ** 2
                proposal[:, :d] = partner + z[:, None] * (x[mine, :d] - partner)
                log_ratio = (d - 1) * np.log(z)
            log_q = log_density(proposal)
            accept = np.log(rng.random(half)) < log_ratio + log_q - log_p[mine]
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
