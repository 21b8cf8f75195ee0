"""``blockout history``: what was built and compared, and whether the wax drifts from the plan."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from blockout.cli import words
from blockout.cli.groups import Speaking
from blockout.cli.terminal import put, terminal
from blockout.errors import InputError

if TYPE_CHECKING:
    from blockout.history.drift import Trend
    from blockout.history.entry import Entry

SCHEMA: Final = "blockout-history/1"
_NAME_SHOWN: Final = 28
_HEADINGS: Final = (
    "No.", "When (UTC)", "What", "Case", "Scan", "Planned mm3", "Found mm3", "Off %",
    "RMS mm", "Verdict",
)  # fmt: skip
_RIGHT: Final = {0, 5, 6, 7, 8}

LogFile = Annotated[
    Path | None,
    typer.Option(
        "--log",
        metavar="FILE",
        help="The log of builds and comparisons; the variable BLOCKOUT_LOG names it too, or turns "
        "it off with the word off. When left out: blockout/history.sqlite in the user's folder "
        "for state (XDG_STATE_HOME or ~/.local/state; ~/Library/Application Support on macOS; "
        "LOCALAPPDATA on Windows).",
        show_default=False,
    ),
]
NoLog = Annotated[
    bool, typer.Option("--no-log", help="Add nothing to the log of builds and comparisons.")
]


def log_asked(log: Path | None, no_log: bool) -> Path | None:
    """The file of the log on this machine; None when it is turned off.

    Raises
    ------
    InputError
    """
    import os

    from blockout.history.place import log_place

    return log_place(
        asked=log,
        turned_off=no_log,
        environment=os.environ,
        platform=sys.platform,
        home=os.path.expanduser("~"),  # noqa: PTH111  # never fails where there is no home
    )


def add_to_log(log: Path | None, append: Callable[[Path], None]) -> None:
    """Add to the log where there is one; where that fails it is said, and the work stands."""
    if log is None:
        return
    from blockout.history.log import warning_of

    said = warning_of(lambda: append(log))
    if said:
        put(sys.stderr, said)


def history(
    log: LogFile = None,
    case: Annotated[
        str | None,
        typer.Option(
            "--case",
            metavar="NAME",
            help="Only the case of this name.",
            show_default=False,
        ),
    ] = None,
    last: Annotated[
        int | None,
        typer.Option(
            "--last",
            metavar="N",
            min=1,
            help="List the last N rows only; the trend is of all comparisons.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="Where the chart of found against planned wax goes, a PNG.",
            show_default=False,
        ),
    ] = None,
    *,
    speaking: Speaking,
) -> None:
    """List what was built and compared, and how the wax drifts.

    The first 20 comparisons set a mean and a standard deviation of the difference between found
    and planned volume. A later one is flagged when it lies more than 3 standard deviations off, or
    ends 8 or more in a row on one side of the mean (Western Electric rules 1 and 4).
    """
    with terminal(speaking) as here:
        from blockout.history.drift import trend_of
        from blockout.history.log import read_entries

        place = log_asked(log, no_log=False)
        if place is None:
            raise InputError(
                "the log is turned off",
                measured="BLOCKOUT_LOG is off",
                fix="Name a log with --log.",
            )
        if out is not None and out.suffix.lower() != ".png":
            raise InputError("the chart is a PNG", where=str(out), fix="End its name in .png.")
        entries = read_entries(place, case=case)
        trend = trend_of(entries)
        if out is not None:
            from blockout.report.history_chart import history_chart
            from blockout.report.pictures import write_picture

            heading = f"Wax found against wax planned: {case}" if case else ""
            write_picture(out, history_chart(entries, heading=heading))
        listed = entries if last is None else entries[-last:]
        here.answer(
            history_facts(place, listed, trend), history_lines(place, listed, entries, trend, out)
        )


def history_facts(log: Path, listed: Sequence[Entry], trend: Trend) -> dict[str, Any]:
    """The document of ``history --json``."""
    from dataclasses import asdict

    from blockout.history.drift import RULE

    return {
        "schema": SCHEMA,
        "log": str(log),
        "entries": [
            {**asdict(one), "warnings": list(one.warnings), "off_percent": one.off_percent}
            for one in listed
        ],
        "trend": {
            "comparisons": len(trend.off_percent),
            "mean_percent": trend.mean_percent,
            "sd_percent": trend.sd_percent,
            "settled": trend.settled,
            "drifts": trend.drifts,
            "flagged": [
                {"number": number, "off_percent": off, "outside": outside, "run": run}
                for number, off, outside, run in zip(
                    trend.numbers, trend.off_percent, trend.outside, trend.run, strict=True
                )
                if outside or run
            ],
            "rule": RULE,
        },
    }


def history_lines(
    log: Path,
    listed: Sequence[Entry],
    entries: Sequence[Entry],
    trend: Trend,
    out: Path | None,
) -> Iterator[str]:
    """The table, then what the comparisons say together."""
    yield f"Log: {log}"
    if not entries:
        yield "No rows."
        return
    flags = dict(zip(trend.numbers, trend.flagged, strict=True))
    yield from _table([_row(one, flags) for one in listed])
    if len(listed) < len(entries):
        yield f"and {words.count(len(entries) - len(listed), 'earlier row')}"
    yield from _trend_lines(trend)
    if out is not None:
        yield words.written_line(out)


def _row(one: Entry, flags: Mapping[int | None, bool]) -> tuple[str, ...]:
    planned = one.expected_mm3 if one.kind == "compare" else sum(one.blockout_mm3.values())
    if one.kind == "build":
        said = ", ".join(sorted(set(one.warnings))) or "no warnings"
    else:
        said = "pass" if one.passed else "FAIL"
    if flags.get(one.number):
        said += ", drift"
    return (
        str(one.number),
        one.at_utc[:16].replace("T", " "),
        one.kind,
        _short(one.case_name or "-"),
        _short(one.scan_name or "-"),
        _figure(planned, ",.1f"),
        _figure(one.actual_mm3, ",.1f"),
        _figure(one.off_percent, "+.2f"),
        _figure(one.rms_mm, ".3f"),
        said,
    )


def _figure(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)


def _short(name: str) -> str:
    plain = " ".join(name.split())
    return plain if len(plain) <= _NAME_SHOWN else f"{plain[: _NAME_SHOWN - 3]}..."


def _table(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    whole = [_HEADINGS, *rows]
    widths = [max(len(row[column]) for row in whole) for column in range(len(_HEADINGS))]
    for row in whole:
        cells = [
            cell.rjust(width) if column in _RIGHT else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip()


def _trend_lines(trend: Trend) -> Iterator[str]:
    from blockout.history.drift import FIRST, RECENT, RULE

    count = len(trend.off_percent)
    if trend.mean_percent is None:
        yield "No comparison yet, so that there is no trend."
        return
    first = f"the first {FIRST} of {count}" if count > FIRST else words.count(count, "comparison")
    spread = "" if trend.sd_percent is None else f", standard deviation {trend.sd_percent:.2f} %"
    yield f"Found less planned volume, {first}: mean {trend.mean_percent:+.2f} %{spread}"
    if not trend.settled:
        yield f"Too few to judge drift: it takes {FIRST}."
        return
    recent = sum(trend.flagged[-RECENT:])
    if trend.drifts:
        yield f"DRIFT: {recent} of the last {RECENT} comparisons are flagged."
    else:
        yield f"No drift: none of the last {RECENT} comparisons is flagged."
    yield RULE
