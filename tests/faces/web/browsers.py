"""Debian's Chromium driven by Playwright, for tests and benches; ``CHROMIUM`` is None where either is missing."""

from __future__ import annotations

import importlib.util
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

CHROMIUM = (shutil.which("chromium") or shutil.which("chromium-browser")) if importlib.util.find_spec("playwright") \
    else None
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]


@contextmanager
def open_browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()
