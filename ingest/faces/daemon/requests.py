"""Long commands asked for while the daemon runs: it carries them out, one after the other."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from ingest.errors import EXIT_FAULT, EXIT_NEEDS_A_PERSON, EXIT_WELL, NightloaderError
from ingest.faces import answers, auditing, remerging
from ingest.faces.adopting import adopt_destination
from ingest.faces.remerging import Job
from ingest.machinery.worker.cluster import ClusterUnusable
from ingest.pipeline import Desk
from ingest.records.cards import PresentCard
from ingest.services import Services
from ingest.steps.cards.stage import Lookout

SLICE_S = 60.0  # of merging again, before the desk looks whether the day has something new


class Requests:
    """The open requests.  Offloads join the running copies; an audit runs in a thread of its own, and so does an
    adoption, for which copies and desk rest.  Merging again is the desk's own work, slice by slice: a new card and
    the day's own probes come first."""

    def __init__(self, services: Services, wake: Callable[[], None], desk: Desk) -> None:
        self._services = services
        self._wake = wake
        self._desk = desk
        self._again: tuple[int, Job] | None = None
        self._stalled = False
        self._offloads: dict[int, PresentCard] = {}
        self._thread: threading.Thread | None = None
        self.adopting = False
        self.adoptions = 0  # that ended: what they brought back may be owed somewhere

    @property
    def at_work(self) -> bool:
        at_desk = self._again is not None or (self._desk.redo_owed > 0 and not self._stalled)
        return bool(self._offloads) or at_desk or (self._thread is not None and self._thread.is_alive())

    def cards(self, lookout: Lookout, here: set[str]) -> tuple[PresentCard, ...]:
        """Cards that somebody asked to offload by path, beside those in the watched places (ids ``here``)."""
        for number, kind, body in self._services.work.open_requests():
            if kind == "offload" and number not in self._offloads:
                try:
                    self._offloads[number] = lookout.take(str(body["path"]))
                    self._services.work.report_progress(number, "copying")
                except NightloaderError as error:
                    self._finish(number, str(error), error.exit_code)
                except Exception as error:  # a card is untrusted input: it costs itself, never the daemon
                    self._services.log.error("offload failed", error=repr(error))
                    self._finish(number, f"{body.get('path')}: {error}", EXIT_FAULT)
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
                if kind == "remerge":
                    if quiet and self._again is None:
                        self._ask_again(number, body)
                    continue  # the others need not wait for it
                if kind != "offload":
                    self._finish(number, f"this daemon does not know '{kind}'; is it an older program?", EXIT_FAULT)

    def remerge(self) -> None:
        """A slice of what is to be merged again, if anything is; called while the desk has nothing else to do."""
        desk = self._desk
        if self._again is None and (not desk.redo_owed or self._stalled):
            return
        if self._again is not None:
            number, job = self._again
            left = job.left(desk)
            if not left or self._stalled:
                lost = desk.elsewhere.lost if desk.elsewhere is not None else ""
                self._end_again(number, *job.words(desk, lost))
                return
            self._services.work.report_progress(
                number, f"{len(job.waits_for) - left} of {len(job.waits_for)} merged again")
        self._stalled = desk.remerge(for_s=SLICE_S) == 0 and not desk.is_due()

    def worked(self) -> None:
        """The desk had something to do: what could not be merged again before may go now."""
        self._stalled = False

    def _ask_again(self, number: int, body: dict[str, Any]) -> None:
        try:
            asking = remerging.Asking.from_json(body)
            self._services.work.report_progress(number, "choosing what to merge again")
            try:
                self._desk.elsewhere = remerging.connect(self._services, asking)
            except ClusterUnusable:
                if not remerging.decided(self._services, asking):
                    raise  # nothing was begun; else a stop came in between, and this machine goes on with it
            self._again = number, remerging.ask(self._services, self._desk, asking)
        except NightloaderError as error:
            self._end_again(number, str(error), error.exit_code)
        except (KeyError, TypeError, ValueError) as error:
            self._end_again(number, f"this daemon does not understand it ({error}); is it an older program?",
                            EXIT_FAULT)

    def _end_again(self, number: int, text: str, code: int) -> None:
        if self._desk.elsewhere is not None:
            self._desk.elsewhere.close()
            self._desk.elsewhere = None
        self._again = None
        self._finish(number, text, code)

    def close(self) -> None:
        if self._desk.elsewhere is not None:
            self._desk.elsewhere.close()
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
        except Exception as error:  # asked for ever it would be done for ever
            self._services.log.error("audit failed", error=repr(error))
            self._finish(number, f"the audit failed: {error!r}. The log has more; report it.", EXIT_FAULT)
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
        except Exception as error:
            self._services.log.error("adoption failed", error=repr(error))
            self._finish(number, f"{body.get('path')}: {error}", EXIT_FAULT)
        finally:
            self.adoptions += 1
            self.adopting = False
            self._wake()

    def _finish(self, number: int, text: str, code: int) -> None:
        self._services.work.finish_request(number, {"text": text, "exit": code}, self._services.clock.utc())
