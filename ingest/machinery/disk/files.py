"""The only door to the file system: one method of ``Disk`` per operation, so that tests can make each fail.

Everything is done relative to an open folder where the system can (POSIX): the folder a path meant
when it was opened stays the folder, also when a disk is pulled and its mount point becomes a plain
folder of the system disk.  Links are never followed.  Names are ``str`` with surrogate escapes.

Nothing here decides or retries; every method may raise OSError.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import stat
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from ingest.records.cards import EntryKind

POSIX = os.name == "posix"
_O_BINARY = getattr(os, "O_BINARY", 0)
_O_NOFOLLOW = getattr(os, "O_NOFOLLOW", 0)
_O_NONBLOCK = getattr(os, "O_NONBLOCK", 0)
_O_NOATIME = getattr(os, "O_NOATIME", 0)
_O_DIRECT = getattr(os, "O_DIRECT", 0)
_O_FOLDER = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | _O_NOFOLLOW | getattr(os, "O_CLOEXEC", 0)
_F_NOCACHE, _F_FULLFSYNC = 48, 51  # macOS <fcntl.h>, from memory


@dataclass(eq=False, slots=True)
class Folder:
    """An open folder.  ``fd`` is None on systems without folder descriptors; there ``path`` counts."""

    fd: int | None
    path: str
    device: int
    inode: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One name in a folder, not followed.  ``device`` tells another volume mounted on it."""

    name: str
    kind: EntryKind
    size_bytes: int
    mtime_ns: int
    device: int
    inode: int
    ctime_ns: int = 0
    trouble: str = ""


def kind_of(mode: int) -> EntryKind:
    """What a file mode says the entry is."""
    if stat.S_ISREG(mode):
        return EntryKind.FILE
    if stat.S_ISDIR(mode):
        return EntryKind.FOLDER
    if stat.S_ISLNK(mode):
        return EntryKind.LINK
    if stat.S_ISFIFO(mode):
        return EntryKind.PIPE
    if stat.S_ISSOCK(mode):
        return EntryKind.SOCKET
    return EntryKind.DEVICE


def read_plain(path: str | os.PathLike[str], most: int = 256 << 20) -> bytes:
    """A person's own file beside the settings, whole.  OSError where it is none: a pipe or device would be waited
    for, or read, for ever."""
    fd = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(fd, "rb") as file:
        about = os.fstat(fd)
        if not stat.S_ISREG(about.st_mode):
            raise OSError(errno.EINVAL, "it is no ordinary file", os.fspath(path))
        if about.st_size > most:
            raise OSError(errno.EFBIG, os.strerror(errno.EFBIG), os.fspath(path))
        return file.read()


