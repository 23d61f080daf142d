"""``python -m tests.benchmarks`` prints one table, ``… growth`` draws how cost grows, ``… NAME`` one part of the table."""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec
from types import ModuleType

from tests.benchmarks.rows import Row, machine, table

PARTS = (
    "bench_planning", "bench_fitting", "bench_choosing", "bench_folder", "bench_region", "bench_eyes",
    "bench_surfaces", "bench_size",
)  # fmt: skip


def rows_of(part: ModuleType) -> list[Row]:
    """Measure one part; one that gives no rows prints its own words below the table."""
    print(f"{part.__name__} …", file=sys.stderr, flush=True)
    return list(part.rows()) if hasattr(part, "rows") else []


def main(words: list[str]) -> None:
    if words == ["growth"]:
        import_module("tests.benchmarks.growth").main()
        return
    if unknown := [word for word in words if word not in PARTS]:
        raise SystemExit(f"{unknown[0]!r} is no part; they are {', '.join(PARTS)}, and growth.")
    there = [name for name in words or PARTS if find_spec(f"tests.benchmarks.{name}")]
    parts = [import_module(f"tests.benchmarks.{name}") for name in there]
    rows = [row for part in parts for row in rows_of(part)]
    print(f"{machine()}\n\n{table(rows)}\n")
    print(
        "A ratio in brackets does not count: the other answer was the better one. Nothing is asserted on time."
    )
    for part in parts:
        if not hasattr(part, "rows"):
            print(f"\n{(part.__doc__ or '').splitlines()[0]}")
            sys.argv = [str(part.__file__)]
            part.main()


if __name__ == "__main__":
    main(sys.argv[1:])
