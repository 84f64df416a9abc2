"""One plan of a departure: with its hours ahead computed in it, and the hours ahead alone.

The processor's time counts: on a machine that does other things as well the clock says little.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from statistics import median
from time import perf_counter, process_time

from tests.benchmarks.machine import machine
from tests.treatment.departing import NOW, SNOW, departure, fluid_rules, profile, shipped, tables, weather
from watcher.treatment.case import asked_of, part_of
from watcher.treatment.plan import plan
from watcher.treatment.weather_ahead import ahead_of

ROUNDS, MEMBERS = 30, 200
TAF = "1203/1218 34008KT 3000 -SN OVC012 TEMPO 1204/1208 1200 SN BECMG 1208/1210 9999 NSW TX01/1212Z TNM04/1206Z"


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Return the medians of the clock and of the processor, in ms."""
    clock, processor = [], []
    for _ in range(ROUNDS):
        begun, begun_processor = perf_counter(), process_time()
        work()
        clock.append(perf_counter() - begun)
        processor.append(process_time() - begun_processor)
    return round(median(clock) * 1e3, 1), round(median(processor) * 1e3, 1)


def main() -> None:
    asked, jet, station, at = weather(SNOW, TAF), profile(), shipped(), tables()
    question, part = asked_of(departure(), asked, NOW), part_of(jet)

    def whole() -> object:
        return plan(departure(), asked, station, jet, fluid_rules(), at, NOW, members=MEMBERS, training=True)

    whole()
    clock, processor = timed(whole)
    ahead_clock, ahead_processor = timed(lambda: ahead_of([(question, part)], members=MEMBERS))
    figures = {
        "members": MEMBERS,
        "places": len(station.sites),
        "fluids": len(station.fluids),
        "plan_ms": clock,
        "plan_processor_ms": processor,
        "of_it_hours_ahead_ms": ahead_clock,
        "of_it_hours_ahead_processor_ms": ahead_processor,
        "machine": machine(),
    }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
