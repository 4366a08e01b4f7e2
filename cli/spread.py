"""Tasks spread over processes of this machine or over a cluster; whoever dies, every take is done once."""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from typing import Any, Protocol

from spillgate.cli.many import Outcome, Task, one_take
from spillgate.dsp.errors import DspError

__all__ = ["local", "on_cluster"]

TRIES = 2
"""A take whose process dies is done once more, alone, before it counts as failed."""

JOIN_S = 30.0
"""So long a cluster has to show its first worker."""


class Submit(Protocol):
    """Runs tasks somewhere and yields their outcomes as they come."""

    def __call__(self, tasks: Sequence[Task]) -> Iterator[Outcome]:
        """Yield one outcome per task, in any order."""


def local(processes: int) -> Submit:
    """Run tasks in processes on this machine.

    A process that dies takes down the takes that were in work; each of them is done again alone, so that the one that
    kills its process is found and the others are done.
    """

    def submit(tasks: Sequence[Task]) -> Iterator[Outcome]:
        left = list(tasks)
        alone = False
        tries: dict[str, int] = {}
        while left:
            again: list[Task] = []
            width = 1 if alone else processes
            batch = left[:1] if alone else left
            left = left[1:] if alone else []
            with ProcessPoolExecutor(width, mp_context=_spawn(), initializer=_end_with_parent) as pool:
                futures: dict[Future[Outcome], Task] = {pool.submit(one_take, t): t for t in batch}
                for future in as_completed(futures):
                    task = futures[future]
                    try:
                        yield future.result()
                    except BrokenProcessPool:
                        tries[task.name] = tries.get(task.name, 0) + (1 if alone else 0)
                        if tries[task.name] >= TRIES:
                            text = "its process was killed (out of memory?)"
                            yield Outcome(task.name, "failed", verdict=text, output=task.place)
                        else:
                            again.append(task)
            left = again + left
            alone = bool(left)

    return submit


def _end_with_parent() -> None:
    """End this process when the one that started it is gone: killed, it leaves nobody behind who waits for work."""
    import multiprocessing
    import os
    import threading

    parent = multiprocessing.parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)  # what is being put in place is completed by the next one

    threading.Thread(target=watch, daemon=True).start()


def _spawn() -> Any:
    import multiprocessing

    return multiprocessing.get_context("spawn")  # no threads or open files of ours come along


def on_cluster(address: str) -> Submit:
    """Run tasks on a dask cluster whose workers see the same folders.

    Parameters
    ----------
    address : str
        Of the scheduler, ``tcp://host:port``.

    Raises
    ------
    DspError
        If the extra ``cluster`` is not installed or nothing answers there.
    """

    def submit(tasks: Sequence[Task]) -> Iterator[Outcome]:
        try:
            from dask.distributed import Client
            from dask.distributed import as_completed as completed
        except ImportError as error:
            raise DspError("--cluster: needs the extra: pip install 'spillgate[cluster]'") from error
        try:
            client = Client(address, timeout="10s")
        except (OSError, TimeoutError, ValueError) as error:
            raise DspError(f"--cluster {address}: no scheduler answers there; start one, see the README") from error
        with client:
            try:
                client.wait_for_workers(1, timeout=JOIN_S)
            except TimeoutError as error:
                raise DspError(f"--cluster {address}: has no worker; start one, see the README") from error
            run = uuid.uuid4().hex  # two batches on one cluster never take one another's results
            # a lost worker's takes go to another one; the same take twice gives the same bytes
            futures = {client.submit(one_take, t, key=f"{t.name}-{run}", retries=TRIES): t for t in tasks}
            for future in completed(list(futures)):
                task = futures[future]
                if future.status == "finished":
                    yield future.result()
                else:
                    text = f"lost on the cluster: {future.exception()}"
                    yield Outcome(task.name, "failed", verdict=text, output=task.place)
                future.release()

    return submit
