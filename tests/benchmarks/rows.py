"""Rows of the table of benchmarks: one task, two ways to do it, the seconds and the quality of each."""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from formlab.workers import one_thread

__all__ = ["Row", "clock", "machine", "race", "table"]

LIBRARIES = ("numpy", "scipy", "pandas", "scikit-learn", "statsmodels", "pyDOE3", "matplotlib")


@dataclass(frozen=True)
class Row:
    """A task, and how two ways to do it came out.

    Attributes
    ----------
    task, stack : str
        What is done, and what the other way is wired from.
    ours, theirs : float
        Seconds of processor time; `theirs` None where there is no other way to do it.
    quality : str
        What the answers are judged by, with its unit.
    ours_quality, theirs_quality : float
    better : {"more", "less"}
        Which way the quality is better.
    margin : float
        Difference of quality that is no difference, relative to the larger.
    """

    task: str
    ours: float
    theirs: float | None = None
    stack: str = ""
    quality: str = ""
    ours_quality: float = float("nan")
    theirs_quality: float = float("nan")
    better: str = "more"
    margin: float = 1e-3

    @property
    def ratio(self) -> float | None:
        """How many times as long the other way takes."""
        return None if self.theirs is None else self.theirs / self.ours

    @property
    def counts(self) -> bool:
        """Whether our answer is as good or better; only then does the ratio say anything."""
        ours, theirs = self.ours_quality, self.theirs_quality
        slack = self.margin * max(abs(ours), abs(theirs))
        return ours >= theirs - slack if self.better == "more" else ours <= theirs + slack


def race(
    ours: Callable[[], Any], theirs: Callable[[], Any], repeats: int = 3
) -> tuple[float, Any, float, Any]:
    """Return the least seconds and the last answer of both ways, taken in turns.

    Seconds are processor time with one thread for linear algebra, all threads of a way summed up: what other work
    on the machine takes does not count, for neither.
    """
    least, answers = [float("inf")] * 2, [None] * 2
    with one_thread():
        for _ in range(repeats):
            for k, work in enumerate((ours, theirs)):
                seconds, answers[k] = _timed(work)
                least[k] = min(least[k], seconds)
    return least[0], answers[0], least[1], answers[1]


def clock(work: Callable[[], Any], repeats: int = 3) -> float:
    """Return the least seconds of a few runs, as `race` counts them."""
    with one_thread():
        return min(_timed(work)[0] for _ in range(repeats))


def _timed(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.process_time()
    answer = work()
    return time.process_time() - start, answer


def machine() -> str:
    """Say what is measured on: processor, cores, load, versions."""
    cpu = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        names = [
            line.split(":", 1)[1].strip()
            for line in info.read_text().splitlines()
            if line.startswith("model name")
        ]
        cpu = names[0] if names else cpu
    load = ", ".join(f"{v:.1f}" for v in os.getloadavg()) if hasattr(os, "getloadavg") else "unknown"
    used = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    return (
        f"{cpu}, {os.cpu_count()} cores, load {load} (1, 5, 15 min); {platform.platform()}\n"
        f"Python {platform.python_version()}, {used}\n"
        "Seconds are processor time, one thread for linear algebra; the least of a few runs taken in turns."
    )


HEADS = ("task", "ours (s)", "theirs (s)", "ratio", "quality ours", "theirs", "judged by", "theirs is")


def table(rows: Iterable[Row]) -> str:
    """Return rows as a table of text; a ratio stands in brackets where our answer is the worse one."""
    return layout([HEADS, *(_cells(row) for row in rows)])


def _cells(row: Row) -> tuple[str, ...]:
    if row.theirs is None or row.ratio is None:
        return (row.task, f"{row.ours:.3g}", "", "", "", "", "", "")
    ratio = f"{row.ratio:.2g}" if row.ratio < 10 else f"{row.ratio:.0f}"
    return (
        row.task, f"{row.ours:.3g}", f"{row.theirs:.3g}", ratio if row.counts else f"({ratio})",
        f"{row.ours_quality:.4g}", f"{row.theirs_quality:.4g}", row.quality, row.stack,
    )  # fmt: skip


def layout(lines: Sequence[Sequence[str]]) -> str:
    """Return cells as columns, numbers to the right."""
    wide = [max(len(line[k]) for line in lines) for k in range(len(lines[0]))]
    right = {1, 2, 3, 4, 5}
    return "\n".join(
        "  ".join(
            c.rjust(w) if k in right else c.ljust(w) for k, (c, w) in enumerate(zip(line, wide))
        ).rstrip()
        for line in lines
    )
