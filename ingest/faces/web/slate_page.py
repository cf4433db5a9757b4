"""A slate on a screen: fill in the words, and the sheet stands as large as the screen; the next take is one tap."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from urllib.parse import urlencode

from markupsafe import Markup

from ingest.errors import UsageError
from ingest.faces.slates import lay_out, svg
from ingest.faces.web.small_server import Answer
from ingest.steps.setups.slates import ROLES, Slate

_PAGE = Markup("""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Slate {setup}</title>
<meta name="viewport" content="width=device-width,initial-scale=1"><link rel="stylesheet" href="slate.css"></head>
<body><main><h1>Slate {setup}</h1>
{sheet}{trouble}<form action="./" method="get"><label>Setup <input name="setup" value="{setup}" required
size="8"></label><label>Shot <input name="shot" value="{shot}" size="12"></label><label>Role
<select name="role">{roles}</select></label><label>Take <input name="take" value="{take}" size="4"></label>
<button>Show it</button>{next_take}</form>{setups}</main></body></html>
""")
_STYLE = """
:root{color-scheme:light dark;--ground:#f4f1ea;--ink:#20262a;--soft:#5d676c;--rule:#b9b2a2;--alarm:#9c2a10}
@media(prefers-color-scheme:dark){:root{--ground:#0f1416;--ink:#e8e5dd;--soft:#9aa5a8;--rule:#3a464a;--alarm:#ff9a7a}}
*{box-sizing:border-box}
body{margin:0;background:var(--ground);color:var(--ink);font:17px/1.5 "Segoe UI","Noto Sans","DejaVu Sans",sans-serif}
h1{position:absolute;width:1px;height:1px;margin:0;overflow:hidden;clip-path:inset(50%)}
svg{display:block;margin:0 auto;width:100%;height:auto;max-height:86vh;background:#fff}
form,ul{display:flex;flex-wrap:wrap;gap:.5rem 1rem;padding:.7rem 1rem;margin:0;align-items:end}
label{font-size:.85rem;color:var(--soft)}input,select,button{font:inherit;display:block;min-height:2.75rem;
padding:.4rem .7rem;color:inherit;background:transparent;border:2px solid var(--soft);border-radius:0}
a{color:inherit}ul{list-style:none;border-top:1px solid var(--rule)}.trouble{color:var(--alarm);padding:1rem;margin:0}
a:focus-visible,button:focus-visible{outline:3px solid currentColor;outline-offset:2px}
"""
_WORDS = {"": "setup alone"} | {role: role.replace("_", " ") for role in ROLES}


def pages(given: Slate, setups: Sequence[tuple[str, str]]) -> Callable[[str, dict[str, str]], Answer | None]:
    """The page.  ``given`` is what the command named; ``setups`` are (setup, shot) of the log, to choose from."""

    def answer(path: str, query: dict[str, str]) -> Answer | None:
        if path == "/slate.css":
            return Answer(body=_STYLE.encode(), kind="text/css; charset=utf-8")
        if path != "/":
            return None
        return Answer(body=page(_asked(given, query), setups).encode())

    return answer


def _asked(given: Slate, query: dict[str, str]) -> Slate:
    if not query:
        return given
    return replace(
        given, setup=query.get("setup", "").strip(), shot=query.get("shot", "").strip(),
        role=query.get("role", "").strip(), take=query.get("take", "").strip(),
    )


def page(slate: Slate, setups: Sequence[tuple[str, str]]) -> str:
    """The page for one slate, or with a word on why it cannot be made."""
    sheet, trouble = Markup(""), Markup("")
    if slate.setup:
        try:
            sheet = Markup(svg(lay_out(slate)))  # words are escaped where the sheet is drawn
        except UsageError as error:
            trouble = Markup('<p class="trouble">{}</p>').format(str(error))
    roles = Markup("").join(
        Markup('<option value="{}"{}>{}</option>').format(role, Markup(" selected" if role == slate.role else ""), word)
        for role, word in _WORDS.items()
    )
    links = Markup("").join(
        Markup('<li><a href="./?{}">{}</a></li>').format(urlencode({"setup": setup, "shot": shot}), f"{setup}  {shot}")
        for setup, shot in setups
    )
    return str(_PAGE.format(
        setup=slate.setup, shot=slate.shot, take=slate.take, roles=roles, sheet=sheet, trouble=trouble,
        next_take=_next_take(slate), setups=Markup("<ul>{}</ul>").format(links) if links else "",
    ))


def _next_take(slate: Slate) -> Markup:
    if not slate.take.isdecimal():
        return Markup("")
    take = str(int(slate.take) + 1)
    asked = urlencode({"setup": slate.setup, "shot": slate.shot, "role": slate.role, "take": take})
    return Markup('<a href="./?{}">take {}</a>').format(asked, take)
