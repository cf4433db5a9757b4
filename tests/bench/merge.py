"""Figures of the merge, printed as tables: ``python -m tests.bench.merge [--seeds N] [--case WORD] [--cost]``.

Quality, a line a case and seed: efficiency against the bound of each case (JPEG: against an oracle that is
told curve and exposures) beside floor and goal, overall and in the worst decade; absolute level, log-log
slope, linearity, the largest seam between exposures, the mean of the brightest source, the mean error of the
grey patches, PSNR of PU21 codes, the exposures' error before and after refinement, the shifts' largest error
(px), what matches no single moment, and the slope of fine detail on true fine detail.  An ``!`` stands behind
what misses its floor, a ``<`` behind an efficiency under its goal.  ``--chart``: a real raw's 24 patches beside
the published ones.  ``--cost``: CPU time and peak memory at 6720 x 3360 x 9 beside OpenCV's Debevec merge in the
same run, each in a process of its own; ``--memory``: peak memory with 5, 9, 13 and 17 such frames.
"""

from __future__ import annotations

import argparse
import io
import multiprocessing
import resource
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import simplejpeg

from tests import brackets

W, H = 512, 256
NINE = brackets.times(9, 1, 1 / 2048)
RAW = brackets.Body(top=16383.0, black=512.0)
UNKNOWN = brackets.Body(curve=brackets.camera_curve)


MIX = np.array([[0.80, 0.15, 0.05], [0.10, 0.80, 0.10], [0.05, 0.20, 0.75]])  # camera from Rec.709, invented


@dataclass(kw_only=True)
class Made:
    """A bracket and how it is judged.  ``truth`` and ``bound`` (H, W, 3) as the picture shows them, ``fair``
    what is judged, ``zone`` where something moved, ``calm`` where a shift changes nothing but the place (None:
    everywhere), ``more`` what the request says further."""

    bracket: brackets.Bracket
    truth: np.ndarray
    bound: np.ndarray
    fair: np.ndarray
    zone: np.ndarray | None = None
    calm: np.ndarray | None = None
    more: dict[str, Any] = field(default_factory=dict)
    turned: bool = False


def _shifts(seed: int) -> list[tuple[float, float]]:
    rng = np.random.default_rng(5 + seed)
    return [tuple(np.round(rng.uniform(-6, 6, 2) * 4) / 4) for _ in NINE]


@dataclass(frozen=True, kw_only=True)
class Further:
    """Floors of a case beside its efficiency: the worst decade's, the largest and rms deviation from linearity and
    the patches' mean error (parts of one), PU21 (dB), the shifts (px)."""

    worst: float = 0.0
    linearity_max: float = np.inf
    linearity_rms: float = np.inf
    patches: float = np.inf
    pu21: float = 0.0
    shift: float = np.inf


NO_MORE = Further()
OF_RAW = Further(worst=0.93, linearity_max=0.011, patches=0.001, pu21=61.0)
OF_TIFF = replace(OF_RAW, pu21=64.5)
OF_CURVE = Further(linearity_rms=0.004)
OF_SHIFT = Further(shift=0.02)


