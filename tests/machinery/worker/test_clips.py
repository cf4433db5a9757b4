"""Containers of clips, made with PyAV's own muxers and one real header (tests/data/headers/SOURCES.md)."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from ingest.errors import CardGone, Unreadable
from ingest.machinery.worker import clips
from ingest.machinery.worker.host import WorkerPool
from ingest.records.clips import ClipFacts
from ingest.steps.clips.facts import understand
from ingest.steps.clips.stage import ClipToRead, read_clips

DATA = Path(__file__).parents[2] / "data" / "headers"
NTSC = Fraction(30000, 1001)


def make(path: Path, *, codec: str = "mpeg4", rate: Fraction = NTSC, frames: int = 30, timecode: str = "",
         **said: str) -> Path:  # fmt: skip
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=rate)
        stream.width, stream.height, stream.pix_fmt = 720, 576, "yuv420p" if codec != "mpeg2video" else "yuv422p"
        if timecode:
            stream.metadata["timecode"] = timecode
        out.metadata.update(said)
        for i in range(frames):
            grey = np.full((576, 720, 3), 8 * (i % 32), np.uint8)
            for packet in stream.encode(av.VideoFrame.from_ndarray(grey, format="rgb24")):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    return path


def facts(path: Path) -> ClipFacts:
    with path.open("rb") as file:
        return understand(clips.read(file))


def test_a_quicktime_clip_with_drop_frame_timecode(tmp_path: Path) -> None:
    path = make(tmp_path / "a.mov", timecode="10:00:59;28", creation_time="2026-03-01T12:00:00Z")
    found = facts(path)
    assert (found.kind, found.readable, found.codec) == ("QuickTime or MP4", True, "mpeg4")
    assert (found.width, found.height, found.frame_rate, found.frames) == (720, 576, NTSC, 30)
    assert (found.timecode, found.drop_frame) == ("10:00:59;28", True)
    assert found.duration_s == pytest.approx(30 / float(NTSC), abs=0.002)
    assert found.created_utc is not None and found.created_utc.hour == 12


@pytest.mark.parametrize(
    ("name", "kind", "rate", "codec"),
    [
        ("a.mp4", "QuickTime or MP4", Fraction(24000, 1001), "mpeg4"),
        ("a.mkv", "Matroska or WebM", Fraction(25), "mpeg4"),
        ("a.avi", "AVI", Fraction(24), "mpeg4"),
        ("a.mxf", "MXF", Fraction(25), "mpeg2video"),
        ("a.ts", "MPEG transport stream", Fraction(50), "mpeg2video"),
    ],
)
def test_containers(tmp_path: Path, name: str, kind: str, rate: Fraction, codec: str) -> None:
    found = facts(make(tmp_path / name, rate=rate, codec=codec, frames=25))
    assert (found.kind, found.readable, found.frame_rate) == (kind, True, rate)
    assert (found.width, found.codec) == (720, codec)
    assert found.duration_s == pytest.approx(25 / float(rate), rel=0.06)


def test_a_real_clip_header() -> None:
    found = facts(DATA / "sony-a7-xavc.MP4")
    assert (found.width, found.height, found.frame_rate, found.codec) == (1920, 1080, 50, "h264")
    assert (found.timecode, found.drop_frame, found.sound_channels) == ("00:00:00:00", False, 2)
    assert found.duration_s == pytest.approx(1.44)


def test_files_nobody_can_decode_are_listed_as_what_they_are() -> None:
    for data, kind in (
        (b"\0\0\4\x88RED2" + bytes(600), "R3D raw clip"),
        (b"ARRI" + bytes(600), "ARRIRAW frame"),
        (b"RIFF\0\0\0\0AVI " + bytes(90), "AVI"),
        (b"\x06\x0e\x2b\x34\x02\x05\x01\x01\x0d\x01\x02\x01\x01" + bytes(90), "MXF"),
        (b"hello", "unknown"),
    ):
        found = understand(clips.read(io.BytesIO(data)))
        assert (found.kind, found.readable) == (kind, False)
    with pytest.raises(Unreadable, match="empty"):
        clips.read(io.BytesIO(b""))


def test_a_list_of_other_files_opens_none_of_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Play lists and concatenations name further files; a worker must not be led to them.  Without the
    list of allowed containers the library follows the third of these to a file beside it."""
    target = make(tmp_path / "secret.ts", codec="mpeg2video", frames=5)
    monkeypatch.chdir(tmp_path)
    lists = (
        f"#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:1,\n{target}\n#EXT-X-ENDLIST\n",
        f"ffconcat version 1.0\nfile '{target}'\n",
        "ffconcat version 1.0\nfile 'secret.ts'\n",
    )
    for text in lists:
        assert not understand(clips.read(io.BytesIO(text.encode()))).readable


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(1, memory_bytes=2 << 30) as pool:
        yield pool


def test_clips_through_the_worker(pool: WorkerPool, tmp_path: Path) -> None:
    good = make(tmp_path / "a.mov", frames=5)
    (tmp_path / "empty.mov").write_bytes(b"")
    (tmp_path / "cut.mov").write_bytes(good.read_bytes()[:3000])

    def gone() -> int:
        raise CardGone("the card is gone")

    given = [ClipToRead(digest=n, open=lambda n=n: os.open(tmp_path / n, os.O_RDONLY)) for n in  # type: ignore[misc]
             ("a.mov", "empty.mov", "cut.mov")]  # fmt: skip
    read = list(read_clips(pool, [*given, ClipToRead(digest="gone", open=gone)]))
    assert [r.digest for r in read] == ["a.mov", "empty.mov", "cut.mov", "gone"]
    assert read[0].facts is not None and read[0].facts.readable and not read[0].trouble
    assert all(r.trouble for r in read[1:])
    assert [r.again for r in read] == [False, False, False, True]
