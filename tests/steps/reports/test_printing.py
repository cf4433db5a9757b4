"""The report on paper: the same facts, any name at all, the same bytes each time."""

from __future__ import annotations

import re
import zlib

import numpy as np
import pytest
import simplejpeg
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.steps.audit.questions import judge
from ingest.steps.audit.words import CAUTION
from ingest.steps.reports.morning import Picture, ProbePictures
from ingest.steps.reports.printing import print_morning, printable
from tests.audit_examples import hard
from tests.steps.reports.test_morning import hostile


def words_of(pdf: bytes) -> str:
    """The text of a PDF: the strings of its content streams (ISO 32000-1, 9.4.3), without their positions."""
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL)
    shown = []
    for stream in streams:
        try:
            content = zlib.decompress(stream)
        except zlib.error:
            continue  # a picture
        shown += re.findall(rb"\(((?:\\.|[^\\()])*)\) Tj", content)
    return re.sub(rb"\\(.)", rb"\1", b" ".join(shown)).decode("latin-1")


def test_the_page_says_what_the_report_says_and_twice_the_same() -> None:
    report = judge(hard())
    jpeg = simplejpeg.encode_jpeg(np.zeros((40, 80, 3), np.uint8), 80, "RGB", "420")
    picture = Picture(data=jpeg, width=80, height=40, label="middle", alt="Panorama")
    seen = {p.id: ProbePictures(exposures=[picture] * 3, balls=[picture] * 2) for p in report.probes}
    made = print_morning(report, pictures=seen)
    assert made == print_morning(report, pictures=seen)
    words = " ".join(words_of(made).split())
    figures = [c.figure.split(",")[0] for c in report.cards]
    for said in (*CAUTION, report.headline, *(p.id for p in report.probes), *figures):
        assert all(word in words for word in printable(said).split()), said
    assert made.count(b"/Subtype /Image") >= 1


def test_hostile_names_are_text() -> None:
    words = words_of(print_morning(hostile()))
    assert "\x1b" not in words and "<script>" in words.replace(" ", "")


@settings(max_examples=200)
@given(st.text())
def test_every_letter_can_be_printed(text: str) -> None:
    printable(text).encode("latin-1")


@pytest.mark.parametrize("letter", ["Ł", "日", "\udcff"])
def test_what_no_reader_knows_by_itself_is_written_as_its_number(letter: str) -> None:
    assert letter not in printable(letter) and printable(letter).isascii()
