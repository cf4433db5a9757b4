"""Rows 25 and 14 on real FAT: a User Mode Linux with the kernel's own vfat driver, its power cut by SIGKILL.

A rename on vfat makes a directory entry without length or first cluster, which only a second flush of the file
writes (Linux fs/fat/namei_vfat.c, vfat_rename); the naive copy shows that the injection finds exactly that.
Needs Debian's packages user-mode-linux, dosfstools, mtools and kmod.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cart import fill, some_bytes

LINUX = shutil.which("linux.uml")
MODULES = next(iter(sorted(Path("/usr/lib/uml/modules").glob("*/kernel/fs"))), None)
FILES = {f"DCIM/N{i:02}.JPG": some_bytes(i, 20_000 + 731 * i) for i in range(30)}

pytestmark = [
    pytest.mark.needs_linux,
    pytest.mark.slow,
    pytest.mark.skipif(
        not (LINUX and MODULES and Path("/sbin/insmod").exists() and all(map(shutil.which, ("mcopy", "mkfs.vfat")))),
        reason="needs user-mode-linux, kmod, mtools and dosfstools",
    ),
]

JOB = """#!/bin/sh
mount -t proc proc /proc
for m in nls/nls_cp437 nls/nls_ascii nls/nls_iso8859-1 nls/nls_utf8 fat/fat fat/vfat; do
  /sbin/insmod {modules}/$m.ko
done
mount -t vfat -o iocharset=utf8 /dev/ubda {base}/a
mount -t vfat -o iocharset=utf8 /dev/ubdb {base}/b
{environment} {python} {script} {what} {base} {card}
echo LEFT $?
while true; do sleep 1000; done
"""


class Machine:
    """A cart of its own, with two FAT disks."""

    def __init__(self, root: Path) -> None:
        self.root, self.base = root, root / "base"
        self.card = fill(root / "card", FILES)
        self.images = [root / "a.img", root / "b.img"]
        for name, image in zip("ab", self.images, strict=True):
            (self.base / name).mkdir(parents=True)
            subprocess.run(["mkfs.vfat", "-C", str(image), "65536"], check=True, capture_output=True)

    @contextlib.contextmanager
    def running(self, what: str) -> Iterator[Path]:
        """Switched on with a job; leaving cuts the power.  Gives what the machine prints."""
        job, printed = self.root / "job.sh", self.root / f"{what}.txt"
        keep = sorted({"PATH", "OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE", "LANG"} & set(os.environ))
        job.write_text(JOB.format(
            modules=MODULES, base=self.base, card=self.card, what=what, python=sys.executable,
            script=Path(__file__).with_name("power.py"),
            environment=" ".join(["env", "PYTHONDONTWRITEBYTECODE=1", *(f"{k}='{os.environ[k]}'" for k in keep)]),
        ))
        job.chmod(0o755)
        with printed.open("wb") as out:
            machine = subprocess.Popen(
                [str(LINUX), "mem=512M", "rootfstype=hostfs", "rootflags=/", "rw", f"init={job}", "quiet",
                 f"ubd0={self.images[0]}", f"ubd1={self.images[1]}", "con=null", "con0=null,fd:1"],
                stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT, start_new_session=True,
            )
        try:
            yield printed
        finally:
            os.killpg(machine.pid, signal.SIGKILL)
            machine.wait()

    def stored(self, image: int, out: str) -> dict[str, bytes]:
        """What a reader without the kernel finds on a disk after the cut."""
        target = self.root / out
        target.mkdir()
        subprocess.run(["mcopy", "-s", "-n", "-i", str(self.images[image]), "::/", str(target)], check=False,
                       capture_output=True)
        return {p.name: p.read_bytes() for p in target.rglob("*.JPG")}


def wait_for(printed: Path, word: str, seconds: float = 90.0) -> str:
    until = time.monotonic() + seconds
    while word not in (text := printed.read_text(errors="replace")):
        assert time.monotonic() < until and "LEFT" not in text, text
        time.sleep(0.02)
    return text


WANTED = {path.rpartition("/")[2]: data for path, data in FILES.items()}


def test_25_a_copy_without_the_second_flush_is_lost(tmp_path: Path) -> None:
    """The control: were this to pass unharmed, the test below would prove nothing."""
    machine = Machine(tmp_path)
    with machine.running("naive") as printed:
        wait_for(printed, "ENDED 30")
    found = machine.stored(0, "found")
    assert sum(found.get(name) != data for name, data in WANTED.items()) >= 10


def test_25_everything_claimed_stands_after_the_cut(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    with machine.running("copy") as printed:
        wait_for(printed, "ENDED 60")
    for image, name in enumerate("ab"):
        assert machine.stored(image, f"found-{name}") == WANTED


def cut_and_finished(root: Path, seed: int) -> None:
    """FAT has no journal: a cut may leave a chain that the driver refuses, and sets the disk read-only.  Then a
    person has it repaired, as the finding says, and the copying goes on; no claim may be untrue before or after."""
    dice = random.Random(seed)
    machine = Machine(root)
    with machine.running("copy") as printed:
        wait_for(printed, "STARTED")
        time.sleep(dice.uniform(0.0, 0.6))
    with machine.running("finish") as printed:
        said = wait_for(printed, "ENDED")
    if "ENDED short" in said:
        assert "destination in trouble" in said, said
        for image in machine.images:
            for _ in range(5):  # what one pass mends another may find: until nothing is left
                if subprocess.run(["fsck.vfat", "-a", str(image)], check=False, capture_output=True).returncode == 0:
                    break
        with machine.running("finish") as printed:
            said = wait_for(printed, "ENDED")
    assert "ENDED 60" in said, said
    for image, name in enumerate("ab"):
        # A name that the cut left with other bytes is nobody's claim: it stays, and ours lies beside it.
        assert set(WANTED.values()) <= set(machine.stored(image, f"found-{name}").values())


@pytest.mark.parametrize("seed", [1, 2])
def test_25_cut_in_the_middle_every_claim_is_true_and_the_rest_follows(tmp_path: Path, seed: int) -> None:
    cut_and_finished(tmp_path, seed)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(3, 33))
def test_25_cut_in_the_middle_over_and_over(tmp_path: Path, seed: int) -> None:
    cut_and_finished(tmp_path, seed)


def test_14_a_file_of_six_gibibytes_is_refused_before_its_first_byte(tmp_path: Path) -> None:
    """FAT's size field has 32 bits (Microsoft, FAT32 File System Specification 1.03).  The kernel's own vfat is the
    destination; the other files of the card are copied."""
    machine = Machine(tmp_path)
    huge = machine.card / "HUGE" / "T001.MOV"
    huge.parent.mkdir()
    with huge.open("wb") as out:
        out.truncate(6 << 30)
    with machine.running("large") as printed:
        said = wait_for(printed, "ENDED").partition("ENDED")[2]
        time.sleep(0.2)
    assert said.startswith(" 60 ['DCIM'] False") and said.count("6,442,450,944 bytes can never lie") == 2, said
    for image, name in enumerate("ab"):
        assert machine.stored(image, f"found-{name}") == WANTED
