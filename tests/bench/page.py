"""The cart page of a large show: ``python -m tests.bench.page`` prints seconds and CPU shares.

200 cards, 2,000 probes, 100,000 files with two copies each.  First board, first paint of the page's text, latency
from a fact's commit to the event at a listener, and the CPU that ten listeners take while a card is being copied (a
commit every 20 ms), as process time.  Ratio: against the same commits with no page.
"""

from __future__ import annotations

import http.client
import json
import statistics
import tempfile
import threading
import time
from pathlib import Path

from ingest.faces.web.serving import PageServer
from ingest.services import Services, close_services
from tests.faces.web import shows

CARDS, PROBES, FILES, LISTENERS = 200, 2000, 500, 10  # the listeners' own CPU counts too: they are in this process


def fill(services: Services) -> str:
    ids = [shows.add_card(services, f"R{n:03}", files=FILES, here=n >= CARDS - 3, n=n) for n in range(CARDS)]
    shows.add_probes(services, PROBES)
    shows.add_findings(services, 300)
    return ids[-1]


def listen(address: str, cookie: str, at: list[float], words: str) -> None:
    host, port = address.removeprefix("http://").split(":")
    call = http.client.HTTPConnection(host, int(port))
    call.request("GET", "/events/board", headers={"Cookie": cookie})
    answer = call.getresponse()
    while line := answer.readline():
        if words and words in line.decode():
            at.append(time.monotonic())


def commits(services: Services, seconds: float) -> tuple[float, float]:
    """What a copier does to the ledger; answers (process CPU seconds, commits made)."""
    started, cpu, made = time.monotonic(), time.process_time(), 0
    while time.monotonic() - started < seconds:
        services.work.put("copying stand-in", str(made))
        made += 1
        time.sleep(0.02)
    return time.process_time() - cpu, made


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        services = shows.scratch(Path(folder))
        started = time.monotonic()
        card = fill(services)
        print(f"filled in {time.monotonic() - started:.1f} s")
        alone, _ = commits(services, 8.0)
        server = PageServer(services, wake=lambda: None, on_code=print)
        started = time.monotonic()
        server.start()
        while not server.hub.board.slots:
            time.sleep(0.01)
        print(f"first board with the cards that are here {time.monotonic() - started:6.2f} s")
        while len(server.hub.board.cards) < CARDS:
            time.sleep(0.05)
        print(f"every card judged {time.monotonic() - started:6.2f} s")
        host, port = server.address.removeprefix("http://").split(":")
        paints, cookie = [], ""
        for _ in range(15):
            call = http.client.HTTPConnection(host, int(port))
            started = time.monotonic()
            call.request("GET", "/", headers={"Cookie": cookie} if cookie else {})
            answer = call.getresponse()
            size = len(answer.read())
            paints.append(time.monotonic() - started)
            cookie = cookie or answer.getheader("set-cookie", "").partition(";")[0]
        print(
            f"page {size / 1e3:.0f} kB: {statistics.median(paints) * 1e3:.1f} ms, worst {max(paints) * 1e3:.0f} ms"
        )
        lags = []
        for n in range(8):
            at: list[float] = []
            threading.Thread(target=listen, args=(server.address, cookie, at, f"ROLL{n}X"), daemon=True).start()
            time.sleep(0.6)
            started = time.monotonic()
            services.cards.name_roll(card, f"ROLL{n}X")
            while not at and time.monotonic() - started < 10:
                time.sleep(0.005)
            lags.append((at or [float("inf")])[0] - started)
        print(f"commit to event: median {statistics.median(lags):6.2f} s, worst {max(lags):.2f} s")
        for _ in range(LISTENERS):
            threading.Thread(target=listen, args=(server.address, cookie, [], ""), daemon=True).start()
        time.sleep(1.0)
        fields = {
            "card": card,
            "state": "being read",
            "doing": "",
            "path": "",
            "files_done": 1,
            "files_total": FILES,
            "bytes_done": 1000,
            "bytes_total": FILES * 1000,
        }
        stop = threading.Event()

        def progress() -> None:
            while not stop.wait(0.5):
                fields["bytes_done"] += 5000
                server.event("copying", json.loads(json.dumps(fields)))

        threading.Thread(target=progress, daemon=True).start()
        watched, _ = commits(services, 8.0)
        stop.set()
        print(
            f"CPU of 8 s of commits: alone {alone:.2f} s, with {server.hub.listeners} pages open {watched:.2f} s: "
            f"{100 * (watched - alone) / 8:.1f} % of a core more, {watched / alone:.2f} x"
        )
        server.close()
        close_services(services)


if __name__ == "__main__":
    main()
