"""Limits as people write them: ``chalk + 2 pumice <= 180`` into a linear rule.

``side := [+|-] term {(+|-) term}``, ``term := [number ['*']] (name | role(filler)) | number`` and one of
``<=``, ``>=``, ``=`` between two sides. Nothing is evaluated; anything else is refused at its place.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import NoReturn

from formlab.errors import BriefError
from formlab.polytope import Rule

__all__ = ["parse_limit"]

_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+\.?\d*(?:[eE][+-]?\d+)?|\.\d+(?:[eE][+-]?\d+)?)"
    r"|(?P<name>[A-Za-z_]\w*)|(?P<sign><=|>=|=|[-+*()]))"
)


@dataclass
class _Token:
    kind: str
    text: str
    at: int


def parse_limit(text: str, names: Sequence[str], roles: Mapping[str, Sequence[str]]) -> Rule:
    """Return the rule a limit's text stands for.

    Parameters
    ----------
    text : str
        The limit, at most 1000 characters.
    names : sequence of str
        Ingredients and numeric settings, in column order.
    roles : mapping of str to sequence of str
        Ingredient names of each role, for ``role(filler)``.

    Returns
    -------
    Rule
        Coefficients in the order of `names`; constants are moved to the right.

    Raises
    ------
    BriefError
        With the text, a caret under the offending word and what was expected there.

    Examples
    --------
    >>> parse_limit("chalk + 2 pumice <= 180 - oil", ["chalk", "pumice", "oil"], {}).coefficients
    (1.0, 2.0, 1.0)
    """
    return _Parser(text, names, roles).rule()


class _Parser:
    def __init__(self, text: str, names: Sequence[str], roles: Mapping[str, Sequence[str]]) -> None:
        if len(text) > 1000:
            raise BriefError(
                f"the limit has {len(text)} characters; at most 1000 are read. Write it as several limits."
            )
        self.text = " ".join(text.split())  # one line, so that the caret stands under its word
        self.names, self.roles = list(names), roles
        self.tokens = self._split()
        self.at = 0

    def _split(self) -> list[_Token]:
        tokens, at = [], 0
        while at < len(self.text):
            match = _TOKEN.match(self.text, at)
            if match is None:
                self._refuse(at + (self.text[at] == " "), "a name, a number, + - *, or one of <= >= =")
            kind = match.lastgroup or ""
            tokens.append(_Token(kind, match.group(kind), match.start(kind)))
            at = match.end()
        return [*tokens, _Token("end", "", len(self.text))]

    def _refuse(self, at: int, expected: str) -> NoReturn:
        raise BriefError(f"write {expected} at the caret:\n    {self.text}\n    {' ' * at}^")

    def _next(self) -> _Token:
        token = self.tokens[self.at]
        self.at = min(self.at + 1, len(self.tokens) - 1)  # the end token is never passed
        return token

    def rule(self) -> Rule:
        left, constant = self._side()
        sense = self._next()
        if sense.text not in ("<=", ">=", "="):
            self._refuse(sense.at, "+, - or one of <= >= =")
        right, other = self._side()
        if self.tokens[self.at].kind != "end":
            self._refuse(self.tokens[self.at].at, "+, - or the end of the limit")
        coefficients = tuple(a - b for a, b in zip(left, right))
        if not any(coefficients):
            self._refuse(0, "at least one ingredient or setting that does not cancel")
        if not all(map(math.isfinite, (*coefficients, other - constant))):
            self._refuse(0, "numbers that stay below 1e308")
        return Rule(coefficients, sense.text, other - constant, self.text)

    def _side(self) -> tuple[list[float], float]:
        total, constant = [0.0] * len(self.names), 0.0
        sign = 1.0
        if self.tokens[self.at].text in ("+", "-"):
            sign = -1.0 if self._next().text == "-" else 1.0
        while True:
            coefficients, number = self._term()
            total = [a + sign * b for a, b in zip(total, coefficients)]
            constant += sign * number
            if self.tokens[self.at].text not in ("+", "-"):
                return total, constant
            sign = -1.0 if self._next().text == "-" else 1.0

    def _term(self) -> tuple[list[float], float]:
        token = self._next()
        factor = 1.0
        if token.kind == "number":
            factor = float(token.text)
            following = self.tokens[self.at]
            if following.text == "*":
                self._next()
                token = self._next()
                if token.kind != "name":
                    self._refuse(token.at, "the name of an ingredient or numeric setting")
            elif following.kind == "name":
                token = self._next()
            else:
                return [0.0] * len(self.names), factor
        if token.kind != "name":
            self._refuse(token.at, "a name or a number")
        if token.text == "role" and self.tokens[self.at].text == "(":
            return self._role(factor), 0.0
        if token.text not in self.names:
            near = get_close_matches(token.text, self.names, n=1)
            hint = f" (did you mean {near[0]!r}?)" if near else ""
            self._refuse(token.at, f"the name of an ingredient or numeric setting{hint}")
        return [factor if name == token.text else 0.0 for name in self.names], 0.0

    def _role(self, factor: float) -> list[float]:
        self._next()
        words, at = [], self.tokens[self.at].at
        while self.tokens[self.at].kind == "name":  # a role may be two words: curing agent
            words.append(self._next().text)
        members = self.roles.get(" ".join(words), ())
        if not members:
            used = ", ".join(sorted(r for r, some in self.roles.items() if some)) or "there is none"
            self._refuse(at, f"a role that an ingredient has ({used})")
        close = self._next()
        if close.text != ")":
            self._refuse(close.at, "a closing bracket")
        return [factor if name in members else 0.0 for name in self.names]
