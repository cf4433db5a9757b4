"""The log, set up once: readable lines for a terminal, JSON in a rotating file beside the ledger.

Log events, not sentences: a stable event name with fields.  What the person must see is a finding in
the ledger, never only a line in a log.  A log that cannot be written is a fault of the cart's own disk, where
the ledger lies too: ``must_be_kept`` then stops every further claim.
"""

from __future__ import annotations

import logging
import logging.handlers
import sys
from pathlib import Path
from typing import Any, cast

import structlog

from ingest.errors import LedgerUnusable
from ingest.records.names import shown

MEGABYTE = 1_000_000


def _printable(_: Any, __: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
    """Names from a card may hold anything; a log line holds printable text."""
    return {key: value if key == "exception" else _plain(value) for key, value in event.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, BaseException):
        return shown(str(value))
    if isinstance(value, dict):
        return {_plain(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(v) for v in value]
    return value


class Keeper(logging.handlers.RotatingFileHandler):
    """The log's file.  Remembers that a line could not be written until one can again."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, maxBytes=10 * MEGABYTE, backupCount=4, encoding="utf-8", errors="backslashreplace")
        self.failure: BaseException | None = None
        self._failed = False

    def emit(self, record: logging.LogRecord) -> None:
        self._failed = False
        super().emit(record)
        if not self._failed:
            self.failure = None

    def handleError(self, record: logging.LogRecord) -> None:
        del record
        self._failed, self.failure = True, sys.exc_info()[1]


def must_be_kept() -> None:
    """Raises LedgerUnusable if the last line of the log could not be written."""
    for handler in logging.getLogger("nightloader").handlers:
        if isinstance(handler, Keeper) and handler.failure is not None:
            why = getattr(handler.failure, "strerror", None) or str(handler.failure)
            raise LedgerUnusable(
                f"the log cannot be written ({why}); nothing more is claimed.", item=handler.baseFilename,
                next="Make room on the cart's own disk, or put it right, and start again.",
            )


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
        keeper = Keeper(folder / "nightloader.log")
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
