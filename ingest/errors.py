"""What can go wrong, as types: each carries what happened, to which file, and what to do next.

The exit codes of the command line are chosen here and nowhere else:
0 all well, 1 something needs a person, 2 wrong usage or settings, 3 a fault, 130 after Ctrl-C.
"""

from __future__ import annotations

EXIT_WELL = 0
EXIT_NEEDS_A_PERSON = 1
EXIT_USAGE = 2
EXIT_FAULT = 3
EXIT_INTERRUPTED = 130


def sentences(*parts: str) -> str:
    """What happened and what to do next, each as a sentence of its own.

    >>> sentences("no clip of take 3", "Look for the card."), sentences("Is it?", ""), sentences("", "Wait.")
    ('no clip of take 3. Look for the card.', 'Is it?', 'Wait.')
    """
    said = [p.strip() for p in parts if p.strip()]
    return " ".join(p if p.endswith((".", "!", "?", ":")) or p is said[-1] else f"{p}." for p in said)


class NightloaderError(Exception):
    """A refusal or a fault with words for the person: what happened, to which item, what to do next.

    ``retry`` says whether trying again without a person can help.
    """

    exit_code = EXIT_FAULT

    def __init__(self, what: str, *, item: str = "", next: str = "", retry: bool = False) -> None:
        super().__init__(what)
        self.what = what
        self.item = item
        self.next = next
        self.retry = retry

    def __str__(self) -> str:
        head = f"{self.item}: {self.what}" if self.item else self.what
        return sentences(head, self.next)


class UsageError(NightloaderError):
    """The command's words or the settings are wrong; nothing was started."""

    exit_code = EXIT_USAGE


class SettingsError(UsageError):
    """One or more mistakes in the settings, all reported together (``problems``)."""

    def __init__(self, problems: tuple[str, ...], *, item: str = "") -> None:
        super().__init__("\n".join(problems), item=item)
        self.problems = problems


class CardGone(NightloaderError):
    """The card stopped answering; the work goes on when it returns."""


class SourceUnreadable(NightloaderError):
    """One file or folder of a card cannot be read; it costs that file."""

    exit_code = EXIT_USAGE


class SourceChanging(NightloaderError):
    """A file grew or changed while it was read; it is left for a later pass."""


class DestinationUnavailable(NightloaderError):
    """A destination is absent, read-only, full or not the disk it was."""


class ReadBackDiffers(NightloaderError):
    """What came back from the destination's device is not what was read from the card."""


class NameTaken(NightloaderError):
    """A different file stands under the final name; it is never overwritten."""

    exit_code = EXIT_USAGE


class LedgerBusy(NightloaderError):
    """Another Nightloader holds this ledger's lock."""


class LedgerUnusable(NightloaderError):
    """The ledger is damaged, too new, or on a disk that cannot hold it; everything stops."""


class WorkerFailed(NightloaderError):
    """The worker process died, stalled, or refused the bytes it was given."""


class Unreadable(NightloaderError):
    """Bytes from a card that give no record: a named refusal, expected by every reader."""

    exit_code = EXIT_NEEDS_A_PERSON
