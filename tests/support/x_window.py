"""Asks a window on an X display to close, as its frame's button does: a WM_DELETE_WINDOW message (ICCCM 4.2.8.1)."""

from __future__ import annotations

import ctypes
import ctypes.util

_CLIENT_MESSAGE = 33


class _ClientMessage(ctypes.Structure):
    _fields_ = (
        ("type", ctypes.c_int),
        ("serial", ctypes.c_ulong),
        ("send_event", ctypes.c_int),
        ("display", ctypes.c_void_p),
        ("window", ctypes.c_ulong),
        ("message_type", ctypes.c_ulong),
        ("format", ctypes.c_int),
        ("data", ctypes.c_long * 5),
        ("room", ctypes.c_long * 24),  # an XEvent is 24 longs: the library copies all of it
    )


def ask_to_close(display: str, window: int) -> None:
    """Sends the message. Raises OSError when the display cannot be opened."""
    x = ctypes.CDLL(ctypes.util.find_library("X11") or "libX11.so.6")
    x.XOpenDisplay.restype = ctypes.c_void_p
    x.XInternAtom.restype = ctypes.c_ulong
    x.XInternAtom.argtypes = (ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int)
    x.XSendEvent.argtypes = (ctypes.c_void_p, ctypes.c_ulong, ctypes.c_int, ctypes.c_long, ctypes.c_void_p)
    x.XCloseDisplay.argtypes = (ctypes.c_void_p,)
    connection = x.XOpenDisplay(display.encode())
    if not connection:
        raise OSError(f"the display {display} cannot be opened")
    message = _ClientMessage(type=_CLIENT_MESSAGE, window=window, format=32)
    message.message_type = x.XInternAtom(connection, b"WM_PROTOCOLS", 0)
    message.data[0] = x.XInternAtom(connection, b"WM_DELETE_WINDOW", 0)
    x.XSendEvent(connection, window, 0, 0, ctypes.byref(message))
    x.XCloseDisplay(connection)
