"""Month and year come from what stands beside a report. No clock is asked."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.replay.archives.dates import Dated, month_of, of_name, time_in, time_of


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("awc-metars-cache-20141218.csv.gz", datetime(2014, 12, 18, 12, tzinfo=UTC)),
        ("XNOR_2024-02-29.txt", datetime(2024, 2, 29, 12, tzinfo=UTC)),
        ("20240105_0550.txt", datetime(2024, 1, 5, 12, tzinfo=UTC)),
        ("2024010505.gz", datetime(2024, 1, 5, 12, tzinfo=UTC)),
        ("archive/2024/01/05/XNOR.txt", datetime(2024, 1, 5, 12, tzinfo=UTC)),
        ("2019/old/20240105Z.txt", datetime(2024, 1, 5, 12, tzinfo=UTC)),
        ("20240105_202312.txt", datetime(2024, 1, 5, 12, tzinfo=UTC)),
        ("2024-01-05_20-15-05.txt", datetime(2024, 1, 5, 12, tzinfo=UTC)),
        ("2024/01/20/XNOR.txt", datetime(2024, 1, 20, 12, tzinfo=UTC)),
        ("kept-2025-03/2024-01-20/XNOR.txt", datetime(2024, 1, 20, 12, tzinfo=UTC)),
        ("20231231_2350-20240101_0020.txt", datetime(2024, 1, 1, 12, tzinfo=UTC)),
    ],
)
def test_a_day_in_a_name(name: str, expected: datetime) -> None:
    assert of_name(name) == Dated(day=expected)


@pytest.mark.parametrize(
    "name",
    [
        "metar-202401.txt",
        "2024-01/XNOR.txt",
        "2024_01.gz",
        "XNOR.2024.01.txt",
        "2023-11/2024-01/XNOR.txt",
        "2024-01-01_2024-01-31.txt",
        "20240101-20240131/XNOR.txt",
        "2024-01_2024-01.txt",
    ],
)
def test_a_month_in_a_name(name: str) -> None:
    assert of_name(name) == Dated(month=(2024, 1))


@pytest.mark.parametrize(
    "name", ["2024.txt", "XNOR.txt", "99999999.txt", "120550Z.txt", "202413.txt", "run-1202401155.txt"]
)
def test_other_numbers_are_no_dates(name: str) -> None:
    assert not of_name(name).is_known


@pytest.mark.parametrize("to", ["_to_", "_", "-", "--", "..", " - "])
@pytest.mark.parametrize(
    ("first", "last"),
    [
        ("2023-11", "2024-01"),
        ("202311", "202401"),
        ("2023_11", "2024_01"),
        ("2023-11-01", "2024-01-31"),
        ("20231101", "20240131"),
        ("202311", "20240131"),
        ("2023-11-01", "2024-01"),
        ("2023-11", "2023-12"),
        ("20231101", "20231231"),
    ],
)
def test_a_name_with_several_months_dates_nothing(first: str, last: str, to: str) -> None:
    """Its last month, or a day made of the digits of a year, would move the reports of the others by months."""
    for name in ("metar_{}.txt", "{}/XNOR.txt", "2024-01/metar_{}.txt.gz", "2024-01/{}/XNOR.txt"):
        assert not of_name(name.format(first + to + last)).is_known


def test_a_day_in_a_name_dates_what_fits_it_and_no_more() -> None:
    """A file that is named by the first day of its week or month must not move the others by a month."""
    day = of_name("20240101.txt")
    assert day.of("METAR XNOR 312350Z 24010KT") == datetime(2023, 12, 31, 23, 50, tzinfo=UTC)
    assert day.of("METAR XNOR 020020Z 24010KT") == datetime(2024, 1, 2, 0, 20, tzinfo=UTC)
    assert day.of("METAR XNOR 040020Z 24010KT") is None
    assert replace(day, otherwise=month_of("2024-01")).of("METAR XNOR 300020Z CAVOK") == datetime(
        2024, 1, 30, 0, 20, tzinfo=UTC
    )


def test_a_month_dates_a_report_by_its_own_day() -> None:
    january = month_of("2024-01")
    assert january.of("METAR XNOR 312350Z 24010KT") == datetime(2024, 1, 31, 23, 50, tzinfo=UTC)
    assert month_of("2024-02").of("METAR XNOR 302350Z 24010KT") is None
    assert Dated().of("METAR XNOR 312350Z 24010KT") is None
    for wrong in ("2024", "2024-13", "24-01", "January"):
        with pytest.raises(ValueError, match="no month"):
            month_of(wrong)


_WRITTEN = [
    "{:%Y-%m-%dT%H:%M:%SZ}",
    "{:%Y-%m-%d %H:%M:%S}",
    "{:%Y/%m/%d %H:%M:%S}",
    "{:%Y%m%d%H%M%S}",
    "{:%Y-%m-%dT%H:%M:%S.000Z}",
    "{:%Y-%m-%dT%H:%M:%S+00:00}",
]


@given(moment=st.datetimes(datetime(1950, 1, 1), datetime(2099, 1, 1)), form=st.sampled_from(_WRITTEN))
def test_times_are_read_however_archives_write_them(moment: datetime, form: str) -> None:
    moment = moment.replace(microsecond=0, tzinfo=UTC)
    assert time_of(form.format(moment)) == moment
    assert time_in(moment.date()) == moment.replace(hour=0, minute=0, second=0)


@given(moment=st.datetimes(datetime(1973, 4, 1), datetime(2030, 1, 1)))
def test_seconds_and_milliseconds_since_1970_are_read(moment: datetime) -> None:
    moment = moment.replace(microsecond=0, tzinfo=UTC)
    seconds = int(moment.timestamp())
    assert time_in(seconds) == time_in(float(seconds)) == moment
    if moment.year > 1976:  # 12 digits of milliseconds may be read as a date
        assert time_in(seconds * 1000) == moment


@given(moment=st.datetimes(datetime(1930, 1, 1), datetime(2099, 1, 1)))
def test_a_number_may_be_a_date(moment: datetime) -> None:
    moment = moment.replace(microsecond=0, tzinfo=UTC)
    assert time_in(int(f"{moment:%Y%m%d%H%M%S}")) == moment
    assert time_in(int(f"{moment:%Y%m%d%H%M}")) == moment.replace(second=0)
    assert (
        time_in(float(f"{moment:%Y%m%d}"))
        == time_in(int(f"{moment:%Y%m%d}"))
        == moment.replace(hour=0, minute=0, second=0)
    )


@pytest.mark.parametrize(
    "number", [0, 1230, -1230, 550.0, 45296.25, 2024, 20241305, 20240230, 202402300000, 2024010505, 86_400_000, 10**16]
)
def test_numbers_that_are_no_time_or_that_may_be_two(number: float) -> None:
    assert time_in(number) is None


def test_integers_that_are_no_float_are_no_time() -> None:
    assert time_in(10**400) is time_in(-(10**400)) is None


def test_milliseconds_are_told_from_seconds() -> None:
    assert time_in(1_768_197_000_250) == datetime(2026, 1, 12, 5, 50, 0, 250_000, tzinfo=UTC)
    assert time_in(1_768_197_000) == datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
    assert time_in(float("inf")) is time_in(float("nan")) is time_in(None) is time_in(True) is None


@pytest.mark.parametrize("text", ["", "2024", "24:00", "2024-13-01T00:00Z", "20240230T0000", "METAR"])
def test_what_is_no_time_is_none(text: str) -> None:
    assert time_of(text) is None


def test_a_zone_is_reckoned_with() -> None:
    assert time_of("2024-01-05T06:20:00+01:00") == datetime(2024, 1, 5, 5, 20, tzinfo=UTC)
    assert time_of("2024-01-05T06:20:00.25Z") == datetime(2024, 1, 5, 6, 20, 0, 250_000, tzinfo=UTC)
