"""The brief: what is asked. Validated data and the arithmetic that needs nothing else."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from functools import cached_property
from numbers import Real
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import BaseModel, Field, ValidationError

from formlab import recipe
from formlab.checks import active_substance, brief_problems
from formlab.errors import BriefError, Problem, RecipeError
from formlab.html import fold, number, panel, table
from formlab.limits import parse_limit
from formlab.parts import Ingredient, Limit, Number, Part, Piece, Plant, Response, Setting
from formlab.polytope import Rule

__all__ = ["Brief", "Ingredient", "Limit", "Piece", "Plant", "Response", "Setting"]


class Brief(Part):
    """The question: ingredients, settings, responses with targets, limits, today's formula.

    Build it with keywords, from a plain dictionary (`Brief.model_validate`) or from a TOML file
    (`formlab.read_brief`); keys are those of the file (``ingredient``, ``setting``, ``response``, ``limit``).

    Attributes
    ----------
    ingredients, settings, responses, limits : list
        What may vary, what is measured, and what ties amounts together.
    basis : {"phr", "fraction"}
        Unit of every amount: parts per hundred of rubber, or shares of `total`.
    model, setting_model, crossed : str
        What a surface is made of, as in `ModelSpace`.
    current : dict
        Today's formula, by name.
    piece, plant : Piece, Plant
        What is moulded, and what a trial costs.

    Raises
    ------
    BriefError
        Naming every problem at once: field, value found, what was expected.

    Examples
    --------
    >>> brief = Brief(ingredient=[{"name": "rubber", "role": "rubber"},
    ...                           {"name": "oil", "role": "oil", "low": 5, "high": 20}])
    >>> brief.basis, list(brief.varied)
    ('phr', ['oil'])
    """

    title: str = ""
    currency: str = "EUR"
    basis: Literal["phr", "fraction"] = "phr"
    total: Number = Field(default=1.0, gt=0)
    model: Literal["linear", "interaction", "quadratic", "special cubic"] = "quadratic"
    setting_model: Literal["linear", "interaction", "quadratic"] = "quadratic"
    crossed: Literal["none", "main", "full"] = "main"
    ingredients: list[Ingredient] = Field(default=[], alias="ingredient")
    settings: list[Setting] = Field(default=[], alias="setting")
    responses: list[Response] = Field(default=[], alias="response")
    limits: list[Limit] = Field(default=[], alias="limit")
    current: dict[str, Number | str] = Field(default={})
    piece: Piece | None = None
    plant: Plant = Plant()

    def __init__(self, **data: Any) -> None:
        found: list[Any] = []
        try:
            super().__init__(**data)
        except ValidationError as error:
            found = list(error.errors())
        problems = brief_problems(data, found, [f.alias or k for k, f in type(self).model_fields.items()])
        if problems:
            raise BriefError(problems)

    @classmethod
    def model_validate(cls, obj: Any, **kwargs: Any) -> Brief:
        """Return the brief that a plain dictionary `obj` stands for; `kwargs` of pydantic have no effect."""
        if isinstance(obj, cls):
            return obj
        if not isinstance(obj, Mapping):
            raise BriefError([Problem(value=obj, expected="a mapping with the fields of a brief")])
        return cls(**{str(key): value for key, value in obj.items()})

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Brief:
        """Return a brief with the fields in `update` changed, checked like any other; always a `deep` copy."""
        fields = type(self).model_fields
        named = {(fields[k].alias or k) if k in fields else k: _plain(v) for k, v in (update or {}).items()}
        return type(self)(**{**self.model_dump(exclude_unset=True, by_alias=True), **named})

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Brief) and self.brief_id == other.brief_id

    def __hash__(self) -> int:
        return hash(self.brief_id)

    # ---- names ----------------------------------------------------------------------------------

    @cached_property
    def by_name(self) -> dict[str, Ingredient | Setting | Response]:
        """Ingredients, settings and responses by their names."""
        parts: list[Any] = [*self.ingredients, *self.settings, *self.responses]
        return {part.name: part for part in parts}

    @cached_property
    def ranges(self) -> dict[str, tuple[float, float]]:
        """Range of every ingredient and numeric setting, in column order."""
        ranges = {}
        for part in self.ingredients:
            low, high = part.low, part.high
            if low is None and high is None:  # only a lone rubber may leave both out
                low = high = 100.0
            assert low is not None and high is not None  # checked on the way in
            ranges[part.name] = (float(low), float(high))
        ranges.update({part.name: part.range for part in self.settings if part.is_numeric})
        return ranges

    @property
    def ingredient_names(self) -> list[str]:
        """Names of all ingredients, fixed ones too, in the order of the brief."""
        return [part.name for part in self.ingredients]

    @property
    def setting_names(self) -> list[str]:
        """Names of the settings, in the order of the brief."""
        return [part.name for part in self.settings]

    @property
    def response_names(self) -> list[str]:
        """Names of the responses, in the order of the brief."""
        return [part.name for part in self.responses]

    @property
    def rubbers(self) -> list[str]:
        """Names of the ingredients that count as rubber."""
        return [part.name for part in self.ingredients if part.is_rubber]

    @property
    def varied(self) -> list[str]:
        """Ingredients whose range is not a point."""
        return [n for n in self.ingredient_names if self.ranges[n][0] < self.ranges[n][1]]

    @property
    def fixed(self) -> dict[str, float]:
        """Amounts of the ingredients that do not vary."""
        return {n: self.ranges[n][0] for n in self.ingredient_names if n not in self.varied}

    @property
    def columns(self) -> list[str]:
        """Ingredients, then settings: the columns of every formula."""
        return self.ingredient_names + self.setting_names

    @property
    def amount_unit(self) -> str:
        """Unit of every amount: phr, fraction, % or parts."""
        return "phr" if self.basis == "phr" else {1.0: "fraction", 100.0: "%"}.get(self.total, "parts")

    def unit(self, name: str) -> str:
        """Return the unit of the ingredient, setting or response called `name`."""
        part = self.by_name[name]
        return self.amount_unit if isinstance(part, Ingredient) else part.unit

    def head(self, column: str) -> str:
        """Return the head of a column for people: a name with its unit; costs and savings with the currency.

        Examples
        --------
        >>> brief = Brief(ingredient=[{"name": "rubber", "role": "rubber"}])
        >>> brief.head("rubber"), brief.head("saving_per_kg"), brief.head("true_mean")
        ('rubber (phr)', 'saving per kg (EUR)', 'true_mean')
        """
        if column in self.by_name:
            return f"{column} ({self.unit(column)})" if self.unit(column) else column
        words = column.replace("_", " ")
        if words.startswith("per "):
            words = f"cost {words}"
        return f"{words} ({self.currency})" if words.startswith(("cost per ", "saving per ")) else column

    def title_of(self, name: str) -> str:
        """Return what to print for a name: its label, or the name with spaces."""
        return self.by_name[name].title

    @cached_property
    def rules(self) -> tuple[Rule, ...]:
        """Limits as linear rules over `ranges`, and the sums that the basis asks for."""
        names = list(self.ranges)
        roles: dict[str, list[str]] = {}
        for part in self.ingredients:
            roles.setdefault(part.role, []).append(part.name)
        rules = [parse_limit(limit.expression, names, roles) for limit in self.limits]
        if self.basis == "fraction" and self.ingredients:
            summed = self.ingredient_names
            text = f"all ingredients sum to {self.total:g}"
            rules.append(Rule(tuple(float(n in summed) for n in names), "=", self.total, text))
        elif len(self.rubbers) > 1:
            summed = self.rubbers
            text = "rubbers sum to 100 phr"
            rules.append(Rule(tuple(float(n in summed) for n in names), "=", 100.0, text))
        return tuple(rules)

    @cached_property
    def brief_id(self) -> str:
        """Eight characters that change when anything in the brief changes."""
        dumped = self.model_dump(by_alias=True)
        for response in dumped[
            "response"
        ]:  # left out where it is the mean: briefs older than the field keep their id
            if response["statistic"] == "mean":
                del response["statistic"]
        text = json.dumps(dumped, sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:8]

    @property
    def true_words(self) -> str:
        """What targets speak of: the true mean, the true median, or which responses' medians."""
        aimed = [r for r in self.responses if r.has_target]
        medians = [r.title for r in aimed if r.statistic == "median"]
        if not medians:
            return "true mean"
        return "true median" if len(medians) == len(aimed) else f"true mean (median of {', '.join(medians)})"

    @property
    def statistic_words(self) -> str:
        """What is predicted of the responses: mean, median, or "mean or median"."""
        return " or ".join(sorted({r.statistic for r in self.responses})) or "mean"

    # ---- formulas -------------------------------------------------------------------------------

    def complete(self, formula: Mapping[str, Any] | pd.Series | pd.DataFrame) -> pd.DataFrame:
        """Return formulas with every ingredient and setting column, fixed ones filled in.

        Parameters
        ----------
        formula : mapping, Series or DataFrame
            Amounts in the brief's basis and settings; columns of fixed ingredients may be missing.

        Returns
        -------
        DataFrame of shape (n_formulas, n_ingredients + n_settings)
            Index kept; numeric columns as float.

        Raises
        ------
        BriefError
            If a varied ingredient or a setting is missing, or an amount is not a finite number.
        """
        frame = formula if isinstance(formula, pd.DataFrame) else pd.DataFrame([dict(formula)])
        return self._complete(frame, self.columns)

    def _complete(self, frame: pd.DataFrame, names: list[str]) -> pd.DataFrame:
        fixed = self.fixed
        missing = [n for n in names if n not in frame and n not in fixed]
        if missing:
            raise BriefError(
                f"The formula lacks {', '.join(map(repr, missing))}; add a column for each. It has "
                f"{', '.join(map(repr, map(str, frame.columns))) or 'no columns'}."
            )
        made = {}
        for name in names:
            column = frame[name] if name in frame else pd.Series(fixed[name], index=frame.index)
            made[name] = _finite(column) if name in self.ranges else column
        return pd.DataFrame(made, index=frame.index)

    @cached_property
    def baseline(self) -> pd.DataFrame | None:
        """Today's formula as one row, or None; ingredients it does not name are 0 unless fixed."""
        if not self.current:
            return None
        amounts = {n: self.fixed.get(n, 0.0) for n in self.ingredient_names} | self.current
        return self.complete(amounts)

    def numbers(self, field: str, instead: Mapping[str, float] | None = None) -> pd.Series:
        """Return a `field`, density (g/cm3) or price (currency per kg), by ingredient; those in `instead` replace the brief's own.

        Raises
        ------
        BriefError
            Naming the ingredients that have none, or what in `instead` is no ingredient or no amount from 0 up.
        """
        instead = instead or {}
        for name, value in instead.items():
            if name not in self.ingredient_names:
                raise BriefError(
                    f"{field} of {name!r}: it is no ingredient of the brief; choose among {self.ingredient_names}."
                )
            if not (isinstance(value, Real) and 0 <= value < np.inf):
                raise BriefError(f"{field} of {name!r} = {value!r}; give a number from 0 up.")
        values = {p.name: instead.get(p.name, getattr(p, field)) for p in self.ingredients}
        lacking = [f"ingredient {name!r}, {field}" for name, value in values.items() if value is None]
        if lacking:
            raise BriefError(
                [Problem(column=place, expected=f"a {field}, needed for cost or volume") for place in lacking]
            )
        return pd.Series(values, dtype=float)

    @property
    def has_costs(self) -> bool:
        """Whether every ingredient has a price and a density."""
        return bool(self.ingredients) and all(
            p.price is not None and p.density is not None for p in self.ingredients
        )

    def amounts(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the ingredient columns of `frame`, one row a formula, fixed ones filled in; settings may be missing."""
        return self._complete(frame, self.ingredient_names)

    def phr(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the formulas of `frame` in phr, whatever the basis.

        Raises
        ------
        RecipeError
            If no ingredient counts as rubber.
        """
        amounts = self.amounts(frame)
        return amounts if self.basis == "phr" else recipe.to_phr(amounts, self.rubbers)

    # ---- materials: what is weighed, what it costs ----------------------------------------------

    @cached_property
    def contents(self) -> dict[str, dict[str, float]]:
        """What the ingredients with `contains` bring; the substance each is planned by has its own name."""
        names = self.ingredient_names
        contents = {}
        for part in self.ingredients:
            if part.contains:
                active = active_substance(part.name, part.contains, names)
                contents[part.name] = {part.name if k == active else k: v for k, v in part.contains.items()}
        return contents

    def materials(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the amounts to weigh of every ingredient for the formulas of `frame`, in the brief's unit.

        Formulas hold substances. An ingredient with `contains` is planned by its active substance: the one
        of its own name, else the first that is neither carrier, water nor another ingredient. Another
        ingredient that it brings along is deducted from the weigh-up of that ingredient.

        Raises
        ------
        RecipeError
            If materials bring more of an ingredient than a formula holds; the ingredient is named.

        Examples
        --------
        Oil-extended rubber brings 37.5 of the 50 phr of oil:

        >>> brief = Brief(ingredient=[
        ...     {"name": "oe_sbr", "role": "rubber", "contains": {"sbr": 8 / 11, "oil": 3 / 11}},
        ...     {"name": "oil", "role": "oil", "low": 40, "high": 60}])
        >>> brief.materials(pd.DataFrame({"oil": [50.0]})).round(6)
           oe_sbr   oil
        0   137.5  12.5
        """
        amounts = self.amounts(frame)
        if not self.contents:
            return amounts
        weighed = recipe.as_materials(amounts, self.contents)
        return weighed.reindex(columns=self.ingredient_names, fill_value=0.0)

    @cached_property
    def dry(self) -> pd.Series:
        """Mass fraction of each material that stays in the batch: all but its water."""
        return pd.Series({p.name: 1.0 - p.contains.get("water", 0.0) for p in self.ingredients}, dtype=float)

    def density(self, frame: pd.DataFrame) -> pd.Series:
        """Return the calculated density of the formulas of `frame`, g/cm3.

        An ingredient's density is that of the material, carrier and all, without its water.
        """
        stays = self.materials(frame) * self.dry
        return recipe.density(stays, self.numbers("density")).rename("density")

    def costs(self, frame: pd.DataFrame, prices: Mapping[str, float] | None = None) -> pd.DataFrame:
        """Return the cost of the formulas of `frame`: per_kg, per_litre and, with a piece, per_piece (currency).

        Materials are paid as weighed. `prices` replaces the brief's own where given (currency per kg).
        """
        stays, rho = self.materials(frame) * self.dry, self.numbers("density")
        price = self.numbers("price", prices) / self.dry
        out = pd.DataFrame(index=stays.index)
        out["per_kg"] = recipe.cost_per_kg(stays, price)
        out["per_litre"] = recipe.cost_per_litre(stays, rho, price)
        if self.piece is not None:
            size = {"volume_cm3": self.piece.volume_cm3, "loss_fraction": self.piece.loss_fraction}
            out["per_piece"] = recipe.cost_per_piece(stays, rho, price, **size)
        return out

    def total_of(self, frame: pd.DataFrame, substance: str) -> pd.Series:
        """Return the total of one substance in the formulas of `frame`, whatever brings it, in the brief's unit.

        Total sulfur, say, with what factice and masterbatches bring as their `contains` states it.

        Raises
        ------
        BriefError
            If nothing brings the substance.
        """
        bring = {p.name: p.contains or {p.name: 1.0} for p in self.ingredients}
        shares = {name: parts[substance] for name, parts in bring.items() if substance in parts}
        if not shares:
            known = sorted({part for parts in bring.values() for part in parts})
            raise BriefError(f"Nothing in the brief brings {substance!r}; name one of {known}.")
        return recipe.total_of(self.materials(frame), shares).rename(substance)

    def swap(
        self,
        formula: Mapping[str, Any] | pd.Series | pd.DataFrame,
        out: str,
        into: str,
        amount: float,
        *,
        by: Literal["phr", "mass", "volume"] = "phr",
    ) -> pd.DataFrame:
        """Return one formula before and after `amount` of `out` is exchanged for `into`, equal `by` phr, mass or volume; see `recipe.swap`.

        Returns
        -------
        DataFrame
            Columns ``before, after, change``; rows are the ingredients, then ``density`` (g/cm3) and the
            costs ``per_kg``, ``per_litre`` and ``per_piece`` (currency) as far as the brief knows them.

        Raises
        ------
        RecipeError
            If there is not that much to take, or volumes are asked for of an ingredient with `contains`.
        """
        frame = formula if isinstance(formula, pd.DataFrame) else pd.DataFrame([dict(formula)])
        mixed = [name for name in (out, into) if name in self.contents]
        if by == "volume" and mixed:
            raise RecipeError(
                f"{mixed[0]!r} is planned without what else it contains. Swap it by phr or mass."
            )
        row, rubbers = self.amounts(frame).iloc[0], self.rubbers or None
        rho = self.numbers("density")
        exchanged = recipe.swap(row, out, into, amount, by=by, densities=rho, rubbers=rubbers)
        both = exchanged.loc[self.ingredient_names, ["before", "after"]].T
        both = both.assign(density=self.density(both), **(self.costs(both) if self.has_costs else {})).T
        return both.assign(change=both["after"] - both["before"])

    # ---- eyes -----------------------------------------------------------------------------------

    def __repr__(self) -> str:
        return (
            f"Brief({self.title!r}: {len(self.varied)} of {_count(len(self.ingredients), 'ingredient')} varied, "
            f"{_count(len(self.settings), 'setting')}, {_count(len(self.responses), 'response')}, amounts in {self.amount_unit})"
        )

    __str__ = __repr__

    def _repr_html_(self) -> str:
        varied, targets = len(self.varied), sum(r.has_target for r in self.responses)
        moves = [_count(k, n) for k, n in ((varied, "ingredient"), (len(self.settings), "setting")) if k]
        verb = "varies" if varied + len(self.settings) == 1 else "vary"
        unit = f", in {self.amount_unit}" if varied and self.amount_unit else ""
        verdict = f"{' and '.join(moves)} {verb}{unit}; {_count(targets, 'response')} with a target."
        tables = {
            "response": [[r.title, r.unit, r.target_text, r.importance] for r in self.responses],
            "ingredient": [self._ingredient_line(part) for part in self.ingredients],
            "setting": [[s.title, s.unit, s.range_text, s.changes] for s in self.settings],
            "limit": [[limit.expression] for limit in self.limits],
        }
        heads = {
            "response": ["response", "unit", "target", "importance"],
            "ingredient": ["ingredient", "role", "range", "today", "unit", "g/cm³", f"{self.currency}/kg"],
            "setting": ["setting", "unit", "range", "changes with"],
            "limit": ["limit"],
        }
        shown = {
            key: table(pd.DataFrame(rows, columns=heads[key]), rows=40)
            for key, rows in tables.items()
            if rows
        }
        parts = [
            part if key == "response" else fold(_count(len(tables[key]), key), part)
            for key, part in shown.items()
        ]
        return panel(self.title or "Brief", verdict, *parts)

    def _ingredient_line(self, part: Ingredient) -> list[Any]:
        low, high = self.ranges[part.name]
        span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        today = "" if self.baseline is None else number(self.baseline[part.name].iloc[0])
        return [part.title, part.role, span, today, self.amount_unit, part.density, part.price]


def _plain(value: Any) -> Any:
    """Parts of a brief as the plain dictionaries they were read from."""
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    return value.model_dump(exclude_unset=True, by_alias=True) if isinstance(value, BaseModel) else value


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _finite(column: pd.Series) -> pd.Series:
    """Return a column as floats, or name the first formula that has none."""
    if column.dtype == float and np.isfinite(column.to_numpy()).all():
        return column
    values = pd.to_numeric(column, errors="coerce").astype(float)
    bad = ~np.isfinite(values.to_numpy())
    if bad.any():
        index, found = column.index[bad].tolist()[0], column[bad].tolist()[0]
        raise BriefError(f"Formula {index!r} has {column.name!r} = {found!r}; write a number.")
    return values
