"""`hoarline run`: the service, until it is told to stop."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from contextlib import AbstractAsyncContextManager
    from pathlib import Path

    from watcher.service.service import Pages, Service
    from watcher.settings import Settings


def run(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Run the service: poll, judge, send, answer health probes.

    SIGTERM and SIGINT stop it in order; SIGHUP reads settings and rules again, and keeps the old ones when the new
    are wrong. With --json every log line is a JSON object, whatever the settings say.
    """
    import asyncio

    from watcher.cli.options import settings_from

    settings = settings_from(config)
    raise typer.Exit(asyncio.run(_serve(settings, config, as_json=as_json)))


async def _serve(settings: Settings, config: Path | None, *, as_json: bool) -> int:
    import asyncio
    import signal

    import structlog

    from watcher.service.service import Service

    log = structlog.get_logger()
    loop = asyncio.get_running_loop()
    stop, reload = asyncio.Event(), asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.add_signal_handler(signal.SIGHUP, reload.set)
    service = Service(settings, pages=_pages())
    while True:
        _logs(service.settings, as_json=as_json)
        async with service:
            text = service.settings.text
            log.info("running", stations=_watched(service.settings), feeds=len(text.feed), health=text.health.bind)
            newer = None
            while newer is None and not stop.is_set():
                await _first_of(stop, reload)
                if reload.is_set():
                    reload.clear()
                    newer = _reloaded(config)
        if newer is None:
            log.info("stopped")
            return 0
        service = newer


async def _first_of(*events: object) -> None:
    import asyncio

    waiting = [asyncio.create_task(event.wait()) for event in events if isinstance(event, asyncio.Event)]
    try:
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in waiting:
            task.cancel()


def _reloaded(config: Path | None) -> Service | None:
    """Return a service with the new settings, or None when they are wrong; then the old ones stay in force."""
    import structlog

    from watcher.cli.options import settings_from
    from watcher.errors import InputError
    from watcher.service.service import Service

    try:
        return Service(settings_from(config), pages=_pages())
    except InputError as error:
        for problem in error.problems:
            structlog.get_logger().error("not reloaded, the old settings stay in force", problem=str(problem))
        return None


def _pages() -> Pages:
    """Return what opens the pages; it is loaded when they are, for it costs a third of a second and 20 MiB."""

    def opened(service: Service) -> AbstractAsyncContextManager[object]:
        from watcher.web.serving import pages_of

        return pages_of(service)

    return opened


def _logs(settings: Settings, *, as_json: bool) -> None:
    from watcher.telemetry import set_up_logs

    secrets = [secret.get_secret_value() for group in settings.secrets.values() for secret in group]
    set_up_logs("json" if as_json else settings.text.service.log, secrets)


def _watched(settings: Settings) -> int | str:
    stations = settings.text.watch.stations
    return "all" if stations == "all" else len(stations)
