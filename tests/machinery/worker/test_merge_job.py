"""The job from bytes to picture and record: simulated truth, real series, and second readers."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from ingest.errors import Unreadable
from ingest.machinery.worker import exr
from ingest.machinery.worker.jobs import light as light_job
from ingest.machinery.worker.jobs import merge
from ingest.records import rasters
from ingest.records.merges import MergeRecord
from ingest.steps.light import quality
from ingest.steps.panorama.raster import Layout
from tests import brackets, scenes

DATA = Path(__file__).parents[2] / "data"
TRUTH = brackets.scene(384, 192)
SITES = np.tile(np.array(((0, 1), (1, 2))), (96, 192))[..., None] == np.arange(3)
RAW = brackets.Body(top=16383.0, black=512.0)


def run(files: list[bytes], request: dict[str, Any]) -> tuple[dict[str, Any], io.BytesIO, io.BytesIO]:
    out, shown = io.BytesIO(), io.BytesIO()
    seen: list[float] = []
    record = merge.run(request, [*map(io.BytesIO, files), out, shown], seen.append)
    assert seen == sorted(seen) and seen[-1] == 1.0
    return record, out, shown


@pytest.mark.parametrize(
    ("kind", "body", "floor"), [("tiff", brackets.Body(), 0.97), ("dng", RAW, 0.95), ("jpeg", brackets.Body(), 0.95)]
)
def test_efficiency_with_jitter_and_flicker(kind: str, body: brackets.Body, floor: float) -> None:
    """Floors of the project: raw and TIFF .97 (measured sites), JPEG sRGB .95, judged by the bound or, for
    JPEG, by an oracle that is told everything."""
    exposures = brackets.times(8, 1.5, 1 / 2048)
    bracket = brackets.make(TRUTH, body, exposures, kind=kind, jitter=0.01, flicker=(3, 1.1))
    picture, record = brackets.run(bracket)
    bound = brackets.jpeg_bound(bracket) if kind == "jpeg" else None
    score = brackets.score(picture, bracket, mask=SITES if kind == "dng" else None, bound=bound)
    assert score.efficiency > floor
    assert score.linearity_rms < 0.01 and abs(score.slope - 1) < 0.003
    assert any(f["kind"] == "light_changed" and 3 in f["frames"] for f in record["findings"])
    assert MergeRecord.from_json(record).to_json() == record


def test_a_walking_figure_is_left_out() -> None:
    bracket = brackets.make(TRUTH, brackets.Body(), brackets.times(8, 1, 1 / 1024), figure=True)
    picture, record = brackets.run(bracket)
    score = brackets.score(picture, bracket)
    moments = np.stack([bracket.truth, *bracket.moments])
    off = np.min(np.abs(picture * score.scale / moments - 1) / np.sqrt(bracket.bound), axis=0)
    assert np.mean(off > 8) < 0.004  # hardly a pixel that matches no single moment
    assert any(f["kind"] == "motion" for f in record["findings"])


def test_frames_that_were_aligned_are_told_where_comparing_them_said_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """By then the frames are given back; a record that asked them for their width failed the whole merge."""
    monkeypatch.setattr(quality, "changes", lambda *_, **__: [])
    fine = brackets.scene(4 * 192, 4 * 96)
    shifts = [(0.0, 0.0), (1.5, 0.0), (-0.75, 1.0)]
    bracket = brackets.make(brackets.optics(fine), brackets.Body(), brackets.times(3, 2), shifts=shifts, fine=fine)
    for kind, unit in (("flat", "pixels"), ("lat-long", "degrees")):
        _, record = brackets.run(bracket, kind=kind)
        told = [f for f in record["findings"] if f["kind"] == "camera_moved"]
        assert told and told[0]["unit"] == unit
        pixels = told[0]["amount"] * (192 / 360 if unit == "degrees" else 1)
        assert pixels == pytest.approx(2.25, abs=0.8)


def test_against_the_array_librarys_merges() -> None:
    """OpenCV's Debevec and Robertson merges, given the true response, on the same frames: ours is far
    closer to the truth, and the medians agree within their known few per cent."""
    bracket = brackets.make(TRUTH, brackets.Body(), brackets.times(7, 1, 1 / 1024), kind="jpeg")
    picture, _ = brackets.run(bracket)
    ours = brackets.score(picture, bracket, bound=brackets.jpeg_bound(bracket))
    frames = [cv2.imdecode(np.frombuffer(s.data, np.uint8), cv2.IMREAD_COLOR) for s in bracket.shots]
    times = np.array([s.exposure_s for s in bracket.shots], np.float32)
    response = np.repeat((np.arange(256) / 255.0)[:, None], 3, axis=1)
    response = np.where(response <= 0.04045, response / 12.92, ((response + 0.055) / 1.055) ** 2.4)
    response = np.maximum(response, 1e-5).astype(np.float32).reshape(256, 1, 3)
    middle = (TRUTH > 2e-3) & (TRUTH < 0.2)
    for tool in (cv2.createMergeDebevec(), cv2.createMergeRobertson()):
        theirs = tool.process(frames, times, response)[..., ::-1].astype(float)
        ratio = (theirs / np.maximum(picture, 1e-9))[middle & (theirs > 0)]
        assert np.percentile(ratio / np.median(ratio), 75) == pytest.approx(1, abs=0.1)
        other = brackets.score(theirs, bracket, bound=brackets.jpeg_bound(bracket))
        assert other.efficiency < 0.5 * ours.efficiency


def _spec(oiio: Any, data: bytes, folder: Path) -> Any:
    (folder / "x.exr").write_bytes(data)
    return oiio.ImageInput.open(str(folder / "x.exr")).spec()


def test_a_second_library_reads_every_attribute(tmp_path: Path) -> None:
    """OpenImageIO: names as it maps the standard's; types are checked by our own reader's header."""
    oiio = pytest.importorskip("OpenImageIO")
    bracket = brackets.make(TRUTH, brackets.Body(), brackets.times(3, 2), kind="jpeg")
    request = brackets.request(bracket, kind="lat-long", colour_space="acescg")
    for f in request["frames"]:
        f |= {"lens": "Tonga 8 mm", "captured": "2031:05:06 07:08:09", "utc_offset_s": 32400}
    record, out, _ = run([s.data for s in bracket.shots], request)
    spec = _spec(oiio, out.getvalue(), tmp_path)
    assert (spec.width, spec.height) == (384, 192)
    assert list(spec.channelnames) == ["R", "G", "B", "sigma.Y", "support.frames"]
    value = {p.name: p.value for p in spec.extra_attribs}  # standard names as that library maps them
    assert value["ExposureTime"] == pytest.approx(1 / 4096) and value["FNumber"] == 8.0
    assert value["openexr:chromaticities" if "openexr:chromaticities" in value else "chromaticities"] == pytest.approx(
        (0.713, 0.293, 0.165, 0.83, 0.128, 0.044, 0.32168, 0.33767))  # fmt: skip
    kinds = {p.name: str(p.type) for p in spec.extra_attribs}
    for name, kind in (("ExposureTime", "float"), ("FNumber", "float"), ("utcOffset", "float"),
                       ("whiteLuminance", "float"), (rasters.ATTRIBUTE, "string"), ("DateTime", "string"),
                       ("chromaticities", "float[8]")):  # fmt: skip
        found = next((k for n, k in kinds.items() if n in (name, f"openexr:{name}")), None)
        assert found == kind, (name, kinds)
    assert len(kinds) >= len(record["attributes"])  # nothing we wrote is lost on it
    header, _ = exr.read(out, header_only=True)
    assert header["utcOffset"] == -32400.0  # what to add to local time: the opposite of Exif's sign
    assert header["capDate"] == "2031:05:06 07:08:09" and header["wrapmodes"] == "periodic,clamp"
    assert header["whiteLuminance"] == pytest.approx(78 * 32 / (0.65 * 100 / 64))
    assert isinstance(header["isoSpeed"], float) and "LATLONG" in str(header["envmap"]).upper()
    assert header[rasters.ATTRIBUTE] == rasters.INSIDE == record["attributes"][rasters.ATTRIBUTE]
    assert record["colour_space"] == "acescg"


def test_the_light_of_a_merged_camera_frame_stands_where_it_stood() -> None:
    """A camera's pixel centres lie half a pixel inside, OpenEXR's on pole and seam: read as the other, a sun
    is off by up to half a pixel (.18 degrees at 1024).  The merged view says which, and light believes it."""
    scene = scenes.outdoor(seed=3)
    truth = scenes.latlong(scene, 1024, layout=Layout.CENTRES, parts=1)
    light = truth / truth.max() * 0.9
    bracket = brackets.make(light, brackets.Body(), brackets.times(4, 4.0, 1 / 8000))
    _, out, _ = run([s.data for s in bracket.shots], brackets.request(bracket, kind="lat-long"))
    out.seek(0)
    answer = light_job.run({}, [out], lambda _: None)
    assert answer["layout"] == Layout.CENTRES
    cosine = np.dot(answer["lights"][0]["direction"], scene.discs[0].direction)
    assert np.degrees(np.arccos(min(1.0, cosine))) < 0.01


def test_a_chart_fitted_matrix_gives_the_charts_colours() -> None:
    """A camera whose channels are mixtures photographs the 24-patch chart as colour-science has it (before
    November 2014, to Rec.709 by Bradford); the fitted matrix brings every patch back within .3 % of white."""
    colour = pytest.importorskip("colour")
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - Before November 2014"]
    stated = np.array(list(chart.data.values()))
    # the neutral row's published luminances over white's
    assert stated[18:, 2] / stated[18, 2] == pytest.approx([1, 0.645, 0.398, 0.210, 0.097, 0.034], abs=0.001)
    xyz = colour.xyY_to_XYZ(stated)
    patches = np.clip(colour.XYZ_to_RGB(xyz, "ITU-R BT.709", chart.illuminant, "Bradford"), 1e-3, None)
    white = patches[18].mean()
    mix = np.array([[0.80, 0.15, 0.05], [0.10, 0.80, 0.10], [0.05, 0.20, 0.75]])
    page = np.kron(patches.reshape(4, 6, 3), np.ones((32, 32, 1))) @ mix.T
    bracket = brackets.make(page * 0.5, brackets.Body(), brackets.times(4, 1.5, 1 / 512), hold=0.25)
    fitted = np.linalg.lstsq(patches @ mix.T, patches, rcond=None)[0].T
    picture, _ = brackets.run(bracket, matrix=tuple(fitted.ravel()))
    found = picture.reshape(4, 32, 6, 32, 3).mean(axis=(1, 3)).reshape(24, 3)
    scale = white / found[18].mean()
    assert np.abs(found * scale - patches).max() < 0.003 * white


def test_the_scale_is_what_saturates_at_the_reference() -> None:
    """Reference 1/64 s, f/5.657, ISO 100: half a full well at 1/128 s and f/5.657 is light of 1.0."""
    grey = np.full((64, 96, 3), 0.5)
    bracket = brackets.make(grey, brackets.Body(), [1 / 512, 1 / 128], hold=0.25)
    request = brackets.request(bracket)
    for f in request["frames"]:
        f["f_number"] = 2**2.5
    _, out, _ = run([s.data for s in bracket.shots], request)
    # the frame of 1/128 s reads 0.5; at 1/64 s the same light would just saturate
    assert np.median(exr.read(out)[1]["RGB"].astype(float)) == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize(
    ("kind", "body"),
    [("tiff", brackets.Body()), ("dng", RAW), ("jpeg", brackets.Body()),
     ("jpeg", brackets.Body(sampling="420", quality=92)), ("jpeg", brackets.Body(white_code=251.0)),
     ("jpeg", brackets.Body(curve=brackets.camera_curve))],
)  # fmt: skip
def test_a_known_scene_comes_out_at_its_absolute_level(kind: str, body: brackets.Body) -> None:
    """1.0 is what saturates at the reference; the code from which readings count as saturated lies lower,
    where noise and codec begin to spread white, and must not set the scale (it made JPEG 1 % high)."""
    bracket = brackets.make(TRUTH, body, brackets.times(8, 1.5, 1 / 2048), kind=kind)
    picture, record = brackets.run(bracket)
    first = bracket.shots[0]
    light = TRUTH * (1 / 64 / 32) / (first.exposure_s / first.f_number**2)
    fair = (TRUTH > 1e-3) & (TRUTH < 0.4)
    assert np.median(picture[fair] / light[fair]) == pytest.approx(1.0, abs=0.005)
    if kind == "jpeg":
        assert record["response"]["white_code"] == pytest.approx(body.white_code, abs=0.3)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied(orientation: int) -> None:
    from PIL import Image, ImageOps

    light = np.zeros((48, 64, 3)) + 0.05
    light[:10, :20] = 0.5
    bracket = brackets.make(light, brackets.Body(), [1 / 100, 1 / 50])
    request = brackets.request(bracket)
    for f in request["frames"]:
        f["orientation"] = orientation
    record, out, _ = run([s.data for s in bracket.shots], request)
    bright = exr.read(out)[1]["RGB"][..., 1].astype(float)
    assert (record["height"], record["width"]) == bright.shape
    bright = bright > bright.mean() * 2
    image = Image.fromarray((light[..., 1] > 0.2).astype(np.uint8) * 255)
    image.getexif()[274] = orientation
    expected = np.array(ImageOps.exif_transpose(image)) > 128
    assert np.mean(bright == expected) > 0.99


def test_what_the_shortest_exposure_cannot_hold_is_marked() -> None:
    light = np.full((64, 128, 3), 0.05)
    light[20:24, 30:34] = 40.0
    bracket = brackets.make(light, brackets.Body(), [1 / 100, 1 / 25])
    record, out, _ = run([s.data for s in bracket.shots], brackets.request(bracket, kind="lat-long"))
    assert record["clipped"]["pixels"] == 16
    rows = np.cos(np.pi * np.arange(65) / 64)
    expected = 4 * 2 * np.pi / 128 * (rows[20] - rows[24])
    assert record["clipped"]["solid_angle_sr"] == pytest.approx(expected)
    assert record["findings"][0]["kind"] == "clipped"
    pixels = exr.read(out)[1]
    assert np.isfinite(pixels["RGB"]).all() and not pixels["support.frames"][20:24, 30:34].any()


def test_float_where_half_would_overflow() -> None:
    light = np.full((32, 64, 3), 1e-4)
    light[10:14, 10:14] = 0.9
    bracket = brackets.make(light, brackets.Body(), [1 / 8000, 1 / 500])
    record, out, _ = run([s.data for s in bracket.shots],
                         brackets.request(bracket, reference_exposure_s=60.0, reference_f_number=1.0))  # fmt: skip
    assert record["pixel_type"] == "float" and exr.read(out)[1]["RGB"].max() > 65504


def test_sets_that_do_not_belong_together_are_refused_by_name() -> None:
    a = brackets.make(np.full((32, 64, 3), 0.1), brackets.Body(), [1 / 100, 1 / 50])
    b = brackets.make(np.full((32, 32, 3), 0.1), brackets.Body(), [1 / 100])
    with pytest.raises(Unreadable, match=r"TONGA0001.*mixed settings: size"):
        run([a.shots[0].data, b.shots[0].data], brackets.request(a))
    with pytest.raises(Unreadable, match="TONGA0001"):
        run([a.shots[0].data, a.shots[1].data[:400]], brackets.request(a))
    request = brackets.request(a)
    request["frames"][1]["white_balance"] = 1
    request["frames"][0]["white_balance"] = 0
    with pytest.raises(Unreadable, match="white balance"):
        run([s.data for s in a.shots], request)


def test_a_real_linear_series_against_its_authors_merge() -> None:
    """Seven real 8-bit Bayer captures (tests/data/linear-cfa, BSL-1.0) and their authors' merged picture.

    The authors fitted their own exposure factors, a colour at a time (1 : 43 to 1 : 71 where the times say
    1 : 157), so only the order of light can be compared: log light correlates above .985."""
    times = (25, 50, 100, 250, 500, 2000, 3916)
    files = [(DATA / "linear-cfa" / f"chart_{t}ms.tif").read_bytes() for t in times]
    frames = [{"name": f"{t} ms", "exposure_s": t / 1000} for t in times]
    record, out, _ = run(files, {"frames": frames, "layers": False})
    assert record["response"]["curve"] == "linear"
    ours = exr.read(out)[1]["RGB"][..., 1].astype(float)
    theirs = np.load(DATA / "linear-cfa" / "merged.npz")["merged"].astype(float)
    both = (theirs > 0.004) & (ours > 0)
    ours, theirs = cv2.blur(ours, (4, 4)), cv2.blur(theirs, (4, 4))
    assert np.corrcoef(np.log(ours[both]), np.log(theirs[both]))[0, 1] > 0.985


def test_memory_beyond_the_bound_is_spilled_with_the_same_result() -> None:
    bracket = brackets.make(TRUTH, brackets.Body(), brackets.times(4, 2))
    one, _ = brackets.run(bracket)
    other, _ = brackets.run(bracket, memory_bytes=1)
    assert np.array_equal(one, other)


def test_the_order_of_frames_changes_nothing() -> None:
    bracket = brackets.make(TRUTH, brackets.Body(), brackets.times(4, 2))
    one, _ = brackets.run(bracket)
    bracket.shots.reverse()
    other, record = brackets.run(bracket)
    assert np.array_equal(one, other) and record["frames"][0]["index"] == 3


def test_every_finding_has_a_confidence_and_a_picture() -> None:
    import base64

    bracket = brackets.make(TRUTH, brackets.Body(), brackets.times(6, 2, 1 / 1024), flicker=(3, 1.25), figure=True)
    record, _, _ = run([s.data for s in bracket.shots], brackets.request(bracket, picture=True))
    assert {"light_changed", "motion"} <= {f["kind"] for f in record["findings"]}
    assert [f["picture"] for f in record["findings"]] == list(range(1, len(record["findings"]) + 1))
    assert all(0 <= f["confidence"] <= 1 for f in record["findings"])
    page = cv2.imdecode(np.frombuffer(base64.b64decode(record["findings_picture"]), np.uint8), cv2.IMREAD_COLOR)
    assert page is not None and page.shape[0] > 100 * len(record["findings"])
    plain, _, _ = run([s.data for s in bracket.shots], brackets.request(bracket))
    assert "findings_picture" not in plain
