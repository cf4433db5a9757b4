"""The audit as commands, the daemon and pages call it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta
from zoneinfo import ZoneInfo

from ingest.faces.answers import policy
from ingest.records import papers
from ingest.records.audit_paper import AuditReport
from ingest.services import Services
from ingest.steps.audit import stage
from ingest.steps.audit.text import render_text


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
    """Read again, judge, and keep when it was."""
    about = day or last_day(services)
    report = stage.run(services, policy(services.settings), day=about, full=full, stop=stop, progress=progress)
    services.work.put("last audit utc", report.written_utc)
    return report


def as_json(report: AuditReport) -> str:
    return papers.render(report).decode("utf-8")


def as_text(report: AuditReport) -> str:
    return render_text(report, width=80)
