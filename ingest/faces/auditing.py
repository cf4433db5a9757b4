"""The audit as commands, the daemon and pages call it: read again, judge, write the morning's papers."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from datetime import timedelta
from zoneinfo import ZoneInfo

from ingest.faces.answers import policy
from ingest.faces.packages import packages
from ingest.outbox import Outbox
from ingest.records import papers
from ingest.records.audit_paper import AuditReport
from ingest.services import Services
from ingest.steps.audit import stage
from ingest.steps.audit.text import render_text
from ingest.steps.paperwork.stage import card_history
from ingest.steps.reports.morning import Picture, ProbePictures, render_morning


def last_day(services: Services) -> str:
    """The shoot day a morning's audit is about: the newest day that a card came on, else the running one."""
    days = [c.day for c in services.cards.cards()]
    if days:
        return max(days)
    hours, minutes = services.settings.show.day_starts.split(":")
    local = services.clock.now().astimezone(ZoneInfo(services.settings.show.timezone))
    return (local - timedelta(hours=int(hours), minutes=int(minutes))).strftime("%Y-%m-%d")


def audit(
    services: Services, *, day: str = "", full: bool = False, stop: threading.Event | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> AuditReport:
    """Read again and judge; each card's history gets its verification, each destination the morning's page."""
    about = day or last_day(services)
    made = stage.run(
        services, policy(services.settings), day=about, full=full, stop=stop, progress=progress,
        packages=packages(services, stop=stop, progress=progress),
    )
    services.work.put("last audit utc", made.report.written_utc)
    progress("writing the papers")
    with Outbox(services) as outbox:
        for card in services.cards.cards():
            read = {d: found for (d, c), found in made.read.items() if c == card.id}
            if read:
                card_history(services, outbox, card, read, made.started_utc)
        write_report(services, outbox, made.report)
    return made.report


def write_report(services: Services, outbox: Outbox, report: AuditReport) -> None:
    """The morning's page and its facts as JSON, at every destination that is here."""
    base = f"{services.show}/reports/{report.day}"
    page = render_morning(report, pictures=_pictures(services, outbox) if services.settings.security.previews else {})
    outbox.put(f"{base}.html", lambda _: page, kind="report", owner=report.day)
    data = papers.render(report)
    outbox.put(f"{base}.json", lambda _: data, kind="report data", owner=report.day)


def _pictures(services: Services, outbox: Outbox) -> dict[str, ProbePictures]:
    """Each probe's preview: our own re-encoded picture, never a camera's bytes."""
    current = {p.id: p.version for p in services.work.probes()}
    records = {p.id: p.record for p in services.work.probes()}
    found: dict[str, ProbePictures] = {}
    here = {d.id: d for d in outbox.here}
    for output in services.work.outputs(kind="preview"):
        probe, _, version = output.owner.partition("/")
        if probe in found or output.destination_id not in here or version != str(current.get(probe)):
            continue
        data = outbox.read(here[output.destination_id], output.path, most=8 << 20)
        if data is not None:
            record = records[probe] or {}
            with contextlib.suppress(ValueError):  # no picture: the page does without
                found[probe] = ProbePictures(exposures=[Picture(
                    data=data, width=int(record.get("width", 2)), height=int(record.get("height", 1)),
                    label="tone-mapped", alt=f"preview of probe {probe}",
                )])
    return found


def as_json(report: AuditReport) -> str:
    return papers.render(report).decode("utf-8")


def as_text(report: AuditReport) -> str:
    return render_text(report, width=80)
