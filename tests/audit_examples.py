"""Evidence of an invented night, and parts to vary it: used by the audit's tests, the papers' and the page's."""

from __future__ import annotations

from dataclasses import replace

from ingest.records.audit_paper import CoverageLine, Mark, ProbeLine, SetupLine
from ingest.records.cards import CardRecord, CopyFact, DestinationRecord, FileKind, FileRecord, Proof
from ingest.records.findings import Finding, Severity
from ingest.steps.audit.comparison import Difference
from ingest.steps.audit.evidence import AuditEvidence, BodyClock, ExpectedCard, Package, Reread, Unfiled
from ingest.steps.audit.forecast import DiskForecast
from ingest.steps.audit.verdict import CardVerdict, Policy, judge_card, tally
from tests.counting import counted

DISKS = (
    DestinationRecord(
        id="d-a", path="/a", required=True, present=True, filesystem="ext4", free_bytes=3_000_000_000_000
    ),
    DestinationRecord(
        id="d-b", path="/b", required=True, present=True, filesystem="exfat", free_bytes=900_000_000_000
    ),
)
NAMES = {"d-a": "TIDE-A", "d-b": "TIDE-B"}


def card(
    name: str = "B007", *, at: str = "AB", day: str = "2026-04-01", here: bool = False, **more: object
) -> CardVerdict:
    record = CardRecord(
        id=f"card-{name}",
        label=name,
        roll="",
        day=day,
        folder=f"cards/{day}/{name}",
        volume_id="v",
        first_seen_utc="2026-04-01T19:00:00Z",
        last_seen_utc="2026-04-01T19:00:00Z",
        generation=1,
        listing_whole=True,
        read_only=True,
        mount="/media/x" if here else None,
    )
    files = [
        FileRecord(
            card_id=record.id,
            path=f"DCIM/{n}.jpg",
            size_bytes=1000,
            mtime_ns=0,
            kind=FileKind.STILL,
            generation=1,
            digests={"xxh3_128": f"{n:032x}"},
            second_digest=f"{n:032x}",
        )
        for n in range(3)
    ]
    copies = [
        CopyFact(
            card_id=record.id,
            path=f.path,
            destination_id={"A": "d-a", "B": "d-b"}[d],
            stored_path=f.path,
            size_bytes=1000,
            source_digest=f.digests["xxh3_128"],
            back_digest=f.digests["xxh3_128"],
            proof=Proof.DEVICE,
            read_back_utc="2026-04-01T19:10:00Z",
            folder_synced=True,
            reread_utc="2026-04-02T00:14:00Z",
            reread_digest=f.digests["xxh3_128"],
            reread_proof="device",
        )
        for f in files
        for d in at
    ]
    verdict = judge_card(record, tally(counted(files, copies), Policy()), DISKS, Policy(), NAMES)
    return replace(verdict, **more)  # type: ignore[arg-type]


def well() -> AuditEvidence:
    """A night with nothing wrong, everything looked at."""
    return AuditEvidence(
        show="TIDE",
        time_zone="Europe/Oslo",
        day="2026-04-01",
        written_utc="2026-04-02T04:00:00Z",
        software_version="0.1.0",
        cards=[card(), card("B008")],
        destinations=DISKS,
        names=NAMES,
        rereads=[Reread(destination_id=d, files=6, size_bytes=6000, until_utc="2026-04-02T00:14:00Z") for d in NAMES],
        differences=[Difference(destination_id=d, of="card B007", card_id="card-B007", compared=6) for d in NAMES],
        expected_cards=[ExpectedCard(label="B007", day="2026-04-01", card_id="card-B007")],
        probes=[
            ProbeLine(
                id="p1",
                shot="021",
                setup="A",
                day="2026-04-01",
                position="s1",
                complete=True,
                frames=7,
                stops=17.5,
                clipped_share=0.0,
                taken_utc="2026-04-01T09:20:00Z",
                folder="shots/021/A/probes/p1",
                exposures_s=[1 / 8000, 1 / 2000, 1 / 500, 1 / 125, 1 / 30, 1 / 8, 0.5],
                kind="lat-long",
                body="Lomvi R1",
                histogram=[0.1, 0.4, 0.3, 0.15, 0.05],
                histogram_from_stop=-6.0,
            ),
        ],
        unfiled=[],
        clocks=[BodyClock(body="Lomvi R1", source="photographed", offset_s=-3.5, uncertainty_s=0.4)],
        setups=[
            SetupLine(
                day="2026-04-01",
                shot="021",
                setup="A",
                camera="A",
                lens="32 mm",
                start_utc="2026-04-01T09:00:00Z",
                end_utc="2026-04-01T10:10:00Z",
                items=[CoverageLine(item="probe", status="have"), CoverageLine(item="clean plate", status="have")],
                marks=[
                    Mark(utc="2026-04-01T09:20:00Z", what="probe", item="p1"),
                    Mark(utc="2026-04-01T09:40:00Z", what="clean plate", item="C0007"),
                ],
            ),
        ],
        agreement=[],
        agreement_checks=12,
        packages=[
            Package(
                name="TIDE_day12",
                to="editing",
                size_bytes=5_000_000,
                list_name="manifest-sha512.txt",
                verified=True,
                sent_utc="2026-04-02T03:50:00Z",
                receipt="K-114",
            )
        ],
        disks=[
            DiskForecast(destination_id="d-b", days_left=9, full_on="2026-04-11", bytes_a_day=10**11, from_days=4)
        ],
    )


