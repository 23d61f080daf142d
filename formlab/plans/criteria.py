"""Criteria D, A and I of an information matrix, and how a changed row or batch changes them.

``M = X' W X + prior`` with the weight W of generalised least squares. Changing rows S of X by Δ gives
``M + U C U'`` with ``U = [Δ', X'W_S]`` and ``C = [[W_SS, I], [I, 0]]``, whatever levels of error W holds;
so one formula serves a slab, a load, a batch and a day, and all options of one unit are tried at once.
"""

from __future__ import annotations

import math

import numpy as np

__all__ = [
    "CRITERIA",
    "State",
    "along",
    "best_swaps",
    "informations",
    "inverses",
    "score",
    "trace_gain",
    "trial_line_gains",
]

CRITERIA = ("D", "A", "I")
TINY = 1e-9  # a gain below this counts as none, so that rounding never decides


def score(information: np.ndarray, weight: np.ndarray | None) -> float:
    """Return what is maximised: log det / p for D, -log trace(weight @ inverse) else; -inf if singular."""
    p = len(information)
    try:
        root = np.linalg.cholesky(information)
    except np.linalg.LinAlgError:
        return -np.inf
    diagonal = np.diag(root)
    if diagonal.min() < 1e-7 * diagonal.max():
        return -np.inf
    if weight is None:
        return float(2 * np.log(diagonal).sum() / p)
    try:
        trace = float(np.sum(weight * np.linalg.inv(information)))
    except np.linalg.LinAlgError:
        return -np.inf
    return -math.log(trace) if 0 < trace < np.inf else -np.inf  # rounding may have broken the inverse


