"""Faults of a card, injected for real: the numbers are the rows of ``test_table.py``."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import CardGone
from ingest.machinery.disk.files import Disk
from ingest.steps.cards.stage import Lookout
from ingest.steps.copying.plan import CopySettings, Twice
from tests.cart import Cart, fill, small_card, some_bytes, tree
from tests.faults.mounts import bound, cut_power, make_image, mounted, needs_root, needs_strace, scribble, sh, unmount

DRIVER = str(Path(__file__).parent / "driver.py")
ROOT = Path(__file__).parents[2]


def traced(
    base: Path, card: Path, *inject: str, on: Path | None = None, more: tuple[str, ...] = ()
) -> dict[str, list[object]]:
    """Run the driver under strace with injections; only calls on ``on`` are touched if it is given."""
    Cart(base).store.close()  # destinations and ledger are there before the injection begins
    only = ("-P", str(on)) if on else ()
    asked = ["strace", "-f", "-qq", "-o", "/dev/null", *(x for i in inject for x in ("-e", i)), *only,
             sys.executable, DRIVER, "--keep", str(base), str(card), *more]
    done = subprocess.run(asked, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    answer: dict[str, list[object]] = json.loads(done.stdout)
    return answer


class Pulls(Disk):
    """Does something once the n-th piece of a source was read."""

    def __init__(self, after: int, action) -> None:  # type: ignore[no-untyped-def]
        self.left, self.action = after, action

    def read_into(self, fd: int, view: memoryview) -> int:
        self.left -= 1
        if self.left == 0:
            self.action()
        return super().read_into(fd, view)


def test_01_card_folder_vanishes_in_the_middle_and_returns(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    card = fill(tmp_path / "card", small_card())
    present = cart.take(card)
    cart.run(present, disk=Pulls(12, lambda: card.rename(tmp_path / "pulled")))
    assert not cart.is_met(present.card.id)
    assert "card gone" in cart.kinds()
    assert not [p for p in tree(tmp_path / "a") if p.endswith(".tmp")]
    cart.check_claims()
    held = {c.path for c in cart.ledger.copies(present.card.id)}
    (tmp_path / "pulled").rename(card)
    again = cart.take(card)
    assert again.card.id == present.card.id
    cart.run(again)
    assert held and cart.is_met(present.card.id)
    assert tree(cart.folder("a", present)) == small_card()
    assert "card gone" not in cart.kinds()


@needs_root
@pytest.mark.needs_root
def test_01_card_device_goes_away(tmp_path: Path) -> None:
    """The file system shuts down under the card: stat and listing still answer, reads fail."""
    image = make_image(tmp_path / "card.img", 48)
    cart = Cart(tmp_path)
    with mounted(image, tmp_path / "card") as card:
        fill(card, {f"DCIM/{i:02}.JPG": some_bytes(i, 900_000) for i in range(20)})
    with mounted(image, tmp_path / "card") as card:
        present = cart.take(card)
        cart.run(present, disk=Pulls(20, lambda: cut_power(card)))
        assert not cart.is_met(present.card.id)
        assert {"card gone", "not read"} & cart.kinds()
        cart.check_claims()
    with mounted(image, tmp_path / "card") as card:
        again = cart.take(card)
        assert again.card.id == present.card.id
        cart.run(again)
        assert cart.is_met(present.card.id)
        cart.check_claims()


@needs_root
@pytest.mark.needs_root
def test_02_lazy_unmount_leaves_an_empty_folder(tmp_path: Path) -> None:
    image = make_image(tmp_path / "card.img", 48)
    cart = Cart(tmp_path)
    with mounted(image, tmp_path / "card") as card:
        fill(card, {f"DCIM/{i:02}.JPG": some_bytes(i, 900_000) for i in range(20)})
        present = cart.take(card)
        cart.run(present, disk=Pulls(20, lambda: unmount(card)))
        assert "card gone" in cart.kinds()
        assert not cart.is_met(present.card.id)
        cart.check_claims()
        with pytest.raises(CardGone):
            cart.take(card)
    with mounted(image, tmp_path / "card") as card:
        cart.run(cart.take(card))
        assert cart.is_met(present.card.id)


def test_02_empty_folder_is_no_card_and_meets_no_policy(tmp_path: Path) -> None:
    (tmp_path / "watch" / "card").mkdir(parents=True)
    cart = Cart(tmp_path)
    sight = cart.lookout.look([str(tmp_path / "watch")])
    assert sight.ready == () and sight.settling == ()
    assert cart.ledger.cards() == ()


@needs_root
@pytest.mark.needs_root
def test_03_another_card_under_the_same_mount_point(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    ids = []
    for n in (1, 2):
        image = make_image(tmp_path / f"{n}.img", 32, label="CARD")
        with mounted(image, tmp_path / "mnt") as card:
            fill(card, {f"DCIM/{i:02}.JPG": some_bytes(100 * n + i, 40_000) for i in range(5)})
            present = cart.take(card)
            ids.append(present.card.id)
            cart.run(present)
            assert cart.is_met(present.card.id)
    assert ids[0] != ids[1]
    assert cart.ledger.card(ids[0]).folder != cart.ledger.card(ids[1]).folder  # type: ignore[union-attr]
    cart.check_claims()


@needs_root
@pytest.mark.needs_root
@pytest.mark.parametrize("identities", ["told apart", "alike"])
@pytest.mark.parametrize("reading", ["first", "second"])
def test_03_the_next_card_of_a_slot_is_not_read_as_the_one_before(
    tmp_path: Path, reading: str, identities: str
) -> None:
    """Device and root folder of the next card in a slot are those of the card before.  One that waited for its turn,
    or for its second reading, when the cards were changed is gone; the next one has the same names and sizes."""
    one = "6f1d0c6e-8f6c-4f6f-9e52-0d4d9a1b7c31"  # a format that gives every volume the same identity
    images = [make_image(tmp_path / f"{n}.img", 40, uuid=one if identities == "alike" else "") for n in (0, 1)]
    slot, point = tmp_path / "slot.img", tmp_path / "mnt"
    slot.write_bytes(images[0].read_bytes())
    device = sh("losetup", "-f", "--show", slot).strip()
    point.mkdir()
    names = [f"DCIM/{i:02}.JPG" for i in range(5)]

    def insert(n: int) -> None:
        unmount(point)
        sh("dd", f"if={images[n]}", f"of={device}", "bs=1M", "conv=fsync")
        sh("mount", device, point)

    try:
        for n in (0, 1):
            insert(n)
            fill(point, {name: some_bytes(100 * n + i, 40_000) for i, name in enumerate(names)})
            for name in names:
                os.utime(point / name, (1_900_000_000 + 86_500 * n,) * 2)
            sh("umount", point)
            images[n].write_bytes(Path(device).read_bytes())
        cart = Cart(tmp_path)
        insert(0)
        before = cart.take(point)
        if reading == "second":
            cart.copier().copy([before], cart.ledger.destinations(), cart.stop)
        insert(1)
        assert (os.stat(point).st_dev, os.stat(point).st_ino) == (before.device, before.inode)
        cart.run(before)
        assert cart.kinds() <= {"card gone", "second reading not finished", "card writable"}, cart.ledger.findings()
        assert {r.n for r in cart.ledger.readings(before.card.id)} == ({1} if reading == "second" else set())
        following = cart.take(point)
        cart.run(following)
        assert following.card.id != before.card.id and cart.is_met(following.card.id)
        insert(0)
        back = cart.take(point)
        assert back.card.id == before.card.id
        cart.run(back)
        assert cart.is_met(before.card.id) and cart.kinds() == {"card writable"}
        for n, card in ((0, back), (1, following)):
            got = [tree(cart.folder("a", card))[name] for name in names]
            assert got == [some_bytes(100 * n + i, 40_000) for i in range(5)]
        cart.check_claims()
    finally:
        unmount(point)
        sh("losetup", "-d", device)


@needs_root
@pytest.mark.needs_root
def test_03_a_card_is_mounted_over_the_folder_that_is_being_listed(tmp_path: Path) -> None:
    """The listing of the bare folder under it is not taken for the card's, which would be a card without files."""
    image = make_image(tmp_path / "card.img", 48)
    slot = tmp_path / "slots" / "one"
    with mounted(image, slot) as card:
        fill(card, small_card())

    with contextlib.ExitStack() as mounts:

        class Mounts(Disk):
            def entries(self, folder):  # type: ignore[no-untyped-def]
                found = list(super().entries(folder))
                if folder.path == str(slot) and not slot.is_mount():
                    mounts.enter_context(mounted(image, slot, "ro"))
                return found

        cart = Cart(tmp_path, disk=Mounts())
        (present,) = cart.lookout.look([str(tmp_path / "slots")]).ready
        assert {f.path for f in present.inventory.files} == set(small_card()) and slot.is_mount()
        cart.run(present)
        assert cart.is_met(present.card.id) and cart.kinds() == set()
        assert len(cart.ledger.cards()) == 1


