"""The report on paper: the same facts, any name at all, the same bytes each time; read by an independent reader."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pypdf
import pytest
import simplejpeg
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.audit_paper import AuditReport
from ingest.steps.audit.questions import judge
from ingest.steps.audit.words import CAUTION
from ingest.steps.reports import stage
from ingest.steps.reports.morning import Picture, ProbePictures
from ingest.steps.reports.printing import Fonts, print_morning, printable
from tests.audit_examples import card, hard
from tests.steps.reports.test_morning import hostile

LETTERS = frozenset({*range(0x20, 0x7F), *range(0xA0, 0x180), *range(0x400, 0x500), *range(0x5D0, 0x5EB)})


@pytest.fixture(scope="module")
def fonts() -> Iterator[Fonts]:
    with stage.fonts() as found:
        yield found


def pages_of(pdf: bytes) -> list[str]:
    return [" ".join(p.extract_text().split()) for p in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def words_of(pdf: bytes) -> str:
    return " ".join(pages_of(pdf))


def with_cards(*labels: str) -> AuditReport:
    return judge(replace(hard(), cards=[card(label) for label in labels]))


def test_the_page_says_what_the_report_says_and_twice_the_same(fonts: Fonts) -> None:
    report = judge(hard())
    jpeg = simplejpeg.encode_jpeg(np.zeros((40, 80, 3), np.uint8), 80, "RGB", "420")
    picture = Picture(data=jpeg, width=80, height=40, label="middle", alt="Panorama")
    seen = {p.id: ProbePictures(exposures=[picture] * 3, balls=[picture] * 2) for p in report.probes}
    made = print_morning(report, fonts, pictures=seen)
    assert made == print_morning(report, fonts, pictures=seen)
    words = words_of(made)
    figures = [c.figure.split(",")[0] for c in report.cards]
    for said in (*CAUTION, report.headline, *(p.id for p in report.probes), *figures):
        assert all(word in words for word in said.split()), said
    assert made.count(b"/Subtype /Image") >= 1
    assert "1 of " in pages_of(made)[0], "every page is numbered"


def test_the_days_strip_stands_on_the_paper(fonts: Fonts) -> None:
    words = words_of(print_morning(judge(hard()), fonts))
    assert "The day" in words and "Full disc: probe" in words and "12:00" in words
    assert "11:00 to 12:10 A: shot 021, camera A, 32 mm; 11:20 probe; 11:40 clean plate" in words


@pytest.mark.parametrize("name", ["Łódź Ж4", "ΩΜΕΓΑ", "მზე", "แสง"])
def test_letters_of_many_scripts_are_printed_as_they_are(fonts: Fonts, name: str) -> None:
    words = words_of(print_morning(with_cards(name), fonts))
    assert unicodedata.normalize("NFC", name) in unicodedata.normalize("NFC", words)


def test_hebrew_and_arabic_are_set_from_right_to_left_and_turn_nothing_else(fonts: Fonts) -> None:
    """Letters in the order of the paper, from left to right: the first letter of the name stands last of it."""
    words = words_of(print_morning(with_cards("שלום", "مرحبا"), fonts))
    assert "שלום"[::-1] in words or "שלום" in words  # readers may put it back into the order of speech
    assert not any(f"<U+{ord(x):04X}>" in words for x in "שלוםمرحبا")
    assert "2 of 2" in words


def test_hostile_names_are_text(fonts: Fonts) -> None:
    words = words_of(print_morning(hostile(), fonts))
    assert "\x1b" not in words and "\u202e" not in words and "<script>" in words.replace(" ", "")
    assert r"\u202e" in words.replace(" ", "")


def test_what_the_fonts_do_not_know_is_written_as_its_number(fonts: Fonts) -> None:
    words = words_of(print_morning(with_cards("日 12"), fonts)).replace(" ", "")
    assert "<U+65E5>" in words


@settings(max_examples=300)
@given(st.text())
def test_only_letters_of_the_fonts_are_printed_and_none_turns_text(text: str) -> None:
    out = printable(text, LETTERS)
    assert all(ord(x) in LETTERS or x in "\u200e" for x in out)
    assert not any(unicodedata.bidirectional(x) in ("RLE", "RLO", "LRE", "LRO", "PDF", "RLI", "FSI") for x in out)


def test_a_figure_after_a_turned_name_stays_where_it_was_written() -> None:
    assert printable("שלום עולם 2 of 2", LETTERS) == "שלום עולם\u200e 2 of 2"
    assert printable("A שלום: 2", LETTERS) == "A שלום\u200e: 2"
