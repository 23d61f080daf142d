"""``python -m tests.benchmarks`` prints one table, ``… growth`` draws how cost grows, ``… NAME`` one part of the table."""

from __future__ import annotations

import sys
from importlib import import_module

from tests.benchmarks.rows import Row, machine, table

PARTS = (
    "bench_planning", "bench_plans", "bench_fitting", "bench_choosing", "bench_folder", "bench_region", "bench_eyes",
    "bench_surfaces",
)  # fmt: skip


def rows_of(parts: tuple[str, ...]) -> list[Row]:
    """Measure part by part; a part that gives no rows is left out."""
    found: list[Row] = []
    for name in parts:
        try:
            measure = getattr(import_module(f"tests.benchmarks.{name}"), "rows", None)
        except ModuleNotFoundError as error:
            if error.name != f"tests.benchmarks.{name}":
                raise
            measure = None
        if measure is not None:
            print(f"{name} …", file=sys.stderr, flush=True)
            found += measure()
    return found


def main(words: list[str]) -> None:
    if words == ["growth"]:
        import_module("tests.benchmarks.growth").main()
        return
    asked = tuple(words) or PARTS
    if unknown := [word for word in asked if word not in PARTS]:
        raise SystemExit(f"{unknown[0]!r} is no part; they are {', '.join(PARTS)}, and growth.")
    rows = rows_of(asked)
    print(f"{machine()}\n\n{table(rows)}\n")
    print(
        "A ratio in brackets does not count: the other answer was the better one. Nothing is asserted on time."
    )


if __name__ == "__main__":
    main(sys.argv[1:])
