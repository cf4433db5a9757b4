"""Which volume a path lies on, from what the system tells."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.machinery.disk import volumes
from ingest.machinery.disk.destinations import create_destination, find_destination
from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.volumes import MountWatch, mount_points, parse_mountinfo, volume_of
from tests.faults.mounts import bound, make_image, mounted, needs_root

# The example line of proc(5), /proc/pid/mountinfo.
MANUAL = "36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"


def test_the_manuals_line() -> None:
    (mount,) = parse_mountinfo(MANUAL)
    assert (mount.number, mount.device_number, mount.path, mount.filesystem, mount.source, mount.read_only) == (
        "36", "98:0", "/mnt2", "ext3", "/dev/root", False)


def test_names_read_only_and_missing_fields() -> None:
    r"""Space, tab, newline and backslash are octal escapes; any number of optional fields stands before the dash."""
    text = (
        "1 0 8:1 / /media/NO\\040NAME\\134x\\012 ro,nosuid - vfat /dev/sd\\011a rw\n"
        "2 0 8:2 / /b rw shared:1 master:2 propagate_from:3 unbindable - exfat /dev/b ro,uid=1\n"
    )
    one, two = parse_mountinfo(text)
    assert one.path == "/media/NO NAME\\x\n" and one.source == "/dev/sd\ta" and one.read_only
    assert two.filesystem == "exfat" and two.read_only  # the volume is, if the mount is not


@given(st.text(max_size=300))
def test_any_text_is_read_without_a_fault(text: str) -> None:
    for mount in parse_mountinfo(text):
        assert mount.number is not None


@pytest.mark.needs_linux
def test_the_real_system() -> None:
    if "/" not in mount_points():
        pytest.skip("a root that is no mount point: a change of root, no real system")
    here = volume_of(os.path.dirname(__file__))
    assert here.path in mount_points() and here.filesystem and here.mount.isdigit()


@needs_root
@pytest.mark.needs_root
def test_real_volumes_are_told_apart(tmp_path: Path) -> None:
    one, two = (make_image(tmp_path / f"{n}.img", 16) for n in "12")
    with mounted(one, tmp_path / "one") as first, mounted(two, tmp_path / "two", "ro") as second:
        a, b = volume_of(str(first)), volume_of(str(second))
        assert a.filesystem == b.filesystem == "ext4" and a.id and b.id and a.id != b.id
        assert (a.read_only, b.read_only) == (False, True) and a.mount != b.mount
        (first / "inner").mkdir()
        assert volume_of(str(first / "inner")).path == str(first)
        with bound(first / "inner", tmp_path / "view") as view:
            assert volume_of(str(view)).id == a.id and volume_of(str(view)).path == str(view)
    with mounted(one, tmp_path / "elsewhere") as again:
        assert volume_of(str(again)).id == a.id  # known again, wherever it is mounted


@needs_root
@pytest.mark.needs_root
def test_udevs_links_change_nothing_of_what_a_volume_says_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They come after the mount, or go for a moment while udev works: a destination is the same volume all the same."""
    with mounted(make_image(tmp_path / "1.img", 16), tmp_path / "one") as point:
        id = create_destination(Disk(), str(point), show="TIDE", utc="2031-05-17T08:00:00.000Z").id
        marks = []
        for link in ("", "6f1d0c6e-8f6c-4f6f-9e52-0d4d9a1b7c31"):
            monkeypatch.setattr(volumes, "_by", lambda kind, _, link=link: link if kind == "by-uuid" else "")
            opened = find_destination(Disk(), str(point), id)
            marks.append(opened.mark)
            assert volume_of(str(point)).id.startswith("uuid:" if link else "fsid:")
            opened.close()
        assert marks[0] and marks[0] == marks[1]


@needs_root
@pytest.mark.needs_root
def test_a_mount_wakes_the_watch(tmp_path: Path) -> None:
    watch = MountWatch()
    try:
        image = make_image(tmp_path / "1.img", 16)
        with mounted(image, tmp_path / "one"):
            assert watch.wait(5.0)
    finally:
        watch.close()
