"""Giving memory back to the system after a large piece of work (a pass over all cards' papers)."""

from __future__ import annotations

import contextlib
import ctypes
import sys

_ARENA_MAX = -8  # M_ARENA_MAX of glibc's malloc.h


def keep_together() -> None:
    """Two heaps for all threads of this process, not eight a core: what a thread freed is of use to the others, and a
    daemon with a dozen mostly idle threads stays smaller.  To be called before they start (glibc)."""
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError, AttributeError):  # another C library
            ctypes.CDLL(None).mallopt(_ARENA_MAX, 2)


def give_back() -> None:
    """The C library keeps what was freed for later; a daemon that then waits for hours does not need it (glibc)."""
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError, AttributeError):  # another C library
            ctypes.CDLL(None).malloc_trim(0)
