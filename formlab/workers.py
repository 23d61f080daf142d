"""Many tasks on several workers: processes of this machine, or wherever joblib's own configuration sends them.

A task is worked out with one thread for linear algebra and with its own loops in a row, whoever works it out: so
answers are the same to the bit for any number of workers, and workers do not get into each other's way.
"""

from __future__ import annotations

import ctypes
import platform
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from threading import current_thread, main_thread
from typing import Any

from formlab.progress import quiet, showing

__all__ = ["one_thread", "over_workers"]

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of malloc.h


def over_workers(
    function: Callable[..., Any],
    jobs: Sequence[Iterable[Any]],
    n_jobs: int | None = None,
    progress: bool | None = None,
    what: str = "",
) -> Iterator[Any]:
    """Yield ``function(*job)`` of every job, in their order, as they become known.

    Parameters
    ----------
    function : callable
        Its answer hangs on its arguments alone: a task that draws gets its own seed.
    jobs : sequence of arguments
    n_jobs : int, optional
        Workers, as joblib counts them; where left out, what ``joblib.parallel_config`` says, else one.
    progress : bool, optional
        As in `formlab.progress.showing`, with `what` before the bar.

    Examples
    --------
    >>> list(over_workers(pow, [(2, 3), (3, 2)]))
    [8, 9]
    """
    from joblib import Parallel, delayed, effective_n_jobs

    elsewhere = effective_n_jobs(n_jobs) > 1  # where nothing can be seen until a first task is done
    with _interrupts_stay_here():
        results = Parallel(n_jobs=n_jobs, return_as="generator")(
            delayed(_alone)(function, *job) for job in jobs
        )
    with showing(what, len(jobs), progress) as work:
        work.at(0, at_once=elsewhere)
        for k, result in enumerate(results, 1):
            work.at(k)
            yield result


@contextmanager
def _interrupts_stay_here() -> Iterator[None]:
    """Let processes started inside the block ignore Ctrl-C, which a terminal sends to all: only we stop, and stop them."""
    if current_thread() is not main_thread() or signal.getsignal(signal.SIGINT) is None:
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _alone(function: Callable[..., Any], *job: Any) -> Any:
    from joblib import parallel_config

    _keep_memory()
    with one_thread(), quiet(), parallel_config("sequential"):
        return function(*job)


@cache
def _keep_memory() -> None:
    """Let this process keep the memory of arrays that it frees: a worker else spends as long on getting it as on work.

    glibc hands back to the system, and asks for anew, blocks above a size, and what is free at the end above another.
    """
    if platform.libc_ver()[0] != "glibc":
        return
    mallopt = ctypes.CDLL(None).mallopt
    for option, size in ((_MMAP_THRESHOLD, 32 << 20), (_TRIM_THRESHOLD, 64 << 20)):
        mallopt(option, size)


@cache
def _controller() -> Any:
    import scipy.linalg  # noqa: F401  # brings a BLAS of its own, which must be there to be limited
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep linear algebra to one thread inside the block: for small matrices, or beside threads of our own."""
    with _controller().limit(limits=1, user_api="blas"):
        yield
