"""The morning page's text, as a template: exceptions, cards, the ten questions, the day, coverage, probes, disks.

Every value goes through :func:`ingest.records.names.shown` and is escaped (``morning.py`` sees to both), whatever it
holds.  No script, no address, no style attribute: the page's own policy forbids them, so an escape that failed would
still be text.
"""

from __future__ import annotations

# Shape before colour: a filled lozenge, a triangle, a dot, a ring with a tick, a broken ring.
SHAPES = """
{% macro shape(state) %}<svg viewBox="0 0 16 16" aria-hidden="true" focusable="false">
{%- if state in ("loss", "lost") %}<path d="M8 0 16 8 8 16 0 8Z" fill="currentColor"/>
{%- elif state in ("person", "due") %}<path d="M8 1 16 15H0Z" fill="none" stroke="currentColor" stroke-width="2"/>
{%- elif state in ("well", "have") %}<circle cx="8" cy="8" r="7" fill="none" stroke="currentColor" stroke-width="2"/>
<path d="M4.5 8.3 7 11l4.5-5.5" fill="none" stroke="currentColor" stroke-width="2"/>
{%- elif state == "not checked" %}<circle cx="8" cy="8" r="6.5" fill="none" stroke="currentColor" stroke-width="2"
 stroke-dasharray="3 3"/>
{%- elif state == "waived" %}<path d="M1 8h14" stroke="currentColor" stroke-width="3"/>
{%- else %}<circle cx="8" cy="8" r="3" fill="currentColor"/>{% endif %}</svg>{% endmacro %}
{% macro tag(state, word="") %}<span class="tag {{ "unlooked" if state == "not checked" else state }}">
{{- shape(state) }}<span>{{ word or state }}</span></span>{% endmacro %}
{% macro mark(dot) %}
{%- if dot.kind == "probe" %}<circle class="dot full" cx="{{ dot.x }}" cy="{{ dot.y }}" r="5">
{%- elif "plate" in dot.kind %}<rect class="dot" x="{{ dot.x - 5 }}" y="{{ dot.y - 4 }}" width="10" height="8">
{%- elif "ball" in dot.kind %}<circle class="dot" cx="{{ dot.x }}" cy="{{ dot.y }}" r="5">
{%- elif dot.kind == "chart" %}<path class="dot" d="M{{ dot.x - 5 }} {{ dot.y }}h10m-5-5v10">
{%- else %}<path class="dot" d="M{{ dot.x }} {{ dot.y - 5 }}v10">{% endif %}
<title>{{ dot.words }}</title>
{%- if dot.kind == "probe" or "ball" in dot.kind %}</circle>
{%- elif "plate" in dot.kind %}</rect>{% else %}</path>{% endif %}
{% endmacro %}
{% macro figures(every, name) %}<div class="{{ name }}">{% for i in every %}<figure>
<img src="{{ i.uri }}" alt="{{ i.alt }}" width="{{ i.width }}" height="{{ i.height }}" loading="lazy">
<figcaption>{{ i.label }}</figcaption></figure>
{% endfor %}</div>{% endmacro %}
"""

