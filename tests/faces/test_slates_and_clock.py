"""Slates as files and the clock as a page, read back by the library that reads photographs."""

from __future__ import annotations

import http.client
import io
import json
import re
import threading
import time
import xml.etree.ElementTree as ET
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from ingest.errors import UsageError
from ingest.faces.cli.main import main
from ingest.faces.slates import HIGHEST_VERSION, lay_out, symbol, written
from ingest.faces.web import clock_page, slate_page
from ingest.faces.web.small_server import POLICY, SmallServer, address
from ingest.machinery.clock import Clock
from ingest.steps.clocks.code import clock_text, read_clock
from ingest.steps.setups.slates import ROLES, Slate, code_text, read_code

SLATE = Slate(setup="31B", shot="HA_0310", show="HARBOUR", role="clean_plate", take="3")


def _read(picture: np.ndarray) -> str:
    [found] = zxingcpp.read_barcodes(picture)
    return str(found.text)


def _from_path(d: str, side: int) -> np.ndarray:
    """The squares of an SVG path drawn ten pixels each, with the quiet zone."""
    picture = np.full(((side + 8) * 10,) * 2, 255, np.uint8)
    for x, y, run in (map(int, m) for m in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\d+z", d)):
        picture[(y + 4) * 10 : (y + 5) * 10, (x + 4) * 10 : (x + run + 4) * 10] = 0
    return picture


def test_every_format_holds_the_same_code() -> None:
    sheet = lay_out(SLATE)
    assert read_code(_read(np.asarray(Image.open(io.BytesIO(written(sheet, ".png")))))) == SLATE
    drawn = ET.fromstring(written(sheet, ".svg"))
    path = next(e for e in drawn.iter() if e.tag.endswith("path"))
    assert read_code(_read(_from_path(path.attrib["d"], sheet.symbol.side))) == SLATE
    pdf = written(sheet, ".pdf")
    streams = [zlib.decompress(s) for s in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.S)
               if s[:1] == b"x"]
    boxes = [tuple(map(float, m)) for s in streams for m in re.findall(rb"([\d.]+) ([\d.]+) ([\d.]+) (-?[\d.]+) re", s)]
    picture = np.full((840, 1200), 255, np.uint8)  # two pixels a point
    for x, y, w, h in boxes:
        top, low = sorted((840 - 2 * y, 840 - 2 * (y + h)))
        picture[round(top) : round(low), round(2 * x) : round(2 * (x + w))] = 0
    assert read_code(_read(picture)) == SLATE
    assert b"/MediaBox [0 0 595.28 419.53]" in pdf  # A5 (ISO 216: 148 mm x 210 mm), landscape


@given(st.text(st.characters(codec="latin-1", exclude_categories=("Cc",)), min_size=1, max_size=5),
       st.sampled_from(["", *ROLES]))
def test_codes_keep_to_what_a_lens_resolves(setup: str, role: str) -> None:
    """Level Q or H and version 4 at most (ISO/IEC 18004: 33 squares a side), or refused; the words are whole."""
    try:
        sheet = lay_out(Slate(setup=setup, role=role))
    except UsageError:
        return
    assert sheet.symbol.version <= HIGHEST_VERSION and sheet.symbol.level in "QH"
    assert sheet.symbol.side == 17 + 4 * sheet.symbol.version
    assert "".join(ET.fromstring(written(sheet, ".svg")).itertext()).strip().startswith(setup.strip())


def test_what_is_too_long_is_refused_with_a_way_out() -> None:
    with pytest.raises(UsageError, match="signs") as refused:
        lay_out(Slate(setup="A" * 40, shot="B" * 40))
    assert "Shorten" in refused.value.next


def test_the_clock_is_as_coarse_as_it_can_be() -> None:
    assert symbol(clock_text(datetime(2031, 5, 17, tzinfo=UTC), True), "Q").version == 2


def test_the_command_writes_and_never_over_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "s.png"
    words = ["slate", "--setup", "31B", "--shot", "HA_0310", "--role", "probe", "--out", str(out)]
    assert main(words) == 0 and _read(np.asarray(Image.open(out))) == code_text(
        Slate(setup="31B", shot="HA_0310", role="probe")
    )
    before = out.read_bytes()
    assert main(words) != 0 and out.read_bytes() == before and "there already" in capsys.readouterr().err
    assert main([*words, "--replace"]) == 0
    assert main(["slate", "--setup", "1", "--out", str(tmp_path / "s.doc")]) == 2
    assert main(["slate", "--out", str(out), "--replace"]) == 2 and out.read_bytes() == before
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".nl-")]


@pytest.fixture
def clock_server() -> Iterator[SmallServer]:
    server = SmallServer(clock_page.pages(None, Clock().now, lambda: False), ("127.0.0.1", 0))
    thread = threading.Thread(target=server.serve)
    thread.start()
    yield server
    server.close()
    thread.join()


def _get(server: SmallServer, path: str) -> tuple[int, dict[str, str], bytes]:
    where = urlsplit(server.url)
    connection = http.client.HTTPConnection(str(where.hostname), where.port, timeout=5)
    connection.request("GET", path)
    reply = connection.getresponse()
    body = reply.read()
    connection.close()
    return reply.status, {k.lower(): v for k, v in reply.getheaders()}, body


def test_the_page_shows_each_second_its_own_code(clock_server: SmallServer) -> None:
    moments = []
    for _ in range(2):
        status, _, body = _get(clock_server, "/tick")
        arrived = time.time()
        said = json.loads(body)
        code = read_clock(_read(_from_path(said["squares"], said["side"])))
        assert status == 200 and code and code.synchronised is False and "NOT" in said["kept"]
        assert 0 <= arrived - code.utc.timestamp() < 0.5
        assert code.utc.microsecond < 300_000  # answered as the second begins
        moments.append(code.utc.replace(microsecond=0))
    assert (moments[1] - moments[0]).total_seconds() >= 1


def test_the_page_brings_nothing_from_elsewhere(clock_server: SmallServer) -> None:
    for path in ("/", "/clock.css", "/clock.js"):
        status, headers, body = _get(clock_server, path)
        assert status == 200 and headers["content-security-policy"] == POLICY and b"://" not in body, path
        assert b" style=" not in body and b" onload=" not in body
    assert _get(clock_server, "/../etc/passwd")[0] == 404
    assert clock_server.url.startswith("http://127.0.0.1:")


def test_an_address_in_use_or_wrong_is_said(clock_server: SmallServer) -> None:
    port = int(urlsplit(clock_server.url).port or 0)
    with pytest.raises(UsageError, match="cannot be listened at"):
        SmallServer(slate_page.pages(SLATE, []), ("127.0.0.1", port))
    for wrong in ("somewhere", "127.0.0.1:http", "127.0.0.1:99999"):
        with pytest.raises(UsageError, match="no address"):
            address(wrong)


@given(st.text(max_size=20), st.text(max_size=20))
def test_what_is_typed_into_the_slate_page_stays_words(setup: str, shot: str) -> None:
    answer = slate_page.pages(Slate(setup=""), [("31B", '<script>"')])(
        "/", {"setup": f"<b>{setup}", "shot": f'"><script>{shot}', "take": "3"}
    )
    assert answer
    page = answer.body.decode("utf-8", "surrogatepass")
    assert "<script" not in page and "<b>" not in page


def test_the_slate_page_goes_on_to_the_next_take() -> None:
    page = slate_page.page(SLATE, [("31B", "HA_0310")])
    assert "take=4" in page and "<svg" in page and 'value="clean_plate" selected' in page
