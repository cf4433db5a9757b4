"""Pairing, sessions, origins, hosts and rates, without a network."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.faces.web.sessions import (
    ALPHABET,
    MOST_SESSIONS,
    SESSION_S,
    Gate,
    Rate,
    TooMany,
    is_own_form,
    is_own_host,
    is_own_origin,
)


class Turned:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def gate() -> tuple[Gate, Turned, list[str]]:
    clock, codes = Turned(), list[str]()
    return Gate(clock_s=clock, on_code=codes.append), clock, codes


def test_the_shown_code_pairs_once() -> None:
    g, _, codes = gate()
    g.show_code()
    session = g.pair(f" {codes[0].lower()} ", "one")
    assert session is not None and g.session(session.token) is session
    assert len(codes) == 2 and codes[0] != codes[1], "a used code is replaced, and the new one shown"
    assert g.pair(codes[0], "two") is None
    assert g.pair(codes[1], "two") is not None


def test_without_a_code_nobody_pairs() -> None:
    g, _, _ = gate()
    assert g.pair("", "one") is None


@given(st.text(max_size=30))
def test_no_other_text_pairs(written: str) -> None:
    g, _, codes = gate()
    code = g.show_code()
    plain = "".join(ch for ch in written.upper() if ch in ALPHABET)
    assert (g.pair(written, "one") is not None) == (plain == code)
    assert codes


def test_guesses_are_bounded_for_one_caller_and_for_all() -> None:
    g, clock, _ = gate()
    g.show_code()
    for _ in range(10):
        assert g.pair("22222222", "one") is None
    with pytest.raises(TooMany):
        g.pair("22222222", "one")
    clock.now = 61.0
    assert g.pair("22222222", "one") is None
    for n in range(29):
        assert g.pair("22222222", f"other {n}") is None
    with pytest.raises(TooMany):
        g.pair("22222222", "yet another")


def test_sessions_end_and_are_bounded() -> None:
    g, clock, _ = gate()
    first = g.open()
    for _ in range(MOST_SESSIONS):
        last = g.open()
    assert g.session(first.token) is None and g.session(last.token) is last
    g.close(last.token)
    assert g.session(last.token) is None
    again = g.open()
    clock.now = SESSION_S + 1
    assert g.session(again.token) is None


def test_a_form_of_another_session_is_refused() -> None:
    g, _, _ = gate()
    one, other = g.open(), g.open()
    assert is_own_form(one, one.form_token)
    assert not is_own_form(one, other.form_token) and not is_own_form(one, "") and not is_own_form(one, "ü")


def test_only_our_own_origin_changes_anything() -> None:
    host = "192.168.4.2:8642"
    assert is_own_origin({"origin": f"http://{host}"}, host)
    assert is_own_origin({"sec-fetch-site": "same-origin"}, host)
    for headers in (
        {},
        {"origin": "null"},
        {"origin": "http://elsewhere.example"},
        {"origin": f"https://{host}"},
        {"origin": "http://192.168.4.2:80", "sec-fetch-site": "same-origin"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "none"},
    ):
        assert not is_own_origin(headers, host), headers


@pytest.mark.parametrize("host", ["127.0.0.1:8642", "localhost:1", "[::1]:8642", "192.168.4.2", "cart.local:8642"])
def test_known_hosts(host: str) -> None:
    assert is_own_host(host, ("Cart.local",))


@pytest.mark.parametrize(
    "host",
    [
        "",
        "evil.example",
        "evil.example:8642",
        "127.0.0.1.evil.example",
        "localhost.evil.example",
        "[evil",
        "127.0.0.1 evil",
    ],
)
def test_a_name_that_somebody_else_may_own_is_not_answered(host: str) -> None:
    assert not is_own_host(host, ())


@given(st.text(max_size=60))
def test_any_host_gives_an_answer(host: str) -> None:
    assert is_own_host(host, ()) in (True, False)


def test_rates_refill_and_forget_the_oldest_caller() -> None:
    rate = Rate(60, 2, most=3)
    assert [rate.allows("a", 0.0) for _ in range(3)] == [True, True, False]
    assert rate.allows("a", 1.0)
    for caller in "bcd":
        assert rate.allows(caller, 1.0)
    assert len(rate._left) == 3
