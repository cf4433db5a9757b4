"""A server for one small page: loopback unless the person says otherwise, reads only, nothing from elsewhere.

Each request gets an answer of bytes made by one function; there is no file behind it and no state to change.
"""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from ingest.errors import UsageError

PORT = 7437
MOST_AT_ONCE = 24
_IDLE_S = 15.0
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What a page answers; ``kind`` is its media type."""

    body: bytes
    kind: str = "text/html; charset=utf-8"


# (path, query) -> answer, None where there is no such page.  Called from many threads.
Pages = Callable[[str, dict[str, str]], Answer | None]


def address(text: str | None) -> tuple[str, int]:
    """``ADDRESS:PORT``, ``ADDRESS`` or ``:PORT``; loopback and our usual port for what is missing.

    >>> address(None), address("192.168.4.2:8100"), address("[::1]")
    (('127.0.0.1', 7437), ('192.168.4.2', 8100), ('::1', 7437))
    """
    text = (text or "").strip()
    host, port = text, ""
    if text.startswith("["):
        host, _, port = text[1:].partition("]")
        port = port.removeprefix(":")
    elif text.count(":") == 1:
        host, _, port = text.partition(":")
    try:
        return str(ipaddress.ip_address(host or "127.0.0.1")), _port(port)
    except ValueError as error:
        raise UsageError(
            "is no address to listen at.", item=text, next="Write it as ADDRESS:PORT, such as 192.168.4.2:7437.",
        ) from error


def _port(text: str) -> int:
    if not text:
        return PORT
    if not text.isdecimal() or not 0 <= int(text) <= 65535:
        raise ValueError(text)
    return int(text)


class SmallServer:
    """Serves ``pages`` until closed; ``url`` says where."""

    def __init__(self, pages: Pages, where: tuple[str, int]) -> None:
        slots = threading.BoundedSemaphore(MOST_AT_ONCE)

        class Handler(_Handler):
            def handle_one_request(self) -> None:
                self.pages = pages
                super().handle_one_request()

            def handle(self) -> None:
                if slots.acquire(blocking=False):
                    with contextlib.suppress(OSError):  # whoever asked went away
                        super().handle()
                    slots.release()

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            address_family = socket.AF_INET6 if ":" in where[0] else socket.AF_INET

        try:
            self._server = Server(where, Handler)
        except OSError as error:
            raise UsageError(
                f"cannot be listened at ({error.strerror}).", item=f"{where[0]}:{where[1]}",
                next="Give another with --listen ADDRESS:PORT.",
            ) from error
        host, port = self._server.server_address[:2]
        shown_host = f"[{host!s}]" if ":" in str(host) else str(host)
        self.url = f"http://{shown_host}:{port}/"

    def serve(self) -> None:
        """Until Ctrl-C or :meth:`close` from another thread."""
        try:
            self._server.serve_forever(poll_interval=0.2)
        finally:
            self._server.server_close()

    def close(self) -> None:
        self._server.shutdown()


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    timeout = _IDLE_S
    server_version, sys_version = "nightloader", ""
    pages: Pages

    def do_GET(self) -> None:
        asked = urlsplit(self.path)
        query = {k: v[0][:80] for k, v in parse_qs(asked.query, max_num_fields=20).items()} if asked.query else {}
        answer = self.pages(asked.path, query)
        self.send_response(200 if answer else 404)
        body = answer.body if answer else b"There is no such page.\n"
        for name, value in (
            ("Content-Type", answer.kind if answer else "text/plain; charset=utf-8"),
            ("Content-Length", str(len(body))), ("Content-Security-Policy", POLICY), ("Cache-Control", "no-store"),
            ("X-Content-Type-Options", "nosniff"), ("Referrer-Policy", "no-referrer"),
        ):
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing: who looks at a clock is nobody's business."""
