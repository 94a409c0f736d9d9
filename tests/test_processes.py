"""Jobs over several processes: the same results, in the same order, and what fails is raised."""

import operator
import os

import pytest

from farmgis.scale.processes import LEAST_JOBS, in_processes

# what is called has to be found by a fresh process: functions of the standard library


@pytest.mark.parametrize("processes", [1, 2])
def test_results_come_in_the_order_of_the_jobs(processes):
    jobs = [(n, 2) for n in range(3 * LEAST_JOBS)]
    assert list(in_processes(operator.truediv, jobs, processes)) == [n / 2 for n, _ in jobs]


@pytest.mark.parametrize("processes", [1, 2])
def test_what_a_job_raises_is_raised(processes):
    with pytest.raises(ZeroDivisionError):
        list(in_processes(operator.truediv, [(2, 1), (4, 1), (7, 0), (8, 1), (9, 1)], processes))


def test_each_process_has_one_thread_and_this_one_keeps_its_own(monkeypatch):
    monkeypatch.delenv("NUMBA_NUM_THREADS", raising=False)
    assert set(in_processes(os.getenv, [("NUMBA_NUM_THREADS",)] * LEAST_JOBS, 2)) == {"1"}
    assert "NUMBA_NUM_THREADS" not in os.environ


def test_several_processes_do_the_work_and_few_jobs_stay_in_this_one():
    assert os.getpid() not in set(in_processes(os.getpid, [()] * LEAST_JOBS, 2))
    assert list(in_processes(os.getpid, [()], 2)) == [os.getpid()]
