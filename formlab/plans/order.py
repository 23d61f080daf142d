"""Run order: random within the structure, nearly free of time trends, or by colour; and its labels."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations
from typing import Any

import numpy as np
import pandas as pd
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from formlab.brief import Brief
from formlab.errors import PlanError
from formlab.plans.structure import COLUMNS, LABELS, Structure

__all__ = [
    "Changeovers",
    "apart_in_loads",
    "changeover_cost",
    "colour_order",
    "label",
    "lay_in_order",
    "random_order",
    "trend_order",
]

COARSE = ("block", "day", "base")
TRIES = 20


def random_order(structure: Structure, rng: Any) -> np.ndarray:
    """Return rows in a random run order: blocks, days and base mixings stay together, then batches that share loads.

    Within a unit of a coarser level the finer units come in random order; slabs within a batch too.
    A load is pressed when its last batch has been mixed, so that its batches should not be days apart.
    """
    keys = [rng.random(structure.n)]
    units = [structure.groups["batch"], _sharing_loads(structure)]
    units += [structure.groups[level] for level in reversed(COARSE) if level in structure.groups]
    for labels in units:
        if labels.max() > 0:
            draw = rng.random(labels.max() + 1)
            keys.append(draw[labels])
    return np.lexsort(keys)


def _sharing_loads(structure: Structure) -> np.ndarray:
    """Labels of the rows whose batches hang together through the loads they share; 0 for all where there are none."""
    if "load" not in structure.groups:
        return np.zeros(structure.n, dtype=int)
    batch, load = structure.groups["batch"], structure.groups["load"]
    size = int(batch.max()) + 1
    links = csr_array((np.ones(structure.n), (batch, size + load)), shape=(size + load.max() + 1,) * 2)
    return np.asarray(connected_components(links, directed=False)[1])[batch]


def apart_in_loads(structure: Structure, order: np.ndarray) -> int:
    """Return how many batches the first and the last of a load are apart at most in a run order; 0 without loads."""
    if "load" not in structure.groups:
        return 0
    place = pd.Series(pd.factorize(structure.groups["batch"][order])[0]).groupby(
        structure.groups["load"][order]
    )
    return int((place.max() - place.min()).max())


def spread_evenly(structure: Structure, order: np.ndarray, batches: Sequence[int]) -> np.ndarray:
    """Return the order with some batches moved to evenly spaced places, first and last included."""
    batch = structure.groups["batch"]
    sequence = list(dict.fromkeys(batch[order].tolist()))
    rest = [b for b in sequence if b not in set(batches)]
    places = np.round(np.linspace(0, len(sequence) - 1, len(batches))).astype(int)
    for place, b in zip(places, batches):
        rest.insert(int(place), b)
    rank = {b: k for k, b in enumerate(rest)}
    return np.array(sorted(order.tolist(), key=lambda row: rank[int(batch[row])]))


# ---- time trends ------------------------------------------------------------------------------------


def trend_order(structure: Structure, x: np.ndarray, rng: Any) -> tuple[np.ndarray, float]:
    """Return an order in which the model is nearly orthogonal to a linear and a quadratic time trend.

    Batches are swapped within their block, day or base mixing, whatever loads they share, while the squared correlations of the
    model's columns with both trends fall (after Cox 1951).

    Returns
    -------
    order : ndarray
    largest : float
        Largest correlation of a model column with either trend that is left.
    """
    columns = _centred(x)
    best, least = random_order(structure, rng), np.inf
    for _ in range(TRIES):
        order = _fewer_trends(structure, columns, random_order(structure, rng))
        left = float(np.square(_trends(len(order)).T @ columns[order]).sum())
        if left < least - 1e-12:
            best, least = order, left
    return best, float(np.abs(_trends(len(best)).T @ columns[best]).max())


def _centred(x: np.ndarray) -> np.ndarray:
    """Columns without their mean, of length 1; constants are left out."""
    out = x - x.mean(axis=0)
    size = np.linalg.norm(out, axis=0)
    return np.asarray(out[:, size > 1e-9] / size[size > 1e-9])


def _trends(n: int) -> np.ndarray:
    """Linear and quadratic orthogonal polynomials of length 1 over n places."""
    t = np.linspace(-1, 1, n)
    return np.asarray(np.linalg.qr(np.vander(t, 3, increasing=True))[0][:, 1:]) if n > 2 else np.zeros((n, 2))


def _fewer_trends(structure: Structure, columns: np.ndarray, order: np.ndarray) -> np.ndarray:
    """Swap batches of equal size while the trends fall."""
    batch = structure.groups["batch"]
    sequence = list(dict.fromkeys(batch[order].tolist()))
    rows = {b: [int(r) for r in order if batch[r] == b] for b in sequence}
    unit = [
        tuple(int(structure.groups[c][rows[b][0]]) for c in COARSE if c in structure.groups) for b in sequence
    ]
    size = [len(rows[b]) for b in sequence]
    sums = np.array([columns[rows[b]].mean(axis=0) for b in sequence])
    places = np.split(_trends(len(order)), np.cumsum(size)[:-1])
    time = np.array([p.sum(axis=0) for p in places])
    total = time.T @ sums
    can = np.array([[u == v and s == t for v, t in zip(unit, size)] for u, s in zip(unit, size)])
    improved = True
    while improved:
        improved = False
        for i in range(len(sequence)):
            step_t, step_s = time[i] - time, sums - sums[i]
            change = 2 * np.einsum("jk,kp,jp->j", step_t, total, step_s)
            change += np.square(step_t).sum(axis=1) * np.square(step_s).sum(axis=1)
            change[~can[i]] = 0.0
            j = int(change.argmin())
            if change[j] < -1e-10:
                total = total + np.outer(step_t[j], step_s[j])
                sums[[i, j]] = sums[[j, i]]
                sequence[i], sequence[j] = sequence[j], sequence[i]
                improved = True
    return np.array([r for b in sequence for r in rows[b]])


# ---- colours ----------------------------------------------------------------------------------------


class Changeovers:
    """Minutes and kg of cleaning when one colour follows another.

    Parameters
    ----------
    by : str
        The setting with categories, or the ingredient, that makes the colour.
    table : DataFrame, optional
        from, to, minutes, kg. Colours that follow themselves need nothing. Left out: light to dark is the
        order of the levels, or of the amounts, and nothing is counted.
    """

    def __init__(self, by: str, table: pd.DataFrame | None = None) -> None:
        self.by = by
        self.minutes: dict[tuple[str, str], float] = {}
        self.kg: dict[tuple[str, str], float] = {}
        if table is None:
            return
        missing = [c for c in ("from", "to", "minutes", "kg") if c not in table]
        if missing:
            raise PlanError(
                f"The table of changeovers lacks {missing[0]!r}; add it. It has {', '.join(map(str, table.columns))}."
            )
        for row in table.itertuples(index=False):
            pair = (
                _word(row[list(table.columns).index("from")]),
                _word(row[list(table.columns).index("to")]),
            )
            for name, known in (("minutes", self.minutes), ("kg", self.kg)):
                value = pd.to_numeric(getattr(row, name), errors="coerce")
                if not 0 <= value < float("inf"):
                    raise PlanError(
                        f"The table of changeovers has {name} = {getattr(row, name)!r} from {pair[0]!r} to {pair[1]!r}; "
                        "give a number of at least 0."
                    )
                known[pair] = float(value)

    def cost(self, colours: Sequence[str]) -> tuple[float, float]:
        """Return minutes and kg of running colours one after another."""
        pairs = [(a, b) for a, b in zip(colours, colours[1:]) if a != b]
        lost = [p for p in pairs if self.minutes and p not in self.minutes]
        if lost:
            raise PlanError(
                f"The table of changeovers has no line from {lost[0][0]!r} to {lost[0][1]!r}; add it."
            )
        return sum(self.minutes.get(p, 0.0) for p in pairs), sum(self.kg.get(p, 0.0) for p in pairs)


def colour_order(
    structure: Structure, frame: pd.DataFrame, changeovers: Changeovers, rng: Any, levels: Sequence[str] = ()
) -> tuple[np.ndarray, list[str], float, float]:
    """Return rows by colour within each block and day, cheapest sequence of colours, random within one.

    Parameters
    ----------
    levels : sequence of str
        Categories, light to dark; amounts of an ingredient go by size.

    Returns
    -------
    order : ndarray
    notes : list of str
        What it costs, what a random order would, and how much a straight drift would hide.
    minutes, kg : float
    """
    colour = _colours(frame, changeovers)

    def rank(c: str) -> float:
        return float(levels.index(c)) if c in levels else float(c)

    order = random_order(structure, rng)
    plain = _steps(structure, colour, order)
    unit = _coarse_units(structure)
    out: list[int] = []
    for u in dict.fromkeys(unit[order].tolist()):
        rows = [int(r) for r in order if unit[r] == u]
        seen = sorted({colour[r] for r in rows}, key=rank)
        best = (
            min(permutations(seen), key=changeovers.cost)
            if len(seen) <= 7 and changeovers.minutes
            else tuple(seen)
        )
        out += [r for c in best for r in rows if colour[r] == c]
    arranged = np.array(out)
    minutes, kg = changeovers.cost(_steps(structure, colour, arranged))
    was_minutes, was_kg = changeovers.cost(plain)
    hidden = [_hidden(colour[o]) for o in (arranged, order)]
    takes = (
        f"changeovers take {minutes:g} min and {kg:g} kg; in a random order {was_minutes:g} min and {was_kg:g} kg"
        if changeovers.minutes
        else "what changeovers take is not known; give a table of them"
    )
    notes = [
        f"Batches run by {changeovers.by}, light to dark: {takes}.",
        f"The price: if the process drifts in a straight line, {100 * hidden[0]:.0f} % of what would tell the effect of "
        f"{changeovers.by} is lost in the drift ({100 * hidden[1]:.0f} % in a random order).",
    ]
    return arranged, notes, minutes, kg


def changeover_cost(
    structure: Structure, frame: pd.DataFrame, changeovers: Changeovers, order: np.ndarray
) -> tuple[float, float]:
    """Return minutes and kg of cleaning between the batches of an order."""
    return changeovers.cost(_steps(structure, _colours(frame, changeovers), order))


def _colours(frame: pd.DataFrame, changeovers: Changeovers) -> np.ndarray:
    if changeovers.by not in frame:
        raise PlanError(
            f"colour = {changeovers.by!r}; name a setting with categories or an ingredient of the brief."
        )
    return np.asarray(frame[changeovers.by].map(_word))


def _word(value: Any) -> str:
    return f"{value:g}" if isinstance(value, (int, float, np.number)) else str(value)


def _coarse_units(structure: Structure) -> np.ndarray:
    levels = [structure.groups[c] for c in COARSE if c in structure.groups]
    return (
        np.unique(np.column_stack(levels), axis=0, return_inverse=True)[1]
        if levels
        else np.zeros(structure.n, int)
    )


def _steps(structure: Structure, colour: np.ndarray, order: np.ndarray) -> list[str]:
    """Colours batch by batch."""
    batch = structure.groups["batch"][order]
    first = np.concatenate([[True], batch[1:] != batch[:-1]])
    return [str(c) for c in colour[order][first]]


def _hidden(colour: np.ndarray) -> float:
    """Share of the spread of the colours that a straight line over the run order takes up."""
    codes = (colour[:, None] == np.unique(colour)[None, :]).astype(float)
    codes -= codes.mean(axis=0)
    line = _trends(len(colour))[:, :1]
    whole = float(np.square(codes).sum())
    return float(np.square(line.T @ codes).sum() / whole) if whole else 0.0


# ---- labels -----------------------------------------------------------------------------------------


def lay_in_order(
    frame: pd.DataFrame,
    structure: Structure,
    order: np.ndarray,
    brief: Brief,
    roles: Sequence[str] | None = None,
    round_: int = 1,
) -> pd.DataFrame:
    """Return the plan's frame: rows in run order with trial, batch, load and block columns."""
    out = frame.iloc[order].reset_index(drop=True)
    groups = {level: structure.groups[level][order] for level in structure.groups}
    lead: dict[str, Any] = {"trial": label("T", np.arange(len(out)))}
    for level in ("batch", "load", "day", "base", "block"):
        if level in groups:
            lead[COLUMNS[level]] = label(LABELS[level], _by_end(groups[level], last=level == "load"))
    if roles is not None and set(roles) != {"design"}:
        lead["role"] = [roles[k] for k in order]
    lead["run_order"] = np.arange(1, len(out) + 1)
    lead["round"] = round_
    lead["brief_id"] = brief.brief_id
    return pd.concat([pd.DataFrame(lead), out], axis=1)


def _by_end(labels: np.ndarray, last: bool) -> np.ndarray:
    """Number units by when they first occur, or by when their last member is there."""
    position = np.arange(len(labels))
    when = pd.Series(position).groupby(labels).agg("max" if last else "min")
    rank = when.rank(method="first").astype(int) - 1
    return rank.loc[labels].to_numpy()


def label(letter: str, numbers: np.ndarray) -> list[str]:
    """Return labels such as T01, wide enough for the largest number."""
    width = max(2, len(str(int(numbers.max()) + 1))) if len(numbers) else 2
    return [f"{letter}{int(k) + 1:0{width}d}" for k in numbers]
