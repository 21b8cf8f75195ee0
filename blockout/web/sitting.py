"""A sitting: one case on the table, with all that was changed since it was opened.

The case itself is a frozen value; a sitting holds which one is at hand, and is the only thing here
that changes. What is drawn is the case file, so there is nothing else to keep.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from weakref import WeakSet

from blockout.case.case import Case, CastSettings, case_text, parse_case
from blockout.case.edit import text_of_case, write_case
from blockout.case.problems import settings_from
from blockout.cast.cast import Cast
from blockout.cast.prepare import Prepared
from blockout.errors import CaseError, InputError, OutputError
from blockout.job.casts import cast_of_case
from blockout.progress import Progress, silent
from blockout.web.runs import Run
from blockout.web.unsaved import Offered, drop_unsaved, keep_unsaved, unsaved_beside, unsaved_file

CASE_SUFFIX: Final = ".case.toml"
UNDO_MOST: Final = 200
_CASTS_HELD: Final = 2
_NAMES_TRIED: Final = 100

_saving = threading.Lock()
"""Between looking at the file on disk and replacing it no other sitting may do the same."""
_live: WeakSet[Sitting] = WeakSet()


@dataclass(frozen=True, eq=False)
class _Step:
    """A case, and the words of the change that led to it."""

    case: Case
    words: str


class Sitting:
    """One case on the table; safe to use from several threads.

    Made by :func:`open_sitting`.
    """

    def __init__(self, file: Path, case: Case, *, sha256: str, prepared: Prepared) -> None:
        self._lock = threading.RLock()
        self.id = secrets.token_urlsafe(16)
        self.file = file
        self._sha256 = sha256
        self._on_disk = case
        self._steps = [_Step(case, "")]
        self._at = 0
        self._prepared = {_cast_key(case): prepared}
        self._trouble = ""
        self._run: Run | None = None
        with _saving:
            live = {sitting.id for sitting in _live}
            _live.add(self)
        self._offers = [one for one in unsaved_beside(file) if one.sitting not in live]
        self._taken: Path | None = None

    # --- what is on the table ------------------------------------------------------------------
    @property
    def case(self) -> Case:
        """As it is now, saved or not."""
        with self._lock:
            return self._steps[self._at].case

    @property
    def prepared(self) -> Prepared:
        """The cast that the case asks for, with what was done to get it."""
        with self._lock:
            return self._prepared[_cast_key(self.case)]

    @property
    def cast(self) -> Cast:
        """The cast that the case asks for."""
        return self.prepared.cast

    @property
    def case_for_job(self) -> Case:
        """The case with its scan named from anywhere, as the verbs of :mod:`blockout.job` need."""
        return seen_from_anywhere(self.case, self.file)

    # --- changing ------------------------------------------------------------------------------
    def change(self, words: str, new_case: Case, *, progress: Progress = silent) -> Case:
        """Put another case in the place of this one; what was undone is gone.

        Parameters
        ----------
        words : str
            What the change does, such as "move the arm on 35"; told by undo.
        new_case : Case
            A case equal to the one at hand is no change.

        Raises
        ------
        ReadError, UnitError, DefectError, InputError
            The case asks for another cast, which cannot be made; nothing is changed.
        """
        with self._lock:
            before = self.case
        prepared = self._prepared_for(new_case, progress)
        with self._lock:
            if new_case == before == self.case:
                return new_case
            self._hold(new_case, prepared)
            del self._steps[self._at + 1 :]
            self._steps.append(_Step(new_case, words))
            del self._steps[: -(UNDO_MOST + 1)]
            self._at = len(self._steps) - 1
            self._keep()
            return new_case

    @property
    def undo_words(self) -> str | None:
        """What undo takes back; None where there is nothing."""
        with self._lock:
            return self._steps[self._at].words if self._at else None

    @property
    def redo_words(self) -> str | None:
        """What redo does again; None where there is nothing."""
        with self._lock:
            ahead = self._at + 1
            return self._steps[ahead].words if ahead < len(self._steps) else None

    def undo(self) -> str | None:
        """Take the last change back; its words, or None where there is nothing to take back."""
        return self._step(-1)

    def redo(self) -> str | None:
        """Do what was taken back again; its words, or None."""
        return self._step(1)

    def _step(self, way: int) -> str | None:
        with self._lock:
            words = self.undo_words if way < 0 else self.redo_words
            if words is None:
                return None
            case = self._steps[self._at + way].case
            self._hold(case, self._prepared_for(case, silent))
            self._at += way
            self._keep()
            return words

    # --- saving --------------------------------------------------------------------------------
    @property
    def saved(self) -> bool:
        """The case file holds the case as it is now."""
        with self._lock:
            return self.case == self._on_disk

    @property
    def conflict(self) -> str | None:
        """In words, that the case file was changed by someone else since it was read; else None."""
        with self._lock:
            return self._conflict()

    @property
    def trouble(self) -> str:
        """Why unsaved changes could not be kept beside the case; empty where they could."""
        with self._lock:
            return self._trouble

    def save(self, *, over: bool = False) -> None:
        """Write the case file; comments and layout of the one there are kept.

        Parameters
        ----------
        over : bool
            Write even where the file was changed by someone else since it was read.

        Raises
        ------
        CaseError, OutputError
            The file cannot be written, or was changed meanwhile; it stays as it is.
        """
        with self._lock, _saving:
            words = self._conflict()
            if words is not None and not over:
                raise OutputError(
                    words,
                    where=str(self.file),
                    fix="Read the file again, or save over it.",
                )
            write_case(self.file, self.case)
            self._sha256 = _sha256(self.file)
            self._on_disk = self.case
            self._keep()

    def text(self) -> str:
        """The case as the text that saving would write.

        Raises
        ------
        CaseError, OutputError
            The file on the disk is no case file any more, or cannot be changed.
        """
        with self._lock:
            case, file = self.case, self.file
        return text_of_case(case, old=case_text(file) if file.exists() else None, path=file)

    def read_again(self, *, progress: Progress = silent) -> Case:
        """Take the case file as it is on the disk; a change that undo takes back.

        Raises
        ------
        CaseError, ReadError, UnitError, DefectError, InputError
        """
        case, sha256 = _read(self.file)
        self._make_ready(case, progress)
        with self._lock:
            self.change("read the case file again", case, progress=progress)
            self._on_disk, self._sha256 = case, sha256
            self._keep()
            return case

    def _conflict(self) -> str | None:
        now = _sha256(self.file)
        if now == self._sha256:
            return None
        if not now:
            return f"{self.file.name} is gone since it was opened"
        return f"{self.file.name} was changed by someone else since it was opened"

    def _keep(self) -> None:
        """Keep what is unsaved beside the case."""
        file = unsaved_file(self.file, self.id)
        try:
            if self.case == self._on_disk:
                drop_unsaved(file)
            else:
                keep_unsaved(
                    self.file,
                    self.case,
                    sitting=self.id,
                    case_sha256=self._sha256,
                    words=self._steps[self._at].words,
                )
            if self._taken is not None:
                drop_unsaved(self._taken)
                self._taken = None
            self._trouble = ""
        except OutputError as error:
            self._trouble = str(error)

    # --- what an earlier sitting left ----------------------------------------------------------
    @property
    def offered(self) -> Offered | None:
        """Unsaved changes of an earlier sitting at the same file, the latest; None without."""
        with self._lock:
            return self._offers[0] if self._offers else None

    def take_offered(self, *, progress: Progress = silent) -> Case:
        """Go on with what was offered; a change that undo takes back.

        Raises
        ------
        InputError
            Nothing is offered, or its cast cannot be made.
        """
        with self._lock:
            case = self._first_offer().case
        self._make_ready(case, progress)
        with self._lock:
            offered = self._first_offer()
            # kept until the same is kept under this sitting's name
            self._taken = offered.file
            try:
                case = self.change("take up unsaved changes", offered.case, progress=progress)
            except BaseException:
                self._taken = None
                raise
            self._offers.pop(0)
            if self._taken is not None and not self._trouble:
                self._keep()
            return case

    def drop_offered(self) -> None:
        """Throw away what was offered.

        Raises
        ------
        InputError, OutputError
        """
        with self._lock:
            drop_unsaved(self._first_offer().file)
            self._offers.pop(0)

    def _first_offer(self) -> Offered:
        if not self._offers:
            raise InputError("there are no unsaved changes to take up")
        return self._offers[0]

    # --- long work -----------------------------------------------------------------------------
    @property
    def run(self) -> Run | None:
        """The work at hand, or the last one."""
        with self._lock:
            return self._run

    def start(self, verb: str, arguments: dict[str, Any]) -> Run:
        """Begin long work; one at a time.

        Raises
        ------
        InputError
            Other work is at hand.
        """
        with self._lock:
            if self._run is not None and self._run.state == "running":
                raise InputError(
                    "other work is at hand on this case",
                    measured=self._run.progress or self._run.verb,
                    fix="Wait for it, or cancel it.",
                )
            self._run = Run.start(verb, arguments)
            return self._run

    def close(self) -> None:
        """Leave the table: work is cancelled, and unsaved changes stay kept beside the case."""
        with self._lock:
            if self._run is not None:
                self._run.cancel()
            self._keep()
        with _saving:
            _live.discard(self)

    # --- casts ---------------------------------------------------------------------------------
    def _prepared_for(self, case: Case, progress: Progress) -> Prepared:
        with self._lock:
            held = self._prepared.get(_cast_key(case))
        return held or cast_of_case(seen_from_anywhere(case, self.file), progress)

    def _make_ready(self, case: Case, progress: Progress) -> None:
        """Make a case's cast beside the lock, since that takes long; what follows finds it held."""
        prepared = self._prepared_for(case, progress)
        with self._lock:
            self._hold(case, prepared)

    def _hold(self, case: Case, prepared: Prepared) -> None:
        key = _cast_key(case)
        self._prepared.pop(key, None)
        self._prepared[key] = prepared
        while len(self._prepared) > _CASTS_HELD:
            del self._prepared[next(iter(self._prepared))]


