"""The skin of parked wings alone: 200 stations x 200 members x 90 steps of ten minutes x three parts. Prints JSON.

Forcing worked out once a step for all parts, single precision, stations taken in blocks that stay in the cache, blocks
shared by two threads. Also in the same run: one thread by the clock and by the processor (what a busy machine does not
change), and double precision and all stations in one block as ratios of that. The
night is a mix: air -8 to 5 °C, spread 0 to 4 K, wind 0 to 6 m/s, any cloud, so that frost, dew and melt all occur.

python -m tests.benchmarks.skin
"""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from statistics import median
from time import perf_counter, process_time

import numpy as np

from tests.benchmarks.machine import machine
from watcher.physics.longwave import downwelling_w_m2
from watcher.physics.surface import (
    DRY_BAY,
    TANK_FULL,
    TANK_PART,
    Forcing,
    Part,
    Surface,
    Uncertain,
    exchange,
    step,
)
from watcher.physics.vapour import over_water_hpa

STATIONS, MEMBERS, STEPS, DT_S, BLOCK, ROUNDS = 200, 200, 90, 600.0, 40, 5
PARTS = (DRY_BAY, TANK_FULL, TANK_PART)


@dataclass(frozen=True)
class Block:
    """Some stations: their weather, what is unsure, and where their wings begin."""

    forcing: Forcing
    unsure: Uncertain
    beginning: dict[Part, Surface]


def blocks(stations: int, kind: type[np.floating]) -> list[Block]:
    return [_block(np.random.default_rng(first), stations, kind) for first in range(0, STATIONS, stations)]


def _block(draw: np.random.Generator, stations: int, kind: type[np.floating]) -> Block:
    shape = (stations, MEMBERS)
    air, spread, wind, cloud = (
        draw.uniform(low, high, shape).astype(kind) for low, high in ((-8, 5), (0, 4), (0, 6), (0, 1))
    )
    vapour = over_water_hpa(air - spread)
    sky = downwelling_w_m2(air + 273.15, vapour, cloud)
    pressure = np.full((stations, 1), 1000, kind)
    unsure = Uncertain(
        draw.uniform(0.85, 0.95, shape).astype(kind),
        np.exp(draw.normal(0, 0.2, shape)).astype(kind),
        np.exp(draw.normal(0, 0.3, shape)).astype(kind),
    )
    nothing = np.zeros(shape, kind)
    beginning = {
        part: Surface(air, nothing, nothing, None if part.fuel_capacity_j_m2k is None else air + 5) for part in PARTS
    }
    return Block(Forcing(air, vapour, wind, sky, 0.0, pressure), unsure, beginning)


def run(block: Block) -> None:
    surfaces = dict(block.beginning)
    for _ in range(STEPS):
        acting = exchange(block.forcing, block.unsure)
        for part, surface in surfaces.items():
            surfaces[part] = step(surface, acting, part, DT_S)


def seconds(work: list[Block], threads: int) -> tuple[float, float]:
    """Return the time by the clock and the time of the processor, each as the median of the rounds."""
    clock, processor = [], []
    for _ in range(ROUNDS):
        with ThreadPoolExecutor(threads) as pool:
            begun, begun_processor = perf_counter(), process_time()
            list(pool.map(run, work))
            clock.append(perf_counter() - begun)
            processor.append(process_time() - begun_processor)
    return median(clock), median(processor)


def main() -> None:
    in_blocks = blocks(BLOCK, np.float32)
    two, _ = seconds(in_blocks, 2)
    clock, one = seconds(in_blocks, 1)
    _, double = seconds(blocks(BLOCK, np.float64), 1)
    _, whole = seconds(blocks(STATIONS, np.float32), 1)
    figures = {
        "stations": STATIONS,
        "members": MEMBERS,
        "steps": STEPS,
        "parts": len(PARTS),
        "two_threads_s": round(two, 3),
        "one_thread_s": round(clock, 3),
        "one_thread_processor_s": round(one, 3),
        "ns_per_member_step_and_part": round(one / (STATIONS * MEMBERS * STEPS * len(PARTS)) * 1e9, 1),
        "double_over_single": round(double / one, 2),
        "one_block_over_blocks": round(whole / one, 2),
        "numpy": np.__version__,
        "machine": machine(),
    }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
