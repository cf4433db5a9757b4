"""What the light of each lat-long is, kept as a paper beside its picture; what its bracket can hold.

A summary is made of every merged lat-long and of every stitched position.  The paper also says what changed since the
probe before it of the same shot.  Where a source clips in every frame, what it lacks is estimated from a confirmed
photograph of the grey ball of the same setup, or, where the log says that the sun shone, from a clear sky: as files of
their own (``_estimate.json`` and ``.exr``), never in place of the measured ones.
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.errors import SourceUnreadable, Unreadable, WorkerFailed
from ingest.machinery.ledger.work import ProbeFact
from ingest.machinery.worker.elsewhere import Elsewhere, each, run
from ingest.originals import Originals
from ingest.outbox import Outbox
from ingest.records.filing import Place
from ingest.records.findings import Finding, Severity
from ingest.records.lights import LightSummary
from ingest.records.merges import MergeFrame, MergeRequest
from ingest.records.stills import StillHeader
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.light import bracket, difference
from ingest.steps.stills.exposure import snap_series

_LIMIT_S = 300.0
MOVED_STOPS = 1.0  # by which the key changed before a person is told; common practice, no source
MOVED_DEG = 10.0
_SAME_HEADING_DEG = 2.0  # a light that stayed shows that both probes look the same way
_BESIDE = ("difference", "previous_probe")  # what the paper says beyond the summary itself


def ceiling(view: View) -> dict[str, float] | None:
    """What the view's bracket can hold by its headers alone, in cd/m2, and the sun's stops over it."""
    return bracket.can_hold(_exposures(view))


def unequal_views(views: Sequence[View]) -> list[Finding]:
    """Positions whose views were not shot with the same exposures; said of each odd view."""
    positions: dict[str, list[View]] = {}
    for view in views:
        if view.repeat_of is None and view.complete is not False:
            positions.setdefault(view.position, []).append(view)
    found = []
    for together in positions.values():
        together.sort(key=lambda v: v.view)
        for told in bracket.unequal_views([_exposures(v) for v in together]):
            for k in told["frames"]:
                found.append(Finding.from_json({**told, "item": f"{together[k].id}: view", "frames": []}))
    return found


def _exposures(view: View) -> list[MergeFrame]:
    """The view's frames as far as exposures go; those nobody could read are left out."""
    return [
        MergeFrame(name="", exposure_s=float(f.exposure_s), f_number=f.f_number, iso=f.iso)
        for f in view.frames if f.exposure_s
    ]


@dataclass(frozen=True, kw_only=True, slots=True)
class Ball:
    """A confirmed grey ball of a probe's setup: the still's content and id, and its corners in the stored picture
    (shares of width and height), None where it was not found by itself."""

    digest: str
    id: str
    corners: Sequence[Sequence[float]] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Around:
    """What else is known of each probe (by view id): the ``group`` whose probes follow one another (shot or setup; ""
    for none), the setup's ``balls`` from the nearest in time, and whether the log says that the sun shone."""

    groups: Mapping[str, str]
    balls: Mapping[str, Sequence[Ball]]
    in_sun: Collection[str]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Subject:
    """A lat-long picture: a view's own, or the one its position was stitched to."""

    view: View
    owner: str
    kind: str
    base: str  # of its files, without an ending


def summarise(
    services: Services, outbox: Outbox, originals: Originals, views: Sequence[View], places: Mapping[str, Place],
    current: Mapping[str, ProbeFact], around: Around, stitched: Callable[[str], int | None],
    elsewhere: Elsewhere | None = None,
) -> list[Finding]:
    """A light summary for every lat-long picture that has none yet; it moves with its picture.  ``stitched`` answers
    the number of a position's newest panorama."""
    subjects = _subjects(services, views, places, current, stitched)

    def look(one: _Subject) -> None:
        if services.work.recall(f"light|{one.owner}") is None and not services.stop.is_set():
            text = _summary(services, outbox, one, elsewhere)
            if text is not None:
                services.work.put(f"light|{one.owner}", text)

    each(subjects, look, elsewhere)
    known = {s.owner: told for s in subjects if (told := _recalled(services, s.owner)) is not None}
    found: list[Finding] = []
    for one, before in _in_order(subjects, around.groups):
        if one.owner not in known:
            continue
        paper = dict(known[one.owner])
        if before is not None and before.owner in known:
            found += _since(paper, known[before.owner], one, before)
        outbox.settle(one.owner, "light", f"{one.base}.light.json")
        data = (json.dumps(paper) + "\n").encode()
        outbox.put(f"{one.base}.light.json", lambda _, d=data: d, kind="light", owner=one.owner)  # type: ignore[misc]
        if not services.stop.is_set():
            found += _estimate(services, outbox, originals, one, paper, current, views, around, elsewhere)
    return found


