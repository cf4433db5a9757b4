"""Giving memory back to the system after a large piece of work (a pass over all cards' papers)."""

from __future__ import annotations

import contextlib
import ctypes
import sys


def give_back() -> None:
    """The C library keeps what was freed for later; a daemon that then waits for hours does not need it (glibc)."""
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError, AttributeError):  # another C library
            ctypes.CDLL(None).malloc_trim(0)
