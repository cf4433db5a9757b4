"""What is legal in a lens file and perhaps not meant."""

from __future__ import annotations

from ingest.records.lenses import Lens, LensFile, LensView, Outline, doubts

BODY = LensFile(kind="fisheye", lenses=(Lens(cx=215.5, cy=143.5, f=84.2, fov_deg=185.0, sigma={"f": 0.1}),),
                views=(LensView(), LensView(heading_deg=180.0, outline=Outline(cx=1.0, cy=1.0, radius_px=9.0))),
                size=(432, 288), notes=("made",))  # fmt: skip


def test_what_is_written_is_doubted_nowhere() -> None:
    assert doubts(BODY.to_json(), 2) == [] and doubts({**BODY.to_json(), "views": []}, 1) == []


def test_keys_that_nothing_reads_and_views_that_are_not_listed_are_told() -> None:
    told = BODY.to_json()
    told["headings"] = [0, 180]
    told["lenses"][0]["foV"] = 185
    told["views"] = told["views"][:1]
    assert doubts(told, 2) == [
        "headings is not read.", "lenses[0].foV is not read; did you mean fov?",
        "it lists 1 of 2 views; those that it does not list stand as heading 0.",
    ]
    assert doubts({"kind": "lat-long"}, 3) == [] and doubts({"kind": "fisheye", "lenses": 3, "views": [7]}, 1) == []
