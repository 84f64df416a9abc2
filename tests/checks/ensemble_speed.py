"""How long the night's ensemble takes, what it holds in memory, and how far a halved step moves an answer.

Invented stations in winter, one third with a TAF that changes twice, one third with a plain one, one third with none and
with six hours of past reports. Processor time counts all threads: on a busy machine it tells more than the clock.

python -m tests.checks.ensemble_speed

Prints JSON: 200 stations x 200 members x 15 hours x three parts, then 1,500 stations in one call.
"""

from __future__ import annotations

import json
import os
import platform
import random
import resource
import sys
import time
from datetime import UTC, datetime, timedelta

import numpy as np

from watcher.outlook.night.ensemble import nights
from watcher.outlook.night.model import Night, NightQuestion
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation
from watcher.reports.station import Station
from watcher.rulebook.history import Moment

NOW = datetime(2026, 1, 12, 18, 5, tzinfo=UTC)
AHEAD = timedelta(hours=15)
SKIES = ("CAVOK", "9999 FEW020", "9999 SCT030 BKN100", "9999 OVC012", "6000 BR NSC", "0300 FG VV001", "4000 -SN OVC010")
RUNS = 5


def main() -> None:
    nights(questions(4))
    print(json.dumps({"machine": _machine(), "stations_200": _timed(200, RUNS), "stations_1500": _timed(1500, 2)}))


def questions(count: int, seed: int = 1) -> list[NightQuestion]:
    """Return questions of invented stations."""
    chance = random.Random(seed)
    return [_question(number, chance) for number in range(count)]


def _question(number: int, chance: random.Random) -> NightQuestion:
    code = f"X{chr(65 + number // 676 % 26)}{chr(65 + number // 26 % 26)}{chr(65 + number % 26)}"
    temp = chance.randint(-10, 8)
    sky = chance.choice(SKIES)
    report = f"METAR {code} 121750Z 270{chance.randint(0, 15):02d}KT {sky} {_c(temp)}/{_c(temp - chance.randint(0, 6))} Q1015"
    observation = decode_report(report, received_at=NOW)
    assert isinstance(observation, Observation)
    return NightQuestion(
        station=Station(code, None, None, chance.uniform(45, 66), chance.uniform(-10, 30), chance.uniform(0, 600)),
        latest=observation,
        history=_history(temp) if number % 3 == 2 else (),
        forecast=(_forecast(code, temp, sky, changes=number % 3 == 0) if number % 3 < 2 else None),
        now=NOW,
        until=NOW + AHEAD,
    )


def _history(temp: int) -> tuple[Moment, ...]:
    return tuple(
        Moment(
            NOW - timedelta(hours=hours, minutes=15),
            routine=True,
            temp_c=temp + 0.6 * hours,
            precipitation=False,
            wet=False,
        )
        for hours in range(6, 0, -1)
    )


def _forecast(code: str, temp: int, sky: str, *, changes: bool) -> Forecast:
    text = f"TAF {code} 121700Z 1218/1318 27005KT {sky} TN{_c(temp - 5)}/1306Z"
    if changes:
        text += " BECMG 1300/1302 24008KT 9999 BKN020 TEMPO 1302/1306 3000 -SN BKN008"
    found = decode_report(text, received_at=NOW, kind="TAF")
    assert isinstance(found, Forecast)
    return found


def _c(temp: int) -> str:
    return f"M{-temp:02d}" if temp < 0 else f"{temp:02d}"


def _timed(stations: int, runs: int) -> dict[str, float]:
    asked = questions(stations)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    clocks, used = [], []
    for _ in range(runs):
        wall, cpu = time.perf_counter(), time.process_time()
        answers = nights(asked)
        clocks.append(time.perf_counter() - wall)
        used.append(time.process_time() - cpu)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    found = {
        "best_s": round(min(clocks), 3),
        "median_s": round(float(np.median(clocks)), 3),
        "best_processor_s": round(min(used), 3),
        "peak_memory_grown_mib": round(grown, 1),
    }
    if stations <= 200:
        changes = _changes(answers, nights(asked, dt=timedelta(minutes=5)))
        found["halved_step_moves_p_by"] = round(float(changes.max()), 4)
        found["halved_step_share_over_0_02"] = round(float((changes > 0.0201).mean()), 5)
    return found


def _changes(answers: tuple[Night, ...], others: tuple[Night, ...]) -> np.ndarray:
    """Return how far every chance of every step moves."""
    return np.array(
        [
            abs(getattr(step, name) - getattr(same, name))
            for night, other in zip(answers, others, strict=True)
            for part, again in zip(night.parts, other.parts, strict=True)
            for step, same in zip(part.steps, again.steps, strict=True)
            for name in ("p_active_frost", "p_deposit", "p_frozen_residual", "p_precipitation")
        ]
    )


def _machine() -> dict[str, object]:
    return {
        "python": sys.version.split()[0],
        "numpy": np.__version__,
        "processors": os.cpu_count(),
        "machine": platform.machine(),
        "load": round(os.getloadavg()[0], 1),
    }


if __name__ == "__main__":
    main()
