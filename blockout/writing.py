"""Files and folders that appear whole or not at all.

What is being written stands beside its target under a name ending in ``.unfinished-`` and eight
letters, and takes the target's place only once every byte is on the disk. A run that is killed
leaves at most such a sibling behind: harmless, never read, and safe to delete by hand. Two runs
at once never mix; the later one wins.
"""

from __future__ import annotations

import errno
import os
import re
import secrets
import signal
import stat
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from fnmatch import fnmatchcase
from pathlib import Path
from types import FrameType
from typing import Final

from blockout.errors import OutputError

_UNFINISHED: Final = "unfinished"
_REPLACED: Final = "replaced"
LEFT_BY_A_KILL: Final = rf"\.({_UNFINISHED}|{_REPLACED})-[0-9a-f]{{8}}"
"""What names of siblings end in, as a pattern."""
_NAME_SHOWN: Final = 100  # of the target's name in the sibling's; file systems allow 255 bytes
_FOREIGN_SHOWN: Final = 5
_ATTEMPTS: Final = 5  # other runs that may put a folder in our way while we look or swap

_FIXES: Final = {
    errno.ENOSPC: "Free some space, or name another place with --out.",
    errno.EDQUOT: "Free some of your quota, or name another place with --out.",
    errno.EFBIG: "Name a place that allows larger files with --out.",
    errno.EBUSY: "It is a mounted or open folder; name a folder inside it with --out.",
    errno.EXDEV: "It is a mounted folder; name a folder inside it with --out.",
}


