"""Three-valued logic: the strong tables of Kleene (1952, section 64), and the laws that follow from them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.rulebook.kleene import all_of, any_of, negated

TRI = st.sampled_from([True, False, None])
MANY = st.lists(TRI, max_size=4)
# False < unknown < true: and is the least, or the greatest, of this order.
_ORDER = {False: 0, None: 1, True: 2}


@pytest.mark.parametrize(
    ("one", "other", "both", "either"),
    [
        (True, True, True, True),
        (True, False, False, True),
        (True, None, None, True),
        (False, False, False, False),
        (False, None, False, None),
        (None, None, None, None),
    ],
)
def test_the_tables(one, other, both, either):
    assert (all_of([one, other]), all_of([other, one])) == (both, both)
    assert (any_of([one, other]), any_of([other, one])) == (either, either)


def test_nothing_asked_is_all_met_and_none_met():
    assert all_of([]) is True
    assert any_of([]) is False
    assert [negated(value) for value in (True, False, None)] == [False, True, None]


@given(MANY)
def test_and_is_the_least_and_or_the_greatest(values):
    assert all_of(values) is min([True, *values], key=_ORDER.__getitem__)
    assert any_of(values) is max([False, *values], key=_ORDER.__getitem__)


@given(MANY, MANY)
def test_de_morgan_double_negation_and_grouping(some, others):
    assert all_of(some) is negated(any_of(map(negated, some)))
    assert negated(negated(all_of(some))) is all_of(some)
    assert all_of([*some, *others]) is all_of([all_of(some), all_of(others)])
    assert any_of([*some, *others]) is any_of([any_of(some), any_of(others)])


@given(TRI, TRI, TRI)
def test_distribution(one, two, three):
    assert all_of([one, any_of([two, three])]) is any_of([all_of([one, two]), all_of([one, three])])
    assert any_of([one, all_of([two, three])]) is all_of([any_of([one, two]), any_of([one, three])])


@given(MANY, st.data())
def test_learning_what_was_unknown_never_turns_a_known_answer(values, data):
    learned = [data.draw(st.booleans()) if value is None else value for value in values]
    for combine in (all_of, any_of):
        assert combine(values) in {None, combine(learned)}
