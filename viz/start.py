"""Where the program starts: an interrupt while the libraries are still being loaded ends it as calmly as a later one.

The imports of the command line take a third of a second, in which nothing of ``cli`` can catch anything yet; and some
libraries turn an interrupt of their own imports into another error.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
from contextlib import suppress
from types import FrameType

INTERRUPTED = 130
# What is loaded stays: looking for rubbish among it as often as Python does by itself is a tenth of a window's start.
NEW_BEFORE_CLEARING = 100_000


def main() -> None:
    """The program ``quillwise``."""
    interrupted = False

    def noted(number: int, frame: FrameType | None) -> None:
        nonlocal interrupted
        interrupted = True
        signal.default_int_handler(number, frame)

    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # where it is ignored, it stays so
        signal.signal(signal.SIGINT, noted)
    gc.set_threshold(NEW_BEFORE_CLEARING)
    # Typer's checks of values would else look through all that is installed for plugins: none is wanted here, and the
    # looking takes a thirtieth of a short command.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        try:
            _work()
        finally:
            # the work is over: an interrupt of Python's own taking down would print a traceback of its threads
            signal.signal(signal.SIGINT, signal.SIG_IGN)
            # and its searches for rubbish in all that is about to go take a sixth of a short command
            gc.freeze()
    except BaseException as error:
        if not interrupted:
            raise
        if not (isinstance(error, SystemExit) and error.code == INTERRUPTED):
            sys.stderr.write("Interrupted.\n")
        graphics = sys.modules.get("quillwise.viz.graphics")
        if graphics is not None:
            graphics.give_up()
        # all files are put away by now; a graphics library that was interrupted may crash while Python takes it down
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):
                stream.flush()
        os._exit(INTERRUPTED)


def _work() -> None:
    from quillwise.viz import cli

    cli.main()


# Python keeps the frames of its calls in chunks of 16 kB, and gives a chunk back as soon as the last frame leaves it.
# Where a loop's calls happen to stand at such a border, each costs two calls of the system: up to a fifth of a short
# command, by chance. A frame that no chunk holds gets a large one, and all calls below it have their room there.
_work.__code__ = _work.__code__.replace(co_stacksize=40_000)


if __name__ == "__main__":
    main()
