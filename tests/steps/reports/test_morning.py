"""The morning page: offline, hostile names inert, every state with word and shape, readable without sight."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import html

from ingest.records.audit_paper import AuditReport, SetupLine
from ingest.steps.audit.questions import judge
from ingest.steps.audit.words import CAUTION
from ingest.steps.reports.morning import Picture, ProbePictures, render_morning
from ingest.steps.reports.timeline import WIDTH, lay_out
from tests.audit_examples import card, hard, replace_probe, well

JPEG = b"\xff\xd8\xff\xe0rest"
HOSTILE = "</style><script>alert(1)</script>\u202egpj.\x1b[2J\"'&<img src=x onerror=y>\udcff"
HARD = judge(hard())


def picture() -> Picture:
    return Picture(data=JPEG, width=320, height=160, label="3 stops darker", alt="Panorama, 3 stops darker")


def page(report: AuditReport = HARD, **more: object) -> html.HtmlElement:
    return html.document_fromstring(render_morning(report, **more).decode("utf-8"))


def text_of(element: html.HtmlElement) -> str:
    return " ".join(element.text_content().split())


def hostile() -> AuditReport:
    night = hard()
    assert night.probes and night.setups
    nasty = HOSTILE.encode("utf-8", "replace").decode()
    probe = replace_probe(night.probes[0], id=nasty, setup=nasty, shot=nasty, body=nasty, lens=nasty, reasons=[nasty],
                          review=True, trouble=nasty)  # fmt: skip
    setup = SetupLine.model_validate({**night.setups[1].model_dump(), "setup": nasty, "shot": nasty, "lens": nasty})
    names = {"d-a": HOSTILE, "d-b": nasty}
    cards = [replace(c, label=HOSTILE, reasons=(HOSTILE,), policy_met=False) for c in night.cards]
    findings = [replace(f, what=HOSTILE, item=HOSTILE, next=HOSTILE) for f in night.findings]
    return judge(replace(night, probes=[probe], setups=[setup], names=names, cards=cards, findings=findings))


def test_order_needs_first_then_cards_then_the_day_then_coverage_then_probes() -> None:
    assert [h.get("id") for h in page().iter("h2")] == ["calls", "cards", "asks", "day", "coverage", "probes", "disks"]


def test_every_exception_stands_on_the_page_with_what_to_do() -> None:
    listed = page().xpath("//ol[@class='calls']/li")
    assert len(listed) == len(HARD.exceptions)
    for item, x in zip(listed, HARD.exceptions, strict=True):
        said = text_of(item)
        assert " ".join(x.what.split()) in said and " ".join(x.next.split()) in said and said.startswith(x.state)


def test_nothing_wrong_says_how_many_checks() -> None:
    said = text_of(page(judge(well())))
    assert "Nothing needs a person; 47 checks made." in said and "47 checks were made and none found" in said


def test_the_caution_stands_by_the_cards() -> None:
    section = page().xpath("//section[@aria-labelledby='cards']")[0]
    for words in CAUTION:
        assert words in text_of(section)
    assert "1 of 2" in text_of(section) and "declared" not in text_of(section) and "M. Aas" in text_of(section)


@pytest.mark.parametrize("report", [HARD, judge(well()), hostile()], ids=["hard", "well", "hostile"])
def test_no_script_no_address_no_style_outside(report: AuditReport) -> None:
    raw = render_morning(report, pictures={p.id: ProbePictures(exposures=[picture()]) for p in report.probes})
    made = html.document_fromstring(raw.decode("utf-8"))
    tags = {e.tag for e in made.iter() if isinstance(e.tag, str)}
    assert not tags & {"script", "iframe", "object", "embed", "link", "form", "base", "video"}
    for element in made.iter():
        for name, value in element.attrib.items():
            assert not name.startswith("on") and name != "style", (element.tag, name)
            if name in ("src", "href", "xlink:href", "action"):
                assert value.startswith(("data:image/", "#")), value
    assert b"http:" not in raw and b"https:" not in raw and b"url(" not in raw
    policy = made.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")[0]
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'sha256-")
    assert len(made.xpath("//style")) == 1


def test_hostile_names_are_shown_and_inert() -> None:
    raw = render_morning(hostile()).decode("utf-8")
    for bad in ("\u202e", "\x1b", "<script", "<img src=x", "\udcff"):
        assert bad not in raw
    assert "&lt;script&gt;alert(1)" in raw and "\\u202e" in raw and "\\x1b" in raw and "\\xff" in raw


@given(st.text(max_size=60))
def test_any_text_stays_text(said: str) -> None:
    said = said.encode("utf-8", "ignore").decode()
    probe = replace_probe(HARD.probes[0], setup=said, reasons=[said], review=True)
    raw = render_morning(HARD.model_copy(update={"probes": [probe], "headline": said})).decode("utf-8")
    made = html.document_fromstring(raw)
    tame = html.document_fromstring(render_morning(HARD.model_copy(update={
        "probes": [replace_probe(HARD.probes[0], setup="x", reasons=["x"], review=True)], "headline": "x"})).decode())
    assert [e.tag for e in made.iter()] == [e.tag for e in tame.iter()]
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x0b-\x1f\x7f-\x9f]", raw)


def test_every_state_has_a_word_and_a_shape() -> None:
    tags = page().xpath("//span[starts-with(@class, 'tag')]")
    words = {text_of(t) for t in tags}
    assert {"loss", "person", "note", "have", "due", "lost", "waived", "met", "short"} <= words
    shapes: dict[str, set[str]] = {}
    for t in tags:
        (drawing,) = t.xpath("./svg")
        assert text_of(t) and drawing.get("aria-hidden") == "true"
        shapes.setdefault(html.tostring(drawing).decode(), set()).add(t.get("class").removeprefix("tag ").strip())
    assert len(shapes) == 5, "loss, person, well, waived and note differ without colour"


def test_it_can_be_read_without_seeing() -> None:
    made = page(pictures={"p1": ProbePictures(exposures=[picture()], balls=[picture()])})
    assert made.get("lang") == "en" and made.xpath("//main") and made.xpath("//title/text()")
    ids = made.xpath("//@id")
    assert len(ids) == len(set(ids))
    for ref in made.xpath("//@aria-labelledby") + [h[1:] for h in made.xpath("//a/@href")]:
        assert ref in ids, ref
    assert all(i.get("alt") and i.get("width") and i.get("height") for i in made.iter("img"))
    assert all(t.get("scope") for t in made.iter("th"))
    for svg in made.iter("svg"):
        assert svg.get("aria-hidden") == "true" or svg.get("aria-label") or svg.get("aria-labelledby")
    levels = [int(h.tag[1]) for h in made.iter("h1", "h2", "h3")]
    assert levels[0] == 1 and all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_previews_only_where_given() -> None:
    assert not page().xpath("//img")
    made = page(pictures={"p1": ProbePictures(exposures=[picture(), picture(), picture()], balls=[picture()])})
    assert len(made.xpath("//img")) == 4 and made.xpath("//img/@src")[0].startswith("data:image/jpeg;base64,")


@pytest.mark.parametrize("data", [b"", b"<svg onload=x>", b"GIF89a"])
def test_only_pictures_of_our_own_making(data: bytes) -> None:
    with pytest.raises(ValueError, match="JPEG"):
        Picture(data=data, width=1, height=1, label="", alt="")


def test_same_report_same_bytes() -> None:
    assert render_morning(HARD) == render_morning(HARD)


def test_the_strip_is_true_to_scale() -> None:
    strip = lay_out(HARD.setups, "Europe/Oslo")
    assert strip is not None
    a, b = strip.bars
    # 09:00 to 10:10, then 11:00 and open (half an hour shown): 150 minutes in all
    assert (a.x, round(a.width, 1)) == (0.0, round(70 / 150 * WIDTH, 1)) and b.x == round(120 / 150 * WIDTH, 1)
    assert b.open_ended and not a.open_ended and a.dots[0].x == round(20 / 150 * WIDTH, 1)
    assert [word for _, word in strip.hours] == ["12:00", "13:00"] and lay_out([], "UTC") is None


moments = st.datetimes().map(lambda d: f"{d.isoformat()[:19]}Z")


@given(st.lists(st.tuples(moments, st.one_of(st.none(), moments)), max_size=6), st.sampled_from(["UTC", "no zone"]))
def test_any_setups_stay_on_the_strip(times: list[tuple[str, str | None]], zone: str) -> None:
    setups = [
        SetupLine(day="2026-04-01", setup=str(n), start_utc=start, end_utc=end) for n, (start, end) in enumerate(times)
    ]
    strip = lay_out(setups, zone)
    if strip:
        assert all(0 <= b.x <= WIDTH and b.x + b.width <= WIDTH + 4.1 for b in strip.bars) and len(strip.hours) <= 50
        rows: dict[float, float] = {}
        for bar in strip.bars:  # bars of one row never overlap by more than the least width
            assert bar.x >= rows.get(bar.y, 0.0) - 4.1
            rows[bar.y] = bar.x + bar.width


def test_cards_of_other_days_that_ask_nothing_are_folded_away() -> None:
    report = judge(replace(hard(), cards=[card("B007"), card("OLD1", day="2026-03-30"), card("OLD2", day="2026-03-30"),
                                          card("OLD3", day="2026-03-30", at="A")]))
    seen = page(report)
    folded = seen.xpath("//section[@aria-labelledby='cards']/details")
    assert len(folded) == 1 and "2 cards of other days" in text_of(folded[0].xpath("summary")[0])
    rows = [text_of(r) for r in seen.xpath("//section[@aria-labelledby='cards']/table/tbody/tr")]
    assert len(rows) == 2 and "OLD3" in "".join(rows) and len(folded[0].xpath(".//tbody/tr")) == 2
