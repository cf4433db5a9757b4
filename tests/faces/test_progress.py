"""Progress: a live line on a terminal, plain lines where the output is piped."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.faces.cli.main import main
from tests.cart import fill
from tests.journeys.shows import ENVIRONMENT

FILES = {f"NOTES/N{n:03}.TXT": bytes([n]) * 400_000 for n in range(40)}


@pytest.fixture
def command(tmp_path: Path) -> list[str]:
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    return [sys.executable, "-m", "ingest", "--config", str(tmp_path / "show" / "nightloader.toml"), "offload",
            str(fill(tmp_path / "B007", FILES))]


def test_lines_are_plain_where_they_are_piped(command: list[str]) -> None:
    made = subprocess.run(command, capture_output=True, text=True, check=False, env=ENVIRONMENT, timeout=120)
    assert made.returncode == 0, made.stderr
    assert "\x1b" not in made.stderr and "\r" not in made.stderr
    line = r"^[0-9a-f]{8} being read.*: \d+ of 40 files, [\d,]+ of 16,000,000 bytes$"
    assert re.search(line, made.stderr, re.MULTILINE)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo terminal")
def test_a_terminal_shows_one_live_line(command: list[str]) -> None:
    import pty

    ours, theirs = pty.openpty()
    process = subprocess.Popen(command, stdout=theirs, stderr=theirs, stdin=theirs, close_fds=True,
                               env={**ENVIRONMENT, "TERM": "xterm-256color", "COLUMNS": "100"})
    os.close(theirs)
    seen = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:  # EIO: the other end of a terminal is closed (Linux)
            break
        if not piece:
            break
        seen += piece
    assert process.wait(timeout=60) == 0
    os.close(ours)
    text = seen.decode("utf-8", "replace")
    assert "\x1b[" in text and "being read" in text, "a line that is drawn again in its place"
    assert re.search(r"[\d.]+/16\.0 MB", text), "bytes of all bytes stand in it"
    assert "\x1b[?25h" in text, "the cursor is shown again"
