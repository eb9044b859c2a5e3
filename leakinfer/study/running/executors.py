"""Who plays the blocks: this process, processes beside it, or a Dask cluster. The results are the same."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from typing import Any, TypeVar

from leakinfer.errors import InputError

# Matrices are small: more threads than one in each process only wait for each other.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")
CONNECT_SECONDS = 10
T = TypeVar("T")


def cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def processes(count: int) -> Iterator[Executor | None]:
    """``count`` fresh processes, one thread each; none, so that this process plays itself, for one.

    They end with the block, at once if it is left by an error, and by themselves if this process is killed.
    """
    if count <= 1:
        yield None
        return
    others = set(multiprocessing.active_children())
    with _one_thread(), _Pool(count, multiprocessing.get_context("spawn"), _begin) as pool:
        try:
            yield pool
        except BaseException:
            for child in set(multiprocessing.active_children()) - others:
                child.terminate()
            pool.shutdown(cancel_futures=True)  # its thread waits for them; two that wait for one can miss its end
            raise


class _Pool(ProcessPoolExecutor):
    """Processes that no interrupt reaches: the one that began them ends them.

    Its own futures stay with it: one that somebody cancels while a process ends would break its thread (Python 3.11).
    """

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        told = Future[T]()
        with _interrupt_waits():  # a process may begin here, and takes after this one
            own = super().submit(fn, *args, **kwargs)
        own.add_done_callback(partial(_tell, told))
        return told


def _tell(told: Future[T], own: Future[T]) -> None:
    """What became of one future to another."""
    if own.cancelled():
        told.cancel()
    if not told.set_running_or_notify_cancel():
        return
    error = own.exception()
    if error is None:
        told.set_result(own.result())
    else:
        told.set_exception(error)


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """The workers of the Dask scheduler at ``address``.

    Raises:
        InputError: nobody answers there, or the cluster gave up inside the block.
    """
    from distributed import Client, KilledWorker

    where = f"--scheduler {address}"
    try:
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError("no scheduler answers", where=where, allowed="as tcp://HOST:8786") from error
    with client:
        try:
            yield client.get_executor(pure=False)
        except (KilledWorker, CancelledError) as error:
            allowed = "the same command again, which goes on where it was"
            raise InputError("the workers or the scheduler ended", where=where, allowed=allowed) from error


@contextmanager
def _one_thread() -> Iterator[None]:
    """Processes that begin inside the block use one thread for matrices, unless a person said otherwise."""
    added = [name for name in ONE_THREAD if name not in os.environ]
    os.environ.update(dict.fromkeys(added, "1"))
    try:
        yield
    finally:
        for name in added:
            os.environ.pop(name, None)


@contextmanager
def _interrupt_waits() -> Iterator[None]:
    """An interrupt inside the block comes to this process after it, and never to those begun there."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin() -> None:
    """In a new process: it ends when the process that began it ends, or says so, not by an interrupt."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
