r"""Readings that only say that a value lies below or above a limit, by their likelihood.

The values behind them are drawn along with everything else (data augmentation: Tanner & Wong 1987, J. Amer. Stat.
Assoc. 82:528-540; of censored normal values Chib 1992, J. Econometrics 51:79-99): given a model and all other values
each is normal, cut at its limit. A fit to values completed so is one like any other, and its draws hold what is not
known of them. How well a model foretold such a reading is the probability it gave to that side of the limit; of
several that share errors, by simulation one after another (Geweke 1991; Hajivassiliou & McFadden 1998).
"""

from __future__ import annotations

import numpy as np

from formlab.errors import FitError

__all__ = ["BELOW", "ABOVE", "centre_and_unit", "log_density", "redraw", "side_of"]

BELOW, ABOVE = -1, 1
REPLICATES = 64  # of the simulated probability that several readings lie beyond their limits
WORDS = {"below": BELOW, "above": ABOVE, "": 0}


def side_of(words: np.ndarray, name: str, rows: np.ndarray) -> np.ndarray:
    """Return -1 (below), 1 (above) or 0 (read as it is) for each word of the column of readings `name`.

    Raises
    ------
    FitError
        Naming the row (1-based, from `rows`) of a word that is none of these.
    """
    out = np.zeros(len(words), dtype=int)
    for k, word in enumerate(words):
        text = "" if word is None or word != word else str(word)
        if text not in WORDS:
            raise FitError(
                f"Row {rows[k] + 1} of the trials has {name!r} = {text!r}; write 'below', 'above' or nothing."
            )
        out[k] = WORDS[text]
    return out


def centre_and_unit(y: np.ndarray, side: np.ndarray) -> tuple[float, float]:
    """Return mean and standard deviation of values, in which priors are told; by maximum likelihood where some are censored.

    Limits that stand for what lies beyond them would make both too small.
    """
    centre, unit = float(y.mean()), float(y.std()) or 1.0
    if not side.any():
        return centre, unit
    from scipy.optimize import minimize
    from scipy.special import log_ndtr

    def minus(b: np.ndarray) -> float:
        z = (y - centre) / unit - b[0]
        scaled = z * np.exp(-b[1])
        log = np.where(side == 0, -0.5 * scaled**2 - b[1], log_ndtr(-np.where(side == 0, 1, side) * scaled))
        return float(-log.sum() + 0.5 * b[1] ** 2)  # where hardly any was read it has no end without

    shift, log_scale = minimize(minus, np.zeros(2), method="Nelder-Mead").x
    return centre + unit * float(shift), unit * float(np.exp(log_scale))


def redraw(
    y: np.ndarray,
    precision: np.ndarray,
    sigma: np.ndarray,
    side: np.ndarray,
    limit: np.ndarray,
    rng: np.random.Generator,
) -> None:
    """Draw every censored value anew given all others, one after another, in place.

    Parameters
    ----------
    y : ndarray of shape (k, n)
        Values, in each of k chains.
    precision : ndarray of shape (k, n, n)
        Their inverse covariance with the surface integrated out, in units of 1 / sigma².
    sigma : ndarray of shape (k,)
    side, limit : ndarray of shape (n,)
        -1, 0 or 1; limits where it is not 0.
    """
    from scipy.special import log_ndtr, ndtri_exp

    beyond = np.flatnonzero(side)
    pull = np.einsum("kij,kj->ki", precision[:, beyond], y)
    for at, j in enumerate(beyond):
        q = precision[:, j, j]
        mean, sd = y[:, j] - pull[:, at] / q, sigma / np.sqrt(q)
        room = log_ndtr(-side[j] * (limit[j] - mean) / sd)
        new = mean - side[j] * sd * ndtri_exp(room + np.log(rng.uniform(1e-300, 1.0, len(y))))
        pull += precision[:, beyond, j] * (new - y[:, j])[:, None]
        y[:, j] = new


def log_density(
    block: np.ndarray,
    pull: np.ndarray,
    y: np.ndarray,
    side: np.ndarray,
    limit: np.ndarray,
    left: float = np.inf,
    rest: float = 0.0,
) -> float:
    r"""Return the log density of a group's readings given the other values: a probability of those that are censored.

    Parameters
    ----------
    block : ndarray of shape (m, m)
        The group's block of the inverse covariance of all values.
    pull : ndarray of shape (m,)
        The group's rows of that inverse times all values.
    y : ndarray of shape (m,)
        The group's values as they stand in `pull`.
    side, limit : ndarray of shape (m,)
    left, rest : float
        Where the variance is unknown: degrees of freedom of the others, and their sum of squares about the model.
    """
    from scipy.special import gammaln, log_ndtr, ndtri_exp, stdtr, stdtrit

    order = np.argsort(side != 0, kind="stable")  # what was read first
    covariance = np.linalg.inv(block)
    mean = (y - covariance @ pull)[order]
    root = np.linalg.cholesky(covariance[np.ix_(order, order)])
    target, side = np.where(side == 0, y, limit)[order], side[order]
    count = REPLICATES if (side != 0).sum() > 1 else 1  # one alone needs no simulation
    rng = np.random.default_rng(0)
    z = np.zeros((count, len(y)))
    log = np.zeros(count)
    for k in range(len(y)):
        df = left + k
        unit = np.sqrt((rest + (z[:, :k] ** 2).sum(axis=1)) / df) if np.isfinite(left) else np.ones(count)
        t = (target[k] - mean[k] - z[:, :k] @ root[k, :k]) / root[k, k] / unit
        if side[k] == 0:
            if np.isfinite(left):
                shape = gammaln((df + 1) / 2) - gammaln(df / 2) - 0.5 * np.log(df * np.pi)
                log += shape - 0.5 * (df + 1) * np.log1p(t**2 / df)
            else:
                log += -0.5 * (t**2 + np.log(2 * np.pi))
            log -= np.log(root[k, k] * unit)
            z[:, k] = t * unit
            continue
        u = rng.uniform(size=count)
        if np.isfinite(left):
            chance = np.maximum(stdtr(df, -side[k] * t), 1e-300)
            drawn = stdtrit(df, u * chance)
            log += np.log(chance)
        else:
            room = log_ndtr(-side[k] * t)
            drawn = ndtri_exp(room + np.log(np.maximum(u, 1e-300)))
            log += room
        z[:, k] = -side[k] * drawn * unit
    return float(np.logaddexp.reduce(log) - np.log(count))
