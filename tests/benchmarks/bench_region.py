"""How long a region takes: vertices, and the explanation of a conflict, for 3 to 12 ingredients.

Run with ``python -m tests.benchmarks.bench_region``. It prints a table and the machine; nothing is asserted.
The aim is under 2 seconds a line.
"""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np
import scipy

from formlab import Brief, Region
from tests.benchmarks.rows import Row, race

AIM_S = 2.0


def brief(count: int, limits: int, basis: str, seed: int, conflict: bool = False) -> Brief:
    """An invented brief whose limits all pass near the middle, so that most of them cut."""
    rng = np.random.default_rng(seed)
    names = [f"x{k}" for k in range(count)]
    low = np.round(rng.uniform(0.0, 0.5, count) / count, 3)
    high = np.round(low + rng.uniform(1.0, 3.0, count) / count, 3)
    middle = low + (high - low) * (1 - low.sum()) / (high - low).sum()  # sums to 1
    parts = [{"name": n, "low": a, "high": b} for n, a, b in zip(names, low.tolist(), high.tolist())]
    if basis == "phr":
        parts.insert(0, {"name": "sbr", "role": "rubber"})
    rules = []
    for _ in range(limits):
        used = rng.choice(count, size=min(count, int(rng.integers(2, 5))), replace=False)
        weight = rng.integers(1, 4, len(used))
        slack = rng.uniform(-0.02, 0.1)  # most pass beside the middle, some cut it off
        side = " + ".join(f"{w} {names[k]}" for w, k in zip(weight, used))
        rules.append({"expression": f"{side} <= {weight @ middle[used] + abs(slack):.4f}"})
    if conflict:
        rules.append({"expression": f"{' + '.join(names[:3])} >= {high[:3].sum() + 0.01:.4f}"})
    return Brief(basis=basis, ingredient=parts, limit=rules)


Answer = TypeVar("Answer")


def timed(work: Callable[[], Answer]) -> tuple[float, Answer]:
    start = time.perf_counter()
    answer = work()
    return time.perf_counter() - start, answer


def rows() -> list[Row]:
    """Vertices of a region of ten ingredients in phr with ten limits, beside scipy's half-space intersection."""
    region = Region.from_brief(brief(10, 10, "phr", seed=10))
    seconds, ours, other, theirs = race(
        lambda: len(Region.from_brief(region.brief).vertices()), lambda: by_halfspaces(region)
    )
    stack = "scipy linprog, HalfspaceIntersection"
    return [Row("vertices, 10 ingredients, 10 limits", seconds, other, stack, "vertices found", ours, theirs)]


def by_halfspaces(region: Region) -> int:
    """Number of distinct vertices: from a point inside, the centre of the largest ball."""
    from scipy.optimize import linprog
    from scipy.spatial import HalfspaceIntersection

    g, h = region.polytope.inequalities()
    size = np.linalg.norm(g, axis=1)
    inside = linprog(
        [*np.zeros(g.shape[1]), -1],
        A_ub=np.column_stack([g, size]),
        b_ub=h,
        bounds=[(None, None)] * g.shape[1] + [(0, None)],
    )
    found = HalfspaceIntersection(np.column_stack([g, -h]), inside.x[:-1]).intersections
    return len(np.unique(np.round(found, 9), axis=0))


def main() -> None:
    print(
        f"{platform.platform()}, {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    )
    print(f"numpy {np.__version__}, scipy {scipy.__version__}; load {os.getloadavg()[0]:.1f}")
    print(
        f"{'basis':>8} {'ingredients':>11} {'limits':>6} {'vertices':>8} {'s':>7} {'conflict of':>11} {'s':>7}"
    )
    worst = 0.0
    Region.from_brief(brief(3, 0, "phr", seed=3, conflict=True)).why_empty()  # imports are not counted
    for basis in ("fraction", "phr"):
        for count in range(3, 13):
            for limits in (0, 5, 10):
                region = Region.from_brief(brief(count, limits, basis, seed=count))
                seconds, vertices = timed(region.vertices)
                empty = Region.from_brief(brief(count, limits, basis, seed=count, conflict=True))
                explained, words = timed(empty.why_empty)
                worst = max(worst, seconds, explained)
                print(
                    f"{basis:>8} {count:>11} {limits:>6} {len(vertices):>8} {seconds:>7.3f} "
                    f"{len(words):>11} {explained:>7.3f}"
                )
    print(f"slowest {worst:.2f} s, aim {AIM_S:g} s")


if __name__ == "__main__":
    main()
