"""The clip card's files: plates with balls and chart, their sidecars, sound, the camera's report.

Movies are made with PyAV's own muxers: MPEG-4 part 2 pictures, 24000/1001, a timecode track and a creation
time; sound is a WAV with a ``bext`` chunk (EBU Tech 3285).
"""

from __future__ import annotations

import io
import struct
from collections.abc import Sequence
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_cards import cameras, scene

Array = NDArray[np.float64]
RATE = Fraction(24000, 1001)
COUNT = 48
SECONDS = float(COUNT / RATE)
SIZE = (640, 360)

# The common 24-patch chart (edition after November 2014), row by row, linear Rec.709 under D65: from the table in
# colour-science 0.4.7, adapted from D50 by Bradford.  Cyan lies outside Rec.709, hence a negative red.
PATCHES = (
    (0.1737, 0.0788, 0.0529), (0.5598, 0.2774, 0.2109), (0.1042, 0.1889, 0.3289), (0.1057, 0.1508, 0.0508),
    (0.2274, 0.2124, 0.4264), (0.1153, 0.5074, 0.4111), (0.7459, 0.2021, 0.0299), (0.0587, 0.1012, 0.3877),
    (0.5601, 0.0802, 0.1146), (0.1092, 0.0420, 0.1381), (0.3328, 0.4974, 0.0426), (0.7710, 0.3579, 0.0204),
    (0.0210, 0.0475, 0.2841), (0.0461, 0.2920, 0.0615), (0.4462, 0.0364, 0.0406), (0.8417, 0.5744, 0.0047),
    (0.5223, 0.0778, 0.2893), (-0.0439, 0.2337, 0.3772), (0.8795, 0.8850, 0.8342), (0.5845, 0.5922, 0.5845),
    (0.3577, 0.3671, 0.3653), (0.1901, 0.1909, 0.1898), (0.0859, 0.0887, 0.0898), (0.0314, 0.0315, 0.0323),
)


def reflectances() -> Array:
    """The chart's patches, (4, 6, 3) linear Rec.709."""
    return np.array(PATCHES).reshape(4, 6, 3)


