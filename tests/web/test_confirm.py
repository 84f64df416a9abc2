"""Confirming an address: only its reader, only by the button, only while the destination has that address."""

from __future__ import annotations

import json

import pytest

from tests.web.scenes import NOW
from tests.web.test_take import words
from watcher.store.model import StoredDestination

pytestmark = pytest.mark.anyio


def put_destination(store, address: str = "duty@example.org") -> None:
    spec = json.dumps({"kind": "email", "address": address})
    store.put_destination(StoredDestination("duty-desk", spec, None, None, NOW, NOW))


def confirmed_at(store):
    return {item.name: item.confirmed_at for item in store.people().destinations}


async def test_looking_confirms_nothing(site, store):
    put_destination(store)
    link = site.links.confirm("duty-desk", "duty@example.org")
    seen = await site.client.get(link)
    assert seen.status_code == 200
    assert "Shall icing alerts come to duty@example.org?" in words(seen)
    assert "If you do nothing, nothing happens." in words(seen)
    assert confirmed_at(store) == {"duty-desk": None}
    assert site.news == []


async def test_the_button_confirms_once_and_for_all(site, store):
    put_destination(store)
    link = site.links.confirm("duty-desk", "duty@example.org")
    for _ in range(2):
        done = await site.press(link)
        assert done.status_code == 200
        assert "Confirmed: alerts come to duty@example.org" in words(done)
    assert confirmed_at(store) == {"duty-desk": NOW}


@pytest.mark.parametrize("kept", [None, "other@example.org"])
async def test_a_link_that_is_out_of_date_confirms_nothing(site, store, kept):
    if kept is not None:
        put_destination(store, kept)
    answer = await site.press(site.links.confirm("duty-desk", "duty@example.org"))
    assert answer.status_code == 410
    assert "Nothing was changed" in words(answer)
    assert all(at is None for at in confirmed_at(store).values())
    assert site.news == []


async def test_a_forged_link_confirms_nothing(site, store):
    put_destination(store)
    for link in (f"{site.origin}/confirm/x", site.links.stop("duty-desk").replace("/stop/", "/confirm/")):
        answer = await site.press(link)
        assert answer.status_code == 404
        assert "nothing was confirmed" in words(answer)
    assert confirmed_at(store) == {"duty-desk": None}


@pytest.mark.parametrize("origin", [None, "null", "https://other.example.org"])
async def test_a_post_from_elsewhere_confirms_nothing(site, store, origin):
    put_destination(store)
    headers = {"Origin": origin} if origin is not None else {}
    answer = await site.client.post(site.links.confirm("duty-desk", "duty@example.org"), data={}, headers=headers)
    assert answer.status_code == 403
    assert confirmed_at(store) == {"duty-desk": None}
