"""Slates: text for a QR code and back, small enough to be read from far, and nothing else is one."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.steps.setups.slates import ALPHANUMERIC, ROLES, Slate, code_text, read_code, reading

_WORD = st.text(st.characters(exclude_categories=("Cs",)), max_size=6)
_SLATE = st.builds(
    Slate, setup=_WORD.filter(bool), show=_WORD, shot=_WORD, role=st.sampled_from(["", *ROLES]), take=_WORD, unit=_WORD,
    day=st.sampled_from(["", "2026-04-01"]), camera=_WORD,
)  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(_SLATE)
def test_written_and_read(slate: Slate) -> None:
    try:
        text = code_text(slate)
    except ValueError as refused:
        assert "signs long" in str(refused)
        return
    assert set(text) <= ALPHANUMERIC
    assert read_code(text) == slate


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=60))
def test_any_other_code_is_no_slate(text: str) -> None:
    assert read_code(text) is None and read_code(f"NL1:{text}:0000") is None


def test_every_changed_sign_is_noticed() -> None:
    text = code_text(Slate(setup="27A", shot="TL_0270", show="TIDE", role="clean_plate", take="3"))
    for place in range(len(text)):
        for sign in sorted(ALPHANUMERIC - {text[place]}):
            assert read_code(text[:place] + sign + text[place + 1 :]) is None
    assert all(read_code(text[:n]) is None for n in range(len(text)))


def test_usual_names_fit_version_4_at_level_q() -> None:
    # ISO/IEC 18004: version 4 holds 67 alphanumeric signs at level Q.
    full = Slate(show="TIDE", shot="TL_0270", setup="127AB", role="clean_plate", take="12", unit="2", day="2026-04-01",
                 camera="A")
    assert len(code_text(full)) <= 67
    segno = pytest.importorskip("segno")
    code = segno.make_qr(code_text(full), error="q", boost_error=False)
    assert code.version <= 4 and code.mode == "alphanumeric"


def test_what_a_slate_needs() -> None:
    for slate in (Slate(setup=""), Slate(setup="1", role="lunch"), Slate(setup="x" * 300)):
        with pytest.raises(ValueError):
            code_text(slate)


def test_a_reading() -> None:
    seen = reading(Slate(setup="27A", shot="S", role="probe"), at_s=5.0, body="b", source="f1")
    assert (seen.setup, seen.shot, seen.role, seen.at_s, seen.body) == ("27A", "S", "probe", 5.0, "b")
