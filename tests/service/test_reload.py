"""SIGHUP reads settings and rules again; wrong ones change nothing and are told; SIGTERM stops in order."""

from __future__ import annotations

import asyncio
import signal
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.chosen import database_at
from tests.service.night_watch import surroundings
from watcher.clock import utc_now
from watcher.service.manage import Management
from watcher.settings import load_settings
from watcher.stations import StationTable
from watcher.store.store import Store

pytestmark = pytest.mark.anyio


@dataclass(frozen=True)
class Running:
    """The command `hoarline run` as a process, with its log lines."""

    process: asyncio.subprocess.Process

    async def says(self, words: str) -> str:
        async with asyncio.timeout(30):
            while line := (await self.process.stderr.readline()).decode():
                if words in line:
                    return line
        raise AssertionError(f"the log ended without: {words}")

    async def reload(self, words: str) -> str:
        self.process.send_signal(signal.SIGHUP)
        return await self.says(words)

    async def stop(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        await self.says("stopped")
        return await self.process.wait()


@asynccontextmanager
async def running(settings: Path) -> AsyncIterator[Running]:
    """Run the command with these settings; it ends with the test, however that ends."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "watcher.cli", "run", "--config", str(settings),
        stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        yield Running(process)
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


async def test_wrong_settings_leave_the_old_ones_in_force_and_good_ones_take_over(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], every="1h") as around, running(around.settings) as service:
        good = around.settings.read_text()
        assert "stations=1" in await service.says("running")
        around.settings.write_text(good.replace('flags = ["freezing-precipitation"]', 'flags = ["freezing-precip"]'))
        told = await service.reload("not reloaded")
        assert "did you mean freezing-precipitation?" in told
        assert service.process.returncode is None
        around.settings.write_text(good.replace('stations = ["XNOR"]', 'stations = ["XNOR", "XBAY"]'))
        assert "stations=2" in await service.reload("running")
        assert await service.stop() == 0


BOARD = '[web]\nbind = "127.0.0.1:0"'
RAMP = {"name": "ramp", "kind": "email", "address": "ramp@example.org"}


def add_ramp(settings: Path) -> None:
    """Add a destination by command, as somebody does while the service runs."""
    read = load_settings(settings, {})
    with closing(Store.open(read.text.store.url)) as store:
        Management(read, store, StationTable.load().get).add_destination(RAMP, None, utc_now())


@pytest.mark.parametrize("wrong", ["health port", "board port", "database", "name twice"])
async def test_what_only_trying_shows_puts_the_old_settings_in_force_again(tmp_path, wrong):
    """A port that somebody else has, a database that cannot be opened, a destination that the store has already."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        taken = f"127.0.0.1:{server.getsockname()[1]}"
        async with (
            surroundings(tmp_path, ["XNOR"], every="1h", more=BOARD) as around,
            running(around.settings) as service,
        ):
            good = around.settings.read_text()
            await service.says("running")
            match wrong:
                case "health port":
                    told, new = taken, good.replace("127.0.0.1:0", taken, 1)
                case "board port":
                    told, new = taken, good.replace(BOARD, BOARD.replace("127.0.0.1:0", taken))
                case "database":
                    told, new = (
                        "nowhere",
                        good.replace(database_at(tmp_path / "hoarline.db"), "sqlite:////nowhere/a.db"),
                    )
                case _:
                    add_ramp(around.settings)
                    section = "".join(f'{key} = "{value}"\n' for key, value in RAMP.items())
                    told, new = "in the settings and in the store", f"{good}\n[[destination]]\n{section}"
            assert new != good
            around.settings.write_text(new)
            assert told in await service.reload("not reloaded, the old settings are in force again")
            await service.says("running")
            assert await service.stop() == 0


async def test_a_port_that_is_taken_at_the_start_is_told_in_one_line(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as server:
        taken = f"127.0.0.1:{server.getsockname()[1]}"
        async with surroundings(tmp_path, ["XNOR"], every="1h") as around:
            around.settings.write_text(around.settings.read_text().replace("127.0.0.1:0", taken))
            async with running(around.settings) as service:
                _, told = await service.process.communicate()
    assert service.process.returncode == 1
    why = "this process cannot listen there (address already in use)"
    assert told.decode().strip().splitlines()[-1] == f"hoarline: [health] bind = {taken}: {why}"
    assert "Traceback" not in told.decode()


async def test_wrong_rules_stop_the_start_with_file_rule_and_the_nearest_word(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], every="1h") as around:
        rules = tmp_path / "rules"
        rules.mkdir()
        (rules / "mine.toml").write_text(
            '[[rule]]\nname = "mine"\nflag = "snow"\nlevel = "treat"\ntext = "Snow"\nsource = "memory"\n'
            'when = { field = "temp_f", op = "<", value = 0 }\n'
        )
        around.settings.write_text(around.settings.read_text() + '[rules]\nfolder = "rules"\n')
        async with running(around.settings) as service:
            _, told = await service.process.communicate()
    assert service.process.returncode == 2
    assert 'mine.toml: rule "mine"' in told.decode()
    assert "did you mean temp_c?" in told.decode()
