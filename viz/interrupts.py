"""Ctrl-C in the terminal while a window has the program's attention, or while a library may not be disturbed."""

from __future__ import annotations

import importlib
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def on_interrupt(does: Callable[[], None]) -> Iterator[None]:
    """Ctrl-C calls ``does`` while this lasts, and what it did before afterwards. Only in the main thread.

    Raised within a callback of VTK, KeyboardInterrupt would end the process there and then.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, lambda _number, _frame: does())
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def held() -> Iterator[None]:
    """Ctrl-C waits until this is over. Only in the main thread.

    A compiled library that is interrupted while it is loaded is left half made: whatever uses it next may crash.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    waiting: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _frame: waiting.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if waiting:
            signal.raise_signal(signal.SIGINT)


def load_bodies() -> None:
    """Loads the library of bodies; call before anything that draws or cuts them is imported.

    It takes whatever comes up while it loads for a helper that is not installed: an interrupt would be lost.
    """
    with held():
        importlib.import_module("trimesh")
