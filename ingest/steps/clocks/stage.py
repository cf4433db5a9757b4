"""True times for frames, from the notes and settings as they are now; what each body's clock does is kept."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, replace

from ingest.records.clocks import Shown
from ingest.records.findings import Finding, Severity
from ingest.records.frames import Frame
from ingest.records.setups import Question
from ingest.records.stills import StillHeader
from ingest.services import Services
from ingest.settings.model import Body
from ingest.steps.clocks.notes import read_notes
from ingest.steps.clocks.offsets import correct


def notes_bytes(services: Services) -> bytes:
    """The clock notes as they are now; none where there are none."""
    try:
        return services.settings.beside(services.settings.show.clock_notes).read_bytes()
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
    services: Services, frames: Mapping[str, Frame], headers: Mapping[str, StillHeader]
) -> tuple[dict[str, Frame], dict[str, str], tuple[Finding, ...]]:
    """The frames with true times; (frame id -> why a person must look); what is odd about the clocks."""
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
    clocks = correct(
        shown, zone=settings.show.timezone, notes=notes,
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
    return timed, review, (*found, *(_question(q) for q in questions))


def _question(q: Question) -> Finding:
    return Finding(
        kind="clock notes not understood", item=f"{q.file} line {q.line} {q.column}".strip(), severity=Severity.PERSON,
        what=f"{q.written!r}: {q.asks}" if q.written else q.asks,
        next="Correct the cell and save the file; it is read again by itself.",
    )
