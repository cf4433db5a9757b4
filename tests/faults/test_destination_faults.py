"""Faults of a destination, injected for real: the numbers are the rows of ``test_table.py``."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import shutil
import subprocess
import threading
import time
from datetime import timedelta
from pathlib import Path

import pytest
import structlog

from ingest.faces import answers, shows
from ingest.faces.cli import demo
from ingest.faces.daemon.loop import Loader
from ingest.machinery.disk import destinations
from ingest.machinery.disk.files import Disk, Folder
from ingest.services import Services, close_services, open_services
from ingest.settings.reading import load
from ingest.steps.audit import stage as audit
from ingest.steps.audit.stage_last_claims import after_a_stop, read_found, tell_copies
from tests.cart import Cart, fill, small_card, some_bytes, tree
from tests.faults.mounts import (
    cut_power,
    loop_of,
    make_image,
    mounted,
    needs_root,
    needs_strace,
    scribble,
    sh,
    tmpfs,
    unmount,
)
from tests.faults.test_card_faults import traced
from tests.journeys.shows import Show

MIB = 1 << 20


class Does(Disk):
    """Does something when the n-th file was flushed."""

    def __init__(self, after: int, action) -> None:  # type: ignore[no-untyped-def]
        self.left, self.action = after, action

    def sync(self, fd: int) -> None:
        super().sync(fd)
        self.left -= 1
        if self.left == 0:
            self.action()


class DoesAtRead(Disk):
    """Does something at the fifth read below a mount point."""

    def __init__(self, point: Path, action) -> None:  # type: ignore[no-untyped-def]
        self.point, self.action, self.left = point, action, 5

    def read_into(self, fd: int, view: memoryview) -> int:
        if str(self.point) in os.readlink(f"/proc/self/fd/{fd}"):
            self.left -= 1
            if self.left == 0:
                self.action()
        return super().read_into(fd, view)


def pictures(count: int, size: int) -> dict[str, bytes]:
    return {f"DCIM/{i:02}.JPG": some_bytes(i, size) for i in range(count)}


@needs_root
@pytest.mark.needs_root
def test_13_full_in_mid_file_then_room_again(tmp_path: Path) -> None:
    with tmpfs(tmp_path / "b", "12m") as small:
        cart = Cart(tmp_path)
        filler = small / "filler"
        present = cart.take(fill(tmp_path / "card", pictures(8, MIB)))

        def fill_up() -> None:  # somebody else, after the room was counted
            with contextlib.suppress(OSError):  # it is full the sooner if the copier was ahead; that is not our error
                filler.write_bytes(bytes(9 * MIB))

        cart.run(present, disk=Does(4, fill_up))
        assert not cart.is_met(present.card.id)
        assert {"disk full", "no room"} & cart.kinds()
        assert tree(cart.folder("a", present)) == pictures(8, MIB)
        assert not [p for p in tree(small) if p.endswith(".tmp")]
        cart.check_claims()
        filler.unlink()
        cart.run(present)
        assert cart.is_met(present.card.id) and not {"disk full", "no room"} & cart.kinds()


@needs_root
@pytest.mark.needs_root
def test_14_a_card_too_large_for_the_room_goes_as_far_as_it_does(tmp_path: Path) -> None:
    with tmpfs(tmp_path / "b", "6m") as small:
        cart = Cart(tmp_path)
        files = {**pictures(4, MIB), "CLIPS/LONG.MOV": some_bytes(99, 8 * MIB)}
        present = cart.take(fill(tmp_path / "card", files))
        made: list[str] = []

        class Noting(Disk):
            def create(self, folder, name):  # type: ignore[no-untyped-def]
                made.append(folder.path)
                return super().create(folder, name)

        cart.run(present, disk=Noting())
        assert "no room" in cart.kinds() and "disk full" not in cart.kinds()
        assert not [p for p in made if p.startswith(str(small)) and "CLIPS" in p]  # refused before its first byte
        assert {p for p in tree(small) if p.endswith(".JPG")} and not cart.is_met(present.card.id)
        assert tree(cart.folder("a", present)) == files


@needs_root
@pytest.mark.needs_root
def test_15_mounted_read_only(tmp_path: Path) -> None:
    image = make_image(tmp_path / "b.img", 32)
    with mounted(image, tmp_path / "b"):
        Cart(tmp_path)
    with mounted(image, tmp_path / "b", "ro"):
        cart = Cart(tmp_path, destinations=())
        present = cart.take(fill(tmp_path / "card", small_card()))
        cart.run(present)
        assert "destination in trouble" in cart.kinds() and not cart.is_met(present.card.id)
        (told,) = [f for f in cart.ledger.findings() if f.kind == "destination in trouble"]
        assert "read-only" in told.what and "repair" in told.next
        assert tree(cart.folder("a", present)) == small_card()
    with mounted(image, tmp_path / "b"):
        cart.run(present)
        assert cart.is_met(present.card.id) and "destination in trouble" not in cart.kinds()


@needs_root
@pytest.mark.needs_root
def test_15_turns_read_only_by_itself(tmp_path: Path) -> None:
    image = make_image(tmp_path / "b.img", 64)
    with mounted(image, tmp_path / "b", "errors=remount-ro") as point:
        trigger = Path("/sys/fs/ext4") / Path(loop_of(point)).name / "trigger_fs_error"
        cart = Cart(tmp_path)
        present = cart.take(fill(tmp_path / "card", pictures(12, MIB)))
        cart.run(present, disk=Does(14, lambda: trigger.write_text("x")))
        assert "destination in trouble" in cart.kinds() and not cart.is_met(present.card.id)
        assert tree(cart.folder("a", present)) == pictures(12, MIB)
        cart.check_claims()


@needs_root
@pytest.mark.needs_root
def test_16_unplugged_the_mount_point_stays(tmp_path: Path) -> None:
    """Not one byte on the system disk, whatever the mount point has become."""
    image = make_image(tmp_path / "b.img", 64)
    with mounted(image, tmp_path / "b") as point:
        cart = Cart(tmp_path)
        present = cart.take(fill(tmp_path / "card", pictures(12, MIB)))
        cart.run(present, disk=Does(14, lambda: unmount(point)))
        assert "destination in trouble" in cart.kinds() and not cart.is_met(present.card.id)
        assert list(point.iterdir()) == []
        cart.run(present)
        assert "destination absent" in cart.kinds() and list(point.iterdir()) == []
    with mounted(image, tmp_path / "b"):
        cart.run(present)
        assert cart.is_met(present.card.id)
        cart.check_claims()


@needs_root
@pytest.mark.needs_root
def test_16_swapped_for_another_destination_in_the_middle(tmp_path: Path) -> None:
    """Another disk of ours is mounted under the same path while files are under way: not one byte goes to it."""
    images = [make_image(tmp_path / f"{n}.img", 64) for n in "bc"]
    with mounted(images[1], tmp_path / "b"):
        Cart(tmp_path, destinations=("b",), tag="other")  # it has an identity file, of another id
    with mounted(images[0], tmp_path / "b") as point:
        cart = Cart(tmp_path)
        present = cart.take(fill(tmp_path / "card", pictures(12, MIB)))

        def swap() -> None:
            unmount(point)
            sh("mount", "-o", "loop", images[1], point)

        cart.run(present, disk=Does(14, swap))
        assert "destination in trouble" in cart.kinds() and not cart.is_met(present.card.id)
        assert {p for p in tree(point) if not p.startswith("lost+found")} == {".nightloader-destination.json"}
        cart.run(present)
        (absent,) = [f for f in cart.ledger.findings() if f.kind == "destination absent"]
        assert "another disk" in absent.what
        assert {p for p in tree(point) if not p.startswith("lost+found")} == {".nightloader-destination.json"}
        assert tree(cart.folder("a", present)) == pictures(12, MIB)
    with mounted(images[0], tmp_path / "b"):
        cart.check_claims()
        cart.run(present)
        assert cart.is_met(present.card.id)
        cart.check_claims()


@needs_root
@pytest.mark.needs_root
def test_16_a_copy_of_it_is_mounted_in_its_place(tmp_path: Path) -> None:
    """Copied with its identity file and one file spoilt: nothing on it counts until it was read, and the file is made
    good.  The original, back again, is read too, for what was written since lies on the copy."""
    show = Show(root=tmp_path, settings=demo.prepare(tmp_path))
    disk = show.disks[1]
    here = make_image(tmp_path / "here.img", 400)
    copied = make_image(tmp_path / "copied.img", 400)
    shutil.move(disk, tmp_path / "made")
    with mounted(here, disk):
        shutil.copytree(tmp_path / "made", disk, dirs_exist_ok=True)
        fill(tmp_path / "coming", pictures(4, 5000)).rename(tmp_path / "slots" / "C1")
        show.run("watch", "--drain")
        assert show.answer("status")["cards"][0]["policy_met"]
        with mounted(copied, tmp_path / "copy") as copy:
            shutil.copytree(disk, copy, dirs_exist_ok=True)
            spoilt = sorted(copy.rglob("*.JPG"))[0]
            spoilt.write_bytes(b"?" + spoilt.read_bytes()[1:])
    with mounted(here, disk):
        assert show.run("audit").returncode in (0, 1)
        assert show.answer("status")["cards"][0]["policy_met"]  # the same volume, mounted again
    with mounted(copied, disk):
        show.run("audit")
        (card,) = show.answer("status")["cards"]
        assert not card["policy_met"] and "another volume" in {f["kind"] for f in show.findings()}
        show.run("watch", "--drain")
        (card,) = show.answer("status")["cards"]
        kinds = {f["kind"] for f in show.findings()}
        assert card["policy_met"] and "claim withdrawn" in kinds and "another volume" not in kinds
        good = {p.read_bytes() for p in disk.rglob("*.JPG") if p.name.startswith("00")}
        assert some_bytes(0, 5000) in good
    with mounted(here, disk):
        show.run("offload", str(fill(tmp_path / "C2", {"NOTE.TXT": b"later"})))
        assert not show.answer("status")["cards"][0]["policy_met"]
        show.run("watch", "--drain")
        assert all(c["policy_met"] for c in show.answer("status")["cards"])


def with_disk(base: Path, point: Path) -> Services:
    """The services of a new show whose second disk is mounted at ``point``."""
    made = shows.make_show(base / "show", code="TIDE", timezone="UTC", destinations=[str(base / "A"), str(point)],
                           watch=[str(base / "slots")], one_disk=True)
    return open_services(load(made), structlog.get_logger())


@needs_root
@pytest.mark.needs_root
@pytest.mark.parametrize("what", ["found again", "after a stop", "audit"])
@pytest.mark.parametrize("mount", ["stays", "goes"])
def test_16_unplugged_while_it_is_read_again(tmp_path: Path, what: str, mount: str) -> None:
    """What could not be read because the whole disk was gone says nothing of its files: no claim is withdrawn, no copy
    fails, and the reading goes on where it was."""
    image, point = make_image(tmp_path / "b.img", 400), tmp_path / "B"
    with mounted(image, point):
        services = with_disk(tmp_path, point)
        loader = Loader(services)
        loader.copy([loader.lookout.take(str(fill(tmp_path / "C1", pictures(12, 50_000))))])
        loader.join()
        id = next(d.id for d in services.cards.destinations() if d.path == str(point))
        if what == "found again":
            services.cards.declare_lost(id, services.clock.utc())
            services.cards.find_again(id, services.clock.utc())

        def unplugged() -> None:
            cut_power(point)
            if mount == "goes":
                unmount(point)

        def read(with_disk: Disk) -> bool:
            now = dataclasses.replace(services, disk=with_disk)
            if what == "found again":
                return read_found(now, id, services.cards.found_again()[id])
            if what == "after a stop":
                return after_a_stop(now, {id}) == {id}
            report = audit.run(now, answers.policy(services.settings), day="2031-05-17", full=True).report
            return not any(d.reread_interrupted for d in report.destinations)

        assert len(services.cards.copies_at(id)) == 12
        assert not read(DoesAtRead(point, unplugged))
        unmount(point)
    with mounted(image, point):
        assert read(Disk())
        (verdict,) = answers.verdicts(services)
        assert verdict.policy_met, verdict.reasons
        assert {f.kind for f in services.cards.findings()} <= {"destination absent"}
        close_services(services)


@needs_root
@pytest.mark.needs_root
@pytest.mark.parametrize("trick", ["the clock was ahead", "an audit still reads the original"])
def test_16_a_copy_in_its_place_counts_by_no_reading_of_the_original(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, trick: str
) -> None:
    here, copied = (make_image(tmp_path / f"{n}.img", 400) for n in ("here", "copied"))
    point = tmp_path / "B"
    with mounted(here, point):
        services = with_disk(tmp_path, point)
        if trick == "the clock was ahead":
            clock, now = services.clock, services.clock.now
            monkeypatch.setattr(clock, "now", lambda: now() + timedelta(hours=2))
        tell_copies(services, answers.destinations(services))
        loader = Loader(services)
        loader.copy([loader.lookout.take(str(fill(tmp_path / "C1", pictures(12, 50_000))))])
        loader.join()
        monkeypatch.undo()
        with mounted(copied, tmp_path / "copy") as copy:
            shutil.copytree(point, copy, dirs_exist_ok=True)
            spoilt = sorted(copy.rglob("*.JPG"))[7]
            spoilt.write_bytes(b"?" + spoilt.read_bytes()[1:])

        def exchanged() -> None:
            unmount(point)
            sh("mount", "-o", "loop", copied, point)
            tell_copies(services, answers.destinations(services))

        if trick == "the clock was ahead":
            exchanged()
        else:
            during = dataclasses.replace(services, disk=DoesAtRead(point, exchanged))
            report = audit.run(during, answers.policy(services.settings), day="2031-05-17", full=True).report
            assert any(d.reread_interrupted for d in report.destinations)
        ((id, since),) = services.cards.found_again().items()
        assert not answers.verdicts(services)[0].policy_met
        assert read_found(services, id, since)
        (verdict,) = answers.verdicts(services)
        assert not verdict.policy_met and "1 file is not verified" in verdict.reasons[0], verdict.reasons
        close_services(services)
        unmount(point)


@needs_root
@pytest.mark.needs_root
def test_16_a_copy_that_is_there_between_two_looks_is_not_written_to(tmp_path: Path) -> None:
    """What were claimed of it would stand for the original, which is back at the next look."""
    here, copied = (make_image(tmp_path / f"{n}.img", 400) for n in ("here", "copied"))
    point = tmp_path / "B"
    with mounted(here, point):
        services = with_disk(tmp_path, point)
        loader = Loader(services)
        present = loader.lookout.take(str(fill(tmp_path / "C1", pictures(4, 5000))))
        tell_copies(services, answers.destinations(services))  # as each look does
        with mounted(copied, tmp_path / "copy") as copy:
            shutil.copytree(point, copy, dirs_exist_ok=True)
        with mounted(copied, point):
            loader.copy([present])
            loader.join()
            assert not list(point.rglob("*.JPG"))
        tell_copies(services, answers.destinations(services))
        assert not answers.verdicts(services)[0].policy_met
        assert {f.kind for f in services.cards.findings()} == {"destination absent"}
        loader.copy([present])
        loader.join()
        assert answers.verdicts(services)[0].policy_met and len(list(point.rglob("*.JPG"))) == 4
        assert not services.cards.findings()
        close_services(services)


def test_16_one_that_hangs_holds_up_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A network disk that stands still in its first call: the other one gets its copies, looks go on, and it is served
    once it answers again."""
    monkeypatch.setattr(destinations, "HANG_S", 1.0)
    hangs = threading.Event()

    class Hangs(Disk):
        def open_root(self, path: str) -> Folder:
            if path == str(tmp_path / "b") and not hangs.is_set():
                assert hangs.wait(60)
            return super().open_root(path)

    disk = Hangs()
    cart = Cart(tmp_path)
    present = cart.take(fill(tmp_path / "card", small_card()))
    cart.run(present, disk=disk)
    assert tree(cart.folder("a", present)) == small_card() and not cart.is_met(present.card.id)
    (silent,) = [f for f in cart.ledger.findings() if f.kind == "destination absent"]
    assert "does not answer" in silent.what
    threads = threading.active_count()
    for _ in range(20):
        here = destinations.present_ids(disk, cart.ledger.destinations())
        assert [d.present for d in here] == [True, False]
    assert threading.active_count() <= threads  # no look is begun behind one that stands still
    hangs.set()
    limit = time.monotonic() + 30
    while not all(d.present for d in destinations.present_ids(disk, cart.ledger.destinations())):
        assert time.monotonic() < limit
        time.sleep(0.05)
    cart.run(present, disk=disk)
    assert cart.is_met(present.card.id) and cart.kinds() == set()
    cart.check_claims()


