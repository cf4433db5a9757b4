"""Files of our own: whole or not there, planned before they are made, never over anything."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest

from ingest.errors import DestinationUnavailable, NameTaken, ReadBackDiffers
from ingest.machinery.disk.destinations import OpenDestination, create_destination, find_destination
from ingest.machinery.disk.durable import abandon, make_durable_file, open_temp
from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.hashing import digest_of
from ingest.machinery.disk.temporary import remove_temps, temp_name
from tests.cart import tree


def opened(base: Path, disk: Disk | None = None) -> OpenDestination:
    identity = create_destination(Disk(), str(base), show="TIDE", utc="2031-05-17T20:00:00Z")
    return find_destination(disk or Disk(), str(base), identity.id)


class Noting(Disk):
    """Notes the order of what is done to names and data; fails at one of them."""

    def __init__(self, fail: str = "") -> None:
        self.done: list[str] = []
        self.fail = fail

    def _note(self, what: str) -> None:
        self.done.append(what)
        if what == self.fail:
            raise OSError(5, f"injected at {what}")

    def create(self, folder, name):  # type: ignore[no-untyped-def]
        self._note("create")
        return super().create(folder, name)

    def sync(self, fd):  # type: ignore[no-untyped-def]
        self._note("sync")
        super().sync(fd)

    def rename_new(self, folder, name, final):  # type: ignore[no-untyped-def]
        self._note("rename")
        super().rename_new(folder, name, final)

    def replace(self, folder, name, final):  # type: ignore[no-untyped-def]
        self._note("replace")
        super().replace(folder, name, final)

    def unlink(self, folder, name):  # type: ignore[no-untyped-def]
        self._note("unlink")
        super().unlink(folder, name)

    def sync_folder(self, folder):  # type: ignore[no-untyped-def]
        self._note("sync folder")
        if folder.fd is not None:
            Disk.sync(self, folder.fd)
        return True


def test_the_order_of_a_file(tmp_path: Path) -> None:
    disk = Noting()
    with contextlib.closing(opened(tmp_path / "a", disk)) as to:
        (tmp_path / "a" / "x").mkdir()
        disk.done.clear()
        written = make_durable_file(
            disk, to, "x/paper.json", b"{}", planned=lambda *_: disk.done.append("planned"),
            ended=lambda *_: disk.done.append("ended"),
        )
    assert disk.done == ["planned", "create", "sync", "rename", "sync", "sync folder", "ended"]
    assert (tmp_path / "a/x/paper.json").read_bytes() == b"{}"
    assert (written.size_bytes, written.digest) == (2, digest_of(b"{}"))


@pytest.mark.parametrize("fail", ["create", "sync", "rename", "sync folder"])
def test_after_a_failure_the_plan_stands_until_the_removal_is_flushed(tmp_path: Path, fail: str) -> None:
    disk = Noting(fail)
    planned: set[str] = set()
    with contextlib.closing(opened(tmp_path / "a", disk)) as to:
        (tmp_path / "a" / "x").mkdir()
        disk.done.clear()
        with pytest.raises(OSError, match="injected"):
            make_durable_file(disk, to, "x/p", b"1", planned=lambda _, t: planned.add(t),
                              ended=lambda _, t: planned.discard(t))
    left = {p.rpartition("/")[2] for p in tree(tmp_path / "a") if p.endswith(".tmp")}
    assert left <= planned
    assert bool(planned) is (fail in ("create", "sync folder"))
    if fail == "sync":
        assert disk.done[-2:] == ["unlink", "sync folder"]


def test_nothing_foreign_is_replaced_and_equal_content_is_kept(tmp_path: Path) -> None:
    disk = Disk()
    with contextlib.closing(opened(tmp_path / "a")) as to:
        make_durable_file(disk, to, "p.exr", b"one")
        make_durable_file(disk, to, "p.exr", b"one")
        with pytest.raises(NameTaken):
            make_durable_file(disk, to, "p.exr", b"two")
        assert (tmp_path / "a/p.exr").read_bytes() == b"one"
        make_durable_file(disk, to, "p.exr", b"two", replace=True)  # papers only
        assert (tmp_path / "a/p.exr").read_bytes() == b"two"
        assert not [p for p in tree(tmp_path / "a") if p.endswith(".tmp")]


def test_what_does_not_read_back_gets_no_name(tmp_path: Path) -> None:
    class Spoils(Disk):
        def write(self, fd, view):  # type: ignore[no-untyped-def]
            return super().write(fd, memoryview(bytes([view[0] ^ 1]) + bytes(view[1:])))

    with contextlib.closing(opened(tmp_path / "a")) as to, pytest.raises(ReadBackDiffers):
        make_durable_file(Spoils(), to, "p.json", b"text")
    assert set(tree(tmp_path / "a")) == {".nightloader-destination.json"}


def test_a_given_up_file_is_gone(tmp_path: Path) -> None:
    disk, ended = Disk(), []
    with contextlib.closing(opened(tmp_path / "a")) as to:
        temp = open_temp(disk, to, "deep/er/p.exr")
        assert temp.name.startswith(".nl-") and len(temp.name) < 30
        abandon(disk, to, temp, ended=lambda folder, name: ended.append((folder, name)))
        abandon(disk, to, temp)
    assert ended == [("deep/er", temp.name)] and set(tree(tmp_path / "a")) == {".nightloader-destination.json"}


def test_removing_what_is_not_there(tmp_path: Path) -> None:
    with contextlib.closing(opened(tmp_path / "a")) as to:
        remove_temps(Disk(), to.folders, "never/made", [temp_name()])
        (tmp_path / "a" / "f").write_bytes(b"")
        remove_temps(Disk(), to.folders, "f", [temp_name()])
        with pytest.raises(OSError):
            remove_temps(Noting("sync folder"), to.folders, "", [])


def test_a_destination_is_known_by_its_file_alone(tmp_path: Path) -> None:
    to = opened(tmp_path / "a")
    to.close()
    again = create_destination(Disk(), str(tmp_path / "a"), show="OTHER", utc="2032-01-01T00:00:00Z")
    assert again == to.identity  # one that is there is kept, whoever asks
    with pytest.raises(DestinationUnavailable, match="another disk"):
        find_destination(Disk(), str(tmp_path / "a"), "0" * 32)
    (tmp_path / "a" / ".nightloader-destination.json").write_text("{", encoding="utf-8")
    with pytest.raises(DestinationUnavailable, match="cannot be read"):
        find_destination(Disk(), str(tmp_path / "a"), to.id)
    (tmp_path / "a" / ".nightloader-destination.json").unlink()
    with pytest.raises(DestinationUnavailable, match="absent"):
        find_destination(Disk(), str(tmp_path / "a"), to.id)
