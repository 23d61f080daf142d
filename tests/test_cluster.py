"""The extra `cluster`: the same answers, to the bit, from the processes of a Dask cluster as from this one."""

import os

import numpy as np
import pandas as pd
import pytest
from joblib import parallel_config

import formlab as fl
from formlab.workers import over_workers

distributed = pytest.importorskip("dask.distributed", reason="comes with the extra `cluster`")

BRIEF = fl.Brief(
    ingredient=[
        {"name": "rubber", "role": "rubber", "density": 0.94, "price": 2.0},
        {"name": "oil", "role": "oil", "low": 5, "high": 25, "density": 0.91, "price": 1.3},
        {"name": "chalk", "role": "filler", "low": 20, "high": 120, "density": 2.7, "price": 0.3},
    ],
    setting=[{"name": "cure_min", "unit": "min", "low": 8, "high": 20, "changes": "slab"}],
    limit=[{"expression": "chalk + oil <= 130"}],
    response=[{"name": "hardness", "at_least": 50, "sd_batch": 1, "sd_slab": 1, "sd_reading": 1}],
    model="linear",
    setting_model="linear",
    crossed="none",
)
EFFECTS = {"hardness": {"centre": 52.0, "chalk": 6.0, "oil": -3.0}}


@pytest.fixture(scope="module")
def cluster():
    """Two worker processes on loopback, and a client of theirs."""
    with (
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            scheduler_kwargs={"dashboard": False},
        ) as made,
        distributed.Client(made) as client,
    ):
        yield client


def plan():
    return fl.lay_out(BRIEF, runs=12, batches=6, starts=6, seed=4).frame


def rehearsal():
    return fl.rehearse(BRIEF, EFFECTS, batches=(6,), runs=2, kind="least squares", seed=5, progress=False)


def surfaces():
    """Means and intervals of two responses, a task each."""
    two = BRIEF.model_copy(
        update={"responses": [BRIEF.responses[0], {"name": "smear", "bounds": [0, np.inf]}]}
    )
    trials, rng = plan(), np.random.default_rng(6)
    trials["hardness"] = 40 + 0.15 * trials["chalk"] - 0.2 * trials["oil"] + rng.normal(0, 1, len(trials))
    trials["smear"] = np.exp(0.05 * trials["oil"] + rng.normal(0, 0.2, len(trials)))
    found = fl.fit(two, trials, kind="averaged", seed=7)
    return pd.concat({name: surface.predict_table(trials) for name, surface in found.items()})


def process_of(_):
    return os.getpid()


def steps(dask_scheduler):
    """How many steps tasks have taken so far on their way through the cluster."""
    return dask_scheduler.transition_counter


def test_two_other_processes_do_the_work(cluster):
    with parallel_config("dask", client=cluster):
        found = set(over_workers(process_of, [(k,) for k in range(8)]))
    workers = set(cluster.run(os.getpid).values())
    assert len(workers) == 2 and os.getpid() not in workers
    assert found and found <= workers


@pytest.mark.parametrize("work", [plan, rehearsal, surfaces])
def test_a_cluster_gives_the_answer_of_one_process_to_the_bit(cluster, work):
    alone = work()
    before = cluster.run_on_scheduler(steps)
    with parallel_config("dask", client=cluster):
        spread = work()
    assert cluster.run_on_scheduler(steps) > before + 4  # it was the cluster that worked
    pd.testing.assert_frame_equal(spread, alone, check_exact=True)
    numbers = alone.select_dtypes("number")
    assert spread[numbers.columns].to_numpy().tobytes() == numbers.to_numpy().tobytes()
    assert np.isfinite(numbers.to_numpy(float)).any()
