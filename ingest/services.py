"""What every stage acts through: one frozen bundle, made once at the entry."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from ingest.machinery.clock import Clock
from ingest.machinery.disk.files import Disk
from ingest.machinery.ledger.cards import CardLedger
from ingest.machinery.ledger.store import Store
from ingest.machinery.ledger.work import WorkLedger
from ingest.machinery.worker.host import WorkerPool
from ingest.machinery.worker.room import most_at_once
from ingest.settings.model import Settings


@dataclass(frozen=True, kw_only=True, slots=True)
class Services:
    """``tell`` gets (event, fields) for whoever watches progress; it must not block and may be called
    from any thread.  ``stop`` is set when everything should end at the next safe place."""

    settings: Settings
    disk: Disk
    store: Store
    cards: CardLedger
    work: WorkLedger
    worker: WorkerPool
    clock: Clock
    log: Any  # structlog's bound logger
    stop: threading.Event = field(default_factory=threading.Event)
    tell: Callable[[str, dict[str, Any]], None]

    @property
    def show(self) -> str:
        return self.settings.show.code


def open_services(
    settings: Settings, log: Any, *, stop: threading.Event | None = None,
    tell: Callable[[str, dict[str, Any]], None] | None = None, clock: Clock | None = None, disk: Disk | None = None,
) -> Services:
    """Open the ledger beside the settings and a pool of workers (none is started yet)."""
    store = Store(settings.ledger_path)
    return Services(
        settings=settings, disk=disk or Disk(), store=store, cards=CardLedger(store), work=WorkLedger(store),
        worker=WorkerPool(  # one more than merge at once: a card's headers are read beside the merges
            workers=most_at_once(settings.merging.workers) + 1, memory_bytes=settings.merging.memory_mb << 20, nice=10
        ),
        clock=clock or Clock(), log=log, stop=stop or threading.Event(),
        tell=tell or _no_one,
    )


def _no_one(event: str, fields: dict[str, Any]) -> None:
    del event, fields


def close_services(services: Services) -> None:
    services.worker.close()
    services.store.close()