class Disk:
    """The real file system."""

    # -- folders

    def open_root(self, path: str) -> Folder:
        """A folder by path, the last part may be a link (a person chose it)."""
        if not POSIX:
            seen = os.stat(path)
            return Folder(None, path, seen.st_dev, seen.st_ino)
        fd = os.open(path, _O_FOLDER & ~_O_NOFOLLOW)
        seen = _seen(fd)
        return Folder(fd, path, seen.st_dev, seen.st_ino)

    def open_folder(self, parent: Folder, name: str) -> Folder:
        """A folder in a folder; NotADirectoryError or OSError(ELOOP) for anything else."""
        path = os.path.join(parent.path, name)
        if parent.fd is None:
            seen = os.lstat(path)
            if not stat.S_ISDIR(seen.st_mode):
                raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), path)
            return Folder(None, path, seen.st_dev, seen.st_ino)
        fd = os.open(name, _O_FOLDER, dir_fd=parent.fd)
        seen = _seen(fd)
        return Folder(fd, path, seen.st_dev, seen.st_ino)

    def close_folder(self, folder: Folder) -> None:
        if folder.fd is not None:
            os.close(folder.fd)
            folder.fd = None

    def make_folder(self, parent: Folder, name: str) -> None:
        path, at = _at(parent, name)
        os.mkdir(path, 0o777, dir_fd=at.get("dir_fd"))

    def remove_folder(self, parent: Folder, name: str) -> None:
        """An empty folder."""
        path, at = _at(parent, name)
        os.rmdir(path, **at)

    def entries(self, folder: Folder) -> Iterator[Entry]:
        """Every name in it, in no order.  An entry that cannot be looked at is UNREADABLE; a folder that
        cannot be read to its end raises OSError, never a shorter list."""
        with os.scandir(folder.path if folder.fd is None else folder.fd) as found:
            for entry in found:
                try:
                    yield _entry(entry.name, entry.stat(follow_symlinks=False))
                except OSError as error:
                    yield Entry(name=entry.name, kind=EntryKind.UNREADABLE, size_bytes=0, mtime_ns=0, device=0, inode=0,
                                trouble=error.strerror or str(error))

    def look_at(self, folder: Folder, name: str) -> Entry | None:
        """One name, None if there is nothing."""
        path, at = _at(folder, name)
        try:
            return _entry(name, os.stat(path, follow_symlinks=False, **at))
        except FileNotFoundError:
            return None

    def same_place(self, folder: Folder) -> bool:
        """Whether the path still leads to the folder that was opened."""
        try:
            seen = os.stat(folder.path)
        except OSError:
            return False
        return (seen.st_dev, seen.st_ino) == (folder.device, folder.inode)

    def room(self, folder: Folder) -> int:
        """Bytes free for us."""
        if not POSIX:
            import shutil

            return shutil.disk_usage(folder.path).free
        seen = os.statvfs(folder.path if folder.fd is None else folder.fd)
        return seen.f_bavail * seen.f_frsize

    # -- files

    def open_source(self, folder: Folder, name: str, *, direct: bool = False) -> int:
        """For reading, without touching its access time where permitted; regular files only."""
        flags = os.O_RDONLY | _O_BINARY | _O_NOFOLLOW | _O_NONBLOCK | getattr(os, "O_CLOEXEC", 0)
        if direct:
            flags |= _O_DIRECT
        path, at = _at(folder, name)
        try:
            fd = os.open(path, flags | _O_NOATIME, **at)
        except PermissionError:  # only an owner may leave the access time alone
            fd = os.open(path, flags, **at)
        seen = _seen(fd)
        if not stat.S_ISREG(seen.st_mode):
            os.close(fd)
            raise OSError(errno.EINVAL, "no ordinary file", name)
        return fd

    def create(self, folder: Folder, name: str) -> int:
        """A new file for writing; FileExistsError if the name is taken.  Raises OSError(ESTALE) if it did
        not come to lie on the folder's own volume."""
        path, at = _at(folder, name)
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | _O_BINARY | _O_NOFOLLOW | getattr(os, "O_CLOEXEC", 0)
        fd = os.open(path, flags, 0o666, **at)
        if _seen(fd).st_dev != folder.device and POSIX:
            os.close(fd)
            os.unlink(path, **at)
            raise OSError(errno.ESTALE, "the folder is no longer on its volume", name)
        return fd

    def open_for_append(self, folder: Folder, name: str) -> int:
        """A log of our own, made if it is not there; ordinary files on the folder's own volume only."""
        path, at = _at(folder, name)
        flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | _O_BINARY | _O_NOFOLLOW | getattr(os, "O_CLOEXEC", 0)
        fd = os.open(path, flags, 0o666, **at)
        seen = os.fstat(fd)
        if not stat.S_ISREG(seen.st_mode) or (POSIX and seen.st_dev != folder.device):
            os.close(fd)
            raise OSError(errno.ESTALE, "no ordinary file on the folder's own volume", name)
        return fd

    def stat(self, fd: int) -> tuple[int, int]:
        """(size in bytes, mtime in ns) of an open file."""
        seen = os.fstat(fd)
        return seen.st_size, seen.st_mtime_ns

    def read_into(self, fd: int, view: memoryview) -> int:
        """Fill the view from where the file stands; answers how much, 0 at the end."""
        if POSIX:
            return os.readv(fd, [view])
        data = os.read(fd, len(view))
        view[: len(data)] = data
        return len(data)

    def seek(self, fd: int, offset: int) -> None:
        os.lseek(fd, offset, os.SEEK_SET)

    def write(self, fd: int, view: memoryview) -> int:
        """Write some of it; answers how much."""
        return os.write(fd, view)

    def go_direct(self, fd: int, on: bool) -> bool:
        """Writes bypass the system's memory from now on, or no longer; False where that is not to be had.

        Such writes need memory, offset and length in whole pages (4,096 bytes serve every device known)."""
        if not _O_DIRECT:
            return False
        import fcntl

        try:
            flags = fcntl.fcntl(fd, fcntl.F_GETFL)
            fcntl.fcntl(fd, fcntl.F_SETFL, flags | _O_DIRECT if on else flags & ~_O_DIRECT)
        except OSError:
            return False
        return True

    def start_flush(self, fd: int, offset: int, size: int) -> None:
        """Ask the system to begin writing this range; a hint, no promise (Linux only)."""
        if _sync_file_range is not None:
            _sync_file_range(fd, ctypes.c_int64(offset), ctypes.c_int64(size), 2)

    def set_times(self, fd: int, folder: Folder, name: str, mtime_ns: int) -> None:
        if os.utime in os.supports_fd:
            os.utime(fd, ns=(mtime_ns, mtime_ns))
        else:
            os.utime(os.path.join(folder.path, name), ns=(mtime_ns, mtime_ns))

    def sync(self, fd: int) -> None:
        """Data and metadata of the file are on the device when this returns.  After an error it must never
        be called again for the same bytes: the kernel has forgotten that they were not written."""
        if sys.platform == "darwin":
            import fcntl

            fcntl.fcntl(fd, _F_FULLFSYNC)
        else:
            os.fsync(fd)

    def sync_folder(self, folder: Folder) -> bool:
        """The folder's names are on the device; False where the system cannot promise it."""
        if folder.fd is None:
            return False
        try:
            self.sync(folder.fd)
        except OSError as error:
            if error.errno in (errno.EINVAL, errno.ENOTSUP, errno.EBADF):  # file systems without folder flush
                return False
            raise
        # An xfs that shut itself down answers a folder's flush with success, names it had not written are dropped
        # (measured); a look at the folder then fails.
        os.fstat(folder.fd)
        return True

    def drop_cache(self, fd: int, offset: int = 0, size: int = 0) -> None:
        """Let go of the file's clean pages (``size`` 0: to the end); dirty ones stay, so sync first."""
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(fd, offset, size, os.POSIX_FADV_DONTNEED)
        elif sys.platform == "darwin":
            import fcntl

            fcntl.fcntl(fd, _F_NOCACHE, 1)

    def read_ahead(self, fd: int) -> None:
        """The file will be read from start to end; a hint."""
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_SEQUENTIAL)

    def close(self, fd: int) -> None:
        os.close(fd)

    # -- names

    def rename_new(self, folder: Folder, name: str, final: str) -> None:
        """Rename within the folder; FileExistsError if ``final`` exists, which then stays as it is."""
        if folder.fd is None:
            if os.path.lexists(os.path.join(folder.path, final)):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), final)
            os.rename(os.path.join(folder.path, name), os.path.join(folder.path, final))  # refuses on Windows too
            return
        if _renameat2 is not None:
            if _renameat2(folder.fd, os.fsencode(name), folder.fd, os.fsencode(final), 1) == 0:
                return
            code = ctypes.get_errno()
            if code not in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
                raise OSError(code, os.strerror(code), final)
        try:
            os.link(name, final, src_dir_fd=folder.fd, dst_dir_fd=folder.fd, follow_symlinks=False)
        except OSError as error:
            if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL, errno.EMLINK):
                raise
            # No links and no exclusive rename here: we are the only writer of this folder (the ledger's lock).
            if self.look_at(folder, final) is not None:
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), final) from None
            os.rename(name, final, src_dir_fd=folder.fd, dst_dir_fd=folder.fd)
        else:
            os.unlink(name, dir_fd=folder.fd)

    def replace(self, folder: Folder, name: str, final: str) -> None:
        """Rename over a paper of our own."""
        if folder.fd is None:
            os.replace(os.path.join(folder.path, name), os.path.join(folder.path, final))
        else:
            os.rename(name, final, src_dir_fd=folder.fd, dst_dir_fd=folder.fd)

    def link(self, source: Folder, name: str, folder: Folder, final: str) -> None:
        """A hard link; OSError where the volume has none."""
        if folder.fd is None or source.fd is None:
            os.link(os.path.join(source.path, name), os.path.join(folder.path, final))
        else:
            os.link(name, final, src_dir_fd=source.fd, dst_dir_fd=folder.fd, follow_symlinks=False)

    def move_new(self, source: Folder, name: str, folder: Folder, final: str) -> None:
        """Move one of our own files or folders within the volume; FileExistsError if ``final`` exists."""
        if self.look_at(folder, final) is not None:
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), final)
        if folder.fd is None or source.fd is None:
            os.rename(os.path.join(source.path, name), os.path.join(folder.path, final))
        else:
            os.rename(name, final, src_dir_fd=source.fd, dst_dir_fd=folder.fd)

    def unlink(self, folder: Folder, name: str) -> None:
        path, at = _at(folder, name)
        os.unlink(path, **at)


