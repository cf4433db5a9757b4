"""The cart page as an application: who may call what, and what each call does.

Every rule about callers is in :class:`App` itself, before any route runs: known host, bounded rate and
size, a session where one is needed, and for changes a form of that session sent from our own address.
Routes find things by id in the ledger; no text from a caller ever becomes a path.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from urllib.parse import parse_qsl

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from ingest.faces.web import pages
from ingest.faces.web.events import Hub
from ingest.faces.web.routes import Routes
from ingest.faces.web.sessions import Gate, Rate, Session, TooMany, is_own_form, is_own_host, is_own_origin
from ingest.services import Services

COOKIE = "nightloader_session"
MOST_BYTES = 32 << 10
MOST_FIELDS = 40
MOST_LISTENERS = 64
PUBLIC = frozenset({"/slots", "/pair", "/static/page.css", "/static/page.js", "/events/slots", "/favicon.ico"})
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
# referrer-policy: under no-referrer browsers send "Origin: null" with a form, which the origin check refuses.


class App:
    """ASGI.  ``trusted``: the server listens on loopback only, so a session is given without a code.
    ``wake`` None: the page only reads."""

    def __init__(
        self, services: Services, hub: Hub, gate: Gate, pool: ThreadPoolExecutor, *,
        wake: Callable[[], None] | None, trusted: bool,
    ) -> None:
        self._services, self._hub, self._gate, self._pool = services, hub, gate, pool
        self._trusted, self._reads_only = trusted, wake is None
        self._names = services.settings.page.names
        self._reads = Rate(600, 200)
        self._writes = Rate(60, 30)
        self._routes = Routes(services, hub, wake or (lambda: None))
        self._inner: ASGIApp = Starlette(routes=self._routes.table())

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        request = Request(scope, receive)
        kept: list[str] = []

        async def guarded(message: Any) -> None:
            if message["type"] == "http.response.start":
                have = {k.lower() for k, _ in message["headers"]}
                more = {"cache-control": "no-store", **HEADERS}
                message["headers"] = [
                    *message["headers"],
                    *((k.encode(), v.encode()) for k, v in more.items() if k.encode() not in have),
                    *((b"set-cookie", c.encode()) for c in kept),
                ]
            await send(message)

        answer = await self._answer(request, kept)
        await answer(scope, receive, guarded)

    async def _answer(self, request: Request, kept: list[str]) -> ASGIApp:
        caller = request.client.host if request.client else ""
        headers = {k.lower(): v for k, v in request.headers.items()}
        host = headers.get("host", "")
        now = self._services.clock.steady_s()
        if not is_own_host(host, self._names):
            return _refusal(421, "This machine does not answer to that name.",
                            "Use its address, or add the name under [page] in the settings.")
        if request.method not in ("GET", "HEAD", "POST"):
            return _refusal(405, "That is not offered.", "Go back to the page.")
        rate = self._writes if request.method == "POST" else self._reads
        if not rate.allows(caller, now):
            return _refusal(429, "Too many calls.", "Wait a minute.")
        session = self._gate.session(request.cookies.get(COOKIE, ""))
        if session is None and self._trusted and request.method != "POST":
            session = self._gate.open()
            kept.append(_cookie(session))
        path = request.url.path
        request.scope["nightloader"] = _Seen(session=session, reads_only=self._reads_only, trusted=self._trusted)
        if request.method == "POST":
            return await self._change(request, headers, host, caller, session, path)
        if path.startswith("/events") and self._hub.listeners >= MOST_LISTENERS:
            return _refusal(503, "Too many pages are open.", "Close one.")
        if session is None and path not in PUBLIC:
            return RedirectResponse("/slots" if path == "/" else "/pair", 303)
        return self._inner

    async def _change(
        self, request: Request, headers: dict[str, str], host: str, caller: str, session: Session | None, path: str
    ) -> ASGIApp:
        if not is_own_origin(headers, host):
            return _refusal(403, "This call did not come from this page.", "Open the page and try there.")
        form = await _form(request, headers)
        if form is None:
            return _refusal(413, "That is too large or no form.", "Shorten it.")
        if path == "/pair":
            return self._pair(form.get("code", ""), caller)
        if session is None:
            return _refusal(401, "This browser is not paired.", "Pair it; what you typed on a form is kept.")
        if not is_own_form(session, form.get("form_token", "")):
            return _refusal(403, "This form is from before.", "Load the page again; what you typed is kept.")
        if path == "/leave":
            self._gate.close(session.token)
            return _with_cookie(RedirectResponse("/slots", 303), f"{COOKIE}=; Max-Age=0; Path=/")
        if self._reads_only:
            return _refusal(403, "This page only reads.", "Use the page that `nightloader watch` serves.")
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._pool, self._routes.change, request, form)

    def _pair(self, code: str, caller: str) -> ASGIApp:
        try:
            session = self._gate.pair(code, caller)
        except TooMany:
            return _refusal(429, "Too many codes were tried.", "Wait a minute, then read the code from the cart.")
        if session is None:
            return HTMLResponse(pages.page("pair", wrong=True, **_frame(self._hub.board.show)), 401)
        return _with_cookie(RedirectResponse("/", 303), _cookie(session))


class _Seen:
    """What the guard found out about a call."""

    def __init__(self, *, session: Session | None, reads_only: bool, trusted: bool) -> None:
        self.session, self.reads_only, self.trusted = session, reads_only, trusted


def _frame(show: str) -> dict[str, Any]:
    return {"show": show, "signed_in": False, "form_token": "", "said": "", "here": "pair"}


def _cookie(session: Session) -> str:
    return f"{COOKIE}={session.token}; HttpOnly; SameSite=Strict; Path=/; Max-Age=57600"


def _with_cookie(response: Response, cookie: str) -> Response:
    response.headers.append("set-cookie", cookie)
    return response


def _refusal(code: int, what: str, next: str) -> Response:
    return HTMLResponse(pages.page("refusal", what=what, next=next, **_frame("")), code)


async def _form(request: Request, headers: Mapping[str, str]) -> dict[str, str] | None:
    """The fields of a form; None if it is too large, has too many, or is no urlencoded form."""
    if headers.get("content-type", "").partition(";")[0].strip() != "application/x-www-form-urlencoded":
        return None
    length = headers.get("content-length", "")
    if not re.fullmatch(r"\d{1,7}", length) or int(length) > MOST_BYTES:
        return None
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BYTES:
            return None
    try:
        fields = parse_qsl(body.decode("ascii"), keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="replace")
    except ValueError:  # not ASCII, or too many fields
        return None
    return dict(fields)

