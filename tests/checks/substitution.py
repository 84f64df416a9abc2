"""What coarse reports cost: frost from reports as they are coded, against the same wing fed with full measurements.

The truth is the wing model with the measured air and the measured longwave, plus an error of the model of 0.7 K; the
ensemble sees reports made from the same measurements: whole degrees, whole knots and one cloud group without a height,
coded from the longwave with an error of one eighth, half of the thin cloud hidden. Since both share the physics this is
an upper bound of the skill. For onset and end a question is asked an hour after sunset with the report of that time and
a TAF (lowest temperature to 1.5 K, wind to 1.2 m/s and cloud to 0.2 of what came).

python -m tests.checks.substitution FILE --position LAT,LON,ELEV_M

Columns: time_utc (10 minutes), ghi_wm2, lw_down_wm2, t_air_c, rh_pct, wind_ms, p_hpa, sun_elev_deg. Prints JSON.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from tests.checks.table import Column, Position, Table, asked
from watcher.outlook.night.draws import MEMORY_H
from watcher.outlook.night.ensemble import STRUCTURE_K, nights
from watcher.outlook.night.model import Night, NightQuestion
from watcher.physics.longwave import STEFAN_BOLTZMANN_W_M2K4, cloud_factor, downwelling_w_m2
from watcher.physics.surface import DRY_BAY, Forcing, Surface, advance
from watcher.physics.transfer import KELVIN, pressure_hpa
from watcher.physics.vapour import dew_point_from_vapour_c, frost_point_from_vapour_c, over_water_hpa
from watcher.reports.decode import decode_report
from watcher.reports.model import Decoded, Forecast, Observation
from watcher.reports.station import Station
from watcher.units import KNOTS_PER_METRE_PER_SECOND

NIGHT_DEG = -0.833
AFTER_SUNRISE = timedelta(hours=3)
THIN_OKTA = 3
GROUPS = ("NSC", "FEW///", "FEW///", "SCT///", "SCT///", "BKN///", "BKN///", "BKN///", "OVC///")


def main() -> None:
    table, position = asked("tests.checks.substitution")
    if position is None:
        raise SystemExit("--position is needed: it says where the sun is")
    print(json.dumps(check(table, position)))


@dataclass(frozen=True)
class Measured:
    """The file's rows that have everything, and what the ensemble is to find."""

    times: list[datetime]
    temp: Column
    dew: Column
    wind: Column
    qnh: Column
    cloud: Column
    sun: Column
    frosted: np.ndarray


def check(table: Table, position: Position, seed: int = 1) -> dict[str, object]:
    noise = np.random.default_rng(seed)
    measured = _measured(table, position, noise)
    station = Station("XTAR", None, None, position.latitude_deg, position.longitude_deg, position.elevation_m)
    rows = [row for row, when in enumerate(measured.times) if when.minute % 30 == 0 and measured.sun[row] < NIGHT_DEG]
    reports = {row: _report(measured, row, noise) for row in rows}
    asked_at = [_question(station, reports[row], None, measured.times[row], measured.times[row]) for row in rows]
    chance = np.array([night.parts[0].steps[0].p_active_frost for night in nights(asked_at)])
    frosted = measured.frosted[rows].astype(float)
    rule = np.array([_rule(reports[row]) for row in rows])
    calibrated = np.where(rule, frosted[rule].mean(), frosted[~rule].mean())
    ensemble = np.mean((chance - frosted) ** 2)
    onset, end = _times(measured, station, noise)
    return {
        "rows": len(rows),
        "skill_vs_rule": round(1 - float(ensemble / np.mean((rule - frosted) ** 2)), 3),
        "skill_vs_calibrated_rule": round(1 - float(ensemble / np.mean((calibrated - frosted) ** 2)), 3),
        "onset_mae_h": onset,
        "end_mae_h": end,
    }


def _measured(table: Table, position: Position, noise: np.random.Generator) -> Measured:
    names = ("t_air_c", "rh_pct", "wind_ms", "p_hpa", "lw_down_wm2", "ghi_wm2", "sun_elev_deg")
    columns = {name: table.numbers(name) for name in names}
    whole = np.isfinite(sum(columns.values()))
    air, humidity, wind, pressure, sky, light, sun = (columns[name][whole] for name in names)
    times = table.times("time_utc")[whole]
    vapour = np.maximum(humidity, 1) / 100 * over_water_hpa(air)
    skin = _skin_c(times, Forcing(air, vapour, wind, sky, np.maximum(light, 0), pressure), noise)
    clear = downwelling_w_m2(air + KELVIN, vapour, 0.0)
    black = STEFAN_BOLTZMANN_W_M2K4 * (air + KELVIN) ** 4
    return Measured(
        times=[when.astype(datetime).replace(tzinfo=UTC) for when in times],
        temp=air,
        dew=np.minimum(dew_point_from_vapour_c(vapour), air),
        wind=wind,
        qnh=pressure * 1013.25 / float(pressure_hpa(position.elevation_m)),
        cloud=np.clip((sky - clear) / (black - clear), 0, 1),
        sun=sun,
        frosted=(skin <= 0) & (skin <= frost_point_from_vapour_c(vapour)),
    )


