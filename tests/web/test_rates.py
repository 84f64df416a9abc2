"""How often one may ask: a bucket for each asker that fills with time, and never more askers than fit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.web.scenes import NOW
from tests.web.test_api import refused
from watcher.web.api import Gate
from watcher.web.problems import Refusal
from watcher.web.rates import Rates


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_a_bucket_empties_and_fills_again_at_its_pace():
    clock = Clock()
    rates = Rates(burst=3, per_s=2.0, clock=clock)
    assert [rates.wait_s("a") for _ in range(4)] == [0, 0, 0, 0.5]
    clock.now += 0.25
    assert rates.wait_s("a") == pytest.approx(0.25)
    clock.now += 0.25
    assert rates.wait_s("a") == 0
    clock.now += 3600
    assert [rates.wait_s("a") for _ in range(4)] == [0, 0, 0, 0.5], "never more than the bucket holds"


def test_askers_do_not_take_from_each_other():
    rates = Rates(burst=1, per_s=1.0, clock=Clock())
    assert (rates.wait_s("a"), rates.wait_s("b"), rates.wait_s("a")) == (0, 0, 1.0)


def test_the_refusal_says_in_whole_seconds_when_to_come_again():
    """RFC 9110, section 10.2.3: Retry-After in seconds is a whole number; rounded up, or one would come too early."""
    rates = Rates(burst=1, per_s=0.4, clock=Clock())
    rates.count("a")
    with pytest.raises(Refusal) as told:
        rates.count("a")
    assert (told.value.status, told.value.headers["Retry-After"]) == (429, "3")


@given(st.lists(st.tuples(st.integers(0, 30), st.floats(0, 5)), max_size=200))
def test_nobody_gets_more_than_the_pace_and_nobody_is_remembered_beyond_the_bound(visits):
    clock, began = Clock(), 1000.0
    rates = Rates(burst=5, per_s=1.5, most=20, clock=clock)
    passed: dict[int, int] = {}
    for asker, gap in visits:
        clock.now += gap
        passed[asker] = passed.get(asker, 0) + (rates.wait_s(str(asker)) == 0)
        assert len(rates) <= 20
    if len(passed) <= 20:  # nobody was forgotten
        assert all(count <= 5 + (clock.now - began) * 1.5 + 1e-6 for count in passed.values())


@pytest.mark.anyio
async def test_the_api_slows_down_who_asks_too_often_and_nobody_else(opened, monkeypatch):
    clock = Clock()
    monkeypatch.setattr(Gate.__init__, "__defaults__", (Rates(burst=3, per_s=0.5, clock=clock),))
    from tests.web.board_scenes import WebServer, build_app

    async with WebServer(build_app(opened.house), "127.0.0.1:0") as server:
        address = f"http://127.0.0.1:{server.port}/api/v1/status"
        busy, calm = ({"Authorization": f"Bearer {opened.token('read', name=name)}"} for name in ("busy", "calm"))
        statuses = [(await opened.client.get(address, headers=busy)).status_code for _ in range(3)]
        late = await opened.client.get(address, headers=busy)
        assert statuses == [200] * 3
        refused(late, 429)
        assert late.headers["retry-after"] == "2"
        assert (await opened.client.get(address, headers=calm)).status_code == 200
        # Whoever guesses tokens is one asker, however many they try; whoever has one is not held up by them.
        guesses = [f"Bearer hoar_{'A' * 42}{letter}" for letter in "ABCDE"]
        answers = [await opened.client.get(address, headers={"Authorization": guess}) for guess in guesses]
        assert [answer.status_code for answer in answers] == [401, 401, 401, 429, 429]
        assert (await opened.client.get(address, headers=calm)).status_code == 200
        clock.now += 2
        assert (await opened.client.get(address, headers=busy)).status_code == 200
    assert opened.clock[0] == NOW
