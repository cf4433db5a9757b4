"""The database counts a card's evidence as the records do, whatever lies in the ledger."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.machinery.ledger.cards import CardLedger, Landed, Reading, Trouble
from ingest.machinery.ledger.store import Store
from ingest.records.cards import CardFile, DestinationRecord, FileKind, Proof
from ingest.records.evidence import CardEvidence
from ingest.steps.audit.verdict import Policy, tally
from tests.card_strategies import path
from tests.counting import counted

UTC = ("2026-04-01T20:00:00Z", "2026-04-01T21:30:00Z", "2026-04-02T02:14:00.5Z")
DIGESTS = ("0" * 32, "1" * 32)
DISKS = ("disk-a", "disk-b", "disk-c")
POLICIES = [Policy(proof_demanded=p, read_twice=frozenset(k)) for p in (True, False)
            for k in ((), (FileKind.STILL,), tuple(FileKind))]


@st.composite
def digest(draw: st.DrawFn) -> str:
    return draw(st.sampled_from(("", "", "xxh3_128:"))) + draw(st.sampled_from(DIGESTS))


@st.composite
def readings(draw: st.DrawFn, row: int) -> list[Reading]:
    """None, one, or several; also ones whose digest is of another algorithm only."""
    return [
        Reading(
            row=row, n=n, utc=draw(st.sampled_from(UTC)), proof=Proof.DEVICE, sighting=1,
            digests=draw(st.sampled_from(({"xxh3_128": "0" * 32}, {"xxh3_128": "0" * 32, "md5": "1" * 32},
                                          {"xxh3_128": "1" * 32}, {"md5": "0" * 32}))),
        )
        for n in draw(st.sampled_from(((), (1,), (1,), (1, 2), (1, 2, 3), (2,))))
    ]


@given(st.data())
@settings(max_examples=120, deadline=None)
def test_the_database_counts_what_the_records_say(data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder) / "ledger.sqlite")
        ledger = CardLedger(store)
        with store.transaction():
            for d in DISKS:
                ledger.add_destination(DestinationRecord(id=d, path=f"/{d}", required=True, present=True), UTC[0])
            for card in ("one", "other"):
                _a_card(data, ledger, card)
        for card in ("one", "other"):
            files, copies = ledger.files(card), ledger.copies(card)
            for policy in POLICIES:
                assert tally(ledger.evidence(card), policy) == tally(counted(files, copies), policy)
        assert ledger.evidence("none") == CardEvidence()
        store.close()


def _a_card(data: st.DataObject, ledger: CardLedger, card: str) -> None:
    draw = data.draw
    ledger.add_card(id=card, label=card, day="2026-04-01", folder=f"cards/{card}", volume_id="v", utc=UTC[0])
    names = draw(st.lists(path, max_size=4, unique=True))
    found = [
        (CardFile(path=n, size_bytes=draw(st.integers(0, 2**40)), mtime_ns=0), draw(st.sampled_from(list(FileKind))), g)
        for n in names for g in draw(st.sampled_from(((1,), (1,), (1, 2))))
    ]
    ledger.record_sighting(
        card_id=card, presence="p", mount="/m", filesystem="exfat", read_only=True, generation=1, whole=True,
        samples={}, files=found, left_out=(), empty_folders=(), utc=UTC[0],
    )
    for file in ledger.files(card):
        ledger.record(
            readings=draw(readings(file.row)),
            landed=[
                Landed(
                    row=file.row, destination_id=d, stored_path="x", source_digest=draw(digest()),
                    back_digest=draw(digest()), proof=draw(st.sampled_from(list(Proof))),
                    read_back_utc=draw(st.sampled_from((*UTC, ""))), folder_synced=draw(st.booleans()),
                )
                for d in DISKS for _ in range(draw(st.integers(0, 2)))  # a second fact takes the first one's place
            ],
        )
        if draw(st.integers(0, 4)) == 0:
            kind = draw(st.sampled_from(("not read", "name taken")))
            at = draw(st.sampled_from(("", DISKS[0])))
            ledger.trouble([Trouble(kind=kind, card_id=card, path=file.path, destination_id=at,
                                    what=draw(st.sampled_from(("", "it could not be read"))))], UTC[0])
    ledger.record_reread(
        (copy, draw(st.sampled_from(("", *DIGESTS))), "device", draw(st.sampled_from(UTC)))
        for copy in ledger.copies(card) if draw(st.booleans())
    )


def test_a_card_of_names_that_are_no_text(tmp_path: Path) -> None:
    store = Store(tmp_path / "ledger.sqlite")
    ledger = CardLedger(store)
    ledger.add_card(id="c", label="c", day="2026-04-01", folder="cards/c", volume_id="v", utc=UTC[0])
    name = os.fsdecode(b"\xff\x00".replace(b"\x00", b"'"))
    ledger.record_sighting(
        card_id="c", presence="p", mount="/m", filesystem="exfat", read_only=True, generation=1, whole=True, samples={},
        files=[(CardFile(path=name, size_bytes=7, mtime_ns=0), FileKind.OTHER, 1)], left_out=(), empty_folders=(),
        utc=UTC[0],
    )
    ledger.trouble([Trouble(kind="not read", card_id="c", path=name, what="unreadable")], UTC[0])
    said = tally(ledger.evidence("c"), Policy())
    assert (said.files, said.size_bytes, said.unread, said.troubled) == (1, 7, 1, 1)
    store.close()


def test_a_reading_says_nothing_of_a_copy_that_was_made_after_it(tmp_path: Path) -> None:
    """An audit reads a spoilt copy, which is withdrawn and copied anew before the reading is written down."""
    store = Store(tmp_path / "ledger.sqlite")
    ledger = CardLedger(store)
    ledger.add_card(id="c", label="c", day="2026-04-01", folder="cards/c", volume_id="v", utc=UTC[0])
    ledger.record_sighting(
        card_id="c", presence="p", mount="/m", filesystem="exfat", read_only=True, generation=1, whole=True, samples={},
        files=[(CardFile(path="A", size_bytes=7, mtime_ns=0), FileKind.OTHER, 1)], left_out=(), empty_folders=(),
        utc=UTC[0],
    )
    (file,) = ledger.files("c")

    def copied(utc: str) -> None:
        ledger.record(landed=[Landed(row=file.row, destination_id="d", stored_path="A", source_digest=DIGESTS[0],
                                     back_digest=DIGESTS[0], proof=Proof.DEVICE, read_back_utc=utc,
                                     folder_synced=True)])

    copied(UTC[0])
    (read,) = ledger.copies("c")
    ledger.withdraw_copy("c", "A", 1, "d")
    ledger.record_reread([(read, DIGESTS[1], "device", UTC[1])])
    copied(UTC[1])
    ledger.record_reread([(read, DIGESTS[1], "device", UTC[1])])
    assert [c.reread_utc for c in ledger.copies("c")] == [""]
    ledger.record_reread([(ledger.copies("c")[0], DIGESTS[1], "device", UTC[1])])
    assert [c.reread_utc for c in ledger.copies("c")] == [UTC[1]]
    store.close()
