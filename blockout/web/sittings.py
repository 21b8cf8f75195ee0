"""All sittings of one server, by their id."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path
from typing import Any, Final

from blockout.errors import InputError
from blockout.progress import Progress, silent
from blockout.web.sitting import Sitting, open_sitting

SITTINGS_MOST: Final = 8


class Sittings:
    """A bounded number of sittings; opening one more forgets the one that was idle longest, whose
    unsaved changes stay kept beside its case.

    Parameters
    ----------
    most : int
    """

    def __init__(self, *, most: int = SITTINGS_MOST) -> None:
        self._lock = threading.Lock()
        self._most = most
        self._open: OrderedDict[str, Sitting] = OrderedDict()

    def open(self, file: Path | str, *, progress: Progress = silent, **cast: Any) -> Sitting:
        """A new sitting at a case file or scan; see :func:`~blockout.web.sitting.open_sitting`.

        Raises
        ------
        CaseError, ReadError, UnitError, DefectError, OutputError
        InputError
            All are at work.
        """
        with self._lock:
            self._make_room()
        sitting = open_sitting(file, progress=progress, **cast)
        with self._lock:
            try:
                self._make_room()
            except InputError:
                sitting.close()
                raise
            self._open[sitting.id] = sitting
        return sitting

    def get(self, sitting_id: str) -> Sitting:
        """The sitting of this id, which is idle no more.

        Raises
        ------
        InputError
            There is none: it was forgotten, or the server was started anew.
        """
        with self._lock:
            sitting = self._open.get(sitting_id)
            if sitting is None:
                raise InputError(
                    "this sitting is over",
                    fix="Open the case again; unsaved changes are offered there.",
                )
            self._open.move_to_end(sitting_id)
            return sitting

    def forget(self, sitting_id: str) -> None:
        """End a sitting; unsaved changes stay kept. Nothing happens where there is none."""
        with self._lock:
            sitting = self._open.pop(sitting_id, None)
        if sitting is not None:
            sitting.close()

    def close(self) -> None:
        """End all of them."""
        with self._lock:
            ending = list(self._open.values())
            self._open.clear()
        for sitting in ending:
            sitting.close()

    def __len__(self) -> int:
        return len(self._open)

    def __contains__(self, sitting_id: str) -> bool:
        return sitting_id in self._open

    def _make_room(self) -> None:
        while len(self._open) >= self._most:
            idle = next((one for one in self._open.values() if not _at_work(one)), None)
            if idle is None:
                raise InputError(
                    "too many cases are at work",
                    measured=f"{len(self._open)}, at most {self._most}",
                    fix="Wait for one, or cancel it.",
                )
            del self._open[idle.id]
            idle.close()


def _at_work(sitting: Sitting) -> bool:
    return sitting.run is not None and sitting.run.state == "running"