class State:
    """A design under search: its columns, information and inverse.

    Parameters
    ----------
    x : ndarray of shape (n, p)
    w : ndarray of shape (n, n)
        Inverse covariance of the trials.
    prior : ndarray of shape (p, p)
        Information that is there already: earlier trials, prior of potential terms.
    weight : ndarray of shape (p, p) or None
        None for D; else the matrix whose trace with the inverse is made small.
    """

    def __init__(
        self, x: np.ndarray, w: np.ndarray, prior: np.ndarray, weight: np.ndarray | None, ridge: float = 0.0
    ) -> None:
        self.x, self.w, self.weight = x.copy(), w, weight
        self.prior = prior + ridge * np.eye(x.shape[1])
        self.trace = 0.0
        self.refresh()

    def refresh(self) -> None:
        """Compute everything from the columns, so that rounding does not build up."""
        self.wx = self.w @ self.x
        self.m = self.x.T @ self.wx + self.prior
        self.d = np.linalg.inv(self.m)
        self.d = (self.d + self.d.T) / 2
        self._dsd: np.ndarray | None = None
        if self.weight is not None:
            self.trace = float(np.vdot(self.weight, self.d))

    @property
    def dsd(self) -> np.ndarray:
        """Inverse, weight and inverse multiplied, for trace criteria; worked out when it is needed."""
        if self._dsd is None:
            self._dsd = self.d @ self.weight @ self.d
        return self._dsd

    @property
    def score(self) -> float:
        return score(self.m, self.weight)

    # ---- gains ----------------------------------------------------------------------------------

    def gains(self, rows: np.ndarray, options: np.ndarray) -> np.ndarray:
        """Return the gain in score of every option for some rows.

        Parameters
        ----------
        rows : ndarray of shape (s,)
        options : ndarray of shape (N, s, p)
            New columns of these rows.
        """
        if len(rows) == 1:
            return self._row_gains(int(rows[0]), options[:, 0])
        return self._group_gains(rows, options)

    def _row_gains(self, i: int, new: np.ndarray) -> np.ndarray:
        delta, w, own = new - self.x[i], self.wx[i], self.w[i, i]
        dd, dw = delta @ self.d, self.d @ w
        a, b, c = _inner(dd, delta), 1 + delta @ dw, float(w @ dw)
        ratio = b * b + a * (own - c)
        good = ratio > 1e-12
        safe = np.where(good, ratio, 1.0)
        if self.weight is None:
            return np.where(good, np.log(safe) / self.x.shape[1], -np.inf)
        dw2 = self.dsd @ w
        a2, b2, c2 = _inner(delta @ self.dsd, delta), delta @ dw2, float(w @ dw2)
        trace = self.trace + ((c - own) * a2 - 2 * b * b2 + a * c2) / safe
        return trace_gain(self.trace, trace, good)

    def line_gains(self, rows: np.ndarray, coefficients: np.ndarray, tau: np.ndarray) -> np.ndarray:
        """Return the gains along lines, for each of several units as if it alone moved.

        Parameters
        ----------
        rows : ndarray of shape (u, s)
            The rows of every unit.
        coefficients : ndarray of shape (degree, u, q, s, p)
            The columns of the rows change by ``sum_j tau**j coefficients[j - 1]``.
        tau : ndarray of shape (u, q, T)

        Returns
        -------
        ndarray of shape (u, q, T)
        """
        wx, own = self.wx[rows], self.w[rows[:, :, None], rows[:, None, :]]
        if rows.shape[1] == 1:
            traced = None if self.weight is None else (self.dsd[None], np.array([self.trace]))
            parts, alone = coefficients[:, None, :, :, 0], own[:, 0, 0]
            return trial_line_gains(self.d[None], traced, wx[None, :, 0], alone, parts, tau[None])[0]
        powers = np.cumprod(np.broadcast_to(tau, (2 * len(coefficients), *tau.shape)), axis=0)
        inner = _line_blocks(self.d, coefficients, powers, wx)
        outer = None if self.weight is None else _line_blocks(self.dsd, coefficients, powers, wx)
        each = np.repeat(own, tau[0].size, axis=0)
        return self._gains_of(each, inner, outer).reshape(tau.shape)

    def _group_gains(self, rows: np.ndarray, options: np.ndarray) -> np.ndarray:
        delta = options - self.x[rows]
        wx, own = self.wx[rows], self.w[np.ix_(rows, rows)]
        inner = _blocks(
            delta @ self.d @ wx.T, (delta @ self.d) @ delta.transpose(0, 2, 1), wx @ self.d @ wx.T
        )
        if self.weight is None:
            return self._gains_of(own, inner, None)
        dd = delta @ self.dsd
        return self._gains_of(
            own, inner, _blocks(dd @ wx.T, dd @ delta.transpose(0, 2, 1), wx @ self.dsd @ wx.T)
        )

    def _gains_of(self, own: np.ndarray, inner: np.ndarray, outer: np.ndarray | None) -> np.ndarray:
        """Gains from the weights W_SS of the rows, U'DU and, for trace criteria, U'DSDU; (N, 2s, 2s) each."""
        s = own.shape[-1]
        inner[:, :s, s:] += np.eye(s)
        inner[:, s:, :s] += np.eye(s)
        inner[:, s:, s:] -= own
        sign, logdet = np.linalg.slogdet(inner)
        good = (sign == (-1) ** s) & np.isfinite(logdet)
        if outer is None:
            return np.where(good, logdet / self.x.shape[1], -np.inf)
        inner[~good] = np.eye(2 * s)
        change = -np.trace(np.linalg.solve(inner, outer), axis1=1, axis2=2)
        return trace_gain(self.trace, self.trace + change, good)

    # ---- change ---------------------------------------------------------------------------------

    def replace(self, rows: np.ndarray, new: np.ndarray, least: float = -np.inf) -> float:
        """Put `new` (s, p) at `rows` if that gains more than `least`; return the gain, 0 where nothing was done."""
        s = len(rows)
        delta = new - self.x[rows]
        u = np.concatenate((delta, self.wx[rows]))
        ud = u @ self.d
        a = ud @ u.T
        if s == 1:
            (aa, ab), (_, bb) = a.tolist()
            ab, bb = ab + 1.0, bb - self.w.item(rows.item(), rows.item())
            ratio = ab * ab - aa * bb
            if not 0 < ratio < np.inf:
                return 0.0
            step = np.array([[-bb / ratio, ab / ratio], [ab / ratio, -aa / ratio]]) @ ud
            logdet = math.log(ratio)
        else:
            a[:s, s:] += np.eye(s)
            a[s:, :s] += np.eye(s)
            a[s:, s:] -= self.w[rows[:, None], rows]
            sign, logdet = np.linalg.slogdet(a)
            if sign != (-1) ** s:
                return 0.0
            step = np.linalg.solve(a, ud)
        gain, trace = float(logdet) / self.x.shape[1], 0.0
        if self.weight is not None:
            trace = self.trace - float(np.vdot(step, ud @ self.weight))
            gain = math.log(self.trace / trace) if 0 < trace < np.inf and self.trace > 0 else -np.inf
        if not gain > least:
            return 0.0
        self.d -= ud.T @ step
        self.x[rows] = new
        self.wx += self.w[:, rows] @ delta
        self._dsd, self.trace = None, trace
        return gain


