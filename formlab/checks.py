"""Checks of a brief that need more than one field; they find everything that is wrong at once.

They read the raw data, so that one fault does not hide another, and hence trust nothing about its shape.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from pydantic import BaseModel

from formlab.errors import BriefError, Problem
from formlab.limits import parse_limit
from formlab.parts import Ingredient, Limit, Part, Piece, Plant, Response, Setting

__all__ = ["active_substance", "brief_problems"]

Row = dict[str, Any]
PLURALS = {"ingredient": "ingredients", "setting": "settings", "response": "responses", "limit": "limits"}
PARTS: dict[str, type[Part]] = {
    "ingredient": Ingredient, "setting": Setting, "response": Response, "limit": Limit, "piece": Piece, "plant": Plant,
}  # fmt: skip
MODELS = {"phr": ["linear", "interaction", "quadratic"], "fraction": ["linear", "quadratic", "special cubic"]}
RESERVED = {
    "trial", "batch", "load", "day", "block", "lot", "run_order", "round", "brief_id", "session", "status",
    "note", "operator", "reading", "ingredient", "weighed_g", "role",
}  # fmt: skip


def brief_problems(data: Mapping[str, Any], found: list[Any], keys: Sequence[str]) -> list[Problem]:
    """Return all problems of a raw brief: what pydantic found field by field, and what these checks find.

    `keys` are those a brief may have. Where both speak of one place, the one that speaks of the larger part of the brief is kept.
    """
    fields = {str(problem): problem for problem in (_field_problem(item, keys) for item in found)}
    cross = list(_cross_problems(data))
    kept = [p for p in fields.values() if not any(_within(p.column, other.column) for other in cross)]
    below = [f"{problem.column}{mark}" for problem in kept for mark in ".["]
    return kept + [problem for problem in cross if not problem.column.startswith(tuple(below))]


def active_substance(name: str, contains: Mapping[str, Any], ingredients: list[str]) -> str | None:
    """Return the substance an ingredient is planned by.

    Its own name, else the first that is neither carrier, water nor another ingredient; None if there is none.
    """
    if name in contains:
        return name
    others = {"carrier", "water", *ingredients}
    return next((substance for substance in contains if substance not in others), None)


def _within(place: str, other: str) -> bool:
    return place == other or place.startswith((f"{other}.", f"{other}["))


def _field_problem(item: Any, keys: Sequence[str]) -> Problem:
    """Turn one of pydantic's findings into the place, value and expectation of the user's file."""
    place = ""
    for step in item["loc"]:
        if isinstance(step, int):
            place += f"[{step + 1}]"
        elif "[" not in str(step):  # leave out the branch names of a union
            place += f"{'.' if place else ''}{step}"
    value = item["input"]
    value = str(value)[:60] if isinstance(value, (dict, list)) else value
    expected = item["msg"].removeprefix("Input should be ").split(" or instance of")[0]
    if item["type"] == "missing":
        return Problem(column=place, expected="a value; it is required")
    if item["type"] == "extra_forbidden":
        part = PARTS.get(str(item["loc"][0])) if len(item["loc"]) > 1 else None
        near = get_close_matches(str(item["loc"][-1]), keys if part is None else list(part.model_fields), 1)
        repair = f"Did you mean {near[0]!r}?" if near else "Check its spelling."
        return Problem(column=place, value=value, expected="a field of this part", repair=repair)
    if item["type"] == "list_type" and place in PARTS:
        return Problem(column=place, value=value, expected=f"a list: [[{place}]], in double brackets")
    if item["type"] == "string_pattern_mismatch":
        expected = "a name of letters, digits and _, not starting with a digit"
    if item["type"] in ("too_long", "too_short"):
        expected = "two numbers"
    repair = "Densities are in g/cm3." if place.endswith(".density") else ""
    return Problem(column=place, value=value, expected=expected, repair=repair)


def _rows(data: Mapping[str, Any], key: str) -> list[Row]:
    """One list of the raw brief as dictionaries, whatever shape it really has."""
    rows = data.get(key, data.get(PLURALS[key], []))
    rows = rows if isinstance(rows, list) else []
    plain = [row.model_dump(exclude_unset=True) if isinstance(row, BaseModel) else row for row in rows]
    return [row if isinstance(row, dict) else {} for row in plain]


def _number(value: Any) -> float | None:
    return value if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def _is_categories(row: Row) -> bool:
    levels = row.get("levels")
    return isinstance(levels, list) and bool(levels) and isinstance(levels[0], str)


def _cross_problems(data: Mapping[str, Any]) -> Iterator[Problem]:
    ingredients, settings, responses = (_rows(data, key) for key in ("ingredient", "setting", "response"))
    yield from _name_problems({"ingredient": ingredients, "setting": settings, "response": responses})
    yield from _basis_problems(data, ingredients, settings)
    rubbers = _rubbers(ingredients)
    lone = rubbers[0] if data.get("basis", "phr") == "phr" and len(rubbers) == 1 else None
    names = [str(row.get("name")) for row in ingredients]
    for k, row in enumerate(ingredients):
        place = f"ingredient[{k + 1}]"
        yield from _lone_rubber_problems(place, row) if row is lone else _range_problems(place, row)
        yield from _contains_problems(f"{place}.contains", row, names)
    for k, row in enumerate(settings):
        yield from _setting_problems(f"setting[{k + 1}]", row)
    for k, row in enumerate(responses):
        yield from _target_problems(f"response[{k + 1}]", row)
    yield from _limit_problems(data, ingredients, settings)
    current = data.get("current")
    if isinstance(current, dict) and current:
        yield from _current_problems(current, ingredients, settings)
        yield from _sum_problems(data, current, ingredients)


def _rubbers(ingredients: list[Row]) -> list[Row]:
    return [
        row
        for row in ingredients
        if (row.get("role") == "rubber" if row.get("counts_as_rubber") is None else row["counts_as_rubber"])
    ]


def _name_problems(parts: dict[str, list[Row]]) -> Iterator[Problem]:
    seen: dict[str, str] = {}
    for key, rows in parts.items():
        for k, row in enumerate(rows):
            name, place = row.get("name"), f"{key}[{k + 1}].name"
            if not isinstance(name, str):
                continue
            if name.lower() in RESERVED or name.endswith("_censored"):
                yield Problem(
                    column=place, value=name, expected="a name that is not a column of the series itself"
                )
            if name.lower() in seen:
                expected = f"a name not used before (see {seen[name.lower()]})"
                yield Problem(column=place, value=name, expected=expected)
            seen.setdefault(name.lower(), place)


def _basis_problems(
    data: Mapping[str, Any], ingredients: list[Row], settings: list[Row]
) -> Iterator[Problem]:
    basis, model = data.get("basis", "phr"), data.get("model", "quadratic")
    if not any(data.get(key) for name in ("ingredient", "setting") for key in (name, PLURALS[name])):
        yield Problem(column="ingredient", expected="at least one ingredient or setting")
    if basis == "phr" and ingredients and not _rubbers(ingredients):
        yield Problem(
            column="basis",
            value="phr",
            expected="at least one ingredient that counts as rubber",
            repair='Give one the role "rubber", or use basis = "fraction".',
        )
    if basis in list(MODELS) and model in sum(MODELS.values(), []) and model not in MODELS[basis]:
        expected = f'one of {", ".join(MODELS[basis])} in basis "{basis}"'
        yield Problem(column="model", value=model, expected=expected)


def _lone_rubber_problems(place: str, row: Row) -> Iterator[Problem]:
    for key in ("low", "high"):
        if _number(row.get(key)) not in (None, 100):
            yield Problem(
                column=f"{place}.{key}",
                value=row[key],
                expected="100: a single rubber is 100 phr by definition",
                repair="Leave low and high out.",
            )


def _range_problems(place: str, row: Row) -> Iterator[Problem]:
    for key in ("low", "high"):
        if row.get(key) is None:
            yield Problem(column=f"{place}.{key}", expected="a number; low = high fixes an amount")
    low, high = _number(row.get("low")), _number(row.get("high"))
    if low is not None and high is not None and low > high:
        yield Problem(column=f"{place}.high", value=high, expected=f"at least low = {low:g}")


def _contains_problems(place: str, row: Row, names: list[str]) -> Iterator[Problem]:
    contains = row.get("contains")
    if not isinstance(contains, dict) or not contains:
        return
    shares = {name: _number(value) for name, value in contains.items()}
    for name, share in shares.items():
        if share is None or not 0 <= share <= 1:
            yield Problem(
                column=f"{place}.{name}", value=contains[name], expected="a mass fraction from 0 to 1"
            )
    total = sum(share or 0.0 for share in shares.values())
    if not any(s is None or not 0 <= s <= 1 for s in shares.values()) and abs(total - 1) > 1e-6:
        yield Problem(column=place, value=round(total, 6), expected="mass fractions that sum to 1")
    active = active_substance(str(row.get("name")), contains, names)
    if active is None or shares[active] == 0:
        yield Problem(
            column=place,
            value=list(contains),
            expected="a substance to plan by: its own name, or one that is no carrier, water or other ingredient",
        )


def _setting_problems(place: str, row: Row) -> Iterator[Problem]:
    levels = row.get("levels")
    low, high = _number(row.get("low")), _number(row.get("high"))
    if levels is None:
        yield from _range_problems(place, row)
        if low is not None and low == high:
            yield Problem(column=f"{place}.high", value=high, expected=f"more than low = {low:g}")
    elif low is not None or high is not None:
        yield Problem(column=f"{place}.levels", value=levels, expected="levels, or low and high, not both")
    elif not isinstance(levels, list) or len(set(map(str, levels))) < max(2, len(levels)):
        yield Problem(column=f"{place}.levels", value=levels, expected="at least two levels, each one once")
    elif not all(isinstance(v, str) if _is_categories(row) else _number(v) is not None for v in levels):
        yield Problem(
            column=f"{place}.levels", value=levels, expected="all numbers, or all categories in quotes"
        )


def _target_problems(place: str, row: Row) -> Iterator[Problem]:
    low, high, ideal = (_number(row.get(key)) for key in ("at_least", "at_most", "ideal"))
    near, within = row.get("near"), row.get("within")
    if (near is None) != (within is None):
        yield Problem(column=f"{place}.near", value=near, expected="near together with within")
    if near is not None and (low is not None or high is not None):
        yield Problem(
            column=f"{place}.near", value=near, expected="either near with within, or at_least and at_most"
        )
    if low is not None and high is not None and low >= high:
        yield Problem(column=f"{place}.at_most", value=high, expected=f"more than at_least = {low:g}")
    if row.get("statistic") == "median" and row.get("kind", "measure") != "measure":
        expected = f'"mean" for a {row["kind"]}: only a measure is judged by its median'
        yield Problem(column=f"{place}.statistic", value="median", expected=expected)
    if ideal is not None:
        yield from _ideal_problems(f"{place}.ideal", ideal, low, high, near)
    for key in ("bounds", "possible"):
        pair = row.get(key)
        pair = list(pair) if isinstance(pair, (list, tuple)) else []
        if len(pair) == 2 and all(_number(end) is not None for end in pair) and not pair[0] < pair[1]:
            yield Problem(column=f"{place}.{key}", value=pair, expected="low before high")


def _ideal_problems(
    place: str, ideal: float, low: float | None, high: float | None, near: Any
) -> Iterator[Problem]:
    if near is not None:
        yield Problem(column=place, value=ideal, expected="no ideal beside near")
    elif low is None and high is None:
        yield Problem(column=place, value=ideal, expected="an ideal beside at_least or at_most only")
    if low is not None and ideal < low:
        yield Problem(column=place, value=ideal, expected=f"at least {low:g}, as at_least says")
    if high is not None and ideal > high:
        yield Problem(column=place, value=ideal, expected=f"at most {high:g}, as at_most says")


def _limit_problems(
    data: Mapping[str, Any], ingredients: list[Row], settings: list[Row]
) -> Iterator[Problem]:
    numeric = [row for row in settings if not _is_categories(row)]
    names = [str(row.get("name")) for row in [*ingredients, *numeric]]
    roles: dict[str, list[str]] = {}
    for row in ingredients:
        roles.setdefault(str(row.get("role", "other")), []).append(str(row.get("name")))
    for k, row in enumerate(_rows(data, "limit")):
        text = row.get("expression")
        if not isinstance(text, str):
            continue
        try:
            parse_limit(text, names, roles)
        except BriefError as error:
            repair = str(error)[0].upper() + str(error)[1:]
            yield Problem(column=f"limit[{k + 1}].expression", value=text[:200], repair=repair)


def _current_problems(current: Row, ingredients: list[Row], settings: list[Row]) -> Iterator[Problem]:
    known = {str(row.get("name")): row for row in [*ingredients, *settings]}
    amounts = {str(row.get("name")) for row in ingredients}
    for name, value in current.items():
        place, number = f"current.{name}", _number(value)
        if name not in known:
            yield Problem(column=place, value=value, expected="an ingredient or setting of this brief")
        elif _is_categories(known[name]):
            if value not in known[name]["levels"]:
                yield Problem(column=place, value=value, expected=f"one of {known[name]['levels']}")
        elif number is None or not math.isfinite(number):
            yield Problem(column=place, value=value, expected="a number")
        elif name in amounts and number < 0:
            yield Problem(column=place, value=value, expected="an amount of 0 or more")
    for row in settings:
        if row.get("name") not in current:
            yield Problem(column=f"current.{row.get('name')}", expected="today's value of this setting")


def _sum_problems(data: Mapping[str, Any], current: Row, ingredients: list[Row]) -> Iterator[Problem]:
    """Today's formula must sum as every formula does: to `total`, or its rubbers to 100 phr."""
    basis = data.get("basis", "phr")
    summed = ingredients if basis == "fraction" else _rubbers(ingredients)
    wanted = _number(data.get("total", 1.0)) if basis == "fraction" else 100.0
    amounts: list[float | None] = []
    for row in summed:
        fixed = row.get("low") if row.get("low") == row.get("high") else 0.0
        lone = 100.0 if fixed is None and basis == "phr" and len(summed) == 1 else fixed
        amounts.append(_number(current.get(str(row.get("name")), lone)))
    if not summed or not wanted or None in amounts:
        return
    total = sum(amount or 0.0 for amount in amounts)
    if not abs(total - wanted) <= 1e-3 * wanted:
        what = "amounts" if basis == "fraction" else "rubbers"
        unsaid = [
            str(row.get("name"))
            for row in summed
            if row.get("name") not in current and row.get("low") != row.get("high")
        ]
        yield Problem(
            column="current",
            value=round(total, 6),
            expected=f"{what} that sum to {wanted:g}",
            repair=f"Name {', '.join(unsaid)} too; what is not named counts as 0." if unsaid else "",
        )
