"""The page in a real browser: Chromium of the system, driven by Playwright; skipped in words where either is missing.

A show with the real daemon runs in a process of its own, as on a cart.
"""

from __future__ import annotations

import csv
import os
import re
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.faces.cli import demo
from ingest.steps.audit.questions import judge
from ingest.steps.reports.morning import Picture, ProbePictures, render_morning
from tests.audit_examples import hard
from tests.faces.web import shows
from tests.faces.web.browsers import CHROMIUM, open_browser
from tests.journeys.shows import ENVIRONMENT, Show

pytest.importorskip("playwright.sync_api", reason="no Playwright: pip install playwright")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no Chromium: apt-get install chromium")]
AXE = Path(__file__).parents[2] / "data" / "axe" / "axe.min.js"
# What plays on the page must be there within this time on a busy machine; the usual wait is far shorter.
LONG_MS = 40_000


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with open_browser() as browser:
        yield browser


class Cart:
    """A show with its daemon running and the address of its page."""

    def __init__(self, root: Path, page: str = "") -> None:
        file = demo.prepare(root)
        text = (
            file.read_text(encoding="utf-8")
            .replace("#port = 8642", "port = 0")
            .replace("settle_s = 1.0", "settle_s = 0.2")
        )
        file.write_text(text.replace('#address = "127.0.0.1"', page or '#address = "127.0.0.1"'), encoding="utf-8")
        self.show = Show(root=root, settings=file)
        self.log = root / "out.txt"
        self.process = self.start()

    def start(self) -> subprocess.Popen[bytes]:
        with self.log.open("wb") as out:
            return subprocess.Popen(
                self.show.command("watch"), stdout=out, stderr=subprocess.STDOUT, cwd=self.show.root, env=ENVIRONMENT
            )

    def told(self, pattern: str) -> str:
        for _ in range(600):
            found = re.search(pattern, self.log.read_text(encoding="utf-8", errors="replace"))
            if found:
                return found[1]
            assert self.process.poll() is None, self.log.read_text(encoding="utf-8", errors="replace")
            time.sleep(0.1)
        raise AssertionError(self.log.read_text(encoding="utf-8", errors="replace"))

    @property
    def address(self) -> str:
        return self.told(r"address=(http://\S+)")

    def a_probe(self) -> str:
        """The id of a merged probe; its card is put in if none came yet."""
        if not (self.show.root / "slots" / "ORBE-02").exists():
            self.show.put_in("ORBE-02")
        for _ in range(300):
            found = [p["id"] for p in self.show.answer("probes") if p["preview"]]
            if found:
                return str(found[0])
            time.sleep(0.3)
        raise AssertionError("nothing was merged")

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(timeout=60)


@pytest.fixture(scope="module")
def cart(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cart]:
    found = Cart(tmp_path_factory.mktemp("cart"))
    yield found
    found.stop()


@pytest.fixture
def page(chromium: Any) -> Iterator[Any]:
    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    found = context.new_page()
    troubles: list[str] = []
    found.on("pageerror", lambda error: troubles.append(str(error)))
    found.on("console", lambda said: troubles.append(said.text) if said.type == "error" else None)
    yield found
    context.close()
    troubles = [
        t for t in troubles if "ERR_CONNECTION" not in t and "ERR_INTERNET" not in t and "status of 40" not in t
    ]
    assert not troubles, troubles


def test_a_card_is_plugged_in_and_meets_the_policy_before_the_eye(page: Any, cart: Cart) -> None:
    page.goto(f"{cart.address}/slots")
    page.get_by_text("No card is in.").wait_for(timeout=LONG_MS)
    page.evaluate("""() => { window.seen = []; new MutationObserver(() => {
        const s = document.querySelector('[data-slot]')?.dataset.state;
        if (s && seen.at(-1) !== s) seen.push(s) }).observe(document.body, {subtree: true, childList: true}) }""")
    cart.show.put_in("ORBE-02")
    page.locator(".slot.met").wait_for(timeout=LONG_MS)
    assert "not being read any more" in page.locator(".slot .word").inner_text()
    assert "copies once reused 2 of 2" in page.locator(".slot .figure").inner_text()
    states = page.evaluate("seen")
    assert states[-1] == "met" and "short" not in states, states
    assert cart.show.card("ORBE-02")["policy_met"], "the page says no more than the ledger"


