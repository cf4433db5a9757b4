"""The cart page of a large show, in a real browser: ``python -m tests.bench.page`` prints seconds and CPU shares.

200 cards, 2,000 probes, 100,000 files with two copies each.

- ``status`` of that show as a command of its own, CPU seconds;
- the first board after a start, and the page's text over HTTP;
- first and largest paint in Chromium (Paint Timing and Largest Contentful Paint, W3C), each time in a fresh profile;
- from a fact's commit by another process to the change in the page's DOM;
- the CPU that ten open pages take from the process that serves them while a card is being copied (a commit every 20
  ms and progress twice a second): that process's own time against the same commits in a process that serves nothing.

The server is a process of its own (this module with ``serve`` or ``commits``); the browser's time is not the cart's.
"""

from __future__ import annotations

import http.client
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ingest.faces.web.serving import PageServer
from ingest.services import Services, close_services, open_services
from ingest.settings.reading import load
from tests.faces.web import shows
from tests.faces.web.browsers import CHROMIUM, open_browser

CARDS, PROBES, FILES, PAGES = 200, 2000, 500, 10
ROOT = Path(__file__).parents[2]
TICKS = os.sysconf("SC_CLK_TCK")
MEASURED_S = 20.0


def make(root: Path) -> str:
    """The show; answers the id of a card that is here."""
    services = shows.scratch(root)
    ids = [shows.add_card(services, f"R{n:03}", files=FILES, here=n >= CARDS - 3, n=n) for n in range(CARDS)]
    shows.add_probes(services, PROBES, pictured=40)
    shows.add_findings(services, 300)
    close_services(services)
    return ids[-1]


def serve(root: Path, card: str, *, page: bool) -> None:
    """The page, and commits and progress as a copier makes them; ends with its standard input."""
    services = shows.at(load(root / "show" / "nightloader.toml"), port=0)
    server = PageServer(services, wake=lambda: None, on_code=lambda _: None)
    if page:
        server.start()
    print(server.address, flush=True)
    threading.Thread(target=_copy, args=(services, server, card), daemon=True).start()
    sys.stdin.read()
    os._exit(0)


def _copy(services: Services, server: PageServer, card: str) -> None:
    services.work.put("reading", card)
    for made in range(10**9):
        services.work.put("copying stand-in", str(made))
        if made % 25 == 0:
            server.event("copying", {
                "card": card, "state": "being read", "doing": "", "path": "", "files_done": made // 25, "files_total":
                FILES, "bytes_done": made * 1000, "bytes_total": FILES * 1_000_000,
            })  # fmt: skip
        time.sleep(0.02)


