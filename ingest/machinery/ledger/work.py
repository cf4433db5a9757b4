"""The ledger's facts about content, probes, our own outputs, decisions, findings and requests."""

from __future__ import annotations

import dataclasses
import itertools
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

from ingest.machinery.ledger.store import Store
from ingest.records.codes import SeenCode
from ingest.records.findings import Finding, by_key
from ingest.records.names import check_text, shown
from ingest.records.sights import SeenThing
from ingest.records.stills import StillHeader, StillLook
from ingest.records.views import View

_AT_ONCE = 500  # values in one question: SQLite's oldest limit is 999


@dataclass(frozen=True, kw_only=True, slots=True)
class StillFact:
    """What is known of one still by its content."""

    digest: str
    header: StillHeader | None
    look: StillLook | None
    trouble: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ProbeFact:
    """One version of a probe.  ``signature`` names exactly the frames and their exposures that were
    merged; ``record`` is the merge's own record, None where merging was refused (``trouble``)."""

    id: str
    version: int
    signature: str
    frames: tuple[str, ...]
    record: dict[str, Any] | None
    trouble: str
    superseded_utc: str | None
    merged_utc: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Output:
    """A file of our own at a destination; ``path`` is relative to the show's folder there."""

    destination_id: str
    path: str
    kind: str
    owner: str
    size_bytes: int
    digest: str
    proof: str
    written_utc: str
    reread_utc: str = ""
    reread_digest: str = ""


def header_to_json(header: StillHeader) -> str:
    out: dict[str, Any] = {}
    for field in dataclasses.fields(header):
        value = getattr(header, field.name)
        if isinstance(value, Fraction):
            value = f"{value.numerator}/{value.denominator}"
        elif isinstance(value, datetime):
            value = value.isoformat()
        out[field.name] = value
    return json.dumps(out)


def header_from_json(text: str) -> StillHeader:
    raw = json.loads(text)
    known = {f.name for f in dataclasses.fields(StillHeader)}
    values = {k: v for k, v in raw.items() if k in known}
    for key in ("exposure_time_s", "f_number", "exposure_bias_ev"):
        if values.get(key) is not None:
            values[key] = Fraction(values[key])
    if values.get("taken"):
        values["taken"] = datetime.fromisoformat(values["taken"])
    values["problems"] = tuple(values.get("problems") or ())
    return StillHeader(**values)


