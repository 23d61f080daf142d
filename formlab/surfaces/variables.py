"""Ways of writing a formula: what the trade knows, offered to a surface as its variables.

A second-order polynomial in phr is seldom what the physics is: hardness follows the volume that fillers take
up, cure follows time and temperature together (Arrhenius). Every set of variables here is computed from the
formula alone; which of them a surface uses is decided by how well it predicts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import BriefError, FormlabError
from formlab.region import Region
from formlab.surfaces.shared import Shared

__all__ = ["Held", "Variables", "offered"]

_MINUTES = {"s": 1 / 60, "sec": 1 / 60, "min": 1.0, "minutes": 1.0, "h": 60.0}
_CELSIUS = {"°C", "C", "degC", "deg C", "℃"}
REFERENCE_C = 150.0  # any temperature does: it only shifts a logarithm

Column = tuple[str, Callable[["Held"], np.ndarray]]


class Held:
    """The columns of a frame, taken out once, and what several variables work out of them."""

    def __init__(self, frame: pd.DataFrame) -> None:
        self.frame = frame
        self._numbers: dict[str, np.ndarray] = {}
        self._whole: dict[tuple[float, ...], np.ndarray] = {}

    def __getitem__(self, name: str) -> np.ndarray:
        """Return a numeric column, shape (n,)."""
        if name not in self._numbers:
            self._numbers[name] = self.frame[name].to_numpy(float)
        return self._numbers[name]

    def words(self, name: str) -> pd.Series:
        """Return a column of categories as text."""
        return self.frame[name].astype(str)

    def whole(self, weight: Mapping[str, float]) -> np.ndarray:
        """Return the sum of amounts times their weights, shape (n,)."""
        key = tuple(weight.values())
        if key not in self._whole:
            self._whole[key] = np.asarray(sum(self[n] * w for n, w in weight.items()))
        return self._whole[key]


@dataclass(frozen=True, eq=False)
class Variables(Shared):
    """A set of variables, coded to about -1 … 1 over the region.

    Attributes
    ----------
    text : str
        What they are, in words.
    names : tuple of str
    """

    text: str
    names: tuple[str, ...]
    raw: Callable[[Held], np.ndarray]
    centre: np.ndarray
    half: np.ndarray

    def base(self, frame: pd.DataFrame | Held) -> np.ndarray:
        """Return coded variables, shape (n, d); of columns held for several sets of variables, or of a frame."""
        held = frame if isinstance(frame, Held) else Held(frame)
        return (self.raw(held) - self.centre) / self.half

    def __repr__(self) -> str:
        return f"Variables({self.text}: {', '.join(self.names)})"


def offered(brief: Brief, trials: pd.DataFrame) -> list[Variables]:
    """Return the sets of variables a brief allows, plainest first.

    As written always; with mass fractions, or volume fractions where every density is known, in basis phr;
    with the volume fraction of all fillers and abrasives where there are several; with equivalent cure where
    a time and a temperature are settings.

    Parameters
    ----------
    brief : Brief
    trials : DataFrame
        Complete formulas: the coding covers them and the region.
    """
    reference = _reference(brief, trials)
    plain, cure = _settings(brief), _cure(brief)
    sets = [_coded("as written", [_amounts(brief), plain], reference)]
    if cure:
        sets.append(_coded("as written, with equivalent cure", [_amounts(brief), cure], reference))
    shares = _shares(brief)
    if shares is not None:
        text, columns, total = shares
        tail = cure or plain
        sets.append(_coded(f"{text}{', with equivalent cure' if cure else ''}", [columns, tail], reference))
        if total:
            words = f"{text}, fillers together{', with equivalent cure' if cure else ''}"
            sets.append(_coded(words, [columns, total, tail], reference))
    return [s for s in sets if s.names]


def _coded(text: str, blocks: list[list[Column]], reference: pd.DataFrame) -> Variables:
    columns = [column for block in blocks for column in block]
    raw = partial(_raw, [of for _, of in columns])
    if not columns:
        return Variables(text, (), raw, np.zeros(0), np.ones(0))
    values = raw(Held(reference))
    low, high = values.min(axis=0), values.max(axis=0)
    keep = [c for c, varies in zip(columns, high - low > 1e-9 * np.maximum(np.abs(high), 1e-12)) if varies]
    if len(keep) < len(columns):
        return _coded(text, [keep], reference)
    return Variables(text, tuple(n for n, _ in columns), raw, (low + high) / 2, (high - low) / 2)


def _raw(columns: list[Callable[[Held], np.ndarray]], frame: Held) -> np.ndarray:
    out = np.empty((len(frame.frame), len(columns)))
    for k, of in enumerate(columns):
        out[:, k] = of(frame)
    return out


def _reference(brief: Brief, trials: pd.DataFrame) -> pd.DataFrame:
    try:
        return pd.concat([trials, Region.from_brief(brief).sample(400, seed=1)], ignore_index=True)
    except FormlabError:  # an empty region: the trials speak for themselves
        return trials


def _amounts(brief: Brief) -> list[Column]:
    return [(name, partial(_number, name)) for name in brief.varied]


def _number(name: str, frame: Held) -> np.ndarray:
    return frame[name]


def _settings(brief: Brief) -> list[Column]:
    columns: list[Column] = []
    for setting in brief.settings:
        if setting.is_numeric:
            columns.append((setting.name, partial(_number, setting.name)))
        else:  # one column a level, so that all levels are equally far apart
            levels = list(map(str, setting.levels or []))
            columns += [
                (f"{setting.name}[{level}]", partial(_is, setting.name, level, levels)) for level in levels
            ]
    return columns


def _is(name: str, level: str, levels: list[str], frame: Held) -> np.ndarray:
    values = frame.words(name)
    if level == levels[0] and not (known := values.isin(levels)).all():
        raise BriefError(
            f"{name!r} = {values[~known].iloc[0]!r} is not one of {levels}; use one of them, for categories are never "
            "interpolated."
        )
    return (values == level).to_numpy(float)


def _cure(brief: Brief) -> list[Column]:
    """Settings with press time and temperature as the logarithm of equivalent minutes, and temperature beside."""
    times = [s for s in brief.settings if s.is_numeric and s.unit in _MINUTES and s.range[0] > 0]
    hot = [
        s
        for s in brief.settings
        if s.is_numeric and s.unit in _CELSIUS and s.range[0] >= 100 and s.range[1] <= 250
    ]
    if len(times) != 1 or len(hot) > 1:
        return []
    time, press = times[0].name, hot[0].name if hot else None
    rest = [c for c in _settings(brief) if c[0] != time]
    equivalent = partial(_equivalent, time, _MINUTES[times[0].unit], press)
    return [("log equivalent minutes" if hot else f"log {time}", equivalent), *rest]


def _equivalent(time: str, minutes: float, press: str | None, frame: Held) -> np.ndarray:
    from formlab.cure import arrhenius_factor

    log = np.log(frame[time] * minutes)
    return log if press is None else log + np.log(arrhenius_factor(frame[press], REFERENCE_C))


def _shares(brief: Brief) -> tuple[str, list[Column], list[Column]] | None:
    """Shares by volume where every density is known, else by mass; and the fillers' together."""
    if not brief.varied:
        return None
    known = {p.name: p.density for p in brief.ingredients}
    by_volume = all(known.values())
    if not by_volume and brief.basis == "fraction":
        return None  # shares by mass are what is written already
    weight = {n: 1 / known[n] if by_volume else 1.0 for n in known}  # type: ignore[operator]
    text = f"{'volume' if by_volume else 'mass'} fractions"
    kind = "vol" if by_volume else "mass"
    columns: list[Column] = [(f"{n} {kind}", partial(_share, [n], weight)) for n in brief.varied]
    solids = [p.name for p in brief.ingredients if p.role in ("filler", "abrasive")]
    several = len(solids) > 1 and any(n in brief.varied for n in solids)
    return text, columns, [(f"fillers {kind}", partial(_share, solids, weight))] if several else []


def _share(names: list[str], weight: dict[str, float], frame: Held) -> np.ndarray:
    return np.asarray(sum(frame[n] * weight[n] for n in names) / frame.whole(weight))
