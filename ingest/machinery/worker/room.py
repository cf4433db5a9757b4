"""How many heavy jobs this machine has room for: cores that this process may use, memory that is free now."""

from __future__ import annotations

import os

_SPARE = 0.8  # of the memory that is free: the copier's buffers and the system's cache want some


def cores() -> int:
    """Those this process may run on (a container or `taskset` may give it fewer than there are)."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return max(1, os.cpu_count() or 1)


def most_at_once(wanted: int) -> int:
    """``wanted``, or as many as there are cores where that is 0."""
    return wanted or cores()


def at_once(wanted: int, *, copying: bool) -> int:
    """How many to run together as cores go, at least one.  ``wanted`` is the person's limit (0: none).

    While something is being copied a core stays free for it: hashing and reading back are work too, and a card in
    its slot matters more than a picture.
    """
    return max(1, min(most_at_once(wanted), cores() - 1 if copying else cores()))


def fit(job_bytes: int) -> int:
    """How many jobs of this size the memory that is free now holds, at least one: what is asked must be tried."""
    import psutil  # late: answers that start no job do without

    return max(1, int(psutil.virtual_memory().available * _SPARE) // max(1, job_bytes))
