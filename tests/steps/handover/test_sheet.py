"""The setup sheet: stands alone, both systems of units, nothing untrusted gets through."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.coverage import DueItem, Status
from ingest.records.handover import ClipLine, Picture, SetupSheet
from ingest.steps.handover.figures import facts, imperial
from ingest.steps.handover.sheet import href, page
from ingest.steps.setups.lengths import parse_length
from ingest.steps.setups.log import read_log
from ingest.steps.setups.measurements import read_measurements
from ingest.steps.setups.sheet import read_sheet


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "br", "link"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def parsed(text: str) -> Tags:
    tags = Tags()
    tags.feed(text)
    assert tags.open == []
    return tags


def test_a_whole_sheet() -> None:
    log = read_log(
        "day,shot,setup,start,end,lens,height,tilt,fps,stop,focus\n"
        "2026-04-01,TL_0270,27A,09:00,09:40,35 mm,5'7\",5 dn,23.98,T2.8 1/2,12' to 4'6\"\n",
        zone="Europe/Lisbon",
    )
    measured, _ = read_measurements("name,length,width,height,by,with\ncrate,1 m,2 m,3 m,Ines,tape\n")
    row = log.rows[0]
    sheet = SetupSheet(
        show="TIDE",
        shot="TL_0270",
        setup="27A",
        day="2026-04-01",
        camera="A",
        start="09:00",
        end="09:40",
        zone="Europe/Lisbon",
        facts=facts(row, read_sheet(row, log)),
        measurements=measured,
        items=(
            DueItem(item="clean_plate", status=Status.LOST, why="w"),
            DueItem(item="dirty_plate", status=Status.DUE, why="w", proposed=("c1",)),
        ),
        pictures=(Picture(caption="probe", path="probes/p 1/preview#1.jpg"),),
        clips=(ClipLine(name="A001C003", take="2"),),
        findings=("the sun is clipped by 9 stops",),
    )
    tags = parsed(page(sheet))
    for words in (
        "1.702 m = 5' 7\"",
        "5 degrees down",
        "23.976/s",
        "T3.36",
        "3.658 m to 1.372 m = 12' 0\" to 4' 6\"",
        "written: 5'7\"",
        "✕ clean plate",
        "□ dirty plate proposed, not confirmed",
        "length 1.000 m = 3' 3 3/8\"",
        "Ines, tape",
        "9 stops",
        "A001C003",
    ):
        assert words in re.sub(r"\s+", " ", tags.words), words
    assert [a["src"] for t, a in tags.seen if t == "img"] == ["./probes/p%201/preview%231.jpg"]
    assert not [t for t, _ in tags.seen if t in ("script", "link", "iframe")]


@pytest.mark.parametrize(
    ("path", "link"),
    [
        ("javascript:alert(1)", "./javascript%3Aalert%281%29"),
        ("//host/x", "./host/x"),
        ("../../etc/x", "./etc/x"),
        ("a\udcff.jpg", "./a%FF.jpg"),
    ],
)
def test_links_stay_beside_the_sheet(path: str, link: str) -> None:
    assert href(Picture(caption="", path=path)) == link


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["<script>alert(1)</script>", '"><img src=x onerror=y>', "{{ s }}", "&lt;", "' onload='"]),
    st.text(max_size=10),
)
def test_untrusted_words_stay_words(bad: str, more: str) -> None:
    text = bad + more
    sheet = SetupSheet(
        show=text,
        shot=text,
        setup=text,
        day=text,
        camera=text,
        notes=(text,),
        findings=(text,),
        pictures=(Picture(caption=text, path="x.jpg"),),
        clips=(ClipLine(name=text),),
    )
    tags = parsed(page(sheet))
    assert [t for t, _ in tags.seen if t == "script"] == []
    assert len([t for t, _ in tags.seen if t == "img"]) == 1
    assert all(not k.startswith("on") for _, a in tags.seen for k in a)


@settings(max_examples=100, deadline=None)
@given(st.floats(0, 500))
def test_feet_and_inches_read_back(metres: float) -> None:
    assert abs(parse_length(imperial(metres)).metres - metres) <= 0.0254 / 16 + 1e-9


def test_what_is_not_said_is_said_so_and_a_split_setup_names_its_other_shots() -> None:
    log = read_log('day,shot,setup,start,stop,focus\n2026-04-01,"TL_1, TL_2",27A,09:00,4,inf\n', zone="UTC")
    row = log.rows[0]
    found = {f.label: (f.value, f.also) for f in facts(row, read_sheet(row, log))}
    assert found["Stop"] == ("4, T or f not said", "") and found["Focus distance"] == ("infinity", "")
    sheet = SetupSheet(show="TIDE", shot="TL_1", setup="27A", day="2026-04-01", also_for=("TL_2",))
    assert "TL_1, also for TL_2" in " ".join(parsed(page(sheet)).words.split())
