"""Words of the audit in a terminal's columns."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ingest.records.names import shown
from ingest.steps.audit.words import columns, folded


@given(st.text(), st.integers(20, 100), st.sampled_from(["", "    "]))
def test_no_line_is_wider_and_no_letter_is_lost(text: str, width: int, indent: str) -> None:
    lines = folded(shown(text), width, indent=indent)
    assert all(columns(line) <= width for line in lines)
    assert "".join("".join(lines).split()) == "".join(shown(text).split())


def test_wide_letters_take_two_columns() -> None:
    """East Asian width W and F (Unicode Standard Annex 11)."""
    assert columns("日本ａ") == 6
    assert [columns(line) for line in folded("日" * 100, 80)] == [76, 80, 52]
