# ruff: noqa: ARG005  (every case gets both the scene and its finer drawing)
"""Figures of the merge, printed as tables: ``python -m tests.bench.merge [--seeds N] [--cost]``.

Quality: efficiency of each case against its bound, or for JPEG against an oracle, beside floors and
goals.  ``--cost``: CPU time and peak memory at 6720 x 3360 x 9 beside OpenCV's Debevec merge in the same
run, each in a process of its own.
"""

from __future__ import annotations

import argparse
import io
import multiprocessing
import resource
import tempfile
import time
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import simplejpeg

from tests import brackets

W, H = 512, 256
NINE = brackets.times(9, 1, 1 / 2048)
RAW = brackets.Body(top=16383.0, black=512.0)
UNKNOWN = brackets.Body(curve=brackets.camera_curve)


def _shifts() -> list[tuple[float, float]]:
    rng = np.random.default_rng(5)
    return [tuple(np.round(rng.uniform(-6, 6, 2) * 4) / 4) for _ in NINE]


def table() -> list[tuple[str, float, float, Callable[[np.ndarray, np.ndarray], brackets.Bracket]]]:
    """(case, floor, goal, how to make it from a scene and its finer drawing)."""
    m, moves = brackets.make, _shifts()
    return [
        ("raw, clean", 0.97, 0.98, lambda t, f: m(t, RAW, NINE, kind="dng")),
        ("16-bit TIFF", 0.97, 0.98, lambda t, f: m(t, brackets.Body(), NINE)),
        ("raw, 1.5 % jitter, 10 % flicker", 0.97, 0.98,
         lambda t, f: m(t, RAW, NINE, kind="dng", jitter=0.015, flicker=(4, 1.1))),
        ("TIFF, 1.5 % jitter, 10 % flicker", 0.97, 0.98,
         lambda t, f: m(t, brackets.Body(), NINE, jitter=0.015, flicker=(4, 1.1))),
        ("raw, last frames by ISO", 0.95, 0.97,
         lambda t, f: m(t, RAW, NINE[:6] + [NINE[5]] * 3, kind="dng", isos=[100] * 6 + [200, 400, 800])),
        ("9 frames x 2 EV", 0.97, 0.98, lambda t, f: m(t, brackets.Body(), brackets.times(9, 2, 1 / 4096))),
        ("JPEG, sRGB", 0.95, 0.97, lambda t, f: m(t, brackets.Body(), NINE, kind="jpeg")),
        ("JPEG, unknown curve", 0.90, 0.95, lambda t, f: m(t, UNKNOWN, NINE, kind="jpeg")),
        ("JPEG, unknown curve, 1 % jitter", 0.67, 0.95,
         lambda t, f: m(t, UNKNOWN, NINE, kind="jpeg", jitter=0.01)),
        ("JPEG 4:2:0", 0.88, 0.93,
         lambda t, f: m(t, brackets.Body(sampling="420"), NINE, kind="jpeg")),
        ("3 frames, unknown curve", 0.88, 0.90,
         lambda t, f: m(t, UNKNOWN, brackets.times(3, 3, 1 / 2048), kind="jpeg")),
        ("JPEG, a figure walks through", 0.90, 0.95,
         lambda t, f: m(t, brackets.Body(), NINE, kind="jpeg", figure=True)),
        ("TIFF, hand-held", 0.90, 0.95, lambda t, f: m(t, brackets.Body(), NINE, shifts=moves, fine=f)),
        ("JPEG, hand-held", 0.90, 0.95, lambda t, f: m(t, brackets.Body(), NINE, kind="jpeg", shifts=moves, fine=f)),
    ]  # fmt: skip


