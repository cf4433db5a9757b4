"""The hand-over's bag against the library of congress's reader, and its tables."""

from __future__ import annotations

import csv
import hashlib
import io
from pathlib import Path

import bagit
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import NightloaderError
from ingest.records.handover import ClipLine
from ingest.steps.handover.bag import Payload, tag_files
from ingest.steps.handover.tables import as_csv, clips_csv, measurements_csv, measurements_json
from ingest.steps.setups.measurements import read_measurements


def lay(folder: Path, files: dict[str, bytes], info: dict[str, str], algorithm: str = "sha256") -> None:
    payload = []
    for path, data in files.items():
        target = folder / "data" / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
        payload.append(Payload(path=path, size_bytes=len(data), digest=hashlib.new(algorithm, data).hexdigest()))
    for name, data in tag_files(payload, info, algorithm=algorithm).items():
        (folder / name).write_bytes(data)


@pytest.mark.parametrize("algorithm", ["sha256", "sha512"])
def test_a_bag_that_another_program_accepts(tmp_path: Path, algorithm: str) -> None:
    # bagit-python (Library of Congress), an independent reader of RFC 8493.
    files = {"27A/probe.exr": b"x" * 1000, "27A/50 grey\u00e9.csv": b"a,b\r\n", "empty.txt": b""}
    info = {
        "External-Identifier": "TL_0270",
        "Bagging-Date": "2026-04-02",
        "Internal-Sender-Description": "a\nPayload-Oxum: 1.1",
    }
    lay(tmp_path, files, info, algorithm)
    bag = bagit.Bag(str(tmp_path))
    bag.validate()
    assert bag.info["Payload-Oxum"] == "1005.3" and bag.info["External-Identifier"] == "TL_0270"
    assert bag.version_info == (1, 0)
    (tmp_path / "data/27A/probe.exr").write_bytes(b"y" + b"x" * 999)
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(tmp_path)).validate()


def test_a_damaged_list_is_noticed(tmp_path: Path) -> None:
    lay(tmp_path, {"a.txt": b"a"}, {})
    info = tmp_path / "bag-info.txt"
    info.write_text(info.read_text() + "Contact-Name: someone\n")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(tmp_path)).validate()


@pytest.mark.parametrize("path", ["../x", "/x", "a//b", "", "~root", "a/./b", "a\\b", "\udcff"])
def test_paths_a_bag_cannot_hold(path: str) -> None:
    with pytest.raises(NightloaderError):
        tag_files([Payload(path=path, size_bytes=0, digest="00")], {})


def test_twins_are_refused() -> None:
    two = [Payload(path=p, size_bytes=0, digest="00") for p in ("A.txt", "a.txt")]
    with pytest.raises(NightloaderError):
        tag_files(two, {})
    with pytest.raises(NightloaderError):
        tag_files(two[:1], {"bad label": "x"})


def test_measurements_go_out_in_metres_and_as_written() -> None:
    rows, _ = read_measurements(
        'day,setup,name,value,length,width,height\n2026-04-01,27A,pier,"5\'7""",,,\n2026-04-01,27A,crate,,1 m,2 m,3 m\n'
    )
    table = list(csv.DictReader(io.StringIO(measurements_csv(rows))))
    assert (table[0]["value_m"], table[0]["written"], table[1]["written"]) == ("1.7018", "5'7\"", "1 m x 2 m x 3 m")
    assert measurements_json(rows)[1]["height_m"] == 3.0 and measurements_json(rows)[1]["value_m"] is None


def test_names_from_a_card_are_no_formulas() -> None:
    table = clips_csv([ClipLine(name="=HYPERLINK(1)", files=("a.mov", "b.mov")), ClipLine(name="-5")])
    assert "'=HYPERLINK(1)" in table and "\r\n-5," in table


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.text(st.characters(exclude_categories=("Cc", "Cf", "Cs", "Zl", "Zp")), max_size=8)), max_size=5
    )
)
def test_a_table_reads_back(rows: list[tuple[str]]) -> None:
    back = list(csv.reader(io.StringIO(as_csv(["a"], rows), newline="")))[1:]
    plain = [r[0] if r else "" for r in back]
    assert [p.removeprefix("'") if p[1:2] in ("=", "+", "-", "@") else p for p in plain] == [r[0] for r in rows]