def test_a_probe_is_filed_elsewhere_with_the_keyboard_only(page: Any, cart: Cart) -> None:
    cart.a_probe()
    page.add_init_script("""window.sources = []; const Real = EventSource; window.EventSource = class extends Real {
        constructor(address) { super(address); sources.push(this) } }""")
    page.goto(cart.address)
    page.locator(".probe img").first.wait_for(timeout=LONG_MS)
    _tab_to(page, "a[href^='/probe/']")
    # A part that is written anew between two keys, as happens at any moment on a cart, leaves them where they are.
    page.evaluate("""() => { const part = document.activeElement.closest("[data-part]");
        const data = JSON.stringify({[part.dataset.part]: part.innerHTML});
        sources.at(-1).dispatchEvent(new MessageEvent("parts", {data})) }""")
    page.keyboard.press("Enter")
    page.wait_for_url("**/probe/*")
    id = page.url.rsplit("/", 1)[-1]
    picture = page.locator("img.whole")
    picture.wait_for()
    page.wait_for_function("document.querySelector('img.whole').naturalWidth > 0")
    _tab_to(page, "input[name=setup]")
    page.keyboard.press("Control+A")
    page.keyboard.type("77Z")
    page.keyboard.press("Tab")
    page.keyboard.press("Control+A")
    page.keyboard.type("WEIR_777")
    page.keyboard.press("Enter")
    page.get_by_text("Kept. The daemon files it now.").wait_for(timeout=LONG_MS)
    for _ in range(300):
        filed = next(p for p in cart.show.answer("probes") if p["id"] == id)
        if (filed["shot"], filed["setup"]) == ("WEIR_777", "77Z"):
            break
        time.sleep(0.2)
    assert (filed["shot"], filed["setup"]) == ("WEIR_777", "77Z") and "WEIR_777/77Z" in filed["exr"]
    page.goto(cart.address)
    page.get_by_text("WEIR_777 / 77Z").first.wait_for(timeout=LONG_MS)


def _tab_to(page: Any, selector: str) -> None:
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("s => document.activeElement.matches(s)", selector):
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline != "none", "who uses keys sees where they are"
            return
    raise AssertionError(f"{selector} cannot be reached with Tab")


def test_a_setup_is_entered_and_ended_from_a_phone_though_the_network_drops(chromium: Any, cart: Cart) -> None:
    context = chromium.new_context(viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True)
    page = context.new_page()
    page.goto(f"{cart.address}/setups")
    small = page.evaluate("""() => [...document.querySelectorAll('main input:not([type=hidden]), main button, nav a')]
        .map(e => e.getBoundingClientRect()).filter(r => r.height < 44).length""")
    assert small == 0, "a thumb's target is 44 px at least (WCAG 2.2, 2.5.5)"
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.get_by_label("Setup", exact=False).first.fill("41C")
    page.reload()
    assert page.get_by_label("Setup", exact=False).first.input_value() == "41C", "a closed page keeps what was typed"
    page.get_by_label("Camera", exact=False).first.fill("A")
    context.set_offline(True)
    page.get_by_role("button", name="Enter setup").tap()
    page.get_by_text("kept on this device").wait_for(timeout=LONG_MS)
    context.set_offline(False)
    page.get_by_role("button", name="End 41C").wait_for(timeout=LONG_MS)
    own = cart.show.settings.parent / "setup_log.csv"
    rows = list(csv.DictReader((own.parent / "setup_log.page.csv").read_text(encoding="utf-8").splitlines()))
    assert [(r["setup"], r["camera"], r["end"]) for r in rows] == [("41C", "A", "")]
    assert "41C" not in own.read_text(encoding="utf-8")
    began = datetime.strptime(rows[0]["start"][-5:], "%H:%M").replace(tzinfo=UTC)  # whatever the hour of this test
    ended = (began + timedelta(minutes=2)).strftime("%H:%M")
    page.locator("input[name=end]").last.fill(ended)
    page.get_by_role("button", name="End 41C").tap()
    page.get_by_text("No setup", exact=False).or_(page.get_by_text(f"to {ended}")).first.wait_for(timeout=LONG_MS)
    rows = list(csv.DictReader((own.parent / "setup_log.page.csv").read_text(encoding="utf-8").splitlines()))
    assert [r["end"][-5:] for r in rows] == [ended]
    context.close()


