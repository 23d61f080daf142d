"""One thread for linear algebra where matrices are small: threads of our own, or none, are then much faster."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

__all__ = ["one_thread"]


@cache
def _controller() -> Any:
    from threadpoolctl import ThreadpoolController  # comes with scikit-learn

    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep BLAS to one thread inside the block."""
    with _controller().limit(limits=1, user_api="blas"):
        yield