def _subjects(
    services: Services, views: Sequence[View], places: Mapping[str, Place], current: Mapping[str, ProbeFact],
    stitched: Callable[[str], int | None],
) -> list[_Subject]:
    out: dict[str, _Subject] = {}
    first: dict[str, int] = {}  # of each position's views
    for view in views:
        first[view.position] = min(view.view, first.get(view.position, view.view))
    for view in views:
        fact, place = current.get(view.id), places[view.id]
        if fact is None or fact.record is None:
            continue
        base = f"{services.show}/{place.folder}/{place.stem}"
        if view.kind == "lat-long":
            owner = f"{view.id}/{fact.version}"
            out[owner] = _Subject(view=view, owner=owner, kind="probe", base=base)
        elif view.repeat_of is None and view.view == first[view.position]:
            number = stitched(view.position)
            if number is not None:
                owner = f"{view.position}/{number}"
                out[owner] = _Subject(view=view, owner=owner, kind="panorama", base=f"{base}_latlong{number:02d}")
    return list(out.values())


def _summary(services: Services, outbox: Outbox, one: _Subject, elsewhere: Elsewhere | None) -> str | None:
    fd = outbox.open(owner=one.owner, kind=one.kind)
    if fd is None:
        return None  # its disk is away: it stays owed
    try:
        return json.dumps(run(services.worker, elsewhere, "light", {"previous": False, "outputs": []}, [fd],
                              timeout_s=_LIMIT_S, cancel=services.stop))
    except (Unreadable, WorkerFailed) as error:
        return None if services.stop.is_set() else json.dumps({"trouble": error.what})
    finally:
        os.close(fd)


def _recalled(services: Services, owner: str) -> dict[str, Any] | None:
    text = services.work.recall(f"light|{owner}")
    if text is None:
        return None
    told = json.loads(text)
    return {k: v for k, v in told.items() if k not in _BESIDE} if isinstance(told, dict) else None


# -- since the probe before ------------------------------------------------------------------------


def _in_order(
    subjects: Sequence[_Subject], groups: Mapping[str, str]
) -> list[tuple[_Subject, _Subject | None]]:
    """Each picture with the one taken before it in its group."""
    out: list[tuple[_Subject, _Subject | None]] = []
    last: dict[str, _Subject] = {}
    for one in sorted(subjects, key=lambda s: (s.view.taken_s or (float("inf"),) * 2, s.owner)):
        group = groups.get(one.view.id, "")
        out.append((one, last.get(group) if group and one.view.taken_s else None))
        if group and one.view.taken_s:
            last[group] = one
    return out


def _since(
    paper: dict[str, Any], before: Mapping[str, Any], one: _Subject, previous: _Subject
) -> list[Finding]:
    """The difference into the paper; a finding where it shows that a new probe was due in between.

    No header says which way a probe's body looked.  So a key that went round is believed only where another light
    stayed; its height and strength always.
    """
    try:
        now, then = LightSummary.from_json(paper), LightSummary.from_json(before)
    except (KeyError, TypeError, ValueError):
        return []  # one of them could not be read: its paper says so
    made = difference.compare(now, then)
    key = difference.key_of(then.lights)
    same_way = any(
        i != key and difference.angle_deg(then.lights[i], now.lights[j]) < _SAME_HEADING_DEG
        for i, j in difference.pair(then.lights, now.lights).items()
    )
    paper["difference"] = {**made.to_json(), "heading_known": same_way}
    paper["previous_probe"] = previous.view.id
    stops = (made.total_stops if made.gone else made.key_stops) or 0.0
    rose = difference.key_rose_deg(now, then)
    moved = (made.key_moved_deg or 0.0) if same_way else abs(rose or 0.0)
    if abs(stops) < MOVED_STOPS and moved < MOVED_DEG and not made.gone:
        return []
    words = made.sentence
    if not same_way and not made.gone:
        words = difference.sentence(abs(rose or 0.0), made.key_stops, what="height changed by")
    words = " ".join(filter(None, (words, made.other)))
    return [Finding(
        kind="light_moved", item=f"{one.view.id}: light", severity=Severity.NOTE,
        what=f"Since {previous.view.id}, the probe before it of the same shot: {words[0].lower()}{words[1:]}",
        next="What was shot between the two has the light of neither: a probe was due when it changed.",
        more={"amount": round(stops if abs(stops) >= MOVED_STOPS else moved, 3),
              "unit": "stops" if abs(stops) >= MOVED_STOPS else "degrees", "confidence": None, "frames": [],
              "direction": None},
    )]  # fmt: skip


