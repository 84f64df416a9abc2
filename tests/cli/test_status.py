"""`hoarline status` says how the service does, and what to do, in the words of the board's page."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from threading import Thread

import pytest

from tests.cli.spoken import Said, hoarline
from tests.store.scenes import Owing
from watcher import __version__
from watcher.clock import utc_now
from watcher.service.health import HealthServer, Probes, Readiness
from watcher.service.status_words import wrong
from watcher.store.store import Store
from watcher.units import iso_z

SINCE = timedelta(minutes=3)
CONTRACT = {
    "well", "as_of", "wrong", "look", "version", "role", "led", "term", "last_turn_at", "feeds", "stations", "blind",
    "messages", "schema", "rules", "tables",
}  # fmt: skip


@contextmanager
def a_service(*problems: str, role: str = "leads") -> Iterator[int]:
    """A real health port that says this, beside commands that block."""
    last = iso_z(utc_now() - SINCE)
    feed = {"last_success_at": last, "newest_age_min": 12.0, "failures_in_a_row": 0, "detail": ""}
    values = {"role": role, "last_turn_at": last, "feeds": {"world metar": feed}} if role == "leads" else {"role": role}

    async def ready() -> Readiness:
        return Readiness(problems, values)

    loop = asyncio.new_event_loop()
    running = Thread(target=loop.run_forever)
    running.start()
    server = HealthServer("127.0.0.1:0", Probes(lambda: None, ready, lambda: b"", "text/plain"))
    asyncio.run_coroutine_threadsafe(server.__aenter__(), loop).result(10)
    try:
        yield server.port
    finally:
        asyncio.run_coroutine_threadsafe(server.__aexit__(None, None, None), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        running.join()
        loop.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store.open(f"sqlite:///{tmp_path}/hoarline.db")
    yield opened
    opened.close()


def asked(folder: Path, port: int, *more: str) -> Said:
    config = folder / "hoarline.toml"
    config.write_text(f"""
[store]
url = "sqlite:///{folder}/hoarline.db"
[watch]
stations = ["XNOR", "XBAY"]
[health]
bind = "127.0.0.1:{port}"
[[destination]]
name = "duty-desk"
kind = "mqtt"
broker = "mqtts://broker.example.org"
topic = "ice"
""")
    return hoarline("status", "--config", str(config), *more)


def nobody() -> int:
    """Return a port at which nobody listens."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def test_a_service_that_does_its_job(tmp_path: Path, store: Store) -> None:
    election = store.leadership()
    election.campaign()
    with a_service() as port:
        said = asked(tmp_path, port)
        answer = json.loads(asked(tmp_path, port, "--json").out)
    election.resign()
    assert said.code == 0, said.out
    assert said.lines[0].startswith("The service does its job.")
    assert f"Service    hoarline {__version__}, leads (term 1)" in said.lines
    assert any(line.startswith("Last turn  3 min ago, ") for line in said.lines)
    assert any(line.startswith("Feed       world metar: newest report 12 min old") for line in said.lines)
    assert "Stations   2 watched, 0 blind" in said.lines
    assert "Messages   0 waiting, 0 being sent, 0 sent, 0 given up, 0 ran out" in said.lines
    assert any(line.startswith("Rules      ") and "fingerprint" in line for line in said.lines)
    assert "What is wrong" not in said.out
    assert answer.keys() == CONTRACT
    assert (answer["well"], answer["role"], answer["term"]) == (True, "leads", 1)
    assert answer["schema"]["state"] == "current"


def test_what_is_wrong_comes_first_the_gravest_first_in_the_words_of_the_page(tmp_path: Path, store: Store) -> None:
    problems = ('destination "room": its secret cannot sign', "no feed brings fresh METARs: world: <b>503")
    with a_service(*problems) as port:
        said = asked(tmp_path, port)
    assert said.code == 1
    expected = [line for item in wrong(problems) for line in (f"  {item.what}", f"    {item.do}")]
    assert said.lines[2:7] == ["What is wrong", *expected]
    assert "No feed brings" in said.lines[3]


def test_what_is_switched_off_is_worth_a_look_and_no_failure(tmp_path: Path, store: Store) -> None:
    store.disable_destination("duty-desk", "moved", utc_now())
    leader = store.leadership()
    leader.campaign()
    with a_service(role="stands by") as port:
        said = asked(tmp_path, port)
    leader.resign()
    assert said.code == 0
    assert "  Switched off: duty-desk." in said.lines
    assert "    Nothing goes there until it is resumed." in said.lines
    assert "stands by; another process leads (term 1)" in said.out


def test_a_service_that_is_not_there_is_told_with_what_the_store_knows(tmp_path: Path, store: Store) -> None:
    port = nobody()
    said = asked(tmp_path, port)
    assert said.code == 1
    assert said.lines[3] == f"  The service does not answer at 127.0.0.1:{port}."
    assert "hoarline run" in said.lines[4]
    assert said.lines[5] == "  No process leads."
    assert "Stations   2 watched, 0 blind" in said.lines


def test_without_a_database_the_rest_is_still_told(tmp_path: Path) -> None:
    said = asked(tmp_path, nobody())
    assert said.code == 1
    assert "The service does not answer" in said.lines[3]
    assert "The store does not answer" in said.lines[5]
    assert "there is no database yet" in said.lines[5]
    assert not (tmp_path / "hoarline.db").exists(), "it looks and makes nothing"
    answer = json.loads(asked(tmp_path, nobody(), "--json").out)
    assert answer.keys() == CONTRACT
    assert (answer["well"], answer["messages"], len(answer["wrong"])) == (False, None, 2)


def test_processes_that_all_stand_by_are_a_failure_and_asking_keeps_none_from_leading(
    tmp_path: Path, store: Store
) -> None:
    with a_service(role="stands by") as port:
        said = asked(tmp_path, port)
        answer = json.loads(asked(tmp_path, port, "--json").out)
    assert said.code == 1
    assert said.lines[3] == "  No process leads."
    assert (answer["led"], answer["role"]) == (False, "stands by")
    leader = store.leadership()
    assert leader.campaign() == 1
    leader.resign()


def test_messages_that_are_late_are_told_with_whom_they_do_not_reach(tmp_path: Path, store: Store) -> None:
    Owing(store).owe("XNOR-1", "duty-desk", made_at=utc_now() - timedelta(minutes=40))
    with a_service() as port:
        said = asked(tmp_path, port)
    assert said.code == 0, "the service itself would say that nobody tries to send"
    assert "  Messages are late, the oldest by 40 min, to: duty-desk." in said.lines
