"""Figures of panorama and light on scenes of known truth.  Run: python -m tests.bench.light [part]..."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from ingest.records.lenses import LensFile
from ingest.steps.light.summary import summarise
from ingest.steps.panorama import cameras
from ingest.steps.panorama.projection import Projected, Projector
from ingest.steps.panorama.raster import Layout, Raster
from tests import scenes


def lights() -> None:
    """Direction, energy and key to fill of the lights of perfect lat-longs."""
    for name, scene, width in (("sun", scenes.outdoor(), 1024), ("sun", scenes.outdoor(), 512),
                               ("room", scenes.room(), 1024)):  # fmt: skip
        picture = scenes.latlong(scene, width, discs=64)
        start = time.process_time()
        found = summarise(picture, Layout.CORNERS)
        used = time.process_time() - start
        print(f"{name} {width}: {len(found.lights)} lights, {used:.2f} s, key to fill {found.key_to_fill}")
        for disc in scene.lights():
            angles = [np.degrees(np.arccos(min(1.0, float(np.dot(light.direction, disc.direction)))))
                      for light in found.lights]  # fmt: skip
            k = int(np.argmin(angles))
            light = found.lights[k]
            energy = np.dot(light.irradiance_rgb, scenes.LUMINANCE) / (disc.irradiance @ scenes.LUMINANCE) - 1
            size = light.solid_angle_sr / disc.solid_angle
            print(f"  {angles[k]:.4f} deg, energy {100 * energy:+.2f} %, size {size:.3f}"
                  f"{' at most' if light.solid_angle_at_most else ''}, {light.cct_k}")  # fmt: skip


def lens(cx: float, cy: float, *, back: bool = False, **more: object) -> dict[str, object]:
    """A made two-lens body's lens: about 200 degrees in a circle of 500 px."""
    upright = np.diag([-1.0, -1.0, 1.0])
    turn = np.diag([-1.0, 1.0, -1.0]) @ upright if back else upright
    whole = {"cx": cx, "cy": cy, "f": 291.0, "fov": 197.0, "model": "equidistant", "k": [-0.012, 0.0015], "R": turn,
             "vig": (0.25, 0.08), "gain": 0.97 if back else 1.0}  # fmt: skip
    return {**whole, **more}


def small_turn(x_deg: float, y_deg: float, z_deg: float) -> np.ndarray:
    import cv2

    return cv2.Rodrigues(np.radians([x_deg, y_deg, z_deg]))[0]


def two_lenses() -> list[dict[str, object]]:
    pair = [lens(509.3, 512.8), lens(1537.1, 508.4, back=True, f=289.5)]
    pair[1]["R"] = small_turn(0.4, 0.3, -0.5) @ np.asarray(pair[1]["R"])
    return pair


def numbers_of(lenses: list[dict[str, object]], kind: str = "dual-fisheye", views: object = ()) -> LensFile:
    plain = [{**one, "R": np.asarray(one["R"]).tolist(), "vig": list(one["vig"])} for one in lenses]
    return LensFile.from_json({"kind": kind, "calibration": "exact", "lenses": plain, "views": list(views)})


