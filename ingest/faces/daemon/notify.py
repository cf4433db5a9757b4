"""Telling others: the service manager (readiness, watchdog) and the person's own notification command."""

from __future__ import annotations

import json
import os
import queue
import socket
import subprocess
import threading
from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from ingest.faces import answers
from ingest.records.findings import Finding
from ingest.services import Services

_LONGEST_S = 30.0


class ServiceManager:
    """sd_notify(3) over its socket; says nothing where there is no service manager."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")
        micro = os.environ.get("WATCHDOG_USEC", "")
        self.beat_s = int(micro) / 3e6 if micro.isdigit() else None

    def say(self, message: str) -> None:
        if not self._address or not hasattr(socket, "AF_UNIX"):
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.sendto(message.encode(), address)
        except OSError:
            return  # the manager restarts a service that says nothing; nothing else depends on it


class Notifier:
    """Runs the person's command for each notice: an argument list, never a shell; the notice as JSON on stdin.

    Notices queue behind a slow command; one that takes longer than half a minute is ended.
    """

    def __init__(self, command: tuple[str, ...], quiet_hours: tuple[str, str] | None, log: Any) -> None:
        self._command, self._quiet, self._log = command, quiet_hours, log
        self._notices: queue.SimpleQueue[tuple[dict[str, Any], Callable[[], None]] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="notices", daemon=True)
        if command:
            self._thread.start()

    def tell(self, event: str, fields: Mapping[str, Any], told: Callable[[], None] = lambda: None) -> None:
        """``event`` is policy met, policy short, destination in trouble or person needed; ``told`` is called, in the
        notices' own thread, once the command has taken it."""
        if self._command:
            self._notices.put(({"event": event, **fields}, told))

    def close(self) -> None:
        if self._command:
            self._notices.put(None)
            self._thread.join(timeout=_LONGEST_S)

    def is_quiet(self, local: datetime) -> bool:
        """Whether bundled notices should wait now."""
        if self._quiet is None:
            return False
        start, end = self._quiet
        now = local.strftime("%H:%M")
        return start <= now < end if start <= end else now >= start or now < end

    def _run(self) -> None:
        while (waiting := self._notices.get()) is not None:
            notice, told = waiting
            try:
                subprocess.run(
                    list(self._command), input=json.dumps(notice).encode(), timeout=_LONGEST_S, check=True,
                    stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                )
            except (OSError, subprocess.SubprocessError) as error:
                self._log.warning("notice not delivered", event_told=notice["event"], error=str(error))
            else:
                told()


class Told:
    """What the person's command has taken, kept in the ledger: a restart tells only what is new.

    Noted once the command ended well, so what a stop or a failing command cut off is told by the next start.  A
    finding that has not stood for ``AGAIN_S`` is forgotten, and told anew when it comes back.
    """

    KEY, AGAIN_S = "told", 3600.0

    def __init__(self, services: Services, wake: Callable[[], None]) -> None:
        self._services, self._wake = services, wake
        kept = json.loads(services.work.recall(self.KEY) or "{}")
        self._cards: dict[str, bool] = dict(kept.get("cards", {}))
        self._gone_s: dict[str, float | None] = dict(kept.get("findings", {}))  # since when each no longer stands
        self._taken: queue.SimpleQueue[tuple[dict[str, bool], set[str]]] = queue.SimpleQueue()

    def cards(self) -> dict[str, bool]:
        """Whether each card met the policy when it was last told."""
        return dict(self._cards)

    def findings(self) -> set[str]:
        """Keys of the findings told."""
        return set(self._gone_s)

    def note(self, cards: dict[str, bool], findings: set[str]) -> None:
        """The command took these.  Called in the notices' thread, which wakes the daemon's own to keep them: a commit
        of another thread would look to the desk like another command's, and be worth a whole pass."""
        self._taken.put((cards, findings))
        self._wake()

    def keep(self, standing: Collection[str], now_s: float) -> set[str]:
        """Store what was taken since; ``standing`` are the findings of now.  Answers those that are forgotten."""
        gone, changed = dict(self._gone_s), False
        while not self._taken.empty():
            cards, findings = self._taken.get()
            self._cards |= cards
            gone |= dict.fromkeys(findings)
            changed = True
        for key, since in gone.items():
            gone[key] = None if key in standing else now_s if since is None else since
        over = {key for key, since in gone.items() if since is not None and now_s - since > self.AGAIN_S}
        gone = {key: since for key, since in gone.items() if key not in over}
        if changed or gone != self._gone_s:
            self._gone_s = gone
            self._services.work.put(self.KEY, json.dumps({"cards": self._cards, "findings": gone}))
        return over


class Notices:
    """Tells the person's command what changed since it was last told: a card that meets the policy or falls
    short, a destination in trouble, a finding that needs a person (these bundled, outside quiet hours)."""

    def __init__(self, services: Services, wake: Callable[[], None] = lambda: None) -> None:
        self._services = services
        notify = services.settings.notify
        self._notifier = Notifier(notify.command, notify.quiet_hours, services.log)
        self._wanted = bool(notify.command)
        if self._wanted:
            self._kept = Told(services, wake)
            self._met, self._told = self._kept.cards(), self._kept.findings()

    def look(self) -> None:
        if not self._wanted:
            return
        for verdict in answers.verdicts(self._services):
            if not verdict.policy_met and (verdict.here or verdict.card_id not in self._met):
                self._met.setdefault(verdict.card_id, False)
            if self._met.get(verdict.card_id) != verdict.policy_met:
                if verdict.policy_met or self._met.get(verdict.card_id):
                    self._notifier.tell("policy met" if verdict.policy_met else "policy short", {
                        "card": verdict.label or verdict.card_id, "copies_once_reused": verdict.copies_once_reused,
                        "copies_asked": verdict.copies_asked, "reasons": list(verdict.reasons),
                    }, partial(self._kept.note, {verdict.card_id: verdict.policy_met}, set()))
                self._met[verdict.card_id] = verdict.policy_met
        standing, now = self._standing(), self._services.clock.now()
        self._told -= self._kept.keep(standing.keys(), now.timestamp())
        fresh = [f for key, f in standing.items() if key not in self._told]
        local = now.astimezone(ZoneInfo(self._services.settings.show.timezone))
        # What a setup lacks and nobody can shoot any more is a loss too, but none that somebody must be woken for.
        urgent = [f for f in fresh
                  if f.kind.startswith("destination") or (f.severity == "loss" and not f.kind.endswith("_lost"))]
        bundle = urgent if self._notifier.is_quiet(local) else fresh
        if bundle:
            keys = {f.key for f in bundle}
            self._told |= keys
            disks = any(f.kind.startswith("destination") for f in bundle)
            event = "destination in trouble" if disks else "person needed"
            self._notifier.tell(event, {"findings": [f.to_json() for f in bundle]}, partial(self._kept.note, {}, keys))

    def _standing(self) -> dict[str, Finding]:
        return {f.key: f for f in answers.all_findings(self._services) if f.severity != "note"}

    def close(self) -> None:
        """Waits for the notices under way, and keeps what the command took of them."""
        self._notifier.close()
        if self._wanted:
            self._kept.keep(self._standing().keys(), self._services.clock.now().timestamp())
