"""Plans of simulated brackets, for tests of single rules."""

from __future__ import annotations

from ingest.machinery.worker.decoders import still
from ingest.machinery.worker.frame_store import FrameStore
from ingest.machinery.worker.jobs import merge
from ingest.records.merges import MergeRequest
from ingest.steps.merging import calibration
from ingest.steps.merging.calibration import Plan
from tests import brackets


def planned(bracket: brackets.Bracket, **more: object) -> Plan:
    """The plan that the job would make of a bracket."""
    request = MergeRequest.from_json(brackets.request(bracket, **more))
    order = tuple(sorted(range(len(bracket.shots)), key=lambda i: request.frames[i].units))
    store = FrameStore(1 << 40)
    pictures = [merge._stored(still.decode(bracket.shots[i].data, "frame"), store) for i in order]
    return calibration.plan(request, order, merge._stack(request, pictures, store.forget), pictures[0].source)
