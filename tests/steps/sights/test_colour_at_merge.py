"""A chart's matrix at merge: only for its own body and kind of file, and a merge of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.records.merges import ChartColour
from ingest.records.views import FrameFile, View, ViewFrame
from ingest.settings import model
from ingest.steps.merging import attributes
from ingest.steps.merging.stage import chart_for, request, signature
from tests import brackets

KEEPS_GREY = (1.2, -0.1, -0.1, -0.05, 1.1, -0.05, 0.0, -0.2, 1.2)


def colour(source: str) -> ChartColour:
    return ChartColour(digest="xxh3_128:c0ffee0123", source=source, matrix=KEEPS_GREY, reference="since November 2014",
                       patches=24, delta_e=1.5, delta_e_max=4.0, before=9.0)  # fmt: skip


def view(*, raw: bool, ending: str = "") -> tuple[View, list[tuple[ViewFrame, FrameFile]]]:
    ending = ending or ("DNG" if raw else "JPG")
    files = [FrameFile(digest=f"d{n}", card_id="k", path=f"DCIM/A{n}.{ending}", raw=raw) for n in range(2)]
    frames = tuple(
        ViewFrame(files=(f,), exposure_s=2.0**-n, f_number=8.0, iso=100.0, taken_s=None) for n, f in enumerate(files)
    )
    made = View(
        id="p1", frames=frames, complete=True, review=False, reasons=(), why=(), position="s1", view=1, repeat_of=None,
        body="Tonga|1|7", make="Tonga", model="1", serial="7", lens="", focal_mm=None, kind="flat", kind_proposed=False,
    )
    return made, list(zip(frames, files, strict=True))


def test_a_body_gets_its_own_matrix_for_its_own_kind_of_file() -> None:
    colours = {("Tonga|1|7", "raw"): colour("raw"), ("Other|1|7", "jpeg"): colour("jpeg")}
    raw, raws = view(raw=True)
    plain, jpegs = view(raw=False)
    assert chart_for(raw, raws, colours) is colours["Tonga|1|7", "raw"]
    assert chart_for(plain, jpegs, colours) is None
    each = {("Tonga|1|7", kind): colour(kind) for kind in ("raw", "jpeg", "tiff")}
    for ending, kind in (("DNG", "raw"), ("JPG", "jpeg"), ("TIF", "tiff")):
        made = chart_for(*view(raw=kind == "raw", ending=ending), each)
        assert made is not None and made.source == kind
    assert chart_for(raw, [*raws, *jpegs], each) is None  # no one kind
    assert chart_for(replace(raw, body="Third||"), raws, colours) is None


def test_a_matrix_that_is_no_better_than_the_balance_is_none() -> None:
    assert colour("raw").helps
    assert not replace(colour("raw"), delta_e=9.0).helps and not replace(colour("raw"), delta_e=9.1).helps


def test_another_matrix_is_another_merge_and_none_changes_nothing() -> None:
    made, files = view(raw=True)
    names = {signature(made, files), signature(made, files, colour("raw")),
             signature(made, files, replace(colour("raw"), matrix=(*KEEPS_GREY[:-1], 1.25)))}  # fmt: skip
    assert len(names) == 3
    pixels = model.Merging().pixels
    assert request(made, files, {}, pixels, memory_mb=512).matrix is None
    turned = request(made, files, {}, pixels, colour("raw"), memory_mb=512)
    assert turned.matrix == KEEPS_GREY
    assert "matrix from the body's chart" in attributes.standard(turned, tuple(range(len(turned.frames))))["comments"]


@pytest.mark.parametrize("kind", ["jpeg", "raw"])
def test_the_matrix_turns_colours_and_keeps_grey(kind: str) -> None:
    if kind == "raw":
        pytest.importorskip("pidng", reason="no writer of test raws here")
    light = np.full((64, 96, 3), 0.2)
    light[:, 48:] = (0.3, 0.2, 0.1)
    bracket = brackets.make(light, brackets.Body(), [1 / 512, 1 / 128], kind=kind, hold=0.25)
    plain, _ = brackets.run(bracket, refine=False, align=False)
    turned, _ = brackets.run(bracket, refine=False, align=False, matrix=KEEPS_GREY)
    expected = plain @ np.array(KEEPS_GREY).reshape(3, 3).T
    assert np.allclose(np.median(turned[:, :40], axis=(0, 1)), np.median(plain[:, :40], axis=(0, 1)), rtol=0.02)
    assert np.allclose(np.median(turned[:, 56:], axis=(0, 1)), np.median(expected[:, 56:], axis=(0, 1)), rtol=0.03)
