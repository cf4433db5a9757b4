"""The log, set up once: readable lines for a terminal, JSON in a rotating file beside the ledger.

Log events, not sentences: a stable event name with fields.  What the person must see is a finding in
the ledger, never only a line in a log.
"""

from __future__ import annotations

import logging
import logging.handlers
import sys
from pathlib import Path
from typing import Any, cast

import structlog

from ingest.records.names import shown

MEGABYTE = 1_000_000


def _printable(_: Any, __: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
    """Names from a card may hold anything; a log line holds printable text."""
    return {key: shown(value) if isinstance(value, str) else value for key, value in event.items()}


def set_up(folder: Path | None, *, terminal: bool) -> structlog.stdlib.BoundLogger:
    """Configure once per process.  ``folder`` gets ``nightloader.log`` (JSON, five files of 10 MB)."""
    before: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        _printable,
    ]
    root = logging.getLogger("nightloader")
    root.propagate = False
    root.setLevel(logging.INFO)
    for old in root.handlers[:]:
        root.removeHandler(old)
        old.close()
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
        keeper = logging.handlers.RotatingFileHandler(
            folder / "nightloader.log", maxBytes=10 * MEGABYTE, backupCount=4, encoding="utf-8",
            errors="backslashreplace",
        )
        keeper.setFormatter(structlog.stdlib.ProcessorFormatter(processors=[
            structlog.stdlib.ProcessorFormatter.remove_processors_meta,
            structlog.processors.JSONRenderer(ensure_ascii=False),
        ]))
        root.addHandler(keeper)
    if terminal:
        screen = logging.StreamHandler(sys.stderr)
        screen.setFormatter(structlog.stdlib.ProcessorFormatter(processors=[
            structlog.stdlib.ProcessorFormatter.remove_processors_meta,
            structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), pad_event_to=24),
        ]))
        root.addHandler(screen)
    if not root.handlers:
        root.addHandler(logging.NullHandler())
    structlog.configure(
        processors=[*before, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        wrapper_class=structlog.stdlib.BoundLogger,
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=True,
    )
    return cast("structlog.stdlib.BoundLogger", structlog.get_logger("nightloader"))
