"""Long commands asked for while the daemon runs: it carries them out, one after the other."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from ingest.errors import EXIT_FAULT, EXIT_NEEDS_A_PERSON, EXIT_WELL, CardGone, NightloaderError
from ingest.faces import answers, auditing
from ingest.faces.adopting import adopt_destination
from ingest.records.cards import PresentCard
from ingest.services import Services
from ingest.steps.cards.stage import Lookout


class Requests:
    """The open requests.  Offloads join the running copies; an audit runs in a thread of its own, and so does an
    adoption, for which copies and desk rest."""

    def __init__(self, services: Services, wake: Callable[[], None]) -> None:
        self._services = services
        self._wake = wake
        self._offloads: dict[int, PresentCard] = {}
        self._thread: threading.Thread | None = None
        self.adopting = False

    @property
    def at_work(self) -> bool:
        return bool(self._offloads) or (self._thread is not None and self._thread.is_alive())

    def cards(self, lookout: Lookout, here: set[str]) -> tuple[PresentCard, ...]:
        """Cards that somebody asked to offload by path, beside those in the watched places (ids ``here``)."""
        for number, kind, body in self._services.work.open_requests():
            if kind == "offload" and number not in self._offloads:
                try:
                    self._offloads[number] = lookout.take(str(body["path"]))
                    self._services.work.report_progress(number, "copying")
                except CardGone as error:
                    self._finish(number, str(error), error.exit_code)
        return tuple(p for p in self._offloads.values() if p.card.id not in here)

    def serve(self, *, quiet: bool) -> None:
        """Finish what is done (``quiet``: nothing is being copied and the desk is clear), start what waits."""
        if quiet:
            for number, present in list(self._offloads.items()):
                verdict = next(v for v in answers.verdicts(self._services) if v.card_id == present.card.id)
                words = f"{verdict.label or verdict.folder}: copies once reused {verdict.figure}"
                del self._offloads[number]
                self._finish(number, words, EXIT_WELL if verdict.policy_met else EXIT_NEEDS_A_PERSON)
        if self._thread is None or not self._thread.is_alive():
            for number, kind, body in self._services.work.open_requests():
                if kind == "audit":
                    self._thread = threading.Thread(target=self._audit, args=(number, body), name="audit")
                    self._thread.start()
                    return
                if kind == "adopt":
                    if quiet:
                        self.adopting = True
                        self._thread = threading.Thread(target=self._adopt, args=(number, body), name="adopt")
                        self._thread.start()
                    return
                if kind != "offload":
                    self._finish(number, f"this daemon does not know '{kind}'; is it an older program?", EXIT_FAULT)

    def close(self) -> None:
        if self._thread is not None:
            self._thread.join()

    def _audit(self, number: int, body: dict[str, Any]) -> None:
        try:
            report = auditing.audit(
                self._services, day=str(body.get("day", "")), full=bool(body.get("full")),
                progress=lambda words: self._services.work.report_progress(number, words),
            )
            if self._services.stop.is_set():
                return  # asked again when the daemon is back
            text = auditing.as_json(report) if body.get("json") else auditing.as_text(report)
            self._finish(number, text, EXIT_NEEDS_A_PERSON if report.needs_a_person else EXIT_WELL)
        except NightloaderError as error:
            self._finish(number, str(error), error.exit_code)
        finally:
            self._wake()

    def _adopt(self, number: int, body: dict[str, Any]) -> None:
        try:
            made = adopt_destination(
                self._services, str(body["path"]),
                progress=lambda words: self._services.work.report_progress(number, words),
            )
            if not made.interrupted:  # else asked again when the daemon is back
                self._finish(number, made.words(), EXIT_NEEDS_A_PERSON if made.needs_a_person else EXIT_WELL)
        except NightloaderError as error:
            self._finish(number, str(error), error.exit_code)
        except OSError as error:
            self._finish(number, f"{body['path']}: {error}", EXIT_FAULT)
        finally:
            self.adopting = False
            self._wake()

    def _finish(self, number: int, text: str, code: int) -> None:
        self._services.work.finish_request(number, {"text": text, "exit": code}, self._services.clock.utc())
