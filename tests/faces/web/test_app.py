"""The application as a browser, a stranger and an attacker call it; no network."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from ingest.faces import deciding
from ingest.faces.entering import page_log
from ingest.faces.web import pages
from ingest.faces.web.app import App
from ingest.faces.web.board import Looker
from ingest.faces.web.events import Hub
from ingest.faces.web.sessions import Gate
from ingest.services import Services, close_services
from tests.faces.web import shows

HOST = "127.0.0.1:8642"
OWN = {"origin": f"http://{HOST}"}


@dataclass
class Served:
    services: Services
    hub: Hub
    gate: Gate
    app: App
    codes: list[str]
    woken: list[int] = field(default_factory=list)
    thread: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))

    def refresh(self) -> None:
        """In the hub's own thread, as served: SQLite tells a connection of others' commits only."""
        self.thread.submit(self.hub.refresh).result()

    def browser(self, caller: str = "127.0.0.1") -> TestClient:
        return TestClient(self.app, base_url=f"http://{HOST}", follow_redirects=False, client=(caller, 5000))

    def paired(self) -> tuple[TestClient, str]:
        """A browser with a session, and its form token."""
        browser = self.browser()
        self.gate.show_code()
        assert browser.post("/pair", data={"code": self.codes[-1]}, headers=OWN).status_code == 303
        page = browser.get("/")
        assert page.status_code == 200
        return browser, re.search(r'name="form-token" content="([^"]+)"', page.text)[1]  # type: ignore[index]


def serve(root: Path, *, trusted: bool = False, reads_only: bool = False) -> Served:
    services = shows.scratch(root)
    codes: list[str] = []
    hub = Hub(Looker(services), pages.parts, services.log)
    gate = Gate(clock_s=services.clock.steady_s, on_code=codes.append)
    woken: list[int] = []
    app = App(
        services,
        hub,
        gate,
        ThreadPoolExecutor(1),
        wake=None if reads_only else lambda: woken.append(1),
        trusted=trusted,
    )
    served = Served(services, hub, gate, app, codes, woken)
    served.refresh()
    return served


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    found = serve(tmp_path)
    yield found
    close_services(found.services)


def test_a_stranger_sees_the_slots_and_nothing_else(served: Served) -> None:
    shows.add_card(served.services, "ROLL 12")
    id = shows.add_probes(served.services, 1)[0]
    served.refresh()
    stranger = served.browser()
    page = stranger.get("/slots")
    assert page.status_code == 200 and "not being read any more" in page.text and "2 of 2" in page.text
    assert "set-cookie" not in page.headers and id not in page.text and "/a<" not in page.text
    for path in (
        "/",
        f"/probe/{id}",
        "/probes",
        "/setups",
        "/findings",
        "/clips",
        f"/preview/{id}/1",
        f"/shown/{id}/1",
        "/events/board",
        "/card/x",
    ):
        assert stranger.get(path).status_code == 303, path
    changes = ("/setups", f"/probe/{id}/file", f"/probe/{id}/review", "/card/x/label", "/card/x/first",
               "/card/x/sign", "/clip/x/confirm", "/waive", "/leave", "/nothing")
    for path in changes:
        assert stranger.post(path, data={"setup": "1"}, headers=OWN).status_code == 401, path
    assert not page_log(served.services).exists()


def test_on_loopback_a_session_is_given_but_forms_are_still_guarded(tmp_path: Path) -> None:
    served = serve(tmp_path, trusted=True)
    browser = served.browser()
    page = browser.get("/setups")
    assert page.status_code == 200
    cookie = page.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and "Path=/" in cookie
    assert browser.post("/setups", data={"setup": "1"}, headers=OWN).status_code == 403  # no token
    close_services(served.services)


def test_every_answer_carries_the_policy(served: Served) -> None:
    browser, token = served.paired()
    for answer in (
        browser.get("/"),
        browser.get("/nothing"),
        browser.get("/static/page.js"),
        served.browser().get("/pair"),
        browser.post("/setups", data={"form_token": token}, headers=OWN),
        browser.get("/", headers={"host": "evil.example"}),
    ):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff" and "server" not in answer.headers


def test_pages_need_no_inline_script_style_or_foreign_asset(served: Served) -> None:
    shows.add_card(served.services, "A")
    id = shows.add_probes(served.services, 3)[0]
    shows.add_findings(served.services, 3)
    served.refresh()
    browser, _ = served.paired()
    for path in ("/", "/slots", "/pair", "/probes", f"/probe/{id}", "/setups", "/findings", "/clips"):
        text = browser.get(path).text
        assert not re.search(r"<script(?! src=\"/static)|<style|\sstyle=|\son\w+=|https?://", text), path
    for file in (Path(pages.__file__).parent / "static").iterdir():
        assert not re.search(r"https?://|@import|url\(", file.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"origin": "http://127.0.0.1:9999"},
    ],
)
def test_a_change_from_elsewhere_is_refused(served: Served, headers: dict[str, str]) -> None:
    browser, token = served.paired()
    said = {"form_token": token, "setup": "27A", "start": "10:00", "day": shows.DAY}
    assert browser.post("/setups", data=said, headers=headers).status_code == 403
    assert not page_log(served.services).exists()
    assert browser.post("/setups", data=said, headers=OWN).status_code == 303
    assert page_log(served.services).exists() and served.woken


def test_a_token_of_another_session_is_refused(served: Served) -> None:
    browser, _ = served.paired()
    _, other = served.paired()
    assert browser.post("/setups", data={"form_token": other, "setup": "1"}, headers=OWN).status_code == 403


def test_a_foreign_name_is_not_answered(served: Served) -> None:
    browser, _ = served.paired()
    assert browser.get("/", headers={"host": "evil.example"}).status_code == 421


def test_sizes_and_kinds_are_bounded(served: Served) -> None:
    browser, token = served.paired()
    big = {"form_token": token, "notes": "x" * 40_000}
    assert browser.post("/setups", data=big, headers=OWN).status_code == 413
    assert (
        browser.post("/setups", data={"form_token": token, **{f"f{n}": "" for n in range(60)}}, headers=OWN).status_code
        == 413
    )
    assert browser.post("/setups", json={"form_token": token}, headers=OWN).status_code == 413
    assert (
        browser.post(
            "/setups", content=b"\xff\xfe", headers={**OWN, "content-type": "application/x-www-form-urlencoded"}
        ).status_code
        == 413
    )
    assert browser.request("PUT", "/setups", headers=OWN).status_code == 405
    assert browser.request("DELETE", "/", headers=OWN).status_code == 405


def test_rates_are_bounded(served: Served) -> None:
    stranger = served.browser("10.0.0.9")
    answers = [stranger.post("/pair", data={"code": "x"}, headers=OWN).status_code for _ in range(12)]
    assert answers[:10] == [401] * 10 and answers[-1] == 429
    assert 429 in [stranger.get("/slots").status_code for _ in range(260)]
    assert served.browser("10.0.0.10").get("/slots").status_code == 200, "one caller's flood is that caller's"


def test_a_card_is_said_to_be_first(served: Served) -> None:
    shows.add_card(served.services, "A")
    id = shows.add_card(served.services, "B")
    served.refresh()
    browser, token = served.paired()
    assert browser.post(f"/card/{id}/first", data={"form_token": token}, headers=OWN).status_code == 303
    assert deciding.rank(served.services)(id) == 0 and served.woken
    assert browser.post("/card/nothing/first", data={"form_token": token}, headers=OWN).status_code == 404


def test_a_clip_gets_its_role(served: Served) -> None:
    digest = "xxh3_128:" + "ab" * 16
    served.services.work.add_clip(digest, {"kind": "QuickTime or MP4"}, "", served.services.clock.utc())
    known = {"id": "c" + "ab" * 5, "files": ["A/B.MOV"], "setup": None, "shot": None, "day": None, "role": None,
             "proposed_role": "dirty_plate", "reasons": []}
    served.services.work.put("clips filed", json.dumps([known]))
    browser, token = served.paired()
    assert "It looks like: dirty plate" in browser.get(f"/clip/{known['id']}").text
    for role, code in (("hat", 400), ("clean_plate", 303)):
        said = {"form_token": token, "role": role}
        assert browser.post(f"/clip/{known['id']}/confirm", data=said, headers=OWN).status_code == code
    assert served.services.work.decisions("role")[digest]["role"] == "clean_plate"


def test_an_item_is_waived_by_somebody_for_a_reason(served: Served) -> None:
    lacking = {"day": shows.DAY, "unit": "", "setup": "27A", "shot": None, "camera": "", "lens": "", "start_utc": None,
               "end_utc": None, "questions": [], "items": [
                   {"item": "chart", "status": "lost", "due_until_utc": None, "why": "", "evidence": [],
                    "asked": True}]}
    served.services.work.put("coverage", json.dumps([lacking]))
    log = served.services.settings.beside(served.services.settings.show.setup_log)
    log.write_text(f"day,shot,setup,start,end,camera,lens,notes\n{shows.DAY},,27A,10:00,11:00,A,,\n", encoding="utf-8")
    browser, token = served.paired()
    assert "Not needed at 27A?" in browser.get("/setups").text
    said = {"form_token": token, "item": "chart", "day": shows.DAY, "setup": "27A", "unit": "", "by": "", "why": "wide"}
    assert browser.post("/waive", data=said, headers=OWN).status_code == 400
    assert browser.post("/waive", data={**said, "by": "Noor"}, headers=OWN).status_code == 303
    (kept,) = served.services.work.decisions("waive").values()
    assert (kept["item"], kept["setup"], kept["by"], kept["why"]) == ("chart", "27A", "Noor", "wide")


def test_clock_and_slate_are_pages_of_the_cart(served: Served) -> None:
    stranger = served.browser()
    assert stranger.get("/clock/").status_code == 303 and stranger.get("/slate/?setup=27A").status_code == 303
    browser, _ = served.paired()
    assert "The cart's clock" in browser.get("/clock/").text
    assert set(browser.get("/clock/tick").json()) >= {"text", "squares", "local"}
    assert browser.get("/clock/../app.py").status_code == 404 and browser.get("/clock/nothing").status_code == 404
    slate = browser.get("/slate/?setup=27A&shot=%3Cb%3E").text
    assert "<svg" in slate and "<b>" not in slate and 'action="./"' in slate
    assert browser.get("/slate/slate.css").headers["content-type"].startswith("text/css")


def test_hostile_names_are_text(served: Served) -> None:
    hostile = shows.HOSTILE
    card = shows.add_card(served.services, "H", hostile=True)
    served.services.cards.name_roll(card, hostile.replace("\udcff", "?"))
    id = shows.add_probes(served.services, 1, reason=hostile)[0]
    shows.add_findings(served.services, 2, what=hostile)
    served.refresh()
    browser, token = served.paired()
    said = {
        "form_token": token,
        "setup": hostile,
        "shot": hostile,
        "notes": hostile,
        "start": "10:00",
        "day": shows.DAY,
    }
    said = {k: v.encode("utf-8", "replace").decode() for k, v in said.items()}
    assert browser.post("/setups", data=said, headers=OWN).status_code == 303
    for path in ("/", "/slots", f"/probe/{id}", f"/card/{card}", "/findings", "/setups", "/probes"):
        text = browser.get(path).text
        assert "<img src=x" not in text and "\u202e" not in text and "\x07" not in text, path
    assert "&lt;img src=x" in browser.get("/slots").text and "\\u202e" in browser.get("/slots").text


def test_only_ids_name_things(served: Served) -> None:
    id = shows.add_probes(served.services, 1)[0]
    browser, token = served.paired()
    picture = browser.get(f"/preview/{id}/1")
    assert (
        picture.status_code == 200
        and picture.headers["content-type"] == "image/jpeg"
        and picture.content[:2] == b"\xff\xd8"
    )
    for path in (
        "/preview/..%2f..%2fetc%2fpasswd/1",
        f"/preview/{id}/../1",
        "/preview/%2e%2e/1",
        f"/preview/{id}/-1",
        f"/preview/{id}/99999999",
        f"/preview/{id}/2",
        "/static/..%2fapp.py",
        "/static/app.py",
        "/probe/..%2f..%2fx",
        "/card/%2fetc",
        "/clip/x%00y",
        "/events/everything",
    ):
        assert browser.get(path).status_code in (404, 405), path
    for path in ("/probe/%2fetc%2fpasswd/file", "/clip/..%2f..%2fx/file", "/probe/nothing/file", "/card/x/file"):
        assert browser.post(path, data={"form_token": token, "setup": "1"}, headers=OWN).status_code == 404, path


def test_a_probe_shows_what_was_found_and_what_could_not_be_checked(served: Served) -> None:
    work, id = served.services.work, shows.add_probes(served.services, 1)[0]
    blind = {"check": "motion", "made": True, "why": "too little is shared", "frames": [0, 1]}
    whole = {"checks": [{"check": "flare", "made": False, "why": "it is one picture", "frames": []}]}
    (fact,) = work.probes()
    work.add_probe(replace(fact, record={**fact.record, "checks": [blind]}), shows.UTC)  # type: ignore[dict-item]
    work.put("panoramas|q0", json.dumps([{"signature": "s", "record": whole}]))
    (preview,) = work.outputs(owner=f"{id}/1", kind="preview")
    for owner, name in ((f"{id}/1", "one"), ("q0/1", "two")):
        path = f"TIDE/unfiled/{name}_findings.jpg"
        shows.copy_of(served.services, preview.path, path)
        work.set_output(replace(preview, path=path, kind="findings", owner=owner))
    browser, _ = served.paired()
    page = browser.get(f"/probe/{id}").text
    assert "Checked for motion." in page and "Its panorama: not checked for flare: it is one picture." in page
    assert "Not checked for motion in frames 1, 2, counted from dark to bright: too little is shared." in page
    assert [browser.get(src).status_code for src in re.findall(r'src="(/shown/[^"]+)"', page)] == [200, 200]


def test_a_changed_or_foreign_file_is_not_served_as_a_preview(served: Served) -> None:
    id = shows.add_probes(served.services, 1)[0]
    browser, _ = served.paired()
    file = Path(served.services.cards.destinations()[0].path) / "TIDE" / "unfiled" / f"{id}.jpg"
    file.write_bytes(shows.jpeg(3))
    assert browser.get(f"/preview/{id}/1").status_code == 404
    file.unlink()
    file.symlink_to("/etc/passwd")
    assert browser.get(f"/preview/{id}/1").status_code == 404


def test_filing_review_and_label_are_the_commands_own_facts(served: Served) -> None:
    id = shows.add_probes(served.services, 1)[0]
    card = shows.add_card(served.services, "x", label="NO NAME")
    served.refresh()
    browser, token = served.paired()
    assert "Give its roll name" in browser.get("/").text
    assert (
        browser.post(
            f"/probe/{id}/file", data={"form_token": token, "setup": "27A", "shot": "T010"}, headers=OWN
        ).status_code
        == 303
    )
    view = served.services.work.views()[0]
    said = served.services.work.decisions("assign")
    assert {d: (s["shot"], s["setup"]) for d, s in said.items()} == dict.fromkeys(view.digests, ("T010", "27A"))
    assert (
        browser.post(f"/probe/{id}/review", data={"form_token": token, "note": "good"}, headers=OWN).status_code == 303
    )
    assert "a person has looked at it" in browser.get(f"/probe/{id}").text
    assert (
        browser.post(f"/card/{card}/label", data={"form_token": token, "roll": "S007"}, headers=OWN).status_code == 303
    )
    wrong = browser.post(f"/card/{card}/label", data={"form_token": token, "roll": "../../x"}, headers=OWN)
    assert wrong.status_code == 400 and "what stands on the card" in wrong.text
    for name, answered in ((" ", 400), ("Ines <b>", 303)):
        signed = browser.post(f"/card/{card}/sign", data={"form_token": token, "by": name}, headers=OWN)
        assert signed.status_code == answered
    assert served.services.work.decisions("sign")[card]["by"] == "Ines <b>"
    told = browser.get(f"/card/{card}").text
    assert "Released by Ines &lt;b&gt;" in told and "copies once reused were" in told
    served.refresh()
    assert served.services.cards.card(card).roll == "S007"  # type: ignore[union-attr]
    assert "S007" in browser.get("/slots").text and "Give its roll name" not in browser.get("/").text
    wrong = browser.post(f"/probe/{id}/file", data={"form_token": token, "setup": " ", "shot": "T&9"}, headers=OWN)
    assert wrong.status_code == 400 and "T&amp;9" in wrong.text, "what was typed comes back"


def test_a_setup_on_two_days_asks_for_the_day(served: Served) -> None:
    served.services.settings.beside("setup_log.csv").write_text(
        "day,shot,setup,start,end\n2031-05-16,A,9,10:00,11:00\n2031-05-17,B,9,10:00,11:00\n"
    )
    id = shows.add_probes(served.services, 1)[0]
    browser, token = served.paired()
    asked = browser.post(f"/probe/{id}/file", data={"form_token": token, "setup": "9"}, headers=OWN)
    assert asked.status_code == 400 and "2031-05-16, 2031-05-17" in asked.text
    said = {"form_token": token, "setup": "9", "day": "2031-05-16"}
    assert browser.post(f"/probe/{id}/file", data=said, headers=OWN).status_code == 303


def test_setups_go_to_the_pages_own_file(served: Served) -> None:
    own = served.services.settings.beside("setup_log.csv")
    own.write_text("day,shot,setup,start,end\n2031-05-17,A,9,10:00,11:00\n")
    before = own.read_bytes()
    browser, token = served.paired()
    said = {"form_token": token, "setup": "27A", "start": "23:10", "day": shows.DAY, "camera": "A+B"}
    for _ in range(2):  # sent again because the answer was lost
        assert browser.post("/setups", data=said, headers={**OWN, "x-nightloader": "page"}).json() == {"kept": "27A"}
    assert (
        browser.post("/setups", data={**said, "start": "2031-05-17 23:10", "end": "01:20"}, headers=OWN).status_code
        == 303
    )
    rows = list(csv.DictReader(page_log(served.services).read_text().splitlines()))
    assert [(r["setup"], r["start"], r["end"]) for r in rows] == [("27A", "2031-05-17 23:10", "2031-05-18 01:20")]
    assert own.read_bytes() == before and not list(own.parent.glob(".*.new"))
    wrong = browser.post(
        "/setups", data={**said, "start": "soon", "day": "May"}, headers={**OWN, "x-nightloader": "page"}
    )
    assert wrong.status_code == 400 and set(wrong.json()["wrong"]) == {"start", "day"}


def test_a_reading_page_changes_nothing(tmp_path: Path) -> None:
    served = serve(tmp_path, reads_only=True)
    browser, token = served.paired()
    said = {"form_token": token, "setup": "27A", "start": "10:00", "day": shows.DAY}
    assert browser.post("/setups", data=said, headers=OWN).status_code == 403
    assert "Enter setup" not in browser.get("/setups").text and not page_log(served.services).exists()
    close_services(served.services)


def test_leaving_ends_the_session(served: Served) -> None:
    browser, token = served.paired()
    assert browser.post("/leave", data={"form_token": token}, headers=OWN).status_code == 303
    assert browser.get("/setups").status_code == 303


def test_no_screen_holds_a_word_that_sounds_like_leave_to_erase(served: Served) -> None:
    """CONTRACT of the project: words for the loader."""
    shows.add_card(served.services, "A")
    shows.add_card(served.services, "B", copied=False, n=1)
    id = shows.add_probes(served.services, 2)[0]
    served.refresh()
    browser, _ = served.paired()
    for path in ("/", "/slots", "/pair", f"/probe/{id}", "/setups", "/findings", "/clips", "/probes"):
        words = set(re.findall(r"[a-z]+", re.sub(r"<[^>]*>", " ", browser.get(path).text).lower()))
        assert not words & {
            "safe",
            "safely",
            "secure",
            "complete",
            "completed",
            "done",
            "format",
            "formatted",
            "finished",
        }, path
    script = (Path(pages.__file__).parent / "static" / "page.js").read_text().lower()
    assert not re.search(r"\b(safe|secure|complete|done|format)\b", script)