@contextmanager
def served(root: Path, card: str, what: str = "serve") -> Iterator[tuple[str, int]]:
    """Address and process id of a server."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.page", what, str(root), card], cwd=ROOT, stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    try:
        assert process.stdout is not None
        yield process.stdout.readline().strip(), process.pid
    finally:
        process.communicate("", timeout=30)


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def share(pid: int, seconds: float = MEASURED_S) -> float:
    """Percent of a core that the process takes."""
    before, began = cpu_s(pid), time.monotonic()
    time.sleep(seconds)
    return 100 * (cpu_s(pid) - before) / (time.monotonic() - began)


def status(root: Path) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, "-m", "ingest", "--config", str(root / "show" / "nightloader.toml"), "status"], cwd=ROOT,
        check=False, stdout=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def over_http(address: str) -> tuple[list[float], int]:
    host, port = address.removeprefix("http://").split(":")
    times, cookie, size = [], "", 0
    for _ in range(15):
        call = http.client.HTTPConnection(host, int(port))
        began = time.monotonic()
        call.request("GET", "/", headers={"Cookie": cookie} if cookie else {})
        answer = call.getresponse()
        size = len(answer.read())
        times.append(time.monotonic() - began)
        cookie = cookie or answer.getheader("set-cookie", "").partition(";")[0]
    return times, size


PAINTS = """() => new Promise(done => {
  const told = {};
  const take = list => { for (const p of list.getEntries()) told[p.name || 'largest'] = p.startTime / 1000 };
  new PerformanceObserver(take).observe({type: 'paint', buffered: true});
  new PerformanceObserver(take).observe({type: 'largest-contentful-paint', buffered: true});
  setTimeout(() => done(told), 2500);
})"""
WATCH = """() => { window.seen = {}; new MutationObserver(() => {
  const said = document.querySelector('[data-part=slots]').textContent.match(/ROLL\\d+X/);
  if (said && !(said[0] in seen)) seen[said[0]] = Date.now() / 1000;
}).observe(document.body, {subtree: true, childList: true, characterData: true}) }"""


def paints(browser: Any, address: str) -> list[dict[str, float]]:
    found = []
    for _ in range(8):
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        page = context.new_page()
        page.goto(address, wait_until="load")
        found.append(page.evaluate(PAINTS))
        context.close()
    return found


def lags(page: Any, services: Services, card: str) -> list[float]:
    """Seconds from before the commit until the DOM shows it."""
    page.evaluate(WATCH)
    found = []
    for n in range(12):
        time.sleep(0.7 + n * 0.13)  # at no fixed beat
        began = time.time()
        services.cards.name_roll(card, f"ROLL{n}X")
        while (at := page.evaluate(f"window.seen.ROLL{n}X ?? 0")) == 0 and time.time() - began < 10:
            time.sleep(0.02)
        found.append(at - began if at else float("inf"))
    return found


def told(name: str, values: list[float], goal: str = "") -> None:
    print(f"{name:52} median {statistics.median(values):6.2f} s, worst {max(values):5.2f} s{goal}", flush=True)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "big"
        root.mkdir()
        card = make(root)
        told("status as a command (CPU)", [status(root) for _ in range(3)], ", goal 1.5")
        with served(root, card, "commits") as (_, pid):
            time.sleep(2.0)
            bare = share(pid)
        with served(root, card) as (address, pid):
            began = time.monotonic()
            times, size = over_http(address)
            while _judged(address) < CARDS:
                time.sleep(0.1)
            print(f"{'every card judged after the start':52} {time.monotonic() - began:13.2f} s")
            times, size = over_http(address)
            told(f"page of {size / 1e3:.0f} kB over HTTP", times)
            if CHROMIUM is None:
                print("no Chromium: nothing is measured in a browser")
                return
            services = open_services(load(root / "show" / "nightloader.toml"), None)
            with open_browser() as browser:
                seen = paints(browser, address)
                told("first paint", [p["first-contentful-paint"] for p in seen], ", goal 1")
                largest = [p.get("largest", p["first-contentful-paint"]) for p in seen]
                told("largest paint, pictures with it", largest, ", goal 1")
                page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
                page.goto(address)
                told("commit to DOM", lags(page, services, card), ", goal 1")
                page.close()
                time.sleep(1.0)
                print(f"the process that commits: {bare:.1f} % of a core where nothing is served,", end=" ")
                print(f"{share(pid):.1f} % with no page open,", end=" ", flush=True)
                pages: list[Any] = []
                for count in (1, PAGES):
                    while len(pages) < count:
                        pages.append(browser.new_context().new_page())
                        pages[-1].goto(address)
                    time.sleep(2.0)
                    taken = share(pid)
                    print(f"{taken:.1f} % with {count}", end=", ", flush=True)
                print(f"that is {(taken - bare) / PAGES:.2f} % a page, goal 3")
            close_services(services)


def _judged(address: str) -> int:
    host, port = address.removeprefix("http://").split(":")
    call = http.client.HTTPConnection(host, int(port))
    call.request("GET", "/")
    text = call.getresponse().read().decode()
    count = text.partition(" cards in all")[0].rpartition(">")[2]
    return int(count) if count.isdigit() else 0


if __name__ == "__main__":
    if sys.argv[1:2] in (["serve"], ["commits"]):
        serve(Path(sys.argv[2]), sys.argv[3], page=sys.argv[1] == "serve")
    else:
        main()