def test_16_comes_back_empty_or_as_another_disk(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    present = cart.take(fill(tmp_path / "card", small_card()))
    (tmp_path / "b").rename(tmp_path / "away")
    (tmp_path / "b").mkdir()
    cart.run(present)
    assert "destination absent" in cart.kinds() and list((tmp_path / "b").iterdir()) == []
    (tmp_path / "b").rmdir()
    Cart(tmp_path / "..", destinations=(f"{tmp_path.name}/b",), tag=f"{tmp_path.name}-other")
    cart.run(present)
    other = [f for f in cart.ledger.findings() if f.kind == "destination absent"]
    assert "another disk" in other[0].what
    assert [p.name for p in (tmp_path / "b").iterdir()] == [".nightloader-destination.json"]


@needs_root
@pytest.mark.needs_root
def test_17_a_bit_flips_on_the_medium_between_flush_and_read_back(tmp_path: Path) -> None:
    image = make_image(tmp_path / "b.img", 64)
    files = pictures(6, 200_000)
    with mounted(image, tmp_path / "b"):
        cart = Cart(tmp_path)
        present = cart.take(fill(tmp_path / "card", files))
        hit: list[bytes] = []

        class Scribbles(Disk):
            """Once a picture is flushed to the image, one of its bytes is changed there."""

            def set_times(self, fd, folder, name, mtime_ns):  # type: ignore[no-untyped-def]
                super().set_times(fd, folder, name, mtime_ns)
                if not hit and folder.path.startswith(str(tmp_path / "b")):
                    data = os.pread(fd, 1 << 20, 0)
                    os.fsync(fd)
                    scribble(image, data)
                    hit.append(data)

        cart.run(present, disk=Scribbles())
        assert hit and "written again" in cart.kinds()
        assert cart.is_met(present.card.id)
        cart.check_claims()


@needs_root
@pytest.mark.needs_root
def test_17_a_disk_that_spoils_everything_is_left_alone(tmp_path: Path) -> None:
    image = make_image(tmp_path / "b.img", 64)
    with mounted(image, tmp_path / "b"):
        cart = Cart(tmp_path)
        present = cart.take(fill(tmp_path / "card", pictures(4, 200_000)))

        class Scribbles(Disk):
            def set_times(self, fd, folder, name, mtime_ns):  # type: ignore[no-untyped-def]
                super().set_times(fd, folder, name, mtime_ns)
                if folder.path.startswith(str(tmp_path / "b")):
                    data = os.pread(fd, 1 << 20, 0)
                    os.fsync(fd)
                    scribble(image, data)

        cart.run(present, disk=Scribbles())
        assert "destination in trouble" in cart.kinds() and not cart.is_met(present.card.id)
        assert tree(cart.folder("a", present)) == pictures(4, 200_000)
        assert tree(cart.folder("b", present)) == {}
        cart.check_claims()


@needs_strace
@pytest.mark.needs_linux
def test_18_a_write_acknowledged_and_not_done(tmp_path: Path) -> None:
    """strace counts by thread: the second file of every worker is claimed to be written and is not."""
    files = pictures(12, 70_000)
    card = fill(tmp_path / "card", files)
    answer = traced(tmp_path, card, "inject=write:retval=70000:when=2")
    cart = Cart(tmp_path, destinations=())
    cart.check_claims()
    assert {"written again", "destination in trouble"} & set(map(str, answer["kinds"]))
    cart.run(cart.take(card))
    assert cart.is_met(cart.ledger.cards()[0].id)
    for name in "ab":
        assert tree(cart.folder(name, cart.ledger.cards()[0].folder)) == files


def test_19_short_writes(tmp_path: Path) -> None:
    class Short(Disk):
        """Writes really are short: at most 1,000 bytes a call."""

        def write(self, fd: int, view: memoryview) -> int:
            return super().write(fd, view[:1000])

    cart = Cart(tmp_path)
    files = pictures(3, 70_001)
    present = cart.take(fill(tmp_path / "card", files))
    cart.run(present, disk=Short())
    assert cart.is_met(present.card.id) and tree(cart.folder("a", present)) == files


@needs_root
@pytest.mark.needs_root
def test_19_the_kernel_writes_short_and_then_on(tmp_path: Path) -> None:
    """A disk in memory that is nearly full takes a part of a write; room is made before the rest is written."""
    short: list[int] = []

    class Fills(Disk):
        def create(self, folder, name):  # type: ignore[no-untyped-def]
            fd = super().create(folder, name)
            if folder.path.startswith(str(tmp_path / "b")) and not short:
                filler.write_bytes(bytes(self.room(folder) - (1 << 20)))  # after the room was counted
            return fd

        def write(self, fd: int, view: memoryview) -> int:
            done = super().write(fd, view)
            if done < len(view):
                short.append(done)
                filler.unlink()
            return done

    with tmpfs(tmp_path / "b", "16m") as small:
        filler = small / "filler"
        cart = Cart(tmp_path)
        files = {"CLIPS/T.MOV": some_bytes(1, 4 * MIB)}
        present = cart.take(fill(tmp_path / "card", files))
        cart.run(present, disk=Fills())
        assert short and 0 < short[0] < 4 * MIB  # it really was the kernel's doing
        assert cart.is_met(present.card.id) and tree(cart.folder("b", present)) == files
        cart.check_claims()


@needs_strace
@pytest.mark.needs_linux
@pytest.mark.parametrize("when", [3, 5, 9])
def test_20_a_flush_fails_once(tmp_path: Path, when: int) -> None:
    """The copy is void and made again from the card, never flushed again as if it had worked."""
    files = pictures(4, 70_000)
    card = fill(tmp_path / "card", files)
    answer = traced(tmp_path, card, f"inject=fsync:error=EIO:when={when}", )
    cart = Cart(tmp_path, destinations=())
    cart.check_claims()
    assert answer["met"] == [True] or {"destination in trouble", "not copied"} & set(map(str, answer["kinds"]))
    cart.run(cart.take(card))
    assert cart.is_met(cart.ledger.cards()[0].id)
    assert tree(cart.folder("b", cart.ledger.cards()[0].folder)) == files


@needs_strace
@pytest.mark.needs_linux
@pytest.mark.parametrize("error", ["EACCES", "EXDEV", "EIO"])
def test_21_a_rename_fails(tmp_path: Path, error: str) -> None:
    files = pictures(12, 20_000)
    card = fill(tmp_path / "card", files)
    answer = traced(tmp_path, card, f"inject=renameat2:error={error}:when=2")
    assert "written again" in answer["kinds"]
    cart = Cart(tmp_path, destinations=())
    cart.check_claims()
    assert not [p for p in tree(tmp_path / "a") if p.endswith(".tmp")]
    cart.run(cart.take(card))
    assert cart.is_met(cart.ledger.cards()[0].id)


@needs_strace
@pytest.mark.needs_linux
def test_21_renames_fail_for_ever(tmp_path: Path) -> None:
    card = fill(tmp_path / "card", pictures(3, 70_000))
    answer = traced(tmp_path, card, "inject=renameat2:error=EACCES:when=1+")
    assert answer["met"] == [False]
    cart = Cart(tmp_path, destinations=())
    cart.check_claims()
    assert not [p for p in (*tree(tmp_path / "a"), *tree(tmp_path / "b")) if p.endswith(".tmp")]


def test_22_a_foreign_file_under_the_final_name(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    files = small_card()
    present = cart.take(fill(tmp_path / "card", files))
    foreign = cart.folder("a", present) / "DCIM/100TIDE/TD_0002.JPG"
    foreign.parent.mkdir(parents=True)
    foreign.write_bytes(b"somebody else's")
    longer = cart.folder("a", present) / "DCIM/100TIDE/TD_0003.JPG"
    longer.write_bytes(some_bytes(77, len(files["DCIM/100TIDE/TD_0003.JPG"])))
    cart.run(present)
    assert foreign.read_bytes() == b"somebody else's" and longer.read_bytes() == some_bytes(77, 3003)
    assert "name taken" in cart.kinds() and cart.is_met(present.card.id)
    stored = {c.path: c.stored_path for c in cart.ledger.copies(present.card.id) if "/a" in
              {d.id: d.path for d in cart.ledger.destinations()}[c.destination_id][-2:]}
    assert stored["DCIM/100TIDE/TD_0002.JPG"] == "DCIM/100TIDE/TD_0002_(2).JPG"
    cart.check_claims()


def test_22_our_own_finished_file_without_its_fact_is_read_and_kept(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    files = small_card()
    present = cart.take(fill(tmp_path / "card", files))
    fill(cart.folder("a", present), files)
    made: list[str] = []

    class Noting(Disk):
        def create(self, folder, name):  # type: ignore[no-untyped-def]
            made.append(folder.path)
            return super().create(folder, name)

    cart.run(present, disk=Noting())
    assert cart.is_met(present.card.id) and not [p for p in made if p.startswith(str(tmp_path / "a"))]
    cart.check_claims()


@needs_root
@pytest.mark.needs_root
def test_23_names_that_collide_on_a_folding_disk(tmp_path: Path) -> None:
    """A real exFAT volume: names that differ in case or hold signs it cannot keep."""
    image = tmp_path / "b.img"
    with image.open("wb") as out:
        out.truncate(64 << 20)
    sh("mkfs.exfat", image)
    loop = sh("losetup", "-f", "--show", image).strip()
    point = tmp_path / "b"
    point.mkdir()
    try:
        if subprocess.run(["mount.exfat-fuse", loop, str(point)], capture_output=True, check=False).returncode:
            pytest.skip("no exFAT driver here")
        cart = Cart(tmp_path)
        files = {
            "DCIM/IMG.JPG": b"upper",
            "DCIM/img.jpg": b"lower",
            "DCIM/caf\u00e9.jpg": b"one",
            "DCIM/cafe\u0301.jpg": b"two",
            "DCIM/what?.jpg": b"sign",
            "DCIM/trail. ": b"trail",
            "DCIM/" + "x" * 255: b"long",
            "DCIM/" + os.fsdecode(b"\xff\xfe.jpg"): b"bytes",
            "DCIM/new\nline": b"nl",
        }
        present = cart.take(fill(tmp_path / "card", files))
        cart.run(present)
        assert cart.is_met(present.card.id), cart.ledger.findings()
        cart.check_claims()
        assert "other name" in cart.kinds()
        assert sorted(tree(cart.folder("b", present)).values()) == sorted(files.values())
        assert tree(cart.folder("a", present)) == files
    finally:
        unmount(point)
        sh("losetup", "-d", loop)


DISKS = pytest.mark.parametrize("kind,size", [("ext4", 64), ("xfs", 320)])


def unlisted(cart: Cart, disk: Path) -> list[str]:
    """Temporary files at a destination that no plan lists: nobody would ever remove them."""
    planned = {p.temp for d in cart.ledger.destinations() for p in cart.ledger.planned(d.id)}
    return [p for p in tree(disk) if p.endswith(".tmp") and p.rpartition("/")[2] not in planned]


def power_cut(base: Path, kind: str, size: int, moment: int) -> None:
    """The power goes as the n-th flush returns.  Every claim holds after the reboot; the rest is copied again."""
    image = make_image(base / "b.img", size, kind)
    files = pictures(10, 300_000)
    with mounted(image, base / "b") as point:
        cart = Cart(base)
        present = cart.take(fill(base / "card", files))
        cart.run(present, disk=Does(moment, lambda: cut_power(point)))
        assert {"destination in trouble", "not copied"} & cart.kinds() or cart.is_met(present.card.id)
    with mounted(image, base / "b"):
        cart.check_claims()
        assert unlisted(cart, base / "b") == []
        cart.run(present)
        assert cart.is_met(present.card.id) and tree(cart.folder("b", present)) == files
        cart.check_claims()
    cart.store.close()


@needs_root
@pytest.mark.needs_root
@DISKS
@pytest.mark.parametrize("moment", [3, 6, 9, 14, 20])
def test_25_power_cut(tmp_path: Path, kind: str, size: int, moment: int) -> None:
    power_cut(tmp_path, kind, size, moment)


@needs_root
@pytest.mark.needs_root
@pytest.mark.campaign
@DISKS
@pytest.mark.parametrize("moment", range(1, 61))
def test_25_power_cut_at_every_flush(tmp_path: Path, kind: str, size: int, moment: int) -> None:
    for n in range(int(os.environ.get("REPEAT", "1"))):
        (tmp_path / str(n)).mkdir()
        power_cut(tmp_path / str(n), kind, size, moment)


class Spoils(Disk):
    """One byte of every other file differs when it is read back, so that its temporary file is removed."""

    def __init__(self, under: Path) -> None:
        self.under, self.files = str(under), 0

    def set_times(self, fd, folder, name, mtime_ns):  # type: ignore[no-untyped-def]
        super().set_times(fd, folder, name, mtime_ns)
        if folder.path.startswith(self.under):
            self.files += 1
            if self.files % 2:
                os.pwrite(fd, bytes([os.pread(fd, 1, 500)[0] ^ 1]), 500)


@needs_root
@pytest.mark.needs_root
@DISKS
def test_25_a_plan_outlives_a_removal_that_is_not_flushed(tmp_path: Path, kind: str, size: int) -> None:
    """Copies are void and their temporary files removed; the power goes before the system flushed anything of its
    own accord.  What the cut brings back must still be listed."""
    image = make_image(tmp_path / "b.img", size, kind)
    files = pictures(10, 40_000)
    with mounted(image, tmp_path / "b") as point:
        cart = Cart(tmp_path)
        present = cart.take(fill(tmp_path / "card", files))
        planned: list[int] = []
        real = cart.ledger.forget_plans

        def forget(plans) -> None:  # type: ignore[no-untyped-def]
            real(plans)
            if not planned:  # right after the first batch's plans have gone
                planned.append(len(list(plans)))
                cut_power(point)

        cart.ledger.forget_plans = forget  # type: ignore[method-assign]
        cart.run(present, disk=Spoils(tmp_path / "b"))
        assert planned
        cart.ledger.forget_plans = real  # type: ignore[method-assign]
    with mounted(image, tmp_path / "b"):
        cart.check_claims()
        assert unlisted(cart, tmp_path / "b") == []
        cart.run(present)
        assert cart.is_met(present.card.id) and tree(cart.folder("b", present)) == files


def test_a_destination_folder_replaced_by_a_link_is_not_followed(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    present = cart.take(fill(tmp_path / "card", small_card()))
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "a" / "TIDE").symlink_to(tmp_path / "elsewhere")
    cart.run(present)
    assert list((tmp_path / "elsewhere").iterdir()) == []
    assert tree(cart.folder("b", present)) == small_card() and not cart.is_met(present.card.id)
