"""The rules of drift by series whose answer is known, and the chart."""

from __future__ import annotations

import numpy as np
import pytest
from made_up import SUMMARY, off_by

from blockout.errors import InputError
from blockout.history.drift import beyond_limits, in_run, trend_of
from blockout.history.entry import build_entry
from blockout.report.colours import bytes_of
from blockout.report.history_chart import FLAGGED, history_chart

STEADY = (1.0, -1.0) * 10  # mean 0; standard deviation of 20 such values (n - 1): sqrt(20 / 19)
SD = (20.0 / 19.0) ** 0.5


def test_the_first_twenty_set_mean_and_standard_deviation() -> None:
    trend = trend_of(off_by(*STEADY, 50.0, 60.0))
    assert trend.settled
    assert trend.mean_percent == pytest.approx(0.0, abs=1e-9)
    assert trend.sd_percent == pytest.approx(SD, rel=1e-9)  # closed form


@pytest.mark.parametrize(
    ("value", "flagged"), [(3.0 * SD + 0.01, True), (3.0 * SD - 0.01, False), (-3.5, True)]
)
def test_one_value_outside_three_standard_deviations_is_flagged(
    value: float, flagged: bool
) -> None:
    trend = trend_of(off_by(*STEADY, value))
    assert trend.outside == (False,) * 20 + (flagged,)
    assert not any(trend.run)
    assert trend.drifts is flagged


def test_the_eighth_on_one_side_is_flagged_and_not_the_seventh() -> None:
    # the 20th of the steady ones lies below the mean, so that seven more below make eight
    assert not any(trend_of(off_by(*STEADY, *[0.5] * 7)).flagged)
    assert trend_of(off_by(*STEADY, *[0.5] * 9)).run == (False,) * 27 + (True, True)
    assert not any(trend_of(off_by(*STEADY, *[-0.5] * 6)).flagged)
    assert trend_of(off_by(*STEADY, *[-0.5] * 7)).run[-1]
    broken = (0.5,) * 7 + (-0.5,) + (0.5,) * 7
    assert not any(trend_of(off_by(*STEADY, *broken)).flagged)


def test_drift_that_is_over_is_flagged_but_is_no_drift_now() -> None:
    trend = trend_of(off_by(*STEADY, 9.0, *STEADY[:8]))
    assert trend.flagged[20]
    assert sum(trend.flagged) == 1
    assert not trend.drifts
    assert trend_of(off_by(*STEADY, 9.0, *STEADY[:7])).drifts


def test_fewer_than_twenty_judge_nothing() -> None:
    trend = trend_of(off_by(*STEADY[:18], 80.0))
    assert not trend.settled
    assert not any(trend.flagged)
    assert trend.mean_percent == pytest.approx(80.0 / 19.0)
    assert trend_of(off_by(2.0)).sd_percent is None
    assert trend_of(()).mean_percent is None


def test_values_that_are_all_the_same_are_no_drift() -> None:
    assert not any(trend_of(off_by(*[0.7] * 40)).flagged)
    assert trend_of(off_by(*[0.7] * 20, 0.8)).flagged[-1]


def test_builds_and_comparisons_without_wax_do_not_count() -> None:
    build = build_entry(SUMMARY, at_utc="2031-01-01T00:00:00Z")
    rows = off_by(*STEADY)
    assert trend_of((build, *rows, build)) == trend_of(rows)


def test_false_alarms_are_as_rare_as_the_rules_say() -> None:
    # mean number of values to the first alarm, mean and deviation known. Closed form, a Markov
    # chain over the length of the run: E0 = 1 + 2 p E1, Ek = 1 + p E(k+1) + p E1, E7 = 1 + p E1,
    # p = P(0 < z < 3). The literature gives 152.7 (Champ and Woodall 1987, from memory).
    p = 0.4986501019683699
    matrix, right = np.eye(8), np.ones(8)
    matrix[0, 1] -= 2.0 * p
    for k in range(1, 7):
        matrix[k, k + 1] -= p
        matrix[k, 1] -= p
    matrix[7, 1] -= p
    expected = np.linalg.solve(matrix, right)[0]
    assert expected == pytest.approx(152.7, abs=0.1)
    draws = np.random.default_rng(5).normal(size=(2000, 2500))
    first = []
    for row in draws:
        alarm = np.flatnonzero(beyond_limits(row, mean=0.0, sd=1.0) | in_run(row, mean=0.0))
        first.append(alarm[0] + 1 if len(alarm) else len(row))
    # the standard error of 2000 such waits is about 150 / sqrt(2000) = 3.4
    assert np.mean(first) == pytest.approx(expected, abs=4 * 3.4)


def test_in_run_of_nothing_is_nothing() -> None:
    assert in_run([], mean=0.0).tolist() == []


# --- the chart -----------------------------------------------------------------------------------
def _flagged_pixels(*off: float) -> int:
    picture = history_chart(off_by(*off), size_px=(800, 600))
    assert picture.shape == (600, 800, 3)
    # right of the twentieth and left of the legend, where the limits are dashed lines only
    return int((picture[:, 330:640] == bytes_of(FLAGGED)).all(axis=2).sum())


def test_flagged_comparisons_are_red_on_the_chart() -> None:
    quiet = _flagged_pixels(*STEADY, *STEADY)
    loud = _flagged_pixels(*STEADY, *STEADY[:17], 6.0, 6.5, 7.0)
    # three dots of about 4.5 pixels across at this size, at least ten whole pixels each
    assert loud >= quiet + 30


@pytest.mark.parametrize("count", [1, 2, 19, 20, 400])
def test_any_number_of_comparisons_is_charted(count: int) -> None:
    values = np.random.default_rng(1).normal(size=count)
    picture = history_chart(off_by(*values.tolist()), size_px=(600, 450))
    assert picture.shape == (450, 600, 3)
    assert picture.std() > 5.0


def test_nothing_to_chart_is_told() -> None:
    with pytest.raises(InputError, match="nothing to chart"):
        history_chart(())
