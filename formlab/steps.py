"""Points of a polytope on the steps of a scale, by mixed-integer programming."""

from __future__ import annotations

import numpy as np

from formlab.polytope import Polytope

__all__ = ["nearest_on_steps"]


def nearest_on_steps(polytope: Polytope, x: np.ndarray, step: np.ndarray) -> np.ndarray | None:
    """Return the point nearest to x with variables at whole multiples of their step, or None if there is none.

    Parameters
    ----------
    polytope : Polytope
    x : ndarray of shape (d,)
        The point wanted; it may lie outside.
    step : ndarray of shape (d,)
        Step of each variable; 0 leaves it free. Variables whose range is a point stay there.

    Returns
    -------
    ndarray of shape (d,) or None
        Nearest by the sum of the changes, in units of the ranges.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    free, width = polytope.free, polytope.width
    whole = step[free] > 0
    unit = np.where(whole, step[free], width)  # the unknowns count these
    low, wanted, q = polytope.lower[free], np.asarray(x, dtype=float)[free], len(free)
    if q == 0:
        return polytope.lower.copy() if len(polytope.vertices) else None
    rules = polytope.scaled_rules
    rows = np.array([a for a, _, _ in rules]).reshape(-1, q)
    bound = np.array([b for _, b, _ in rules]) + rows @ (low / width)
    least = np.where([sense == "=" for _, _, sense in rules], bound, -np.inf)
    change, none = np.diag(unit / width), np.zeros((len(rules), q))
    answer = milp(
        np.append(np.zeros(q), np.ones(q)),
        constraints=[
            LinearConstraint(np.hstack([rows * unit / width, none]), least, bound),
            LinearConstraint(np.hstack([change, -np.eye(q)]), -np.inf, wanted / width),
            LinearConstraint(np.hstack([-change, -np.eye(q)]), -np.inf, -wanted / width),
        ],
        integrality=np.append(whole, np.zeros(q)),
        bounds=Bounds(
            np.append(low / unit, np.zeros(q)), np.append(polytope.upper[free] / unit, np.full(q, np.inf))
        ),
    )
    if answer.x is None:
        return None
    counts = np.where(whole, np.round(answer.x[:q]), answer.x[:q])
    found = polytope.lower.copy()
    found[free] = np.round(counts * unit, 12)
    return found
