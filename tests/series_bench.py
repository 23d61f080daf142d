"""A made-up series for the tests of the folder, and processes that die on purpose."""

from __future__ import annotations

import os
import signal
import traceback
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from formlab.series import Series, create_series

BRIEF = """
title = "a made-up block"
[[ingredient]]
name = "rubber"
role = "rubber"
[[ingredient]]
name = "oil"
role = "oil"
low = 5.0
high = 20.0
[[setting]]
name = "cure_min"
unit = "min"
low = 10.0
high = 20.0
[[response]]
name = "erasure"
unit = "%"
possible = [0, 100]
readings = 2
[[response]]
name = "crumble"
unit = "mg"
possible = [0, 1000]
"""


def plan_of(series: Series, trials: int = 3) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "trial": [f"T{k + 1:02d}" for k in range(trials)],
            "batch": [f"B{k // 2 + 1:02d}" for k in range(trials)],
            "run_order": range(1, trials + 1),
            "round": 1,
            "brief_id": series.brief.brief_id,
            "rubber": 100.0,
            "oil": [5 + (k // 2) / 3 for k in range(trials)],
            "cure_min": [10.0 + (7 * k) % 11 for k in range(trials)],
        }
    )


def made(path: Path, trials: int = 3) -> Series:
    series = create_series(path, BRIEF)
    series.save_plan(plan_of(series, trials))
    return series


def bench_file(folder: Path, text: str | bytes, name: str = "bench.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def in_child(job: Callable[[], None]) -> int:
    """Run a job in a forked process; return its exit code, negative for the signal that killed it."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            job()
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def kill_self() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


CALLS = ("open", "write", "fsync", "replace", "truncate", "unlink")


class Fault:
    """Lets the system calls that change a disk run until the `at`-th, and then does something else.

    `then` gets the name of the call and its arguments; what it returns or raises is the outcome of the call.
    """

    def __init__(self, at: int, then: Callable[..., object]) -> None:
        self.count, self.at, self.then = 0, at, then
        self.real = {name: getattr(os, name) for name in CALLS}

    def __enter__(self) -> Fault:
        for name in CALLS:
            setattr(os, name, self._wrapped(name))
        return self

    def __exit__(self, *_: object) -> None:
        for name, call in self.real.items():
            setattr(os, name, call)

    def _wrapped(self, name: str) -> Callable[..., object]:
        def call(*args: object, **kwargs: object) -> object:
            if name == "open" and not int(args[1]) & (os.O_CREAT | os.O_WRONLY):  # type: ignore[call-overload]
                return self.real[name](*args, **kwargs)
            self.count += 1
            if self.count == self.at:
                return self.then(name, *args, **kwargs)
            return self.real[name](*args, **kwargs)

        return call