def with_chart(background: Array, place: str) -> Array:
    """The chart held in front of the camera, in the place's light; a picture of radiance."""
    out = background.copy()
    height, width = out.shape[:2]
    step = height // 6
    light = scene.irradiance(place, np.array([[0.0, 0.15, -0.98]]))[0] / np.pi
    top, left = (height - 4 * step) // 2, (width - 6 * step) // 2
    out[top - step // 6: top + 4 * step + step // 6, left - step // 6: left + 6 * step + step // 6] = 0.03 * light
    edge = max(1, step // 12)
    for row, patches in enumerate(reflectances()):
        for column, patch in enumerate(patches):
            y, x = top + row * step, left + column * step
            out[y + edge: y + step - edge, x + edge: x + step - edge] = patch * light
    return out


def with_ball(background: Array, ball: Array, inside: Array, *, at: tuple[int, int] | None = None) -> Array:
    """A ball (size, size, 3) laid over a picture, its middle ``at`` (x, y), the picture's by default."""
    out = background.copy()
    height, width = out.shape[:2]
    size = ball.shape[0]
    x0, y0 = (at[0] if at else width // 2) - size // 2, (at[1] if at else height // 2) - size // 2
    left, right, top, low = max(0, -x0), min(size, width - x0), max(0, -y0), min(size, height - y0)
    if right > left and low > top:
        patch = out[y0 + top: y0 + low, x0 + left: x0 + right]
        share = inside[top:low, left:right, None]
        patch[:] = patch * (1 - share) + ball[top:low, left:right] * share
    return out


def plate(place: str, *, dirty: bool) -> list[NDArray[np.uint8]]:
    """Frames of a locked camera; dirty: grey ball, mirror ball and chart are carried through."""
    background = scene.perspective(place, *SIZE, across_deg=52, yaw_deg=0.0 if place == "hall" else -18.0, samples=2)
    gain = 0.8 / np.percentile(background, 98)
    chart = with_chart(np.zeros((240, 360, 3)), place)[18:222, 48:312] if dirty else None
    balls = [scene.grey_ball(place, 130), scene.mirror_ball(place, 130)] if dirty else []
    frames = []
    for k in range(COUNT):
        picture = background
        for index, (ball, inside) in enumerate(balls):
            picture = with_ball(picture, ball, inside, at=(-120 + k * 18 - index * 190, 190))
        if chart is not None:
            picture = picture.copy()
            x = 40 + (k * 18 - 500)
            if 0 <= x < SIZE[0] - chart.shape[1]:
                picture[70: 70 + chart.shape[0], x: x + chart.shape[1]] = chart
        rng = np.random.default_rng([20260414, k, dirty])
        noisy = picture * gain + rng.normal(0, 0.002, picture.shape)
        frames.append(np.asarray(np.round(cameras.srgb(noisy) * 255), dtype=np.uint8))
    return frames


def movie(frames: Sequence[NDArray[np.uint8]], name: str, when: datetime) -> bytes:
    """A movie file; its kind follows the name's ending."""
    import av  # a test extra; nothing else here needs it

    out = io.BytesIO()
    stamp = when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000000Z")
    options = {"fflags": "+bitexact"}
    with av.open(out, "w", format="mov" if name.endswith(".MOV") else "mp4", options=options) as container:
        container.metadata["creation_time"] = stamp
        stream: Any = container.add_stream("mpeg4", rate=RATE, options={"flags": "+bitexact+qscale",
                                                                        "global_quality": str(4 * 118), "g": "12"})
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.thread_count = 1
        stream.metadata["timecode"] = when.strftime("%H:%M:%S:00")
        stream.metadata["creation_time"] = stamp
        for picture in frames:
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return out.getvalue()


def sidecar(path: str, when: datetime, role: str) -> bytes:
    """The camera's note beside a clip, in a form of our own."""
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<clip name="{path.rsplit("/", 1)[-1]}" camera="A" body="Ymberline Six" serial="Y6-0088">\n'
        f"  <start>{when.isoformat()}</start>\n  <rate>24000/1001</rate>\n  <frames>{COUNT}</frames>\n"
        f"  <lens>32 mm T2.8</lens>\n  <note>{role}</note>\n</clip>\n"
    ).encode()


def report(takes: Sequence[tuple[str, ...]]) -> str:
    """The camera assistant's list of the roll."""
    lines = ["Roll A7, camera A, Ymberline Six Y6-0088, 14 April 2026", ""]
    lines += [f"{path.rsplit('/', 1)[-1]}  {clock}  setup {setup}  {role}" for path, clock, role, setup, _, _ in takes]
    return "\n".join([*lines, ""])


def wave(when: datetime) -> bytes:
    """1.2 s of 48 kHz 16-bit mono room tone with two clicks, and when it began (bext)."""
    rate, count = 48_000, 57_600
    t = np.arange(count) / rate
    rng = np.random.default_rng(7)
    sound = 0.004 * rng.standard_normal(count) + 0.002 * np.sin(2 * np.pi * 50 * t)
    for click in (0.30, 0.31):
        sound += np.where(t >= click, np.exp(-(t - click) * 900) * np.sin(2 * np.pi * 2400 * t), 0) * 0.6
    data = np.round(np.clip(sound, -1, 1) * 32767).astype("<i2").tobytes()
    since_midnight = (when.hour * 3600 + when.minute * 60 + when.second) * rate
    bext = b"A7 slate 43 take 2".ljust(256, b"\0") + b"Ymberline".ljust(32, b"\0") + b"Y6-0088-43-2".ljust(32, b"\0")
    bext += when.strftime("%Y-%m-%d%H:%M:%S").encode() + struct.pack("<Q", since_midnight) + struct.pack("<H", 1)
    bext += b"\0" * (64 + 190)
    chunks = [(b"bext", bext), (b"fmt ", struct.pack("<HHIIHH", 1, 1, rate, rate * 2, 2, 16)), (b"data", data)]
    body = b"WAVE" + b"".join(name + struct.pack("<I", len(part)) + part for name, part in chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body
