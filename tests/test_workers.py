"""Tasks on several workers: order, seeds, one thread for linear algebra, loops inside tasks stay where they are."""

import os
import platform
import threading

import numpy as np
import pytest
import scipy.linalg  # noqa: F401
from joblib import parallel_config
from threadpoolctl import threadpool_info

from formlab import progress
from formlab.workers import one_thread, over_workers


def blas_threads():
    return [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]


def who_works(number):
    inner = list(over_workers(os_of, [(k,) for k in range(3)], n_jobs=2))
    return number, os.getpid(), inner, blas_threads()


def os_of(_):
    return os.getpid(), threading.get_ident()


@pytest.mark.parametrize("n_jobs", [None, 1, 2])
def test_answers_come_in_order_and_tasks_keep_to_themselves(n_jobs):
    found = list(over_workers(who_works, [(k,) for k in range(4)], n_jobs))
    assert [number for number, *_ in found] == [0, 1, 2, 3]
    for _, process, inner, threads in found:
        assert {p for p, _ in inner} == {process} and len(set(inner)) == 1
        assert threads and set(threads) == {1}
    assert (os.getpid() in {process for _, process, *_ in found}) == (n_jobs != 2)


def test_without_a_number_joblib_decides():
    with parallel_config("loky", n_jobs=2):
        assert os.getpid() not in {p for p, _ in over_workers(os_of, [(k,) for k in range(2)])}
        assert {p for p, _ in over_workers(os_of, [(k,) for k in range(2)], n_jobs=1)} == {os.getpid()}


def test_a_limit_is_taken_back_after_an_error():
    before = blas_threads()
    with pytest.raises(ZeroDivisionError), one_thread():
        assert set(blas_threads()) == {1}
        _ = 1 / 0
    assert blas_threads() == before


def draw(seed):
    return np.random.default_rng(seed).standard_normal(3)


def test_seeds_of_tasks_give_the_same_draws_for_any_number_of_workers():
    def drawn(n_jobs):
        jobs = [(child,) for child in np.random.SeedSequence(5).spawn(4)]
        return np.array(list(over_workers(draw, jobs, n_jobs)))

    np.testing.assert_array_equal(drawn(1), drawn(2))


def test_progress_is_shown_only_when_asked_for(capsys):
    list(over_workers(draw, [(1,), (2,)], progress=True, what="drawing"))
    assert "drawing" in capsys.readouterr().err
    list(over_workers(draw, [(1,), (2,)], what="drawing"))
    assert capsys.readouterr().err == ""


def test_a_wait_for_other_processes_is_shown_before_the_first_is_done(capsys, monkeypatch):
    monkeypatch.setattr(progress, "watched", lambda: True)
    monkeypatch.setattr(progress, "AFTER", 1e9)
    answers = over_workers(draw, [(1,), (2,)], n_jobs=2, what="drawing")
    next(answers)
    assert "drawing   0 %" in capsys.readouterr().err
    assert len(list(answers)) == 1
    assert len(list(over_workers(draw, [(1,), (2,)], n_jobs=1, what="drawing"))) == 2
    assert capsys.readouterr().err.strip() == ""


def pages_asked_for(_):
    """How often the system had to give a page while arrays of 2.4 megabytes came and went."""
    import resource

    np.empty(300_000).fill(0.0)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(50):
        np.empty(300_000).fill(0.0)
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="what other allocators keep is theirs to say")
@pytest.mark.parametrize("threshold", [None, "131072"])
def test_workers_keep_the_memory_of_arrays_they_free(threshold, monkeypatch):
    """300,000 numbers are 586 pages: handed back each time, 29,300 are asked for, as where a threshold is set for all."""
    from joblib.externals.loky import get_reusable_executor

    if threshold is not None:
        monkeypatch.setenv("MALLOC_MMAP_THRESHOLD_", threshold)
    get_reusable_executor().shutdown(wait=True)  # so that workers start in this environment
    try:
        assert max(over_workers(pages_asked_for, [(k,) for k in range(2)], n_jobs=2)) < 2000
    finally:
        get_reusable_executor().shutdown(wait=True)
