"""Any bytes from a card give a record or a named refusal: cut, mutated and crafted headers.

The header readers run here, the decoders in a worker.  A few thousand cases in the normal run, 100,000 with
``-m campaign``; every case is seeded and named by its number when it fails.
"""

from __future__ import annotations

import io
import os
import random
import struct
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.errors import Unreadable
from ingest.machinery.worker import containers, headers
from ingest.machinery.worker.host import WorkerPool
from ingest.steps.clips.facts import understand as understand_clip
from ingest.steps.stills.header import understand
from ingest.steps.stills.stage import StillToRead, read_stills
from tests.machinery.worker import containers_made as made

DATA = Path(__file__).parents[2] / "data" / "headers"
CARDS = Path(__file__).parents[3] / "sample_cards" / "cards"
SLOWEST_S = 5.0
SAID: dict[str, int | str] = {
    "Make": "Canon", "Model": "K2", "Orientation": 6, "ExposureTime": "1/60", "FNumber": "28/5",
    "PhotographicSensitivity": 125, "DateTimeOriginal": "2026:03:01 12:00:00", "SubSecTimeOriginal": "07",
}  # fmt: skip
NIKON = b"Nikon\0\2\x10\0\0" + made.tiff({"Make": "N"})
FUJI = b"FUJIFILM\x0c\0\0\0" + made.tiff({"Make": "F"})[8:]
WHOLE = {
    "jpeg": made.jpeg(made.tiff(SAID, note=FUJI), before=made.comments(40)),
    "nikon": made.jpeg(made.tiff({**SAID, "Make": "NIKON"}, order=">", note=NIKON)),
    "tiff": made.tiff(SAID, sub={"ImageWidth": 6000, "ImageLength": 4000}),
    "cr3": made.cr3(SAID, serial=5),
    "heif": made.heif(SAID),
    "raf": made.raf(SAID),
    "mrw": made.mrw(SAID),
    "x3f": made.x3f({"CAMMANUF": "S", "EXPTIME": "1000", "APERTURE": "8.0", "ISO": "100"}),
    "rw2": made.tiff(SAID, magic=0x55),
    "real jpeg": (DATA / "endless_loop.jpg").read_bytes()[:4096],
    "real cr3": (DATA / "canon-r6-head.cr3").read_bytes()[:3000],
    "real raf": (DATA / "fujifilm_x_t1_01.raf").read_bytes()[:4096],
}


def attempt(data: bytes) -> None:
    """A record or a named refusal, in time; anything else fails the test."""
    begun = time.monotonic()
    try:
        found = understand(headers.read(io.BytesIO(data)))
        assert found.exposure_time_s is None or found.exposure_time_s > 0
    except Unreadable as error:
        assert error.what
    assert time.monotonic() - begun < SLOWEST_S


