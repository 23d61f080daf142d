"""How often targets are met together: thresholds on the scale of the fit, found once, then only compared.

Under one draw a response in its own unit rises with its linear predictor, so "the mean is at least 85" is "the
predictor is at least so much" with a threshold of that draw's own. Formulas then cost a matrix product each.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from formlab.surfaces.parts import Drawn
from formlab.workers import one_thread

if TYPE_CHECKING:
    from formlab.surfaces.draws import Columns, Draws, Value

__all__ = ["Meeting"]

CHUNK = 64_000  # draws times formulas looked at together
STEPS = 60  # halvings of a bracket: to the last digits of a double


class Meeting:
    """Targets against draws, for many formulas.

    Parameters
    ----------
    draws : Draws
    targets : mapping of str to (low, high)
        In the responses' own units; infinite where there is no limit. Responses not named are not looked at.
    of : {"typical", "mean", "median", "new_batch", "accepted", "reading"}
    seed : int, optional
        Of the errors of the new batch.

    Attributes
    ----------
    needed : set of int
        Which of the surfaces' columns are looked at.
    """

    def __init__(
        self,
        draws: Draws,
        targets: Mapping[str, tuple[float, float]],
        of: str = "mean",
        seed: int | None = None,
    ) -> None:
        self.count = draws.count
        value = draws._value(of, seed)
        kinds = {response.name: response.kind for response in draws.surfaces.brief.responses}
        self._groups: list[list[tuple[Any, ...]]] = []
        for k, (name, mixed) in enumerate(zip(draws.names, draws._responses)):
            low, high = targets.get(name, (-np.inf, np.inf))
            if np.isinf(low) and np.isinf(high):
                continue
            counted = kinds[name] != "measure" and of in ("accepted", "reading")
            exact = of in ("typical", "mean", "median")
            # parts in the same columns are looked at together
            found: dict[int, list[tuple[np.ndarray, ...]]] = {}
            for drawn, rows in zip(mixed.parts, mixed.rows):
                if len(rows):
                    least = _threshold(value, k, drawn, rows, low, -np.inf, counted, exact)
                    most = _threshold(value, k, drawn, rows, high, np.inf, counted, exact)
                    found.setdefault(id(drawn.part.features), []).append((rows, drawn.coef, least, most))
            self._groups.append([self._together(key, parts) for key, parts in found.items()])
        self.needed = {group[0] for groups in self._groups for group in groups}

    def _together(self, key: int, parts: list[tuple[np.ndarray, ...]]) -> tuple[Any, ...]:
        """Key of the columns, coefficients, draws (None for all of them), and between what the predictor must lie."""
        rows, coef, least, most = (np.concatenate(arrays) for arrays in zip(*parts))
        order = np.argsort(rows, kind="stable")
        whole = len(rows) == self.count
        return key, coef[order], None if whole else rows[order], least[order], most[order]

    def met(self, columns: Columns) -> np.ndarray:
        """Return whether each draw meets all targets at each formula, shape (rows, draws)."""
        with one_thread():
            return self._met(columns).T

    def _met(self, columns: Columns) -> np.ndarray:
        n = len(next(iter(columns.values())))
        ok = np.ones((self.count, n), dtype=bool)
        for group in self._groups:
            for key, coef, rows, least, most in group:
                chunk = max(CHUNK // len(coef), 16)  # formulas at a time, to stay in cache
                for start in range(0, n, chunk):
                    eta = coef @ columns[key][start : start + chunk].T
                    own = eta >= least
                    own &= eta <= most
                    if rows is None:
                        ok[:, start : start + chunk] &= own
                    else:
                        ok[rows, start : start + chunk] &= own
        return ok

    def probability(self, columns: Columns) -> np.ndarray:
        """Return the share of draws that meet all targets at each formula, shape (rows,)."""
        with one_thread():
            return np.asarray(self._met(columns).mean(axis=0))


def _threshold(
    value: Value,
    k: int,
    drawn: Drawn,
    rows: np.ndarray,
    limit: float,
    without: float,
    counted: bool,
    exact: bool,
) -> np.ndarray:
    """The predictor at which the response is at `limit`, shape (draws of the part, 1).

    `counted` if the response moves in steps, `exact` if it is the mean of slabs, or nearly.
    """
    count = len(rows)
    if np.isinf(limit):
        return np.full((count, 1), without)
    scale = drawn.part.scale
    start = float(scale.forward(np.array([limit]))[0])
    if np.isinf(start) and not (counted and scale.low <= limit <= scale.high):
        return np.full((count, 1), start)  # at or beyond a bound: always on one side of it
    beyond = np.greater if np.isposinf(without) else np.greater_equal  # what just meets a limit meets it
    if counted:
        place, reach = np.full((count, 1), np.clip(start, -30.0, 30.0)), 1.0
    else:  # from where the mean of slabs is at the limit
        within = (drawn.sd_batch**2 + drawn.sd_slab**2)[:, None]
        place = np.broadcast_to(scale.predictor(np.full((count, 1), limit), within), (count, 1))
        place = np.where(np.isfinite(place), place, start)
        reach = (1e-14 if exact else 1e-2) * (1.0 + float(np.abs(place).max()))
    low, high = place - reach, place + reach
    for _ in range(STEPS):
        short = beyond(value(k, drawn, rows, low), limit)
        over = ~beyond(value(k, drawn, rows, high), limit)
        if not short.any() and not over.any():
            break
        reach *= 4
        low, high = np.where(short, place - reach, low), np.where(over, place + reach, high)
    for _ in range(STEPS):
        middle = (low + high) / 2
        if ((middle <= low) | (middle >= high)).all():  # nothing lies between them
            break
        above = beyond(value(k, drawn, rows, middle), limit)
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return high if np.isneginf(without) else low
