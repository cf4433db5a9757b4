"""Thresholds and rates of the quality findings on simulated bursts.

Run: python -m tests.bench.quality [bursts] [rates]    from small frames; ``rates`` without learning
     python -m tests.bench.quality [bursts] tiff jpeg   through the merge, from files

Every burst is a lat-long scene of known radiance photographed in eight frames two stops apart, with
photon noise, read noise, rounding to 12 bits and shutters off by 1 % (one standard deviation).  Each
fault is present in about a third of the bursts, independently, in a random degree.
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from unittest.mock import patch

import cv2
import numpy as np
import simplejpeg

from ingest.machinery.worker.jobs import merge as job
from ingest.steps.light import quality
from ingest.steps.light.quality import FrameLook
from ingest.steps.panorama.raster import Layout, Raster, sample
from tests import brackets, scenes

SIZE = (256, 512)
SCENE = 512  # columns of a photographed frame
FRAMES = 8
KINDS = ("clipped", "camera_moved", "light_changed", "white_shift", "motion")


@dataclass
class Truth:
    """What was done to a burst; ``where`` is the first frame with the fault (dark to bright).  ``traceless`` are those
    that no reading tells: a figure in the noise of a dark frame, or as far above white as what it hides."""

    faults: dict[str, float]
    where: dict[str, int]
    traceless: set[str] = field(default_factory=set)

    def shows(self, kind: str) -> bool:
        return kind in self.faults and kind not in self.traceless


def radiance(seed: int) -> np.ndarray:
    """A scene at four times the size of the looks, so that turning it resamples fine detail."""
    rng = np.random.default_rng(seed)
    level = 10 ** rng.uniform(1, 3)
    scene = scenes.room(seed=seed % 12) if seed % 2 else scenes.outdoor(seed=seed % 12, sun_level=level)
    picture = scenes.latlong(scene, SCENE, layout=Layout.CENTRES, parts=1, discs=6)
    return picture * 2.0 ** rng.uniform(-1, 1)


def exposed(seed: int, pictures: list[np.ndarray]) -> tuple[list[tuple[float, np.ndarray]], Truth]:
    """Exposure units and codes (0 to 4095) of each frame at full size, dark to bright, and what was done."""
    rng = np.random.default_rng(1000 + seed)
    whole = pictures[seed % len(pictures)]
    raster = Raster(height=whole.shape[0], width=whole.shape[1], layout=Layout.CENTRES)
    faults: dict[str, float] = {}
    where: dict[str, int] = {}
    for kind, low, high in (("camera_moved", 0.02, 1.0), ("light_changed", 0.03, 0.5), ("white_shift", 0.01, 0.12),
                            ("motion", 3.0, 12.0)):  # fmt: skip
        if rng.random() < 0.35:
            degree = float(np.exp(rng.uniform(np.log(low), np.log(high))))
            faults[kind] = degree if kind == "motion" else degree * float(rng.choice([-1, 1]))
            where[kind] = int(rng.integers(1, FRAMES))
    shortest = 0.7 / float(whole.max()) * 2.0 ** rng.uniform(-1.0, 2.0)
    axis = rng.normal(size=3)
    figure = scenes.at(rng.uniform(0, 360), rng.uniform(-30, 10))
    frames = []
    traceless: set[str] = set()
    peak_truth = 0.0
    for k in range(FRAMES):
        light = whole
        if k >= where.get("camera_moved", 99):
            turn = cv2.Rodrigues(np.radians(abs(faults["camera_moved"])) * axis / np.linalg.norm(axis))[0]
            light = sample(whole, raster, raster.directions() @ turn)
        if "motion" in faults and k == where["motion"]:
            inside = raster.directions() @ figure > np.cos(np.radians(faults["motion"]) / 2)
            before, light = light, light.copy()
            light[inside] = light[inside].mean(axis=0) * rng.choice([0.3, 2.5])
        gain = np.ones(3)
        if k >= where.get("light_changed", 99):
            gain = gain * 2.0 ** faults["light_changed"]
        if k >= where.get("white_shift", 99):
            gain = gain * np.exp(np.array([0.5, 0, -0.5]) * faults["white_shift"])
        units = shortest * 4.0**k
        if k == where.get("motion") and not traces(before[inside] * units, light[inside] * units):
            traceless.add("motion")
        seen = light * gain * units * np.exp(rng.normal() * 0.01)
        electrons = rng.poisson(np.minimum(seen, 4) * 20000) + rng.normal(size=seen.shape) * 6
        frames.append((units, np.clip(np.round(electrons / 20000 * 4095), 0, 4095)))
        if k == 0:
            peak_truth = float(seen.max())
    if peak_truth > 1.0:
        faults["clipped"], where["clipped"] = float(np.log2(peak_truth)), 0
    return frames, Truth(faults, where, traceless)


def traces(before: np.ndarray, after: np.ndarray) -> bool:
    """Whether readings of six places or more change by 15 % and by five times their noise (light (n, 3) in whites)."""
    one, two = (np.clip(v, 0, 1) @ scenes.LUMINANCE for v in (before, after))
    noise = np.sqrt((one + two) / 20000 + 2 * (6 / 20000) ** 2)
    return bool((np.abs(one - two) > np.maximum(5 * noise, 0.15 * np.maximum(one, two))).sum() >= 6)


def burst(seed: int, pictures: list[np.ndarray]) -> tuple[list[FrameLook], Truth]:
    frames, truth = exposed(seed, pictures)
    looks = []
    for units, whole in frames:
        codes = whole / 4095
        small = cv2.resize(codes, SIZE[::-1], interpolation=cv2.INTER_AREA).astype(np.float32)
        top = np.unravel_index(int(np.argmax(codes.max(axis=2))), codes.shape[:2])
        looks.append(FrameLook(
            units=units, light=small, floor=(6 / 20000) ** 2 + 1 / (12 * 4095**2), gain=1 / 20000,
            sites=codes.shape[1] / SIZE[1] * codes.shape[0] / SIZE[0], peak=float(codes.max()),
            peak_at=((top[1] + 0.5) / codes.shape[1], (top[0] + 0.5) / codes.shape[0]),
            clipped_share=float((codes >= 0.995).any(axis=2).mean()),
        ))  # fmt: skip
    return looks, truth


def statistics(pairs: list[quality.Pair], looks: list[FrameLook], doubt: float = 0.0) -> dict[str, float]:
    """What the thresholds are compared with; ``doubt`` as in :func:`quality.changes`."""
    own = quality.stray(looks, doubt, latlong=True)
    return {
        "camera_moved": quality.turned(pairs, own)[1],
        "light_changed": quality.light_changed(pairs, doubt)[1],
        "white_shift": quality.white_changed(pairs, doubt)[1],
        "motion": quality.largest_patch(pairs, looks[0].light.shape[:2])[1],
    }


@dataclass
class Told:
    """What the real job said of a burst in files, and what was done to it.  ``statistics`` are those its thresholds
    are compared with, ``seen`` the faults whose first frame could be compared with another by its own account."""

    kinds: set[str]
    truth: Truth
    statistics: dict[str, float]
    seen: set[str]
    judging_s: float
    whole_s: float


def merged(frames: list[tuple[float, np.ndarray]], truth: Truth, kind: str) -> Told:
    """A burst through the real job, from files of 16-bit TIFF or of JPEG (quality 93, 4:2:0)."""
    if kind == "tiff":
        data = [cv2.imencode(".tif", np.ascontiguousarray((c * 16)[..., ::-1].astype(np.uint16)))[1].tobytes()
                for _, c in frames]
    else:
        data = [simplejpeg.encode_jpeg(np.rint(255 * brackets.srgb(c / 4095)).astype(np.uint8), 93, "RGB", "420")
                for _, c in frames]
    asked = {"kind": "lat-long", "frames": [
        {"name": f"{k}", "exposure_s": u, "f_number": 8.0, "iso": 100.0} for k, (u, _) in enumerate(frames)]}
    kept: dict[str, float] = {}
    judged = quality.changes

    def watched(looks: list[FrameLook], pairs: list[quality.Pair], **how: Any) -> list[dict[str, Any]]:
        doubt = float(how.get("doubt", 0.0))
        kept.update(statistics(pairs, looks, doubt))
        return judged(looks, pairs, **how)

    start = time.process_time()
    with patch.object(quality, "changes", watched):
        record = job.run(asked, [*(io.BytesIO(d) for d in data), io.BytesIO()], lambda _: None)
    blind = unseen(record["checks"])
    return Told(
        kinds={str(f["kind"]) for f in record["findings"]}, truth=truth, statistics=kept,
        seen={k for k in truth.faults if truth.where[k] not in blind.get(k, set())},
        judging_s=record["seconds"].get("judge", 0.0), whole_s=time.process_time() - start,
    )  # fmt: skip


def unseen(checks: Sequence[Mapping[str, Any]]) -> dict[str, set[int]]:
    """The frames of which each check says nothing."""
    return {c["check"]: set(c["frames"]) if c["made"] else set(range(FRAMES)) for c in checks}


def share(kind: str, told: list[Told]) -> str:
    count = sum(kind in t.kinds for t in told)
    return f"{count} of {len(told)} ({100 * count / max(1, len(told)):.1f} %)"


def rates(told: list[Told]) -> None:
    for kind in KINDS:
        print(f"  {kind}: found {share(kind, [t for t in told if kind in t.truth.faults])}, "
              f"where the check was made {share(kind, [t for t in told if kind in t.seen])}, "
              f"where it left a trace {share(kind, [t for t in told if t.truth.shows(kind)])}, "
              f"false {share(kind, [t for t in told if kind not in t.truth.faults])}", flush=True)  # fmt: skip
    clean = {k: [t.statistics[k] for t in told if k not in t.truth.faults and k in t.statistics] for k in KINDS}
    print("  without the fault, 90th, 99th percentile and most of the statistic:",
          {k: [round(float(np.percentile(v, p)), 2) for p in (90, 99, 100)] for k, v in clean.items() if v}, flush=True)


def through(count: int, kinds: list[str]) -> None:
    """Rates of the whole job, as a person meets them; said after every 50 bursts."""
    cv2.setNumThreads(1)
    pictures = [radiance(s) for s in range(12)]
    made: dict[str, list[Told]] = {k: [] for k in kinds}
    for n, seed in enumerate(range(count, 2 * count), 1):
        frames, truth = exposed(seed, pictures)
        for kind in kinds:
            made[kind].append(merged(frames, truth, kind))
        if n % 50 == 0 or n == count:
            for kind, told in made.items():
                judging, whole = (float(np.mean([getattr(t, k) for t in told])) for k in ("judging_s", "whole_s"))
                print(f"{n} bursts as {kind} through the merge: {judging:.2f} of {whole:.2f} s CPU each go to judging")
                rates(told)


def main(count: int, *, learn: bool = True) -> None:
    pictures = [radiance(s) for s in range(12)]
    learnt: dict[str, list[float]] = {}
    for seed in range(count if learn else 0):
        looks, truth = burst(seed, pictures)
        for name, value in statistics(quality.compare(looks, latlong=True), looks).items():
            if name not in truth.faults:
                learnt.setdefault(name, []).append(value)
    print("99th percentile without the fault:", {k: round(float(np.percentile(v, 99)), 4) for k, v in learnt.items()})
    # faulty, found, those whose first frame the check says it saw, found of them, sound, alarms, with a trace, found
    found = {k: [0] * 8 for k in KINDS}
    for seed in range(count, 2 * count):
        looks, truth = burst(seed, pictures)
        pairs = quality.compare(looks, latlong=True)
        told = {f["kind"] for f in quality.judge_pairs(looks, pairs, latlong=True)}
        blind = unseen(quality.checks(pairs, FRAMES))
        for kind, row in found.items():
            if kind in truth.faults:
                row[0] += 1
                row[1] += kind in told
                if truth.where[kind] not in blind.get(kind, set()):
                    row[2] += 1
                    row[3] += kind in told
                if truth.shows(kind):
                    row[6] += 1
                    row[7] += kind in told
            else:
                row[4] += 1
                row[5] += kind in told
    for kind, (faulty, hit, later, later_hit, sound, alarms, traced, traced_hit) in found.items():
        print(f"{kind}: found {hit} of {faulty} ({100 * hit / max(1, faulty):.0f} %), where the check was made "
              f"{later_hit} of {later} ({100 * later_hit / max(1, later):.0f} %), where it left a trace "
              f"{traced_hit} of {traced} ({100 * traced_hit / max(1, traced):.0f} %), "
              f"false {alarms} of {sound} ({100 * alarms / max(1, sound):.1f} %)")  # fmt: skip


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    if files := [k for k in ("tiff", "jpeg") if k in sys.argv]:
        through(number, files)
    else:
        main(number, learn="rates" not in sys.argv)