# -- what a clipped source lacks -------------------------------------------------------------------


def _estimate(
    services: Services, outbox: Outbox, originals: Originals, one: _Subject, paper: Mapping[str, Any],
    current: Mapping[str, ProbeFact], views: Sequence[View], around: Around, elsewhere: Elsewhere | None,
) -> list[Finding]:
    """The estimate's own files, and a note that there is one; nothing where no source clips or nothing tells of it."""
    if not any(light.get("at_least") for light in paper.get("lights", ())):
        return []
    balls, sun = list(around.balls.get(one.view.id, ()))[:3], one.view.id in around.in_sun
    if not balls and not sun:
        return []
    path = f"{one.base}_estimate"
    mark = json.dumps([[b.digest for b in balls], sun])
    kept = json.loads(services.work.recall(f"estimate|{one.owner}") or "{}")
    if kept.get("by") != mark:
        made = _made(services, outbox, originals, one, balls, sun, current, views, path, elsewhere)
        if made is None:
            return []  # a disk is away: it stays owed
        kept = {"by": mark, **made}
        services.work.put(f"estimate|{one.owner}", json.dumps(kept))
    for kind, ending in (("estimate", ".json"), ("estimated light", f"{kept.get('number', 1):02d}.exr")):
        outbox.settle(one.owner if kind == "estimate" else f"{one.owner}/{kept.get('number', 1)}", kind, path + ending)
    told = {k: v for k, v in kept.items() if k not in ("by", "number")}
    data = (json.dumps({"probe": one.view.id, "measured": os.path.basename(one.base) + ".light.json", **told}, indent=1)
            + "\n").encode()
    outbox.put(f"{path}.json", lambda _: data, kind="estimate", owner=one.owner)
    if not kept.get("estimates"):
        return []
    best = kept["estimates"][0]
    stops, sure = best["with_it"]["stops_over_measured"], best["relative_sigma"]
    by = f"the grey ball in {kept['ball']}" if kept.get("ball") else "a clear sky and the sun's known size"
    return [Finding(
        kind="clipped_estimate", item=f"{one.view.id}: light", severity=Severity.NOTE,
        what=f"A source clips in every frame. By {by} it is {stops:.1f} stops stronger than what the probe holds"
             + (f", +-{100 * sure:.0f} %" if sure is not None else "") + ": an estimate, not measured.",
        next=f"{os.path.basename(path)}.json has it; the probe itself is as it was measured.",
        more={"amount": round(stops, 3), "unit": "stops", "confidence": None, "frames": [],
              "direction": best["direction"]},
    )] if stops is not None else []  # fmt: skip


def _made(
    services: Services, outbox: Outbox, originals: Originals, one: _Subject, balls: Sequence[Ball], sun: bool,
    current: Mapping[str, ProbeFact], views: Sequence[View], path: str, elsewhere: Elsewhere | None,
) -> dict[str, Any] | None:
    """The answer of the first ball that tells anything, else of the sky; None where a disk is away."""
    refused: list[dict[str, str]] = []
    number = json.loads(services.work.recall(f"estimate|{one.owner}") or "{}").get("number", 0) + 1
    for ball in [*balls, *([None] if sun else [])]:
        try:
            with contextlib.ExitStack() as stack:
                probe = outbox.open(owner=one.owner, kind=one.kind)
                if probe is None:
                    return None
                stack.callback(os.close, probe)
                given = [probe]
                args: dict[str, Any] = {"previous": False, "outputs": [], "sun": ball is None, "ball": None}
                if ball is not None:
                    fd, said = _picture_of(services, outbox, originals, ball, current, views, stack)
                    given.append(fd)
                    args["ball"] = said

                def job(
                    outputs: Sequence[int], names: Sequence[str] = ("estimated",), args: dict[str, Any] = args,
                    given: Sequence[int] = given,
                ) -> dict[str, Any]:
                    return run(services.worker, elsewhere, "light", {**args, "outputs": list(names)}, given, outputs,
                               timeout_s=_LIMIT_S, cancel=services.stop)

                answer = job((), ())
                why = answer.get("not_estimated", [])
                if not answer.get("estimates"):
                    refused += [{**w, **({"ball": ball.id} if ball else {})} for w in why]
                    continue
                outbox.make([("estimated light", f"{path}{number:02d}.exr")], f"{one.owner}/{number}",
                            lambda outputs, job=job: _nothing(job(outputs)))  # type: ignore[misc]
                return {"estimates": answer["estimates"], "not_estimated": [*refused, *why], "number": number,
                        "ball": ball.id if ball else None}
        except SourceUnreadable:
            return None
        except (Unreadable, WorkerFailed) as error:
            if services.stop.is_set():
                return None
            refused.append({"method": "grey ball" if ball else "sun's disc", "why": error.what,
                            **({"ball": ball.id} if ball else {})})
    return {"estimates": [], "not_estimated": refused}