def cases(seed: int) -> None:
    fine = brackets.scene(W * brackets.FINE, H * brackets.FINE, seed=seed + 1)
    still, soft = brackets.scene(W, H, seed=seed + 1), brackets.optics(fine)
    site = np.tile(np.array(((0, 1), (1, 2))), (H // 2, W // 2))[..., None] == np.arange(3)
    print(f"{'case':34s} {'floor':>5s} {'goal':>5s} {'reach':>6s} {'worst':>6s} {'lin rms':>8s} {'lin max':>8s} "
          f"{'expo before':>11s} {'after':>7s}  by decade")  # fmt: skip
    for name, floor, goal, build in table():
        bracket = build(soft if "hand" in name else still, fine)
        picture, record = brackets.run(bracket)
        bound = bracket.bound
        if record["source"] == "jpeg":
            reference = bracket
            if bracket.shifts or "figure" in name:
                reference = brackets.make(bracket.truth, bracket.body, NINE, kind="jpeg")
            bound = brackets.jpeg_bound(reference)
        if bracket.shifts:
            bracket.truth = brackets.optics(fine, *bracket.shifts[record["reference_frame"]])
        mask = np.zeros(bracket.truth.shape, bool)
        edge = 14 if bracket.shifts else 0
        mask[edge : H - edge, edge : W - edge] = True
        if bracket.shifts:  # where the lens and pixels of this bench alias: edges of over a stop in 7 pixels
            dark = np.log2(bracket.truth.min(axis=2))
            mask &= (cv2.dilate(dark, np.ones((7, 7))) - cv2.erode(dark, np.ones((7, 7))) < 1.0)[..., None]
            mask &= bracket.truth < 0.9
        s = brackets.score(picture, bracket, mask=mask & site if record["source"] == "raw" else mask, bound=bound)
        true = np.log([v.units for v in bracket.shots])
        header = np.log([v.exposure_s * v.iso for v in bracket.shots])
        found = header + np.log([f["correction"] for f in record["frames"]])
        before, after = (float(np.std(v - true)) * 100 for v in (header, found))
        decades = " ".join(f"{d}:{v:.2f}" for d, v in s.decades.items())
        print(f"{name:34s} {floor:5.2f} {goal:5.2f} {s.efficiency:6.3f} {s.worst_decade:6.3f} "
              f"{100 * s.linearity_rms:7.2f}% {100 * s.linearity_max:7.2f}% {before:10.3f}% {after:6.3f}%  {decades}",
              flush=True)  # fmt: skip


def _large() -> list[bytes]:
    """Nine JPEGs of 6720 x 3360 with photon noise, from an enlarged scene."""
    small = brackets.scene(1680, 840)
    big = np.exp(cv2.resize(np.log(small).astype(np.float32), (6720, 3360), interpolation=cv2.INTER_CUBIC))
    rng = np.random.default_rng(1)
    out = []
    for k in range(9):
        codes = np.empty((3360, 6720, 3), np.uint8)
        for top in range(0, 3360, 210):
            x = big[top : top + 210] * 2.0 ** (k - 1)
            x = x + np.sqrt(x / 20000 + 4e-8) * rng.standard_normal(x.shape, np.float32)
            codes[top : top + 210] = np.rint(255 * brackets.srgb(np.clip(x, 0, 1)))
        out.append(bytes(simplejpeg.encode_jpeg(codes, 95, "RGB", "420")))
    return out


def _measured(work: Callable[..., Any], data: list[bytes], queue: Any) -> None:
    start = time.process_time()
    detail = work(data)
    queue.put((time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, detail))


def _ours(data: list[bytes], **more: Any) -> dict[str, float]:
    from ingest.machinery.worker.jobs import merge

    frames = [{"name": f"{k}", "exposure_s": 2.0 ** (k - 12), "f_number": 8.0, "iso": 100} for k in range(9)]
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as shown:
        files: list[Any] = [*map(io.BytesIO, data), out, shown]
        record = merge.run({"frames": frames, **more}, files, lambda _: None)
    return dict(record["seconds"])


def _static(data: list[bytes]) -> dict[str, float]:
    return _ours(data, movement=False)


def _plain(data: list[bytes]) -> dict[str, float]:
    return _ours(data, movement=False, refine=False, align=False, layers=False)


def _theirs(data: list[bytes]) -> dict[str, float]:
    cv2.setNumThreads(1)
    start = time.process_time()
    frames = [simplejpeg.decode_jpeg(d, "BGR") for d in data]
    decoded = time.process_time()
    times = np.array([2.0 ** (k - 12) for k in range(9)], np.float32)
    response = np.linspace(1e-4, 1, 256, dtype=np.float32)[:, None, None].repeat(3, axis=2)
    cv2.createMergeDebevec().process(frames, times, np.ascontiguousarray(response))
    return {"decode": decoded - start, "merge": time.process_time() - decoded}


def speed() -> None:
    data = _large()
    spawn = multiprocessing.get_context("spawn")
    base = None
    for name, work in (("OpenCV Debevec", _theirs), ("ours, no calibration", _plain), ("ours, static", _static),
                       ("ours, all", _ours)):  # fmt: skip
        queue = spawn.Queue()
        process = spawn.Process(target=_measured, args=(work, data, queue))
        process.start()
        total, peak, detail = queue.get()
        process.join()
        core = detail["merge"] + detail.get("calibrate", 0.0)
        base = base or core
        parts = " ".join(f"{k} {v:.2f}" for k, v in detail.items())
        print(f"{name:22s} merge {core:6.2f} s CPU = {core / base:5.2f} x, whole {total:6.2f} s, "
              f"peak {peak:6.0f} MB  ({parts})", flush=True)  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--cost", action="store_true")
    given = parser.parse_args()
    if given.cost:
        speed()
    else:
        for number in range(given.seeds):
            cases(number)
