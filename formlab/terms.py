"""Models as named columns: which terms a brief asks for, how to build them, kept and replayed.

Mixture terms are those of Scheffé (1958); shares are taken of what varies, ``amount / (total - fixed)``.
Terms in phr and of numeric settings are polynomials in variables coded to -1 … 1 over the brief's range.
Crossed mixture-process models follow Kowalski, Cornell & Vining (2002).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import BriefError

__all__ = ["ModelSpace", "Term"]


@dataclass(frozen=True)
class Term:
    """A product of base columns, by name and with repeats: ``("oil", "oil")`` is oil squared."""

    factors: tuple[str, ...]

    @property
    def name(self) -> str:
        if not self.factors:
            return "1"
        parts = []
        for factor in dict.fromkeys(self.factors):
            power = self.factors.count(factor)
            parts.append(factor + {1: "", 2: "²", 3: "³"}.get(power, f"^{power}"))
        return " × ".join(parts)

    @property
    def degree(self) -> int:
        return len(self.factors)

    def __mul__(self, other: Term) -> Term:
        return Term(self.factors + other.factors)


ONE = Term(())


class ModelSpace:
    """The terms of a model over a brief's factors, and their columns for any frame of formulas.

    Parameters
    ----------
    brief : Brief
    model : str, optional
        Of the ingredients: linear, interaction (phr), quadratic, special cubic (fraction).
    setting_model : str, optional
        Of the numeric settings: linear, interaction, quadratic.
    crossed : str, optional
        Ingredients × settings: none, main (linear × linear), full.
        All three are the brief's own where left out.

    Attributes
    ----------
    terms : list of Term
    names : list of str
        Names of the p terms, in column order.
    shares : list of str
        Ingredients whose shares form a blend that sums to 1: all that vary in basis fraction, the
        rubbers in basis phr where several vary; else empty, and the model has a constant.
    merged : list of str
        What was merged because limits hold it in a fixed ratio, in words.

    Examples
    --------
    >>> from formlab import Brief
    >>> brief = Brief(ingredient=[{"name": "rubber", "role": "rubber"},
    ...     {"name": "oil", "low": 5, "high": 15}, {"name": "chalk", "low": 20, "high": 60}])
    >>> ModelSpace(brief).names
    ['1', 'oil', 'chalk', 'oil × chalk', 'oil²', 'chalk²']
    """

    def __init__(
        self,
        brief: Brief,
        model: str | None = None,
        setting_model: str | None = None,
        crossed: str | None = None,
    ) -> None:
        self.model = model or brief.model
        self.setting_model = setting_model or brief.setting_model
        self.crossed = crossed or brief.crossed
        self._check(brief)
        groups, self.merged = _fixed_ratios(brief)
        varied = [g for g in groups if any(n in brief.varied for n in g)]
        if brief.basis == "fraction":
            blend = varied
            whole = brief.total - sum(brief.fixed.values())
        else:
            blend = [g for g in varied if g[0] in brief.rubbers] if len(brief.rubbers) > 1 else []
            whole = 100.0 - sum(v for n, v in brief.fixed.items() if n in brief.rubbers)
        if len(blend) < 2:
            blend = []
        self.shares = [" + ".join(g) for g in blend]
        self._parts = {" + ".join(g): g for g in blend}
        self._whole = whole
        free = [g[0] for g in varied if g not in blend] if brief.basis == "phr" or not blend else []
        numeric = [s.name for s in brief.settings if s.is_numeric]
        self.codes = {
            name: (sum(brief.ranges[name]) / 2, (brief.ranges[name][1] - brief.ranges[name][0]) / 2)
            for name in [*free, *numeric]
        }
        self.categories = {s.name: list(map(str, s.levels or [])) for s in brief.settings if not s.is_numeric}
        self._numeric = numeric
        self.terms = self._build(free, numeric)
        self.names = [term.name for term in self.terms]
        base = {name: k + 1 for k, name in enumerate(self.base_names)}
        depth = max((t.degree for t in self.terms), default=0) or 1
        self._index = np.array(
            [[base[f] for f in term.factors] + [0] * (depth - term.degree) for term in self.terms]
        )

    def _check(self, brief: Brief) -> None:
        allowed = {
            "model": ["linear", "interaction", "quadratic"]
            if brief.basis == "phr"
            else ["linear", "quadratic", "special cubic"],
            "setting_model": ["linear", "interaction", "quadratic"],
            "crossed": ["none", "main", "full"],
        }
        for key, options in allowed.items():
            value = getattr(self, key)
            if value not in options:
                raise BriefError(f"{key} = {value!r}; in basis {brief.basis!r} it is one of {options}.")

    # ---- which terms ----------------------------------------------------------------------------

    def _build(self, free: list[str], numeric: list[str]) -> list[Term]:
        blend_linear = [Term((s,)) for s in self.shares]
        free_linear = [Term((n,)) for n in free]
        ingredients = [*blend_linear] or [ONE]
        curved = self.model in ("quadratic", "special cubic")
        if curved or self.model == "interaction":
            ingredients += [a * b for a, b in combinations(blend_linear, 2)]
        if self.model == "special cubic":
            ingredients += [a * b * c for a, b, c in combinations(blend_linear, 3)]
        ingredients += _crossed_with_blend(blend_linear, free_linear, self.model != "linear")
        if curved or self.model == "interaction":
            ingredients += [a * b for a, b in combinations(free_linear, 2)]
        if curved:
            ingredients += [a * a for a in free_linear]
        linear, higher = self._setting_terms(numeric)
        if self.crossed == "full":
            return ingredients + [a * s for s in [*linear, *higher] for a in ingredients]
        crossed: list[Term] = []
        if self.crossed == "main":
            crossed = [a * s for s in linear for a in [*blend_linear, *free_linear]]
            if blend_linear:  # shares sum to 1, so share × setting already holds the setting itself
                linear = []
        return ingredients + linear + crossed + higher

    def _setting_terms(self, numeric: list[str]) -> tuple[list[Term], list[Term]]:
        factors = [[Term((n,))] for n in numeric]
        factors += [[Term((c,)) for c in _effect_names(n, lv)] for n, lv in self.categories.items()]
        linear = [term for factor in factors for term in factor]
        higher: list[Term] = []
        if self.setting_model != "linear":
            higher += [a * b for f, g in combinations(factors, 2) for a in f for b in g]
        if self.setting_model == "quadratic":
            higher += [Term((n, n)) for n in numeric]
        return linear, higher

    # ---- columns --------------------------------------------------------------------------------

    @property
    def base_names(self) -> list[str]:
        """Names of the columns that the terms are products of."""
        effects = [c for n, levels in self.categories.items() for c in _effect_names(n, levels)]
        return [*self.shares, *self.codes, *effects]

    @property
    def inputs(self) -> list[str]:
        """Columns a frame must have."""
        parts = [name for group in self._parts.values() for name in group]
        return [*parts, *self.codes, *self.categories]

    def base(self, frame: pd.DataFrame) -> np.ndarray:
        """Return shares, coded variables and category effects, shape (n, n_base)."""
        missing = [name for name in self.inputs if name not in frame]
        if missing:
            raise BriefError(
                f"The frame lacks {', '.join(map(repr, missing))}; it has "
                f"{', '.join(map(repr, map(str, frame.columns)))}."
            )
        columns = [frame[group].to_numpy(float).sum(axis=1) / self._whole for group in self._parts.values()]
        for name, (centre, half) in self.codes.items():
            columns.append((frame[name].to_numpy(float) - centre) / half)
        for name, levels in self.categories.items():
            values = frame[name].astype(object).to_numpy()
            unknown = [v for v in values if v not in levels]
            if unknown:
                raise BriefError(
                    f"{name!r} = {unknown[0]!r} is not one of {levels}; categories are never interpolated."
                )
            last = values == levels[-1]
            columns += [(values == level).astype(float) - last for level in levels[:-1]]
        return np.column_stack(columns) if columns else np.empty((len(frame), 0))

    def matrix(self, frame: pd.DataFrame) -> np.ndarray:
        """Return the model matrix of formulas, shape (n, p)."""
        return self.expand(self.base(frame))

    def expand(self, base: np.ndarray) -> np.ndarray:
        """Return the model matrix from base columns, shape (n, p)."""
        padded = np.column_stack([np.ones(len(base)), base])
        out = padded[:, self._index[:, 0]]
        for k in range(1, self._index.shape[1]):
            out = out * padded[:, self._index[:, k]]
        return out

    def columns(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the model matrix as a frame with the terms' names."""
        return pd.DataFrame(self.matrix(frame), index=frame.index, columns=self.names)

    # ---- structure ------------------------------------------------------------------------------

    @property
    def has_constant(self) -> bool:
        """Whether a constant lies in the model: as a term, or because shares sum to 1."""
        return True

    def parents(self, k: int) -> list[int]:
        """Return the terms that hierarchy asks for beside term k: one factor left out at a time."""
        factors = self.terms[k].factors
        found = []
        for i in range(len(factors)):
            rest = sorted(factors[:i] + factors[i + 1 :])
            found += [j for j, t in enumerate(self.terms) if sorted(t.factors) == rest]
        return sorted(set(found) - {k})

    def subset(self, keep: Sequence[str]) -> ModelSpace:
        """Return the same space with only the named terms, in their old order.

        Raises
        ------
        BriefError
            If a name is not one of the terms.
        """
        unknown = [name for name in keep if name not in self.names]
        if unknown:
            raise BriefError(f"{unknown[0]!r} is not a term of this model; its terms are {self.names}.")
        rows = [k for k, name in enumerate(self.names) if name in set(keep)]
        other = object.__new__(ModelSpace)
        other.__dict__.update(self.__dict__)
        other.terms = [self.terms[k] for k in rows]
        other.names = [self.names[k] for k in rows]
        other._index = self._index[rows]
        return other

    def __len__(self) -> int:
        return len(self.terms)

    def __repr__(self) -> str:
        return f"ModelSpace({len(self)} terms: {self.model}, settings {self.setting_model}, crossed {self.crossed})"

    def table(self) -> pd.DataFrame:
        """Return the terms with their degree and what kind they are."""
        kinds = [self._kind(term) for term in self.terms]
        return pd.DataFrame({"term": self.names, "degree": [t.degree for t in self.terms], "kind": kinds})

    def _kind(self, term: Term) -> str:
        if not term.factors:
            return "constant"
        ingredients = {*self.shares, *self.codes} - set(self._numeric)
        kinds = {"ingredient" if factor in ingredients else "setting" for factor in term.factors}
        return "crossed" if len(kinds) == 2 else kinds.pop()