def test_a_hostile_card_is_shown_as_text(page: Any, cart: Cart) -> None:
    name = "<img src=x onerror=document.title='owned'>\u202e"
    card = cart.show.root / "on-its-way"
    (card / "DCIM").mkdir(parents=True)
    with open(os.fsencode(card / "DCIM") + b"/<script>document.title='owned'<\xff.JPG", "wb") as file:
        file.write(b"no picture")
    card.rename(cart.show.root / "slots" / name)
    page.goto(cart.address)
    page.locator(".slot .name", has_text="<img src=x").wait_for(timeout=LONG_MS)
    page.locator(".slot.met .name", has_text="<img src=x").wait_for(timeout=LONG_MS)
    assert page.title() != "owned" and page.locator("main img[src=x]").count() == 0
    assert "\u202e" not in page.content()
    page.goto(f"{cart.address}/findings")
    assert page.title() != "owned" and "\u202e" not in page.content()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
def test_axe_finds_no_serious_fault(chromium: Any, cart: Cart, scheme: str, width: int) -> None:
    """Rules of WCAG 2.2 A and AA as axe-core checks them."""
    context = chromium.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    probe = cart.a_probe()
    card = cart.show.answer("status")["cards"][0]["id"]
    for path in ("/", "/slots", "/setups", "/probes", f"/probe/{probe}", f"/card/{card}", "/findings", "/clips",
                 "/pair", "/slate/", "/slate/?setup=27A&shot=WEIR_010&role=probe&take=1", "/clock/"):
        page.goto(cart.address + path)
        assert not _faults(page), path
    context.close()


