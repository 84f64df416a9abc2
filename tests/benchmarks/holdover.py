"""Look-ups a second in the shipped tables, one thread, answers not kept. Prints JSON.

Four kinds: snow by night and freezing drizzle of a report (whole degrees), snow where light and surface are not known
(Type I), and a choice among five fluids. The same in one run: how much a question of a single temperature and known
light costs against the first (a ratio that the machine does not change).

python -m tests.benchmarks.holdover
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from statistics import median
from time import perf_counter

from tests.benchmarks.machine import machine
from watcher.service.tables_folder import load_fluid_rules, load_tables
from watcher.service.treatment_files import load_operations
from watcher.treatment.fluids import choose_fluid
from watcher.treatment.holdover import HoldoverQuestion, look_up
from watcher.treatment.words import FluidType

NOW = datetime(2026, 1, 12, 6, tzinfo=UTC)
ROUNDS, COUNT = 5, 2000
SNOW = HoldoverQuestion(FluidType.IV, "100/0", -2.5, -1.5, ("-SN", "BR"), 2500.0, night=True)
QUESTIONS = {
    "snow": SNOW,
    "freezing_drizzle": replace(SNOW, weather=("FZDZ", "BR"), visibility_m=3000.0),
    "type_1_light_and_surface_unknown": replace(SNOW, fluid=FluidType.I, mix=None, night=None),
    "exact": replace(SNOW, temp_low_c=-2.0, temp_high_c=-2.0),
}


def a_second(work: Callable[[], object], count: int) -> float:
    """Return how often the work is done in a second, as the median of the rounds."""
    found = []
    for _ in range(ROUNDS):
        begun = perf_counter()
        for _ in range(count):
            work()
        found.append(count / (perf_counter() - begun))
    return median(found)


def main() -> None:
    begun = perf_counter()
    tables, rules = load_tables(), load_fluid_rules()
    loaded = perf_counter() - begun
    rates = {
        name: a_second(lambda asked=question: look_up(asked, tables, NOW, training=True), COUNT)
        for name, question in QUESTIONS.items()
    }
    offers = load_operations()["XNOR"].fluids
    choices = a_second(lambda: choose_fluid(offers, SNOW, tables, rules, NOW, training=True), COUNT // 5)
    figures = {
        "look_ups_a_second": {name: round(rate) for name, rate in rates.items()},
        "exact_over_rounded": round(rates["exact"] / rates["snow"], 2),
        "fluids": len(offers),
        "choices_a_second": round(choices),
        "load_all_tables_ms": round(loaded * 1000),
        "machine": machine(),
    }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