def test_03_reformatted_with_the_same_names_sizes_and_times(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    card = tmp_path / "card"
    ids = []
    for n in (1, 2):
        fill(card, {f"DCIM/{i:02}.JPG": some_bytes(100 * n + i, 40_000) for i in range(5)})
        present = cart.take(card)
        ids.append(present.card.id)
        cart.run(present)
        assert cart.is_met(present.card.id)
    assert ids[0] != ids[1]
    cart.check_claims()


def test_04_two_cards_with_the_same_names(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    one = cart.take(fill(tmp_path / "x" / "CARD", small_card(1)))
    two = cart.take(fill(tmp_path / "y" / "CARD", small_card(2)))
    cart.run(one, two)
    assert tree(cart.folder("a", one)) == small_card(1)
    assert tree(cart.folder("a", two)) == small_card(2)
    assert one.card.folder != two.card.folder and cart.is_met(one.card.id) and cart.is_met(two.card.id)


@needs_strace
@pytest.mark.needs_linux
def test_05_one_file_unreadable_for_ever(tmp_path: Path) -> None:
    files = small_card()
    card = fill(tmp_path / "card", files)
    bad = card / "DCIM/100TIDE/TD_0003.JPG"
    answer = traced(tmp_path, card, "inject=readv:error=EIO", on=bad)
    assert answer["met"] == [False] and "not read" in answer["kinds"]
    del files["DCIM/100TIDE/TD_0003.JPG"]
    cart = Cart(tmp_path)
    assert tree(cart.folder("a", cart.ledger.cards()[0].folder)) == files
    assert any("byte 0" in f.what and "TD_0003" in f.item for f in cart.ledger.findings())
    cart.check_claims()


@needs_root
@pytest.mark.needs_root
def test_05_bad_region_of_a_real_volume(tmp_path: Path) -> None:
    """The end of the image is cut off behind the loop device: what lies there cannot be read."""
    image = make_image(tmp_path / "card.img", 64)
    with mounted(image, tmp_path / "card") as card:
        for i in range(12):
            fill(card, {f"DCIM/{i:02}.JPG": some_bytes(i, 3 << 20)})
            sh("sync", "-f", str(card))
    cart = Cart(tmp_path)
    with mounted(image, tmp_path / "card", "ro", "noload") as card:
        os.truncate(image, 20 << 20)
        present = cart.take(card)
        cart.run(present)
        copied = {c.path for c in cart.ledger.copies(present.card.id)}
        assert 0 < len(copied) < 12 and not cart.is_met(present.card.id)
        assert {"not read", "card gone", "listing not whole"} & cart.kinds()
        cart.check_claims()


@needs_strace
@pytest.mark.needs_linux
def test_06_one_bad_read_then_good(tmp_path: Path) -> None:
    card = fill(tmp_path / "card", small_card())
    # strace counts by thread: the sample of the look fails, the first reading of the copier, none after it.
    answer = traced(tmp_path, card, "inject=readv:error=EIO:when=1", on=card / "DCIM/100TIDE/TD_0002.JPG")
    assert answer["met"] == [True] and "read again" in answer["kinds"]
    Cart(tmp_path).check_claims()


@needs_strace
@pytest.mark.needs_linux
def test_07_file_ends_early(tmp_path: Path) -> None:
    card = fill(tmp_path / "card", small_card())
    answer = traced(tmp_path, card, "inject=readv:retval=0:when=2+", on=card / "CLIPS/T001.MOV")
    assert answer["met"] == [False]
    assert any("ended after" in str(f) for f in answer["findings"])
    cart = Cart(tmp_path)
    assert "CLIPS/T001.MOV" not in {c.path for c in cart.ledger.copies(cart.ledger.cards()[0].id)}


class FlipsOnce(Disk):
    """The first reading of one file has one bit wrong, as a failing card may answer: the bytes really
    differ, only the medium is played by this class (a real one: strace poke, FUSE)."""

    def __init__(self, name: str) -> None:
        self.name, self.fds, self.opened = name, set[int](), 0

    def open_source(self, folder, name, *, direct=False):  # type: ignore[no-untyped-def]
        fd = super().open_source(folder, name, direct=direct)
        if name == self.name and "card" in folder.path:
            self.opened += 1
            if self.opened == 2:  # the first was the look's sample
                self.fds.add(fd)
        return fd

    def read_into(self, fd: int, view: memoryview) -> int:
        n = super().read_into(fd, view)
        if fd in self.fds and n:
            view[n // 2] ^= 1
            self.fds.discard(fd)
        return n


def test_08_flip_in_the_first_reading_is_found_by_the_second(tmp_path: Path) -> None:
    cart = Cart(tmp_path, disk=FlipsOnce("TD_0004.JPG"))
    present = cart.take(fill(tmp_path / "card", small_card()))
    cart.run(present)
    assert "readings differ" in cart.kinds()
    assert not cart.is_met(present.card.id)


def test_08_a_second_reading_that_fails_is_told_until_one_succeeds(tmp_path: Path) -> None:
    class Bad(Disk):
        """The device gives one file no second time."""

        bad = True

        def open_source(self, folder, name, *, direct=False):  # type: ignore[no-untyped-def]
            if self.bad and direct and name == "TD_0003.JPG" and "card" in folder.path:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return super().open_source(folder, name, direct=direct)

    disk = Bad()
    cart = Cart(tmp_path, disk=disk)
    present = cart.take(fill(tmp_path / "card", small_card()))
    cart.run(present)
    assert cart.kinds() == {"second reading failed"}
    assert len(cart.ledger.copies(present.card.id)) == 2 * len(small_card())
    cart.run(present)
    assert cart.kinds() == {"second reading failed"}
    disk.bad = False
    cart.run(present)
    assert cart.kinds() == set() and cart.is_met(present.card.id)
    cart.check_claims()


def test_08_without_a_second_reading_the_ledger_says_once(tmp_path: Path) -> None:
    cart = Cart(tmp_path, disk=FlipsOnce("TD_0004.JPG"), settings=CopySettings(read_twice=Twice.NONE, reserve_bytes=0))
    present = cart.take(fill(tmp_path / "card", small_card()))
    cart.run(present)
    assert all(f.second_digest == "" for f in cart.ledger.files(present.card.id))


@needs_root
@pytest.mark.needs_root
def test_08_real_volume_whose_device_gives_other_bytes(tmp_path: Path) -> None:
    """The first reading is answered from memory, the second comes from the device, where a byte differs."""
    image = make_image(tmp_path / "card.img", 32)
    files = {f"DCIM/{i}.JPG": some_bytes(i, 50_000) for i in range(4)}
    with mounted(image, tmp_path / "card") as card:
        fill(card, files)
    cart = Cart(tmp_path)
    with mounted(image, tmp_path / "card", "ro") as card:
        tree(card)  # into memory
        scribble(image, files["DCIM/2.JPG"])
        present = cart.take(card)
        cart.copier().copy([present], cart.ledger.destinations(), cart.stop)
        assert cart.is_met(present.card.id)
        cart.copier().read_again([present], cart.stop)
        assert not cart.is_met(present.card.id) and "readings differ" in cart.kinds()
        bad = [f for f in cart.ledger.findings() if f.kind == "readings differ"]
        assert [f.more["path"] for f in bad] == ["DCIM/2.JPG"]


def test_09_a_file_that_grows_is_taken_whole_later(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    card = fill(tmp_path / "card", small_card())
    clip = card / "CLIPS/T001.MOV"
    growing = threading.Event()

    def grow() -> None:
        while not growing.is_set():
            with clip.open("ab") as out:
                out.write(b"more" * 100)
            time.sleep(0.002)

    present = cart.take(card)
    writer = threading.Thread(target=grow)
    writer.start()
    try:
        cart.run(present)
    finally:
        growing.set()
        writer.join()
    assert not cart.is_met(present.card.id)
    assert "CLIPS/T001.MOV" not in {c.path for c in cart.ledger.copies(present.card.id)}
    again = cart.take(card)
    assert again.card.id == present.card.id
    cart.run(again)
    assert cart.is_met(present.card.id)
    assert (cart.folder("a", present) / "CLIPS/T001.MOV").read_bytes() == clip.read_bytes()


def test_09_a_file_replaced_with_equal_size_while_it_is_read(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    card = fill(tmp_path / "card", small_card())
    clip = card / "CLIPS/T001.MOV"

    def touch() -> None:
        with clip.open("r+b") as out:
            out.seek(100)
            out.write(b"changed")

    present = cart.take(card)
    cart.run(present, disk=Pulls(22, touch))
    again = cart.take(card)
    cart.run(again)
    assert cart.is_met(present.card.id)
    assert clip.read_bytes() in tree(cart.folder("a", present)).values()  # beside the older one, if that was whole
    cart.check_claims()


@needs_strace
@pytest.mark.needs_linux
def test_10_a_folder_that_cannot_be_listed(tmp_path: Path) -> None:
    card = fill(tmp_path / "card", small_card())
    answer = traced(tmp_path, card, "inject=getdents64:error=EIO", on=card / "CLIPS")
    assert answer["met"] == [False] and "listing not whole" in answer["kinds"]
    cart = Cart(tmp_path)
    cart.run(cart.take(card))
    assert cart.is_met(cart.ledger.cards()[0].id) and "listing not whole" not in cart.kinds()


@needs_root
@pytest.mark.needs_root
def test_10_a_folder_without_permission(tmp_path: Path) -> None:
    """As another user: root reads everything."""
    tmp_path.chmod(0o777)
    for parent in tmp_path.parents:
        if parent.stat().st_mode & 0o005 != 0o005 and str(parent).startswith("/tmp/"):
            parent.chmod(0o755)
    card = fill(tmp_path / "card", small_card())
    (card / "CLIPS").chmod(0)
    as_other = ["setpriv", "--reuid", "12345", "--regid", "12345", "--clear-groups", sys.executable]
    if subprocess.run([*as_other, "-c", "import ingest, xxhash"], capture_output=True, cwd=ROOT).returncode:
        pytest.skip("this checkout or its Python cannot be read by another user")
    done = subprocess.run([*as_other, DRIVER, str(tmp_path), str(card)], capture_output=True, text=True, timeout=60)
    answer = json.loads(done.stdout)
    assert answer["met"] == [False] and "listing not whole" in answer["kinds"]


@needs_strace
@pytest.mark.needs_linux
def test_11_a_slow_card_is_no_silent_one(tmp_path: Path) -> None:
    card = fill(tmp_path / "card", small_card())
    answer = traced(tmp_path, card, "inject=readv:delay_enter=700000", on=card / "CLIPS/T001.MOV", more=("--hang=3",))
    assert answer["met"] == [True] and "card does not answer" not in answer["kinds"]


@needs_strace
@pytest.mark.needs_linux
@pytest.mark.slow
def test_12_a_card_that_hangs_does_not_hold_up_another(tmp_path: Path) -> None:
    card = fill(tmp_path / "card", small_card(1))
    other = fill(tmp_path / "other", small_card(2))
    started = time.monotonic()
    answer = traced(tmp_path, card, "inject=readv:delay_enter=20000000:when=3+", on=card / "CLIPS/T001.MOV",
                    more=(str(other), "--hang=2"))
    assert time.monotonic() - started < 60
    assert answer["met"] == [False, True] and "card does not answer" in answer["kinds"]


def test_symbolic_links_pipes_and_devices_are_listed_and_never_opened(tmp_path: Path) -> None:
    files = small_card()
    card = fill(tmp_path / "card", files)
    (card / "DCIM" / "out").symlink_to(tmp_path)
    (card / "DCIM" / "passwd.jpg").symlink_to("/etc/passwd")
    os.mkfifo(card / "DCIM" / "pipe.jpg")
    cart = Cart(tmp_path)
    present = cart.take(card)
    cart.run(present)
    assert tree(cart.folder("a", present)) == files and cart.is_met(present.card.id)
    reasons = {x.path: x.reason for x in cart.ledger.left_out(present.card.id)}
    assert set(reasons) == {"DCIM/out", "DCIM/passwd.jpg", "DCIM/pipe.jpg"}
    (told,) = [t for t in cart.ledger.troubles() if t.kind == "not followed"]
    assert all(path in told.what for path in reasons) and told.severity == "note"


@needs_root
@pytest.mark.needs_root
def test_another_volume_mounted_inside_a_card_is_not_copied(tmp_path: Path) -> None:
    card = fill(tmp_path / "card", small_card())
    make_image(tmp_path / "x.img", 16)
    cart = Cart(tmp_path)
    with mounted(tmp_path / "x.img", card / "INNER") as inner:
        (inner / "secret.jpg").write_bytes(b"x")
        present = cart.take(card)
        cart.run(present)
        assert not (cart.folder("a", present) / "INNER" / "secret.jpg").exists()
        assert "INNER" in {x.path for x in cart.ledger.left_out(present.card.id)}


def test_the_card_is_not_touched(tmp_path: Path) -> None:
    card = fill(tmp_path / "card", small_card())

    def marks() -> dict[str, tuple[int, ...]]:
        return {p.as_posix(): (s.st_size, s.st_mtime_ns, s.st_ctime_ns, s.st_atime_ns)
                for p in sorted(card.rglob("*")) if p.is_file() for s in [p.stat()]}

    before = marks()
    cart = Cart(tmp_path)
    cart.run(cart.take(card))
    assert marks() == before


@needs_root
@pytest.mark.needs_root
def test_a_read_only_card_is_known_as_such(tmp_path: Path) -> None:
    image = make_image(tmp_path / "card.img", 16, label="ROLL_7")
    with mounted(image, tmp_path / "card") as card:
        fill(card, {"DCIM/1.JPG": b"abc"})
    cart = Cart(tmp_path)
    with mounted(image, tmp_path / "card", "ro") as card, bound(card, tmp_path / "other view"):
        present = cart.take(card)
        assert present.card.read_only is True
        assert present.card.volume_id.startswith(("uuid:", "fsid:"))
        cart.run(present)
        assert "card writable" not in cart.kinds()


def test_a_place_named_in_bytes_that_are_no_text(tmp_path: Path) -> None:
    """A dump's folder may be called anything; its card is copied, its name shown escaped."""
    cart = Cart(tmp_path)
    places = tmp_path / "places"
    fill(places / os.fsdecode(b"sl\xff\xfeot\n"), {"DCIM/a.jpg": b"1"})
    cart.lookout.look([str(places)])  # quiet is what two looks saw alike
    (present,) = cart.lookout.look([str(places)]).ready
    cart.run(present)
    assert cart.is_met(present.card.id), cart.ledger.findings()
    assert present.card.label == r"sl\xff\xfeot"
    assert cart.lookout.look([str(places)]).ready[0].card.id == present.card.id


def test_a_card_nobody_understands_costs_only_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cart = Cart(tmp_path)
    for name in ("one", "two"):
        fill(tmp_path / "places" / name, {"DCIM/a.jpg": name.encode()})
    lookout = cart.new_lookout()
    lookout.look([str(tmp_path / "places")])
    honest = Lookout._recognise

    def odd(self: Lookout, seen: Any, folders: Any) -> Any:
        if seen.root.endswith("one"):
            raise ValueError("something nobody thought of")
        return honest(self, seen, folders)

    with monkeypatch.context() as patch:
        patch.setattr(Lookout, "_recognise", odd)
        sight = lookout.look([str(tmp_path / "places")])
    assert [p.root[-3:] for p in sight.ready] == ["two"]
    assert "card not understood" in cart.kinds()
    assert len(lookout.look([str(tmp_path / "places")]).ready) == 2 and "card not understood" not in cart.kinds()


@needs_root
@pytest.mark.needs_root
@pytest.mark.parametrize("twice", [Twice.STILLS, Twice.NONE])
def test_08_a_bit_flips_in_the_first_reading_of_a_real_volume(tmp_path: Path, twice: Twice) -> None:
    """The kernel's memory holds one wrong bit of a picture, as a bad cable or reader leaves it; the medium is right.
    The first reading is answered from memory, the second from the device."""
    image = make_image(tmp_path / "card.img", 32)
    files = {f"DCIM/{i}.JPG": some_bytes(i, 50_000) for i in range(4)}
    with mounted(image, tmp_path / "card") as card:
        fill(card, files)
    cart = Cart(tmp_path, settings=CopySettings(reserve_bytes=0, read_twice=twice, pause_s=0.0))
    scribble(image, files["DCIM/2.JPG"])
    with mounted(image, tmp_path / "card", "ro") as card:
        wrong = tree(card)["DCIM/2.JPG"]  # into memory
        assert sum((a ^ b).bit_count() for a, b in zip(wrong, files["DCIM/2.JPG"], strict=True)) == 1
        scribble(image, wrong)  # flips it back, behind the kernel's memory
        present = cart.take(card)
        cart.copier().copy([present], cart.ledger.destinations(), cart.stop)
        assert tree(cart.folder("a", present))["DCIM/2.JPG"] == wrong  # read, copied and proven: no copy can see it
        cart.copier().read_again([present], cart.stop)
    read = {f.path: f for f in cart.ledger.files(present.card.id)}["DCIM/2.JPG"]
    if twice is Twice.STILLS:
        assert "readings differ" in cart.kinds() and not cart.is_met(present.card.id)
        assert read.second_digest not in ("", read.digests["xxh3_128"])
    else:
        assert read.second_digest == ""  # what the manifest shows as "card read once"


@pytest.mark.parametrize("pause_s", [0.0, 0.004])
def test_09_a_clip_that_is_still_being_recorded(tmp_path: Path, pause_s: float) -> None:
    """A writer appends to it from before the look until after the run: the half clip never gets the name of a whole
    one, the other files do, and the whole clip follows once it has ended."""
    cart = Cart(tmp_path)
    card = fill(tmp_path / "card", small_card())
    clip, over = card / "CLIPS/T001.MOV", threading.Event()

    def record() -> None:
        with clip.open("ab", buffering=0) as out:
            while not over.is_set():
                out.write(os.urandom(8192))
                time.sleep(pause_s)

    writer = threading.Thread(target=record)
    writer.start()
    try:
        for _ in range(3):
            present = cart.take(card)
            cart.run(present)
            assert not cart.is_met(present.card.id)
            cart.check_claims()
    finally:
        over.set()
        writer.join()
    held = {c.path for c in cart.ledger.copies(present.card.id)}
    assert {p for p in small_card() if p != "CLIPS/T001.MOV"} <= held and "CLIPS/T001.MOV" not in held
    cart.run(cart.take(card))
    assert cart.is_met(present.card.id)
    assert (cart.folder("b", present) / "CLIPS/T001.MOV").read_bytes() == clip.read_bytes()


def test_names_in_findings_are_escaped_and_no_name_stops_the_ledger(tmp_path: Path) -> None:
    """A foreign file under a name that is no text, that moves the cursor and turns the text."""
    cart = Cart(tmp_path)
    name = "DCIM/" + os.fsdecode(b"\xff\x1b[2J\n") + "\u202egpj.exe"
    present = cart.take(fill(tmp_path / "card", {name: b"ours", "DCIM/other.jpg": b"x"}))
    foreign = cart.folder("a", present) / name
    foreign.parent.mkdir(parents=True)
    foreign.write_bytes(b"foreign")
    cart.run(present)
    (told,) = [f for f in cart.ledger.findings() if f.kind == "name taken"]
    for text in (told.item, told.what, told.next, told.more["path"]):
        assert text.isprintable() and not any("\ud800" <= ch <= "\udfff" for ch in text), text
    assert r"\xff\x1b[2J\x0a\u202egpj.exe" in told.what
    assert foreign.read_bytes() == b"foreign" and cart.is_met(present.card.id)


class Hangs(Disk):
    """Some cards' reads do not return until the test is over."""

    def __init__(self, *cards: str) -> None:
        self.cards, self.fds, self.over = cards, set[int](), threading.Event()

    def open_source(self, folder, name, *, direct=False):  # type: ignore[no-untyped-def]
        fd = super().open_source(folder, name, direct=direct)
        if any(f"/{c}" in folder.path for c in self.cards):
            self.fds.add(fd)
        return fd

    def read_into(self, fd: int, view: memoryview) -> int:
        if fd in self.fds:
            self.over.wait()
        return super().read_into(fd, view)


def test_12_cards_that_hang_give_their_turn_to_others(tmp_path: Path) -> None:
    """As many cards hang as are read at once; the third is read all the same."""
    cart = Cart(tmp_path, settings=CopySettings(reserve_bytes=0, pause_s=0.0, hang_s=1.0, pieces=4, cards_at_once=2))
    cards = [cart.take(fill(tmp_path / f"card{n}", small_card(n))) for n in range(3)]
    hanging = Hangs("card0", "card1")
    try:
        cart.copier(hanging).copy(cards, cart.ledger.destinations(), cart.stop)
    finally:
        hanging.over.set()
    assert [cart.is_met(c.card.id) for c in cards] == [False, False, True]
    assert "card does not answer" in cart.kinds()


def test_a_stop_does_not_wait_for_a_card_that_hangs(tmp_path: Path) -> None:
    """The limit is a minute; a stop waits some seconds, and blames nobody."""
    cart = Cart(tmp_path, settings=CopySettings(reserve_bytes=0, pause_s=0.0, hang_s=60.0, pieces=4))
    present = cart.take(fill(tmp_path / "card", small_card()))
    hanging = Hangs("card")
    threading.Timer(0.5, cart.stop.set).start()
    began = time.monotonic()
    try:
        cart.copier(hanging).copy([present], cart.ledger.destinations(), cart.stop)
    finally:
        hanging.over.set()
    assert time.monotonic() - began < 30.0 and "card does not answer" not in cart.kinds()
