"""`hoarline destination`: where messages go, and whether they arrive there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from watcher.cli.managing import opened
from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from watcher.service.manage import Management
    from watcher.settings import Settings
    from watcher.store.store import Store

app = typer.Typer(help="See, add, change and test where messages go.", no_args_is_help=True)

NameArgument = Annotated[str, typer.Argument(help="Name of the destination.")]
EmailOption = Annotated[str | None, typer.Option("--email", help="A mailbox; its owner is asked by mail first.")]
WebhookOption = Annotated[str | None, typer.Option("--webhook", help="A web address that takes signed JSON.")]
SecretOption = Annotated[
    Path | None,
    typer.Option("--secret-file", help="webhook, cap: file with whsec_…; left out: one is made and printed."),
]
ChatOption = Annotated[
    Path | None, typer.Option("--chat", help="File with the web address of a chat room; - reads it from the input.")
]
ShapeOption = Annotated[str | None, typer.Option("--shape", help="chat: text, markdown or card.")]
FieldOption = Annotated[str | None, typer.Option("--text-field", help="chat: JSON field that the room reads.")]
MatrixOption = Annotated[str | None, typer.Option("--matrix", help="Web address of a Matrix homeserver.")]
RoomOption = Annotated[str | None, typer.Option("--room-id", help="matrix: id of the room: !made-up:example.org.")]
TokenOption = Annotated[
    Path | None, typer.Option("--token-file", help="matrix: file with the access token; - reads it from the input.")
]
MqttOption = Annotated[str | None, typer.Option("--mqtt", help="A broker: mqtts://broker.example.org:8883.")]
TopicOption = Annotated[str | None, typer.Option("--topic", help="mqtt: such as hoarline/{station}/{flag}.")]
StandOption = Annotated[
    str | None, typer.Option("--stand-topic", help="mqtt: where the broker keeps how each alert stands.")
]
UserOption = Annotated[str | None, typer.Option("--username", help="mqtt: login.")]
PasswordOption = Annotated[
    Path | None, typer.Option("--password-file", help="mqtt: file with the password; - reads it from the input.")
]
CapOption = Annotated[str | None, typer.Option("--cap", help="A web address that takes signed CAP 1.2 documents.")]
GroupOption = Annotated[
    str | None, typer.Option("--group-within", help="email, chat, matrix: what happens in so long makes one message.")
]
FallbackOption = Annotated[
    str | None,
    typer.Option("--fallback", help='Destination that is told instead while this one cannot be; "" for none.'),
]


@app.command("list")
def list_destinations(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the destinations of the settings and those that were added, and why one gets nothing."""
    from watcher.cli.options import print_json
    from watcher.service.people_contract import destination_as_contract

    with _desk(config) as desk:
        rows = [destination_as_contract(item) for item in desk.management.directory().destinations.values()]
    if as_json:
        print_json(rows)
        return
    for row in rows:
        typer.echo(_line(row))


