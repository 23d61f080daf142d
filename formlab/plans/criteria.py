"""Criteria D, A and I of an information matrix, and how a changed row or batch changes them.

``M = X' W X + prior`` with the weight W of generalised least squares. Changing rows S of X by Δ gives
``M + U C U'`` with ``U = [Δ', X'W_S]`` and ``C = [[W_SS, I], [I, 0]]``, whatever levels of error W holds;
so one formula serves a slab, a load, a batch and a day, and all options of one unit are tried at once.
"""

from __future__ import annotations

import numpy as np

__all__ = ["CRITERIA", "State", "score"]

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
    inverse = np.linalg.inv(information)
    return float(-np.log(np.sum(weight * inverse)))


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
        self.refresh()

    def refresh(self) -> None:
        """Compute everything from the columns, so that rounding does not build up."""
        self.wx = self.w @ self.x
        self.m = self.x.T @ self.wx + self.prior
        self.d = np.linalg.inv(self.m)
        self.d = (self.d + self.d.T) / 2
        if self.weight is not None:
            self.dsd = self.d @ self.weight @ self.d
            self.trace = float(np.sum(self.weight * self.d))

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
            new = options[:, 0]
            nd = new @ self.d
            h = np.einsum("np,np->n", nd, new)
            h2 = np.einsum("np,np->n", new @ self.dsd, new) if self.weight is not None else None
            return self.row_gains(int(rows[0]), new, h, h2)
        return self._group_gains(rows, options)

    def row_gains(self, i: int, new: np.ndarray, h: np.ndarray, h2: np.ndarray | None) -> np.ndarray:
        """Return the gains of putting each row of `new` (N, p) at row i; h = x'Dx, h2 = x'DSDx of `new`."""
        old, w, wii = self.x[i], self.wx[i], self.w[i, i]
        probe = np.column_stack([old, w])
        dp = self.d @ probe
        cross = new @ dp
        gram = probe.T @ dp
        a = h - 2 * cross[:, 0] + gram[0, 0]
        b = cross[:, 1] - gram[0, 1]
        ratio = (1 + b) ** 2 + a * (wii - gram[1, 1])
        good = ratio > 1e-12
        safe = np.where(good, ratio, 1.0)
        if self.weight is None:
            return np.where(good, np.log(safe) / self.x.shape[1], -np.inf)
        dp2 = self.dsd @ probe
        cross2 = new @ dp2
        gram2 = probe.T @ dp2
        assert h2 is not None
        a2 = h2 - 2 * cross2[:, 0] + gram2[0, 0]
        b2 = cross2[:, 1] - gram2[0, 1]
        change = ((gram[1, 1] - wii) * a2 - 2 * (1 + b) * b2 + a * gram2[1, 1]) / safe
        return self._trace_gain(self.trace + change, good)

    def line_gains(self, rows: np.ndarray, coefficients: np.ndarray, tau: np.ndarray) -> np.ndarray:
        """Return the gains along lines: columns of the rows change by ``sum_j tau**j coefficients[j - 1]``.

        Parameters
        ----------
        coefficients : ndarray of shape (degree, q, s, p)
        tau : ndarray of shape (q, T)

        Returns
        -------
        ndarray of shape (q, T)
        """
        powers = tau[None] ** np.arange(1, 2 * len(coefficients) + 1)[:, None, None]
        if len(rows) == 1:
            return self._one_line(int(rows[0]), coefficients[:, :, 0], powers)
        wx = self.wx[rows]
        inner = self._line_blocks(self.d, coefficients, powers, wx)
        outer = None if self.weight is None else self._line_blocks(self.dsd, coefficients, powers, wx)
        return self._gains_of(rows, inner, outer).reshape(tau.shape)

    def _one_line(self, i: int, coefficients: np.ndarray, powers: np.ndarray) -> np.ndarray:
        """As `line_gains` for one row: coefficients of shape (degree, q, p)."""
        w, wii = self.wx[i], self.w[i, i]
        a, b, c = _line_forms(self.d, coefficients, powers, w)
        b += 1
        ratio = b * b + a * (wii - c)
        good = ratio > 1e-12
        safe = np.where(good, ratio, 1.0)
        if self.weight is None:
            return np.where(good, np.log(safe) / self.x.shape[1], -np.inf)
        a2, b2, c2 = _line_forms(self.dsd, coefficients, powers, w)
        change = ((c - wii) * a2 - 2 * b * b2 + a * c2) / safe
        return self._trace_gain(self.trace + change, good)

    def _group_gains(self, rows: np.ndarray, options: np.ndarray) -> np.ndarray:
        delta = options - self.x[rows]
        wx = self.wx[rows]
        inner = _blocks(
            delta @ self.d @ wx.T, (delta @ self.d) @ delta.transpose(0, 2, 1), wx @ self.d @ wx.T
        )
        if self.weight is None:
            return self._gains_of(rows, inner, None)
        dd = delta @ self.dsd
        return self._gains_of(
            rows, inner, _blocks(dd @ wx.T, dd @ delta.transpose(0, 2, 1), wx @ self.dsd @ wx.T)
        )

    @staticmethod
    def _line_blocks(
        k: np.ndarray, coefficients: np.ndarray, powers: np.ndarray, wx: np.ndarray
    ) -> np.ndarray:
        """U'KU along lines for U = [Δ', X'W_S], shape (q * T, 2s, 2s)."""
        degree, q, s, _ = coefficients.shape
        ck = coefficients @ k
        cross = np.einsum("jqt,jqab->qtab", powers[:degree], ck @ wx.T)
        square = np.zeros((q, powers.shape[2], s, s))
        for i in range(degree):
            for j in range(degree):
                block = ck[i] @ coefficients[j].transpose(0, 2, 1)
                square += powers[i + j + 1][:, :, None, None] * block[:, None]
        return _blocks(cross.reshape(-1, s, s), square.reshape(-1, s, s), wx @ k @ wx.T)

    def _gains_of(self, rows: np.ndarray, inner: np.ndarray, outer: np.ndarray | None) -> np.ndarray:
        """Gains from U'DU and, for trace criteria, U'DSDU of every option; shape (N, 2s, 2s) each."""
        s = len(rows)
        inner[:, :s, s:] += np.eye(s)
        inner[:, s:, :s] += np.eye(s)
        inner[:, s:, s:] -= self.w[np.ix_(rows, rows)]
        sign, logdet = np.linalg.slogdet(inner)
        good = (sign == (-1) ** s) & np.isfinite(logdet)
        if outer is None:
            return np.where(good, logdet / self.x.shape[1], -np.inf)
        inner[~good] = np.eye(2 * s)
        change = -np.trace(np.linalg.solve(inner, outer), axis1=1, axis2=2)
        return self._trace_gain(self.trace + change, good)

    def _trace_gain(self, trace: np.ndarray, good: np.ndarray) -> np.ndarray:
        good = good & (trace > 0)
        if not self.trace > 0:  # rounding broke the inverse of a nearly singular design
            return np.full(trace.shape, -np.inf)
        return np.where(good, np.log(self.trace / np.where(good, trace, 1.0)), -np.inf)

    # ---- change ---------------------------------------------------------------------------------

    def replace(self, rows: np.ndarray, new: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Put `new` (s, p) at `rows`; return (U, A) with the new inverse D - D U inv(A) U' D of the old D."""
        s = len(rows)
        delta = new - self.x[rows]
        u = np.column_stack([delta.T, self.wx[rows].T])
        du = self.d @ u
        a = u.T @ du
        a[:s, s:] += np.eye(s)
        a[s:, :s] += np.eye(s)
        a[s:, s:] -= self.w[np.ix_(rows, rows)]
        self.d = self.d - du @ np.linalg.solve(a, du.T)
        self.d = (self.d + self.d.T) / 2
        self.x[rows] = new
        self.wx += self.w[:, rows] @ delta
        if self.weight is not None:
            self.dsd = self.d @ self.weight @ self.d
            self.trace = float(np.sum(self.weight * self.d))
        return u, a


def _line_forms(
    k: np.ndarray, coefficients: np.ndarray, powers: np.ndarray, w: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """d'Kd and d'Kw of the change d along every line, shape (q, T) each, and w'Kw."""
    degree = len(coefficients)
    ck, kw = coefficients @ k, k @ w
    cross = coefficients @ kw
    square = np.zeros(powers.shape[1:])
    for i in range(degree):
        for j in range(i, degree):
            block = np.einsum("qp,qp->q", ck[i], coefficients[j]) * (1 if i == j else 2)
            square += block[:, None] * powers[i + j + 1]
    linear = cross[0][:, None] * powers[0]
    for j in range(1, degree):
        linear += cross[j][:, None] * powers[j]
    return square, linear, float(w @ kw)


def _blocks(cross: np.ndarray, square: np.ndarray, fixed: np.ndarray) -> np.ndarray:
    """The symmetric matrices [[square, cross], [cross', fixed]], shape (N, 2s, 2s)."""
    n, s, _ = square.shape
    out = np.empty((n, 2 * s, 2 * s))
    out[:, :s, :s] = square
    out[:, :s, s:] = cross
    out[:, s:, :s] = cross.transpose(0, 2, 1)
    out[:, s:, s:] = fixed
    return out
