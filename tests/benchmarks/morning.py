"""A morning list of 300 departures at one station, each parked at its own time, with 200 members."""

from __future__ import annotations

import json
from datetime import timedelta
from statistics import median
from time import perf_counter, process_time

from tests.benchmarks.machine import machine
from tests.benchmarks.plan import MEMBERS, TAF
from tests.treatment.departing import NOW, SNOW, fleet, fluid_rules, shipped, tables, weather
from watcher.treatment.morning import Desk, morning
from watcher.treatment.parse_departures import Listed, parse_departures

ROUNDS, DEPARTURES = 5, 300


def listed() -> tuple[Listed, ...]:
    """Return the departures: one every 84 s for seven hours, of five kinds of aircraft."""
    names, rows = list(fleet().profiles), ["flight,aircraft,off_block,arrived"]
    for number in range(DEPARTURES):
        off = NOW + timedelta(minutes=60 + number * 420 / DEPARTURES)
        parked = NOW - timedelta(minutes=300 - number)
        rows.append(f"HL{number:03},{names[number % len(names)]},{off:%H%MZ},{parked:%H%MZ}")
    return parse_departures("\n".join(rows), "list", now=NOW, zones={"XNOR": shipped().zone}, station="XNOR")


def main() -> None:
    rows = listed()
    desk = Desk({"XNOR": weather(SNOW, TAF)}, {"XNOR": shipped()}, fleet(), fluid_rules(), tables(), training=True)
    clock, processor = [], []
    for _ in range(ROUNDS):
        begun, begun_processor = perf_counter(), process_time()
        made = morning(rows, desk, NOW, members=MEMBERS)
        clock.append(perf_counter() - begun)
        processor.append(process_time() - begun_processor)
    figures = {
        "departures": len(made.lines),
        "different_aircraft": len({each.departure.parked for each in rows}),
        "members": MEMBERS,
        "half_hours": len(made.load),
        "list_s": round(median(clock), 2),
        "list_processor_s": round(median(processor), 2),
        "machine": machine(),
    }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
