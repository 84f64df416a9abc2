"""`hoarline run`: the service, until it is told to stop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from contextlib import AbstractAsyncContextManager
    from pathlib import Path

    from watcher.service.service import Pages, Role, Service
    from watcher.settings import Settings


def run(
    only: Annotated[
        str | None,
        typer.Option(
            "--only", help="What this process does, of poller, sender and web, with commas between; left out: all."
        ),
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run the service: poll, judge, send, show the board, answer health probes.

    Several processes may run at one database, on several machines at one PostgreSQL: one of the pollers leads, the
    others stand by and take over; senders share what is owed; pages follow.

    SIGTERM and SIGINT stop it in order; SIGHUP reads settings and rules again, and keeps the old ones when the new
    are wrong. With --json every log line is a JSON object, whatever the settings say.
    """
    import asyncio

    from watcher.cli.options import settings_from

    roles = _roles(only)
    settings = settings_from(config)
    raise typer.Exit(asyncio.run(_serve(settings, config, roles, as_json=as_json)))


def _roles(only: str | None) -> tuple[Role, ...]:
    from watcher.errors import Problem, UsageError, nearest
    from watcher.service.service import ROLES

    if only is None:
        return ROLES
    words = [word.strip() for word in only.split(",")]
    wrong = [Problem(f'--only "{word}"', "is not known", nearest(word, ROLES)) for word in words if word not in ROLES]
    if wrong:
        raise UsageError(wrong)
    return tuple(role for role in ROLES if role in words)


async def _serve(settings: Settings, config: Path | None, roles: tuple[Role, ...], *, as_json: bool) -> int:
    import asyncio
    import signal
    from contextlib import AsyncExitStack

    import structlog

    from watcher.service.service import Service

    log = structlog.get_logger()
    loop = asyncio.get_running_loop()
    stop, reload = asyncio.Event(), asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.add_signal_handler(signal.SIGHUP, reload.set)
    service = Service(settings, pages=_pages(), roles=roles)
    before: Settings | None = None
    while True:
        _logs(service.settings, as_json=as_json)
        async with AsyncExitStack() as stack:
            try:
                await stack.enter_async_context(service)
            except Exception as error:
                if before is None:
                    raise
                # A port that is taken, a database that is not there: only trying shows it.
                _say_not_reloaded(error)
                service, before = Service(before, pages=_pages(), roles=roles), None
                continue
            text = service.settings.text
            about = {"stations": _watched(service.settings), "feeds": len(text.feed), "health": text.health.bind}
            log.info("running", roles=",".join(roles), **about)
            newer = None
            while newer is None and not stop.is_set():
                await _first_of(stop, reload)
                if reload.is_set():
                    reload.clear()
                    newer = _reloaded(config, roles)
        if newer is None:
            log.info("stopped")
            return 0
        before, service = service.settings, newer


async def _first_of(*events: object) -> None:
    import asyncio

    waiting = [asyncio.create_task(event.wait()) for event in events if isinstance(event, asyncio.Event)]
    try:
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in waiting:
            task.cancel()


def _reloaded(config: Path | None, roles: tuple[Role, ...]) -> Service | None:
    """Return a service with the new settings, or None when they are wrong; then the old ones stay in force."""
    import structlog

    from watcher.cli.options import settings_from
    from watcher.errors import InputError
    from watcher.service.service import Service

    try:
        return Service(settings_from(config), pages=_pages(), roles=roles)
    except InputError as error:
        for problem in error.problems:
            structlog.get_logger().error("not reloaded, the old settings stay in force", problem=str(problem))
        return None


def _say_not_reloaded(error: Exception) -> None:
    import structlog

    from watcher.errors import HoarlineError, InputError

    unforeseen = None if isinstance(error, HoarlineError) else error
    for problem in error.problems if isinstance(error, InputError) else (error,):
        told = {"problem": str(problem), "exc_info": unforeseen}
        structlog.get_logger().error("not reloaded, the old settings are in force again", **told)


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
