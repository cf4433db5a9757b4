"""A setup log that vanishes unfiles nothing: what it last said counts until it is back, and a person is told."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from ingest.settings.model import Show
from ingest.steps.filing.stage import keep_logs, read_setup_logs
from ingest.steps.setups.questions import findings

LOG = "day,setup,start\n2026-04-01,27A,09:00\n2026-04-01,27B,10:00\n"


def services(root: Path) -> Any:
    kept: dict[str, str] = {}
    work = SimpleNamespace(recall=kept.get, put=kept.__setitem__)
    show = Show(code="TIDE", timezone="UTC")
    return SimpleNamespace(work=work, settings=SimpleNamespace(show=show, beside=lambda name: root / name))


def test_a_log_that_is_gone_says_what_it_last_said(tmp_path: Path) -> None:
    known = services(tmp_path)
    log, _ = read_setup_logs(known)
    assert not log.rows and not log.questions  # it never was there
    (tmp_path / "setup_log.csv").write_text(LOG)
    keep_logs(known)
    (tmp_path / "setup_log.csv").unlink()
    keep_logs(known)
    log, _ = read_setup_logs(known)
    assert [r.setup for r in log.rows] == ["27A", "27B"]
    (told,) = findings(log.questions)
    assert told.item == "setup_log.csv" and told.what.startswith("it is gone; what it last said counts")
    (tmp_path / "setup_log.csv").write_text(LOG.splitlines()[0])  # emptied on purpose
    assert not read_setup_logs(known)[0].rows and not read_setup_logs(known)[0].questions


@pytest.mark.parametrize("kept", [True, False])
def test_a_log_that_cannot_be_read_is_told_of(tmp_path: Path, kept: bool) -> None:
    known = services(tmp_path)
    if kept:
        (tmp_path / "setup_log.csv").write_text(LOG)
        keep_logs(known)
        (tmp_path / "setup_log.csv").unlink()
    (tmp_path / "setup_log.csv").mkdir()
    keep_logs(known)
    log, _ = read_setup_logs(known)
    (question,) = log.questions
    assert len(log.rows) == 2 * kept and question.asks.startswith("it cannot be read")
