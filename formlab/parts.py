"""The parts of a brief: ingredients, settings, responses, limits, the piece and the plant."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Ingredient", "Limit", "Number", "Part", "Piece", "Plant", "Response", "Setting"]

Role = Literal[
    "rubber", "factice", "oil", "filler", "abrasive", "curing agent", "accelerator", "activator", "pigment",
    "regrind", "other",
]  # fmt: skip
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]  # "12" in quotes is a slip, not a number
End = Annotated[float, Field(strict=True)]  # of a range that may be open
_NAME = r"^[A-Za-z_][A-Za-z0-9_]*$"


class Part(BaseModel):
    """Unknown fields are refused, and nothing is changed once it is checked."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Ingredient(Part):
    """A material that goes on the mill; amounts are in the brief's basis."""

    name: str = Field(pattern=_NAME, max_length=60)
    role: Role = "other"
    label: str = ""
    low: Number | None = Field(default=None, ge=0)
    high: Number | None = Field(default=None, ge=0)
    density: Number | None = Field(default=None, gt=0, le=25)  # g/cm3
    price: Number | None = Field(default=None, ge=0)  # currency per kg
    order: int | None = None
    counts_as_rubber: bool | None = None
    contains: dict[str, Number] = {}

    @property
    def is_rubber(self) -> bool:
        return self.role == "rubber" if self.counts_as_rubber is None else self.counts_as_rubber

    @property
    def title(self) -> str:
        return self.label or self.name.replace("_", " ")


class Setting(Part):
    """A process variable: a range, numeric levels, or categories that are never interpolated."""

    name: str = Field(pattern=_NAME, max_length=60)
    label: str = ""
    unit: str = ""
    low: Number | None = None
    high: Number | None = None
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
    def range_text(self) -> str:
        """The range or the levels, in words."""
        if self.levels is None:
            return f"{self.low:g} to {self.high:g}"
        return ", ".join(level if isinstance(level, str) else f"{level:g}" for level in self.levels)

    @property
    def title(self) -> str:
        return self.label or self.name.replace("_", " ")


class Response(Part):
    """A measured property: unit, scale, target and how good its test is.

    ``statistic`` says what the target speaks of: the mean of all slabs of a formula, or their median, which half of
    them lie below. What a surface predicts for the response is then its median too. On the scale as measured the two
    are one; on a log or logit scale they part where slabs scatter.
    """

    name: str = Field(pattern=_NAME, max_length=60)
    label: str = ""
    unit: str = ""
    kind: Literal["measure", "rating", "count", "pass"] = "measure"
    scale: Literal["auto", "identity", "log", "logit"] = "auto"
    bounds: tuple[End, End] = (-math.inf, math.inf)
    possible: tuple[End, End] = (-math.inf, math.inf)
    at_least: Number | None = None
    at_most: Number | None = None
    near: Number | None = None
    within: Number | None = Field(default=None, gt=0)
    ideal: Number | None = None
    statistic: Literal["mean", "median"] = "mean"
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
    def by_expectation(self) -> bool:
        """Whether it is predicted by the expectation of its mean, not the middle: what has ends on both sides by its kind."""
        return self.kind in ("pass", "rating")

    @property
    def ends(self) -> tuple[float, float]:
        """Least and most that a reading can be, by `bounds`, `possible` and kind; infinite where nothing says."""
        least = 0.0 if self.kind in ("count", "pass") else -math.inf
        most = 1.0 if self.kind == "pass" else math.inf
        return max(self.bounds[0], self.possible[0], least), min(self.bounds[1], self.possible[1], most)

    def fault_of_limit(self, limit: float, side: int) -> str:
        """Return why a reading that only says below (-1) or above (1) a limit says nothing or cannot be; empty if it is sound."""
        low, high = self.ends
        word, end, other = ("below", low, high) if side < 0 else ("above", high, low)
        if side * (limit - end) >= 0:
            return f"nothing lies {word} {end:g}"
        return f"everything lies {word} {other:g}" if side * (limit - other) <= 0 else ""

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
        of = "median " if self.statistic == "median" else ""
        low, high = self.target
        if self.near is not None:
            return f"{of}{self.near:g} ± {self.within:g}{unit}"
        if math.isfinite(low) and math.isfinite(high):
            return f"{of}{low:g} to {high:g}{unit}"
        if math.isfinite(low):
            return f"{of}at least {low:g}{unit}"
        return f"{of}at most {high:g}{unit}" if math.isfinite(high) else "watched"

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
        rising, falling = np.ones_like(values), np.ones_like(values)
        if math.isfinite(low):
            span = ideal - low
            rising = (np.clip(values, low, ideal) - low) / span if span > 0 else 1.0 * (values >= low)
        if math.isfinite(high):
            span = high - ideal
            falling = (high - np.clip(values, ideal, high)) / span if span > 0 else 1.0 * (values <= high)
        return np.minimum(rising, falling)


class Limit(Part):
    """A linear rule over ingredients and numeric settings, as written."""

    expression: str
    label: str = ""


class Piece(Part):
    """The eraser that is sold."""

    volume_cm3: Number = Field(gt=0)
    loss_fraction: Number = Field(default=0.0, ge=0, lt=1)  # flash and trim, of the piece's own volume
    per_year: Number | None = Field(default=None, gt=0)


class Plant(Part):
    """What a trial costs and what can be done in a day."""

    batch_kg: Number | None = Field(default=None, gt=0)
    slabs_per_batch: int = Field(default=1, ge=1)
    slabs_per_load: int | None = Field(default=None, ge=1)
    batches_per_day: int | None = Field(default=None, ge=1)
    mill_h: Number | None = Field(default=None, ge=0)
    press_h: Number | None = Field(default=None, ge=0)
    rate_per_h: Number | None = Field(default=None, ge=0)
    lift_kg: Number | None = Field(default=None, gt=0)