def _at(folder: Folder, name: str) -> tuple[str, dict[str, int]]:
    if name in ("", ".", "..") or "/" in name or (not POSIX and "\\" in name):
        raise OSError(errno.EINVAL, "no single name", name)
    if folder.fd is None:
        return os.path.join(folder.path, name), {}
    return name, {"dir_fd": folder.fd}


def _seen(fd: int) -> os.stat_result:
    """Look at what was just opened; a disk that dies in between must not keep the descriptor."""
    try:
        return os.fstat(fd)
    except OSError:
        os.close(fd)
        raise


def _entry(name: str, seen: os.stat_result) -> Entry:
    return Entry(name=name, kind=kind_of(seen.st_mode), size_bytes=seen.st_size, mtime_ns=seen.st_mtime_ns,
                 device=seen.st_dev, inode=seen.st_ino, ctime_ns=seen.st_ctime_ns)


def write_all(disk: Disk, fd: int, view: memoryview) -> None:
    """Write the whole view, however short the single writes are."""
    while len(view):
        done = disk.write(fd, view)
        if done <= 0:
            raise OSError(errno.EIO, "the system wrote nothing")
        view = view[done:]


def read_small(disk: Disk, folder: Folder, name: str, *, most: int = 1 << 20) -> bytes:
    """A small file whole; OSError(EFBIG) if it is larger than ``most`` bytes."""
    fd = disk.open_source(folder, name)
    try:
        parts = bytearray()
        buffer = memoryview(bytearray(min(most + 1, 1 << 16)))
        while (n := disk.read_into(fd, buffer)) > 0:
            parts += buffer[:n]
            if len(parts) > most:
                raise OSError(errno.EFBIG, os.strerror(errno.EFBIG), name)
        return bytes(parts)
    finally:
        disk.close(fd)


def _libc_function(name: str, *types: type) -> Callable[..., int] | None:
    if not sys.platform.startswith("linux"):
        return None
    with contextlib.suppress(OSError, AttributeError):  # another C library: the slower way is taken
        function = getattr(ctypes.CDLL(None, use_errno=True), name)
        function.argtypes = list(types)
        found: Callable[..., int] = function
        return found
    return None


_renameat2 = _libc_function(
    "renameat2", ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint
)
_sync_file_range = _libc_function("sync_file_range", ctypes.c_int, ctypes.c_int64, ctypes.c_int64, ctypes.c_uint)
