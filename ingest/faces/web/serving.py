"""The page's server in a thread of its own: it comes and goes with whoever started it."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import uvicorn

from ingest.errors import UsageError
from ingest.faces.web import pages
from ingest.faces.web.app import App
from ingest.faces.web.board import Looker
from ingest.faces.web.events import Hub
from ingest.faces.web.sessions import Gate
from ingest.services import Services


class _CalmServer(uvicorn.Server):
    """Wakes once a second (for the date in its answers) and at :meth:`end`.

    The library's own loop wakes ten times a second, which was a third of what the whole daemon takes while it waits.
    """

    _loop: asyncio.AbstractEventLoop | None = None

    def end(self) -> None:
        """From any thread."""
        self.should_exit = True
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended by itself
                self._loop.call_soon_threadsafe(self._ending.set)

    async def main_loop(self) -> None:
        self._ending = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        while not await self.on_tick(0):
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._ending.wait(), 1.0)


class PageServer:
    """Serves until closed.  ``wake`` (optional) is called after a change a person made, so that the daemon
    looks at once; without it the page only reads.  ``on_code`` is told each pairing code."""

    def __init__(
        self, services: Services, *, wake: Callable[[], None] | None, on_code: Callable[[str], None]
    ) -> None:
        page = services.settings.page
        try:
            self._socket = socket.create_server((page.address, page.port), family=_family(page.address))
        except OSError as error:
            raise UsageError(
                f"the page cannot be served there ({error.strerror or error}).", item=f"{page.address}:{page.port}",
                next="Choose another port or address under [page] in the settings.",
            ) from error
        host, port = self._socket.getsockname()[:2]
        self.address = f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"
        self.is_open = is_loopback(page.address)
        self._looker = Looker(services)
        rendered: dict[str, Any] = {}
        self.hub = Hub(self._looker, lambda board: pages.parts(board, rendered), services.log)
        self.gate = Gate(clock_s=services.clock.steady_s, on_code=on_code)
        self._pool = ThreadPoolExecutor(max_workers=2, thread_name_prefix="page work")
        app = App(services, self.hub, self.gate, self._pool, wake=wake, trusted=self.is_open)
        config = uvicorn.Config(
            app, log_config=None, access_log=False, lifespan="off", ws="none", http="h11", loop="asyncio",
            server_header=False, date_header=True, proxy_headers=False, limit_concurrency=160,
            timeout_keep_alive=10, timeout_graceful_shutdown=1, h11_max_incomplete_event_size=16 << 10,
        )
        self._server = _CalmServer(config)
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def start(self) -> None:
        self.hub.start()
        if not self.is_open:
            self.gate.show_code()
        self._thread.start()

    def event(self, name: str, fields: Mapping[str, Any]) -> None:
        """Progress of the work, from any thread."""
        self._looker.event(name, fields)
        self.hub.happened()

    def close(self) -> None:
        self._server.end()
        self.hub.close()
        if self._thread.is_alive():
            self._thread.join(timeout=5)
        self._pool.shutdown(wait=True)
        with contextlib.suppress(OSError):  # the server closed it already
            self._socket.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])


def is_loopback(address: str) -> bool:
    """Whether only this machine can reach the address."""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return address == "localhost"


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in address else socket.AF_INET
