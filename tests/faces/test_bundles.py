"""What one setup lacks is one entry; everything else stays as it is, and nothing is left out."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ingest.faces.bundles import bundled
from ingest.records.findings import Finding, Severity

KINDS = ["chart_lost", "clean_plate_lost", "probe_due", "measured_due", "clipped", "card_gone"]


def finding(kind: str, item: str, n: int) -> Finding:
    severity = Severity.LOSS if kind.endswith("_lost") else Severity.PERSON
    return Finding(kind=kind, item=item, severity=severity, what=f"what {n}", next=f"next {n}")


@given(st.lists(st.tuples(st.sampled_from(KINDS), st.sampled_from(["31A", "31B", "p17b0bb40c5: picture"]))))
def test_every_finding_is_said_once(made: list[tuple[str, str]]) -> None:
    findings = [finding(kind, item, n) for n, (kind, item) in enumerate(made)]
    found = bundled(findings)
    assert sorted(said for b in found for said in b.says) == sorted(f.what for f in findings)
    lacking = [(b.item, b.lacks) for b in found if b.lacks]
    assert len(set(lacking)) == len(lacking)
    assert all(len(b.says) == 1 for b in found if not b.lacks)
    firsts = [int(b.says[0].split()[1]) for b in found]
    assert firsts == sorted(firsts)


def test_a_setup_without_plate_and_chart_is_one_thing_to_do() -> None:
    one, other, clipped = bundled([
        finding("chart_lost", "31A", 0), finding("clean_plate_lost", "31A", 1), finding("chart_lost", "31B", 2),
        finding("clipped", "31A", 3),
    ][i] for i in (0, 2, 1, 3))  # fmt: skip
    assert (one.title, one.lacks, one.severity) == ("chart, clean plate", "lost", "loss")
    assert "file by hand" in one.next
    assert (other.title, other.next) == ("chart", "next 2")  # alone it keeps its own words
    assert (clipped.title, clipped.lacks) == ("clipped", "")