@contextmanager
def replacing_file(path: Path | str) -> Iterator[Path]:
    """Yield a new, empty sibling of ``path`` to write to; it takes the place of ``path`` at the
    end.

    Missing folders on the way are made. A link is followed, so that the file it points to is
    replaced and the link stays. On any error the sibling, and the folders made for it, are gone
    and an older file is as it was.

    Raises
    ------
    OutputError
        The place cannot be written, or is a folder or a device; the disk is full. Every
        ``OSError`` of the body is told this way.

    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with replacing_file(folder / "note.txt") as unfinished:
    ...     _ = unfinished.write_text("all of it")
    >>> [entry.name for entry in folder.iterdir()]
    ['note.txt']
    """
    path = Path(path)
    with _os_errors_told(path):
        target = Path(os.path.realpath(path))
        if target.exists() and not target.is_file():
            kind = "a folder" if target.is_dir() else "a device, not a file"
            raise OutputError(
                f"{path.name or path} is {kind}",
                where=str(path),
                fix="Name a file with --out.",
            )
        with _folders_made(target.parent):
            unfinished = _sibling(target, _UNFINISHED)
            os.close(os.open(unfinished, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
            try:
                yield unfinished
                _flush(unfinished)
                if target.exists():  # a private file stays private
                    unfinished.chmod(stat.S_IMODE(target.stat().st_mode))
                unfinished.replace(target)
            except BaseException:
                unfinished.unlink(missing_ok=True)
                raise
            _flush_folder(target.parent)


@contextmanager
def replacing_folder(
    path: Path, *, ours: Collection[str], signed_by: str | None = None
) -> Iterator[Path]:
    """Yield a new, empty sibling folder to fill; it takes the place of ``path`` at the end.

    An older folder of results is swapped out and removed, but only when every file in it is one
    of ``ours``: nothing that this program did not write is ever deleted. This is checked before
    the work begins, and again at the end.

    Parameters
    ----------
    path : Path
        The folder to be. It may exist.
    ours : collection of str
        Patterns of what this program writes, relative to the folder, with ``/`` between parts
        and ``*`` within one: ``"summary.json"``, ``"wax/*.stl"``.
    signed_by : str, optional
        A file that must be in an older folder that is not empty, or else it is not ours.

    Raises
    ------
    OutputError
        The older folder holds other files; the place cannot be written; the disk is full. On any
        error nothing new is left and the older folder is as it was.
    """
    with _os_errors_told(path):
        target = Path(os.path.realpath(path))
        if target.parent == target:
            raise OutputError(
                "results need a folder of their own", where=str(path), fix="Name one with --out."
            )
        _refuse_foreign(target, path, ours, signed_by)
        with _folders_made(target.parent):
            unfinished = _sibling(target, _UNFINISHED)
            unfinished.mkdir()
            try:
                yield unfinished
                for file in _files_below(unfinished):
                    _flush(unfinished / file)
                with _interruptions_wait():
                    _swap_in(unfinished, target, path, ours, signed_by)
            except BaseException:
                _remove(unfinished)
                raise
            _flush_folder(target.parent)


def _swap_in(
    unfinished: Path,
    target: Path,
    path: Path,
    ours: Collection[str],
    signed_by: str | None,
) -> None:
    for _ in range(_ATTEMPTS):
        older: Path | None = _sibling(target, _REPLACED)
        try:
            target.rename(str(older))
        except FileNotFoundError:
            older = None
        try:
            if older is not None:
                # again, now that nobody can add to it by its old name
                _refuse_foreign(older, path, ours, signed_by)
            unfinished.rename(target)
        except BaseException as error:
            if older is not None:
                with suppress(OSError):
                    older.rename(target)
            another_run = isinstance(error, OSError) and error.errno in (
                errno.ENOTEMPTY,
                errno.EEXIST,
            )
            if not another_run:
                raise
            if older is not None and older.exists():
                _remove(older)  # the other run's results stand where these stood
            continue
        if older is not None:
            _remove(older)
        return
    raise OutputError(
        "other runs keep writing to the same folder",
        where=str(path),
        fix="Give each run its own folder with --out.",
    )


def left_unfinished(path: Path | str) -> frozenset[Path]:
    """Siblings of ``path``, file or folder, left by killed runs, or needed by runs at work."""
    target = Path(os.path.realpath(path))
    pattern = re.compile(re.escape(target.name[:_NAME_SHOWN]) + LEFT_BY_A_KILL)
    with suppress(OSError):
        return frozenset(one for one in target.parent.iterdir() if pattern.fullmatch(one.name))
    return frozenset()


def clear_unfinished(path: Path | str, *, keep: frozenset[Path] = frozenset()) -> None:
    """Take away what killed runs left beside ``path``, but for ``keep``; put back an older folder
    that one had moved out of the way.
    """
    target = Path(os.path.realpath(path))
    for left in sorted(left_unfinished(target) - keep):
        with suppress(OSError):
            if f".{_REPLACED}-" in left.name and not target.exists():
                left.rename(target)
            elif left.is_dir():
                _remove(left)
            else:
                left.unlink()


def stays_in_its_folder(name: object) -> bool:
    """Whether a name read from a file may be joined to a folder: letters, digits, ``_`` and ``-``
    alone, so that it leads nowhere else.

    >>> [stays_in_its_folder(name) for name in ("relief-2", "../relief", "C:x", "", None)]
    [True, False, False, False, False]
    """
    return isinstance(name, str) and re.fullmatch(r"[A-Za-z0-9][\w-]*", name, re.ASCII) is not None


@contextmanager
def _interruptions_wait() -> Iterator[None]:
    """What is pressed on the keyboard during the swap is heard after it: between its two renames
    the folder is not there, and half of the older one would be left.
    """
    usual = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or not callable(usual):
        yield
        return
    heard: list[tuple[int, FrameType | None]] = []
    signal.signal(signal.SIGINT, lambda number, frame: heard.append((number, frame)))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, usual)
    if heard:
        usual(*heard[0])


def _refuse_foreign(
    folder: Path, named: Path, ours: Collection[str], signed_by: str | None
) -> None:
    for _ in range(_ATTEMPTS):
        before = _status(folder)
        if before is None:
            return
        if not stat.S_ISDIR(before.st_mode):
            raise OutputError(
                f"{named.name} is not a folder", where=str(named), fix="Name a folder with --out."
            )
        held = _files_below(folder)
        after = _status(folder)
        if after is not None and os.path.samestat(before, after):
            break
        # another run has put its own in place: what was read may be of both
    foreign = [file for file in held if not any(_matches(file, pattern) for pattern in ours)]
    if not foreign and held and signed_by is not None and signed_by not in held:
        foreign = held
    if foreign:
        shown = ", ".join(foreign[:_FOREIGN_SHOWN])
        more = len(foreign) - _FOREIGN_SHOWN
        raise OutputError(
            "the folder holds files that are not results of this program",
            measured=shown + (f" and {more} more" if more > 0 else ""),
            where=str(named),
            fix="Name an empty or new folder with --out; nothing was touched.",
        )


def _status(path: Path) -> os.stat_result | None:
    try:
        return path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None


def _matches(file: str, pattern: str) -> bool:
    parts, patterns = file.split("/"), pattern.split("/")
    return len(parts) == len(patterns) and all(map(fnmatchcase, parts, patterns))


def _files_below(folder: Path) -> list[str]:
    """Everything but folders that hold something, by its path inside; links are not followed."""
    found = []
    for root, folders, files in os.walk(folder):
        here = Path(root).relative_to(folder)
        linked = [name for name in folders if (Path(root) / name).is_symlink()]
        found += [(here / name).as_posix() for name in files + linked]
        if not (files or folders) and root != str(folder):
            found.append(here.as_posix() + "/")
    return sorted(found)


def _remove(folder: Path) -> None:
    """Take down a folder of ours: file by file, so that what appears meanwhile survives."""
    for file in _files_below(folder):
        with suppress(OSError):
            if not file.endswith("/"):
                (folder / file).unlink()
    for root, folders, _ in os.walk(folder, topdown=False):
        for name in folders:
            with suppress(OSError):
                (Path(root) / name).rmdir()
    with suppress(OSError):
        folder.rmdir()


def _sibling(target: Path, kind: str) -> Path:
    return target.with_name(f"{target.name[:_NAME_SHOWN]}.{kind}-{secrets.token_hex(4)}")


@contextmanager
def _folders_made(folder: Path) -> Iterator[None]:
    """Make ``folder`` and what is missing above it; on an error take away what was made."""
    made: list[Path] = []
    missing = folder
    while not missing.exists():
        made.append(missing)
        missing = missing.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except BaseException:
        for each in made:
            with suppress(OSError):
                each.rmdir()
        raise


def _flush(file: Path) -> None:
    if file.is_symlink() or not file.is_file():
        return
    with file.open("rb+") as handle:
        os.fsync(handle.fileno())


def _flush_folder(folder: Path) -> None:
    # best effort: not every system lets a folder be opened, and the files are safe already
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def _os_errors_told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error) or type(error).__name__
        fix = _FIXES.get(error.errno or 0, "Name another place with --out.")
        raise OutputError(
            f"{path.name or path} cannot be written",
            measured=reason[:1].lower() + reason[1:],
            where=str(path),
            fix=fix,
        ) from error
