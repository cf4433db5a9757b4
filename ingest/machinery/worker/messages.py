"""Messages between the daemon and a worker process: bounded JSON, with open files beside it.

One message is eight bytes (length of the text, number of files; big-endian) and then UTF-8 JSON, one
object.  On POSIX the files travel with the first byte as descriptors (SCM_RIGHTS); on Windows as
handles already duplicated into the other process, listed under ``handles``.

Neither side trusts the other: a length over the limit, text that is no JSON object, or too many files
end the conversation.
"""

from __future__ import annotations

import array
import contextlib
import errno
import json
import os
import socket
import struct
import sys
import time
from collections.abc import Callable, Sequence
from typing import Any

LONGEST_BYTES = 16 << 20
MOST_FILES = 128  # Linux allows 253 in one message (SCM_MAX_FD)
# What a failing or vanished disk answers: such an error says nothing about the file.
DISK_FAILS = frozenset({errno.EIO, errno.ENXIO, errno.ENODEV, errno.ESTALE})
_HEAD = struct.Struct("!II")
_PATIENCE_S = 0.1  # how often a waiting side looks up


class Garbled(Exception):
    """What arrived is no message."""


class Ended(Exception):
    """The other side is gone."""


class Late(Exception):
    """The deadline passed before a whole message had arrived."""


class Stopped(Exception):
    """The waiting side was asked to stop."""


class Channel:
    """One end of the conversation.  Not thread-safe: one thread at a time."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock

    def close(self) -> None:
        self._sock.close()

    def send(
        self,
        message: dict[str, Any],
        files: Sequence[int] = (),
        *,
        deadline: float | None = None,
        hand_over: Callable[[int], int] | None = None,
    ) -> None:
        """Send one message and copies of ``files`` (descriptors, which stay open here).

        ``deadline`` is on the monotonic clock.  ``hand_over`` turns a descriptor into a handle of the
        other process, where descriptors cannot travel.  Raises ValueError for what is no JSON, Garbled
        for too much of it, Ended, Late.
        """
        if len(files) > MOST_FILES:
            raise Garbled(f"{len(files)} files in one message, {MOST_FILES} allowed")
        if hand_over is not None:
            message = {**message, "handles": [hand_over(fd) for fd in files]}
        body = json.dumps(message, allow_nan=False, separators=(",", ":")).encode()
        if len(body) > LONGEST_BYTES:
            raise Garbled(f"a message of {len(body)} bytes, {LONGEST_BYTES} allowed")
        head = _HEAD.pack(len(body), len(files))
        self._sock.settimeout(None if deadline is None else max(0.01, deadline - time.monotonic()))
        try:
            if files and hand_over is None:
                rights = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", files))]
                sent = self._sock.sendmsg([head], rights)
                head = head[sent:]
            self._sock.sendall(head + body)
        except TimeoutError as error:
            raise Late from error
        except OSError as error:
            raise Ended from error

    def receive(
        self, *, deadline: float | None = None, stop: Callable[[], bool] | None = None
    ) -> tuple[dict[str, Any], list[int]]:
        """The next message and the descriptors that came with it (the caller closes them).

        Raises Ended, Garbled, Late (``deadline``, monotonic clock) or Stopped (``stop`` said so).
        """
        fds: list[int] = []
        try:
            head = self._read(_HEAD.size, fds, deadline, stop)
            length, count = _HEAD.unpack(head)
            if length > LONGEST_BYTES or count > MOST_FILES:
                raise Garbled(f"a message of {length} bytes with {count} files")
            try:
                message = json.loads(self._read(length, fds, deadline, stop), parse_constant=_no_number)
            except (ValueError, RecursionError) as error:
                raise Garbled("no JSON") from error
            if not isinstance(message, dict):
                raise Garbled("no JSON object")
            fds += _opened(message.pop("handles", ()))
            if len(fds) != count:
                raise Garbled(f"{len(fds)} files came, {count} were announced")
        except BaseException:
            for fd in fds:
                with contextlib.suppress(OSError):  # already the failing path; nothing to save
                    os.close(fd)
            raise
        return message, fds

    def _read(
        self, size: int, fds: list[int], deadline: float | None, stop: Callable[[], bool] | None
    ) -> bytes:
        got = bytearray()
        while len(got) < size:
            wait = None if stop is None else _PATIENCE_S
            if deadline is not None:
                left = deadline - time.monotonic()
                if left <= 0:
                    raise Late
                wait = left if wait is None else min(wait, left)
            self._sock.settimeout(wait)
            try:
                piece = self._piece(min(size - len(got), 1 << 20), fds)
            except TimeoutError:
                if stop is not None and stop():
                    raise Stopped from None
                continue
            except OSError as error:
                raise Ended from error
            if not piece:
                raise Ended
            got += piece
        return bytes(got)

    def _piece(self, size: int, fds: list[int]) -> bytes:
        if sys.platform == "win32":
            return self._sock.recv(size)
        data, rest, _flags, _ = self._sock.recvmsg(size, socket.CMSG_SPACE(MOST_FILES * 4))
        for level, kind, words in rest:
            if level == socket.SOL_SOCKET and kind == socket.SCM_RIGHTS:
                came = array.array("i")
                came.frombytes(words[: len(words) - len(words) % came.itemsize])
                fds.extend(came)
        return data


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no number of JSON")


def _opened(handles: object) -> list[int]:
    """Windows: descriptors for handles the other side duplicated into this process (not run here)."""
    if sys.platform == "win32":
        import msvcrt

        if isinstance(handles, list):
            return [msvcrt.open_osfhandle(int(h), os.O_BINARY) for h in handles]
    return []
