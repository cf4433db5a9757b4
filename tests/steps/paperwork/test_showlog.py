"""The running log survives a torn line and says what it could not read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.steps.paperwork import showlog

LINES = [
    showlog.line(utc="2026-04-01T20:00:00Z", event="filed", item="p1", folder="unfiled/p1", why="no setup near"),
    showlog.line(utc="2026-04-01T21:00:00Z", event="filed", item="p2\nx", folder="shots/021/A", setup="A"),
    showlog.line(utc="2026-04-01T19:00:00Z", event="moved", item="p1", folder="shots/021/A/p1", shot="021", setup="A"),
]
WHOLE = b"".join(LINES)


def test_what_was_written_is_read() -> None:
    read = showlog.parse(WHOLE)
    assert [one.item for one in read.lines] == ["p1", "p2\nx", "p1"]
    assert not read.torn and read.problems == () and WHOLE.count(b"\n") == 3
    assert showlog.latest(read.lines)["p1"].folder == "shots/021/A/p1"


@given(st.integers(0, len(WHOLE)))
def test_a_cut_costs_the_line_it_tears_and_the_log_goes_on(cut: int) -> None:
    tail = WHOLE[:cut]
    read = showlog.parse(tail)
    assert len(read.lines) == tail.count(b"\n") and read.problems == ()
    assert read.torn == bool(tail and not tail.endswith(b"\n"))
    onward = showlog.parse(tail + showlog.ending(tail) + LINES[0])
    assert not onward.torn and onward.lines[-1].item == "p1"
    # a line torn exactly before its end was whole after all
    assert len(onward.lines) + len(onward.problems) == len(read.lines) + read.torn + 1


@given(st.binary(max_size=60))
def test_any_bytes(data: bytes) -> None:
    assert len(showlog.parse(data + b"\n" + LINES[0]).lines) == 1


def test_an_unknown_event_is_refused() -> None:
    with pytest.raises(ValueError, match="event"):
        showlog.line(utc="2026-04-01T20:00:00Z", event="lost", item="p1")
