"""Jobs over several processes: the same results, in the same order, and what fails is raised."""

import os

import pytest

from farmgis.scale.processes import LEAST_JOBS, in_processes


def halve(number):
    return number / 2


def whole(number):
    if number % 2:
        raise ValueError(f"{number} is odd")
    return number // 2


def threads(_):
    return os.getpid(), os.environ["NUMBA_NUM_THREADS"]


@pytest.mark.parametrize("processes", [1, 2])
def test_results_come_in_the_order_of_the_jobs(processes):
    jobs = [(n,) for n in range(3 * LEAST_JOBS)]
    assert list(in_processes(halve, jobs, processes)) == [n / 2 for (n,) in jobs]


@pytest.mark.parametrize("processes", [1, 2])
def test_what_a_job_raises_is_raised(processes):
    with pytest.raises(ValueError, match="7 is odd"):
        list(in_processes(whole, [(2,), (4,), (7,), (8,), (9,)], processes))


def test_each_process_has_one_thread_and_this_one_keeps_its_own(monkeypatch):
    monkeypatch.delenv("NUMBA_NUM_THREADS", raising=False)
    told = list(in_processes(threads, [(n,) for n in range(LEAST_JOBS)], 2))
    assert {t for _, t in told} == {"1"}
    assert os.getpid() not in {pid for pid, _ in told}
    assert "NUMBA_NUM_THREADS" not in os.environ


def test_few_jobs_stay_in_this_process(monkeypatch):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")
    told = list(in_processes(threads, [(0,)], 2))
    assert told == [(os.getpid(), "2")]