@app.command()
def show(name: NameArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show one destination: where it leads, whether anything goes there, and who is told in its place."""
    from watcher.cli.options import print_json
    from watcher.service.people_contract import destination_as_contract

    with _desk(config) as desk:
        row = destination_as_contract(desk.management.destination(name))
    print_json(row) if as_json else typer.echo(_line(row))


@app.command()
def add(  # noqa: PLR0917 - one option for each part of a destination
    name: NameArgument,
    email: EmailOption = None,
    webhook: WebhookOption = None,
    cap: CapOption = None,
    secret_file: SecretOption = None,
    chat: ChatOption = None,
    shape: ShapeOption = None,
    text_field: FieldOption = None,
    matrix: MatrixOption = None,
    room_id: RoomOption = None,
    token_file: TokenOption = None,
    mqtt: MqttOption = None,
    topic: TopicOption = None,
    stand_topic: StandOption = None,
    username: UserOption = None,
    password_file: PasswordOption = None,
    group_within: GroupOption = None,
    fallback: FallbackOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add a destination. A mailbox is asked by mail first, and gets nothing before its owner has said yes."""
    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.errors import Problem, UsageError
    from watcher.notify.signature import new_secret
    from watcher.settings.people import SIGNED

    ways = {"email": email, "webhook": webhook, "cap": cap, "chat": chat, "matrix": matrix, "mqtt": mqtt}
    chosen = [kind for kind, way in ways.items() if way is not None]
    if len(chosen) != 1:
        raise UsageError([Problem(f'destination "{name}"', f"is one of {', '.join(f'--{kind}' for kind in ways)}")])
    kind = chosen[0]
    values = _given({
        "kind": kind, "address": email, "url": webhook or cap or matrix, "text_field": text_field, "shape": shape,
        "room_id": room_id, "broker": mqtt, "topic": topic, "stand_topic": stand_topic, "username": username,
        "group_within": group_within, "fallback": fallback,
    })  # fmt: skip
    secret = _one_secret(name, secret_file, chat, token_file, password_file)
    made = new_secret() if kind in SIGNED and secret is None else None
    secret = made or secret
    with _desk(config) as desk:
        now = utc_now()
        section = desk.management.add_destination({"name": name, **values}, secret, now)
        refused = desk.ask(section.name, section.address) if section.address is not None else None
    if as_json:
        print_json({"destination": name, "kind": kind, "secret": made, "asked": kind == "email" and refused is None})
    else:
        typer.echo(f"{name} is added.")
        if made is not None:
            typer.echo("Its secret, shown this once; the receiver checks signatures with it:", err=True)
            typer.echo(made)
        if kind == "email" and refused is None:
            typer.echo(f"Its owner was asked at {email}; it gets nothing before they confirm, within seven days.")
    _fail_unless_asked(name, refused)


@app.command()
def change(  # noqa: PLR0917 - one option for each part of a destination
    name: NameArgument,
    email: EmailOption = None,
    webhook: WebhookOption = None,
    cap: CapOption = None,
    secret_file: SecretOption = None,
    chat: ChatOption = None,
    shape: ShapeOption = None,
    text_field: FieldOption = None,
    matrix: MatrixOption = None,
    room_id: RoomOption = None,
    token_file: TokenOption = None,
    mqtt: MqttOption = None,
    topic: TopicOption = None,
    stand_topic: StandOption = None,
    username: UserOption = None,
    password_file: PasswordOption = None,
    group_within: GroupOption = None,
    fallback: FallbackOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Change parts of a destination; a new mail address is asked for its confirmation."""
    from watcher.cli.options import print_json
    from watcher.clock import utc_now

    values = _given({
        "address": email, "url": webhook or cap or matrix, "text_field": text_field, "shape": shape,
        "room_id": room_id, "broker": mqtt, "topic": topic, "stand_topic": stand_topic, "username": username,
        "group_within": group_within, "fallback": fallback,
    })  # fmt: skip
    if fallback == "":
        values["fallback"] = None
    secret = _one_secret(name, secret_file, chat, token_file, password_file)
    with _desk(config) as desk:
        to_confirm = desk.management.change_destination(name, values, secret, utc_now())
        refused = desk.ask_again(name) if to_confirm else None
    if as_json:
        print_json({"destination": name, "changed": True, "asked": to_confirm and refused is None})
    else:
        typer.echo(f"{name} is changed.{' Its owner was asked by mail.' if to_confirm and refused is None else ''}")
    _fail_unless_asked(name, refused)


@app.command()
def confirm(
    name: NameArgument,
    code: Annotated[str | None, typer.Argument(help="The code of the mail; left out: the mail is sent again.")] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter the code that the owner of a mailbox got, or send them the mail again."""
    from watcher.cli.options import print_json

    with _desk(config) as desk:
        if code is None:
            refused = desk.ask_again(name)
            if refused is None:
                print_json({"destination": name, "asked": True}) if as_json else typer.echo("The mail was sent again.")
            _fail_unless_asked(name, refused)
            return
        desk.confirm(name, code)
    print_json({"destination": name, "confirmed": True}) if as_json else typer.echo(f"{name} is confirmed.")


@app.command()
def remove(name: NameArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Remove a destination that no subscription names."""
    from watcher.cli.options import print_json

    with _desk(config) as desk:
        desk.management.remove_destination(name)
    print_json({"destination": name, "removed": True}) if as_json else typer.echo(f"{name} is removed.")


@app.command()
def pause(
    name: NameArgument,
    reason: Annotated[str, typer.Option("--reason", help="Shown to whoever asks why.")] = "paused by command",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Send nothing to a destination until it is resumed, not even ends; what it was owed is dropped."""
    from watcher.cli.options import print_json
    from watcher.clock import utc_now

    with _desk(config) as desk:
        desk.management.pause_destination(name, reason, utc_now())
    print_json({"destination": name, "paused": True}) if as_json else typer.echo(f"{name} is paused.")


@app.command()
def resume(name: NameArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Send to a destination again that was paused, or stopped by its reader; it is told how things stand."""
    from watcher.cli.options import print_json

    with _desk(config) as desk:
        was_off = desk.management.resume_destination(name)
    if as_json:
        print_json({"destination": name, "was_off": was_off})
    else:
        typer.echo(f"{name} is on again." if was_off else f"{name} was not switched off.")


@app.command("test")
def send_test(name: NameArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Send one message that is marked as a test, now, and say whether it was taken."""
    from watcher.cli.options import print_json

    with _desk(config) as desk:
        refused = desk.try_out(name)
    if as_json:
        print_json({"destination": name, "taken": refused is None, "error": refused})
    elif refused is None:
        typer.echo(f"{name} took the test message.")
    else:
        typer.echo(f"{name} did not take it: {refused}", err=True)
    if refused is not None:
        raise typer.Exit(1)


def _line(row: Mapping[str, object]) -> str:
    state = f"  {row['state']}" if row["state"] != "on" else ""
    fallback = f"  fallback {row['fallback']}" if row["fallback"] is not None else ""
    return f"{row['name']}  [{row['source']}]  {row['kind']}  {row['to']}{fallback}{state}"


class _Desk:
    """What these commands need: the settings, the store, and the ways to destinations."""

    def __init__(self, settings: Settings, store: Store, management: Management) -> None:
        self.settings = settings
        self.store = store
        self.management = management

    def ask(self, name: str, address: str) -> str | None:
        import asyncio

        from watcher.clock import utc_now
        from watcher.service.asking import ask_owner

        return asyncio.run(ask_owner(self.settings, name, address, self.store.link_key(), utc_now()))

    def ask_again(self, name: str) -> str | None:
        """Give the owner seven days from now, and ask them."""
        import asyncio

        from watcher.clock import utc_now
        from watcher.service.asking import ask_again

        return asyncio.run(ask_again(self.settings, self.management, name, self.store.link_key(), utc_now()))

    def confirm(self, name: str, code: str) -> None:
        from watcher.clock import utc_now
        from watcher.service.asking import confirm_by_code

        confirm_by_code(self.management, self.store, name, code, self.store.link_key(), utc_now())

    def try_out(self, name: str) -> str | None:
        import asyncio

        from watcher.clock import utc_now
        from watcher.service.asking import try_out

        return asyncio.run(try_out(self.settings, self.management.destination(name), utc_now()))


@contextmanager
def _desk(config: Path | None) -> Iterator[_Desk]:
    with opened(config) as parts:
        yield _Desk(*parts)


def _given(values: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _one_secret(name: str, *files: Path | None) -> str | None:
    """Return what the one secret file among these holds; a destination has one."""
    from watcher.errors import Problem, UsageError

    given = [file for file in files if file is not None]
    if len(given) > 1:
        raise UsageError([Problem(f'destination "{name}"', "has one secret, and several files are named")])
    return _secret(given[0]) if given else None


def _secret(file: Path | None) -> str | None:
    """Return what a secret file holds, or the input."""
    import sys

    from watcher.errors import Problem, UsageError

    if file is None:
        return None
    try:
        return (sys.stdin.read() if str(file) == "-" else file.read_text(encoding="utf-8")).strip()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError([Problem(str(file), f"cannot be read ({type(error).__name__})")]) from error


def _fail_unless_asked(name: str, refused: str | None) -> None:
    if refused is not None:
        typer.echo(f"The mail to its owner was not taken: {refused}", err=True)
        typer.echo(f"Send it again with: hoarline destination confirm {name}", err=True)
        raise typer.Exit(1)
