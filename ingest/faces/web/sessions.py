"""Who may see and change what: pairing code, sessions, tokens, rates.  No network in here.

A phone pairs once with a code that only the cart shows, and then holds a random session token in a cookie.
Every form carries a second token bound to that session.  All tables are bounded.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # nothing that is misread across a room
CODE_LENGTH = 8  # 31^8, about 2^39.6: at 10 tries a minute, ages
SESSION_S = 16 * 3600.0  # a long shoot day
MOST_SESSIONS = 200


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """One paired browser."""

    token: str
    form_token: str
    until_s: float


class Rate:
    """A bucket of ``burst`` tries for each caller, refilled at ``per_minute``; callers bounded, oldest forgotten."""

    def __init__(self, per_minute: float, burst: int, *, most: int = 1024) -> None:
        self._per_s, self._burst, self._most = per_minute / 60.0, float(burst), most
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allows(self, caller: str, now_s: float) -> bool:
        left, at = self._left.pop(caller, (self._burst, now_s))
        left = min(self._burst, left + (now_s - at) * self._per_s)
        allowed = left >= 1.0
        self._left[caller] = (left - 1.0 if allowed else left, now_s)
        while len(self._left) > self._most:
            self._left.popitem(last=False)
        return allowed


@dataclass(slots=True)
class Gate:
    """Sessions and the pairing code.  ``clock_s`` is steady seconds; safe from any thread.

    ``on_code`` is told each new code, for the cart's terminal and log.
    """

    clock_s: Callable[[], float]
    on_code: Callable[[str], None] = lambda _: None
    _code: str = ""
    _sessions: OrderedDict[str, Session] = field(default_factory=OrderedDict)
    _guard: threading.RLock = field(default_factory=threading.RLock)
    _tries: Rate = field(default_factory=lambda: Rate(10, 10))
    _all_tries: Rate = field(default_factory=lambda: Rate(30, 30))

    def show_code(self) -> str:
        """A new code; the one before counts no more."""
        with self._guard:
            self._code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
            code = self._code
        self.on_code(f"{code[:4]}-{code[4:]}")
        return code

    def pair(self, written: str, caller: str) -> Session | None:
        """A session for who knows the code, which is then used up; None for a wrong one.

        Raises TooMany when this caller, or all together, tried too often.
        """
        now = self.clock_s()
        with self._guard:
            if not self._tries.allows(caller, now) or not self._all_tries.allows("", now):
                raise TooMany
            plain = "".join(ch for ch in written.upper() if ch in ALPHABET)[: 2 * CODE_LENGTH]
            right = bool(self._code) and hmac.compare_digest(plain, self._code)
        if not right:
            return None
        self.show_code()
        return self.open()

    def open(self) -> Session:
        """A new session."""
        session = Session(
            token=secrets.token_urlsafe(32), form_token=secrets.token_urlsafe(32),
            until_s=self.clock_s() + SESSION_S,
        )
        with self._guard:
            self._sessions[session.token] = session
            while len(self._sessions) > MOST_SESSIONS:
                self._sessions.popitem(last=False)
        return session

    def session(self, token: str) -> Session | None:
        """The living session of this cookie."""
        with self._guard:
            found = self._sessions.get(token)
            if found is not None and found.until_s < self.clock_s():
                del self._sessions[token]
                return None
            return found

    def close(self, token: str) -> None:
        with self._guard:
            self._sessions.pop(token, None)


class TooMany(Exception):
    """Tried too often; wait a minute."""


def is_own_form(session: Session, form_token: str) -> bool:
    """Whether a form came from a page of this session."""
    return hmac.compare_digest(form_token.encode("utf-8", "replace"), session.form_token.encode())


def is_own_origin(headers: dict[str, str], host: str) -> bool:
    """Whether a browser says that the call came from a page of this very address.

    ``headers`` in lower case.  Browsers send Origin with every POST (Fetch standard, "append a request
    Origin header"); without it Sec-Fetch-Site must say so, and a call with neither is refused.
    """
    origin = headers.get("origin")
    if origin is not None:
        return origin.lower() == f"http://{host}".lower()
    return headers.get("sec-fetch-site") == "same-origin"


def is_own_host(host: str, names: tuple[str, ...]) -> bool:
    """Whether a Host header names this machine by address or by a known name (against DNS rebinding)."""
    import ipaddress

    name = host.strip().lower()
    if name.startswith("["):
        name = name[1:].partition("]")[0]
    elif name.count(":") == 1:
        name = name.partition(":")[0]
    if name == "localhost" or name in {n.lower() for n in names}:
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