def mutated(rng: random.Random, data: bytes) -> bytes:
    """A few of what happens to files: bits, lengths and counts turned, pieces cut, doubled or swapped."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        at = rng.randrange(max(1, len(out)))
        match rng.randrange(7):
            case 0:
                out[at : at + 1] = bytes([out[at] ^ (1 << rng.randrange(8))]) if out else b""
            case 1:
                out[at : at + 4] = rng.choice((b"\0" * 4, b"\xff" * 4, b"\0\0\0\x3c", b"\x7f\xff\xff\xff", b"\1\0\0\0"))
            case 2:
                del out[at : at + rng.choice((1, 2, 12, 100))]
            case 3:
                out[at:at] = out[at : at + rng.choice((2, 12, 200))]
            case 4:
                out[at : at + 12] = rng.randbytes(12)
            case 5:
                del out[at:]
            case 6:
                other = rng.choice(list(WHOLE.values()))
                out[at : at + 64] = other[at : at + 64]
    return bytes(out)


@pytest.mark.parametrize("name", sorted(WHOLE))
def test_whole_cut_at_every_length_and_with_rubbish_behind(name: str) -> None:
    data = WHOLE[name]
    attempt(data + random.Random(1).randbytes(500))
    step = max(1, len(data) // 250)  # every length of the small ones, a few hundred of the others
    for length in range(0, len(data), step):
        attempt(data[:length])


@pytest.mark.parametrize("name", sorted(WHOLE))
def test_each_byte_turned(name: str) -> None:
    data = WHOLE[name]
    for at in range(0, len(data), max(1, len(data) // 100)):
        for value in (0, 0xFF, data[at] ^ 0x01):
            attempt(data[:at] + bytes([value]) + data[at + 1 :])


def run(seeds: range) -> None:
    names = sorted(WHOLE)
    for seed in seeds:
        rng = random.Random(seed)
        data = mutated(rng, WHOLE[rng.choice(names)])
        try:
            attempt(data)
        except BaseException as error:
            raise AssertionError(f"seed {seed}: {type(error).__name__}: {error}") from error


def test_some_mutated_headers() -> None:
    run(range(1000))


@pytest.mark.campaign
def test_a_hundred_thousand_mutated_headers() -> None:
    run(range(100_000))


def traps() -> Iterator[tuple[str, bytes]]:
    yield "a maker note of a billion bytes", made.tiff(SAID).replace(b"\x7c\x92\x07\0", b"\x7c\x92\x07\0\0\0\0\x3c")
    one = b"II*\0\x08\0\0\0\1\0"
    entry = struct.pack("<HHII", 0x829A, 5, 0xFFFFFFFF, 8)
    yield "an exposure of four billion ratios", one + entry + b"\0" * 8
    yield "an Exif pointer with no value", one + struct.pack("<HHII", 0x8769, 4, 0, 8) + b"\0" * 4
    yield "an Exif directory that is the first one", one + struct.pack("<HHII", 0x8769, 4, 1, 8) + b"\0" * 4
    yield "a directory behind the end", b"II*\0\xff\xff\xff\x7f" + bytes(64)
    yield "nothing but markers", b"\xff\xd8" + b"\xff" * 100_000
    yield "segments of no length", b"\xff\xd8" + b"\xff\xe1\0\0" * 20_000
    yield "ten thousand small segments", b"\xff\xd8" + b"\xff\xe1\0\2" * 10_000 + b"\xff\xd9"
    yield "boxes in boxes", made.box(b"ftyp", b"crx \0\0\0\1crx ") + made.box(b"moov", *[made.box(b"moov")] * 5000)
    yield "a box as large as can be", made.box(b"ftyp", b"heic\0\0\0\0mif1") + b"\0\0\0\1meta" + b"\xff" * 8
    yield "a box of size zero in a box", made.box(b"ftyp", b"crx \0\0\0\1crx ") + b"\0\0\0\0moov\0\0\0\0uuid"
    items = made.box(b"iinf", b"\0\0\0\0\xff\xff") + made.box(b"iloc", b"\2\0\0\0" + b"\xff" * 6)
    yield "items without end", made.box(b"ftyp", b"heix\0\0\0\0heix") + made.box(b"meta", b"\0" * 4, items)
    yield "a directory in a file of two bytes", b"II"
    pointers = struct.pack(">IIII", 84, 4, 84, 4)
    yield "a raf that points at itself", b"FUJIFILMCCD-RAW ".ljust(84, b"\0") + pointers + bytes(64)
    yield "an x3f that ends in its start", b"FOVb" + bytes(64) + struct.pack("<I", 0)
    yield "an x3f of a billion properties", b"FOVb" + b"SECp" + b"\xff" * 400 + b"SECd\0\0\0\0" + struct.pack(
        "<III4sI", 1, 4, 424, b"PROP", 408)
    yield "webp of nothing", b"RIFF\xff\xff\xff\xffWEBPVP8X" + b"\xff" * 40
    yield "png of nothing", b"\x89PNG\r\n\x1a\n\xff\xff\xff\xffIHDR" + bytes(64)
    yield "jxl of nothing", b"\0\0\0\x0cJXL \r\n\x87\n" + b"\xff" * 64
    yield "a crw", b"II\x1a\0\0\0HEAPCCDR" + bytes(100)


@pytest.mark.parametrize(("name", "data"), list(traps()), ids=[name for name, _ in traps()])
def test_crafted_traps(name: str, data: bytes) -> None:
    assert name
    attempt(data)


# -- through the worker ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(1, memory_bytes=1 << 30) as pool:
        yield pool


def stills(folder: Path, count: int, seed: int) -> list[StillToRead]:
    given = []
    for i in range(count):
        rng = random.Random(seed + i)
        path = folder / f"{seed}-{i}"
        path.write_bytes(mutated(rng, WHOLE[rng.choice(sorted(WHOLE))]))
        given.append(StillToRead(digest=str(i), open=lambda path=path: os.open(path, os.O_RDONLY)))  # type: ignore[misc]
    return given


def test_headers_and_pictures_of_mutated_files_through_the_worker(pool: WorkerPool, tmp_path: Path) -> None:
    read = list(read_stills(pool, stills(tmp_path, 200, 7_000)))
    assert len(read) == 200
    for still in read:
        assert still.header is not None or still.trouble
        assert still.look is not None and (still.look.decodes or still.look.trouble)


def test_mutated_raws_and_jpegs_reach_the_decoders_in_the_worker_only(pool: WorkerPool, tmp_path: Path) -> None:
    """Native decoders may crash on these; then the batch is read again one by one and nobody else pays."""
    real = [sorted(CARDS.rglob(f"*.{kind}"))[:2] for kind in ("DNG", "JPG")]
    if not all(real):
        pytest.skip("the sample cards are not in this checkout")
    given = []
    for i, path in enumerate(p for p in (*real[0], *real[1]) for _ in range(12)):
        (tmp_path / f"m{i}").write_bytes(mutated(random.Random(i), path.read_bytes()))
        given.append(StillToRead(digest=str(i), open=lambda i=i: os.open(tmp_path / f"m{i}", os.O_RDONLY)))  # type: ignore[misc]
    read = list(read_stills(pool, given))
    assert len(read) == 48
    for still in read:
        assert still.header is not None or still.trouble
        assert still.look is not None and (still.look.decodes or still.look.trouble)


def test_clips_of_mutated_files_through_the_worker(pool: WorkerPool, tmp_path: Path) -> None:
    data = (DATA / "sony-a7-xavc.MP4").read_bytes()
    for start in range(0, 150, 30):
        fds = []
        for i in range(start, start + 30):
            path = tmp_path / str(i)
            path.write_bytes(mutated(random.Random(i), data) if i % 3 else data[: 17 * i])
            fds.append(os.open(path, os.O_RDONLY))
        answers = pool.run("clips", {}, fds, timeout_s=60)["files"]
        for fd in fds:
            os.close(fd)
        assert len(answers) == 30
        for answer in answers:
            found = understand_clip(answer)
            assert found.readable or found.problems


@pytest.mark.campaign
def test_ten_thousand_mutated_files_through_the_worker(pool: WorkerPool, tmp_path: Path) -> None:
    for seed in range(0, 10_000, 200):
        read = list(read_stills(pool, stills(tmp_path, 200, 20_000 + seed)))
        assert all(r.header is not None or r.trouble for r in read)
        for path in tmp_path.iterdir():
            path.unlink()


def test_every_kind_is_known_by_its_first_bytes() -> None:
    known = {name: containers.kind(data[:64]) for name, data in WHOLE.items()}
    assert set(known.values()) == {"jpeg", "tiff", "cr3", "heif", "raf", "mrw", "x3f"}
