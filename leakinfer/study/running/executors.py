"""Who plays the blocks: this process, processes beside it, or a Dask cluster. The results are the same."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import CancelledError, Executor, ProcessPoolExecutor
from contextlib import contextmanager

from leakinfer.errors import InputError

# Matrices are small: more threads than one in each process only wait for each other.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")
CONNECT_SECONDS = 10


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
    with _one_thread(), ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), _begin) as pool:
        try:
            with _interrupt_waits():
                pool.submit(os.getpid)  # begins all of them
            yield pool
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            for child in set(multiprocessing.active_children()) - others:
                child.terminate()
                child.join()
            raise


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
    """An interrupt inside the block comes to this process after it, and to those begun there once they let it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def _begin() -> None:
    """In a new process: an interrupt ends it without words, and so does the end of the process that began it."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
