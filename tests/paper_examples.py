"""One or more examples of every JSON paper, as bytes, by the name of its schema."""

from __future__ import annotations

from functools import cache

from ingest.records import papers
from ingest.records.cards import CardRecord, CopyFact, FileKind, FileRecord, LeftOut, Proof
from ingest.records.findings import Finding, Severity
from ingest.steps.audit.questions import judge
from ingest.steps.paperwork import manifest, showlog
from tests.audit_examples import hard, well

WRITTEN = {"software_version": "0.1.0", "written_utc": "2026-04-02T03:00:00Z"}
CARD = CardRecord(
    id="c1", label="B007", roll="A003", day="2026-04-01", folder="cards/2026-04-01/A003", volume_id="5E3A-11F0",
    first_seen_utc="2026-04-01T19:00:00Z", last_seen_utc="2026-04-01T19:30:00Z", generation=2,
    listing_whole=True, read_only=True, mount="/media/x",
)  # fmt: skip
FILE = FileRecord(
    card_id="c1", path="DCIM/100_TIDE/A:1\udcff.jpg", size_bytes=5, mtime_ns=1_775_001_600_123_000_000,
    kind=FileKind.STILL, generation=1, digests={"xxh3_128": "0" * 32, "md5": "1" * 32}, read_utc="2026-04-01T19:01:00Z",
    second_digest="2" * 32, second_read_utc="2026-04-01T19:20:00Z", trouble="its second reading differs",
)  # fmt: skip
COPY = CopyFact(
    card_id="c1", path=FILE.path, destination_id="A", stored_path="DCIM/100_TIDE/A%3A1%FF.jpg", size_bytes=5,
    source_digest="0" * 32, back_digest="0" * 32, proof=Proof.CACHE_DROPPED, read_back_utc="2026-04-01T19:02:00Z",
    folder_synced=True, reread_utc="2026-04-02T02:00:00Z", reread_digest="0" * 32, reread_proof="device",
)  # fmt: skip
OUTPUT = papers.Output(path="shots/021/A/probes/p1/TIDE_021_A_p1_v001.exr", size_bytes=9, digest="xxh3_128:" + "3" * 32)
FILING = papers.Filing(
    shot="021", setup="A", day="2026-04-01", folder="shots/021/A/probes/p1", why="setup log, line 4",
    utc="2026-04-01T20:00:00Z",
)
FINDING = Finding(
    kind="clipped", item="p1", severity=Severity.PERSON, what="The sun is clipped.", next="Shoot a darker frame.",
    more={"confidence": 0.98, "frames": [0], "direction": None, "amount": 9.0, "unit": "stops"},
)  # fmt: skip


@cache
def examples() -> dict[str, tuple[bytes, ...]]:
    frame = papers.ProbeFrame(
        files=[papers.ProbeFile(digest="xxh3_128:" + "0" * 32, path="cards/2026-04-01/A003/DCIM/1.jpg")],
        exposure_s=1 / 64, f_number=5.656854, iso=100.0, taken_utc=None,
    )  # fmt: skip
    return {
        "card_manifest": (
            manifest.card_manifest(
                CARD, [FILE], show="TIDE", destination_id="A", copies=[COPY],
                left_out=[LeftOut(path=".DS_Store", reason="an index of the operating system")], empty_folders=["MISC"],
                problems=[("PRIVATE", "the folder cannot be listed")], **WRITTEN,
            ),
            manifest.card_manifest(CARD, [], show="TIDE", destination_id="A", copies=[], **WRITTEN),
        ),
        "probe_record": (
            manifest.probe_record(
                show="TIDE", id="p1", version=1, position="s1", view=1, complete=None, review=True,
                reasons=["a step is missing"], frames=[frame], filing=FILING, merge={"scale": {"t": 1 / 64}},
                outputs=[OUTPUT], findings=[FINDING], **WRITTEN,
            ),
        ),
        "show_manifest": (
            manifest.show_manifest(
                show="TIDE", time_zone="Europe/Oslo", destination_id="A",
                destinations=[papers.ShowDestination(id="A", required=True)],
                cards=[papers.ShowCard(
                    id="c1", label="B007", roll="", day="2026-04-01", folder="cards/2026-04-01/A003", files=1,
                    size_bytes=5, manifest=OUTPUT,
                )],
                probes=[papers.ShowProbe(
                    id="p1", probe_version=1, shot=None, setup="A", day="2026-04-01", folder="unfiled/p1", record=None,
                )],
                **WRITTEN,
            ),
        ),
        "audit": (papers.render(judge(well())), papers.render(judge(hard()))),
        "show_log_line": (
            showlog.line(
                utc="2026-04-01T20:00:00Z", event="filed", item="p1", folder="shots/021/A/probes/p1", shot="021",
                setup="A", day="2026-04-01", why="setup log, line 4", files=[OUTPUT],
            ),
            showlog.line(utc="2026-04-01T20:00:00Z", event="card", item="c1"),
        ),
    }  # fmt: skip
