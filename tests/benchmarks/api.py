"""The API on the invented morning, with 5,000 stations: lists, a look, a plan; and how a long list holds up the others."""

from __future__ import annotations

import asyncio
import json
import tempfile
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from statistics import median, quantiles
from time import perf_counter

import httpx

from tests.benchmarks.machine import machine
from tests.web.board_scenes import judged, morning
from watcher.alerts.model import StationView
from watcher.store.store import Store

STATIONS, ROUNDS, DEPARTURES = 5000, 15, 300


def copies(views: dict[str, StationView]) -> dict[str, StationView]:
    """Return so many stations that stand as the six of the morning do; of their alerts only those of the six are kept."""
    found = dict(views)
    for number in range(STATIONS - len(views)):
        first, second = divmod(number, 676)
        code = f"Y{chr(65 + first)}{chr(65 + second // 26)}{chr(65 + second % 26)}"
        view = list(views.values())[number % len(views)]
        found[code] = replace(view, station=replace(view.station, code=code))
    return found


async def timed(ask: Callable[[], Awaitable[httpx.Response]], rounds: int = ROUNDS) -> list[float]:
    """Return how many milliseconds each answer took."""
    took = []
    for _ in range(rounds):
        begun = perf_counter()
        answer = await ask()
        took.append((perf_counter() - begun) * 1000)
        assert answer.status_code == 200, answer.text
    return took


def departures() -> str:
    rows = [f"HL{number},medium-jet,{7 + number // 60 % 12:02}{number % 60:02}Z" for number in range(DEPARTURES)]
    return "\n".join(["flight,aircraft,off_block", *rows])


async def measured(store: Store) -> dict[str, object]:
    async with morning(store, judged(store)) as opened:
        views = copies(dict(opened.cycle.views))
        object.__setattr__(opened.house, "views", lambda: views)
        opened.client.timeout = httpx.Timeout(120)
        opened.client.headers["Authorization"] = f"Bearer {opened.token('read')}"

        def get(path: str) -> Callable[[], Awaitable[httpx.Response]]:
            return lambda: opened.client.get(f"{opened.origin}/api/v1{path}")

        def post(path: str, **body: object) -> Callable[[], Awaitable[httpx.Response]]:
            return lambda: opened.client.post(f"{opened.origin}/api/v1{path}", **body)  # type: ignore[arg-type]

        flight = {"flight": "XA 12", "aircraft": "medium-jet", "off_block": "0730Z", "training": True}
        a_list = post("/morning?station=XNOR&training=true", content=departures(), headers={"Content-Type": "text/csv"})
        figures = {
            "stations_500_of_5000_ms": median(await timed(get("/stations?limit=500"))),
            "stations_no_time_ms": median(await timed(get("/stations?level=no-time&limit=50"))),
            "station_now_ms": median(await timed(get("/stations/XFEL"))),
            "night_ms": median(await timed(get("/stations/XBAY/night?until=1000Z"))),
            "plan_ms": median(await timed(post("/departures/plan", json=flight))),
            "status_ms": median(await timed(get("/status"))),
        }
        await a_list()
        begun = perf_counter()
        lists = [asyncio.create_task(a_list()) for _ in range(4)]
        meanwhile: list[float] = []
        while not all(task.done() for task in lists):
            meanwhile += await timed(get("/episodes?limit=20"), 1)
            await asyncio.sleep(0.02)
        assert {task.result().status_code for task in lists} == {200}
        figures |= {
            "four_lists_s": perf_counter() - begun,
            "episodes_beside_them_ms": median(meanwhile),
            "episodes_beside_them_p99_ms": quantiles(meanwhile, n=100)[98],
        }
        return {name: round(value, 1) for name, value in figures.items()}


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(f"sqlite:///{Path(folder) / 'api.db'}")
        try:
            figures = asyncio.run(measured(store))
        finally:
            store.close()
    print(json.dumps({"stations": STATIONS, "departures": DEPARTURES, **figures, "machine": machine()}))


if __name__ == "__main__":
    main()
