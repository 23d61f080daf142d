"""Models as named columns: which terms a brief asks for, how to build them, kept and replayed.

Mixture terms are those of Scheffé (1958); shares are taken of what varies, ``amount / (total - fixed)``.
Terms in phr and of numeric settings are polynomials in variables coded to -1 … 1 over the brief's range.
Crossed mixture-process models follow Kowalski, Cornell & Vining (2002). In volume fractions, shares are of
the volume of what varies, and ingredients in phr are coded by their volume fraction of the whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any, Literal

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import BriefError
from formlab.region import Region

__all__ = ["ModelSpace", "Term", "model_table"]

MODELS = {"phr": ["linear", "interaction", "quadratic"], "fraction": ["linear", "quadratic", "special cubic"]}
SETTING_MODELS = ["linear", "interaction", "quadratic"]
CROSSED = ["none", "main", "full"]


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
    measure : {"mass", "volume"}
        Of amounts. Volumes are those of the planned amounts at each ingredient's density.

    Attributes
    ----------
    terms : list of Term
    names : list of str
        Names of the p terms, in column order.
    shares : list of str
        Ingredients whose shares form a blend that sums to 1: all that vary in basis fraction, the
        rubbers in basis phr where several vary; else empty, and the model has a constant.
    ratios : list of dict
        What limits hold in a fixed ratio to each other: ingredient -> amount per amount of the first; one dict for
        every ingredient that stands alone.
    merged : list of str
        What was merged because limits hold it in a fixed ratio, in words.
    affine : bool
        Whether shares and coded variables are affine in the amounts; they are not in volume fractions.

    Raises
    ------
    BriefError
        If a model is not one of those of the basis, or densities are lacking.

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
        measure: Literal["mass", "volume"] = "mass",
    ) -> None:
        self.model = model or brief.model
        self.setting_model = setting_model or brief.setting_model
        self.crossed = crossed or brief.crossed
        self.measure = measure
        self._check(brief)
        self.ratios, self.merged = _fixed_ratios(brief)
        blend, free = _blend_and_free(brief, [list(group) for group in self.ratios])
        pool = brief.ingredient_names if brief.basis == "fraction" else brief.rubbers
        total = brief.total if brief.basis == "fraction" else 100.0
        self.shares = [" + ".join(group) for group in blend]
        self._parts = dict(zip(self.shares, blend))
        self._whole = total - sum(v for n, v in brief.fixed.items() if n in pool)
        self._density = brief.numbers("density").to_dict() if measure == "volume" else {}
        self._fixed = {name: value for name, value in brief.fixed.items() if measure == "volume"}
        numeric = [s.name for s in brief.settings if s.is_numeric]
        self.categories = {s.name: list(map(str, s.levels or [])) for s in brief.settings if not s.is_numeric}
        self._numeric = numeric
        self.codes = {name: _code(*brief.ranges[name]) for name in [*free, *numeric]}
        if measure == "volume":
            ends = self._volume_fractions(Region.from_brief(brief).vertices())  # extreme at vertices
            self.codes |= {name: _code(ends[name].min(), ends[name].max()) for name in free}
        two = {s.name for s in brief.settings if s.levels is not None and len(s.levels) == 2}
        self._keep(self._build(free, numeric, two))

    def _check(self, brief: Brief) -> None:
        allowed = {
            "model": MODELS[brief.basis],
            "setting_model": SETTING_MODELS,
            "crossed": CROSSED,
            "measure": ["mass", "volume"],
        }
        for key, options in allowed.items():
            value = getattr(self, key)
            if value not in options:
                raise BriefError(f"{key} = {value!r}; for basis {brief.basis!r}, use one of {options}.")

    @property
    def affine(self) -> bool:
        """Whether shares and coded variables are affine in the amounts; they are not in volume fractions."""
        return self.measure == "mass"

    # ---- which terms ----------------------------------------------------------------------------

    @property
    def settings(self) -> list[str]:
        """Numeric settings."""
        return self._numeric

    def _build(self, free: list[str], numeric: list[str], two: set[str]) -> list[Term]:
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
        linear, higher = self._setting_terms(numeric, two)
        if self.crossed == "full":
            return ingredients + [a * s for s in [*linear, *higher] for a in ingredients]
        crossed: list[Term] = []
        if self.crossed == "main":
            crossed = [a * s for s in linear for a in [*blend_linear, *free_linear]]
            if blend_linear:  # shares sum to 1, so share × setting already holds the setting itself
                linear = []
        return ingredients + linear + crossed + higher

    def _setting_terms(self, numeric: list[str], two: set[str]) -> tuple[list[Term], list[Term]]:
        factors = [[Term((n,))] for n in numeric]
        factors += [[Term((c,)) for c in _effect_names(n, lv)] for n, lv in self.categories.items()]
        linear = [term for factor in factors for term in factor]
        higher: list[Term] = []
        if self.setting_model != "linear":
            higher += [a * b for f, g in combinations(factors, 2) for a in f for b in g]
        if self.setting_model == "quadratic":
            higher += [Term((n, n)) for n in numeric if n not in two]  # two levels show no curvature
        return linear, higher

    def _keep(self, terms: list[Term]) -> None:
        """Store terms, and the columns each multiplies: column 0 is the constant and fills up short terms."""
        self.terms, self.names = terms, [term.name for term in terms]
        base = {name: k + 1 for k, name in enumerate(self.base_names)}
        depth = max((term.degree for term in terms), default=0) or 1
        rows = [[base[f] for f in term.factors] + [0] * (depth - term.degree) for term in terms]
        self._index = np.array(rows, dtype=int).reshape(-1, depth)

    # ---- columns --------------------------------------------------------------------------------

    @property
    def base_names(self) -> list[str]:
        """Names of the columns that the terms are products of."""
        effects = [c for n, levels in self.categories.items() for c in _effect_names(n, levels)]
        return [*self.shares, *self.codes, *effects]

    @property
    def inputs(self) -> list[str]:
        """Columns a frame must have."""
        if self.measure == "volume":
            amounts = [name for name in self._density if name not in self._fixed]
            return [*amounts, *self._numeric, *self.categories]
        parts = [name for group in self._parts.values() for name in group]
        return [*parts, *self.codes, *self.categories]

    def base(self, frame: pd.DataFrame) -> np.ndarray:
        """Return shares, coded variables and category effects of the n formulas of `frame`, shape (n, n_base).

        Raises
        ------
        BriefError
            If a column is missing or a category is unknown.
        """
        missing = [name for name in self.inputs if name not in frame]
        if missing:
            raise BriefError(
                f"The frame lacks {', '.join(map(repr, missing))}; add a column for each. It has "
                f"{', '.join(map(repr, map(str, frame.columns)))}."
            )
        amounts, whole = self._measured(frame)
        # one column at a time, for a list of names takes pandas many times as long
        columns = [
            np.sum([amounts[name].to_numpy(float) for name in group], axis=0) / whole
            for group in self._parts.values()
        ]
        for name, (centre, half) in self.codes.items():
            source = frame if name in self._numeric else amounts
            columns.append((source[name].to_numpy(float) - centre) / half)
        for name, levels in self.categories.items():
            values = frame[name].astype(object).to_numpy()
            unknown = [v for v in values if v not in levels]
            if unknown:
                raise BriefError(
                    f"{name!r} = {unknown[0]!r} is not one of {levels}; use one of them, for categories are never interpolated."
                )
            last = values == levels[-1]
            columns += [(values == level).astype(float) - last for level in levels[:-1]]
        return np.column_stack(columns) if columns else np.empty((len(frame), 0))

    def _measured(self, frame: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray | float]:
        """Amounts by the model's measure, and what the shares are taken of."""
        if self.measure == "mass":
            return frame, self._whole
        fractions = self._volume_fractions(frame)
        return fractions, fractions[[n for group in self._parts.values() for n in group]].sum(
            axis=1
        ).to_numpy()

    def _volume_fractions(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Volume fractions of all ingredients, the fixed ones filled in where the frame lacks them."""
        volumes = pd.DataFrame(index=frame.index)
        for name, density in self._density.items():
            volumes[name] = (frame[name] if name in frame else self._fixed[name]) / density
        return volumes.div(volumes.sum(axis=1), axis=0)

    def matrix(self, frame: pd.DataFrame) -> np.ndarray:
        """Return the model matrix of the n formulas of `frame`, shape (n, p)."""
        return self.expand(self.base(frame))

    def expand(self, base: np.ndarray) -> np.ndarray:
        """Return the model matrix from base columns, shape (n, p)."""
        padded = _padded(base)
        out = padded[self._index[:, 0]]
        for k in range(1, self._index.shape[1]):
            out *= padded[self._index[:, k]]
        return out.T

    def derivative(self, base: np.ndarray, by_column: np.ndarray) -> np.ndarray:
        """Return the derivative by the base columns of what is linear in the model's.

        Parameters
        ----------
        base : ndarray of shape (n, m)
        by_column : ndarray of shape (n, p)
            Its derivatives by the columns of the model matrix.

        Returns
        -------
        ndarray of shape (n, m)
        """
        padded, out = _padded(base), np.zeros((base.shape[1] + 1, len(base)))
        for k, mine in enumerate(self._index.T):
            part = by_column.T.copy()
            for other in np.delete(self._index, k, axis=1).T:
                part *= padded[other]
            out += (np.arange(len(out))[:, None] == mine).astype(float) @ part
        return out[1:].T

    def columns(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the model matrix as a frame with the terms' names."""
        return pd.DataFrame(self.matrix(frame), index=frame.index, columns=self.names)

    # ---- structure ------------------------------------------------------------------------------

    @property
    def has_constant(self) -> bool:
        """Whether a constant lies in the model: as a term, or because shares sum to 1."""
        return ONE in self.terms or (bool(self.shares) and all(Term((s,)) in self.terms for s in self.shares))

    def parents(self, k: int) -> list[int]:
        """Return the terms that hierarchy asks for beside term k: one factor left out at a time."""
        factors = self.terms[k].factors
        found = []
        for i in range(len(factors)):
            rest = sorted(factors[:i] + factors[i + 1 :])
            found += [j for j, t in enumerate(self.terms) if sorted(t.factors) == rest]
        return sorted(set(found) - {k})

    def subset(self, keep: Sequence[str]) -> ModelSpace:
        """Return the same space with only the terms named in `keep`, in their old order.

        Raises
        ------
        BriefError
            If a name is not one of the terms.
        """
        unknown = [name for name in keep if name not in self.names]
        if unknown:
            raise BriefError(f"{unknown[0]!r} is not a term of this model; choose among {self.names}.")
        other = copy(self)
        other._keep([term for term in self.terms if term.name in set(keep)])
        return other

    def __len__(self) -> int:
        return len(self.terms)

    def __repr__(self) -> str:
        volume = ", in volume fractions" if self.measure == "volume" else ""
        return f"ModelSpace({len(self)} terms: {self.model}, settings {self.setting_model}, crossed {self.crossed}{volume})"

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


def model_table(brief: Brief, seed: int = 0) -> pd.DataFrame:
    """Return every model that a brief may ask for, with its terms and what the region can tell apart.

    Parameters
    ----------
    brief : Brief
    seed : int
        Of the formulas over which the rank is taken.

    Returns
    -------
    DataFrame
        Columns ``model, setting_model, crossed, terms, rank, names``. `terms` counts the names; `rank` is how
        many of their columns are independent over the region: fewer where limits, or few levels, leave no
        room. Models of settings or crossings that give the same terms again are left out.

    Raises
    ------
    RegionError
        If the region is empty.
    """
    spaces: dict[tuple[str, ...], ModelSpace] = {}
    for model, setting_model, crossed in product(MODELS[brief.basis], SETTING_MODELS, CROSSED):
        space = ModelSpace(brief, model, setting_model, crossed)
        spaces.setdefault(tuple(space.names), space)
    most = max(map(len, spaces.values()))
    frame = Region.from_brief(brief).sample(2 * most + 50, seed)
    rows = [
        [s.model, s.setting_model, s.crossed, len(s), _rank(s.matrix(frame)), s.names]
        for s in spaces.values()
    ]
    return pd.DataFrame(rows, columns=["model", "setting_model", "crossed", "terms", "rank", "names"])


def _padded(base: np.ndarray) -> np.ndarray:
    """A row of ones, then a row for every base column."""
    out = np.empty((base.shape[1] + 1, len(base)))
    out[0], out[1:] = 1.0, base.T
    return out


def _rank(columns: np.ndarray) -> int:
    size = np.linalg.norm(columns, axis=0)
    triangle = np.linalg.qr(
        columns / np.where(size > 0, size, 1.0), mode="r"
    )  # smaller, and of the same rank
    return int(np.linalg.matrix_rank(triangle, tol=1e-9 * np.sqrt(columns.shape[1])))


def _code(low: float, high: float) -> tuple[float, float]:
    """Centre and half width; a range that limits leave a point is coded 0."""
    return (low + high) / 2, (high - low) / 2 or 1.0


def _blend_and_free(brief: Brief, groups: list[list[str]]) -> tuple[list[list[str]], list[str]]:
    """Groups whose shares sum to 1, and ingredients that vary by themselves."""
    varied = [group for group in groups if set(group) & set(brief.varied)]
    if brief.basis == "fraction":
        return (varied if len(varied) > 1 else []), []
    blend = [[n for n in group if n in brief.rubbers] for group in varied]
    blend = [group for group in blend if group] if len(brief.rubbers) > 1 else []
    carried = {n for group in varied for n in group if set(group) & {m for part in blend for m in part}}
    return (blend if len(blend) > 1 else []), [group[0] for group in varied if group[0] not in carried]


def _effect_names(name: str, levels: Sequence[Any]) -> list[str]:
    return [f"{name}[{level}]" for level in levels[:-1]]


def _crossed_with_blend(blend: list[Term], free: list[Term], crossed: bool) -> list[Term]:
    """Linear terms of the free phr ingredients, carried by the rubber blend where there is one."""
    return [b * a for a in free for b in blend] if blend and crossed else free


def _fixed_ratios(brief: Brief) -> tuple[list[dict[str, float]], list[str]]:
    """Ingredients in groups that equality limits hold in a fixed ratio, to the first of each, and that in words."""
    groups = [{name: 1.0} for name in brief.ingredient_names]
    words = []
    names = list(brief.ranges)
    for rule in brief.rules:
        used = [(n, c) for n, c in zip(names, rule.coefficients) if c]
        if rule.sense != "=" or rule.bound or len(used) != 2 or used[0][1] * used[1][1] >= 0:
            continue
        if not {name for name, _ in used} <= set(brief.varied):
            continue
        (one, by_one), (other, by_other) = used
        first = next(g for g in groups if one in g)
        second = next(g for g in groups if other in g)
        if first is second:
            continue
        step = -by_one / by_other * first[one] / second[other]
        first.update({n: step * ratio for n, ratio in second.items()})
        groups = [g for g in groups if g is not second]
        words.append(
            f"{used[0][0]} and {used[1][0]} stay in a fixed ratio ({rule.text}): one component in the model"
        )
    return groups, words
