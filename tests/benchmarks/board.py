"""The board of 500 invented stations under load, served by a process of its own. Prints one JSON object.

Each minute 5 % of the stations report something new; meanwhile the board is asked for 20 times a second, as a control
room does that reloads without any script. `--seconds`, `--a-second`, `--stations` say otherwise.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import httpx
import psutil

from tests.benchmarks.machine import machine
from tests.web.board_scenes import read_report, report_of
from tests.web.scenes import MINUTE, NOW, house_around, settings_of
from watcher.outlook.night.ensemble import nights
from watcher.reports.model import Report
from watcher.service.cycle import Cycle
from watcher.service.nights import NightPolicy, due_nights
from watcher.store.store import Store
from watcher.telemetry import set_up_logs
from watcher.web.app import build_app
from watcher.web.house import Hear
from watcher.web.server import WebServer

# Of the stations that report something new each minute.
_SHARE = 0.05
_TURN_EVERY_S = 5
_WEATHER = ("-SN", "SN", "-FZRA", "FZRA", "FZFG", "-RA", "BR", "", "", "", "", "")


def codes(count: int) -> list[str]:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return [f"X{letters[n // 676 % 26]}{letters[n // 26 % 26]}{letters[n % 26]}" for n in range(count)]


def settings_text(count: int) -> str:
    chance = random.Random(1)
    places = (
        f'[[station]]\ncode = "{code}"\nname = "Place of {code}"\nzone = "Europe/Oslo"\ncountry = "NO"\n'
        f'position = "{chance.uniform(50, 69):.2f},{chance.uniform(-8, 30):.2f},{chance.randrange(600)}"\n'
        for code in codes(count)
    )
    return f"[web]\nopen_reading = true\n[watch]\nstations = {json.dumps(codes(count))}\n{''.join(places)}"


def sign(temp_c: float) -> str:
    return f"{'M' if round(temp_c) < 0 else ''}{abs(round(temp_c)):02d}"


def reports(all_codes: Sequence[str], at: datetime, kind: str = "METAR") -> list[Report]:
    """What stations report at a time: each has its own temperatures, and weather that comes and goes."""
    found = []
    for code in all_codes:
        own = random.Random(code)
        hour = at.hour + at.minute / 60
        temp = own.gauss(-2, 4) + own.uniform(1, 4) * math.cos(2 * math.pi * (hour - 14) / 24)
        falls_from, weather = own.uniform(0, 24), own.choice(_WEATHER)
        now = weather if weather and (hour - falls_from) % 24 < 8 else ""
        spread, minute_luck = own.uniform(0.5, 5), random.Random(f"{code}{at}").gauss(0, 0.4)
        body = f"{own.randrange(36) * 10:03d}{own.randrange(1, 12):02d}KT {3000 if now else 9999} {now} {'OVC008' if now else 'FEW030'}"
        values = f"{sign(temp + minute_luck)}/{sign(temp - spread)} Q{own.randrange(990, 1035):04d}"
        found.append(report_of(code, at, " ".join(f"{body} {values}".split()), kind))
    return found


def tafs(all_codes: Sequence[str]) -> list[Report]:
    found = []
    for code in all_codes:
        own = random.Random(f"taf {code}")
        weather = own.choice(_WEATHER)
        change = own.choice(("TEMPO 1208/1212", "PROB30 1210/1216", "BECMG 1207/1209", "PROB40 TEMPO 1212/1218"))
        more = f" {change} 2500 {weather} BKN008" if weather else ""
        text = f"TAF {code} 112300Z 1200/1306 24008KT 9999 BKN020 TX{sign(own.gauss(1, 3))}/1213Z TN{sign(own.gauss(-4, 3))}/1306Z{more}"
        found.append(read_report(text, received_at=NOW - timedelta(hours=7)))
    return found


async def serve(folder: Path, count: int) -> None:
    """Play thirteen hours, restart, serve, and let a few stations report every five seconds."""
    settings = settings_of(settings_text(count))
    store = Store.open(f"sqlite:///{folder / 'board.db'}")
    all_codes = codes(count)
    watch = house_around(store, settings).watch
    played = Cycle(store, watch)
    played.load(NOW - timedelta(hours=14))
    for half_hours in range(26, -1, -1):
        at = NOW - 10 * MINUTE - timedelta(minutes=30) * half_hours
        played.turn(reports(all_codes, at), at + 5 * MINUTE)
    played.turn(tafs(all_codes), NOW)
    cycle = Cycle(store, watch)
    cycle.load(NOW)
    cycle.turn((), NOW)
    members = 100
    found = nights(due_nights(cycle.views, NightPolicy(members=members), NOW), members=members)
    cycle.turn((), NOW, {night.station: night for night in found})

    begun = time.monotonic()
    hearers: list[Hear] = []
    house = house_around(
        store,
        settings,
        clock=lambda: NOW + timedelta(seconds=time.monotonic() - begun),
        views=lambda: cycle.views,
        after_turn=hearers.append,
    )
    chance, changed = random.Random(2), 0
    async with WebServer(build_app(replace(house, watch=watch)), "127.0.0.1:0") as server:
        print(server.port, flush=True)
        stop = asyncio.create_task(asyncio.to_thread(sys.stdin.readline))
        while not stop.done():
            await asyncio.wait({stop}, timeout=_TURN_EVERY_S)
            now = house.clock()
            some = chance.sample(all_codes, max(1, round(count * _SHARE * _TURN_EVERY_S / 60)))
            changed += len(some)
            await asyncio.to_thread(cycle.turn, reports(some, now - MINUTE, "SPECI"), now)
            for hear in hearers:
                hear()
    print(json.dumps({"changed": changed, "opened": sum(bool(view.episodes) for view in cycle.views.values())}))
    store.close()


async def ask(client: httpx.AsyncClient, url: str, spans: list[float], sizes: list[int]) -> None:
    begun = time.monotonic()
    async with client.stream("GET", url, headers={"Accept-Encoding": "gzip"}) as answer:
        assert answer.status_code == 200, answer.status_code
        length = 0
        async for some in answer.aiter_raw():
            length += len(some)
    spans.append((time.monotonic() - begun) * 1000)
    sizes.append(length)


async def measure(count: int, seconds: int, a_second: int) -> dict[str, object]:
    with tempfile.TemporaryDirectory() as folder:
        child = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tests.benchmarks.board", "--serve", folder, "--stations", str(count)),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            url = f"http://127.0.0.1:{int(await child.stdout.readline())}/"
            process = psutil.Process(child.pid)
            spans: list[float] = []
            sizes: list[int] = []
            async with httpx.AsyncClient(timeout=30) as client:
                idle = process.cpu_times()
                await ask(client, url, first := [], sizes)
                made = process.cpu_times()
                plain = len((await client.get(url, headers={"Accept-Encoding": "identity"})).content)
                busy, begun = process.cpu_times(), time.monotonic()
                asking: list[asyncio.Task[None]] = []
                for number in range(seconds * a_second):
                    await asyncio.sleep(max(0.0, begun + number / a_second - time.monotonic()))
                    asking.append(asyncio.create_task(ask(client, url, spans, sizes)))
                await asyncio.gather(*asking)
            used = process.cpu_times()
            memory = process.memory_info().rss
            child.stdin.write(b"stop\n")
            said = json.loads(await child.stdout.readline())
        finally:
            child.stdin.close()
            await child.wait()
    spans.sort()
    return {
        "stations": count,
        "with_alerts": said["opened"],
        "reports_meanwhile": said["changed"],
        "requests": len(spans),
        "first_page_after_restart_ms": round(first[0]),
        "first_page_processor_ms": round((sum(made[:2]) - sum(idle[:2])) * 1000),
        "p50_ms": round(statistics.median(spans), 1),
        "p99_ms": round(spans[int(len(spans) * 0.99) - 1], 1),
        "worst_ms": round(spans[-1], 1),
        "compressed_kib": round(max(sizes) / 1024, 1),
        "plain_kib": round(plain / 1024, 1),
        "server_busy": round((sum(used[:2]) - sum(busy[:2])) / seconds, 2),
        "server_mib": round(memory / 2**20),
        "load_average": round(psutil.getloadavg()[0], 1),
        "machine": machine(),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--serve", type=Path)
    parser.add_argument("--stations", type=int, default=500)
    parser.add_argument("--seconds", type=int, default=30)
    parser.add_argument("--a-second", type=int, default=20)
    given = parser.parse_args()
    set_up_logs("quiet")
    if given.serve is not None:
        asyncio.run(serve(given.serve, given.stations))
    else:
        print(json.dumps(asyncio.run(measure(given.stations, given.seconds, given.a_second)), indent=2))


if __name__ == "__main__":
    main()