def hard() -> AuditEvidence:
    """A night with one of everything."""
    base = well()
    assert base.probes and base.setups
    return replace(
        base,
        cards=[*base.cards, card("C001", at="A", here=True), card("C002", second_owed=3, mounted_read_only=False)],
        destinations=(DISKS[0], replace(DISKS[1], present=False)),
        rereads=[
            replace(base.rereads[0], differed=(("card-B007", "DCIM/1.jpg"),), interrupted=True),
            replace(base.rereads[1], unreadable=(("card-C001", "DCIM/2.jpg"),)),
        ],
        differences=[
            Difference(
                destination_id="d-a",
                of="card C001",
                card_id="card-C001",
                compared=3,
                missing=("DCIM/0.jpg",),
                foreign=("note\u202etxt.exe",),
            ),
        ],
        expected_cards=[ExpectedCard(label="S03 (sound)", day="2026-04-01")],
        probes=[
            *base.probes,
            replace_probe(
                base.probes[0],
                id="p2",
                setup="B",
                complete=False,
                review=True,
                reasons=["view 3 has 6 of 7 frames"],
                findings=[
                    {
                        "kind": "clipped",
                        "item": "p2",
                        "severity": "person",
                        "amount": 9.0,
                        "unit": "stops",
                        "what": "The sun is clipped by 9 stops.",
                        "next": "Shoot with ND 3.0.",
                    }
                ],
            ),
            replace_probe(
                base.probes[0], id="p3", shot=None, setup=None, merged=False, trouble="frame 4 does not decode"
            ),
        ],
        unfiled=[Unfiled(item="p3", what="probe p3", why="no setup was running", nearest="B", minutes_away=24.0)],
        clocks=[
            BodyClock(body="Teist S2", source="none"),
            BodyClock(body="Lomvi R1", source="header", offset_s=3600.0, doubt="the sun stands 15° off: zone?"),
        ],
        setups=[
            *base.setups,
            SetupLine(
                day="2026-04-01",
                setup="B",
                start_utc="2026-04-01T11:00:00Z",
                items=[
                    CoverageLine(
                        item="grey ball", status="due", due_until_utc="2026-04-02T09:00:00Z", why="no picture of it"
                    ),
                    CoverageLine(item="clean plate", status="lost", why="the set was struck"),
                    CoverageLine(item="chart", status="waived", why="night interior"),
                ],
            ),
        ],
        agreement=[
            Finding(
                kind="take without clip",
                item="B/3",
                severity=Severity.PERSON,
                what="Take 3 of setup B has no clip.",
                next="Ask the camera department.",
            )
        ],
        packages=[replace(base.packages[0], verified=False, sent_utc="", receipt="")],  # type: ignore[index]
        findings=[
            Finding(
                kind="retried read",
                item="card-C001",
                severity=Severity.NOTE,
                what="Card C001: one read was repeated.",
                next="Nothing; if it happens again, try another reader.",
            ),
            Finding(
                kind="something new",
                item="x",
                severity=Severity.LOSS,
                what="Bytes \udcff of <b>x</b> are gone.",
                next="Ask.",
                more={"path": "\udcff"},
            ),
            Finding(
                kind="numbers missing",
                item="Teist S2",
                severity=Severity.PERSON,
                what="0412-0418 are on no card.",
                next="Look for the card.",
            ),
        ],
        disks=[
            DiskForecast(destination_id="d-b", days_left=1, full_on="2026-04-03", bytes_a_day=10**11, from_days=4)
        ],
        released={"card-B008": "M. Aas"},
    )


def replace_probe(probe: ProbeLine, **more: object) -> ProbeLine:
    return ProbeLine.model_validate({**probe.model_dump(), **more})