def _faults(page: Any) -> list[Any]:
    page.add_script_tag(path=str(AXE))
    found = page.evaluate(
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})"
    )
    assert len(found["passes"]) > 8, "the rules ran"
    return [
        (v["id"], v["impact"], [n["html"][:120] for n in v["nodes"]][:3])
        for v in found["violations"]
        if v["impact"] in ("serious", "critical", "moderate")
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
def test_axe_finds_no_serious_fault_in_the_morning_report(
    chromium: Any, tmp_path: Path, scheme: str, width: int
) -> None:
    report = judge(hard())
    picture = Picture(data=shows.jpeg(), width=480, height=240, label="middle", alt="Panorama")
    seen = {p.id: ProbePictures(exposures=[picture] * 3, balls=[picture] * 2) for p in report.probes}
    (tmp_path / "report.html").write_bytes(render_morning(report, pictures=seen))
    context = chromium.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    page.goto((tmp_path / "report.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert not _faults(page)
    context.close()


@pytest.mark.parametrize("width", [360, 1280, 2560])
def test_no_page_must_be_moved_sideways(chromium: Any, cart: Cart, width: int) -> None:
    context = chromium.new_context(viewport={"width": width, "height": 800})
    page = context.new_page()
    probe = cart.a_probe()
    for path in ("/", "/slots", "/setups", "/probes", f"/probe/{probe}", "/findings", "/clips", "/pair", "/slate/",
                 "/clock/"):
        page.goto(cart.address + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
    context.close()


@pytest.mark.parametrize("width", [360, 1280, 2560])
@pytest.mark.parametrize(("path", "code"), [("/clock/", "#code"), ("/slate/?setup=27A", "main svg")])
def test_the_code_to_photograph_is_whole_and_large(chromium: Any, cart: Cart, path: str, code: str, width: int) -> None:
    """A body that photographs it fills a third of its frame with it."""
    context = chromium.new_context(viewport={"width": width, "height": 900})
    page = context.new_page()
    page.goto(cart.address + path)
    box = page.locator(code).bounding_box()
    assert box["x"] >= 0 and box["y"] >= 0 and box["x"] + box["width"] <= width and box["y"] + box["height"] <= 900
    assert box["width"] > 0.5 * min(width, 900)
    context.close()


def test_a_sound_at_each_change_where_it_is_wanted(chromium: Any, cart: Cart) -> None:
    context = chromium.new_context()
    context.add_init_script("""window.tones = []; window.AudioContext = class {
        get currentTime() { return 0 } get destination() { return {} } resume() {}
        createGain() { return {gain: {setValueAtTime() {}, exponentialRampToValueAtTime() {}}, connect: x => x} }
        createOscillator() { const o = {frequency: {}, connect: x => x, stop() {}};
            o.start = () => tones.push(o.frequency.value); return o } }""")
    page = context.new_page()
    page.goto(f"{cart.address}/slots")
    page.locator("#line.live").wait_for(timeout=LONG_MS)
    button = page.get_by_role("button", name="Sound at each change: off")
    button.click()
    page.get_by_role("button", name="Sound at each change: on").wait_for()
    page.reload()
    page.get_by_role("button", name="Sound at each change: on").wait_for()
    page.locator("#line.live").wait_for(timeout=LONG_MS)
    page.wait_for_timeout(500)
    assert page.evaluate("tones") == [], "a page that is opened is no change"
    folder = cart.show.root / "on-its-way-sound"
    folder.mkdir()
    (folder / "NOTE.TXT").write_bytes(b"note")
    folder.rename(cart.show.root / "slots" / "SOUND-1")
    page.locator(".slot.met .name", has_text="SOUND-1").wait_for(timeout=LONG_MS)
    heard = page.evaluate("tones")
    assert heard[-3:] == [523, 659, 784], heard  # the tones of a card that is not being read any more
    context.close()


def test_a_card_without_a_name_asks_for_its_roll_when_it_comes(page: Any, cart: Cart) -> None:
    page.goto(cart.address)
    page.locator("#line.live").wait_for(timeout=LONG_MS)
    folder = cart.show.root / "on-its-way-nameless"
    folder.mkdir()
    (folder / "A.TXT").write_bytes(b"a card that nobody named")
    folder.rename(cart.show.root / "slots" / "NO NAME")
    page.get_by_role("link", name="Give its roll name").first.click(timeout=LONG_MS)
    page.get_by_label("What stands on the card").fill("B013R1")
    page.keyboard.press("Enter")
    page.get_by_text("Kept: the card has its roll name.").wait_for(timeout=LONG_MS)
    page.goto(cart.address)
    page.locator(".slot .name", has_text="B013R1").wait_for(timeout=LONG_MS)
    assert any(c["label"] == "B013R1" for c in cart.show.answer("status")["cards"])


def test_a_page_that_lost_the_cart_says_so(chromium: Any, tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    context = chromium.new_context()
    page = context.new_page()
    page.goto(f"{cart.address}/slots")
    page.locator("#line.live").wait_for(timeout=LONG_MS)
    cart.stop()
    page.locator("#line.lost", has_text="Look at the cart itself").wait_for(timeout=LONG_MS)
    context.close()


def test_a_phone_on_the_network_pairs_with_the_code_on_the_cart(chromium: Any, tmp_path: Path) -> None:
    cart = Cart(tmp_path, page='address = "0.0.0.0"')
    address = cart.address.replace("0.0.0.0", "127.0.0.1")
    context = chromium.new_context()
    page = context.new_page()
    page.goto(address)
    assert page.url.endswith("/slots")
    page.get_by_role("link", name="Pair this device").click()
    page.get_by_label("Code").fill("22222222")
    page.get_by_role("button", name="Pair").click()
    page.get_by_text("That is not the code").wait_for()
    page.get_by_label("Code").fill(cart.told(r"code=(\S+)"))
    page.get_by_role("button", name="Pair").click()
    page.get_by_role("heading", name="What needs you").wait_for(timeout=LONG_MS)
    cookie = context.cookies()[0]
    assert cookie["httpOnly"] and cookie["sameSite"] == "Strict"
    assert context.request.get(f"{address}/setups").ok
    cart.stop()
    context.close()