def open_sitting(file: Path | str, *, progress: Progress = silent, **cast: Any) -> Sitting:
    """Open a case file; or a scan, for which a new case file is written beside it.

    Parameters
    ----------
    file : Path
        Case file (``.toml``), scan or prepared cast. The case file of ``scan.stl`` is
        ``scan.case.toml``; one that is there and names that scan is opened as it is, and where it
        names another, the new one gets a number.
    cast
        Keys of ``[cast]`` for a new case file, such as ``arch`` and ``unit``.

    Raises
    ------
    CaseError, ReadError, UnitError, DefectError, InputError, OutputError
        Nothing was written.
    """
    file = Path(file).absolute()
    if file.suffix.lower() == ".toml":
        case, sha256 = _read(file)
        prepared = cast_of_case(seen_from_anywhere(case, file), progress)
        return Sitting(file, case, sha256=sha256, prepared=prepared)
    if not file.is_file():
        raise InputError("there is no such file", where=str(file))
    there = _case_of_scan(file)
    if there.exists():
        return open_sitting(there, progress=progress)
    settings = settings_from(CastSettings, {"file": file.name} | cast)
    case = Case(cast=settings)
    prepared = cast_of_case(seen_from_anywhere(case, there), progress)
    with _saving:
        if there.exists():
            raise OutputError(
                "another case file was written meanwhile", where=str(there), fix="Open that one."
            )
        write_case(there, case)
    case, sha256 = _read(there)
    return Sitting(there, case, sha256=sha256, prepared=prepared)


