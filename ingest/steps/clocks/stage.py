"""True times for frames, from photographed clocks, the notes and settings as they are now; what each body's clock
does is kept."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace

from ingest.machinery.disk.files import read_plain
from ingest.records.clocks import Shown
from ingest.records.codes import SeenCode
from ingest.records.findings import Finding, Severity
from ingest.records.frames import Frame
from ingest.records.setups import Question
from ingest.records.stills import StillHeader
from ingest.services import Services
from ingest.settings.model import Body
from ingest.steps.clocks.code import read_clock
from ingest.steps.clocks.notes import read_notes
from ingest.steps.clocks.offsets import correct
from ingest.steps.clocks.photographed import Contradiction, Photographed, contradictions, photographed
from ingest.steps.codes.signs import no_probe, upside_down


def notes_bytes(services: Services) -> bytes:
    """The clock notes as they are now; none where there are none."""
    try:
        return read_plain(services.settings.beside(services.settings.show.clock_notes))
    except OSError:
        return b""  # no notes: the settings and the headers speak


def means(body: Body, key: str) -> bool:
    """Whether a block of the settings means the body ``make|model|serial``; what it leaves out fits all."""
    make, model, serial = [*key.split("|"), "", ""][:3]
    if not (body.make or body.model or body.serial):
        return False
    wanted = ((body.make, make), (body.model, model), (body.serial, serial))
    return all(not want or want.strip().lower() == have.lower() for want, have in wanted)


def correct_frames(
    services: Services, frames: Mapping[str, Frame], headers: Mapping[str, StillHeader],
    signs: Mapping[str, Sequence[SeenCode]],
) -> tuple[dict[str, Frame], dict[str, str], tuple[Finding, ...]]:
    """The frames with true times; (frame id -> why a person must look); what is odd about the clocks.
    ``signs`` are the codes that frames show."""
    settings = services.settings
    notes, questions = read_notes(notes_bytes(services).decode("utf-8", "replace"))
    bodies = {f.body for f in frames.values() if f.body}
    blocks = {key: body for key in bodies for body in settings.bodies if means(body, key)}
    shown = [
        Shown(
            frame=i, body=f.body, shown=headers[i].taken, utc_offset_s=headers[i].utc_offset_s, tick_s=f.tick_s,
            card=f.card, card_index=f.card_index, prefix=f.prefix, number=f.number, folder_number=f.folder_number,
        )
        for i, f in frames.items()
    ]
    clocks_seen = photographed(signs, now_s=services.clock.now().timestamp())
    clocks = correct(
        shown, zone=settings.show.timezone, notes=notes, readings=clocks_seen.readings,
        settings_offsets={k: b.clock_offset_s for k, b in blocks.items() if b.clock_offset_s is not None},
        nicknames={k: b.nickname for k, b in blocks.items() if b.nickname},
    )
    known = [
        {**asdict(c), "source": str(c.source), "nickname": blocks[c.body].nickname if c.body in blocks else ""}
        for c in clocks.bodies
    ]
    services.work.put("bodies", json.dumps(known))
    timed = {
        i: replace(f, time_s=clocks.timings[i].utc_s, time_sigma_s=clocks.timings[i].sigma_s)
        if i in clocks.timings else f
        for i, f in frames.items()
    }
    review = {i: t.review for i, t in clocks.timings.items() if t.review}
    found = [
        Finding(
            kind="clock doubtful", item=f"{o.body or 'clock notes'}: {o.kind}", severity=Severity.PERSON, what=o.what,
            next=o.next, more={"body": o.body, "proposed_offset_s": o.proposed_offset_s},
        )
        for o in clocks.oddities
    ]
    odd = contradictions(
        shown, clocks_seen.readings, notes, zone=settings.show.timezone,
        settings_offsets={k: b.clock_offset_s for k, b in blocks.items() if b.clock_offset_s is not None},
        nicknames={k: b.nickname for k, b in blocks.items() if b.nickname},
    )
    found += _about_photographed(clocks_seen, odd, frames)
    return timed, review, (*found, *(_question(q) for q in questions))


def set_apart(
    services: Services, frames: Mapping[str, Frame], signs: Mapping[str, Sequence[SeenCode]]
) -> dict[str, tuple[str, str]]:
    """Frames that are pictures of a clock or a slate, and so no probe's; the slates are kept for the filing, with
    the moments of the bodies that showed one."""
    slates = [
        {"frame": i, "body": frames[i].body, "at_s": frames[i].time_s, "text": code.text,
         "tail": upside_down(code, frames[i].orientation)}
        for i, codes in signs.items() if i in frames
        for code in codes if read_clock(code.text) is None
    ]
    bodies = {s["body"] for s in slates}
    moments: dict[str, list[float]] = defaultdict(list)
    for frame in frames.values():
        if frame.body in bodies and frame.time_s is not None:
            moments[frame.body].append(frame.time_s)
    services.work.put("slates seen", json.dumps({"slates": slates, "moments": moments}))
    return no_probe(frames, signs, lambda text: read_clock(text) is not None)


def _about_photographed(
    seen: Photographed, odd: Sequence[Contradiction], frames: Mapping[str, Frame]
) -> list[Finding]:
    """What a person should know of the clocks that were photographed."""
    found = [
        Finding(
            kind="photographed clock not believed", item=_named(frames, i), severity=Severity.PERSON, what=why,
            next="Check the cart's clock (`nightloader clock` shows it) and photograph it again.",
        )
        for i, why in seen.refused.items()
    ]
    found += [
        Finding(
            kind="clock not synchronised", item=_named(frames, i), severity=Severity.NOTE,
            what="The clock photographed here was not kept by a time service; times go by it all the same.",
            next="Connect the cart to a time service, and photograph the clock again if times matter.",
        )
        for i in seen.unkept
    ]
    found += [
        Finding(kind="clocks disagree", item=o.body or "a body without a name", severity=Severity.PERSON, what=o.what,
                next="The photographed clock counts. Correct the row or the setting, or photograph the clock again.")
        for o in odd
    ]
    return found


def _named(frames: Mapping[str, Frame], i: str) -> str:
    frame = frames[i]
    number = f"{frame.prefix}{frame.number:04d}" if frame.number is not None else i[:18]
    return f"{frame.body or 'a body without a name'}: {number}"


def _question(q: Question) -> Finding:
    return Finding(
        kind="clock notes not understood", item=f"{q.file} line {q.line} {q.column}".strip(), severity=Severity.PERSON,
        what=f"{q.written!r}: {q.asks}" if q.written else q.asks,
        next="Correct the cell and save the file; it is read again by itself.",
    )
