"""The page's routes: what is shown, and the changes a person may make, through the commands' functions."""

from __future__ import annotations

import contextlib
import json
import re
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from ingest.errors import DestinationUnavailable, NightloaderError, sentences
from ingest.faces import answers, deciding, duties, entering
from ingest.faces.bundles import bundled
from ingest.faces.web import clock_page, pages, slate_page
from ingest.faces.web.board import CardShown, ordered
from ingest.faces.web.events import Hub
from ingest.faces.web.small_server import Pages
from ingest.machinery.disk.destinations import find_destination
from ingest.machinery.disk.files import read_small
from ingest.machinery.disk.hashing import digest_of
from ingest.machinery.disk.volumes import clock_is_set
from ingest.machinery.ledger.glances import Glances, ProbeGlance
from ingest.records.checks import in_words
from ingest.records.setups import SetupRow
from ingest.services import Services
from ingest.steps.filing.stage import read_setup_log
from ingest.steps.setups.entering import COLUMNS, entry_of, tidy
from ingest.steps.setups.slates import Slate

ID = re.compile(r"[A-Za-z0-9_-]{1,80}")
STATIC = Path(__file__).parent / "static"
_KINDS = {"page.css": "text/css; charset=utf-8", "page.js": "text/javascript; charset=utf-8"}
_MOST_PREVIEW = 8 << 20
_PAGE = 24
# What a page may say after a change: a key in the address, never text from it.
SAID = {
    "filed": "Kept. The daemon files it now.",
    "reviewed": "Kept: you have looked at it.",
    "labelled": "Kept: the card has its roll name.",
    "entered": "Kept in the page's own setup log.",
    "first": "Kept: this card is read next.",
    "signed": "Kept: who released the card, and how its copies stood.",
    "confirmed": "Kept: what it is.",
    "waived": "Kept: it is not needed.",
}


