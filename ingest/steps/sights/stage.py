"""Look for charts and balls in stills and clips, measure confirmed charts, cut confirmed balls out; in the worker.

Only frames that stand alone are looked at, and one frame of each bracket that is no panorama: charts and balls are
shot there, and a day's probes are left in peace.  Everything is looked at once, after the merges.
"""

from __future__ import annotations

import base64
import contextlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from ingest.machinery.worker.each import ask_each
from ingest.machinery.worker.host import WorkerStopped
from ingest.originals import Originals
from ingest.outbox import Outbox
from ingest.records.cards import FileKind
from ingest.records.filing import Place
from ingest.records.findings import Finding, Severity
from ingest.records.merges import ChartColour
from ingest.records.names import shown
from ingest.records.sights import SeenThing
from ingest.records.stills import StillLook
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.sights.chart import fit
from ingest.steps.stills.frames import body_key

_BATCH = 8
_EACH_S = 30.0
_CLIP_S = 90.0  # bounded in the worker; the rest is a slow disk
PANORAMAS = ("lat-long", "dual-fisheye", "fisheye")


def worth_a_look(loose: Iterable[str], views: Sequence[View]) -> list[str]:
    """Digests of stills to look at, once each: frames in no set, and the middle frame of each flat bracket."""
    middles = []
    for view in views:
        frames = [f for f in view.frames if f.usable] or list(view.frames)
        if view.kind not in PANORAMAS and frames:
            files = sorted(frames[len(frames) // 2].files, key=lambda f: f.raw)
            middles.append(files[0].digest)
    return list(dict.fromkeys([*loose, *middles]))


def is_panorama(look: StillLook | None) -> bool:
    """A picture twice as wide as high shows all around: what is bent in it proves nothing."""
    return look is not None and bool(look.width and look.height) and look.width == 2 * (look.height or 0)


def read_new(services: Services, originals: Originals, views: Sequence[View]) -> int:
    """Look at every still and clip that is worth it and was not looked at yet; answers how many were."""
    if not services.settings.due.look:
        return 0
    known = services.work.looked_at()
    worth = [d for d in worth_a_look(services.work.loose(), views) if d not in known]
    facts = services.work.stills(worth)
    stills = [d for d in worth if d in facts and not is_panorama(facts[d].look)]
    clips = list(dict.fromkeys(o.digest for o in originals.of_kind(FileKind.CLIP)))
    count = 0
    with contextlib.suppress(WorkerStopped):  # the rest is asked for at the next start
        for digests, clip in ((stills, False), (clips, True)):
            fresh = [d for d in digests if d not in known]
            size = 1 if clip else _BATCH
            for start in range(0, len(fresh), size):
                count += _look(services, originals, fresh[start : start + size], clip)
    return count


def _look(services: Services, originals: Originals, digests: Sequence[str], clip: bool) -> int:
    answers = _ask(services, originals, digests, {"clip": clip}, _CLIP_S if clip else _EACH_S)
    learnt = {d: _understood(a) for d, a in answers.items() if a.get("again") is not True}
    services.work.add_sights(learnt, services.clock.utc())
    services.tell("sights", {"read": len(learnt), "found": sum(bool(seen) for seen, _ in learnt.values())})
    return len(learnt)


def _ask(
    services: Services, originals: Originals, digests: Sequence[str], args: Mapping[str, Any], each_s: float
) -> dict[str, dict[str, Any]]:
    """An answer for each file that can be opened, whatever the worker meets."""
    with originals.held(digests) as fds:
        return dict(zip(fds, ask_each(
            services.worker, "sights", args, list(fds.values()), one_s=each_s, many_s=4 * each_s, cancel=services.stop
        ), strict=True))


def _understood(answer: Mapping[str, Any]) -> tuple[list[SeenThing], str]:
    if "refused" in answer:
        return [], shown(str(answer["refused"]))[:300]
    found = []
    for said in answer.get("sights") or ():
        with contextlib.suppress(ValueError, AttributeError, TypeError):  # an answer of a worker gone wrong
            found.append(SeenThing.from_json(said))
    return found[:16], ""


# -- colour ----------------------------------------------------------------------------------------


def chart_colours(
    services: Services, originals: Originals, *, measure: bool = True
) -> dict[tuple[str, str], ChartColour]:
    """(body, source) -> the correction from its best confirmed chart; each chart is measured once, and not yet
    without ``measure``.

    Source is raw, jpeg or tiff: what a chart says of a body's raws holds for no JPEG of it.  Of several charts the
    one with the smallest error counts, so that the order in which cards come changes nothing.  A matrix that leaves
    more error than the balance alone is none.
    """
    seen, measured = services.work.sights(), services.work.measured()
    stills = services.work.stills(_confirmed_charts(services))
    charts = list(stills)
    with contextlib.suppress(WorkerStopped):
        for digest in charts:
            place = next((s for s in seen.get(digest, ()) if s.what == "chart"), None)
            if digest in measured or place is None or not measure:
                continue
            args = {"corners": [list(c) for c in place.corners]}
            answer = _ask(services, originals, [digest], args, _EACH_S).get(digest)
            if answer is not None and answer.get("again") is not True:
                services.work.set_measured(digest, answer, services.clock.utc())
                measured[digest] = answer
    out: dict[tuple[str, str], ChartColour] = {}
    for digest in sorted(charts):
        made = _colour(digest, measured.get(digest, {}))
        key = (body_key(stills[digest].header), made.source if made else "")
        if made is not None and made.helps and (key not in out or made.delta_e < out[key].delta_e):
            out[key] = made
    return out


def _confirmed_charts(services: Services) -> list[str]:
    return [d for d, said in services.work.decisions("role").items() if said.get("role") == "chart"]


def _colour(digest: str, answer: Mapping[str, Any]) -> ChartColour | None:
    try:
        found = fit(answer["patches"])
        return ChartColour(
            digest=digest, source=str(answer["source"]), matrix=found.matrix, reference=found.reference,
            patches=found.patches, delta_e=found.delta_e, delta_e_max=found.delta_e_max, before=found.before,
        )
    except (KeyError, TypeError, ValueError):
        return None  # refused, or burnt out: said among the findings


def findings(services: Services, colours: Mapping[tuple[str, str], ChartColour]) -> list[Finding]:
    """What became of each body's charts, with the error of the fit."""
    used = services.settings.merging.chart_colour
    found = [
        Finding(
            kind="chart colour", item=f"{body.replace('|', ' ').strip()} {source}", severity=Severity.NOTE,
            what=f"{c.words}.",
            next=("It is applied" if used else "Set chart_colour = true under [merging] to apply it")
            + f" where {source} files of this body are merged; other files need a chart shot as they are.",
        )
        for (body, source), c in sorted(colours.items())
    ]
    seen, measured = services.work.sights(), services.work.measured()
    for digest in services.work.stills(_confirmed_charts(services)):
        answer = measured.get(digest)
        place = any(s.what == "chart" for s in seen.get(digest, ()))
        made = _colour(digest, answer) if answer is not None else None
        if made is not None and not made.helps:
            found.append(Finding(
                kind="chart not used", item=f"f{digest.rpartition(':')[2][:10]}", severity=Severity.NOTE,
                what=f"{made.words}: it is no better than the balance, so it is not applied.",
                next="Confirm another still of the chart, square on, evenly lit, if colours matter more closely.",
            ))
        if (answer is None and not place and digest in services.work.looked_at()) or (
            answer is not None and made is None
        ):
            why = shown(str((answer or {}).get("refused") or "its patches are not found, or burnt out"))[:200]
            found.append(Finding(
                kind="chart not measured", item=f"f{digest.rpartition(':')[2][:10]}", severity=Severity.NOTE,
                what=f"This chart gives no colour correction: {why}.",
                next="Confirm another still of the chart, square on, evenly lit, no patch burnt out.",
            ))
    return found


# -- balls -----------------------------------------------------------------------------------------


def cut_out(
    services: Services, outbox: Outbox, originals: Originals, balls: Iterable[tuple[str, str, str, str]],
    places: Mapping[str, Place],
) -> None:
    """Confirmed balls as small pictures beside their setup's probe.

    ``balls`` are (digest, role, still id, probe id).  Made once, moved with the probe; where no ball is found in the
    picture by itself the whole still is shown small.
    """
    if not services.settings.security.previews:
        return
    seen = services.work.sights()
    with contextlib.suppress(WorkerStopped):
        for digest, role, still, probe in balls:
            path = f"{services.show}/{places[probe].folder}/{places[probe].stem}_{role}_{still}.jpg"
            if any(outbox.known(owner=still, kind=role)):
                outbox.settle(still, role, path)
                continue
            place = next((s for s in seen.get(digest, ()) if s.what == role), None)
            corners = [list(c) for c in place.corners] if place else [[0, 0], [1, 0], [1, 1], [0, 1]]
            answer = _ask(services, originals, [digest], {"crop": corners}, _EACH_S).get(digest, {})
            try:
                data = base64.b64decode(str(answer["jpeg"]), validate=True)
            except (KeyError, ValueError):
                continue  # refused: the still itself is kept and listed
            if data[:3] == b"\xff\xd8\xff":
                outbox.put(path, lambda _, data=data: data, kind=role, owner=still)  # type: ignore[misc]