def table() -> list[tuple[str, float, float, Further, Callable[[int], Made]]]:
    """(case, floor, goal, further floors, how to make it from a seed); floors where the project names one."""
    by_iso = NINE[:6] + [NINE[5]] * 3
    isos = [100.0] * 6 + [200.0, 400.0, 800.0]
    plain, fine = brackets.Body(), brackets.Body(sampling="420")
    return [
        ("raw, clean", 0.97, 0.98, OF_RAW, lambda s: still(s, RAW, kind="dng")),
        ("16-bit TIFF", 0.97, 0.98, OF_TIFF, lambda s: still(s, plain)),
        ("raw, exposures 1.5 % rms off", 0.97, 0.98, OF_RAW, lambda s: still(s, RAW, kind="dng", jitter=0.015)),
        ("raw, one frame 10 % off", 0.97, 0.98, OF_RAW, lambda s: still(s, RAW, kind="dng", flicker=(4, 1.1))),
        ("TIFF, both", 0.97, 0.98, OF_TIFF, lambda s: still(s, plain, jitter=0.015, flicker=(4, 1.1))),
        ("raw, sun disc", 0.97, 0.98, OF_RAW, lambda s: still(s, RAW, kind="dng", sun=0.95)),
        ("raw, last frames by ISO", 0.95, 0.97, NO_MORE, lambda s: still(s, RAW, by_iso, kind="dng", isos=isos)),
        ("raw, 9 frames x 2 EV", 0.97, 0.98, OF_RAW,
         lambda s: still(s, RAW, brackets.times(9, 2, 1 / 4096), kind="dng")),
        ("TIFF, colour matrix", 0.95, 0.97, NO_MORE, mixed),
        ("JPEG, sRGB", 0.95, 0.97, NO_MORE, lambda s: still(s, plain, kind="jpeg")),
        ("JPEG, unknown curve", 0.90, 0.95, OF_CURVE, lambda s: still(s, UNKNOWN, kind="jpeg")),
        ("JPEG, unknown, 1 % jitter", 0.67, 0.95, NO_MORE, lambda s: still(s, UNKNOWN, kind="jpeg", jitter=0.01)),
        ("JPEG 4:2:0, turned", 0.88, 0.93, NO_MORE, lambda s: still(s, fine, kind="jpeg", turned=True)),
        ("3 frames, unknown curve", 0.88, 0.90, NO_MORE,
         lambda s: still(s, UNKNOWN, brackets.times(3, 3, 1 / 2048), kind="jpeg")),
        ("TIFF, a figure walks through", 0.97, 0.98, NO_MORE, lambda s: still(s, plain, figure=True)),
        ("JPEG, a figure walks through", 0.90, 0.95, OF_CURVE, lambda s: still(s, plain, kind="jpeg", figure=True)),
        ("TIFF, hand-held", 0.90, 0.95, OF_SHIFT, lambda s: hand_held(s, plain)),
        ("JPEG, hand-held", 0.90, 0.95, OF_SHIFT, lambda s: hand_held(s, plain, kind="jpeg")),
        ("all at once", 0.65, 0.88, NO_MORE,
         lambda s: hand_held(s, fine, kind="jpeg", jitter=0.01, flicker=(4, 1.1), figure=True)),
    ]  # fmt: skip


