"""The cart's clock as a page to photograph: a code that lives one second, large digits, and who keeps the clock.

The page holds no clock of its own: each second it asks the cart, which answers when its next second begins.  What
is not renewed in time is covered, for a code that stands still would be a false clock.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

from ingest.faces.slates import symbol
from ingest.faces.web.small_server import Answer
from ingest.steps.clocks.code import clock_text

Now = Callable[[], datetime]
Synchronised = Callable[[], bool | None]
KEPT = {
    True: "kept by a time service",
    False: "NOT kept by a time service: photographed times go by it all the same",
    None: "this system does not say whether a time service keeps it",
}

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>The cart's clock</title>
<meta name="viewport" content="width=device-width,initial-scale=1"><link rel="stylesheet" href="clock.css">
<script src="clock.js" defer></script></head>
<body><main><h1>The cart's clock</h1>
<figure><svg id="code" role="img" aria-label="code of the time" viewBox="-4 -4 33 33"><rect x="-4" y="-4"
width="100%" height="100%" fill="#fff"/><path id="squares" fill="#000" shape-rendering="crispEdges" d=""/></svg>
<figcaption id="stopped">The page has lost the cart: no time to photograph.</figcaption></figure>
<p id="local" class="digits">--:--:--</p><p id="day" class="line"></p><p id="kept" class="line"></p>
<p class="hint">Fill a third of the frame with it and take one still with every body, sharp and not too bright; once in
the morning and once at the wrap.</p>
<noscript><p class="hint">The clock needs the page's own script.</p></noscript></main></body></html>
"""
_STYLE = """
:root{color-scheme:light dark;--ground:#f4f1ea;--ink:#20262a;--soft:#5d676c;--alarm:#9c2a10}
@media(prefers-color-scheme:dark){:root{--ground:#0f1416;--ink:#e8e5dd;--soft:#9aa5a8;--alarm:#ff9a7a}}
*{box-sizing:border-box}html,body{height:100%;margin:0}
h1{position:absolute;width:1px;height:1px;margin:0;overflow:hidden;clip-path:inset(50%)}
body{background:var(--ground);color:var(--ink);font:18px/1.4 Georgia,"Noto Serif",serif;text-align:center}
main{min-height:100%;display:flex;flex-direction:column;align-items:center;justify-content:center;gap:.3rem;
padding:2vmin}
figure{margin:0;position:relative;width:min(94vw,66vh);aspect-ratio:1}
svg{width:100%;height:100%;display:block}
#stopped{position:absolute;inset:0;display:none;align-items:center;justify-content:center;background:var(--ground);
color:var(--alarm);border:4px dashed var(--alarm);font-size:1.4rem;padding:1rem}
.stale #stopped{display:flex}.stale .digits{text-decoration:line-through;color:var(--soft)}
.digits{font:600 min(15vw,14vh)/1 "Segoe UI","Noto Sans",Arial,sans-serif;font-variant-numeric:tabular-nums;
margin:.1em 0 0}
.line{margin:0}.hint{color:var(--soft);font-size:.85rem;max-width:38rem;margin:.4rem 0 0}
#kept[data-kept="false"]{color:var(--alarm);font-weight:700}
"""
_SCRIPT = """
"use strict";
const at = id => document.getElementById(id);
let renewed = null;  // when the cart answered last; its first answer may take a second
async function ask() {
  for (;;) {
    try {
      const reply = await fetch("tick", {cache: "no-store", signal: AbortSignal.timeout(3000)});
      if (!reply.ok) throw new Error(reply.status);
      const now = await reply.json();
      at("code").setAttribute("viewBox", `-4 -4 ${now.side + 8} ${now.side + 8}`);
      at("squares").setAttribute("d", now.squares);
      at("local").textContent = now.local;
      at("day").textContent = now.day;
      at("kept").textContent = now.kept;
      at("kept").dataset.kept = now.synchronised;
      renewed = performance.now();
    } catch (error) {
      await new Promise(resolve => setTimeout(resolve, 500));
    }
  }
}
setInterval(() => document.body.classList.toggle("stale", performance.now() - (renewed ?? 2000) > 1600), 100);
ask();
"""


def pages(
    zone: ZoneInfo | None, now: Now, synchronised: Synchronised, wait: Callable[[float], None] = time.sleep
) -> Callable[[str, dict[str, str]], Answer | None]:
    """The page and its parts.  ``zone`` is the show's (None: this machine's own)."""

    def answer(path: str, query: dict[str, str]) -> Answer | None:
        del query
        if path == "/tick":
            wait(1.0 - now().microsecond / 1e6)
            return Answer(body=json.dumps(tick(now(), synchronised(), zone)).encode(), kind="application/json")
        fixed = {
            "/": (_PAGE, "text/html"), "/clock.css": (_STYLE, "text/css"), "/clock.js": (_SCRIPT, "text/javascript"),
        }.get(path)
        return Answer(body=fixed[0].encode(), kind=f"{fixed[1]}; charset=utf-8") if fixed else None

    return answer


def tick(moment: datetime, synchronised: bool | None, zone: ZoneInfo | None) -> dict[str, object]:
    """One second of the page: the code's squares and the words beside it."""
    code = symbol(clock_text(moment, synchronised), "Q")  # version 2: larger squares beat more spare ones
    local = moment.astimezone(zone)
    return {
        "text": clock_text(moment, synchronised), "side": code.side, "squares": code.path(),
        "local": f"{local:%H:%M:%S}", "day": f"{local:%A %d %B %Y}, {zone.key if zone else local.tzname()}",
        "kept": f"The cart's clock is {KEPT[synchronised]}." if synchronised is not None else f"The cart's clock: "
        f"{KEPT[None]}.", "synchronised": synchronised,
    }