class Routes:
    """Reads through the hub's board and the ledger; ``wake`` makes the daemon look after a change."""

    def __init__(self, services: Services, hub: Hub, wake: Callable[[], None]) -> None:
        self._services, self._hub, self._wake = services, hub, wake
        self._glances = Glances(services.store)
        self._static = {name: (STATIC / name).read_bytes() for name in _KINDS}
        self._previews: OrderedDict[tuple[str, str], bytes] = OrderedDict()

    def table(self) -> Sequence[Route]:
        return [
            Route("/", self.board), Route("/slots", self.slots), Route("/pair", self.pair),
            Route("/probes", self.probes), Route("/findings", self.findings), Route("/setups", self.setups),
            Route("/probe/{id}", self.probe), Route("/clips", self.clips), Route("/clip/{id}", self.clip),
            Route("/card/{id}", self.card),
            Route("/clock/{rest:path}", self.clock), Route("/slate/{rest:path}", self.slate),
            Route("/preview/{id}/{version:int}", self.preview),
            Route("/shown/{id}/{version:int}", self.preview_of_findings),
            Route("/events/{view}", self.events), Route("/static/{name}", self.static),
            Route("/favicon.ico", self.no_icon),
        ]

    # -- shown

    def _page(self, request: Request, template: str, code: int = 200, **values: Any) -> Response:
        seen = request.scope["nightloader"]
        frame = {
            "show": self._services.show, "signed_in": seen.session is not None, "here": template,
            "form_token": seen.session.form_token if seen.session else "", "reads_only": seen.reads_only,
            "said": SAID.get(request.query_params.get("said", ""), ""),
        }
        return HTMLResponse(pages.page(template, **{**frame, **values}), code)

    def board(self, request: Request) -> Response:
        self._hub.look_first()
        return self._page(request, "board", parts={n: self._hub.part(n) for n in pages.PARTS},
                          trouble=self._hub.trouble)

    def slots(self, request: Request) -> Response:
        self._hub.look_first()
        return self._page(request, "slots", parts={"slots": self._hub.part("slots")},
                          trouble=self._hub.trouble)

    def pair(self, request: Request) -> Response:
        return self._page(request, "pair", wrong=False)

    def probes(self, request: Request) -> Response:
        number = request.query_params.get("page", "0")
        page = int(number) if re.fullmatch(r"\d{1,5}", number) else 0
        found = self._glances.newest_probes(_PAGE, before=page * _PAGE)
        return self._page(request, "probes", probes=found, page=page,
                          more=(page + 1) * _PAGE < self._glances.probe_count())

    def findings(self, request: Request) -> Response:
        found = bundled(ordered(answers.all_findings(self._services)))
        return self._page(request, "findings", findings=found[:500], count=len(found))

    def probe(self, request: Request) -> Response:
        glance = self._known(request)
        return self._probe_page(request, glance) if glance else self._nothing(request)

    def _probe_page(
        self, request: Request, glance: ProbeGlance, code: int = 200, wrong: str = "",
        typed: Mapping[str, str] | None = None,
    ) -> Response:
        doubts = [*glance.view.get("reasons", ()), *([glance.trouble] if glance.trouble else [])]
        found = bundled(f for f in answers.all_findings(self._services) if f.item.split(":", 1)[0] == glance.id)
        light = json.loads(self._services.work.recall(f"light|{glance.id}/{glance.version}") or "{}")
        digests = [f["digest"] for frame in glance.view.get("frames", ()) for f in frame["files"]]
        stitched = self._services.work.panorama(str(glance.view.get("position", "")))
        owners = [(f"{glance.id}/{glance.version}", "the merge")]
        owners += [(stitched[0], "its panorama")] if stitched else []
        shown = [(owner, of) for owner, of in owners if self._services.work.outputs(owner=owner, kind="findings")]
        return self._page(
            request, "probe", code, shown=shown if self._services.settings.security.previews else [],
            checks=in_words(glance.record.get("checks", ()), stitched[1] if stitched else {}),
            probe=glance, doubts=doubts, findings=found, wrong=wrong, lights=(light.get("lights") or ())[:3],
            exposures=sorted(f["exposure_s"] for f in glance.view.get("frames", ()) if f.get("exposure_s")),
            looked_at=self._glances.reviewed(digests), rows=self._rows(),
            typed=typed or {"shot": glance.shot, "setup": glance.setup, "day": glance.day, "unit": "", "note": ""},
        )

    def clips(self, request: Request) -> Response:
        found = answers.clips(self._services)
        found.sort(key=lambda c: (bool(c.get("setup")), c["id"]))
        return self._page(request, "clips", clips=found[:200], count=len(found))

    def clip(self, request: Request) -> Response:
        clip = self._known_clip(request)
        return self._clip_page(request, clip) if clip else self._nothing(request)

    def _clip_page(
        self, request: Request, clip: Mapping[str, Any], code: int = 200, wrong: str = "",
        typed: Mapping[str, str] | None = None,
    ) -> Response:
        return self._page(request, "clip", code, clip=clip, wrong=wrong, rows=self._rows(),
                          roles=tuple(duties.roles(self._services)), typed=typed or _typed_of(clip))

    def card(self, request: Request) -> Response:
        card = self._known_card(request)
        return self._card_page(request, card) if card else self._nothing(request)

    def _card_page(self, request: Request, card: CardShown, code: int = 200, **wrong: str) -> Response:
        signed = self._services.work.decisions("sign").get(card.id)
        return self._page(request, "card", code, card=card, signed=signed, wrong=wrong.get("roll", ""),
                          wrong_by=wrong.get("by", ""))

    def setups(self, request: Request) -> Response:
        return self._setups_page(request)

    def _setups_page(
        self, request: Request, code: int = 200, wrong: Mapping[str, str] | None = None,
        typed: Mapping[str, str] | None = None,
    ) -> Response:
        now = self._now()
        rows = [r for r in self._rows() if r["day"] == self._day(now)]
        return self._page(
            request, "setups", code, rows=rows, wrong=wrong or {},
            typed=typed or {**dict.fromkeys(COLUMNS, ""), "day": self._day(now), "start": now.strftime("%H:%M")},
            missing=self._missing(), now=now.strftime("%H:%M"),
        )

    def clock(self, request: Request) -> Response:
        """The cart's clock to photograph."""
        zone = ZoneInfo(self._services.settings.show.timezone)
        return _of_small(clock_page.pages(zone, self._services.clock.now, clock_is_set), request)

    def slate(self, request: Request) -> Response:
        """A slate as large as the screen, today's setups to choose from."""
        day = self._day(self._now())
        today = [(r["setup"], r["shot"]) for r in self._rows() if r["day"] == day]
        return _of_small(slate_page.pages(Slate(setup="", show=self._services.show, day=day), today), request)

    def _missing(self) -> list[dict[str, Any]]:
        """Setups with what they still lack, the newest day first."""
        found = [
            {**s, "lacks": [i for i in s["items"] if i["asked"] and i["status"] in ("due", "lost")]}
            for s in answers.setups(self._services)
        ]
        lacking = [s for s in found if s["lacks"]]
        return sorted(lacking, key=lambda s: (s["day"], s["start_utc"] or ""), reverse=True)[:40]

    def preview(self, request: Request) -> Response:
        return self._picture(request, "preview")

    def preview_of_findings(self, request: Request) -> Response:
        return self._picture(request, "findings")

    def _picture(self, request: Request, kind: str) -> Response:
        """Our own re-encoded picture, found by id and equal to what the ledger says of it."""
        id, version = request.path_params["id"], request.path_params["version"]
        if not ID.fullmatch(id) or version > 99_999 or not self._services.settings.security.previews:
            return Response(status_code=404)
        data = self._preview(f"{id}/{version}", kind)
        if data is None:
            return Response(status_code=404)
        return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400, immutable"})

    def _preview(self, owner: str, kind: str) -> bytes | None:
        if (owner, kind) in self._previews:
            return self._previews[owner, kind]
        roots = {d.id: d.path for d in self._services.cards.destinations()}
        for output in self._services.work.outputs(owner=owner, kind=kind):
            if output.destination_id not in roots:
                continue
            data = self._read(roots[output.destination_id], output.destination_id, output.path)
            if data is None or data[:3] != b"\xff\xd8\xff" or f"xxh3_128:{digest_of(data)}" != output.digest:
                continue
            self._previews[owner, kind] = data
            while len(self._previews) > 48:
                with contextlib.suppress(KeyError):  # another thread was quicker
                    self._previews.popitem(last=False)
            return data
        return None

    def _read(self, root: str, id: str, path: str) -> bytes | None:
        folder, _, name = path.rpartition("/")
        try:
            opened = find_destination(self._services.disk, root, id)
        except DestinationUnavailable:
            return None
        try:
            with opened.folders.hold(folder) as held:
                return read_small(self._services.disk, held, name, most=_MOST_PREVIEW)
        except OSError:
            return None
        finally:
            opened.close()

    async def events(self, request: Request) -> Response:
        view = request.path_params["view"]
        names = {"slots": pages.PUBLIC_PARTS, "board": pages.PARTS}.get(view)
        if names is None:
            return Response(status_code=404)

        async def stream() -> AsyncIterator[str]:
            async for text in self._hub.listen(names):
                yield text

        return StreamingResponse(stream(), media_type="text/event-stream", headers={"x-accel-buffering": "no"})

    def static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in self._static:
            return Response(status_code=404)
        return Response(self._static[name], headers={"content-type": _KINDS[name], "cache-control": "no-cache"})

    def no_icon(self, request: Request) -> Response:
        del request
        return Response(status_code=204)

    def _nothing(self, request: Request) -> Response:
        return self._page(request, "refusal", 404, what="Nothing of that id is here.", next="Go back to the board.")

    # -- changed

    def change(self, request: Request, form: Mapping[str, str]) -> Response:
        """One change by a person, in a worker thread; what is wrong comes back with what was typed."""
        path = request.url.path
        if path == "/setups":
            return self._enter(request, form)
        if path == "/waive":
            return self._waive(request, form)
        match = re.fullmatch(rf"/(probe|clip|card)/({ID.pattern})/(file|review|label|first|sign|confirm)", path)
        request.scope["path_params"] = {"id": match[2]} if match else {}
        known = match and {
            ("probe", "file"): self._file_probe, ("probe", "review"): self._review, ("clip", "file"): self._file_clip,
            ("clip", "confirm"): self._confirm, ("card", "label"): self._label, ("card", "first"): self._first,
            ("card", "sign"): self._sign,
        }.get((match[1], match[3]))
        return known(request, form) if known else self._nothing(request)

    def _file_probe(self, request: Request, form: Mapping[str, str]) -> Response:
        glance = self._known(request)
        if glance is None:
            return self._nothing(request)
        wrong = self._assign(glance.id, form)
        if wrong:
            return self._probe_page(request, glance, 400, wrong, {**_typed(form), "note": ""})
        return self._kept(f"/probe/{glance.id}", "filed")

    def _file_clip(self, request: Request, form: Mapping[str, str]) -> Response:
        clip = self._known_clip(request)
        if clip is None:
            return self._nothing(request)
        wrong = self._assign(clip["id"], form)
        if wrong:
            return self._clip_page(request, clip, 400, wrong, _typed(form))
        return self._kept(f"/clip/{clip['id']}", "filed")

    def _assign(self, id: str, form: Mapping[str, str]) -> str:
        """What is wrong, in words; "" when it is kept."""
        said = _typed(form)
        if not said["setup"]:
            return "Say the setup: what stands on the slate."
        if said["day"] and not re.fullmatch(r"\d{4}-\d\d-\d\d", said["day"]):
            return "Write the day as 2031-05-17."
        try:
            deciding.assign_by_id(self._services, id, **said)
        except NightloaderError as error:
            return sentences(error.what, "Say the day below." if "--day" in error.next else error.next)
        return ""

    def _review(self, request: Request, form: Mapping[str, str]) -> Response:
        glance = self._known(request)
        if glance is None:
            return self._nothing(request)
        deciding.review(self._services, [glance.id], note=tidy(form.get("note", ""), 1000))
        return self._kept(f"/probe/{glance.id}", "reviewed")

    def _label(self, request: Request, form: Mapping[str, str]) -> Response:
        card = self._known_card(request)
        if card is None:
            return self._nothing(request)
        roll = tidy(form.get("roll", ""), 64)
        if not roll:
            return self._card_page(request, card, 400, roll="Write what stands on the card.")
        try:
            deciding.label(self._services, card.id, roll)
        except NightloaderError as error:
            return self._card_page(request, card, 400, roll=f"{error.what} {error.next}")
        return self._kept(f"/card/{card.id}", "labelled")

    def _first(self, request: Request, form: Mapping[str, str]) -> Response:
        del form
        card = self._known_card(request)
        if card is None:
            return self._nothing(request)
        deciding.first(self._services, card.id)
        return self._kept(f"/card/{card.id}", "first")

    def _sign(self, request: Request, form: Mapping[str, str]) -> Response:
        card = self._known_card(request)
        if card is None:
            return self._nothing(request)
        by = tidy(form.get("by", ""), 120)
        if not by:
            return self._card_page(request, card, 400, by="Write who releases it.")
        duties.sign(self._services, card.id, by)
        return self._kept(f"/card/{card.id}", "signed")

    def _confirm(self, request: Request, form: Mapping[str, str]) -> Response:
        clip = self._known_clip(request)
        if clip is None:
            return self._nothing(request)
        try:
            duties.confirm(self._services, clip["id"], form.get("role", ""))
        except NightloaderError as error:
            return self._clip_page(request, clip, 400, str(error))
        return self._kept(f"/clip/{clip['id']}", "confirmed")

    def _waive(self, request: Request, form: Mapping[str, str]) -> Response:
        said = {c: tidy(form.get(c, ""), 200) for c in ("day", "setup", "unit", "by", "why")}
        try:
            duties.waive(self._services, form.get("item", ""), **said)
        except NightloaderError as error:
            return self._setups_page(request, 400, {"waive": sentences(error.what, error.next)})
        return self._kept("/setups", "waived")

    def _enter(self, request: Request, form: Mapping[str, str]) -> Response:
        day_starts = self._services.settings.show.day_starts
        entry, wrong = entry_of(form, day_starts=day_starts)
        by_script = request.headers.get("x-nightloader") == "page"
        if entry is None:
            if by_script:
                return JSONResponse({"wrong": dict(wrong)}, 400)
            return self._setups_page(request, 400, wrong, {c: tidy(form.get(c, ""), 1000) for c in COLUMNS})
        try:
            entering.enter(self._services, entry)
        except OSError as error:
            words = f"the cart's disk did not take it ({error.strerror})"
            if by_script:
                return JSONResponse({"wrong": {"setup": words}}, 507)
            return self._setups_page(request, 507, {"setup": words}, {c: tidy(form.get(c, ""), 1000) for c in COLUMNS})
        self._wake()
        return JSONResponse({"kept": entry.setup}) if by_script else self._kept("/setups", "entered")

    def _kept(self, path: str, said: str) -> Response:
        self._wake()
        self._hub.wake()
        return RedirectResponse(f"{path}?said={said}", 303)

    # -- found

    def _known(self, request: Request) -> ProbeGlance | None:
        id = request.path_params.get("id", "")
        return self._glances.probe(id) if ID.fullmatch(id) else None

    def _known_card(self, request: Request) -> CardShown | None:
        id = request.path_params.get("id", "")
        return next((c for c in self._hub.board.cards if c.id == id), None)

    def _known_clip(self, request: Request) -> dict[str, Any] | None:
        id = request.path_params.get("id", "")
        return next((c for c in answers.clips(self._services) if c["id"] == id), None)

    def _now(self) -> datetime:
        return self._services.clock.now().astimezone(ZoneInfo(self._services.settings.show.timezone))

    def _day(self, local: datetime) -> str:
        return answers.production_day(self._services.settings, local)

    def _rows(self) -> list[dict[str, Any]]:
        """The setups of both logs, newest first."""
        zone = ZoneInfo(self._services.settings.show.timezone)
        rows = [_row(r, zone) for r in read_setup_log(self._services).rows]
        return rows[::-1][:200]


def _row(row: SetupRow, zone: ZoneInfo) -> dict[str, Any]:
    def local(moment: float | None) -> str:
        return datetime.fromtimestamp(moment, zone).strftime("%Y-%m-%d %H:%M") if moment is not None else ""

    return {
        "day": row.day, "unit": row.unit, "shot": row.shot, "setup": row.setup, "start": local(row.start_s),
        "end": "" if row.open_ended else local(row.end_s), "camera": row.camera, "lens": row.lens,
        "notes": row.notes, "from_page": row.file.endswith(".page.csv"),
    }


def _typed(form: Mapping[str, str]) -> dict[str, str]:
    return {name: tidy(form.get(name, "")) for name in ("shot", "setup", "day", "unit")}


def _typed_of(clip: Mapping[str, Any]) -> dict[str, str]:
    return {"shot": clip.get("shot") or "", "setup": clip.get("setup") or "", "day": clip.get("day") or "", "unit": ""}


def _of_small(answer: Pages, request: Request) -> Response:
    """A page of its own under a path of ours: its links are relative."""
    made = answer(f"/{request.path_params['rest']}", dict(request.query_params))
    return Response(made.body, headers={"content-type": made.kind}) if made else Response(status_code=404)
