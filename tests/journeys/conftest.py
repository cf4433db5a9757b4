"""A scratch show for each journey."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.faces.cli import demo
from tests.journeys.shows import Show


@pytest.fixture
def show(tmp_path: Path) -> Show:
    return Show(root=tmp_path, settings=demo.prepare(tmp_path))
