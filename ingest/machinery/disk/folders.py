"""Open folders below a root, kept for a while, and whole listings.

``Folders.hold("a/b")`` opens each part without following links, at most a bounded number stay open,
and one in use is never closed.  New folders are flushed into their parent before anything in them is
vouched for.
"""

from __future__ import annotations

import contextlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator

from ingest.machinery.disk.files import Disk, Folder
from ingest.records.cards import EntryKind, ListedEntry

KEPT_OPEN = 64
DEEPEST = 256


class Folders:
    """Folders below one root, by relative path ("" is the root itself).  Safe for several threads."""

    def __init__(self, disk: Disk, root: Folder) -> None:
        self._disk = disk
        self.root = root
        self._open: OrderedDict[str, tuple[Folder, int]] = OrderedDict()
        self._guard = threading.RLock()

    @contextlib.contextmanager
    def hold(self, path: str, *, make: bool = False) -> Iterator[Folder]:
        """The folder, open while the block runs.  ``make`` makes missing ones and flushes their names."""
        if path == "":
            yield self.root
            return
        folder = self._take(path, make)
        try:
            yield folder
        finally:
            self._give_back(path)

    def _take(self, path: str, make: bool) -> Folder:
        with self._guard:
            if path in self._open:
                folder, users = self._open.pop(path)
                self._open[path] = (folder, users + 1)
                return folder
        parent_path, _, name = path.rpartition("/")
        with self.hold(parent_path, make=make) as parent:
            try:
                folder = self._disk.open_folder(parent, name)
            except FileNotFoundError:
                if not make:
                    raise
                with contextlib.suppress(FileExistsError):  # another worker was quicker
                    self._disk.make_folder(parent, name)
                self._disk.sync_folder(parent)
                folder = self._disk.open_folder(parent, name)
            if folder.device != self.root.device:
                self._disk.close_folder(folder)
                raise OSError(18, "another volume is mounted inside", path)
        with self._guard:
            if path in self._open:  # another worker was quicker
                self._disk.close_folder(folder)
                folder, users = self._open.pop(path)
            else:
                users = 0
            self._open[path] = (folder, users + 1)
            return folder

    def _give_back(self, path: str) -> None:
        with self._guard:
            folder, users = self._open[path]
            self._open[path] = (folder, users - 1)
            for other in [p for p, (_, n) in self._open.items() if n == 0][: max(0, len(self._open) - KEPT_OPEN)]:
                self._disk.close_folder(self._open.pop(other)[0])

    def forget(self, path: str) -> None:
        """Close folders at and below ``path`` that nobody uses: one may be removed and made anew."""
        with self._guard:
            for other in [p for p, (_, n) in self._open.items() if n == 0 and (p == path or p.startswith(f"{path}/"))]:
                self._disk.close_folder(self._open.pop(other)[0])

    def close(self) -> None:
        """Close all, the root too."""
        with self._guard:
            for folder, _ in self._open.values():
                with contextlib.suppress(OSError):  # a pulled disk: the descriptor is gone all the same
                    self._disk.close_folder(folder)
            self._open.clear()
            with contextlib.suppress(OSError):
                self._disk.close_folder(self.root)


def list_tree(disk: Disk, root: Folder, beat: Callable[[], None] = lambda: None) -> tuple[ListedEntry, ...]:
    """Everything below the root, sorted by path; folders that could not be read carry their trouble.

    Nothing is followed or opened but folders of the same volume.  ``beat`` is called for every entry, so
    that a watcher sees it get on.
    """
    found: list[ListedEntry] = []

    def walk(folder: Folder, path: str, depth: int) -> None:
        inner: list[str] = []
        for entry in disk.entries(folder):
            beat()
            kind, trouble = entry.kind, entry.trouble
            if kind is EntryKind.FOLDER and entry.device != root.device:
                kind = EntryKind.MOUNT
            below = f"{path}/{entry.name}" if path else entry.name
            if kind is EntryKind.FOLDER:
                inner.append(entry.name)
            found.append(ListedEntry(path=below, kind=kind, size_bytes=entry.size_bytes, mtime_ns=entry.mtime_ns,
                                     ctime_ns=entry.ctime_ns, trouble=trouble))
        for name in inner:
            below = f"{path}/{name}" if path else name
            try:
                if depth >= DEEPEST:
                    raise OSError(36, "folders nested too deep", below)
                opened = disk.open_folder(folder, name)
                try:
                    walk(opened, below, depth + 1)
                finally:
                    disk.close_folder(opened)
            except OSError as error:
                words = error.strerror or str(error)
                found.append(ListedEntry(path=below, kind=EntryKind.UNREADABLE, trouble=words))

    try:
        walk(root, "", 0)
    except OSError as error:
        found.append(ListedEntry(path="", kind=EntryKind.UNREADABLE, trouble=error.strerror or str(error)))
    return tuple(sorted(found, key=lambda e: (e.path, e.kind)))
