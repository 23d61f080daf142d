"""The brief: what is asked. Validated data and the arithmetic that needs nothing else."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from functools import cached_property
from typing import Annotated, Any, Literal

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from formlab import recipe
from formlab.errors import BriefError, FormlabError, Problem
from formlab.html import Markup, fold, panel, table
from formlab.limits import parse_limit
from formlab.polytope import Rule

__all__ = ["Brief", "Ingredient", "Limit", "Piece", "Plant", "Response", "Setting"]

Role = Literal[
    "rubber",
    "factice",
    "oil",
    "filler",
    "abrasive",
    "curing agent",
    "accelerator",
    "activator",
    "pigment",
    "regrind",
    "other",
]
ROLES: tuple[str, ...] = Role.__args__  # type: ignore[attr-defined]
RESERVED = {
    "trial",
    "batch",
    "load",
    "day",
    "block",
    "lot",
    "run_order",
    "round",
    "brief_id",
    "session",
    "status",
    "note",
    "operator",
    "reading",
    "ingredient",
    "weighed_g",
    "role",
}
Number = Annotated[float, Field(strict=True)]  # "12" in quotes is a slip, not a number
_NAME = r"^[A-Za-z_][A-Za-z0-9_]*$"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Ingredient(_Part):
    """A material that goes on the mill; amounts are in the brief's basis."""

    name: str = Field(pattern=_NAME, max_length=60)
    role: Role = "other"
    label: str = ""
    low: Number | None = Field(default=None, ge=0, allow_inf_nan=False)
    high: Number | None = Field(default=None, ge=0, allow_inf_nan=False)
    density: Number | None = Field(default=None, gt=0, le=25, allow_inf_nan=False)  # g/cm3
    price: Number | None = Field(default=None, ge=0, allow_inf_nan=False)  # currency per kg
    order: int | None = None
    counts_as_rubber: bool | None = None
    contains: dict[str, Number] = {}

    @property
    def is_rubber(self) -> bool:
        return self.role == "rubber" if self.counts_as_rubber is None else self.counts_as_rubber

    @property
    def title(self) -> str:
        return self.label or self.name.replace("_", " ")


class Setting(_Part):
    """A process variable: a range, numeric levels, or categories that are never interpolated."""

    name: str = Field(pattern=_NAME, max_length=60)
    label: str = ""
    unit: str = ""
    low: Number | None = Field(default=None, allow_inf_nan=False)
    high: Number | None = Field(default=None, allow_inf_nan=False)
    levels: list[Number] | list[str] | None = None
    changes: Literal["day", "batch", "load", "slab"] = "batch"

    @property
    def is_numeric(self) -> bool:
        return self.levels is None or not isinstance(self.levels[0], str)

    @property
    def range(self) -> tuple[float, float]:
        if self.levels is not None:
            return float(min(self.levels)), float(max(self.levels))  # type: ignore[type-var]
        return float(self.low), float(self.high)  # type: ignore[arg-type]

    @property
    def title(self) -> str:
        return self.label or self.name.replace("_", " ")