def _skin_c(times: np.ndarray, forcing: Forcing, noise: np.random.Generator) -> Column:
    """Return the skin under full measurements with the error of the model; at rest after each gap."""
    columns = [np.asarray(getattr(forcing, name)) for name in Forcing.__dataclass_fields__]
    skin, error = np.empty(len(times)), 0.0
    surface: Surface | None = None
    for row in range(len(times)):
        waited_s = float((times[row] - times[row - 1]) / np.timedelta64(1, "s")) if row else 1e9
        if surface is None or waited_s > 3600:
            surface = Surface(columns[0][row : row + 1], np.zeros(1), np.zeros(1))
            waited_s = 1e5
        acting = Forcing(*(column[row : row + 1] for column in columns))
        surface = advance(surface, acting, DRY_BAY, waited_s)
        kept = np.exp(-waited_s / 3600 / MEMORY_H)
        error = kept * error + np.sqrt(1 - kept**2) * STRUCTURE_K * noise.standard_normal()
        skin[row] = surface.skin_c[0] + error
    return skin


def _report(measured: Measured, row: int, noise: np.random.Generator) -> Observation:
    okta = int(np.clip(np.round(8 * np.sqrt(measured.cloud[row] / 0.9) + noise.standard_normal()), 0, 8))
    if okta <= THIN_OKTA and noise.random() < 0.5:
        okta = 0
    when, temp = measured.times[row], round(float(measured.temp[row]))
    dew = min(round(float(measured.dew[row])), temp)
    text = (
        f"METAR XTAR {when:%d%H%M}Z 000{_knots(measured.wind[row]):02d}KT 9999 {GROUPS[okta]} "
        f"{_degrees(measured.temp[row], temp)}/{_degrees(measured.dew[row], dew)} Q{measured.qnh[row]:04.0f}"
    )
    found = _decoded(text, when)
    assert isinstance(found, Observation), text
    return found


def _knots(wind_ms: float) -> int:
    return round(float(wind_ms) * KNOTS_PER_METRE_PER_SECOND)


def _degrees(exact: float, whole: int) -> str:
    return f"M{-whole:02d}" if whole < 0 or (whole == 0 and exact < 0) else f"{whole:02d}"


def _decoded(text: str, when: datetime) -> Decoded:
    return decode_report(text, received_at=when + timedelta(minutes=1))


def _rule(report: Observation) -> bool:
    assert report.temp_c is not None
    assert report.dew_point_c is not None
    return report.temp_c <= 3 and report.temp_c - report.dew_point_c <= 3


def _question(
    station: Station, report: Observation, forecast: Forecast | None, now: datetime, until: datetime
) -> NightQuestion:
    return NightQuestion(station, report, (), forecast, now, until)


def _times(measured: Measured, station: Station, noise: np.random.Generator) -> tuple[float | None, float | None]:
    """Return the mean error of onset and end in hours, over nights in which frost is likely and comes."""
    spans = _spans(measured)
    questions = [
        _question(
            station,
            _report(measured, first, noise),
            _forecast(measured, first, last, noise),
            measured.times[first],
            measured.times[last] + AFTER_SUNRISE,
        )
        for first, last in spans
    ]
    onsets, ends = [], []
    for (first, last), night in zip(spans, nights(questions), strict=True):
        until = last + int(AFTER_SUNRISE / timedelta(minutes=10))
        frosted = [
            measured.times[row] for row in range(first, min(until, len(measured.times))) if measured.frosted[row]
        ]
        if frosted and night.parts[0].p_any >= 0.5:
            onsets.append(_error_h(night, frosted[0], "onset"))
            ends.append(_error_h(night, frosted[-1] + timedelta(minutes=10), "end"))
    return tuple(round(float(np.mean(errors)), 2) if errors else None for errors in (onsets, ends))  # type: ignore[return-value]


def _error_h(night: Night, happened: datetime, which: str) -> float:
    times = getattr(night.parts[0], which)
    expected = night.ends_at if times is None or times.p50 is None else times.p50
    return abs(expected - happened) / timedelta(hours=1)


def _spans(measured: Measured) -> list[tuple[int, int]]:
    """Return the rows an hour after sunset and of sunrise, of nights without a gap."""
    dark = measured.sun < NIGHT_DEG
    turns = np.flatnonzero(dark[1:] != dark[:-1]) + 1
    spans = []
    for sunset, sunrise in zip(turns, turns[1:], strict=False):
        first = sunset + 6
        gap = max(
            (b - a for a, b in zip(measured.times[sunset:sunrise], measured.times[sunset + 1 : sunrise], strict=False)),
            default=timedelta(hours=9),
        )
        if dark[sunset] and first < sunrise and gap <= timedelta(hours=1):
            spans.append((int(first), int(sunrise)))
    return spans


def _forecast(measured: Measured, first: int, last: int, noise: np.random.Generator) -> Forecast:
    issued, sunrise = measured.times[first], measured.times[last]
    lowest = round(float(measured.temp[first : last + 1].min() + 1.5 * noise.standard_normal()))
    wind = max(0.0, float(measured.wind[first:last].mean() + 1.2 * noise.standard_normal()))
    cloud = np.clip(measured.cloud[first:last].mean() + 0.2 * noise.standard_normal(), 0, 1)
    okta = int(np.clip(np.round(8 * cloud / cloud_factor(np.ones(1), np.full(1, 914.4))), 0, 8))
    begins = issued.replace(minute=0)
    ends = begins + timedelta(hours=24)
    text = (
        f"TAF XTAR {issued:%d%H%M}Z {begins:%d%H}/{ends:%d%H} 270{_knots(wind):02d}KT 9999 "
        f"{GROUPS[okta].replace('///', '030')} TN{_degrees(lowest, lowest)}/{sunrise:%d%H}Z"
    )
    found = decode_report(text, received_at=issued + timedelta(minutes=1), kind="TAF")
    assert isinstance(found, Forecast), text
    return found


if __name__ == "__main__":
    main()
