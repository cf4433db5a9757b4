"""The conversation itself: whatever arrives, whole messages or a named end, and no descriptor is lost."""

from __future__ import annotations

import array
import contextlib
import os
import socket
import struct
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.machinery.worker import messages
from ingest.machinery.worker.messages import Channel, Ended, Garbled, Late, Stopped

FLOATS = st.floats(allow_nan=False, allow_infinity=False)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | FLOATS | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=12,
)


def pair() -> tuple[Channel, Channel, socket.socket]:
    ours, theirs = socket.socketpair()
    return Channel(ours), Channel(theirs), theirs


@given(st.lists(st.dictionaries(st.text(max_size=8).filter(lambda k: k != "handles"), VALUES, max_size=4), max_size=4))
def test_what_is_sent_arrives(sent: list[dict[str, Any]]) -> None:
    one, two, _ = pair()
    for message in sent:
        one.send(message)
    assert [two.receive()[0] for _ in sent] == sent
    one.close()
    with pytest.raises(Ended):
        two.receive()
    two.close()


@given(st.binary(max_size=200))
@settings(deadline=None)
def test_any_bytes_give_a_message_or_a_named_end(data: bytes) -> None:
    one, two, raw = pair()
    raw.sendall(data)
    raw.shutdown(socket.SHUT_WR)
    with contextlib.suppress(Ended, Garbled):
        for _ in range(100):
            message, fds = one.receive(deadline=time.monotonic() + 5)
            assert isinstance(message, dict) and fds == []
    one.close()
    two.close()


def test_descriptors_that_nobody_announced_are_closed() -> None:
    one, two, raw = pair()
    before = len(list(Path("/proc/self/fd").iterdir())) if Path("/proc/self/fd").exists() else None
    fd = os.open(os.devnull, os.O_RDONLY)
    body = struct.pack("!II", 2, 0) + b"{}"
    raw.sendmsg([body], [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", [fd, fd, fd]))])
    os.close(fd)
    with pytest.raises(Garbled, match="3 files came, 0 were announced"):
        one.receive()
    if before is not None:
        assert len(list(Path("/proc/self/fd").iterdir())) == before
    one.close()
    two.close()


def test_limits_on_both_sides(monkeypatch: pytest.MonkeyPatch) -> None:
    one, two, raw = pair()
    with pytest.raises(Garbled, match="files in one message"):
        one.send({}, [0] * (messages.MOST_FILES + 1))
    with pytest.raises(ValueError):
        one.send({"value": float("inf")})
    monkeypatch.setattr(messages, "LONGEST_BYTES", 100)
    with pytest.raises(Garbled, match="100 allowed"):
        one.send({"value": "x" * 200})
    raw.sendall(struct.pack("!II", 101, 0))
    with pytest.raises(Garbled, match="101 bytes"):
        one.receive()
    one.close()
    two.close()


def test_waiting_ends_by_the_clock_or_on_request() -> None:
    one, two, raw = pair()
    raw.sendall(b"\0\0")  # half a head, and then silence
    with pytest.raises(Late):
        one.receive(deadline=time.monotonic() + 0.2)
    with pytest.raises(Stopped):
        one.receive(stop=lambda: True)
    with pytest.raises(Late):  # the other side reads nothing: the buffers fill
        for _ in range(100):
            two.send({"value": "x" * 1_000_000}, deadline=time.monotonic() + 0.2)
    one.close()
    with pytest.raises(Ended):
        two.send({})
    two.close()