class Response(_Part):
    """A measured property: unit, scale, target and how good its test is."""

    name: str = Field(pattern=_NAME, max_length=60)
    label: str = ""
    unit: str = ""
    kind: Literal["measure", "rating", "count", "pass"] = "measure"
    scale: Literal["auto", "identity", "log", "logit"] = "auto"
    bounds: tuple[Number, Number] = (-math.inf, math.inf)
    possible: tuple[Number, Number] = (-math.inf, math.inf)
    at_least: Number | None = None
    at_most: Number | None = None
    near: Number | None = None
    within: Number | None = Field(default=None, gt=0)
    ideal: Number | None = None
    importance: Number = Field(default=1.0, gt=0)
    matters: Number | None = Field(default=None, gt=0)
    sd_batch: Number | None = Field(default=None, ge=0)
    sd_slab: Number | None = Field(default=None, ge=0)
    sd_reading: Number | None = Field(default=None, ge=0)
    readings: int = Field(default=1, ge=1)

    @property
    def title(self) -> str:
        return self.label or self.name.replace("_", " ")

    @property
    def has_target(self) -> bool:
        return any(v is not None for v in (self.at_least, self.at_most, self.near))

    @property
    def target(self) -> tuple[float, float]:
        """Lowest and highest value that meets the target; infinite where there is no such limit."""
        if self.near is not None:
            within = self.within or 0.0
            return self.near - within, self.near + within
        low = -math.inf if self.at_least is None else self.at_least
        return low, math.inf if self.at_most is None else self.at_most

    @property
    def target_text(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        low, high = self.target
        if self.near is not None:
            return f"{self.near:g} ± {self.within:g}{unit}"
        if math.isfinite(low) and math.isfinite(high):
            return f"{low:g} to {high:g}{unit}"
        if math.isfinite(low):
            return f"at least {low:g}{unit}"
        return f"at most {high:g}{unit}" if math.isfinite(high) else "watched"

    def meets(self, values: Any) -> np.ndarray:
        """Return whether each value meets the target; always true where there is none."""
        low, high = self.target
        values = np.asarray(values, dtype=float)
        return (values >= low) & (values <= high)

    def desirability(self, values: Any) -> np.ndarray:
        """Return 0 at the limit of the target and beyond, 1 at the ideal (Derringer & Suich 1980).

        Between them it is a straight line; without an ideal it is 1 as soon as the target is met.
        ``near`` with ``within`` is a triangle. 1 everywhere for a response that is only watched.
        """
        values = np.asarray(values, dtype=float)
        low, high = self.target
        ideal = self.near if self.near is not None else self.ideal
        if ideal is None:
            return self.meets(values).astype(float)
        rising = np.ones_like(values)
        if math.isfinite(low):
            rising = np.clip((values - low) / (ideal - low), 0, 1) if ideal > low else 1.0 * (values >= low)
        falling = np.ones_like(values)
        if math.isfinite(high):
            falling = (
                np.clip((high - values) / (high - ideal), 0, 1) if ideal < high else 1.0 * (values <= high)
            )
        return np.minimum(rising, falling)


class Limit(_Part):
    """A linear rule over ingredients and numeric settings, as written."""

    expression: str
    label: str = ""


class Piece(_Part):
    """The eraser that is sold."""

    volume_cm3: Number = Field(gt=0)
    loss_fraction: Number = Field(default=0.0, ge=0, lt=1)  # flash and trim, of the piece's own volume
    per_year: Number | None = Field(default=None, gt=0)


class Plant(_Part):
    """What a trial costs and what can be done in a day."""

    batch_kg: Number | None = Field(default=None, gt=0)
    slabs_per_batch: int = Field(default=1, ge=1)
    slabs_per_load: int | None = Field(default=None, ge=1)
    batches_per_day: int | None = Field(default=None, ge=1)
    mill_h: Number | None = Field(default=None, ge=0)
    press_h: Number | None = Field(default=None, ge=0)
    rate_per_h: Number | None = Field(default=None, ge=0)
    lift_kg: Number | None = Field(default=None, gt=0)


class Brief(_Part):
    """The question: ingredients, settings, responses with targets, limits, today's formula.

    Build it with keywords, from a plain dictionary (`Brief.model_validate`) or from a TOML file
    (`formlab.read_brief`); keys are those of the file (``ingredient``, ``setting``, ``response``, ``limit``).

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
    total: Number = Field(default=1.0, gt=0, allow_inf_nan=False)
    model: Literal["linear", "interaction", "quadratic", "special cubic"] = "quadratic"
    setting_model: Literal["linear", "interaction", "quadratic"] = "quadratic"
    crossed: Literal["none", "main", "full"] = "main"
    ingredients: list[Ingredient] = Field(default=[], alias="ingredient")
    settings: list[Setting] = Field(default=[], alias="setting")
    responses: list[Response] = Field(default=[], alias="response")
    limits: list[Limit] = Field(default=[], alias="limit")
    current: dict[str, Number | str] = {}
    piece: Piece | None = None
    plant: Plant = Plant()

    def __init__(self, **data: Any) -> None:
        problems: list[Problem] = []
        try:
            super().__init__(**data)
        except ValidationError as error:
            problems = [_field_problem(item) for item in error.errors()]
        problems += _cross_problems(data)
        if problems:
            raise BriefError(problems)

    @classmethod
    def model_validate(cls, obj: Any, **kwargs: Any) -> Brief:
        """Return the brief a plain dictionary stands for."""
        if isinstance(obj, cls):
            return obj
        if not isinstance(obj, Mapping):
            raise BriefError([Problem(value=obj, expected="a mapping with the fields of a brief")])
        return cls(**{str(key): value for key, value in obj.items()})

    # ---- names ----------------------------------------------------------------------------------

    @cached_property
    def by_name(self) -> dict[str, Ingredient | Setting | Response]:
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
        return [part.name for part in self.ingredients]

    @property
    def setting_names(self) -> list[str]:
        return [part.name for part in self.settings]

    @property
    def response_names(self) -> list[str]:
        return [part.name for part in self.responses]

    @property
    def rubbers(self) -> list[str]:
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
        return "phr" if self.basis == "phr" else {1.0: "fraction", 100.0: "%"}.get(self.total, "parts")

    def unit(self, name: str) -> str:
        """Return the unit of an ingredient, setting or response."""
        part = self.by_name[name]
        return self.amount_unit if isinstance(part, Ingredient) else part.unit

    def title_of(self, name: str) -> str:
        """Return what to print for a name: its label, or the name with spaces."""
        return self.by_name[name].title

    @cached_property
    def rules(self) -> tuple[Rule, ...]:
        """Limits as linear rules over `ranges`, and the sums that the basis asks for."""
        names = list(self.ranges)
        roles = {r: [p.name for p in self.ingredients if p.role == r] for r in ROLES}
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
        text = json.dumps(self.model_dump(by_alias=True), sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:8]

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
        fixed = self.fixed
        missing = [n for n in self.columns if n not in frame and n not in fixed]
        if missing:
            raise BriefError(
                f"The formula lacks {', '.join(map(repr, missing))}; it has "
                f"{', '.join(map(repr, map(str, frame.columns)))}."
            )
        out = pd.DataFrame(index=frame.index)
        for name in self.columns:
            column = frame[name] if name in frame else pd.Series(fixed[name], index=frame.index)
            if name in self.ranges:
                values = pd.to_numeric(column, errors="coerce").astype(float)
                bad = ~np.isfinite(values.to_numpy())
                if bad.any():
                    raise BriefError(
                        f"Formula {frame.index[bad][0]!r} has {name!r} = {column[bad].iloc[0]!r}; a number is expected."
                    )
                column = values
            out[name] = column
        return out

    @cached_property
    def baseline(self) -> pd.DataFrame | None:
        """Today's formula as one row, or None; ingredients it does not name are 0 unless fixed."""
        if not self.current:
            return None
        amounts = {n: self.fixed.get(n, 0.0) for n in self.ingredient_names} | self.current
        return self.complete(amounts)

    def numbers(self, field: str) -> pd.Series:
        """Return densities or prices by ingredient.

        Raises
        ------
        BriefError
            Naming the ingredients that have none.
        """
        values = {p.name: getattr(p, field) for p in self.ingredients}
        missing = [name for name, value in values.items() if value is None]
        if missing:
            raise BriefError(
                [
                    Problem(
                        column=f"ingredient {n!r}, {field}", expected=f"a {field}, needed for cost or volume"
                    )
                    for n in missing
                ]
            )
        return pd.Series(values, dtype=float)

    @property
    def has_costs(self) -> bool:
        return bool(self.ingredients) and all(
            p.price is not None and p.density is not None for p in self.ingredients
        )

    def amounts(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the ingredient columns of formulas, fixed ones filled in."""
        return self.complete(frame)[self.ingredient_names] if self.ingredients else frame[[]]

    def phr(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return formulas in phr, whatever the basis.

        Raises
        ------
        RecipeError
            If no ingredient counts as rubber.
        """
        amounts = self.amounts(frame)
        return amounts if self.basis == "phr" else recipe.to_phr(amounts, self.rubbers)

    def density(self, frame: pd.DataFrame) -> pd.Series:
        """Return the calculated density of formulas, g/cm3."""
        return recipe.density(self.amounts(frame), self.numbers("density")).rename("density")

    def costs(self, frame: pd.DataFrame, prices: Mapping[str, float] | None = None) -> pd.DataFrame:
        """Return the cost of formulas: per_kg, per_litre and, with a piece, per_piece (currency).

        `prices` replaces the brief's own where given (currency per kg).
        """
        amounts, rho = self.amounts(frame), self.numbers("density")
        price = self.numbers("price")
        if prices:
            price = price.copy()
            for name, value in prices.items():
                price[name] = value
        out = pd.DataFrame(index=amounts.index)
        out["per_kg"] = recipe.cost_per_kg(amounts, price)
        out["per_litre"] = recipe.cost_per_litre(amounts, rho, price)
        if self.piece is not None:
            piece = self.piece
            out["per_piece"] = recipe.cost_per_piece(
                amounts, rho, price, volume_cm3=piece.volume_cm3, loss_fraction=piece.loss_fraction
            )
        return out

    # ---- eyes -----------------------------------------------------------------------------------

    def __repr__(self) -> str:
        return (
            f"Brief({self.title!r}: {len(self.varied)} of {len(self.ingredients)} ingredients varied, "
            f"{len(self.settings)} settings, {len(self.responses)} responses, {self.basis})"
        )

    __str__ = __repr__

    def _repr_html_(self) -> str:
        lines = []
        for part in self.ingredients:
            low, high = self.ranges[part.name]
            wanted = f"{low:g}" if low == high else f"{low:g} to {high:g}"
            lines.append([part.title, part.role, wanted, self.amount_unit, part.density, part.price])
        ingredients = pd.DataFrame(
            lines, columns=["ingredient", "role", "range", "unit", "g/cm³", f"{self.currency}/kg"]
        )
        settings = pd.DataFrame(
            [
                [
                    s.title,
                    s.unit,
                    ", ".join(map(str, s.levels)) if s.levels else f"{s.low:g} to {s.high:g}",
                    s.changes,
                ]
                for s in self.settings
            ],
            columns=["setting", "unit", "range", "changes with"],
        )
        responses = pd.DataFrame(
            [[r.title, r.unit, r.target_text, r.importance] for r in self.responses],
            columns=["response", "unit", "target", "importance"],
        )
        limits = Markup("").join(table(pd.DataFrame({"limit": [x.expression for x in self.limits]})))
        parts = [table(responses, rows=20)] if self.responses else []
        parts.append(fold(f"{len(self.ingredients)} ingredients", table(ingredients, rows=40)))
        if self.settings:
            parts.append(fold(f"{len(self.settings)} settings", table(settings, rows=20)))
        if self.limits:
            parts.append(fold(f"{len(self.limits)} limits", Markup(limits)))
        verdict = (
            f"{len(self.varied)} ingredients and {len(self.settings)} settings vary, in {self.basis}; "
            f"{sum(r.has_target for r in self.responses)} responses have a target."
        )
        return panel(self.title or "Brief", verdict, *parts)


# ---- checks: everything that is wrong, at once ------------------------------------------------------

_LISTS = {"ingredient": "ingredients", "setting": "settings", "response": "responses", "limit": "limits"}


def _field_problem(item: Any) -> Problem:
    """Turn one of pydantic's findings into the place, value and expectation of the user's file."""
    place = ""
    for step in item["loc"]:
        if isinstance(step, int):
            place += f"[{step + 1}]"
        elif "[" not in str(step):  # leave out the branch names of a union
            place += f"{'.' if place else ''}{step}"
    expected = item["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    if item["type"] == "extra_forbidden":
        return Problem(
            column=place, value=item["input"], expected="no such field", repair="Check its spelling."
        )
    if item["type"] == "missing":
        return Problem(column=place, expected="a value; it is required")
    if item["type"] == "string_pattern_mismatch":
        expected = "a name of letters, digits and _, not starting with a digit"
    value = item["input"]
    return Problem(
        column=place, value=str(value)[:60] if isinstance(value, (dict, list)) else value, expected=expected
    )


def _rows(data: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """One list of the raw brief as dictionaries, whatever shape it really has."""
    rows = data.get(key, data.get(_LISTS[key], []))
    if not isinstance(rows, list):
        return []
    return [
        row.model_dump(exclude_unset=True)
        if isinstance(row, BaseModel)
        else row
        if isinstance(row, dict)
        else {}
        for row in rows
    ]


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _cross_problems(data: Mapping[str, Any]) -> list[Problem]:
    """Checks that need more than one field, made on the raw data so that none hides another."""
    ingredients, settings = _rows(data, "ingredient"), _rows(data, "setting")
    responses = _rows(data, "response")
    basis = data.get("basis", "phr")
    problems = [*_name_problems(ingredients, settings, responses)]
    rubbers = [r for r in ingredients if r.get("counts_as_rubber", r.get("role") == "rubber")]
    for k, row in enumerate(ingredients):
        lone = basis == "phr" and len(rubbers) == 1 and row is rubbers[0]
        problems += _range_problems(f"ingredient[{k + 1}]", row, optional=lone)
        problems += _contains_problems(f"ingredient[{k + 1}]", row)
    for k, row in enumerate(settings):
        problems += _setting_problems(f"setting[{k + 1}]", row)
    for k, row in enumerate(responses):
        problems += _target_problems(f"response[{k + 1}]", row)
    if basis == "phr" and ingredients and not rubbers:
        problems.append(
            Problem(
                column="basis",
                value="phr",
                expected="at least one ingredient that counts as rubber",
                repair='Give one the role "rubber", or use basis = "fraction".',
            )
        )
    if basis == "phr" and data.get("model") == "special cubic":
        problems.append(
            Problem(
                column="model",
                value="special cubic",
                expected='linear, interaction or quadratic in basis "phr"',
            )
        )
    if basis == "fraction" and data.get("model") == "interaction":
        problems.append(
            Problem(
                column="model",
                value="interaction",
                expected='linear, quadratic or special cubic in basis "fraction"',
            )
        )
    if not ingredients and not settings:
        problems.append(Problem(column="ingredient", expected="at least one ingredient or setting"))
    problems += _limit_problems(data, ingredients, settings)
    problems += _current_problems(data, ingredients, settings)
    return problems


def _name_problems(*groups: list[dict[str, Any]]) -> list[Problem]:
    problems: list[Problem] = []
    seen: dict[str, str] = {}
    for key, rows in zip(("ingredient", "setting", "response"), groups):
        for k, row in enumerate(rows):
            name, place = row.get("name"), f"{key}[{k + 1}].name"
            if not isinstance(name, str):
                continue
            if name in RESERVED:
                problems.append(
                    Problem(
                        column=place, value=name, expected="a name that is not a column of the series itself"
                    )
                )
            if name.lower() in seen:
                problems.append(
                    Problem(
                        column=place,
                        value=name,
                        expected=f"a name not used before (see {seen[name.lower()]})",
                    )
                )
            seen.setdefault(name.lower(), place)
    return problems


def _range_problems(place: str, row: dict[str, Any], optional: bool = False) -> list[Problem]:
    low, high = row.get("low"), row.get("high")
    if low is None and high is None and optional:
        return []
    missing = [key for key in ("low", "high") if row.get(key) is None]
    if missing:
        return [
            Problem(column=f"{place}.{key}", expected="a number; low = high fixes an amount")
            for key in missing
        ]
    if _is_number(low) and _is_number(high) and low > high:  # type: ignore[operator]
        return [Problem(column=f"{place}.high", value=high, expected=f"at least low = {low:g}")]
    return []


def _contains_problems(place: str, row: dict[str, Any]) -> list[Problem]:
    shares = row.get("contains") or {}
    if not isinstance(shares, dict) or not shares or not all(map(_is_number, shares.values())):
        return []
    problems = [
        Problem(column=f"{place}.contains.{name}", value=value, expected="a mass fraction from 0 to 1")
        for name, value in shares.items()
        if not 0 <= value <= 1
    ]
    if not problems and abs(sum(shares.values()) - 1) > 1e-6:
        problems.append(
            Problem(
                column=f"{place}.contains",
                value=round(sum(shares.values()), 6),
                expected="mass fractions that sum to 1",
            )
        )
    return problems


def _setting_problems(place: str, row: dict[str, Any]) -> list[Problem]:
    levels = row.get("levels")
    if levels is None:
        problems = _range_problems(place, row)
        low, high = row.get("low"), row.get("high")
        if not problems and _is_number(low) and low == high:
            problems.append(Problem(column=f"{place}.high", value=high, expected=f"more than low = {low:g}"))
        return problems
    if any(row.get(key) is not None for key in ("low", "high")):
        return [Problem(column=f"{place}.levels", value=levels, expected="levels, or low and high, not both")]
    if not isinstance(levels, list) or len(levels) < 2 or len(set(map(str, levels))) < len(levels):
        return [Problem(column=f"{place}.levels", value=levels, expected="at least two different levels")]
    return []


def _target_problems(place: str, row: dict[str, Any]) -> list[Problem]:
    problems = []
    low, high, near, within = (row.get(k) for k in ("at_least", "at_most", "near", "within"))
    if (near is None) != (within is None):
        problems.append(Problem(column=f"{place}.near", value=near, expected="near together with within"))
    if near is not None and (low is not None or high is not None):
        problems.append(
            Problem(
                column=f"{place}.near",
                value=near,
                expected="either near with within, or at_least and at_most",
            )
        )
    if _is_number(low) and _is_number(high) and low >= high:  # type: ignore[operator]
        problems.append(
            Problem(column=f"{place}.at_most", value=high, expected=f"more than at_least = {low:g}")
        )
    ideal = row.get("ideal")
    if _is_number(ideal):
        if near is not None:
            problems.append(Problem(column=f"{place}.ideal", value=ideal, expected="no ideal beside near"))
        if _is_number(low) and ideal < low:  # type: ignore[operator]
            problems.append(Problem(column=f"{place}.ideal", value=ideal, expected=f"at least {low:g}"))
        if _is_number(high) and ideal > high:  # type: ignore[operator]
            problems.append(Problem(column=f"{place}.ideal", value=ideal, expected=f"at most {high:g}"))
    for key in ("bounds", "possible"):
        pair = row.get(key)
        if (
            isinstance(pair, (list, tuple))
            and len(pair) == 2
            and all(map(_is_number, pair))
            and pair[0] >= pair[1]
        ):
            problems.append(Problem(column=f"{place}.{key}", value=list(pair), expected="low before high"))
    return problems


def _limit_problems(
    data: Mapping[str, Any], ingredients: list[dict[str, Any]], settings: list[dict[str, Any]]
) -> list[Problem]:
    numeric = [
        s
        for s in settings
        if not (isinstance(s.get("levels"), list) and s["levels"] and isinstance(s["levels"][0], str))
    ]
    names = [str(row.get("name")) for row in [*ingredients, *numeric]]
    roles = {r: [str(p.get("name")) for p in ingredients if p.get("role", "other") == r] for r in ROLES}
    problems = []
    for k, row in enumerate(_rows(data, "limit")):
        text = row.get("expression")
        if not isinstance(text, str):
            continue
        try:
            parse_limit(text, names, roles)
        except FormlabError as error:
            problems.append(
                Problem(
                    column=f"limit[{k + 1}].expression",
                    value=text,
                    repair=str(error)[0].upper() + str(error)[1:],
                )
            )
    return problems


def _current_problems(
    data: Mapping[str, Any], ingredients: list[dict[str, Any]], settings: list[dict[str, Any]]
) -> list[Problem]:
    current = data.get("current") or {}
    if not isinstance(current, dict) or not current:
        return []
    problems = []
    known = {str(row.get("name")): row for row in [*ingredients, *settings]}
    for name, value in current.items():
        if name not in known:
            problems.append(
                Problem(
                    column=f"current.{name}", value=value, expected="an ingredient or setting of this brief"
                )
            )
            continue
        levels = known[name].get("levels")
        if isinstance(levels, list) and levels and isinstance(levels[0], str):
            if value not in levels:
                problems.append(Problem(column=f"current.{name}", value=value, expected=f"one of {levels}"))
        elif (
            not _is_number(value)
            or not math.isfinite(value)
            or (name not in [s.get("name") for s in settings] and value < 0)
        ):
            problems.append(Problem(column=f"current.{name}", value=value, expected="a number, 0 or more"))
    for row in settings:
        if row.get("name") not in current:
            problems.append(
                Problem(column=f"current.{row.get('name')}", expected="today's value of this setting")
            )
    basis_total = data.get("total", 1.0)
    if data.get("basis") == "fraction" and not problems and _is_number(basis_total):
        fixed = sum(
            r["low"]
            for r in ingredients
            if r.get("name") not in current and _is_number(r.get("low")) and r.get("low") == r.get("high")
        )
        total = fixed + sum(v for n, v in current.items() if n in {r.get("name") for r in ingredients})
        if abs(total - basis_total) > 1e-3 * basis_total:
            problems.append(
                Problem(
                    column="current", value=round(total, 6), expected=f"amounts that sum to {basis_total:g}"
                )
            )
    return problems