def projected(numbers: LensFile, pictures: list[np.ndarray], width: int) -> Projected:
    made = cameras.of_file(numbers, len(pictures))
    projector = Projector(Raster(height=width // 2, width=width), made)
    for view, picture in enumerate(pictures):
        projector.add(view, picture.astype(np.float32))
    return projector.finish()


def score(name: str, result: np.ndarray, truth: np.ndarray, scene: scenes.Scene, *, count: int = 400) -> None:
    where = scenes.marks(count)
    shifts, usable = scenes.direction_errors(result, truth, where)
    raw = scenes.percentiles(shifts[usable])
    rest = scenes.percentiles(scenes.after_turn(shifts[usable], where[usable]))
    astray = float(np.radians(raw[2])) if raw[2] > 1 else 0.0
    energy = [f"{100 * scenes.cap_energy(result, disc, astray_rad=astray):+.2f}" for disc in scene.lights()]
    print(f"{name}: raw p50 {raw[0]:.4f} p95 {raw[1]:.4f} worst {raw[2]:.4f}, rest p50 {rest[0]:.4f} "
          f"worst {rest[2]:.4f} deg ({usable.sum()} marks); energy {' '.join(energy)} %")  # fmt: skip


def resolved(truth: np.ndarray, where: np.ndarray, *, half: int = 8) -> np.ndarray:
    """(n,) whether all edges around a mark are wider than a pixel: no step of luminance beyond 2 in one pixel.

    A finer edge comes out blurred by the frame's own pixel, and a blurred edge stands elsewhere in the logarithm that
    is matched: that is sharpness, not direction.
    """
    level = np.log(np.maximum(truth @ scenes.LUMINANCE, 1e-6))
    raster = Raster(height=truth.shape[0], width=truth.shape[1])
    steep = np.maximum(np.abs(np.diff(level, axis=0, append=level[-1:])),
                       np.abs(np.diff(level, axis=1, append=level[:, :1])))
    x, y = (np.rint(v).astype(int) for v in raster.pixels(where))
    out = []
    for column, row in zip(x, y, strict=True):
        rows = np.clip(np.arange(row - half, row + half + 1), 0, truth.shape[0] - 1)
        columns = np.mod(np.arange(column - half, column + half + 1), truth.shape[1])
        out.append(steep[rows][:, columns].max() < np.log(2))
    return np.array(out)


def finer(lenses: list[dict[str, object]], times: int) -> list[dict[str, object]]:
    """The same lenses before a sensor with so many times finer pixels."""
    return [{**one, **{k: (float(one[k]) + 0.5) * times - 0.5 for k in ("cx", "cy")}, "f": float(one["f"]) * times}
            for one in lenses]  # fmt: skip


def sharpness() -> None:
    """Why the worst mark outdoors is off: frames twice as fine, without noise, and marks on edges a pixel resolves."""
    scene, pair = scenes.outdoor(), two_lenses()
    truth = kept("truth-outdoor", lambda: scenes.latlong(scene, 2048)).astype(float)
    where = scenes.marks(400)
    wide = resolved(truth, where)
    for name, times, noise in (("as it is", 1, 0.003), ("without noise", 1, 0.0), ("frames twice as fine", 2, 0.0)):
        lenses = finer(pair, times)
        frame = kept(f"sharp-{times}-{noise}", lambda lenses=lenses, t=times, n=noise: scenes.fisheye(
            scene, lenses, (2048 * t, 1024 * t), noise=n))
        made = projected(numbers_of(lenses), [frame], 2048)
        shifts, usable = scenes.direction_errors(made.rgb, truth, where)
        for words, some in (("all marks", usable), ("edges wider than a pixel", usable & wide)):
            p50, _, worst = scenes.percentiles(shifts[some])
            print(f"  {name}, {words}: p50 {p50:.4f} worst {worst:.4f} deg ({some.sum()} marks)")


def tilt() -> None:
    """The level of rooms and streets that lean by known angles, and of places without anything straight."""
    import cv2

    from ingest.steps.panorama import level

    raster = Raster(height=256, width=512, layout=Layout.CENTRES)
    rows: dict[str, list[tuple[float, float, bool, bool]]] = {}
    for kind, count in (("built", 60), ("cluttered", 30), ("outdoor", 30)):
        for seed in range(100, 100 + count):
            rng = np.random.default_rng(seed)
            degrees = float(rng.choice([0.0, 1.0, 2.0, 4.0, 6.0, 9.0])) if kind == "built" else 0.0
            around = rng.uniform(0, 2 * np.pi)
            lean = cv2.Rodrigues(np.radians(degrees) * np.array([np.cos(around), 0, np.sin(around)]))[0]
            make = {"built": lambda s, m=lean: scenes.built(s, tilt=m), "cluttered": scenes.cluttered,
                    "outdoor": scenes.outdoor}[kind]
            scene = make(seed)
            light = scenes.latlong(scene, 512, layout=Layout.CENTRES, parts=2) @ scenes.LUMINANCE
            found = level.find(light * (1 + 0.01 * rng.normal(size=light.shape)), raster)
            told = bool(level.judge(found))
            off = np.inf if found is None else float(np.degrees(np.arccos(np.clip(
                found.up @ (lean.T @ np.array([0.0, 1.0, 0.0])), -1, 1))))
            rows.setdefault(kind, []).append((degrees, off, found is not None and found.sure, told))
    for kind, all_rows in rows.items():
        sure = [r for r in all_rows if r[2]]
        errors = np.array([r[1] for r in sure]) if sure else np.array([np.nan])
        print(f"{kind}: {len(sure)} of {len(all_rows)} can be told; off by p50 {np.median(errors):.2f} "
              f"worst {errors.max():.2f} deg")  # fmt: skip
        for degrees in sorted({r[0] for r in all_rows}):
            mine = [r for r in all_rows if r[0] == degrees]
            print(f"  leaning {degrees:g} degrees: told of {sum(r[3] for r in mine)} of {len(mine)}")


def captured(seed: int, lens_of: list[dict[str, object]], size: int) -> list[np.ndarray]:
    """Four headings of one lens in a place with a strong source."""
    rng = np.random.default_rng(seed)
    source = scenes.at(rng.uniform(0, 360), rng.uniform(0, 50))
    if seed % 3 == 0:
        scene = scenes.outdoor(seed=seed, sun=source)
    elif seed % 3 == 1:
        scene = scenes.room(seed=seed)
    else:
        lamp = scenes.Disc(direction=source, radius_rad=np.radians(2), radiance=np.full(3, 500.0))
        scene = scenes.Scene(background=scenes.built(seed).background, discs=(lamp,))
    return [
        scenes.fisheye(scene, lens_of, (size, size), world_from_body=cameras.turn(90.0 * i), seed=4 * seed + i, parts=1)
        for i in range(4)
    ]


def spotted(
    picture: np.ndarray, x: float, y: float, radius: float, *, bright: float = 0.0, dark: float = 0.0
) -> np.ndarray:
    """A soft disc: ``bright`` times the light around it on top, tinted as coatings do, or ``dark`` of it taken away."""
    rows, columns = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    disc = np.clip((radius - np.hypot(columns - x, rows - y)) / 2 + 0.5, 0, 1)[..., None]
    level = picture @ scenes.LUMINANCE
    near = float(np.median(level[max(0, int(y) - 5) : int(y) + 6, max(0, int(x) - 5) : int(x) + 6]))
    return picture * (1 - dark * disc) + disc * near * bright * np.array([0.7, 1.2, 0.8])


def flare_told(count: int, *, bright: float = 0.0, dark: float = 0.0, first: int = 0) -> tuple[int, int, int]:
    """Of so many captures: with a reflection told, with dirt told, with a source strong enough."""
    from ingest.steps.panorama import flare as job
    from ingest.steps.panorama import seams

    one = [lens(150.0, 150.0, f=88.0, fov=190.0)]
    numbers = numbers_of(one, kind="fisheye", views=[{"heading_deg": 90.0 * i} for i in range(4)])
    shown = list(cameras.of_file(numbers, 4))
    factor = seams.thin_factor(shown[0])
    thin = [seams.thinned_camera(c, factor) for c in shown]
    ghosts = spots = strong = 0
    for seed in range(first, first + count):
        rng = np.random.default_rng(7000 + seed)
        pictures = list(kept(f"flare{seed}", lambda s=seed: np.array(captured(s, one, 301))).astype(float))
        reach, size, around = rng.uniform(0.3, 0.9), rng.uniform(5, 10), rng.uniform(0, 2 * np.pi)
        for i, picture in enumerate(pictures):
            level = picture @ scenes.LUMINANCE
            y, x = np.unravel_index(int(np.argmax(level)), level.shape)
            if bright and level[y, x] > 300 * np.median(level[level > 0]):
                strong += i == 0
                at = 150 - reach * (x - 150), 150 - reach * (y - 150)
                pictures[i] = spotted(picture, *at, size, bright=bright)
            if dark:
                r = 40 + 80 * reach
                at = 150 + r * np.cos(around), 150 + r * np.sin(around)
                pictures[i] = spotted(picture, *at, size * 0.8, dark=dark)
        small = [seams.thinned(p.astype(np.float32), factor) for p in pictures]
        agreed = seams.judge(thin, [small[c.view] for c in thin])
        told, _ = job.judge(thin, agreed.logs, agreed.directions)
        ghosts += any("reflection" in f["what"] for f in told)
        spots += any("dirt" in f["what"] for f in told)
    return ghosts, spots, strong


def flare() -> None:
    """Reflections and dirt in four headings of one lens with known numbers."""
    for words, how in (
        ("clean", {}), ("reflection of 15 %", {"bright": 0.15}), ("of 30 %", {"bright": 0.3}),
        ("of 60 %", {"bright": 0.6}), ("dirt of 10 %", {"dark": 0.1}), ("of 20 %", {"dark": 0.2}),
        ("of 40 %", {"dark": 0.4}),
    ):  # fmt: skip
        ghosts, spots, _ = flare_told(40, **how)
        print(f"{words}: a reflection told in {ghosts}, dirt in {spots} of 40")


def chain() -> None:
    """CPU of the whole chain of one probe at 6720x3360: seven JPEGs of two fisheye circles merged, stitched, looked at;
    each step in this process by its real job."""
    import io

    import cv2
    import simplejpeg

    from ingest.machinery.worker.jobs import light as light_job
    from ingest.machinery.worker.jobs import merge as merge_job
    from ingest.machinery.worker.jobs import panorama as panorama_job
    from tests.brackets import srgb

    pair = two_lenses()
    small = kept("cost", lambda: scenes.fisheye(scenes.outdoor(), pair, (2048, 1024)))
    picture = cv2.resize(small, (6720, 3360), interpolation=cv2.INTER_LINEAR)
    scale = 3360 / 1024
    lenses = [{**one, **{k: (float(one[k]) + 0.5) * scale - 0.5 for k in ("cx", "cy")}, "f": float(one["f"]) * scale}
              for one in pair]  # fmt: skip
    frames, exposures = [], [2.0**-k for k in (12, 10, 8, 6, 4, 2, 0)]
    for seconds in exposures:
        codes = np.rint(255 * srgb(np.clip(picture * seconds * 30, 0, 1))).astype(np.uint8)
        frames.append(simplejpeg.encode_jpeg(np.ascontiguousarray(codes), 95, "RGB", "420"))
    asked = {"kind": "dual-fisheye", "picture": True, "frames": [
        {"name": str(k), "exposure_s": s, "f_number": 8.0, "iso": 100.0} for k, s in enumerate(exposures)]}
    merged, preview, out = io.BytesIO(), io.BytesIO(), io.BytesIO()
    marks, walls = [time.process_time()], [time.monotonic()]

    def mark() -> None:
        marks.append(time.process_time())
        walls.append(time.monotonic())

    merge_job.run(asked, [*(io.BytesIO(f) for f in frames), merged, preview], lambda _: None)
    mark()
    numbers = numbers_of(lenses).to_json()
    answer = panorama_job.run({"lens": numbers, "views": 1, "width": 6720}, [merged, out], lambda _: None)
    mark()
    found = light_job.run({"outputs": []}, [out], lambda _: None)
    mark()
    steps = np.diff(marks)
    print(f"seven frames of 6720x3360: merge {steps[0]:.1f}, panorama {steps[1]:.1f}, light {steps[2]:.1f} s CPU, "
          f"{marks[-1] - marks[0]:.1f} in all ({walls[-1] - walls[0]:.0f} s by the clock of a busy machine); "
          f"{answer['width']}x{answer['height']}, {len(found['lights'])} lights, seam "
          f"{answer['seam']['level_stops']:.4f} stops")  # fmt: skip


def known() -> None:
    """Two lenses with known numbers."""
    for name, scene in (("outdoor", scenes.outdoor()), ("room", scenes.room())):
        pair = two_lenses()
        frame = kept(f"known-{name}", lambda scene=scene, pair=pair: scenes.fisheye(scene, pair, (2048, 1024)))
        start = time.process_time()
        made = projected(numbers_of(pair), [frame], 2048)
        used = time.process_time() - start
        truth = scenes.latlong(scene, 2048)
        score(f"two lenses, known numbers, {name} ({used:.1f} s CPU)", made.rgb, truth, scene)
        print("  coverage", made.coverage.min(), "dropped", round(made.strong_share, 3))


def kept(name: str, make: Callable[[], np.ndarray]) -> np.ndarray:
    """A rendered frame, kept in the system's temporary folder between runs of one day's work."""
    path = Path(tempfile.gettempdir()) / f"nl-bench-{name}.npy"
    if not path.exists():
        np.save(path, make().astype(np.float32))
    return np.load(path)


def nominal(lenses: list[dict[str, object]]) -> list[dict[str, object]]:
    """What the maker's sheet says: centres in the middle, round numbers, no falloff."""
    upright = np.diag([-1.0, -1.0, 1.0])
    back = np.diag([-1.0, 1.0, -1.0]) @ upright
    middles = [(511.5, 511.5), (1535.5, 511.5)]
    return [{**one, "cx": middles[i][0], "cy": middles[i][1], "f": 286.0, "k": [], "vig": (0.0, 0.0), "gain": 1.0,
             "R": back if i else upright} for i, one in enumerate(lenses)]  # fmt: skip


def mapping(found: LensFile, truth: list[dict[str, object]]) -> tuple[float, float]:
    """Median and worst error of the directions of image points after one common turn, degrees."""
    got, true = [], []
    yy, xx = np.mgrid[0:1024:16, 0:2048:16].astype(float)
    for i, lens in enumerate(truth):
        look, _, radius = scenes._lens_look(lens, np.eye(3))
        inside = np.hypot(xx - float(lens["cx"]), yy - float(lens["cy"])) < 0.97 * radius
        true.append(look(yy[inside], xx[inside])[0])
        camera = cameras.from_lens(found.lenses[i], np.eye(3), view=0, index=i)
        got.append(camera.directions(xx[inside], yy[inside])[0])
    a, b = np.concatenate(got), np.concatenate(true)
    u, _, v = np.linalg.svd(a.T @ b)
    turn = u @ np.diag([1, 1, np.sign(np.linalg.det(u @ v))]) @ v
    angle = np.degrees(np.arccos(np.clip(((a @ turn) * b).sum(1), -1, 1)))
    return float(np.median(angle)), float(angle.max())


def calibrated(counts: tuple[int, ...] = (1, 4)) -> None:
    """Nominal numbers, one burst, then four headings."""
    from ingest.steps.panorama import calibration, seams

    scene, pair = scenes.room(), two_lenses()
    turns = turned_views()

    def frame(i: int) -> np.ndarray:
        return scenes.fisheye(scene, pair, (2048, 1024), world_from_body=turns[i], seed=i)

    frames = [kept(f"headings{i}", lambda i=i: frame(i)) for i in range(len(turns))]
    views = [{"heading_deg": 90.0 * i} for i in range(4)]
    for count in counts:
        sheet = numbers_of(nominal(pair), views=views[:count])
        print(f"{count} heading(s) of two lenses: nominal mapping", mapping(sheet, pair))
        start = time.process_time()
        found, _ = calibration.refine(sheet, frames[:count])
        print("  refined mapping", mapping(found, pair), f"{time.process_time() - start:.1f} s CPU", found.notes)
        made = cameras.of_file(found, 1)
        factor = seams.thin_factor(made[0])
        small = seams.thinned(frames[0], factor)
        seam = seams.judge([seams.thinned_camera(c, factor) for c in made], [small] * len(made))
        print("  seam", seam.level_stops, seam.rms_stops)
        for lens, true in zip(found.lenses, pair, strict=True):
            off = [(lens.cx - true["cx"]) / lens.sigma["cx"], (lens.cy - true["cy"]) / lens.sigma["cy"],
                   (lens.f - true["f"]) / lens.sigma["f"]]  # fmt: skip
            print("  errors over sigma cx cy f:", np.round(off, 2), "f", lens.f, "+-", lens.sigma["f"],
                  lens.vig, lens.gain)  # fmt: skip


def turned_views() -> list[np.ndarray]:
    """World from body of four headings as a tripod gives them: noted as 0, 90, 180, 270, off by up to a degree."""
    return [np.eye(3), small_turn(0.4, 89.0, -0.3), small_turn(-0.3, 181.2, 0.2), small_turn(0.2, 269.4, 0.5)]


def one_lens() -> None:
    """Four headings of one lens: by the maker's sheet and the noted headings, and calibrated from themselves."""
    from ingest.steps.panorama import calibration

    scene, single = scenes.room(), [lens(509.3, 512.8)]
    truth = kept("truth-room", lambda: scenes.latlong(scene, 2048)).astype(float)
    frames = [
        kept(f"one-lens{i}", lambda i=i, t=turn: scenes.fisheye(
            scene, single, (1024, 1024), world_from_body=t, seed=i))
        for i, turn in enumerate(turned_views())
    ]  # fmt: skip
    sheet = numbers_of(nominal(single), kind="fisheye", views=[{"heading_deg": 90.0 * i} for i in range(4)])
    start = time.process_time()
    found, _ = calibration.refine(sheet, frames)
    used = time.process_time() - start
    for words, numbers in (("headings as noted, nominal numbers", sheet), (f"calibrated ({used:.1f} s CPU)", found)):
        score(f"four headings of one lens, {words}", projected(numbers, frames, 2048).rgb, truth, scene)
        print(" ", seam_of(numbers, frames))


def parallax() -> None:
    """Lens centres 15 mm apart, known numbers, in a room and in a corner a third as wide."""
    from ingest.steps.panorama import record, seams

    for words, wide in (("walls at 1.4 to 4 m", 1.0), ("walls at .5 to 1.3 m", 1 / 3)):
        scene = scenes.room(walls_m=[wide * w for w in (2.0, 4.0, 1.4, 1.5, 3.0, 2.5)])
        pair, name = two_lenses(), f"parallax-{wide:.1f}"
        frame = kept(name, lambda s=scene, p=pair: scenes.fisheye(s, p, (2048, 1024), baseline_m=0.015))
        truth = kept(f"truth-{name}", lambda s=scene: scenes.latlong(s, 2048)).astype(float)
        numbers = numbers_of(pair)
        made = projected(numbers, [frame], 2048)
        score(f"lens centres 15 mm apart, {words}", made.rgb, truth, scene)
        where = scenes.marks(400)
        shifts, usable = scenes.direction_errors(made.rgb, truth, where)
        overlap = usable & (np.abs(where[:, 2]) < np.sin(np.radians(8.5)))
        p50, _, worst = scenes.percentiles(shifts[overlap])
        shown = list(cameras.of_file(numbers, 1))
        factor = seams.thin_factor(shown[0])
        agreed = seams.judge([seams.thinned_camera(c, factor) for c in shown], [seams.thinned(frame, factor)] * 2)
        print(f"  in the overlap p50 {p50:.3f} worst {worst:.3f} deg ({overlap.sum()} marks); in doubt "
              f"{100 * agreed.doubtful_share:.2f} % of the sphere, told from {100 * record.NEAR_SHARE:.1f} %")


def seam_of(numbers: LensFile, pictures: list[np.ndarray]) -> str:
    """How far neighbouring cameras disagree, in stops: level and texture."""
    from ingest.steps.panorama import seams

    shown = list(cameras.of_file(numbers, len(pictures)))
    factor = min(seams.thin_factor(c) for c in shown)
    small = [seams.thinned(p.astype(np.float32), factor) for p in pictures]
    made = seams.judge([seams.thinned_camera(c, factor) for c in shown], [small[c.view] for c in shown])
    if made.level_stops is None:
        return "one view, no seam"
    return f"seam level {made.level_stops:.4f} rms {made.rms_stops:.4f} stops"


def balls() -> None:
    """Mirror ball: outline known, one view by its edge, two views by their reflections."""
    from ingest.steps.panorama import outlines

    scene = scenes.room()
    truth = kept("room1024", lambda: scenes.latlong(scene, 1024, parts=2))
    true = [(499.7, 503.2, 372.4), (505.1, 498.6, 371.1)]
    focal, turns = 4200.0, [np.eye(3), cameras.turn(90.0)]

    def frame(i: int) -> np.ndarray:
        return scenes.ball(scene, (1000, 1000), true[i], focal, world_from_body=turns[i], seed=i)

    frames = [kept(f"ball{i}", lambda i=i: frame(i)) for i in range(2)]

    def file(key: str, off: tuple[float, float, float], count: int) -> LensFile:
        views = []
        for i in range(count):
            circle = [a + o for a, o in zip(true[i], off, strict=True)]
            views.append({"heading_deg": 90.0 * i, "focal_px": focal, "reflectivity_normal": [0.6, 0.6, 0.58],
                          key: dict(zip(("cx", "cy", "radius_px"), circle, strict=True))})  # fmt: skip
        return LensFile.from_json({"kind": "mirror-ball", "calibration": "nominal", "views": views})

    for name, numbers, count in (
        ("one view, outline known", file("outline", (0, 0, 0), 1), 1),
        ("two views, outline known", file("outline", (0, 0, 0), 2), 2),
        ("one view, hint 8 px off", file("outline_hint", (6.0, -5.0, 4.0), 1), 1),
        ("two views, hint 8 px off", file("outline_hint", (6.0, -5.0, 4.0), 2), 2),
    ):
        start = time.process_time()
        found, _ = outlines.refine(numbers, frames[:count])
        used = time.process_time() - start
        for view, t in zip(found.views, true, strict=False):
            o = view.outline
            print(" ", np.round(np.array([o.cx, o.cy, o.radius_px]) - t, 3), dict(view.sigma))
        made = projected(found, frames[:count], 1024)
        score(f"{name} ({used:.1f} s CPU)", made.rgb, truth, scene)
        print("  coverage", round(float((made.coverage > 0).mean()), 3), seam_of(found, frames[:count]))


def cost() -> None:
    """CPU of projection and summary at 6720x3360 from a merged two-lens frame of that size; peak memory."""
    import resource

    import cv2

    cv2.setNumThreads(1)
    scale = 3360 / 1024
    pair = two_lenses()
    small = kept("cost", lambda: scenes.fisheye(scenes.outdoor(), pair, (2048, 1024)))
    picture = cv2.resize(small, (6720, 3360), interpolation=cv2.INTER_LINEAR)
    for one in pair:
        one |= {k: (float(one[k]) + 0.5) * scale - 0.5 for k in ("cx", "cy")} | {"f": float(one["f"]) * scale}
    start = time.process_time()
    made = projected(numbers_of(pair), [picture], 6720)
    middle = time.process_time()
    found = summarise(made.rgb, Layout.CORNERS)
    end = time.process_time()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"6720x3360: projection {middle - start:.1f} s, summary {end - middle:.1f} s CPU, peak {peak:.2f} GB, "
          f"{len(found.lights)} lights")  # fmt: skip


def coefficients() -> None:
    """Nine coefficients and irradiance: a perfect probe, and one projected from two lenses, against the scene."""
    from ingest.steps.light import harmonics
    from ingest.steps.light.flux import irradiance, measure

    normals = scenes.marks(64)
    for name, scene in (("outdoor", scenes.outdoor()), ("room", scenes.room())):
        raster = Raster(height=2048, width=4096, layout=Layout.CENTRES)
        basis, light, total = np.zeros((9, 3)), np.zeros((64, 3)), raster.solid_angles()
        for top in range(0, 2048, 64):
            rows = slice(top, top + 64)
            d = raster.directions(rows)
            flux = (scene.background(d, np.zeros(3)) * total[rows][..., None]).reshape(-1, 3)
            for disc in scene.discs:
                flux[(d @ disc.direction >= np.cos(disc.radius_rad)).ravel()] = 0
            flat = d.reshape(-1, 3)
            basis += harmonics.basis(flat).T @ flux
            light += np.maximum(normals @ flat.T, 0) @ flux
        for disc in scene.discs:
            # the disc in parts of equal solid angle
            rings = np.sqrt((np.arange(40) + 0.5) / 40)
            for r in rings:
                for a in np.arange(0, 2 * np.pi, np.pi / 16):
                    side = np.cross(disc.direction, [0.0, 1.0, 0.0])
                    side /= np.linalg.norm(side)
                    up = np.cross(side, disc.direction)
                    t = 2 * np.arcsin(r * np.sin(disc.radius_rad / 2))
                    d = np.cos(t) * disc.direction + np.sin(t) * (np.cos(a) * side + np.sin(a) * up)
                    part = disc.radiance * disc.solid_angle / (40 * 32)
                    basis += harmonics.basis(d)[:, None] * part
                    light += np.maximum(normals @ d, 0)[:, None] * part
        pair = two_lenses()
        frame = kept(f"known-{name}", lambda scene=scene, pair=pair: scenes.fisheye(scene, pair, (2048, 1024)))
        made = projected(numbers_of(pair), [frame], 1024).rgb
        for what, picture in (("perfect", scenes.latlong(scene, 1024)), ("two lenses", made)):
            cells = measure(picture, Raster(height=512, width=1024))
            sh = harmonics.project(cells)
            flux, vectors = cells.coarser(256)
            e = irradiance(vectors, flux, normals)
            print(f"{name} {what}: coefficients {100 * np.linalg.norm(sh - basis) / np.linalg.norm(basis):.3f} %, "
                  f"irradiance {100 * np.sqrt(((e - light) ** 2).mean()) / light.mean():.3f} %")  # fmt: skip


def lat_long() -> None:
    """A camera's finished lat-long brought to the OpenEXR raster; why the worst mark is off."""
    scene = scenes.outdoor()
    truth = scenes.latlong(scene, 1024)
    picture = scenes.latlong(scene, 1024, layout=Layout.CENTRES).astype(np.float32)
    raster = Raster(height=512, width=1024, layout=Layout.CENTRES)
    camera = cameras.Equirect(view=0, raster=raster, from_world=np.eye(3))
    projector = Projector(Raster(height=512, width=1024), [camera])
    projector.add(0, picture)
    score("pixels copied", picture, truth, scene)
    made = projector.finish().rgb
    score("lat-long as it is", made, truth, scene)
    where = scenes.marks(400)
    shifts, usable = scenes.direction_errors(made, truth, where)
    wide = usable & resolved(truth, where)
    p50, _, worst = scenes.percentiles(shifts[wide])
    print(f"  at edges wider than a pixel: p50 {p50:.4f} worst {worst:.4f} deg ({wide.sum()} marks)")
    fine = Raster(height=1024, width=2048, layout=Layout.CENTRES)
    projector = Projector(Raster(height=512, width=1024), [cameras.Equirect(view=0, raster=fine, from_world=np.eye(3))])
    projector.add(0, scenes.latlong(scene, 2048, layout=Layout.CENTRES).astype(np.float32))
    shifts, usable = scenes.direction_errors(projector.finish().rgb, truth, where)
    p50, _, worst = scenes.percentiles(shifts[usable])
    print(f"  a picture twice as fine, all marks: p50 {p50:.4f} worst {worst:.4f} deg ({usable.sum()} marks)")


def photographed_ball(
    light: np.ndarray, turn: np.ndarray, rng: np.random.Generator, *, size: int = 60, level: float = 0.03,
    noise: float = 0.02, colour: float = 0.0, hand: bool = True,
) -> np.ndarray:
    """(size, size, 3) picture of an 18 % ball by summing the light (H, W, 3; ``CORNERS``) over every pixel of it:
    exposure off by ``level``, each channel by ``colour``, noise, and a stand or hand before a part of it."""
    raster = Raster(height=light.shape[0], width=light.shape[1])
    flux = (light * raster.solid_angles()[..., None]).reshape(-1, 3).astype(np.float32)
    towards = raster.directions().reshape(-1, 3).astype(np.float32)
    line = (np.arange(size) - (size - 1) / 2) / (0.45 * size)
    x, y = np.meshgrid(line, -line)
    inside = x * x + y * y < 1
    normals = np.stack([-x, y, -np.sqrt(np.maximum(0, 1 - x * x - y * y))], axis=-1)[inside] @ turn.T
    normals = normals.astype(np.float32)
    made = np.full((size, size, 3), 0.18 * light.mean())
    room, lit = np.empty((32, len(towards)), np.float32), []
    for i in range(0, len(normals), 32):  # in one place in memory: fresh pages cost more than the sums
        some = np.matmul(normals[i : i + 32], towards.T, out=room[: len(normals[i : i + 32])])
        lit.append(np.maximum(some, 0, out=some) @ flux)
    made[inside] = 0.18 / np.pi * np.concatenate(lit)
    if hand:
        made[(np.abs(x) < 0.12) & (y < -0.72)] *= 0.25
    made *= np.exp(rng.normal() * level + rng.normal(size=3) * colour)
    return made * (1 + noise * rng.normal(size=made.shape))


def rescue_errors(
    count: int, *, heading: bool, level: float = 0.03, colour: float = 0.0, first: int = 0
) -> tuple[np.ndarray, np.ndarray, int]:
    """Relative errors of the missing luminance of clipped suns, those errors over the stated sigmas, and how many
    balls were refused (lit from behind)."""
    from ingest.steps.light import rescue
    from ingest.steps.light.flux import measure

    errors, over, refused = [], [], 0
    for seed in range(first, first + count):
        rng = np.random.default_rng(500 + seed)
        sun = scenes.at(rng.uniform(0, 360), rng.uniform(12, 65))
        scene = scenes.outdoor(seed=seed % 8, sun=sun, sun_level=10 ** rng.uniform(3.8, 4.8))
        whole = scenes.latlong(scene, 256, parts=1, discs=40)
        clipped = np.minimum(whole, rng.uniform(5, 60))
        raster = Raster(height=128, width=256)
        missing = measure(whole - clipped, raster).vector.sum(axis=(0, 1)) @ sun @ scenes.LUMINANCE
        truth = np.radians([rng.uniform(0, 360), *(rng.normal(size=2) * 2.5)])
        picture = photographed_ball(whole, rescue.turned(truth), rng, level=level, colour=colour)
        outline = np.array([29.5, 29.5, 0.45 * 60]) + rng.normal(size=3) * 0.3
        ball = rescue.BallPicture(
            pixels=picture, outline=tuple(outline),
            heading_deg=float(np.degrees(truth[0]) + rng.normal() * 3) if heading else None,
        )
        try:
            found = rescue.from_grey_ball(measure(clipped, raster), [sun], ball)[0]
        except ValueError:
            refused += 1
            continue
        errors.append(found.luminance / missing - 1)
        over.append((found.luminance - missing) / float(np.dot(found.sigma_rgb, scenes.LUMINANCE)))
    return np.array(errors), np.array(over), refused


def rescue() -> None:
    """Estimates of a clipped sun from a photographed grey ball, against the truth; the published sky without a ball."""
    for words, how in (
        ("heading noted, exposure and paint exact", {"heading": True, "level": 0.0}),
        ("heading noted, level off by 3 %", {"heading": True}),
        ("heading unknown, level off by 3 %", {"heading": False}),
        ("heading unknown, each channel off by 5 %", {"heading": False, "colour": 0.05}),
    ):
        errors, over, refused = rescue_errors(40, **how)
        size = 100 * np.abs(errors)
        print(f"{words}: median {np.median(size):.1f} %, 90th {np.percentile(size, 90):.1f} %, "
              f"worst {size.max():.1f} %, bias {100 * errors.mean():+.1f} %; "
              f"within one stated sigma {100 * (np.abs(over) < 1).mean():.0f} %, "
              f"two {100 * (np.abs(over) < 2).mean():.0f} %; refused {refused} of 40")  # fmt: skip


PARTS = {
    "lights": lights, "known": known, "lat_long": lat_long, "coefficients": coefficients, "balls": balls,
    "one_lens": one_lens, "parallax": parallax,
    "one_burst": lambda: calibrated((1,)), "calibrated": calibrated, "cost": cost, "rescue": rescue,
    "sharpness": sharpness, "tilt": tilt, "flare": flare, "chain": chain,
}  # fmt: skip

if __name__ == "__main__":
    for part in sys.argv[1:] or PARTS:
        PARTS[part]()
