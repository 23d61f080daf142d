r"""The chance that a formula can be made: trials that failed are not missing at random.

Logistic regression on the coded variables, :math:`\mathrm{logit}\, p = a + b^\top z`, with priors
:math:`a \sim N(2, 2^2)` (most formulas inside a sensible region can be made) and :math:`b_j \sim N(0, 1.5^2)`;
posterior by a normal law about its mode (Laplace). One batch made in one way counts once.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from formlab.surfaces.readings import USABLE, WAITING, Slabs, status_of
from formlab.surfaces.variables import Variables

__all__ = ["Chance", "chance_to_make"]

CONSTANT = (2.0, 2.0)
SLOPE = 1.5


class Chance:
    """A fitted chance to make; from `chance_to_make`.

    Attributes
    ----------
    made, failed : int
        Trials (slabs) that could and could not be made.
    reasons : Series
        How many trials failed for each reason.
    """

    def __init__(
        self, variables: Variables, z: np.ndarray, share: np.ndarray, made: int, reasons: pd.Series
    ) -> None:
        self.variables, self.reasons = variables, reasons
        self.made, self.failed = made, int(reasons.sum())
        x = np.column_stack([np.ones(len(z)), z])
        centre = np.r_[CONSTANT[0], np.zeros(z.shape[1])]
        precision = np.diag(np.r_[CONSTANT[1] ** -2, np.full(z.shape[1], SLOPE**-2)])
        w = centre.copy()
        for _ in range(50):  # Newton steps on a concave log posterior
            p = 1 / (1 + np.exp(-x @ w))
            hessian = (x * (p * (1 - p))[:, None]).T @ x + precision
            step = np.linalg.solve(hessian, x.T @ (share - p) - precision @ (w - centre))
            w = w + step / max(1.0, float(np.abs(step).max()))
            if np.abs(step).max() < 1e-10:
                break
        p = 1 / (1 + np.exp(-x @ w))
        self.coef = w
        self._root = np.linalg.cholesky(np.linalg.inv((x * (p * (1 - p))[:, None]).T @ x + precision))

    def predict(self, frame: pd.DataFrame) -> np.ndarray:
        """Return the chance of complete formulas, shape (n,), averaged over the posterior."""
        from math import pi

        x = self._columns(frame)
        mean = x @ self.coef
        variance = ((x @ self._root) ** 2).sum(axis=1)
        # MacKay 1992: the logistic of a normal, to within a hundredth
        return np.asarray(1 / (1 + np.exp(-mean / np.sqrt(1 + pi * variance / 8))))

    def draw(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Return posterior draws of the coefficients, shape (draws, d + 1)."""
        return self.coef + rng.standard_normal((draws, len(self.coef))) @ self._root.T

    def at(self, coef: np.ndarray, frame: pd.DataFrame) -> np.ndarray:
        """Return chances under draws of the coefficients, shape (draws, n)."""
        return np.asarray(1 / (1 + np.exp(-coef @ self._columns(frame).T)))

    def _columns(self, frame: pd.DataFrame) -> np.ndarray:
        return np.column_stack([np.ones(len(frame)), self.variables.base(frame)])


def chance_to_make(slabs: Slabs, variables: Variables) -> Chance | None:
    """Return the chance surface, or None where no trial failed.

    A trial failed if its status is a reason, such as "would not band" or "stuck". Pending trials and trials set
    aside are neither good nor bad and do not count.
    """
    frame = slabs.readings
    status = status_of(frame)
    good, waits = status.isin(USABLE), status.isin(WAITING)
    failed = ~good & ~waits
    if not failed.any():
        return None
    by_slab = pd.DataFrame({"slab": frame["slab"], "good": good, "failed": failed}).groupby("slab").max()
    by_slab = by_slab[by_slab["good"] | by_slab["failed"]]
    rows = by_slab.index.to_numpy()
    z = variables.base(slabs.formulas.iloc[rows])
    key = pd.DataFrame(z.round(9)).assign(batch=slabs.batches[rows])
    code = key.groupby(list(key.columns), sort=False).ngroup().to_numpy()
    share = np.bincount(code, by_slab["good"].to_numpy(float)) / np.bincount(code)
    first = pd.Series(np.arange(len(code))).groupby(code).first().to_numpy()
    why = status[failed & ~frame["slab"].isin(rows[by_slab["good"]])].groupby(frame["slab"]).first()
    return Chance(variables, z[first], share, int(by_slab["good"].sum()), why.value_counts())
