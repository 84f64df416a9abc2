"""One process at a database leads: the others wait, one takes over when it dies, and whoever was cut off writes nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import pytest

from tests.databases import Cluster, cluster, postgres_is_here
from tests.store.scenes import NOW, a_change
from watcher.alerts.changes import Changes
from watcher.errors import NotLeader, StoreError
from watcher.store.leadership import Leadership
from watcher.store.store import Store

ROOT = Path(__file__).parents[2]
LEADER = """
import sys, time
from watcher.store.store import Store
leadership = Store.open(sys.argv[1]).leadership()
print(leadership.campaign(), flush=True)
time.sleep(60)
"""
HANGING = """
import sys, time
from tests.store.scenes import NOW, a_change
from watcher.alerts.changes import Changes
from watcher.errors import NotLeader
from watcher.store.leadership import Leadership
from watcher.store.store import Store
store = Store.open(sys.argv[1])
silent_s = 4
leadership = Leadership(store._database, silent_s=silent_s)
term = leadership.campaign()
print(term, flush=True)
since, told = time.monotonic(), False
while leadership.holds():
    if not told and time.monotonic() - since > silent_s + 0.5:
        print("held", flush=True)
        told = True
    time.sleep(0.1)
try:
    store.commit(Changes(NOW, (a_change(),)), term)
except NotLeader:
    print("refused", flush=True)
"""


@contextmanager
def leading(script: str, url: str) -> Iterator[tuple[subprocess.Popen[str], IO[str]]]:
    """Run a leader as a process, which ends with the block; yield it and what it says once it was elected."""
    process = subprocess.Popen([sys.executable, "-c", script, url], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "1"
        yield process, process.stdout
    finally:
        process.kill()
        process.communicate()


@pytest.fixture(scope="module")
def server() -> Iterator[tuple[Cluster, str]]:
    if not postgres_is_here():
        pytest.skip("there is no PostgreSQL here")
    with cluster() as started:
        yield started, started.make_template()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.slow)])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'hoarline.db'}"
        return
    started, template = request.getfixturevalue("server")
    with started.database(template) as made:
        yield made


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    opened = Store.open(url)
    yield opened
    opened.close()


def test_one_leads_the_other_waits_and_follows_it(url, store):
    other = Store.open(url)
    first, second = store.leadership(), other.leadership()
    assert first.campaign() == 1
    assert second.campaign() is None
    assert (first.holds(), second.holds()) == (True, False)
    first.resign()
    assert second.campaign() == 2
    assert first.campaign() is None
    first.resign()
    second.resign()
    other.close()


def test_a_leader_whose_term_is_over_writes_nothing(store):
    first, second = store.leadership(), store.leadership()
    term = first.campaign()
    store.commit(Changes(NOW, (a_change(),)), term)
    first.resign()
    newer = second.campaign()
    with pytest.raises(NotLeader, match="another process leads by now"):
        store.commit(Changes(NOW, (a_change(version=1),)), term)
    assert store.versions() == {"XNOR": 1}
    store.commit(Changes(NOW, (a_change(version=1),)), newer)
    assert store.versions() == {"XNOR": 2}
    first.resign()
    second.resign()


def test_a_leader_that_is_killed_leaves_its_place_at_once(url, store):
    with leading(LEADER, url) as (process, _):
        mine = store.leadership()
        assert mine.campaign() is None
        os.kill(process.pid, signal.SIGKILL)
        process.wait(20)
        for _ in range(100):
            term = mine.campaign()
            if term is not None:
                break
            time.sleep(0.05)
        assert term == 2
        mine.resign()


def test_news_of_another_process_are_heard_and_silence_is_not_news(url, store):
    other = Store.open(url)
    news = other.news()
    assert news.wait(0.1), "whoever begins to listen has to look once"
    assert not news.wait(0.1)
    store.commit(Changes(NOW, (a_change(),)))
    assert news.wait(5)
    assert not news.wait(0.3)
    news.close()
    other.close()


@pytest.mark.slow
def test_a_leader_whose_connection_is_cut_knows_it_before_it_writes_again(server):
    started, template = server
    with started.database(template) as url:
        store = Store.open(url)
        first, second = store.leadership(), store.leadership()
        term = first.campaign()
        with started.connect() as connection:
            query = "SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory'"
            assert connection.execute(query).fetchall() == [(True,)]
        assert second.campaign() == 2
        assert not first.holds()
        with pytest.raises(NotLeader):
            store.commit(Changes(NOW, (a_change(),)), term)
        assert first.campaign() is None
        first.resign()
        second.resign()
        store.close()


@pytest.mark.slow
def test_a_leader_that_hangs_loses_its_place_and_knows_it_when_it_goes_on(server):
    """The process is stopped, its machine and its connection live: only its silence tells (`idle_session_timeout`)."""
    started, template = server
    with started.database(template) as url:
        store = Store.open(url)
        mine = store.leadership()
        with leading(HANGING, url) as (process, said):
            assert mine.campaign() is None
            # For longer than it may be silent: it says that it is there.
            assert said.readline().strip() == "held"
            assert mine.campaign() is None
            os.kill(process.pid, signal.SIGSTOP)
            until = time.monotonic() + 20
            while mine.campaign() is None and time.monotonic() < until:
                time.sleep(0.1)
            assert mine.holds()
            os.kill(process.pid, signal.SIGCONT)
            rest, _ = process.communicate(timeout=20)
            assert (process.returncode, rest) == (0, "refused\n")
            assert mine.holds()
        mine.resign()
        store.close()


@pytest.mark.slow
def test_a_command_that_keeps_others_from_leading_may_be_silent(server):
    """Copying a store takes as long as it takes."""
    started, template = server
    with started.database(template) as url:
        store = Store.open(url)
        command, service = Leadership(store._database, silent_s=0.2), store.leadership()
        assert command.stand_in()
        time.sleep(1)
        assert service.campaign() is None
        command.resign()
        assert service.campaign() == 1
        service.resign()
        store.close()


@pytest.mark.slow
def test_listening_goes_on_after_the_server_was_away(server):
    started, template = server
    with started.database(template) as url:
        store = Store.open(url)
        news = store.news()
        news.wait(0.1)
        with started.connect() as connection:
            connection.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE 'LISTEN%'")
        with pytest.raises(StoreError, match="the database failed"):
            news.wait(5)
        assert news.wait(1), "what was missed meanwhile must be looked for"
        store.commit(Changes(NOW, (a_change(),)))
        assert news.wait(5)
        news.close()
        store.close()
