"""Best weights of a continuous design on a given support, by a primal-dual interior point method.

Minimises ``-log det M`` or ``trace(S M^-1)`` of ``M = prior + total * sum w_i F_i' F_i`` over weights that
are not negative and sum to a given share in every kind of batch. Both criteria are convex with simple
Hessians, so some twenty Newton steps suffice (Boyd & Vandenberghe 2004, section 11.7).
"""

from __future__ import annotations

import numpy as np

__all__ = ["best_weights"]

STEPS = 40


def best_weights(
    stack: np.ndarray,
    starts: np.ndarray,
    kind: np.ndarray,
    share: np.ndarray,
    total: float,
    weight: np.ndarray | None,
    prior: np.ndarray,
    w: np.ndarray,
    tolerance: float = 1e-8,
) -> np.ndarray:
    """Return the weights, shape (m,).

    Parameters
    ----------
    stack : ndarray of shape (rows, p)
        Whitened columns of all support batches, one below the other.
    starts : ndarray of int, shape (m,)
        First row of each batch.
    kind : ndarray of int, shape (m,)
        Which share each batch belongs to.
    share : ndarray
        What the weights of each kind sum to.
    weight : ndarray of shape (p, p) or None
        None for D, else S of a trace criterion.
    w : ndarray of shape (m,)
        Weights to start from.
    tolerance : float
        Duality gap, over the sum of weights times sensitivities, at which to stop.
    """
    owner = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(stack))))
    member = (kind[:, None] == np.arange(len(share))).astype(float)
    w = np.maximum(w, 1e-4 * w.max())
    w *= (share / (member.T @ w))[kind]
    _, gradient, _ = _derivatives(stack, starts, owner, total, weight, prior, w)
    level = -np.array([gradient[kind == k].min() for k in range(len(share))]) * 1.0
    multiplier = -1.05 * level
    z = np.maximum(gradient - multiplier[kind], 1e-3 * np.abs(gradient).max())
    for _ in range(STEPS):
        value, gradient, hessian = _derivatives(stack, starts, owner, total, weight, prior, w)
        gap = float(w @ z)
        residual = gradient - z - multiplier[kind]
        scale = float(w @ np.abs(gradient))
        if max(gap, float(w @ np.abs(residual))) < tolerance * scale:
            break
        mu = 0.1 * gap / len(w)
        lhs = hessian + np.diag(z / w)
        right = np.column_stack([-gradient + multiplier[kind] + mu / w, member])
        solved = np.linalg.solve(lhs, right)
        dw0, e = solved[:, 0], solved[:, 1:]
        change = np.linalg.solve(member.T @ e, share - member.T @ w - member.T @ dw0)
        dw = dw0 + e @ change
        dz = mu / w - z - z / w * dw
        step_w, step_z = _to_border(w, dw), _to_border(z, dz)
        w, z, multiplier = w + step_w * dw, z + step_z * dz, multiplier + step_w * change
    return np.asarray(w * (share / (member.T @ w))[kind])


def _to_border(x: np.ndarray, dx: np.ndarray) -> float:
    falling = dx < 0
    if not falling.any():
        return 1.0
    return min(1.0, 0.95 * float((-x[falling] / dx[falling]).min()))


def _derivatives(
    stack: np.ndarray,
    starts: np.ndarray,
    owner: np.ndarray,
    total: float,
    weight: np.ndarray | None,
    prior: np.ndarray,
    w: np.ndarray,
) -> tuple[float, np.ndarray, np.ndarray]:
    """Value, gradient and Hessian of the criterion in the weights."""
    m = prior + (stack * (total * w[owner])[:, None]).T @ stack
    inverse = np.linalg.inv(m)
    cross = stack @ inverse @ stack.T
    if weight is None:
        value = -float(np.linalg.slogdet(m)[1])
        other, factor = cross, 1.0
    else:
        value = float(np.sum(weight * inverse))
        other, factor = stack @ (inverse @ weight @ inverse) @ stack.T, 2.0
    gradient = -total * np.add.reduceat(np.diag(other), starts)
    hessian = cross * other
    if len(starts) < len(stack):
        hessian = np.add.reduceat(np.add.reduceat(hessian, starts, axis=0), starts, axis=1)
    return value, gradient, factor * total**2 * hessian