def seen_from_anywhere(case: Case, file: Path) -> Case:
    """The case of a case file with its scan named by its whole path."""
    # so that fields left out stay left out: a prepared cast refuses those that are given
    cast = case.cast.model_copy(update={"file": str(case.cast_file(file.absolute()))})
    return case.model_copy(update={"cast": cast})


def _case_of_scan(scan: Path) -> Path:
    """The case file of a scan: one that names it, or the first name that is free."""
    for number in range(1, _NAMES_TRIED):
        mark = "" if number == 1 else f"-{number}"
        file = scan.with_name(f"{scan.stem}{mark}{CASE_SUFFIX}")
        if not file.exists() or _names(file, scan):
            return file
    raise OutputError(
        "there are too many case files beside this scan",
        where=str(scan),
        fix="Open one of them.",
    )


def _names(file: Path, scan: Path) -> bool:
    try:
        case = parse_case(case_text(file), file=file.name)
        return case.cast_file(file).resolve() == scan.resolve()
    except (CaseError, OSError):
        return False


def _read(file: Path) -> tuple[Case, str]:
    text = case_text(file)
    return parse_case(text, file=file.name), hashlib.sha256(text.encode("utf-8")).hexdigest()


def _sha256(file: Path) -> str:
    """Of a file's bytes; empty where it cannot be read."""
    try:
        return hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError:
        return ""


def _cast_key(case: Case) -> str:
    return case.cast.model_dump_json(exclude_unset=True)
