"""Independent jobs over several processes, in order, with the compiled code of one process each."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any, TypeVar

Result = TypeVar("Result")

LEAST_JOBS = 4
"""With fewer jobs than this a second process would still be starting when the first has done them."""

THREADS = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")


def in_processes(
    work: Callable[..., Result], jobs: Sequence[tuple[Any, ...]], processes: int = 1
) -> Iterator[Result]:
    """Yield `work(*job)` of each job in their order; what it raises is raised here.

    `work` and jobs have to be picklable where several processes are asked for. Each has one thread, so that
    together they use as many cores as there are processes.
    """
    if processes < 2 or len(jobs) < LEAST_JOBS:
        for job in jobs:
            yield work(*job)
        return
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        fresh = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(min(processes, len(jobs)), mp_context=fresh) as pool:
            running = [pool.submit(work, *job) for job in jobs]
            try:
                for one in running:
                    yield one.result()
            finally:
                pool.shutdown(cancel_futures=True)
    finally:
        for name, value in before.items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value
