"""SIGHUP reads settings and rules again; wrong ones change nothing and are told; SIGTERM stops in order."""

from __future__ import annotations

import asyncio
import signal
import sys

import pytest

from tests.service.night_watch import surroundings

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
