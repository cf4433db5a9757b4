"""Real file systems to break: small ones in memory, images on loop devices, bind mounts.  Needs root."""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import functools
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@functools.cache
def may_mount() -> bool:
    """Whether images may be mounted here: root, and a system that lets it (few containers do)."""
    if os.name != "posix" or os.geteuid() != 0 or not (shutil.which("mount") and shutil.which("mkfs.ext4")):
        return False
    with tempfile.TemporaryDirectory() as folder:
        image, point = Path(folder) / "image", Path(folder) / "point"
        point.mkdir()
        with image.open("wb") as out:
            out.truncate(2 << 20)
        for words in (["mkfs.ext4", "-q", "-F", str(image)], ["mount", "-o", "loop", str(image), str(point)]):
            if subprocess.run(words, check=False, capture_output=True).returncode:
                return False
        subprocess.run(["umount", "-l", str(point)], check=False, capture_output=True)
    return True


needs_root = pytest.mark.skipif(not may_mount(), reason="needs root that may mount images")
needs_strace = pytest.mark.skipif(not shutil.which("strace"), reason="needs strace")

SHUTDOWN = 0x8004587D  # EXT4_IOC_SHUTDOWN = XFS_IOC_GOINGDOWN, <linux/fs.h>
NO_LOG_FLUSH = 2


def sh(*args: str | Path, **more: object) -> str:
    return subprocess.run([str(a) for a in args], check=True, capture_output=True, text=True, **more).stdout  # type: ignore[call-overload,no-any-return]


def unmount(point: Path) -> None:
    subprocess.run(["umount", "-l", str(point)], check=False, capture_output=True)


@contextlib.contextmanager
def tmpfs(point: Path, size: str) -> Iterator[Path]:
    point.mkdir(parents=True, exist_ok=True)
    sh("mount", "-t", "tmpfs", "-o", f"size={size}", "none", point)
    try:
        yield point
    finally:
        unmount(point)


def make_image(path: Path, size_mib: int, kind: str = "ext4", label: str = "", uuid: str = "") -> Path:
    with path.open("wb") as out:
        out.truncate(size_mib << 20)
    options = {"ext4": ["-q", "-F", *(["-L", label] if label else []), *(["-U", uuid] if uuid else [])],
               "xfs": ["-q", "-f"],
               "vfat": [*(["-n", label] if label else [])]}[kind]
    sh(f"mkfs.{kind}", *options, path)
    return path


@contextlib.contextmanager
def mounted(image: Path, point: Path, *options: str) -> Iterator[Path]:
    point.mkdir(parents=True, exist_ok=True)
    sh("mount", "-o", ",".join(["loop", *options]), image, point)
    try:
        yield point
    finally:
        unmount(point)


@contextlib.contextmanager
def bound(source: Path, point: Path) -> Iterator[Path]:
    point.mkdir(parents=True, exist_ok=True)
    sh("mount", "--bind", source, point)
    try:
        yield point
    finally:
        unmount(point)


def cut_power(point: Path) -> None:
    """Everything not flushed is lost, every later call fails: ext4 and xfs shut down without a log flush."""
    fd = os.open(point, os.O_RDONLY)
    try:
        fcntl.ioctl(fd, SHUTDOWN, ctypes.c_uint32(NO_LOG_FLUSH))
    finally:
        os.close(fd)


def scribble(image: Path, content: bytes) -> None:
    """Change one byte of a file on the medium itself, behind the file system and its memory."""
    with image.open("r+b") as disk:
        at = disk.read().find(content[:4096])
        assert at >= 0, "the content is not on the medium"
        disk.seek(at + 1000)
        disk.write(bytes([content[1000] ^ 1]))
        disk.flush()
        os.fsync(disk.fileno())


def loop_of(point: Path) -> str:
    for line in Path("/proc/self/mountinfo").read_text().splitlines():
        fields = line.split()
        if fields[4] == str(point):
            return fields[fields.index("-") + 2]
    raise AssertionError(f"{point} is not mounted")
