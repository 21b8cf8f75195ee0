"""Where the log is kept, unless it is turned off."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path, PurePath, PurePosixPath, PureWindowsPath
from typing import Final

from blockout.errors import InputError

VARIABLE: Final = "BLOCKOUT_LOG"
OFF: Final = "off"
_FILE: Final = ("blockout", "history.sqlite")


def log_place(
    *,
    asked: Path | None = None,
    turned_off: bool = False,
    environment: Mapping[str, str],
    platform: str,
    home: str,
) -> Path | None:
    """The file of the log; None when nothing is to be recorded.

    First comes what was asked (``--log``, ``--no-log``), then the variable ``BLOCKOUT_LOG`` (a
    file, or ``off``), then the user's folder: ``$XDG_STATE_HOME`` or ``~/.local/state`` (XDG Base
    Directory Specification, which also says that a relative path there is ignored),
    ``~/Library/Application Support`` on macOS, ``%LOCALAPPDATA%`` or ``~/AppData/Local`` on
    Windows; in it ``blockout/history.sqlite``.

    Parameters
    ----------
    asked : Path, optional
    turned_off : bool
    environment : mapping
        ``os.environ``.
    platform : str
        ``sys.platform``.
    home : str
        The user's home folder.

    Raises
    ------
    InputError
        A file is asked for and the log is turned off at once.
    """
    if turned_off and asked is not None:
        raise InputError(
            "the log is turned off and named at once",
            measured=f"--no-log besides --log {asked}",
            fix="Leave out one of the two.",
        )
    if turned_off:
        return None
    if asked is not None:
        return asked
    named = environment.get(VARIABLE, "").strip()
    if named:
        return None if named.lower() == OFF else Path(named)
    return Path(str(_user_folder(environment, platform, home).joinpath(*_FILE)))


def _user_folder(environment: Mapping[str, str], platform: str, home: str) -> PurePath:
    if platform == "win32":
        local = environment.get("LOCALAPPDATA", "")
        return PureWindowsPath(local) if local else PureWindowsPath(home, "AppData", "Local")
    if platform == "darwin":
        return PurePosixPath(home, "Library", "Application Support")
    state = environment.get("XDG_STATE_HOME", "")
    if PurePosixPath(state).is_absolute():
        return PurePosixPath(state)
    return PurePosixPath(home, ".local", "state")
