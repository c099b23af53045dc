"""The same numbers whoever works: this process, several, a Dask cluster."""

import dataclasses
import os

import pytest

from onsetstudy.cluster.mapper import DaskMapper, ProcessMapper, cluster_mapper
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.design.trials import trial_power
from onsetstudy.design.trials.trial_power import simulate_power
from tests.design.trials.test_trials import BASE

SCENARIO = dataclasses.replace(BASE, cases=1000)
TRIALS = 250  # three chunks


def square(x):
    return x * x


def test_one_process_is_plain_work():
    assert ProcessMapper(1).map(square, range(4)) == [0, 1, 4, 9]
    assert ProcessMapper(4).map(square, [3]) == [9]
    assert ProcessMapper().workers >= 1


def test_each_process_works_with_one_thread(monkeypatch):
    monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    assert ProcessMapper(2).map(os.getenv, ["OPENBLAS_NUM_THREADS"] * 2) == ["1", "1"]


@pytest.mark.slow
def test_several_processes_give_the_same_numbers():
    assert trial_power.CHUNK_CASES // SCENARIO.cases < TRIALS
    alone = simulate_power(SCENARIO, trials=TRIALS, seed=2)
    assert simulate_power(SCENARIO, trials=TRIALS, seed=2, mapper=ProcessMapper(2)) == alone


def test_a_dask_cluster_gives_the_same_numbers():
    import distributed  # not above: it takes a second that only this test needs

    alone = simulate_power(SCENARIO, trials=TRIALS, seed=2)
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None, silence_logs=50
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        assert simulate_power(SCENARIO, trials=TRIALS, seed=2, mapper=DaskMapper(client)) == alone


def test_nobody_at_the_address():
    with pytest.raises(OnsetStudyError, match="No Dask scheduler answers"):
        cluster_mapper("tcp://127.0.0.1:1", wait_s=1.0)


@pytest.mark.parametrize("address", ["10.0.0.5", "tcp://10.0.0.5:port", "somewhere://10.0.0.5:8786"])
def test_what_is_no_address_is_said_like_one_where_nobody_is(address):
    with pytest.raises(OnsetStudyError, match="No Dask scheduler answers at"):
        cluster_mapper(address, wait_s=0.1)