def _effect_names(name: str, levels: Sequence[Any]) -> list[str]:
    return [f"{name}[{level}]" for level in levels[:-1]]


def _crossed_with_blend(blend: list[Term], free: list[Term], crossed: bool) -> list[Term]:
    """Linear terms of the free phr ingredients, carried by the rubber blend where there is one."""
    return [b * a for a in free for b in blend] if blend and crossed else free


def _fixed_ratios(brief: Brief) -> tuple[list[list[str]], list[str]]:
    """Ingredients in groups that equality limits hold in a fixed ratio, and that in words."""
    groups = [[name] for name in brief.ingredient_names]
    words = []
    names = list(brief.ranges)
    for rule in brief.rules:
        used = [(n, c) for n, c in zip(names, rule.coefficients) if c and n in brief.ingredient_names]
        if rule.sense != "=" or rule.bound or len(used) != 2 or used[0][1] * used[1][1] >= 0:
            continue
        if sum(bool(c) for c in rule.coefficients) != 2:
            continue
        first = next(g for g in groups if used[0][0] in g)
        second = next(g for g in groups if used[1][0] in g)
        if first is second:
            continue
        groups[groups.index(first)] = [*first, *second]
        groups.remove(second)
        words.append(
            f"{used[0][0]} and {used[1][0]} stay in a fixed ratio ({rule.text}): one component in the model"
        )
    return groups, words
