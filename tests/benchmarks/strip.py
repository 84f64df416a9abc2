"""Strips of 500 invented stations as they stand in the rows of one page. Prints one JSON object.

The bytes of a strip are what the page grows by with it: the page of all strips less the page of none, by their number,
compressed as a server does (gzip, level 6).

python -m tests.benchmarks.strip
"""

from __future__ import annotations

import gzip
import json
import statistics
from collections.abc import Callable
from time import perf_counter

from tests.benchmarks.machine import machine
from tests.pictures.scenes import NOW, varied
from watcher.alerts.model import Policy
from watcher.pictures import marks
from watcher.pictures.band import band_of
from watcher.pictures.strip import axis, css, strip_of

STATIONS = 500
ROUNDS = 3


def median_s(work: Callable[[], object]) -> float:
    times = []
    for _ in range(ROUNDS):
        begin = perf_counter()
        work()
        times.append(perf_counter() - begin)
    return statistics.median(times)


def page(rows: list[str]) -> bytes:
    return "\n".join([marks.symbols(), axis(NOW), *(f'<li class="row">{row}</li>' for row in rows)]).encode()


def packed(content: bytes) -> int:
    return len(gzip.compress(content, 6))


def main() -> None:
    scenes = [varied(seed) for seed in range(STATIONS)]
    policy = Policy()
    bands = [band_of(scene.view, scene.past, scene.ended, policy, NOW) for scene in scenes]
    strips = [strip_of(band) for band in bands]
    rows = [strip.inline(NOW) for strip in strips]
    raw, gzipped = len(page(rows)) - len(page([])), packed(page(rows)) - packed(page([]))
    put_together = median_s(lambda: [band_of(s.view, s.past, s.ended, policy, NOW) for s in scenes])
    drawing = median_s(lambda: [strip_of(band) for band in bands])
    showing = median_s(lambda: [strip.inline(NOW) for strip in strips])
    figures = {
        "stations": STATIONS,
        "with_frost_forecast": sum(scene.view.night is not None for scene in scenes),
        "with_levels": sum(bool(band.levels) for band in bands),
        "with_weather": sum(bool(band.weather) for band in bands),
        "bytes_each_raw": round(raw / STATIONS),
        "bytes_each_gzip": round(gzipped / STATIONS),
        "all_strips_gzip_kib": round(gzipped / 1024, 1),
        "style_rules_gzip": packed(css().encode()),
        "bands_a_second": round(STATIONS / put_together),
        "strips_drawn_a_second": round(STATIONS / drawing),
        "strips_shown_a_second": round(STATIONS / showing),
        "machine": machine(),
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    main()
