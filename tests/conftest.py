"""For all tests: random engines are the same ones in every CI run, so that a change is not refused by chance. On a
developer's machine the search goes on, and what it finds is mended there."""

from __future__ import annotations

import os
import signal

from hypothesis import settings

settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("ci")

# what runs in the background is made to ignore interrupts, and would hand that on to the programs that tests interrupt
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
