"""Processes of a test's own, to be killed."""

from __future__ import annotations

import os
from collections.abc import Callable


def forked(work: Callable[[], None]) -> int:
    """A process that begins with everything loaded: a thousand starts would else be mostly imports."""
    child = os.fork()
    if child == 0:
        status = 70
        try:
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            work()
            status = 0
        finally:
            os._exit(status)
    return child