def _nothing(_: object) -> None:
    """Of the answer: it is known."""


def _picture_of(
    services: Services, outbox: Outbox, originals: Originals, ball: Ball, current: Mapping[str, ProbeFact],
    views: Sequence[View], stack: contextlib.ExitStack,
) -> tuple[int, dict[str, Any]]:
    """The ball as a linear EXR on an absolute scale, and what to say of it: its bracket as merged, else its raw alone.

    Raises Unreadable where there is neither: a single JPEG's tone curve is the maker's.
    """
    fact = services.work.stills([ball.digest]).get(ball.digest)
    header = fact.header if fact is not None and fact.header is not None else StillHeader()
    corners = None if ball.corners is None else [upright(x, y, header.orientation) for x, y in ball.corners]
    view = next((v for v in views if ball.digest in v.digests), None)
    merged = current.get(view.id) if view is not None else None
    if view is not None and merged is not None and merged.record is not None:
        fd = outbox.open(owner=f"{view.id}/{merged.version}", kind="probe")
        if fd is not None:
            stack.callback(os.close, fd)
            return fd, {"outline": _outline(corners, int(merged.record["width"]), int(merged.record["height"]))}
    if header.reader == "" or fact is None or not header.exposure_time_s or not header.f_number or not header.iso:
        raise Unreadable("the ball's picture does not tell its exposure.", item=ball.id)
    exact = snap_series([header])[0]
    frame = MergeFrame(
        name=ball.id, digest=ball.digest, exposure_s=float(exact.time_s or header.exposure_time_s),
        f_number=exact.f_number, iso=exact.iso, make=header.make or "", model=header.model or "",
        orientation=header.orientation, white_balance=header.white_balance, colour_space=header.colour_space,
    )
    made = stack.enter_context(tempfile.TemporaryFile(prefix="nl-"))  # noqa: SIM115 - closed by the stack
    source = originals.open(ball.digest)
    stack.callback(os.close, source)
    record = services.worker.run(
        "merge", MergeRequest(frames=(frame,), kind="flat", layers=False).to_json(), [source, made.fileno()],
        timeout_s=_LIMIT_S, cancel=services.stop,
    )
    if record["source"] == "jpeg":
        raise Unreadable("the ball is a single JPEG, whose tone curve is the maker's; a raw or a bracket tells more.",
                         item=ball.id)
    return made.fileno(), {"outline": _outline(corners, int(record["width"]), int(record["height"]))}


def upright(x: float, y: float, orientation: int) -> tuple[float, float]:
    """A place in the stored picture (shares of width and height) as the upright picture has it (Exif orientation)."""
    turned = {2: (1 - x, y), 3: (1 - x, 1 - y), 4: (x, 1 - y), 5: (y, x), 6: (1 - y, x), 7: (1 - y, 1 - x),
              8: (y, 1 - x)}
    return turned.get(orientation, (x, y))


def _outline(corners: Sequence[Sequence[float]] | None, width: int, height: int) -> list[float] | None:
    if corners is None:
        return None
    xs, ys = [c[0] * width for c in corners], [c[1] * height for c in corners]
    radius = (max(xs) - min(xs) + max(ys) - min(ys)) / 4
    return [(max(xs) + min(xs)) / 2 - 0.5, (max(ys) + min(ys)) / 2 - 0.5, radius]

