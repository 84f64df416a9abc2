"""`hoarline demo`: an invented icy night, played through the real parts on this machine."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import JsonOption

if TYPE_CHECKING:
    from collections.abc import Sequence

    from watcher.demo.night import Moment
    from watcher.demo.play import Summary

_PAUSE_S = 1.2


def demo(
    once: Annotated[bool, typer.Option("--once", help="Play it as fast as the parts are, then end.")] = False,
    speed: Annotated[float, typer.Option(min=0.1, max=100, help="Pace; 1 plays the night in about 45 seconds.")] = 1.0,
    as_json: JsonOption = False,
) -> None:
    """Play an invented icy night at five invented stations.

    A local feed server, the real poller, decoder, rules, store, senders and board, a local mail server and a local
    webhook receiver. Nothing leaves this machine. The board stays open until you press Ctrl-C.
    """
    import asyncio
    from dataclasses import asdict

    from watcher.cli.options import print_json
    from watcher.telemetry import set_up_logs

    set_up_logs("quiet")
    pause_s = 0.0 if once else _PAUSE_S / speed
    summary = asyncio.run(_silent(pause_s) if as_json else _shown(pause_s, stays=not once))
    if as_json:
        print_json(asdict(summary))
    if summary.undelivered or summary.duplicates:
        raise typer.Exit(1)


async def _silent(pause_s: float) -> Summary:
    from watcher.demo.play import Stage, play

    async def nothing(_moment: Moment, _number: int, _of: int) -> None:
        return

    async def at_once(_summary: Summary) -> None:
        return

    stage = Stage(lambda _address, _token: None, nothing, lambda _headline, _ways: None, at_once)
    return await play(stage, pause_s=pause_s)


async def _shown(pause_s: float, *, stays: bool) -> Summary:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    from watcher.demo.play import Stage, play
    from watcher.notify.message import CAUTION
    from watcher.units import clock_z

    console = Console()
    console.print(
        "An invented icy night at XNOR, XBAY, XFEL, XMOR and XTAR, played through the real parts.", soft_wrap=True
    )
    console.print(f"[dim]{CAUTION}[/dim]\n", soft_wrap=True)
    columns = (TextColumn("{task.fields[clock]}"), BarColumn(), TextColumn("{task.description}"))
    with Progress(*columns, console=console) as progress:
        task = progress.add_task("", clock="2100Z")

        def opened(address: str, token: str) -> None:
            progress.console.print(f"The board: {address}", soft_wrap=True)
            if stays:
                progress.console.print(f"[dim]To change something there, sign in with {token}[/dim]\n", soft_wrap=True)

        async def moment(seen: Moment, number: int, of: int) -> None:
            caption = seen.caption or f"{len(seen.metars)} stations in the feed"
            progress.update(task, total=of, completed=number, description=caption, clock=clock_z(seen.at))

        def arrived(headline: str, ways: Sequence[str]) -> None:
            line = f"  {' + '.join(ways):<16} {headline}"
            progress.console.print(line, markup=False, highlight=False, soft_wrap=True)

        async def stay(summary: Summary) -> None:
            progress.stop()
            _print(summary)
            if stays:
                console.print("\nThe night is over. The board stays open until you press Ctrl-C.", soft_wrap=True)
                await _until_told()

        return await play(Stage(opened, moment, arrived, stay), pause_s=pause_s)


async def _until_told() -> None:
    import asyncio
    import signal

    told, loop = asyncio.Event(), asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, told.set)
    await told.wait()


def _print(summary: Summary) -> None:
    events = ", ".join(f"{count} {name}" for name, count in summary.by_event.items())
    typer.echo(
        f"\n{summary.reports} reports, {summary.episodes} episodes, {summary.events} events ({events}).\n"
        f"{summary.mails} mails and {summary.webhooks} webhooks, {summary.verified} of them with a good signature; "
        f"{summary.undelivered} undelivered, {summary.duplicates} duplicates.\n"
        f"{summary.polls} requests to the feed: {summary.polls_not_modified} not modified, "
        f"{summary.polls_failed} failed in the outage.\n\n"
        'Next: hoarline now --report "METAR XNOR 120550Z 00000KT 3000 FZDZ BR OVC006 M02/M03 Q1010"'
    )
