"""Ctrl-C in the terminal while a window has the program's attention."""

from __future__ import annotations

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
