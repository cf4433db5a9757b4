"""The setup sheet: one page that says what a person on set would have filled in by hand, with the pictures.

Plain HTML with nothing to fetch, so that it opens from a disk without a network; prints on one A4 page in
grey.  Everything in it is untrusted text and is escaped by the template engine.
"""

from __future__ import annotations

from functools import cache
from typing import Any
from urllib.parse import quote

from ingest.records.handover import Picture, SetupSheet
from ingest.records.measurements import Length, Measurement
from ingest.records.names import shown
from ingest.steps.handover.figures import imperial, metric

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" 
 content="default-src 'none'; img-src 'self' file: data:; style-src 'unsafe-inline'">
<title>{{ s.shot or 'shot not known' }} {{ s.setup }} {{ s.day }}</title>
<style>
@page { size: A4; margin: 12mm }
body { font: 10pt/1.35 Georgia, "Times New Roman", serif; margin: 1.2em auto; max-width: 186mm }
body { color: #111; background: #fff }
header { display: flex; justify-content: space-between; border-bottom: 2pt solid #111; align-items: baseline }
h1 { font-size: 22pt; margin: 0 } h2 { font-size: 10pt; margin: 1.1em 0 .2em; border-bottom: .5pt solid #888 }
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; vertical-align: top; padding: .12em .6em .12em 0; overflow-wrap: anywhere }
th { font-weight: normal; color: #444; white-space: nowrap } thead th { border-bottom: .5pt solid #888 }
.by { min-width: 9em }
.two { display: grid; grid-template-columns: 1fr 1fr; gap: 0 1.5em } .w { color: #555; font-style: italic }
figure { margin: 0; break-inside: avoid } figure img { width: 100%; display: block; border: .5pt solid #888 }
.pictures { display: grid; grid-template-columns: repeat(auto-fill, minmax(54mm, 1fr)); gap: 4mm }
figcaption { font-size: 8.5pt; overflow-wrap: anywhere }
</style></head><body>
<header><h1>{{ s.setup }}</h1><div>{{ s.show }} &middot; {{ s.shot or 'shot not known yet' }}
{%- if s.also_for %}, also for {{ s.also_for | join(', ') }}{% endif %}</div>
<div>{{ s.day }}{% if s.unit %} &middot; unit {{ s.unit }}{% endif %}</div></header>
<p>Camera {{ s.camera or 'not named' }}
{% if s.start %} &middot; {{ s.start }} to {{ s.end or 'not written' }}{% endif %}
{% if s.zone %}({{ s.zone }}){% endif %}</p>
{% if s.findings %}<h2>To know first</h2><ul>{% for f in s.findings %}<li>{{ f }}</li>{% endfor %}</ul>{% endif %}
<div class="two"><section><h2>Camera sheet</h2><table>
{% for f in s.facts %}<tr><th>{{ f.label }}</th><td>{{ f.value }}{% if f.also %} = {{ f.also }}{% endif %}
{% if f.written and f.written != f.value %}<span class="w">written: {{ f.written }}</span>{% endif %}</td></tr>
{% else %}<tr><td>Nothing was written.</td></tr>{% endfor %}</table></section>
<section><h2>What there is</h2><table>
{% for i in s.items %}<tr><th>{{ mark(i.status) }} {{ i.item.replace('_', ' ') }}</th>
<td>{{ 'proposed, not confirmed' if i.proposed else i.status }}{% if i.because %}, after {{ i.because }}{% endif %}
{%- if i.words %}: {{ i.words }}{% endif %}</td></tr>
{% else %}<tr><td>No rule was set.</td></tr>{% endfor %}</table></section></div>
{% if s.measurements %}<h2>Measurements</h2><table>
{% for m in s.measurements %}<tr><th>{{ m.name }}</th><td>{{ 'in question' if m.line in s.doubted else sizes(m) }}</td>
<td class="w">written: {{ written(m) }}</td>
<td class="by">{{ m.by }}{% if m.tool %}, {{ m.tool }}{% endif %}</td></tr>{% endfor %}</table>{% endif %}
{% if s.pictures %}<h2>Pictures</h2><div class="pictures">
{% for p in s.pictures %}<figure><a href="{{ href(p) }}"><img src="{{ href(p) }}" alt="{{ p.caption }}"></a>
<figcaption>{{ p.caption }}</figcaption></figure>{% endfor %}</div>{% endif %}
{% if s.clips %}<h2>Clips</h2><table><thead><tr><th>Clip</th><th>Role</th><th>Take</th><th>Start</th><th>Length</th>
<th>Rate</th><th>Timecode</th></tr></thead>
{% for c in s.clips %}<tr><td>{{ c.name }}</td><td>{{ c.role }}</td><td>{{ c.take }}</td>
<td>{{ c.start }}</td><td>{{ c.duration }}</td><td>{{ c.frame_rate }}</td><td>{{ c.timecode }}</td></tr>
{% endfor %}</table>{% for name, means in s.roles %}
<p class="w">{{ name }}: {{ means }}</p>{% endfor %}{% endif %}
{% if s.notes %}<h2>Notes</h2>{% for n in s.notes %}<p>{{ n }}</p>{% endfor %}{% endif %}
</body></html>
"""
MARKS = {"have": "■", "due": "□", "waived": "–", "lost": "✕"}  # a shape beside each word, not colour


@cache
def _template() -> Any:
    from jinja2 import Environment

    return Environment(autoescape=True).from_string(_PAGE)


def page(setup: SetupSheet) -> str:
    """The sheet as one HTML document (UTF-8, no scripts, nothing fetched)."""
    text: str = _template().render(s=setup, mark=_mark, sizes=sizes, written=written, href=href)
    return text


def _mark(status: object) -> str:
    return MARKS.get(str(status), "")


def href(picture: Picture) -> str:
    """A picture's path as a relative link: bytes that are no letters percent-encoded, never a scheme or root."""
    parts = [p for p in picture.path.split("/") if p not in ("", ".", "..")]
    return "./" + "/".join(quote(p.encode("utf-8", "surrogateescape"), safe="") for p in parts)


def sizes(measurement: Measurement) -> str:
    """What was measured, in both units."""
    if measurement.value is not None:
        return _both(measurement.value)
    sides = [(n, s) for n in ("length", "width", "height") if (s := getattr(measurement, n)) is not None]
    return "; ".join(f"{name} {_both(side)}" for name, side in sides)


def _both(value: Length) -> str:
    ends = [value.m] if value.to_m is None else [value.m, value.to_m]
    about = "about " if value.about else ""
    return f"{about}{' to '.join(map(metric, ends))} = {' to '.join(map(imperial, ends))}"


def written(measurement: Measurement) -> str:
    """The measurement's own words."""
    parts = (measurement.value, measurement.length, measurement.width, measurement.height)
    return shown(" x ".join(p.written for p in parts if p is not None))
