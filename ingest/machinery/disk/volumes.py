"""Which volume a path lies on: mount, file system, identity, physical disk, room, encryption.

Linux reads ``/proc/self/mountinfo`` and ``/sys``; elsewhere psutil answers what it can.  What the system
does not tell is "" or None, never a guess.
"""

from __future__ import annotations

import contextlib
import functools
import os
import re
import select
import struct
import sys
from dataclasses import dataclass
from pathlib import Path

MOUNTS = "/proc/self/mountinfo"
# Their f_fsid is made from the UUID, and a file keeps its number as long as it lives.  XFS and F2FS make f_fsid from
# the number of the device, which another volume may get.
UNIX_LIKE = ("ext2", "ext3", "ext4", "btrfs")
_FAT_VOLUME_ID = 0x80047213  # FAT_IOCTL_GET_VOLUME_ID, <linux/msdos_fs.h>


@dataclass(frozen=True, kw_only=True, slots=True)
class Volume:
    """One mounted volume.  ``id`` tells it from every other ("" if the system names none), and so does ``own``, which
    is what the file system says itself where it does: the system's names come and go with udev's links.  ``disks`` are
    the physical disks under it; ``read_only`` is how the system mounted it; ``mount`` is the system's number of the
    mount, which it may give again after the mount is gone."""

    path: str
    device: str = ""
    filesystem: str = ""
    id: str = ""
    own: str = ""
    label: str = ""
    read_only: bool | None = None
    encrypted: bool | None = None
    disks: frozenset[str] = frozenset()
    mount: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Mount:
    number: str
    device_number: str
    path: str
    read_only: bool
    filesystem: str
    source: str


def _plain(text: str) -> str:
    r"""mountinfo writes space, tab, newline and backslash as octal escapes."""
    if "\\" not in text:
        return text
    return os.fsdecode(re.sub(rb"\\([0-7]{3})", lambda m: bytes([int(m[1], 8)]), os.fsencode(text)))


@functools.lru_cache(maxsize=2)  # asked several times a look, and it rarely changes
def parse_mountinfo(text: str) -> tuple[_Mount, ...]:
    """proc(5), /proc/pid/mountinfo: fields, ``-``, file system, source, options."""
    mounts = []
    for line in text.splitlines():
        fields = line.split(" ")
        with contextlib.suppress(ValueError, IndexError):  # a line of a future kernel is no reason to stop
            dash = fields.index("-", 6)
            options = set(fields[5].split(",")) | set(fields[dash + 3].split(","))
            mounts.append(_Mount(
                number=fields[0], device_number=fields[2], path=_plain(fields[4]), read_only="ro" in options,
                filesystem=fields[dash + 1], source=_plain(fields[dash + 2]),
            ))
    return tuple(mounts)


def _mounts() -> tuple[_Mount, ...]:
    return parse_mountinfo(Path(MOUNTS).read_text(encoding="utf-8", errors="surrogateescape"))


def mount_points() -> frozenset[str]:
    """Paths on which something is mounted."""
    if sys.platform.startswith("linux"):
        return frozenset(m.path for m in _mounts())
    import psutil

    return frozenset(p.mountpoint for p in psutil.disk_partitions(all=True))


def volume_of(path: str) -> Volume:
    """The volume that holds an existing path."""
    real = os.path.realpath(path)
    if not sys.platform.startswith("linux"):
        return _elsewhere(real)
    holding = [m for m in _mounts() if real == m.path or real.startswith(m.path.rstrip("/") + "/")]
    if not holding:
        return Volume(path=real)
    deepest = max(len(m.path) for m in holding)
    mount = [m for m in holding if len(m.path) == deepest][-1]  # the last one mounted there hides the others
    disks, encrypted = _disks(_device_number(mount))
    uuid, own = _by("by-uuid", mount.source), _own_identity(real, mount)
    id = f"uuid:{uuid}" if uuid else own
    return Volume(
        path=mount.path, device=mount.source, filesystem=_filesystem(mount.filesystem), id=id, own=own or id,
        label=_by("by-label", mount.source), read_only=mount.read_only, encrypted=encrypted, disks=disks,
        mount=mount.number,
    )


def _filesystem(name: str) -> str:
    return name if name == "fuseblk" or not name.startswith("fuse") else "fuse"


def _device_number(mount: _Mount) -> str:
    if mount.source.startswith("/dev/"):
        with contextlib.suppress(OSError):  # the node may be missing in a container: mountinfo's number does
            seen = os.stat(mount.source)
            return f"{os.major(seen.st_rdev)}:{os.minor(seen.st_rdev)}"
    return mount.device_number


