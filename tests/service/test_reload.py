"""SIGHUP reads settings and rules again; wrong ones change nothing and are told; SIGTERM stops in order."""

from __future__ import annotations

import asyncio
import signal
import socket
import sys
from contextlib import closing

import pytest

from tests.chosen import database_at
from tests.service.night_watch import surroundings
from watcher.clock import utc_now
from watcher.service.manage import Management
from watcher.settings import load_settings
from watcher.stations import StationTable
from watcher.store.store import Store

pytestmark = pytest.mark.anyio


class Running:
    """The command `hoarline run` as a process, with its log lines."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process

    async def says(self, words: str) -> str:
        async with asyncio.timeout(30):
            while line := (await self.process.stderr.readline()).decode():
                if words in line:
                    return line
        raise AssertionError(f"the log ended without: {words}")


async def test_wrong_settings_leave_the_old_ones_in_force_and_good_ones_take_over(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], every="1h") as around:
        good = around.settings.read_text()
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "watcher.cli", "run", "--config", str(around.settings),
            stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        service = Running(process)
        assert "stations=1" in await service.says("running")
        around.settings.write_text(good.replace('flags = ["freezing-precipitation"]', 'flags = ["freezing-precip"]'))
        process.send_signal(signal.SIGHUP)
        told = await service.says("not reloaded")
        assert "did you mean freezing-precipitation?" in told
        assert process.returncode is None
        around.settings.write_text(good.replace('stations = ["XNOR"]', 'stations = ["XNOR", "XBAY"]'))
        process.send_signal(signal.SIGHUP)
        assert "stations=2" in await service.says("running")
        process.send_signal(signal.SIGTERM)
        await service.says("stopped")
        assert await process.wait() == 0


@pytest.mark.parametrize("wrong", ["health port", "board port", "database", "name twice"])
async def test_what_only_trying_shows_puts_the_old_settings_in_force_again(tmp_path, wrong):
    """A port that somebody else has, a database that cannot be opened, a destination that the store has already."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        async with surroundings(tmp_path, ["XNOR"], every="1h", more='[web]\nbind = "127.0.0.1:0"') as around:
            good = around.settings.read_text()
            others = '\n[[destination]]\nname = "ramp"\nkind = "email"\naddress = "ramp@example.org"\n'
            told, new = {
                "health port": (f"127.0.0.1:{port}", good.replace("127.0.0.1:0", f"127.0.0.1:{port}", 1)),
                "board port": (
                    f"127.0.0.1:{port}",
                    good.replace('[web]\nbind = "127.0.0.1:0"', f'[web]\nbind = "127.0.0.1:{port}"'),
                ),
                "database": ("nowhere", good.replace(database_at(tmp_path / "hoarline.db"), "sqlite:////nowhere/a.db")),
                "name twice": ("in the settings and in the store", good + others),
            }[wrong]
            assert new != good
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "watcher.cli", "run", "--config", str(around.settings),
                stderr=asyncio.subprocess.PIPE,
            )  # fmt: skip
            service = Running(process)
            await service.says("running")
            if wrong == "name twice":
                with closing(Store.open(database_at(tmp_path / "hoarline.db"))) as store:
                    spec = {"kind": "email", "address": "ramp@example.org"}
                    people = Management(load_settings(around.settings, {}), store, StationTable.load().get)
                    people.add_destination({"name": "ramp", **spec}, None, utc_now())
            around.settings.write_text(new)
            process.send_signal(signal.SIGHUP)
            assert told in await service.says("not reloaded, the old settings are in force again")
            await service.says("running")
            process.send_signal(signal.SIGTERM)
            await service.says("stopped")
            assert await process.wait() == 0


async def test_a_port_that_is_taken_at_the_start_is_told_in_one_line(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        async with surroundings(tmp_path, ["XNOR"], every="1h") as around:
            around.settings.write_text(around.settings.read_text().replace("127.0.0.1:0", f"127.0.0.1:{port}"))
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "watcher.cli", "run", "--config", str(around.settings),
                stderr=asyncio.subprocess.PIPE,
            )  # fmt: skip
            _, told = await process.communicate()
    assert process.returncode == 1
    last = told.decode().strip().splitlines()[-1]
    assert (
        last == f"hoarline: [health] bind = 127.0.0.1:{port}: this process cannot listen there (address already in use)"
    )
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
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "watcher.cli", "run", "--config", str(around.settings),
            stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        _, told = await process.communicate()
        assert process.returncode == 2
        assert 'mine.toml: rule "mine"' in told.decode()
        assert "did you mean temp_c?" in told.decode()