def still(
    seed: int, body: brackets.Body, exposures: list[float] = NINE, *, sun: float = 0.0, turned: bool = False,
    figure: bool = False, **how: Any,
) -> Made:  # fmt: skip
    """A tripod set.  A turned one is photographed on its side and says so."""
    truth = brackets.scene(W, H, seed=seed + 1, sun=sun)
    made = brackets.make(truth, body, exposures, seed=seed, figure=figure, **how)
    bound = brackets.jpeg_bound(_without_figure(made, exposures, how)) if how.get("kind") == "jpeg" else made.bound
    fair = np.ones(truth.shape, bool)
    if how.get("kind") == "dng":  # a demosaic shall neither help nor hurt
        fair &= np.tile(np.array(((0, 1), (1, 2))), (H // 2, W // 2))[..., None] == np.arange(3)
    margin = 8 if how.get("kind") == "jpeg" else 0  # the codec drags the figure through a block
    zone = _figure_zone(made, margin) if figure else None
    if zone is not None:
        fair &= ~zone[..., None]
    more = {"orientation": 6} if turned else {}
    return Made(bracket=made, truth=truth, bound=bound, fair=fair, zone=zone, more=more, turned=turned)


def mixed(seed: int) -> Made:
    """A camera whose channels are mixtures, and a chart-fitted matrix that says how."""
    truth = brackets.scene(W, H, seed=seed + 1)
    made = brackets.make(truth @ MIX.T, brackets.Body(), NINE, seed=seed)
    back = np.linalg.inv(MIX)
    bound = ((made.bound * made.truth**2) @ (back**2).T) / truth**2
    return Made(bracket=made, truth=truth, bound=bound, fair=np.ones(truth.shape, bool),
                more={"matrix": tuple(back.ravel())})  # fmt: skip


def hand_held(seed: int, body: brackets.Body, **how: Any) -> Made:
    """The body moves by up to six pixels between frames.  Where this bench's lens and pixels alias (edges of
    over a stop within seven pixels) nothing is judged, as a shift then changes what the pixels show."""
    fine = brackets.scene(W * brackets.FINE, H * brackets.FINE, seed=seed + 1)
    start = brackets.optics(fine)
    made = brackets.make(start, body, NINE, seed=seed, shifts=_shifts(seed), fine=fine, **how)
    bound = made.bound
    if how.get("kind") == "jpeg":
        bound = brackets.jpeg_bound(brackets.make(start, body, NINE, seed=seed, kind="jpeg"))
    zone = _figure_zone(made, margin=8) if how.get("figure") else None
    return Made(bracket=made, truth=start, bound=bound, fair=np.ones(start.shape, bool), zone=zone)


def _without_figure(made: brackets.Bracket, exposures: list[float], how: dict[str, Any]) -> brackets.Bracket:
    if all(np.array_equal(m, made.truth) for m in made.moments):
        return made
    return brackets.make(made.truth, made.body, exposures, **how)


def _figure_zone(made: brackets.Bracket, margin: int = 0) -> np.ndarray:
    """(H, W) where the figure stood in some frame, grown by ``margin`` pixels."""
    zone = np.zeros(made.truth.shape[:2], np.uint8)
    plain = np.zeros_like(made.truth)
    for k in range(len(made.shots)):
        zone |= (brackets.with_figure(plain, k, len(made.shots)) > 0).any(axis=2).astype(np.uint8)
    return cv2.dilate(zone, np.ones((2 * margin + 1, 2 * margin + 1), np.uint8)) > 0


def placed(made: Made, record: dict[str, Any], seed: int) -> None:
    """The truth of a hand-held set is what its reference frame saw."""
    if not made.bracket.shifts:
        return
    fine = brackets.scene(W * brackets.FINE, H * brackets.FINE, seed=seed + 1)
    at = made.bracket.shifts[record["reference_frame"]]
    made.truth = brackets.optics(fine, *at)
    made.bound = np.roll(made.bound, (round(at[1]), round(at[0])), (0, 1))
    made.fair[:] = False
    made.fair[14:-14, 14:-14] = True
    dark = np.log2(made.truth.min(axis=2))
    made.calm = cv2.dilate(dark, np.ones((7, 7))) - cv2.erode(dark, np.ones((7, 7))) < 1.0
    made.fair &= made.calm[..., None]
    if made.zone is not None:
        made.fair &= ~made.zone[..., None]


def seams(ratio: np.ndarray, made: Made) -> float:
    """Largest step of the mean ratio to the truth across the levels at which a frame saturates, per cent."""
    worst = 0.0
    for shot in made.bracket.shots:
        x = made.truth * shot.units
        sides = [made.fair & (x > a) & (x < b) for a, b in ((0.75, 0.97), (1.03, 1.33))]
        if all(np.count_nonzero(v) > 1000 for v in sides):
            low, high = (float(np.average(ratio[v], weights=1 / made.bound[v])) for v in sides)
            worst = max(worst, abs(high - low))
    return 100 * worst


def ghosts(picture: np.ndarray, scale: float, made: Made, record: dict[str, Any]) -> float:
    """Share of pixels, where the figure walked, that match no single moment: further than eight standard
    deviations and 2 % from what each frame saw, per cent."""
    assert made.zone is not None
    moments = [made.truth, *made.bracket.moments]
    if made.bracket.shifts:  # what each frame saw, where the reference saw it
        here = made.bracket.shifts[record["reference_frame"]]
        count = len(made.bracket.shots)
        moments = [made.truth, *(
            brackets.with_figure(made.truth, k, count) if k == record["reference_frame"] else
            _moved(brackets.with_figure(made.truth, k, count), made.truth, here, made.bracket.shifts[k])
            for k in range(count))]  # fmt: skip
    near = [np.abs(picture * scale / m - 1) < 8 * np.sqrt(made.bound) + 0.02 for m in moments]
    matched = np.any([v.all(axis=2) for v in near], axis=0)
    inner = made.zone.copy() if made.calm is None else made.zone & made.calm
    inner[:14] = inner[-14:] = False
    inner[:, :14] = inner[:, -14:] = False
    return float(100 * np.mean(~matched[inner]))


def _moved(seen: np.ndarray, empty: np.ndarray, here: tuple[float, float], there: tuple[float, float]) -> np.ndarray:
    """A figure that stood still on the sensor of another frame, carried to the reference's pixels."""
    x, y = round(here[0] - there[0]), round(here[1] - there[1])
    return np.where(np.roll(seen != empty, (y, x), (0, 1)), np.roll(seen, (y, x), (0, 1)), empty)


#: Mantiuk and Azimi 2021 ("PU21: A novel perceptually uniform encoding for adapting existing quality metrics for
#: HDR", Picture Coding Symposium), the fit for banding and glare.
_PU21 = (0.353487901, 0.3734658629, 8.277049286e-05, 0.9062562627, 0.09150303166, 0.9099517204, 596.3148142)


def pu21(luminance: np.ndarray) -> np.ndarray:
    """Perceptually uniform codes of cd/m2, clipped to .005..10000 (constants above)."""
    a, b, c, d, e, f, g = _PU21
    v = np.clip(luminance, 0.005, 10000) ** d
    out: np.ndarray = np.maximum(g * (((a + b * v) / (1 + c * v)) ** e - f), 0)
    return out


def pu21_db(picture: np.ndarray, made: Made) -> float:
    """PSNR of PU21 codes where the case is judged, 1.0 of the truth taken as 100 cd/m2, peak the code of 10000."""
    off = (pu21(100 * picture) - pu21(100 * made.truth))[made.fair]
    return float(20 * np.log10(pu21(np.array(1e4)) / np.sqrt(np.mean(off**2))))


def patches(ratio: np.ndarray, made: Made) -> float:
    """Mean deviation of the grey patches' mean light from the truth, each patch 16 x 16 pixels: of those whose noise
    at the bound is under .1 % and that nothing stands before; NaN where fewer than four are left."""
    found = []
    for i in range(W // 32):
        at = (slice(3 * H // 4, 3 * H // 4 + 16), slice(32 * i + 8, 32 * i + 24))
        here = made.fair[at] & (np.ptp(made.truth[at], axis=(0, 1)) < 1e-12)
        known = np.sqrt(float(np.mean(made.bound[at][here])) / np.count_nonzero(here)) if here.any() else np.inf
        if here.mean() > 0.3 and known < 1e-3:
            found.append(abs(float(ratio[at][here].mean()) - 1))
    return float(np.mean(found)) if len(found) > 3 else np.nan


def cases(seeds: int, only: str = "") -> None:
    print(f"{'case':29s} {'floor':>5s} {'goal':>5s} {'reach':>7s} {'worst':>7s} {'level':>7s} {'slope':>8s} "
          f"{'lin rms':>8s} {'max':>7s} {'seam':>6s} {'peak':>7s} {'patches':>8s} {'PU21':>6s} {'expo before':>11s} "
          f"{'after':>6s} {'shift':>7s} {'ghost':>6s} {'detail':>6s}  by decade")  # fmt: skip
    for name, floor, goal, further, build in table():
        if only not in name:
            continue
        for seed in range(seeds):
            _row(name, floor, goal, further, seed, build(seed))


def _row(name: str, floor: float, goal: float, further: Further, seed: int, made: Made) -> None:
    request = brackets.request(made.bracket, **{k: v for k, v in made.more.items() if k != "orientation"})
    for f in request["frames"]:
        f["orientation"] = made.more.get("orientation", 1)
    picture, record = brackets.merged(made.bracket, request)
    if made.turned:
        picture = np.rot90(picture)
    placed(made, record, seed)
    judged = replace(made.bracket, truth=made.truth, body=replace(made.bracket.body, gains=(1.0, 1.0, 1.0)))
    s = brackets.score(picture, judged, mask=made.fair, bound=made.bound)
    ratio = picture * s.scale / made.truth
    peak = made.fair & (made.truth > 0.5 * made.truth.max())
    first = made.bracket.shots[0]
    level = (1 / 64 / 32) / (first.exposure_s * first.iso / 100 / first.f_number**2) * s.scale
    true = np.log([v.units for v in made.bracket.shots])
    header = np.log([v.exposure_s * v.iso for v in made.bracket.shots])
    found = header + np.log([f["correction"] for f in record["frames"]])
    before, after = (float(np.std(v - true)) * 100 for v in (header, found))
    shift = np.nan
    if made.bracket.shifts:
        at = np.array(made.bracket.shifts) - made.bracket.shifts[record["reference_frame"]]
        shift = float(np.abs(np.array([f["shift_px"] or (0, 0) for f in record["frames"]]) - at).max())
    ghost = "" if made.zone is None else f"{ghosts(picture, s.scale, made, record):.2f}%"
    decades = " ".join(f"{d}:{v:.2f}" for d, v in s.decades.items())
    top = f"{100 * (float(ratio[peak].mean()) - 1):+.2f}%" if peak.any() else ""
    flat, uniform = patches(ratio, made), pu21_db(picture * s.scale, made)
    missed = "!" if s.efficiency < floor else "<" if s.efficiency < goal else " "
    print(f"{name:29s} {floor:5.2f} {goal:5.2f} {s.efficiency:6.3f}{missed} "
          f"{s.worst_decade:6.3f}{_mark(s.worst_decade < further.worst)} "
          f"{100 * (1 / level - 1):+6.2f}% {s.slope:8.5f} "
          f"{100 * s.linearity_rms:6.2f}%{_mark(s.linearity_rms > further.linearity_rms)} "
          f"{100 * s.linearity_max:5.2f}%{_mark(s.linearity_max > further.linearity_max)} "
          f"{seams(ratio, made):5.2f}% {top:>7s} {_or_none(100 * flat, '6.3f', '%')}{_mark(flat > further.patches)} "
          f"{uniform:5.1f}{_mark(uniform < further.pu21)} {before:10.3f}% {after:5.3f}% "
          f"{_or_none(shift, '6.3f')}{_mark(shift > further.shift)} {ghost:>6s} {s.detail:6.3f}  {decades}",
          flush=True)  # fmt: skip


def _mark(missed: bool) -> str:
    return "!" if missed else " "


def _or_none(value: float, how: str, unit: str = "") -> str:
    return f"{value:{how}}{unit}" if np.isfinite(value) else " " * (int(how[0]) + len(unit))


CHART = Path(__file__).parents[1] / "data" / "raw-chart" / "colorchart.dng"


def chart_rows() -> None:
    """A real raw of the 24-patch chart (tests/data/raw-chart) through the job, its patches beside the published ones
    as colour-science has them: colour difference of 1976 and 2000, and the neutrals over white's.  First as LibRaw
    develops it by itself (linear, the camera's balance and matrix), then as merged with the raw's own matrices, then
    with the matrix that the chart itself gives; each is balanced on the chart's greys, in the camera's own channels,
    as the light of the shot is not the camera's idea of it.  A window lights the chart unevenly: levels stay."""
    import rawpy

    warnings.simplefilter("ignore")
    import colour

    from ingest.machinery.worker.jobs import sights
    from ingest.steps.sights import chart, finding

    data = CHART.read_bytes()
    answer = sights.run({}, [io.BytesIO(data)], lambda _: None)["files"][0]
    (seen,) = [v for v in answer["sights"] if v["what"] == "chart"]
    corners = np.array(seen["corners"])
    measured = sights.run({"corners": seen["corners"]}, [io.BytesIO(data)], lambda _: None)["files"][0]
    fitted = chart.fit(measured["patches"])
    name = {"before November 2014": "ColorChecker24 - Before November 2014",
            "since November 2014": "ColorChecker24 - After November 2014"}[fitted.reference]  # fmt: skip
    theirs = colour.CCS_COLOURCHECKERS[name]
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    stated = colour.XYZ_to_RGB(colour.xyY_to_XYZ(np.array(list(theirs.data.values()))), "ITU-R BT.709",
                               theirs.illuminant, "Bradford")  # fmt: skip

    def merged(**more: Any) -> np.ndarray:
        bracket = brackets.Bracket(truth=np.zeros(0), body=RAW, bound=np.zeros(0),
                                   shots=[brackets.Shot(units=1.0, exposure_s=1 / 60, data=data)])
        return brackets.run(bracket, **more)[0]

    with rawpy.imread(io.BytesIO(data)) as raw:
        developed = raw.postprocess(gamma=(1, 1), no_auto_bright=True, output_bps=16, adjust_maximum_thr=0.0,
                                    use_camera_wb=True, user_flip=0) / 65535.0  # fmt: skip
        own = np.array(raw.color_matrix)[:3, :3]
    print(f"{'24 patches of a real raw':38s} {'mean dE76':>9s} {'max':>6s} {'mean dE00':>9s} {'max':>6s}"
          f"  neutrals over white's\n"
          f"{'(published)':71s} {' '.join(f'{v:.3f}' for v in stated[19:, 1] / stated[18, 1])}")  # fmt: skip
    own = own / own.sum(axis=1, keepdims=True)
    mended = np.array(fitted.matrix).reshape(3, 3)
    rows = (("LibRaw, camera balance and matrix", developed, own), ("merged, the raw's own matrices", merged(), own),
            ("merged, matrix fitted to the chart", merged(matrix=fitted.matrix), mended))  # fmt: skip
    for words, picture, matrix in rows:
        means = finding.patches(np.ascontiguousarray(picture, np.float32),
                                (corners * [picture.shape[1], picture.shape[0]]).astype(np.float32))
        greys = list(chart.NEUTRALS)
        camera = means @ np.linalg.inv(matrix).T
        balanced = camera * (camera[greys, 1].mean() / camera[greys].mean(axis=0)) @ matrix.T
        level = balanced * stated[greys].mean() / balanced[greys].mean()
        labs = [colour.XYZ_to_Lab(colour.RGB_to_XYZ(v, "ITU-R BT.709", d65), d65) for v in (level, stated)]
        old, new = (colour.delta_E(*labs, method=f"CIE {y}") for y in (1976, 2000))
        print(f"{words:38s} {old.mean():9.2f} {old.max():6.2f} {new.mean():9.2f} {new.max():6.2f}  "
              f"{' '.join(f'{v:.3f}' for v in means[19:, 1] / means[18, 1])}", flush=True)  # fmt: skip


@contextmanager
def _large(count: int = 9) -> Iterator[list[str]]:
    """Files of 6720 x 3360 JPEGs over eight stops with photon noise, from an enlarged scene."""
    small = brackets.scene(1680, 840)
    big = np.exp(cv2.resize(np.log(small).astype(np.float32), (6720, 3360), interpolation=cv2.INTER_CUBIC))
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        paths = [f"{folder}/{k}.jpg" for k in range(count)]
        for k, path in enumerate(paths):
            codes = np.empty((3360, 6720, 3), np.uint8)
            for top in range(0, 3360, 210):
                x = big[top : top + 210] * 2.0 ** (8 * k / (count - 1) - 1)
                x = x + np.sqrt(x / 20000 + 4e-8) * rng.standard_normal(x.shape, np.float32)
                codes[top : top + 210] = np.rint(255 * brackets.srgb(np.clip(x, 0, 1)))
            Path(path).write_bytes(simplejpeg.encode_jpeg(codes, 95, "RGB", "420"))
        yield paths


def _measured(work: Callable[..., Any], paths: list[str], queue: Any) -> None:
    start = time.process_time()
    detail = work(paths)
    queue.put((time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, detail))


def _ours(paths: list[str], **more: Any) -> dict[str, float]:
    from ingest.machinery.worker.jobs import merge

    last = len(paths) - 1
    frames = [{"name": f"{k}", "exposure_s": 2.0 ** (8 * k / last - 12), "f_number": 8.0, "iso": 100}
              for k in range(len(paths))]  # fmt: skip
    with ExitStack() as stack:
        files: list[Any] = [*(stack.enter_context(open(p, "rb")) for p in paths),
                            *(stack.enter_context(tempfile.TemporaryFile()) for _ in range(2))]  # fmt: skip
        record = merge.run({"frames": frames, **more}, files, lambda _: None)
    return dict(record["seconds"])


def _static(paths: list[str]) -> dict[str, float]:
    return _ours(paths, movement=False, align=False)


def _plain(paths: list[str]) -> dict[str, float]:
    return _ours(paths, quick=True)


def _theirs(paths: list[str]) -> dict[str, float]:
    cv2.setNumThreads(1)
    start = time.process_time()
    frames = [simplejpeg.decode_jpeg(Path(p).read_bytes(), "BGR") for p in paths]
    decoded = time.process_time()
    times = np.array([2.0 ** (8 * k / (len(paths) - 1) - 12) for k in range(len(paths))], np.float32)
    response = np.linspace(1e-4, 1, 256, dtype=np.float32)[:, None, None].repeat(3, axis=2)
    cv2.createMergeDebevec().process(frames, times, np.ascontiguousarray(response))
    return {"decode": decoded - start, "merge": time.process_time() - decoded}


def _alone(work: Callable[..., Any], paths: list[str]) -> tuple[float, float, dict[str, float]]:
    """CPU seconds, peak MB and detail of some work in a process of its own."""
    spawn = multiprocessing.get_context("spawn")
    queue = spawn.Queue()
    process = spawn.Process(target=_measured, args=(work, paths, queue))
    process.start()
    found: tuple[float, float, dict[str, float]] = queue.get()
    process.join()
    return found


#: What is measured, and its goal against OpenCV's CPU time.
_KINDS = (("OpenCV Debevec", 0.0, _theirs), ("ours, plain sum", 0.25, _plain), ("ours, static", 0.6, _static),
          ("ours, alignment + movement", 1.5, _ours))  # fmt: skip


def speed(rounds: int) -> None:
    """Least CPU time of several rounds in turn, as others may be using the machine."""
    least: dict[str, tuple[float, float, dict[str, float]]] = {}
    with _large() as paths:
        for _ in range(rounds):
            for name, _, work in _KINDS:
                _, peak, detail = _alone(work, paths)
                core = detail["merge"] + detail.get("calibrate", 0.0)
                if name not in least or core < least[name][0]:
                    least[name] = (core, peak, detail)
    base = least["OpenCV Debevec"][0]
    for name, goal, _ in _KINDS:
        core, peak, detail = least[name]
        parts = " ".join(f"{k} {v:.2f}" for k, v in detail.items())
        print(f"{name:27s} {core:6.2f} s CPU = {core / base:5.2f} x{f' (goal {goal})' if goal else '':12s} "
              f"peak {peak:6.0f} MB  ({parts})")  # fmt: skip


def memory() -> None:
    """Peak memory of the whole job by the number of frames, beside OpenCV's merge."""
    counts = (5, 9, 13, 17)
    peaks: dict[str, list[float]] = {name: [] for name, _, _ in _KINDS}
    for count in counts:
        with _large(count) as paths:
            for name, _, work in _KINDS:
                peaks[name].append(_alone(work, paths)[1])
    print(f"{'peak memory, MB, goal 1000':27s}" + "".join(f"{n:>7d} frames" for n in counts))
    for name, found in peaks.items():
        print(f"{name:27s}" + "".join(f"{v:14.0f}" for v in found))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--case", default="", help="only cases whose name holds this")
    parser.add_argument("--width", type=int, default=W, help="columns of the scenes, twice their rows")
    parser.add_argument("--chart", action="store_true")
    parser.add_argument("--memory", action="store_true")
    parser.add_argument("--cost", action="store_true")
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args()
    W, H = given.width, given.width // 2
    if given.chart:
        chart_rows()
    elif given.memory:
        memory()
    elif given.cost:
        speed(given.rounds)
    else:
        cases(given.seeds, given.case)
