"""Subscriptions as programs read, try and change them."""

from __future__ import annotations

import asyncio
from datetime import timedelta

from fastapi import Request, Response

from watcher.alerts.preview import Preview
from watcher.notify.wording import plain
from watcher.service.directory import KnownSubscription
from watcher.service.people_contract import preview_as_contract, subscription_as_contract
from watcher.web.api import ApiRouter, Gate
from watcher.web.etags import answer, made_at
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.rest.fields import AnyName
from watcher.web.rest.subscription_bodies import (
    NewSubscription,
    PreviewAsked,
    PreviewBody,
    SubscriptionBody,
    SubscriptionChange,
    SubscriptionsBody,
)

_FIXED = "stands in the settings and is changed there."


def subscription_api(house: House, gate: Gate) -> ApiRouter:
    """Return the routes under ``/api/v1/subscriptions``."""
    router = ApiRouter(gate, "/subscriptions", "subscriptions")

    @router.reads("", SubscriptionsBody)
    async def list_subscriptions(request: Request) -> Response:
        """List the subscriptions of the settings and those that were added."""
        known = (await asyncio.to_thread(house.management.directory)).subscriptions
        return answer(request, {"items": [subscription_as_contract(item) for item in known.values()]})

    @router.reads("/{name:path}", SubscriptionBody, 404)
    async def read_subscription(request: Request, name: AnyName) -> Response:
        """Return one subscription."""
        return answer(request, subscription_as_contract(await _known(house, name)))

    @router.acts("POST", "", SubscriptionBody, 409, scope="manage", status=201)
    async def add_subscription(request: Request, body: NewSubscription) -> Response:
        """Add a subscription. What is open and wanted is told at once."""
        directory = await asyncio.to_thread(house.management.directory)
        if body.name in directory.subscriptions:
            raise Refusal(409, f'There is a subscription "{plain(body.name)}" already; choose another name.')
        values, now = body.model_dump(exclude_none=True, exclude_unset=True), house.clock()
        section = await asyncio.to_thread(house.management.add_subscription, values, now)
        house.news()
        told = subscription_as_contract(await _known(house, section.name))
        return answer(request, told, status=201, headers=made_at("subscriptions", section.name))

    @router.acts("POST", "/preview", PreviewBody, 404, scope="read")
    async def preview_subscription(request: Request, body: PreviewAsked) -> Response:
        """Say what a subscription would have told in the days that have passed, by what is kept of them.

        Nothing is sent and nothing is kept.
        """
        if body.name is not None:
            await _known(house, body.name)
        values = body.model_dump(exclude_none=True, exclude_unset=True, exclude={"name", "days"})
        now = house.clock()
        begin = now - timedelta(days=body.days)

        def tried() -> Preview:
            return house.management.preview(body.name, values, begin=begin, until=now)

        return answer(request, preview_as_contract(await house.heavy.run(tried)))

    @router.acts("PATCH", "/{name:path}", SubscriptionBody, 404, 409, scope="manage")
    async def change_subscription(request: Request, name: AnyName, body: SubscriptionChange) -> Response:
        """Change the given parts of a subscription that was added; null leaves a part out, as if never written."""
        await _stored(house, name)
        given = body.model_dump(exclude_unset=True)
        paused = given.pop("paused", None)
        values = {key: value for key, value in given.items() if value is not None}
        now = house.clock()

        def change() -> None:
            if given:
                house.management.change_subscription(name, _without_none(values), given.keys() - values.keys(), now)
            if paused is not None:
                house.management.pause_subscription(name, paused, now)

        await asyncio.to_thread(change)
        house.news()
        return answer(request, subscription_as_contract(await _known(house, name)))

    @router.acts("DELETE", "/{name:path}", None, 404, 409, scope="manage", status=204)
    async def remove_subscription(name: AnyName) -> Response:
        """Remove a subscription that was added. The end of what was told is still told."""
        await _stored(house, name)
        await asyncio.to_thread(house.management.remove_subscription, name)
        house.news()
        return Response(status_code=204)

    return router


def _without_none(values: dict[str, object]) -> dict[str, object]:
    """Return values whose circles name one radius only."""
    circles = values.get("circles")
    if not isinstance(circles, list):
        return values
    return values | {"circles": [{key: value for key, value in item.items() if value is not None} for item in circles]}


async def _known(house: House, name: str) -> KnownSubscription:
    found = (await asyncio.to_thread(house.management.directory)).subscriptions.get(name)
    if found is None:
        raise Refusal(404, f'There is no subscription "{plain(name)}".')
    return found


async def _stored(house: House, name: str) -> None:
    if (await _known(house, name)).source == "settings":
        raise Refusal(409, f'The subscription "{plain(name)}" {_FIXED}')
