"""Verdicts: what may be said of a card, and that nothing but evidence can make it better."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.cards import CardRecord, CopyFact, DestinationRecord, FileKind, FileRecord, Proof
from ingest.steps.audit.verdict import (
    CardTally,
    CardVerdict,
    CopyTally,
    Policy,
    SlotWord,
    disk_names,
    judge_card,
    slot_state,
    tally,
    waits,
)
from tests.card_strategies import Evidence, evidence
from tests.counting import counted

ONE, OTHER = "0" * 32, "f" * 32
CARD = CardRecord(
    id="c1", label="B007", roll="", day="2026-04-01", folder="cards/2026-04-01/B007", volume_id="v",
    first_seen_utc="2026-04-01T19:00:00Z", last_seen_utc="2026-04-01T19:00:00Z", generation=1,
    listing_whole=True, read_only=True, mount="/media/x",
)
DISKS = (
    DestinationRecord(id="A", path="/a", required=True, present=True),
    DestinationRecord(id="B", path="/b", required=True, present=True),
)


def a_file(name: str = "one.jpg", **more: object) -> FileRecord:
    base = FileRecord(
        card_id="c1", path=name, size_bytes=5, mtime_ns=0, kind=FileKind.STILL, generation=1,
        digests={"xxh3_128": ONE}, read_utc="2026-04-01T19:01:00Z",
    )
    return replace(base, **more)  # type: ignore[arg-type]


def a_copy(destination: str, name: str = "one.jpg", **more: object) -> CopyFact:
    base = CopyFact(
        card_id="c1", path=name, destination_id=destination, stored_path=name, size_bytes=5, source_digest=ONE,
        back_digest=ONE, proof=Proof.DEVICE, read_back_utc="2026-04-01T19:02:00Z", folder_synced=True,
    )
    return replace(base, **more)  # type: ignore[arg-type]


def verdict(files, copies, *, card=CARD, disks=DISKS, policy=None) -> CardVerdict:
    policy = policy or Policy()
    return judge_card(card, tally(counted(files, copies), policy), disks, policy)


def test_every_kept_file_at_every_required_destination_meets_the_policy() -> None:
    v = verdict([a_file()], [a_copy("A"), a_copy("B")])
    assert v.policy_met and v.reasons == ()
    assert (v.copies_once_reused, v.copies_asked, v.copies_now) == (2, 2, 3)
    assert v.figure == "2 of 2" and v.read == "once"
    assert [d.verified for d in v.destinations] == [True, True]
    assert v.destinations[0].proof is Proof.DEVICE and v.destinations[0].read_back_utc == "2026-04-01T19:02:00Z"


@pytest.mark.parametrize(
    ("files", "copies", "card", "disks", "says"),
    [
        ([], [], CARD, DISKS, "no file to keep"),
        ([a_file()], [a_copy("A"), a_copy("B")], replace(CARD, listing_whole=False), DISKS, "listing failed"),
        ([a_file()], [a_copy("A")], CARD, DISKS, "not verified at destination B"),
        ([a_file(), a_file("two")], [a_copy("A"), a_copy("B"), a_copy("A", "two")], CARD, DISKS,
         "1 file is not verified"),
        ([a_file(digests={})], [a_copy("A"), a_copy("B")], CARD, DISKS, "not read whole"),
        ([a_file(second_digest=OTHER)], [a_copy("A"), a_copy("B")], CARD, DISKS, "second reading"),
        ([a_file()], [a_copy("A"), a_copy("B", reread_utc="2026-04-02T03:00:00Z", reread_digest=OTHER)], CARD, DISKS,
         "no longer equal"),
        ([a_file()], [a_copy("A"), a_copy("B", reread_utc="2026-04-02T03:00:00Z")], CARD, DISKS, "no longer equal"),
        ([a_file()], [a_copy("A"), a_copy("B", size_bytes=4)], CARD, DISKS, "no longer equal"),
        ([a_file()], [a_copy("A"), a_copy("B", back_digest=OTHER)], CARD, DISKS, "no longer equal"),
        ([a_file()], [a_copy("A"), a_copy("B", source_digest=OTHER)], CARD, DISKS, "no longer equal"),
        ([a_file()], [a_copy("A"), a_copy("B")], CARD, (DISKS[0], replace(DISKS[1], lost_utc="2026-04-02T01:00:00Z")),
         "declared lost"),
        ([a_file()], [a_copy("A")], CARD, DISKS[:1], "asks 2 copies"),
    ],
)  # fmt: skip
def test_what_falls_short_and_why(files, copies, card, disks, says) -> None:
    v = verdict(files, copies, card=card, disks=disks)
    assert not v.policy_met
    assert any(says in reason for reason in v.reasons), v.reasons


def test_an_absent_destination_keeps_its_evidence() -> None:
    v = verdict([a_file()], [a_copy("A"), a_copy("B")], disks=(DISKS[0], replace(DISKS[1], present=False)))
    assert v.policy_met and not v.destinations[1].present


def test_copies_of_another_card_do_not_count() -> None:
    v = verdict([a_file()], [a_copy("A", card_id="c2"), a_copy("B")])
    assert v.copies_once_reused == 1


def test_a_further_destination_is_counted_apart() -> None:
    disks = (*DISKS, DestinationRecord(id="C", path="/c", required=False, present=True))
    v = verdict([a_file()], [a_copy("A"), a_copy("C")], disks=disks)
    assert (v.copies_once_reused, v.further_copies, v.copies_now, v.policy_met) == (1, 1, 3, False)


def test_not_provable_counts_and_is_said_unless_proof_is_demanded() -> None:
    copies = [a_copy("A"), a_copy("B", proof=Proof.NOT_PROVABLE)]
    v = verdict([a_file()], copies)
    assert v.policy_met and v.figure == "2 of 2, read-back not provable"
    assert not verdict([a_file()], copies, policy=Policy(proof_demanded=True)).policy_met


def test_one_disk_is_said_wherever_the_figure_is() -> None:
    v = verdict([a_file()], [a_copy("A"), a_copy("B")], disks=tuple(replace(d, one_disk=True) for d in DISKS))
    assert v.policy_met and v.figure == "2 of 2, on one disk"
    assert "on one disk" in slot_state(v, reading=False).figure


def test_read_twice_or_once() -> None:
    copies = [a_copy(d, n) for d in "AB" for n in ("one.jpg", "two")]
    twice = a_file(second_digest=ONE)
    assert verdict([twice], copies).read == "twice"
    assert verdict([twice, a_file("two", kind=FileKind.CLIP)], copies).read == "in part twice"
    assert verdict([a_file(digests={})], copies).read == "not whole"


def test_the_slot_says_one_of_three_things() -> None:
    v = verdict([a_file()], [a_copy("A"), a_copy("B")])
    assert slot_state(v, reading=True).word is SlotWord.BEING_READ
    owed = slot_state(v, reading=False)
    assert (owed.word, owed.reason) == (SlotWord.WAITING, "second reading owed")
    failed = slot_state(v, reading=False, second_failed=True)  # waiting does not help it
    assert (failed.word, failed.reason) == (SlotWord.NOT_BEING_READ, "the second reading failed")
    v = verdict([a_file(second_digest=ONE)], [a_copy("A"), a_copy("B")])
    assert slot_state(v, reading=False, second_failed=True).reason == ""  # it was read since
    over = slot_state(v, reading=False)
    assert (over.word, over.figure, over.reason) == (SlotWord.NOT_BEING_READ, "copies once reused 2 of 2", "")
    assert slot_state(v, reading=False, waits=["two cards before it"]).word is SlotWord.WAITING
    v = verdict([a_file(second_digest=OTHER)], [a_copy("A"), a_copy("B")])
    assert "differs" in slot_state(v, reading=False).reason


FORBIDDEN = ("safe", "secure", "complete", "done", "format")


@given(evidence(), st.booleans())
def test_no_forbidden_word_is_ever_said(given: Evidence, reading: bool) -> None:
    v = judge(given)
    slot = slot_state(v, reading=reading)
    for said in (v.figure, slot.word, slot.reason, slot.figure, *v.reasons):
        assert not any(word in said.lower() for word in FORBIDDEN), said


def judge(given: Evidence, policy: Policy | None = None) -> CardVerdict:
    policy = policy or Policy()
    return judge_card(given.card, tally(counted(given.files, given.copies), policy), given.destinations, policy)


def strength(v: CardVerdict) -> tuple[int, ...]:
    return (v.policy_met, v.copies_once_reused, v.copies_now, *(d.verified for d in v.destinations),
            *(d.files_verified for d in v.destinations))  # fmt: skip


@given(evidence(), st.data())
def test_taking_evidence_away_never_improves_a_verdict(given: Evidence, data: st.DataObject) -> None:
    before = strength(judge(given))
    ways = ["copies", "digest", "destination absent", "destination lost", "proof", "not here", "listing"]
    for _ in range(data.draw(st.integers(1, 3))):
        match data.draw(st.sampled_from(ways)):
            case "copies" if given.copies:
                del given.copies[data.draw(st.integers(0, len(given.copies) - 1))]
            case "digest" if given.files:
                n = data.draw(st.integers(0, len(given.files) - 1))
                given.files[n] = replace(given.files[n], digests={})
            case "destination absent" if given.destinations:
                given.destinations[0] = replace(given.destinations[0], present=False)
            case "destination lost" if given.destinations:
                given.destinations[-1] = replace(given.destinations[-1], lost_utc="2026-04-02T00:00:00Z")
            case "proof" if given.copies:
                given.copies[0] = replace(given.copies[0], proof=Proof.NOT_PROVABLE)
            case "not here":
                given.card = replace(given.card, mount=None)
            case "listing":
                given.card = replace(given.card, listing_whole=False)
    after = strength(judge(given))
    assert all(a <= b for a, b in zip(after, before, strict=True)), (before, after)


@given(evidence(), st.randoms(use_true_random=False))
def test_order_of_evidence_does_not_matter(given: Evidence, shuffle) -> None:
    before = judge(given)
    shuffle.shuffle(given.files)
    shuffle.shuffle(given.copies)
    assert judge(given) == before


@given(evidence())
def test_policy_met_means_what_the_page_says(given: Evidence) -> None:
    """Restated from the promise, file by file, without the tally."""
    v = judge(given)
    required = [d for d in given.destinations if d.required]

    def stands(file: FileRecord, d: DestinationRecord) -> bool:
        facts = [c for c in given.copies if (c.path, c.destination_id) == (file.path, d.id)]
        own = file.digests.get("xxh3_128")
        return bool(own) and not d.lost_utc and bool(facts) and all(
            c.source_digest == c.back_digest == own and c.size_bytes == file.size_bytes
            and (c.reread_digest == own if c.reread_utc else True)
            for c in facts
        )

    expected = (
        given.card.listing_whole and bool(given.files) and len(required) >= 2
        and all(stands(f, d) for f in given.files for d in required)
        and all(not f.second_digest or f.second_digest == f.digests.get("xxh3_128") for f in given.files)
    )
    assert v.policy_met == expected


def test_a_night_of_large_cards_is_judged_from_counts() -> None:
    """200 cards of 100,000 files: no work that grows with the files (figure: tests/bench/verdicts.py)."""
    whole = CopyTally(counting={Proof.DEVICE: 100_000}, last_read_back_utc="2026-04-01T19:02:00Z")
    counted = CardTally(files=100_000, size_bytes=10**12, copies={"A": whole, "B": whole})
    assert all(judge_card(replace(CARD, id=str(n)), counted, DISKS, Policy()).policy_met for n in range(200))
    short = replace(counted, copies={"A": whole, "B": replace(whole, counting={Proof.DEVICE: 99_999})})
    assert judge_card(CARD, short, DISKS, Policy()).reasons == ("1 file is not verified at destination B",)


def test_a_fact_without_the_time_of_its_read_back_is_none() -> None:
    assert not verdict([a_file()], [a_copy("A"), a_copy("B", read_back_utc="")]).policy_met


def test_a_copy_of_another_file_is_no_evidence() -> None:
    v = verdict([a_file("two")], [a_copy("A"), a_copy("B", "two")])
    assert [d.files_verified for d in v.destinations] == [0, 1]


def test_a_lost_destination_is_verified_no_more() -> None:
    v = verdict([a_file()], [a_copy("A"), a_copy("B")], disks=(DISKS[0], replace(DISKS[1], lost_utc="2026-04-02")))
    assert (v.destinations[1].verified, v.destinations[1].files_verified, v.copies_once_reused) == (False, 0, 1)


@pytest.mark.parametrize("wrong", [{"unread": 1}, {"files": 3}, {"files": 1}, {"files": 0}])
def test_counts_that_do_not_fit_together_never_vouch(wrong: dict[str, int]) -> None:
    whole = CopyTally(counting={Proof.DEVICE: 2}, last_read_back_utc="2026-04-01T19:02:00Z")
    fine = CardTally(files=2, size_bytes=2, copies={"A": whole, "B": whole})
    assert judge_card(CARD, fine, DISKS, Policy()).policy_met
    v = judge_card(CARD, replace(fine, **wrong), DISKS, Policy())
    assert not v.policy_met and not any(d.verified for d in v.destinations)
    failing = replace(fine, copies={"A": whole, "B": replace(whole, failing=1)})
    assert [d.verified for d in judge_card(CARD, failing, DISKS, Policy()).destinations] == [True, False]


def test_why_a_card_that_is_here_waits() -> None:
    """Nobody may pull a card that the machine will still read; what only a person can end keeps nobody waiting."""
    def said(*, unread: int = 0, troubled: int = 0, copied: int = 3, here: bool = True,
             helpless: tuple[str, ...] = ()) -> tuple[str, ...]:
        counted = CardTally(files=3, size_bytes=3, unread=unread, troubled=troubled, copies={
            "A": CopyTally(counting={Proof.DEVICE: copied}), "B": CopyTally(counting={Proof.DEVICE: 3})})
        card = replace(CARD, mount="/media/card" if here else None)
        return waits(judge_card(card, counted, DISKS, Policy(copies=2), disk_names(DISKS)), counted, helpless)

    assert said() == ()
    assert said(unread=3, copied=0) == ("not read whole yet",)
    assert said(unread=3, copied=0, here=False) == ()
    assert said(unread=1, troubled=1, copied=2) == ()
    assert said(copied=1) == ("copies owed to a",)
    assert said(copied=1, helpless=("A",)) == ()
