"""Files to frames: DCF names (CIPA DC-009 / JEITA CP-3461), pairs, order on the card."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from ingest.records.stills import StillFile, StillHeader, StillLook
from ingest.steps.stills import frames
from ingest.steps.stills.exposure import Exposure
from ingest.steps.stills.frames import as_frame, body_key, card_order, class_of, frame_id, merged, name_of, pair

NOON = datetime(2026, 3, 1, 12)  # noqa: DTZ001
HEADER = StillHeader(make="HARMATAN", model="K2", body_serial="7", taken=NOON, exposure_time_s=Fraction(1, 60), iso=100)


def file(path: str, *, card: str = "a", header: StillHeader | None = HEADER, digest: str = "") -> StillFile:
    return StillFile(digest=digest or f"{card}/{path}", card=card, path=path, header=header)


def paths(groups: list[tuple[StillFile, ...]]) -> list[list[str]]:
    return [[f.path for f in g] for g in groups]


def test_a_raw_and_a_jpeg_of_one_number_are_one_frame() -> None:
    """DCF: files of one directory with one number are one object; one number in two directories is two."""
    given_ = ["DCIM/100DEMO_/DEMO0007.JPG", "DCIM/100DEMO_/DEMO0007.DNG", "DCIM/101DEMO_/DEMO0007.JPG"]
    assert paths(pair(map(file, given_))) == [
        ["DCIM/100DEMO_/DEMO0007.DNG", "DCIM/100DEMO_/DEMO0007.JPG"],
        ["DCIM/101DEMO_/DEMO0007.JPG"],
    ]


def test_headers_that_contradict_each_other_are_no_pair() -> None:
    later = replace(HEADER, taken=NOON + timedelta(seconds=40))
    brighter = replace(HEADER, exposure_time_s=Fraction(1, 30))
    for other in (later, brighter, replace(HEADER, model="K3")):
        assert len(pair([file("A0001.DNG"), file("A0001.JPG", header=other)])) == 2
    exact = replace(HEADER, exposure_time_s=Fraction(1, 64), body_serial=None)
    assert len(pair([file("A0001.DNG", header=exact), file("A0001.JPG")])) == 1
    assert len(pair([file("A0001.DNG", header=None), file("A0001.JPG")])) == 1


def test_two_of_a_kind_are_two_frames() -> None:
    assert len(pair([file("a.jpg"), file("a.jpeg")])) == 2
    assert len(pair([file("a.dng"), file("a.jpeg"), file("a.jpg")])) == 2


def test_the_same_content_twice_is_one_file() -> None:
    assert len(pair([file("A0001.JPG", digest="x"), file("dump/A0001.JPG", card="b", digest="x")])) == 1


def test_a_raw_on_one_card_and_its_jpeg_on_another() -> None:
    raw, jpeg = file("DCIM/100DEMO_/DEMO0007.DNG"), file("DCIM/100DEMO_/DEMO0007.JPG", card="b")
    assert paths(pair([jpeg, raw])) == [[raw.path, jpeg.path]]
    other = replace(jpeg, header=replace(HEADER, body_serial="8"))
    assert len(pair([other, raw])) == 2
    assert len(pair([replace(jpeg, header=None), raw])) == 2


def test_order_on_the_card_across_a_roll_over() -> None:
    given_ = ["DCIM/101DEMO_/DEMO0001.JPG", "DCIM/100DEMO_/DEMO9999.JPG", "DCIM/100DEMO_/DEMO9998.JPG"]
    assert sorted(given_, key=card_order) == given_[::-1]


def test_names_that_keep_no_rule() -> None:
    assert name_of("R0010123.JPG").number == 123
    assert name_of("a/IMG_12345.jpg").number == 12345
    assert name_of("probe.jpg") == frames.Name(folder_number=None, prefix="probe", number=None, dcf=False)
    assert name_of("DCIM/099DEMO_/x.jpg").folder_number is None
    assert name_of(".jpg").number is None
    assert class_of("a.CR3") == "raw" and class_of("a.JPG") == "jpeg" and class_of("a.heic") == "heif"


def test_the_body_is_make_model_and_serial() -> None:
    assert body_key(StillHeader(make="HARMATAN", model="HARMATAN K2", body_serial="7")) == "HARMATAN|K2|7"
    assert body_key(StillHeader()) == "" == body_key(None)


def test_what_one_file_leaves_open_the_other_fills() -> None:
    raw = StillHeader(make="HARMATAN", exposure_time_s=Fraction(1, 64))
    both = merged([None, raw, HEADER])
    assert both is not None
    assert (both.exposure_time_s, both.body_serial, both.taken) == (Fraction(1, 64), "7", NOON)
    assert merged([None]) is None


def test_a_frame_has_all_the_evidence() -> None:
    look = StillLook(decodes=True, log2_brightness=-3.0, width=6000, height=4000)
    dark = StillLook(decodes=False, trouble="nothing but zeros")
    header = replace(HEADER, subsec_digits=2, exposure_mode=2)
    raw = StillFile(digest="r", card="a", path="DCIM/100DEMO_/DEMO0007.DNG", header=header, look=dark)
    jpeg = StillFile(digest="j", card="a", path="DCIM/100DEMO_/DEMO0007.JPG", header=header, look=look)
    frame = as_frame([raw, jpeg], Exposure(time_s=1 / 64, f_number=None, iso=100.0), card_index=3)
    assert (frame.id, frame.body, frame.number, frame.folder_number) == ("r", "HARMATAN|K2|7", 7, 100)
    assert (frame.exposure_ev, frame.exposure_s, frame.tick_s) == (-6, 1 / 64, 0.01)
    assert frame.usable and frame.bracketed and frame.log2_brightness == -3.0 and frame.width == 6000
    assert frame.shown_s == 1772366400.0 and frame.time_s is None
    assert not as_frame([replace(raw, look=dark)]).usable
    for drive, said in (("auto bracket", True), ("single", False), ("continuous or bracket", None)):
        assert as_frame([replace(raw, header=replace(HEADER, drive=drive))]).bracketed is said
    blank = as_frame([StillFile(digest="z", card="a", path="x.jpg")])
    assert (blank.exposure_ev, blank.shown_s, blank.bracketed, blank.usable) == (None, None, None, True)


FILES = st.lists(
    st.builds(
        StillFile,
        digest=st.text("abcdef0123456789", min_size=4, max_size=4),
        card=st.sampled_from("ab"),
        path=st.builds(
            "DCIM/{}/{}{}.{}".format,
            st.sampled_from(["100DEMO_", "101DEMO_", "odd"]),
            st.sampled_from(["DEMO", "_EMO", "x"]),
            st.sampled_from(["0001", "0002", "9999"]),
            st.sampled_from(["JPG", "jpg", "DNG", "tif", "heic", "cr3"]),
        ),
        header=st.sampled_from([None, HEADER, replace(HEADER, taken=NOON + timedelta(seconds=9)), StillHeader()]),
    ),
    max_size=12,
    unique_by=lambda f: (f.card, f.path),
)


@given(FILES, st.randoms())
def test_every_content_stands_in_exactly_one_frame_whatever_the_order(files: list[StillFile], order: object) -> None:
    groups = pair(files)
    inside = [frame_id(f) for g in groups for f in g]
    assert sorted(inside) == sorted({frame_id(f) for f in files})
    for group in groups:
        assert len({class_of(f.path) for f in group}) == len(group)
    shuffled = list(files)
    order.shuffle(shuffled)  # type: ignore[attr-defined]
    assert pair(shuffled) == groups


def test_empty_files_of_other_names_are_not_one() -> None:
    """Three zero-byte files share a digest and are three lost exposures; a dump of the card adds none."""
    files = [
        StillFile(digest="d", card=card, path=f"DCIM/100DEMO_/DEMO000{n}.JPG", header=None, look=None)
        for card in ("a", "b") for n in (1, 2, 3)
    ]
    assert [[f.path[-5] for f in group] for group in pair(files)] == [["1"], ["2"], ["3"]]
    assert len({as_frame(group).id for group in pair(files)}) == 3
