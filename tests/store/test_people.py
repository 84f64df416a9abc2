"""Subscriptions, destinations and tokens that people add while the service runs."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.chosen import database_at, database_of_an_example
from tests.store.scenes import HOUR, NOW, after, everything
from tests.store.test_processes import go_on, heard_from, worker
from watcher.errors import StoreError
from watcher.store.model import Disabled, People, StoredDestination, StoredSubscription, Token
from watcher.store.store import Store

# What settings and API take as a name; both refuse controls and halves of surrogate pairs.
NAMES = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=80)


def a_subscription(name: str = "north", **fields: object) -> StoredSubscription:
    return replace(StoredSubscription(name, '{"to":["desk"]}', False, NOW, NOW), **fields)  # type: ignore[arg-type]


def a_destination(name: str = "desk", address: str = "duty@example.org", **fields: object) -> StoredDestination:
    spec = json.dumps({"kind": "email", "address": address})
    return replace(StoredDestination(name, spec, None, None, NOW, NOW), **fields)  # type: ignore[arg-type]


def test_a_fresh_store_knows_nobody(store: Store) -> None:
    assert store.people() == People(0, (), (), {})
    assert store.people_revision() == 0
    assert store.tokens() == ()


def test_what_was_put_is_given_back_by_name(store: Store, url: str) -> None:
    north, south = a_subscription("north"), a_subscription("south", paused=True)
    desk = a_destination("desk", confirmed_at=after(1))
    room = a_destination("room", secret="whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    for item in (south, north):
        store.put_subscription(item)
    for each in (room, desk):
        store.put_destination(each)
    other = Store.open(url)
    assert other.people() == People(4, (north, south), (desk, room), {})
    other.close()
    changed = replace(north, spec="{}", paused=True, changed_at=after(5))
    store.put_subscription(changed)
    assert store.people().subscriptions == (changed, south)


def test_a_secret_is_not_shown(store: Store) -> None:
    store.put_destination(a_destination(secret="whsec_hidden"))
    assert "whsec_hidden" not in repr(store.people())


CHANGES: list[Callable[[Store], object]] = [
    lambda store: store.put_subscription(a_subscription("new")),
    lambda store: store.put_subscription(a_subscription(paused=True)),
    lambda store: store.remove_subscription("north"),
    lambda store: store.put_destination(a_destination("new")),
    lambda store: store.put_destination(a_destination(address="other@example.org")),
    lambda store: store.remove_destination("desk"),
    lambda store: store.confirm_destination("desk", "duty@example.org", after(1)),
    lambda store: store.disable_destination("desk", "410 Gone", after(1)),
    lambda store: store.disable_destination("of the settings", "410 Gone", after(1)),
    lambda store: store.enable_destination("off"),
]
NO_CHANGES: list[Callable[[Store], object]] = [
    lambda store: store.remove_subscription("nobody"),
    lambda store: store.remove_destination("nobody"),
    lambda store: store.confirm_destination("desk", "other@example.org", after(1)),
    lambda store: store.confirm_destination("confirmed", "duty@example.org", after(1)),
    lambda store: store.confirm_destination("nobody", "duty@example.org", after(1)),
    lambda store: store.enable_destination("desk"),
    lambda store: store.add_token("t", "0" * 64, {"read"}, after(60), NOW),
    lambda store: store.people(),
    lambda store: store.link_key(),
]


@pytest.mark.parametrize(("change", "counts"), [(c, 1) for c in CHANGES] + [(c, 0) for c in NO_CHANGES])
def test_the_revision_counts_every_change_and_nothing_else(
    store: Store, change: Callable[[Store], object], counts: int
) -> None:
    store.put_subscription(a_subscription())
    store.put_destination(a_destination())
    store.put_destination(a_destination("confirmed", confirmed_at=NOW))
    store.disable_destination("off", "410 Gone", NOW)
    before = store.people()
    assert before.revision == store.people_revision() == 4
    change(store)
    now = store.people()
    assert now.revision == store.people_revision() == before.revision + counts
    assert (replace(now, revision=before.revision) == before) is (counts == 0)


def test_an_owner_agrees_to_the_address_that_was_asked(store: Store) -> None:
    store.put_destination(a_destination())
    assert not store.confirm_destination("desk", "other@example.org", after(1))
    assert not store.confirm_destination("room", "duty@example.org", after(1))
    assert store.people().destinations[0].confirmed_at is None
    assert store.confirm_destination("desk", "duty@example.org", after(2))
    assert store.confirm_destination("desk", "duty@example.org", after(3)), "the same link again"
    assert store.people().destinations[0].confirmed_at == after(2)


def test_who_changed_the_address_meanwhile_is_not_confirmed_by_the_old_link(store: Store) -> None:
    store.put_destination(a_destination())
    store.put_destination(a_destination(address="new@example.org"))
    assert not store.confirm_destination("desk", "duty@example.org", after(1))
    assert store.people().destinations[0].confirmed_at is None


def test_a_destination_without_an_address_is_confirmed_by_no_link(store: Store) -> None:
    store.put_destination(a_destination(spec='{"kind": "webhook"}'))
    assert not store.confirm_destination("desk", "duty@example.org", after(1))


def test_what_is_removed_is_gone_with_its_switch(store: Store) -> None:
    store.put_destination(a_destination())
    store.disable_destination("desk", "410 Gone", NOW)
    store.put_subscription(a_subscription())
    assert store.remove_destination("desk")
    assert store.remove_subscription("north")
    assert not store.remove_destination("desk")
    assert not store.remove_subscription("north")
    assert store.people() == People(5, (), (), {})
    store.put_destination(a_destination())
    assert store.people().disabled == {}, "who comes back under the name is not switched off"


def test_a_destination_of_the_settings_is_switched_off_here_too(store: Store) -> None:
    store.disable_destination("ops-room", "its reader stopped it", NOW)
    assert store.people().disabled == {"ops-room": Disabled("ops-room", "its reader stopped it", NOW)}
    store.enable_destination("ops-room")
    assert store.people().disabled == {}


@settings(max_examples=30, deadline=None)
@given(names=st.lists(NAMES, min_size=1, max_size=5, unique=True))
def test_a_name_may_be_of_any_letters(names: list[str]) -> None:
    with TemporaryDirectory() as folder:
        store = Store.open(database_of_an_example(folder))
        for name in names:
            store.put_subscription(a_subscription(name))
            store.put_destination(a_destination(name))
            store.add_token(name, name.encode().hex()[:64], {"read"}, after(60), NOW)
            store.disable_destination(name, name, NOW)
        people = store.people()
        assert [item.name for item in people.subscriptions] == sorted(names, key=lambda name: name.encode())
        assert {item.name for item in people.destinations} == set(people.disabled) == set(names)
        assert {item.name for item in store.tokens()} == set(names)
        for name in names:
            assert store.remove_subscription(name)
            assert store.confirm_destination(name, "duty@example.org", NOW)
            assert store.remove_destination(name)
            assert store.remove_token(name)
        assert (store.people().subscriptions, store.people().destinations, store.tokens()) == ((), (), ())
        store.close()


def test_the_key_for_links_is_made_once(store: Store, url: str) -> None:
    key = store.link_key()
    assert len(key) == 32
    assert store.link_key() == key
    other = Store.open(url)
    assert other.link_key() == key
    other.close()


def test_two_services_have_two_keys(store: Store, url: str) -> None:
    with TemporaryDirectory() as folder:
        other = Store.open(database_at(f"{folder}/other.db"))
        assert other.link_key() != store.link_key()
        other.close()


def test_two_processes_at_once_get_the_same_key_and_count_all_changes(store: Store, url: str) -> None:
    with worker("make_key", url, "one") as one, worker("make_key", url, "two") as two:
        for process in (one, two):
            assert heard_from(process) == "ready"
        for process in (one, two):
            go_on(process)
        keys = [heard_from(process) for process in (one, two)]
        assert [heard_from(process) for process in (one, two)] == ["done", "done"]
    assert keys == [store.link_key().hex()] * 2
    people = store.people()
    assert (people.revision, len(people.subscriptions)) == (20, 20)


def test_a_token_is_known_by_its_hash_alone(store: Store, url: str) -> None:
    store.add_token("board", "ab" * 32, {"read", "acknowledge"}, NOW + 24 * HOUR, NOW)
    token = Token("board", frozenset({"read", "acknowledge"}), NOW + 24 * HOUR)
    assert store.token("ab" * 32) == token
    assert store.token("cd" * 32) is None
    assert store.tokens() == (token,)
    ((name, hashed, scopes, *_),) = everything(url)["token"]
    assert (name, hashed, scopes) == ("board", "ab" * 32, "acknowledge read")
    assert store.remove_token("board")
    assert not store.remove_token("board")
    assert store.token("ab" * 32) is None


def test_a_tokens_name_is_taken_once(store: Store) -> None:
    store.add_token("board", "ab" * 32, {"read"}, after(60), NOW)
    with pytest.raises(StoreError, match='there is a token "board" already'):
        store.add_token("board", "cd" * 32, {"manage"}, after(60), NOW)
    assert store.token("cd" * 32) is None
    assert store.tokens() == (Token("board", frozenset({"read"}), after(60)),)


def test_a_token_without_scopes_allows_nothing(store: Store) -> None:
    store.add_token("nothing", "ab" * 32, (), after(60), NOW)
    found = store.token("ab" * 32)
    assert found is not None
    assert found.scopes == frozenset()
