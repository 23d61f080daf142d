"""Objects that many parts of a posterior share stay one object, also where parts come back from other processes."""

from __future__ import annotations

from typing import Any
from uuid import uuid4
from weakref import WeakValueDictionary

__all__ = ["Shared"]

_KNOWN: WeakValueDictionary[str, Any] = WeakValueDictionary()


class Shared:
    """Something that is never changed: what is unpickled beside its original is the original itself.

    Columns of formulas are worked out once for each object that makes them, however many parts use it; copies would
    be worked out again, each for itself.
    """

    def __reduce__(self) -> tuple[Any, ...]:
        token = self.__dict__.setdefault("_token", uuid4().hex)
        _KNOWN.setdefault(token, self)
        return _original, (type(self), token), dict(self.__dict__)

    def __setstate__(self, state: dict[str, Any]) -> None:
        if "_token" not in self.__dict__:  # else it is the original, which has it all
            self.__dict__.update(state)


def _original(kind: type, token: str) -> Any:
    """The object of a token, where it lives in this process; else an empty one, to be filled."""
    found = _KNOWN.get(token)
    if found is None:
        found = _KNOWN[token] = object.__new__(kind)
    return found