PAGE = (
    SHAPES
    + """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src '{{ style_hash }}';
 base-uri 'none'; form-action 'none'">
<meta name="referrer" content="no-referrer">
<title>{{ r.show }} {{ r.day }}: morning report</title>
<style>{{ style }}</style>
</head>
<body>
<header>
<h1>{{ r.show }}, shoot day {{ r.day }}</h1>
<p class="headline">{{ r.headline }}</p>
<p class="small">Audited {{ clock(r.written_utc, true) }} ({{ r.time_zone }}), nightloader {{ r.software.version }}.
{{ checks }} checks made.</p>
<nav aria-label="On this page">
{% for id, word in contents %}<a href="#{{ id }}">{{ word }}</a>{% endfor %}
</nav>
</header>
<main>
<section aria-labelledby="calls">
<h2 id="calls">What needs a person</h2>
{% if r.exceptions %}
<ol class="calls">
{% for x in r.exceptions %}<li>{{ tag(x.state) }}<div>
<p>{{ about(x.item, x.what) }}{% if x.item in anchors %} <a href="#{{ anchors[x.item] }}">Show it</a>{% endif %}</p>
<p class="next">{{ x.next }}</p>
{% if x.until_utc %}<p class="small">Possible until {{ clock(x.until_utc, true) }}</p>{% endif %}</div></li>
{% endfor %}
</ol>
{% else %}<p>{{ tag("well", "nothing") }} {{ checks }} checks were made and none found anything for a person.</p>
{% endif %}
</section>
{% macro cards_table(cards) %}<table class="cards">
<thead><tr><th scope="col">Card</th><th scope="col">Copies once reused</th><th scope="col">Now</th>
<th scope="col">Policy</th><th scope="col">Card read</th><th scope="col">Read back</th>
<th scope="col">Release decided by</th></tr></thead>
<tbody>
{% for c in cards %}<tr id="{{ anchors[c.id] }}">
<th scope="row">{{ c.label or c.id }}<br><span class="small">{{ c.day }}, {{ number(c.files, "file") }},
{{ "{:,}".format(c.size_bytes) }} bytes</span></th>
<td data-of="Copies once reused"><span class="figure">{{ c.copies_once_reused }} of {{ c.copies_asked }}</span>
{% if c.on_one_disk %}<br><strong>on one disk</strong>{% endif %}
{% if c.further_copies %}<br>and {{ c.further_copies }} further{% endif %}</td>
<td data-of="Now" class="num">{{ c.copies_now }}{% if c.here %}, the card included{% endif %}</td>
<td data-of="Policy">{% if c.policy_met %}{{ tag("well", "met") }}{% else %}{{ tag("person", "short") }}
{% for why in c.reasons %}<br>{{ why }}{% endfor %}{% endif %}</td>
<td data-of="Card read">{{ c.read }}{% if c.mounted == "writable" %}<br>mounted writable{% endif %}</td>
<td data-of="Read back">{% for d in c.destinations %}{% if not loop.first %}<br>{% endif %}{{ d.name }}:
{% if d.lost %}declared lost{% elif d.verified %}{{ proofs[d.proof] }}, {{ clock(d.read_back_utc, true) }}
{%- if d.oldest_reread_utc %}; again {{ clock(d.oldest_reread_utc, true) }}{% endif %}
{%- else %}{{ d.files_verified }} of {{ number(c.files, "file") }}{% endif %}
{%- if not d.present %} (not here now){% endif %}{% endfor %}</td>
<td data-of="Release decided by">{% if c.released_by %}{{ c.released_by }}{% else %}<span class="sign">&nbsp;</span>
{% endif %}</td></tr>
{% endfor %}
</tbody></table>
{% endmacro %}
<section aria-labelledby="cards">
<h2 id="cards">Cards</h2>
{% if r.cards %}
{{ cards_table(asking_cards) }}
{% if other_cards %}<details><summary>{{ number(other_cards | length, "card") }} of other days, all with the policy
met</summary>
{{ cards_table(other_cards) }}</details>{% endif %}
{% else %}<p>No card is known.</p>{% endif %}
<div class="caution" role="note">{% for words in r.caution %}<p>{{ words }}</p>{% endfor %}</div>
</section>
<section aria-labelledby="asks">
<h2 id="asks">Ten questions</h2>
<table class="asks">
<thead><tr><th scope="col">Question</th><th scope="col">State</th><th scope="col">Answer</th></tr></thead>
<tbody>
{% for q in r.questions %}<tr><th scope="row">{{ q.number }}. {{ q.asks }}</th><td>{{ tag(q.state) }}</td>
<td>{{ q.answer }}{% for x in q.lines if x.state == "note" %}<br>{{ tag("note") }} {{ x.what }}
<span class="next">{{ x.next }}</span>{% endfor %}</td></tr>
{% endfor %}
</tbody></table>
</section>
{% if strip or r.setups %}
<section aria-labelledby="day">
<h2 id="day">The day</h2>
{% if strip %}
<div class="scroll" tabindex="0" role="region" aria-label="Time line of the day">
<svg class="day" viewBox="-20 0 {{ strip.width + 40 }} {{ strip.height }}" role="img" aria-labelledby="daywords">
<title id="daywords">{{ number(strip.bars | length, "setup") }}; the list below says the same in words</title>
{% for x, word in strip.hours %}<line class="tick" x1="{{ x }}" x2="{{ x }}" y1="16" y2="{{ strip.height }}"/>
<text x="{{ x }}" y="12" font-size="12" text-anchor="middle">{{ word }}</text>{% endfor %}
{% for b in strip.bars %}<g><rect class="bar{{ " openbar" if b.open_ended }}" x="{{ b.x }}" y="{{ b.y }}"
 width="{{ b.width }}" height="18"><title>{{ b.words }}</title></rect>
<text x="{{ b.x + 4 }}" y="{{ b.y + 13 }}" font-size="12">{{ b.label }}</text>
{% for dot in b.dots %}{{ mark(dot) }}{% endfor %}</g>
{% endfor %}</svg></div>
<p class="small">Filled disc: probe. Box: plate. Ring: ball. Cross: chart. Stroke: anything else.</p>
{% endif %}
<details><summary>The same in words</summary><ul>
{% for s in r.setups %}<li>{{ s.day }} {{ clock(s.start_utc, false) if s.start_utc else "no start" }} to
{{ clock(s.end_utc, false) if s.end_utc else "open" }}: setup {{ s.setup }}{% if s.shot %}, shot {{ s.shot }}{% endif %}
{%- if s.camera %}, camera {{ s.camera }}{% endif %}{% if s.lens %}, {{ s.lens }}{% endif %}
{%- for m in s.marks %}; {{ clock(m.utc, false) }} {{ m.what }} {{ m.item }}{% endfor %}</li>
{% endfor %}</ul></details>
</section>
{% endif %}
{% if items %}
<section aria-labelledby="coverage">
<h2 id="coverage">Coverage</h2>
<div class="scroll" tabindex="0" role="region" aria-label="Coverage of each setup">
<table><thead><tr><th scope="col">Setup</th>
{% for item in items %}<th scope="col">{{ item_word(item) }}
{%- if whys[item] %}<span class="small">{{ whys[item] }}</span>{% endif %}</th>{% endfor %}</tr></thead>
<tbody>
{% for s in r.setups %}<tr><th scope="row">{{ s.setup }}<br>
<span class="small whole">{{ s.shot or "shot not known" }}</span></th>
{% for item in items %}<td>{% for i in s["items"] if i.item == item %}{{ tag(i.status) }}
{% if i.why != whys[item] and i.status != "have" %}<br><span class="small">{{ i.why }}</span>{% endif %}
{% if i.proposed and i.status == "due" %}<br><span class="small">may be in a picture: confirm it</span>{% endif %}
{% if i.due_until_utc and i.status == "due" %}<br><span class="small">until {{ clock(i.due_until_utc, true) }}</span>
{% endif %}{% else %}<span class="small">not asked</span>{% endfor %}</td>{% endfor %}</tr>
{% endfor %}
</tbody></table></div>
</section>
{% endif %}
{% if r.probes %}
<section aria-labelledby="probes">
<h2 id="probes">Probes</h2>
{% for p in r.probes %}<article class="probe" id="{{ anchors[p.id] }}">
<h3>{{ p.setup or "Unfiled" }}{% if p.shot %}, shot {{ p.shot }}{% endif %}: probe {{ p.id }}, view {{ p.view }}
{{ tag(*probe_state(p)) }}</h3>
{% set seen = pictures.get(p.id) %}
{% if seen %}{{ figures(seen.exposures, "strip3") }}{% endif %}
{% if p.trouble %}<p>{{ tag("person") }} {{ p.trouble }}</p>{% endif %}
{% for why in p.reasons %}<p>{{ tag("person") if p.review else tag("note") }} {{ why }}</p>{% endfor %}
{% for f in p.findings %}<p>{{ tag(f.severity) }} {{ f.what }} <span class="next">{{ f.next }}</span></p>{% endfor %}
{% if seen %}{{ figures(seen.findings, "shown") }}{% endif %}
{% for said in p.checks %}<p class="small">{{ tag("note" if said.made else "not checked", "checks") }}
 {{ said.words }}</p>{% endfor %}
<dl>
<div><dt>Taken</dt><dd>{{ clock(p.taken_utc, true) if p.taken_utc else "time not known" }}</dd></div>
<div><dt>Body, lens</dt><dd>{{ (p.body | replace("|", " ")) or "not known" }}
{%- if p.lens %}, {{ p.lens }}{% endif %}</dd></div>
<div><dt>Picture</dt><dd>{{ p.kind }}</dd></div>
<div><dt>Frames, dark to bright</dt><dd>{{ p.frames }}: {% for t in p.exposures_s %}{{ seconds(t) }}
{%- if not loop.last %}, {% endif %}{% endfor %}</dd></div>
<div><dt>Stops covered</dt><dd>{{ "%.1f" | format(p.stops) if p.stops is not none else "not measured" }}</dd></div>
<div><dt>Clipped in the darkest frame</dt><dd>{{ share(p.clipped_share) }}</dd></div>
</dl>
<div class="below">
{% if seen and seen.balls %}{{ figures(seen.balls, "balls") }}{% endif %}
{% if histograms[p.id] %}{% set h = histograms[p.id] %}
<div class="stops"><svg class="chart" viewBox="0 0 340 78" role="img" aria-label="{{ h.words }}">
{% for b in h.bars %}<rect class="hist" x="{{ b.x }}" y="{{ b.y }}" width="{{ b.width }}" height="{{ b.height }}"/>
{% endfor %}<text x="0" y="76" font-size="11">{{ h.first }}</text>
<text x="340" y="76" font-size="11" text-anchor="end">{{ h.last }}</text></svg>
<p class="small">Share of the picture by stops of radiance; 0 is pixel value 1.0.</p></div>{% endif %}
</div></article>
{% endfor %}
</section>
{% endif %}
<section aria-labelledby="disks">
<h2 id="disks">Destinations and checks</h2>
<ul>
{% for d in r.destinations %}<li>{{ d.name }}: {{ "required" if d.required else "further copy" }},
{{ "declared lost" if d.lost else ("here" if d.present else "not here") }}{% if d.on_one_disk %}, on one disk{% endif %}
{%- if d.filesystem %}, {{ d.filesystem }}{% endif %}
{%- if d.free_bytes is not none %}, {{ bytes(d.free_bytes) }} free{% endif %};
{{ number(d.reread_files, "file") }} read again{% if d.reread_until_utc %} until {{ clock(d.reread_until_utc, true) }}
{%- endif %}{% if d.reread_interrupted %}, interrupted{% endif %}
{%- if d.full_on %}; full on {{ d.full_on }} at the mean of the days so far{% endif %}.</li>
{% endfor %}
</ul>
<p>Checks made: {% for what, n in r.checks.items() %}{{ "{:,}".format(n) }} {{ what }}
{%- if not loop.last %}, {% endif %}{% else %}none{% endfor %}.</p>
</section>
</main>
</body>
</html>
"""
)
