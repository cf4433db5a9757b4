"""Clip facts from what the worker read: rates, dates, timecode; and whatever a subverted worker might say."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.clips import ClipFacts
from ingest.steps.clips.facts import frame_rate, understand


def clip(**said: Any) -> ClipFacts:
    return understand({"kind": "QuickTime or MP4", "container": "mov", **said})


@pytest.mark.parametrize(
    ("given_", "rate"),
    [
        (["30000/1001"], Fraction(30000, 1001)),
        (["2997/100"], Fraction(30000, 1001)),
        (["23976/1000"], Fraction(24000, 1001)),
        (["500000/20833"], Fraction(24)),  # AVI states whole microseconds a frame
        (["60000/1", "25/1"], Fraction(25)),  # a raw DV stream's average is its clock
        (["0/0", "abc", "0"], None),
        (["15/2"], Fraction(15, 2)),
        ([], None),
    ],
)
def test_frame_rates(given_: list[str], rate: Fraction | None) -> None:
    assert frame_rate(given_) == rate


def test_timecode_and_its_kind() -> None:
    found = clip(rates=["30000/1001"], timecode="01:00:00;00")
    assert (found.timecode, found.drop_frame) == ("01:00:00;00", True)
    found = clip(rates=["25"], timecode="01:00:00;00")
    assert found.timecode is None and "drop-frame" in found.problems[0]
    assert clip(rates=["24"]).drop_frame is None


def test_creation_times() -> None:
    def created(**said: str) -> ClipFacts:
        return clip(metadata=said)

    moment = datetime(2026, 4, 26, 9, 25, 15, tzinfo=UTC)
    assert created(creation_time="2026-04-26T09:25:15.000000Z").created_utc == moment
    assert created(creation_time="2026-04-26T11:25:15+02:00").created_utc == moment
    shown = datetime(2009, 10, 27, 12, 14, 34)  # noqa: DTZ001
    assert created(creation_time="2009-10-27 12:14:34").created_shown == shown
    assert created(date="2009-10-27", creation_time="12:14:34").created_shown == shown
    for never in ("1904-01-01T00:00:00Z", "1970-01-01T00:00:00Z", "soon"):
        found = created(creation_time=never)
        assert found.created_utc is None and found.problems


def test_camera_lens_and_reel_where_the_file_says_so() -> None:
    said = {"com.apple.quicktime.make": "Ymberline", "MODEL": "Six", "reel_name": "A007", "lens_model": "32 mm"}
    found = clip(metadata=said)
    assert (found.make, found.model, found.reel, found.lens) == ("Ymberline", "Six", "A007", "32 mm")
    assert (found.focal_mm, found.lens_serial) == (32.0, None)
    said = {"com.ymberline.camera.Lens_Serial-Number": "L 17", "focallength": "0/0", "lens": "24-70 mm",
            "com.apple.quicktime.camera.focal_length.35mm_equivalent": "26"}
    assert (clip(metadata=said).focal_mm, clip(metadata=said).lens_serial) == (None, "L 17")
    assert clip(metadata=said | {"focallength": "9" * 400}).focal_mm is None


def test_an_unknown_file_is_listed_as_what_it_is() -> None:
    found = understand({"kind": "R3D raw clip", "refused": "its container cannot be read (InvalidDataError)"})
    assert (found.kind, found.readable) == ("R3D raw clip", False)
    assert found.problems
    assert understand({}).kind == "unknown"


def test_a_missing_duration_follows_from_the_frames() -> None:
    assert clip(rates=["24000/1001"], frames=48).duration_s == pytest.approx(2.002)


KEYS = ["kind", "container", "duration_s", "frames", "width", "height", "rates", "codec", "sound_channels", "timecode",
        "metadata", "refused"]  # fmt: skip
LABELS = st.from_regex(r"\d\d:\d\d:\d\d[:;]\d\d")
ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | LABELS,
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(["creation_time", "date", "make", "x"]), inner, max_size=3),
    max_leaves=6,
)


@given(st.dictionaries(st.sampled_from(KEYS), ANY))
def test_any_answer_gives_facts(answer: dict[str, Any]) -> None:
    found = understand(answer)
    assert found.kind
    assert found.duration_s is None or 0 < found.duration_s < 1e9
    assert found.frame_rate is None or found.frame_rate > 0
    assert found.readable or found.problems
    assert ClipFacts.from_json(json.loads(json.dumps(found.to_json()))) == found
