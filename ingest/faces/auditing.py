"""The audit as commands, the daemon and pages call it: read again, judge, write the morning's papers."""

from __future__ import annotations

import threading
from collections.abc import Callable

from ingest.faces import answers, deciding
from ingest.faces.answers import policy
from ingest.faces.packages import packages
from ingest.outbox import Outbox
from ingest.records import papers
from ingest.records.audit_paper import AuditReport
from ingest.services import Services
from ingest.steps.audit import stage
from ingest.steps.audit.stage_last_claims import tell_copies
from ingest.steps.audit.text import render_text
from ingest.steps.paperwork.stage import card_history
from ingest.steps.reports import stage as pictures
from ingest.steps.reports.morning import render_morning
from ingest.steps.reports.printing import print_morning


def last_day(services: Services) -> str:
    """The shoot day a morning's audit is about: the newest day that a card came on, else the running one."""
    days = [c.day for c in services.cards.cards()]
    if days:
        return max(days)
    return answers.production_day(services.settings, services.clock.now())


def audit(
    services: Services, *, day: str = "", full: bool = False, stop: threading.Event | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> AuditReport:
    """Read again and judge; each card's history gets its verification, each destination the morning's page.

    UsageError for a day that is none."""
    tell_copies(services, answers.destinations(services))
    about = deciding.day_of(day) or last_day(services)
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
        return write_report(services, outbox, made.report, progress)


def write_report(
    services: Services, outbox: Outbox, report: AuditReport, progress: Callable[[str], None] = lambda _: None
) -> AuditReport:
    """The morning's page and its facts as JSON, at every destination that is here; answers the report with what its
    pictures told."""
    base = f"{services.show}/reports/{report.day}"
    seen = pictures.looks(services, outbox, pictures.of_the_day(services, report.day), progress)
    report = pictures.with_histograms(report, seen)
    shown = pictures.pictures(services, outbox, seen)
    shows = {d.id: outbox.shows(d) for d in outbox.here}
    with pictures.fonts() as fonts:
        made = {s: (render_morning(report, pictures=shown if s else {}),
                    print_morning(report, fonts, pictures=shown if s else {})) for s in set(shows.values())}
    outbox.put(f"{base}.html", lambda id: made[shows[id]][0], kind="report", owner=report.day)
    outbox.put(f"{base}.pdf", lambda id: made[shows[id]][1], kind="report print", owner=report.day)
    data = papers.render(report)
    outbox.put(f"{base}.json", lambda _: data, kind="report data", owner=report.day)
    return report


def as_json(report: AuditReport) -> str:
    return papers.render(report).decode("utf-8")


def as_text(report: AuditReport) -> str:
    return render_text(report, width=80)