class WorkLedger:
    """Facts of every step after copying."""

    def __init__(self, store: Store) -> None:
        self.store = store

    # stills ------------------------------------------------------------------
    def stills(self, of: Iterable[str] | None = None) -> dict[str, StillFact]:
        """What is known of stills by digest, of some or of all; a large show has tens of thousands."""
        columns = "SELECT digest, header, look, trouble FROM stills"
        rows: list[tuple[Any, ...]] = []
        if of is None:
            rows = self.store.query(columns)
        else:
            wanted = iter(dict.fromkeys(of))
            while some := tuple(itertools.islice(wanted, _AT_ONCE)):
                rows += self.store.query(f"{columns} WHERE digest IN ({','.join('?' * len(some))})", some)
        return {
            d: StillFact(
                digest=d, header=header_from_json(h) if h else None,
                look=StillLook(**json.loads(k)) if k else None, trouble=t,
            )
            for d, h, k, t in rows
        }

    def still_digests(self) -> set[str]:
        return {row[0] for row in self.store.query("SELECT digest FROM stills")}

    def decodable(self) -> set[str]:
        """Digests of the stills whose picture decodes."""
        return {row[0] for row in self.store.query("SELECT digest FROM stills WHERE json_extract(look, '$.decodes')")}

    def headers(self) -> dict[str, StillHeader]:
        """Digest -> what names the body and when it was taken by its own clock; nothing else is read."""
        fields = ("make", "model", "body_serial", "taken")
        columns = ", ".join(f"json_extract(header, '$.{f}')" for f in fields)
        return {
            digest: StillHeader(make=make, model=model, body_serial=serial,
                                taken=datetime.fromisoformat(taken) if taken else None)
            for digest, make, model, serial, taken in self.store.query(
                f"SELECT digest, {columns} FROM stills WHERE header IS NOT NULL")
        }

    def taken(self) -> Iterator[tuple[StillHeader, datetime]]:
        """When each still was taken by its body's own clock (naive), one after the other, with what names the body."""
        fields = ("make", "model", "body_serial", "taken")
        columns = ", ".join(f"json_extract(header, '$.{f}')" for f in fields)
        for make, model, serial, taken in self.store.query(
            f"SELECT {columns} FROM stills WHERE json_extract(header, '$.taken') IS NOT NULL"
        ):
            yield StillHeader(make=make, model=model, body_serial=serial), datetime.fromisoformat(taken)

    def add_stills(self, facts: Iterable[StillFact], utc: str) -> None:
        with self.store.transaction() as t:
            t.executemany(
                "INSERT OR REPLACE INTO stills(digest, header, look, trouble, utc) VALUES(?,?,?,?,?)",
                [
                    (
                        f.digest, header_to_json(f.header) if f.header else None,
                        json.dumps(dataclasses.asdict(f.look)) if f.look else None, f.trouble, utc,
                    )
                    for f in facts
                ],
            )

    def clips(self) -> dict[str, tuple[dict[str, Any] | None, str]]:
        rows = self.store.query("SELECT digest, facts, trouble FROM clips")
        return {d: (json.loads(f) if f else None, t) for d, f, t in rows}

    def add_clip(self, digest: str, facts: Mapping[str, Any] | None, trouble: str, utc: str) -> None:
        with self.store.transaction() as t:
            t.execute(
                "INSERT OR REPLACE INTO clips(digest, facts, trouble, utc) VALUES(?,?,?,?)",
                (digest, json.dumps(facts) if facts is not None else None, trouble, utc),
            )

    # codes -------------------------------------------------------------------
    def codes(self) -> dict[str, tuple[SeenCode, ...]]:
        """Content that shows a code of ours: digest -> the codes."""
        rows = self.store.query("SELECT digest, found FROM codes WHERE found<>'[]' ORDER BY digest")
        return {d: tuple(SeenCode.from_json(c) for c in json.loads(f)) for d, f in rows}

    def searched(self) -> set[str]:
        """Content that was searched for codes."""
        return {row[0] for row in self.store.query("SELECT digest FROM codes")}

    def add_codes(self, found: Mapping[str, tuple[Sequence[SeenCode], str]], utc: str) -> None:
        """Digest -> (codes, why it could not be searched or "")."""
        with self.store.transaction() as t:
            t.executemany(
                "INSERT OR REPLACE INTO codes(digest, found, trouble, utc) VALUES(?,?,?,?)",
                [(d, json.dumps([c.to_json() for c in codes]), why, utc) for d, (codes, why) in found.items()],
            )

    # sights ------------------------------------------------------------------
    def sights(self) -> dict[str, tuple[SeenThing, ...]]:
        """Content in which a chart or ball is seen: digest -> what."""
        rows = self.store.query("SELECT digest, found FROM sights WHERE found<>'[]' ORDER BY digest")
        return {d: tuple(SeenThing.from_json(s) for s in json.loads(f)) for d, f in rows}

    def looked_at(self) -> set[str]:
        """Content that was looked at for charts and balls."""
        return {row[0] for row in self.store.query("SELECT digest FROM sights")}

    def add_sights(self, found: Mapping[str, tuple[Sequence[SeenThing], str]], utc: str) -> None:
        """Digest -> (what is seen, why it could not be looked at or "")."""
        with self.store.transaction() as t:
            t.executemany(
                "INSERT OR REPLACE INTO sights(digest, found, trouble, utc) VALUES(?,?,?,?)",
                [(d, json.dumps([s.to_json() for s in seen]), why, utc) for d, (seen, why) in found.items()],
            )

    def measured(self) -> dict[str, dict[str, Any]]:
        """What was measured of confirmed charts: digest -> the worker's answer."""
        rows = self.store.query("SELECT digest, measured FROM sights WHERE measured IS NOT NULL ORDER BY digest")
        return {d: json.loads(m) for d, m in rows}

    def set_measured(self, digest: str, answer: Mapping[str, Any], utc: str) -> None:
        with self.store.transaction() as t:
            t.execute("UPDATE sights SET measured=?, utc=? WHERE digest=?", (json.dumps(answer), utc, digest))

    # grouping ----------------------------------------------------------------
    def views(self) -> tuple[View, ...]:
        """The views of the last grouping, by id."""
        return tuple(View.from_json(json.loads(b)) for (b,) in self.store.query("SELECT body FROM views ORDER BY id"))

    def loose(self) -> dict[str, tuple[str, str]]:
        """Frames in no set: digest of the first file -> (what it is, why)."""
        return {d: (what, why) for d, what, why in self.store.query("SELECT digest, what, why FROM loose")}

    def lineage(self) -> dict[str, tuple[str, ...]]:
        return {i: tuple(json.loads(f)) for i, f in self.store.query("SELECT id, frames FROM lineage")}

    def set_grouping(
        self,
        views: Iterable[View],
        loose: Mapping[str, tuple[str, str]],
        lineage: Mapping[str, Sequence[str]],
        utc: str,
    ) -> None:
        """Replace the grouping whole; ids keep what they stood for."""
        with self.store.transaction() as t:
            t.execute("DELETE FROM views")
            t.execute("DELETE FROM loose")
            t.executemany("INSERT INTO views VALUES(?,?)", [(v.id, json.dumps(v.to_json())) for v in views])
            t.executemany("INSERT INTO loose VALUES(?,?,?)", [(d, *words) for d, words in loose.items()])
            t.executemany(
                "INSERT INTO lineage VALUES(?,?,?) ON CONFLICT(id) DO UPDATE SET frames=excluded.frames",
                [(i, json.dumps(list(frames)), utc) for i, frames in lineage.items()],
            )

    # probes ------------------------------------------------------------------
    def probes(self, *, superseded: bool = False) -> tuple[ProbeFact, ...]:
        where = "" if superseded else " WHERE superseded_utc IS NULL"
        rows = self.store.query(
            "SELECT id, version, signature, frames, record, trouble, superseded_utc, merged_utc FROM probes"
            + where + " ORDER BY id, version"
        )
        return tuple(
            ProbeFact(
                id=i, version=v, signature=s, frames=tuple(json.loads(f)), record=json.loads(r) if r else None,
                trouble=t, superseded_utc=u, merged_utc=m,
            )
            for i, v, s, f, r, t, u, m in rows
        )

    def add_probe(self, fact: ProbeFact, utc: str, *, beside_a_picture: bool = False) -> None:
        """A new version; the versions before it become superseded in the same transaction.

        With ``beside_a_picture`` a picture that is the present version stays that, and this one, a refusal, is
        superseded from the start.
        """
        with self.store.transaction() as t:
            stands = beside_a_picture and t.execute(
                "SELECT 1 FROM probes WHERE id=? AND version<>? AND superseded_utc IS NULL AND record IS NOT NULL",
                (fact.id, fact.version),
            ).fetchone() is not None
            if not stands:
                t.execute(
                    "UPDATE probes SET superseded_utc=? WHERE id=? AND version<>? AND superseded_utc IS NULL",
                    (utc, fact.id, fact.version),
                )
            t.execute(
                "INSERT OR REPLACE INTO probes(id, version, signature, frames, record, trouble, merged_utc,"
                " superseded_utc) VALUES(?,?,?,?,?,?,?,?)",
                (
                    fact.id, fact.version, fact.signature, json.dumps(fact.frames),
                    json.dumps(fact.record) if fact.record is not None else None, fact.trouble, fact.merged_utc,
                    utc if stands else None,
                ),
            )

    def retire_probes(self, ids: Iterable[str], utc: str) -> None:
        """Probes whose set no longer exists: kept, marked superseded."""
        with self.store.transaction() as t:
            t.executemany(
                "UPDATE probes SET superseded_utc=? WHERE id=? AND superseded_utc IS NULL", [(utc, i) for i in ids]
            )

    # outputs -----------------------------------------------------------------
    def outputs(self, *, owner: str | None = None, kind: str | None = None) -> tuple[Output, ...]:
        where: list[str] = []
        args: list[str] = []
        for column, value in (("owner", owner), ("kind", kind)):
            if value is not None:
                where.append(f"{column}=?")
                args.append(value)
        rows = self.store.query(
            "SELECT destination_id, path, kind, owner, size_bytes, digest, proof, written_utc, reread_utc,"
            " reread_digest FROM outputs" + (" WHERE " + " AND ".join(where) if where else "")
            + " ORDER BY destination_id, path", args,
        )
        return tuple(
            Output(
                destination_id=a, path=b, kind=c, owner=d, size_bytes=e, digest=f, proof=g, written_utc=h,
                reread_utc=i, reread_digest=j,
            )
            for a, b, c, d, e, f, g, h, i, j in rows
        )

    def set_output(self, output: Output, *, instead_of: str | None = None) -> None:
        with self.store.transaction() as t:
            if instead_of is not None:
                t.execute(
                    "DELETE FROM outputs WHERE destination_id=? AND path=?", (output.destination_id, instead_of)
                )
            t.execute(
                "INSERT OR REPLACE INTO outputs VALUES(?,?,?,?,?,?,?,?,?,?)",
                (
                    output.destination_id, output.path, output.kind, output.owner, output.size_bytes, output.digest,
                    output.proof, output.written_utc, output.reread_utc, output.reread_digest,
                ),
            )

    # decisions ---------------------------------------------------------------
    def decide(self, kind: str, item: str, body: Mapping[str, Any], utc: str) -> None:
        """Keep what a person decided.  UsageError for words that are no text: papers could not hold them."""
        for words in (item, *body.values()):
            if isinstance(words, str):
                check_text(words)
        with self.store.transaction() as t:
            t.execute(
                "INSERT INTO decisions(kind, item, body, utc) VALUES(?,?,?,?)", (kind, item, json.dumps(body), utc)
            )

    def decisions(self, kind: str) -> dict[str, dict[str, Any]]:
        """The newest decision of a kind for each item."""
        rows = self.store.query("SELECT item, body, utc FROM decisions WHERE kind=? ORDER BY n", (kind,))
        return {item: {**json.loads(body), "utc": utc} for item, body, utc in rows}

    def decisions_since(self, number: int) -> list[tuple[int, str, str, dict[str, Any], str]]:
        """(n, kind, item, body, utc) of every decision after ``number``, as they were taken."""
        rows = self.store.query("SELECT n, kind, item, body, utc FROM decisions WHERE n>? ORDER BY n", (number,))
        return [(n, kind, item, json.loads(body), utc) for n, kind, item, body, utc in rows]

    def panorama(self, position: str) -> tuple[str, dict[str, Any]] | None:
        """Owner (``position/number``) and record of a position's newest panorama that has a picture; else None."""
        known = json.loads(self.recall(f"panoramas|{position}") or "[]")
        number = next((n for n in range(len(known), 0, -1) if not known[n - 1].get("trouble")), None)
        return None if number is None else (f"{position}/{number}", dict(known[number - 1].get("record") or {}))

    # findings ----------------------------------------------------------------
    def set_findings(self, source: str, findings: Sequence[Finding], utc: str) -> tuple[Finding, ...]:
        """What ``source`` finds now: new ones open, known ones stay, missing ones close.  Answers the new."""
        # Names from a card may stand in any of these words.
        plain = (
            dataclasses.replace(f, item=shown(f.item), what=shown(f.what), next=shown(f.next)) for f in findings
        )
        now = by_key(plain)
        with self.store.transaction() as t:
            known = {
                key for (key,) in t.execute(
                    "SELECT key FROM findings WHERE source=? AND closed_utc IS NULL", (source,)
                )
            }
            for key, finding in now.items():
                body = json.dumps(finding.to_json())
                t.execute(
                    "INSERT INTO findings(key, source, body, first_utc, last_utc) VALUES(?,?,?,?,?)"
                    " ON CONFLICT(source, key) DO UPDATE SET body=excluded.body, last_utc=excluded.last_utc,"
                    " closed_utc=NULL", (key, source, body, utc, utc),
                )
            t.executemany(
                "UPDATE findings SET closed_utc=? WHERE source=? AND key=?",
                [(utc, source, key) for key in known - now.keys()],
            )
        return tuple(f for key, f in now.items() if key not in known)

    def findings(self, source: str | None = None) -> tuple[Finding, ...]:
        if source is None:
            rows = self.store.query("SELECT body FROM findings WHERE closed_utc IS NULL ORDER BY source, key")
        else:
            rows = self.store.query(
                "SELECT body FROM findings WHERE closed_utc IS NULL AND source=? ORDER BY key", (source,)
            )
        return tuple(Finding.from_json(json.loads(body)) for (body,) in rows)

    # filings -----------------------------------------------------------------
    def filings(self) -> dict[str, dict[str, Any]]:
        """Where each item is filed now: item -> {folder, shot, setup, day, why, version, utc}."""
        rows = self.store.query("SELECT item, version, folder, shot, setup, day, why, utc FROM filings ORDER BY n")
        return {
            item: {"version": v, "folder": f, "shot": s, "setup": p, "day": d, "why": w, "utc": u}
            for item, v, f, s, p, d, w, u in rows
        }

    def file(
        self, item: str, *, version: int, folder: str, shot: str, setup: str, day: str, why: str, utc: str
    ) -> None:
        with self.store.transaction() as t:
            t.execute(
                "INSERT INTO filings(item, version, folder, shot, setup, day, why, utc) VALUES(?,?,?,?,?,?,?,?)",
                (item, version, folder, shot, setup, day, why, utc),
            )

    def filings_since(self, number: int) -> list[tuple[Any, ...]]:
        """(n, item, version, folder, shot, setup, day, why, utc, whether it was filed before) after ``number``."""
        return self.store.query(
            "SELECT n, item, version, folder, shot, setup, day, why, utc,"
            " EXISTS(SELECT 1 FROM filings e WHERE e.item=f.item AND e.n<f.n) FROM filings f WHERE n>? ORDER BY n",
            (number,),
        )

    # requests ----------------------------------------------------------------
    def ask(self, kind: str, body: Mapping[str, Any], utc: str) -> int:
        with self.store.transaction() as t:
            cursor = t.execute(
                "INSERT INTO requests(kind, body, asked_utc) VALUES(?,?,?)", (kind, json.dumps(body), utc)
            )
            return int(cursor.lastrowid or 0)

    def open_requests(self) -> tuple[tuple[int, str, dict[str, Any]], ...]:
        rows = self.store.query("SELECT n, kind, body FROM requests WHERE done_utc IS NULL ORDER BY n")
        return tuple((n, k, json.loads(b)) for n, k, b in rows)

    def report_progress(self, number: int, progress: str) -> None:
        with self.store.transaction() as t:
            t.execute("UPDATE requests SET progress=? WHERE n=?", (progress, number))

    def finish_request(self, number: int, result: Mapping[str, Any], utc: str) -> None:
        with self.store.transaction() as t:
            t.execute("UPDATE requests SET result=?, done_utc=? WHERE n=?", (json.dumps(result), utc, number))

    def request(self, number: int) -> tuple[str, dict[str, Any] | None]:
        """Progress words and the result (None while it is not done)."""
        rows = self.store.query("SELECT progress, result FROM requests WHERE n=?", (number,))
        if not rows:
            return "", None
        return rows[0][0], json.loads(rows[0][1]) if rows[0][1] else None

    # small settings of the show that are set once ------------------------------
    def remember(self, key: str, value: str) -> str:
        """Store ``value`` unless the key has one already; answers what counts."""
        with self.store.transaction() as t:
            t.execute("INSERT OR IGNORE INTO settings(key, value) VALUES(?,?)", (key, value))
            return str(t.execute("SELECT value FROM settings WHERE key=?", (key,)).fetchone()[0])

    def put(self, key: str, value: str) -> None:
        with self.store.transaction() as t:
            t.execute("INSERT OR REPLACE INTO settings(key, value) VALUES(?,?)", (key, value))

    def recall(self, key: str) -> str | None:
        rows = self.store.query("SELECT value FROM settings WHERE key=?", (key,))
        return str(rows[0][0]) if rows else None