def _by(kind: str, source: str) -> str:
    """The volume's UUID or label from udev's links; "" where there are none."""
    folder = Path("/dev/disk") / kind
    if not source.startswith("/dev/") or not folder.is_dir():
        return ""
    with contextlib.suppress(OSError):
        node = os.stat(source).st_rdev
        for link in folder.iterdir():
            if os.stat(link).st_rdev == node:
                return re.sub(r"\\x([0-9a-f]{2})", lambda m: chr(int(m[1], 16)), link.name)
    return ""


def _own_identity(path: str, mount: _Mount) -> str:
    if mount.filesystem in ("vfat", "msdos"):
        with contextlib.suppress(OSError):
            return f"fat:{_fat_serial(mount.path):08x}"
    if mount.filesystem in UNIX_LIKE:
        with contextlib.suppress(OSError):
            return f"fsid:{os.statvfs(path).f_fsid & (2**64 - 1):016x}"
    return ""


def _fat_serial(path: str) -> int:
    import fcntl

    fd = os.open(path, os.O_RDONLY)
    try:
        return int(struct.unpack("I", fcntl.ioctl(fd, _FAT_VOLUME_ID, b"\0" * 4))[0])
    finally:
        os.close(fd)


def _disks(number: str, depth: int = 0) -> tuple[frozenset[str], bool | None]:
    """Physical disks under a block device and whether an encrypting layer lies between."""
    node = Path("/sys/dev/block") / number
    if number.startswith("0:") or depth > 8 or not node.exists():
        return frozenset(), None
    real = node.resolve()
    crypt = False
    with contextlib.suppress(OSError):
        crypt = (real / "dm" / "uuid").read_text().startswith("CRYPT-")
    below = [(s / "dev").read_text().strip() for s in (real / "slaves").iterdir()] if (real / "slaves").is_dir() else []
    with contextlib.suppress(OSError):  # a file used as a disk lies on another disk
        behind = (real / "loop" / "backing_file").read_text().rstrip("\n")
        seen = os.stat(behind).st_dev
        below.append(f"{os.major(seen)}:{os.minor(seen)}")
    if not below:
        disk = real.parent if (real / "partition").exists() else real
        return frozenset({disk.name}), crypt
    disks: frozenset[str] = frozenset()
    for one in below:
        more, inner = _disks(one, depth + 1)
        disks |= more
        crypt = crypt or bool(inner)
    return disks, crypt


def _elsewhere(real: str) -> Volume:
    import psutil

    here = os.path.normcase(real)
    holding = [p for p in psutil.disk_partitions(all=True) if here.startswith(os.path.normcase(p.mountpoint))]
    if not holding:
        return Volume(path=real)
    best = max(holding, key=lambda p: len(p.mountpoint))
    seen = os.stat(real)
    # Windows answers the volume's serial number there; macOS numbers devices anew as they come.
    id = f"dev:{seen.st_dev:x}" if sys.platform == "win32" else ""
    disk = re.sub(r"s\d+$", "", best.device) if sys.platform == "darwin" else best.device
    return Volume(
        path=best.mountpoint, device=best.device, filesystem=best.fstype.lower(), id=id, own=id,
        read_only="ro" in best.opts.split(","), disks=frozenset({disk}) if disk else frozenset(),
        mount=f"{seen.st_dev:x}",
    )


def boot_id() -> str:
    """Changes with each start of the machine; "" where the system does not say."""
    with contextlib.suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    return ""


def clock_is_set() -> bool | None:
    """Whether the system says its clock is kept by a time service; None if it does not say (Linux only)."""
    if Path("/run/systemd/timesync").is_dir() and Path("/run/systemd/timesync/synchronized").exists():
        return True
    return _kernel_clock_is_set()


_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised; any service that keeps it clears this


def _kernel_clock_is_set() -> bool | None:
    """What the kernel was told by whichever service keeps the clock (adjtimex(2), reading only)."""
    if not sys.platform.startswith("linux"):
        return None
    import ctypes

    try:
        state = int(ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(512)))  # modes = 0: nothing is set
    except (AttributeError, OSError):
        return None
    return None if state < 0 else state != _TIME_ERROR


class MountWatch:
    """Waits for something to be mounted or unmounted (the kernel's file events do not report it)."""

    def __init__(self) -> None:
        self._file = open(MOUNTS, "rb") if sys.platform.startswith("linux") else None  # noqa: SIM115
        self._before = mount_points()

    def wait(self, timeout_s: float) -> bool:
        """True as soon as the mounts changed, False after the time."""
        if self._file is not None:
            poll = select.poll()
            poll.register(self._file, select.POLLPRI | select.POLLERR)
            changed = bool(poll.poll(timeout_s * 1000))
            if changed:
                self._file.seek(0)
                self._file.read()
            return changed
        import time

        time.sleep(timeout_s)
        now = mount_points()
        changed, self._before = now != self._before, now
        return changed

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
