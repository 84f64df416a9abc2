from __future__ import annotations

from math import factorial

import numpy as np
import pytest
import simpy
from hypothesis import given
from hypothesis import strategies as st

from watcher.treatment.queue import starts_of


def _simulated(arrivals, lengths, bays, rigs, rigs_each):
    """Return when each begins, by a process-based simulation (simpy): one waits for its bay, then in it for rigs."""
    room = simpy.Environment()
    free_bays, free_rigs = simpy.Resource(room, bays), simpy.Container(room, rigs, init=rigs)
    begins = [0.0] * len(arrivals)

    def aircraft(number):
        yield room.timeout(arrivals[number])
        with free_bays.request() as bay:
            yield bay
            yield free_rigs.get(rigs_each[number])
            begins[number] = room.now
            yield room.timeout(lengths[number])
            yield free_rigs.put(rigs_each[number])

    for number in range(len(arrivals)):
        room.process(aircraft(number))
    room.run()
    return begins


def test_bays_and_rigs_are_given_as_a_process_simulation_gives_them():
    stream = np.random.default_rng(7)
    for bays, rigs in ((1, 1), (2, 2), (2, 4), (3, 4), (5, 6)):
        rigs_each = stream.integers(1, min(rigs, 2) + 1, 40).tolist()
        arrivals, lengths = stream.uniform(0, 200, (40, 3)), stream.exponential(12, (40, 3))
        found = starts_of(arrivals, lengths, bays=bays, rigs=rigs, rigs_each=rigs_each)
        for member in range(3):
            expected = _simulated(arrivals[:, member], lengths[:, member], bays, rigs, rigs_each)
            assert found[:, member] == pytest.approx(expected)


@pytest.mark.parametrize(("bays", "load"), [(1, 0.6), (2, 0.7), (4, 0.8)])
def test_mean_wait_is_that_of_the_formula_for_many_servers(bays, load):
    """A. K. Erlang, 1917: the wait with c servers, Poisson arrivals and exponential service (M/M/c)."""
    stream, service = np.random.default_rng(11), 10.0
    offered = bays * load
    arrivals = np.cumsum(stream.exponential(service / offered, (3000, 80)), axis=0)
    lengths = stream.exponential(service, arrivals.shape)
    found = starts_of(arrivals, lengths, bays=bays, rigs=50, rigs_each=[1] * len(arrivals))
    waits = (found - arrivals)[300:].mean()
    waiting = offered**bays / factorial(bays) / (1 - load)
    p_wait = waiting / (sum(offered**k / factorial(k) for k in range(bays)) + waiting)
    assert waits == pytest.approx(p_wait * service / (bays * (1 - load)), rel=0.06)


_QUEUE = st.lists(st.tuples(st.floats(0, 300), st.floats(0, 40), st.integers(1, 3)), min_size=1, max_size=12)


@given(_QUEUE, st.integers(1, 3), st.integers(1, 4))
def test_nobody_begins_before_it_comes_and_one_more_aircraft_makes_nobody_earlier(queue, bays, rigs):
    arrivals, lengths, rigs_each = (list(column) for column in zip(*queue, strict=True))

    def starts(count):
        return starts_of(
            np.array(arrivals[:count])[:, None],
            np.array(lengths[:count])[:, None],
            bays=bays,
            rigs=rigs,
            rigs_each=rigs_each[:count],
        )[:, 0]

    everybody = starts(len(queue))
    assert (everybody >= np.array(arrivals)).all()
    assert (everybody[:-1] >= starts(len(queue) - 1) - 1e-9).all()


def test_an_aircraft_that_takes_more_rigs_than_there_are_takes_all():
    found = starts_of(np.zeros((2, 1)), np.full((2, 1), 10.0), bays=2, rigs=1, rigs_each=[2, 2])
    assert found[:, 0].tolist() == [0.0, 10.0]
