"""Processes that work for this one: one thread each, started unharmed by Ctrl-C, which is left to this one."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing import resource_tracker
from types import FrameType

# One thread a worker: workers would only fight over the cores, and sums in another order change the last digit.
_ONE_THREAD = (
    "OPENCV_FOR_THREADS_NUM",
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)


@contextmanager
def starting_processes() -> Iterator[None]:
    """Around every start of a process that calls :func:`leave_ctrl_c_to_parent` first thing."""
    with _single_threaded(), _deaf_to_ctrl_c():
        yield


def leave_ctrl_c_to_parent() -> None:
    """In the new process: a terminal sends Ctrl-C to all of them, and the parent decides what it means."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def ctrl_c_noted() -> Iterator[Callable[[], bool]]:
    """While it is noted, Ctrl-C interrupts nothing by itself; a second one ends the program at once.

    Yields
    ------
    callable
        Says whether Ctrl-C was pressed: asked between two pieces of work, never inside a transaction.
    """
    if threading.current_thread() is not threading.main_thread():
        yield lambda: False
        return
    noted = threading.Event()
    before = signal.getsignal(signal.SIGINT)

    def note(_number: int, _frame: FrameType | None) -> None:
        noted.set()
        signal.signal(signal.SIGINT, signal.default_int_handler)

    signal.signal(signal.SIGINT, note)
    try:
        yield noted.is_set
    finally:
        signal.signal(signal.SIGINT, before if before is not None else signal.SIG_DFL)


@contextmanager
def _single_threaded() -> Iterator[None]:
    """Numerical libraries read these when they are loaded, so a new process must find them set."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """A new process inherits what is blocked: it would die of Ctrl-C, with a traceback, before it can ignore it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    # Python starts this helper with the first process, and unblocks Ctrl-C as it does: so it is started before.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