def informations(x: np.ndarray, own: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Return the information (b, p, p) of designs (b, n, p) whose rows share no error and have weights `own`."""
    return np.asarray(x.transpose(0, 2, 1) @ (own[:, None] * x) + prior)


def inverses(m: np.ndarray) -> np.ndarray:
    """Inverses of matrices (b, p, p); zeros for one that has none, from which nothing gains."""
    try:
        return np.linalg.inv(m)
    except np.linalg.LinAlgError:
        if len(m) == 1:
            return np.zeros_like(m)
        return np.concatenate([inverses(one[None]) for one in m])


def best_swaps(
    x: np.ndarray, own: np.ndarray, d: np.ndarray, traced: tuple[np.ndarray, float] | None,
    new: np.ndarray, allowed: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Return for every row the allowed option that should take its place, and the gain, where no row shares an error.

    Parameters
    ----------
    x : ndarray of shape (n, p)
    own : ndarray of shape (n,)
        Weights of the rows.
    d : ndarray of shape (p, p)
        Inverse of the information.
    traced : (ndarray of shape (p, p), float) or None
        For a trace criterion inverse, weight and inverse multiplied, and the trace; None for D.
    new : ndarray of shape (N, p)
    allowed : ndarray of bool, shape (N,)
    """
    rows, r, one = np.arange(len(x)), 1 / own, np.ones(len(new))
    nd, xd = new @ d, x @ d
    kept, brought, across = r - _inner(xd, x), _inner(nd, new), xd @ new.T
    # (r + brought) kept + across², its first part as one product of matrices
    ratio = np.column_stack((r * kept, kept)) @ np.vstack((one, brought))
    if traced is not None:
        dsd, before = traced
        n2, x2 = new @ dsd, x @ dsd
        less = _inner(x2, x)
        change = np.column_stack((r * less, less, -kept)) @ np.vstack((one, brought, _inner(n2, new)))
        second = x2 @ new.T
        second *= across
        second *= 2
        change -= second
    across *= across
    ratio += across
    good = ratio > (1e-12 * r * r)[:, None]
    if not allowed.all():
        good &= allowed
    if traced is None:
        ratio[~good] = 0.0
        best = ratio.argmax(axis=1)
        found = np.where(good[rows, best], ratio[rows, best] / (r * r), 1.0)
        return best, np.where(good[rows, best], np.log(found) / x.shape[1], -np.inf)
    ratio[~good] = 1.0
    change /= ratio
    change[~good] = np.inf
    best = change.argmin(axis=1)
    return best, trace_gain(before, before + change[rows, best], good[rows, best])


def trial_line_gains(
    d: np.ndarray, traced: tuple[np.ndarray, np.ndarray] | None, wx: np.ndarray, own: np.ndarray,
    coefficients: np.ndarray, tau: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Return the gains along lines of single trials of several designs, for each as if it alone moved.

    Parameters
    ----------
    d : ndarray of shape (b, p, p)
        Inverse of the information of every design.
    traced : (ndarray of shape (b, p, p), ndarray of shape (b,)) or None
        As in `best_swaps`.
    wx : ndarray of shape (b, u, p)
        The trials' rows of weights and columns multiplied.
    own : ndarray of shape (u,)
        Weights of the trials.
    coefficients : ndarray of shape (degree, b, u, q, p)
    tau : ndarray of shape (b, u, q, T)
        As in `State.line_gains`.

    Returns
    -------
    ndarray of shape (b, u, q, T)
    """
    a, b, c = _line_forms(d, coefficients, wx)
    b[0] += 1
    rest = (own - c)[:, :, None]
    ratio = along(_multiplied(b, b) + rest * a, tau)
    good = ratio > 1e-12
    ratio[~good] = 1.0
    if traced is None:
        return np.where(good, np.log(ratio) / d.shape[-1], -np.inf)
    dsd, before = traced
    a2, b2, c2 = _line_forms(dsd, coefficients, wx)
    change = along(a * c2[:, :, None] - rest * a2 - 2 * _multiplied(b, b2), tau)
    change /= ratio
    before = before[:, None, None, None]
    return trace_gain(before, before + change, good)


def trace_gain(before: np.ndarray | float, trace: np.ndarray, good: np.ndarray) -> np.ndarray:
    """What a trace that becomes another gains; nothing where rounding broke the one or the other."""
    good = good & (trace > 0) & (np.asarray(before) > 0)
    return np.where(good, np.log(np.where(good, before, 1.0) / np.where(good, trace, 1.0)), -np.inf)


def _inner(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Row by row products."""
    return np.asarray(np.einsum("np,np->n", left, right))


def _line_forms(
    k: np.ndarray, coefficients: np.ndarray, w: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """d'Kd and d'Kw of the change d along lines, as the coefficients of polynomials (…, b, u, q), and w'Kw, shape (b, u)."""
    degree, many, u, q, p = coefficients.shape
    ck = (coefficients.reshape(degree, many, u * q, p) @ k).reshape(coefficients.shape)
    kw = w @ k
    square = np.zeros((2 * degree + 1, many, u, q))
    for i in range(degree):
        for j in range(i, degree):
            each = np.einsum("buqp,buqp->buq", ck[i], coefficients[j])
            square[i + j + 2] += each if i == j else 2 * each
    linear = np.zeros((degree + 1, many, u, q))
    linear[1:] = np.matmul(coefficients, kw[None, :, :, :, None])[..., 0]
    return square, linear, np.einsum("bup,bup->bu", kw, w)


def _multiplied(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """The product of polynomials of one degree, coefficients along the first axis."""
    n = len(one)
    out = np.zeros((2 * n - 1, *one.shape[1:]))
    for k in range(n):
        out[k : k + n] += one[k] * other
    return out


def along(polynomial: np.ndarray, tau: np.ndarray) -> np.ndarray:
    """A polynomial of every line at its places, by Horner's rule."""
    *rest, last = polynomial[..., None]
    out = last * tau
    for coefficient in reversed(rest[1:]):
        out += coefficient
        out *= tau
    out += rest[0]
    return np.asarray(out)


def _line_blocks(k: np.ndarray, coefficients: np.ndarray, powers: np.ndarray, wx: np.ndarray) -> np.ndarray:
    """U'KU along lines for U = [Δ', X'W_S], shape (u * q * T, 2s, 2s)."""
    degree, u, q, s, _ = coefficients.shape
    t = powers.shape[-1]
    ck = coefficients @ k
    along = np.matmul(ck, wx.transpose(0, 2, 1)[None, :, None])
    cross = np.einsum("juqt,juqab->uqtab", powers[:degree], along)
    square = np.zeros((u, q, t, s, s))
    for i in range(degree):
        for j in range(degree):
            block = np.matmul(ck[i], coefficients[j].transpose(0, 1, 3, 2))
            square += powers[i + j + 1][..., None, None] * block[:, :, None]
    fixed = np.repeat(wx @ k @ wx.transpose(0, 2, 1), q * t, axis=0)
    return _blocks(cross.reshape(-1, s, s), square.reshape(-1, s, s), fixed)


def _blocks(cross: np.ndarray, square: np.ndarray, fixed: np.ndarray) -> np.ndarray:
    """The symmetric matrices [[square, cross], [cross', fixed]], shape (N, 2s, 2s)."""
    n, s, _ = square.shape
    out = np.empty((n, 2 * s, 2 * s))
    out[:, :s, :s] = square
    out[:, :s, s:] = cross
    out[:, s:, :s] = cross.transpose(0, 2, 1)
    out[:, s:, s:] = fixed
    return out
