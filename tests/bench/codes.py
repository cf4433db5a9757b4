"""Read rate and clock offset from rendered photographs: ``python -m tests.bench.codes [COUNT]`` prints figures.

COUNT (25) pictures of 15 megapixels for each way a code may be photographed, half of clocks and half of slates; the
clock's code is photographed at a random moment of its second by a body with a random offset, and the offset comes
back through the same functions as in the product.  Then the cost: a picture without a code, and the ratio of the
product's way to reading every picture whole.
"""

from __future__ import annotations

import io
import random
import sys
import time
from datetime import UTC, datetime, timedelta

import cv2
import simplejpeg

from ingest.machinery.worker import codes
from ingest.records.clocks import Shown
from ingest.records.codes import SeenCode
from ingest.steps.clocks.code import clock_text
from ingest.steps.clocks.offsets import correct
from ingest.steps.clocks.photographed import photographed
from ingest.steps.setups.slates import Slate, code_text, read_code
from tests.code_photographs import VIEWS, View, jpeg, photograph, surround

SIZE = (4800, 3200)
MORNING = datetime(2031, 5, 17, 6, 30, tzinfo=UTC)


def offset_error_s(text: str, taken: datetime, offset_s: float) -> float:
    """How far the offset from one photograph lies from the body's, through the product's own functions."""
    shown = Shown(frame="f", body="B", shown=(taken - timedelta(seconds=offset_s)).replace(tzinfo=None), tick_s=0.01)
    readings = photographed({"f": [SeenCode(text=text)]}, now_s=taken.timestamp() + 60).readings
    return correct([shown], zone="UTC", readings=readings).bodies[0].offset_s - offset_s


def rates(count: int) -> None:
    worst, total, wrong = 0.0, [0, 0], 0
    print(f"{'photographed':20} {'clock read':>11} {'slate read':>11} {'closer looks':>13} {'ms CPU':>7}")
    for name, view in VIEWS.items():
        read, tried, closer, spent = [0, 0], [0, 0], 0, 0.0
        for seed in range(count):
            dice = random.Random(f"{name}{seed}")
            lag, offset = dice.random(), dice.uniform(-90_000, 90_000)
            taken = MORNING + timedelta(seconds=97.3 * seed)
            is_slate = seed % 2
            text = code_text(Slate(setup=f"{seed}B", shot=f"HA_{seed:04}", show="HARBOUR", role="probe")) if is_slate \
                else clock_text(taken - timedelta(seconds=lag), True)
            data = jpeg(photograph(text, view, seed, size=SIZE, error="q"))
            begun = time.process_time()
            found = codes.take(io.BytesIO(data))
            spent += time.process_time() - begun
            texts = [c["text"] for c in found["codes"]]
            closer += found["closer"]
            tried[is_slate] += 1
            read[is_slate] += text in texts
            wrong += any(t != text for t in texts)
            if text in texts and not is_slate:
                worst = max(worst, abs(offset_error_s(text, taken, offset)))
            assert not is_slate or text not in texts or read_code(text)
        total = [total[0] + sum(read), total[1] + sum(tried)]
        print(f"{name:20} {read[0]:5}/{tried[0]:<5} {read[1]:5}/{tried[1]:<5} {closer / count:13.1f} "
              f"{1000 * spent / count:7.0f}")  # fmt: skip
    print(f"read {total[0]} of {total[1]} ({100 * total[0] / total[1]:.1f} %), {wrong} read wrongly; worst clock "
          f"offset error {worst:.2f} s")  # fmt: skip


def whole(data: bytes) -> None:
    import zxingcpp

    zxingcpp.read_barcodes(simplejpeg.decode_jpeg(data, "GRAY"))


def cost(count: int) -> None:
    import numpy as np

    from tests.brackets import srgb

    def empty(seed: int) -> bytes:
        return jpeg(np.round(srgb(np.clip(surround(seed, 6720, 3360), 0, 1)) * 255).astype("uint8"))

    def a_clock(seed: int) -> bytes:
        return jpeg(photograph(clock_text(MORNING, True), View(module_px=12), seed, size=(6720, 3360)))

    plain, clock = [empty(s) for s in range(count)], [a_clock(s) for s in range(count)]
    for name, pictures in (("no code", plain), ("a clock", clock)):
        times = []
        for look in (lambda d: codes.take(io.BytesIO(d)), whole):
            begun = time.process_time()
            for data in pictures:
                look(data)
            times.append((time.process_time() - begun) / count)
        closer = sum(codes.take(io.BytesIO(d))["closer"] for d in pictures) / count
        print(f"22 megapixels, {name}: {1000 * times[0]:.0f} ms CPU ({closer:.1f} closer looks), read whole "
              f"{1000 * times[1]:.0f} ms: {times[1] / times[0]:.1f} x")  # fmt: skip


def main() -> None:
    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 25
    cost(max(2, count // 5))
    rates(count)


if __name__ == "__main__":
    main()
