"""`hoarline token`: what programs show to the API."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from pathlib import Path

    from watcher.store.model import Token
    from watcher.store.store import Store

app = typer.Typer(help="Give, see and take back the tokens that programs use the API with.", no_args_is_help=True)


@app.command()
def add(
    name: Annotated[str, typer.Argument(help="What it is called here, such as the program that gets it.")],
    scope: Annotated[
        list[str] | None,
        typer.Option("--scope", help="read, acknowledge or manage; may be given several times. Left out: read."),
    ] = None,
    days: Annotated[int, typer.Option("--days", min=1, max=3650, help="How long it is good for.")] = 90,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make a token and print it, this once: only its hash is kept."""
    from datetime import timedelta

    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.errors import Problem, UsageError
    from watcher.units import iso_z
    from watcher.web.tokens import new_token, token_hash

    name, scopes = _checked_name(name), _checked_scopes(scope or ["read"])
    now, token = utc_now(), new_token()
    expires_at = now + timedelta(days=days)
    store = _store(config)
    try:
        if any(known.name == name for known in store.tokens()):
            remedy = "take another name, or remove the old one first: hoarline token remove"
            raise UsageError([Problem(f'token "{name}"', "is there already", remedy)])
        store.add_token(name, token_hash(token), scopes, expires_at, now)
    finally:
        store.close()
    if as_json:
        print_json({"name": name, "token": token, "scopes": scopes, "expires_at": iso_z(expires_at)})
        return
    typer.echo(token)
    typer.echo(f"{name}: {', '.join(scopes)}, until {iso_z(expires_at)}. The token is not shown again.", err=True)


@app.command("list")
def list_tokens(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the tokens: what each may do, and until when."""
    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.units import iso_z

    store = _store(config)
    try:
        tokens = store.tokens()
    finally:
        store.close()
    now = utc_now()
    rows = [
        {
            "name": item.name,
            "scopes": sorted(item.scopes),
            "expires_at": iso_z(item.expires_at),
            "expired": item.expires_at <= now,
        }
        for item in tokens
    ]
    if as_json:
        print_json(rows)
        return
    for item in tokens:
        typer.echo(_line(item, expired=item.expires_at <= now))


@app.command()
def remove(
    name: Annotated[str, typer.Argument(help="Name of the token.")],
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take a token back; whoever shows it is refused from now on."""
    from watcher.cli.options import print_json
    from watcher.errors import Problem, UsageError, nearest

    store = _store(config)
    try:
        if not store.remove_token(name):
            names = [item.name for item in store.tokens()]
            remedy = nearest(name, names) if names else "there is none"
            raise UsageError([Problem(f'token "{name}"', "is not known", remedy)])
    finally:
        store.close()
    if as_json:
        print_json({"name": name, "removed": True})
    else:
        typer.echo(f"{name} is taken back.")


def _store(config: Path | None) -> Store:
    from watcher.cli.options import settings_from
    from watcher.store.store import Store

    return Store.open(settings_from(config).text.store.url)


def _checked_name(name: str) -> str:
    from watcher.errors import Problem, UsageError

    if not 1 <= len(name) <= 80 or not name.isprintable() or name != name.strip():
        raise UsageError(
            [Problem("token name", "cannot be used", "1 to 80 printable characters, no blank at its ends")]
        )
    return name


def _checked_scopes(words: list[str]) -> list[str]:
    from watcher.errors import Problem, UsageError, nearest
    from watcher.web.tokens import SCOPES

    wrong = [Problem(f'scope "{word}"', "is not known", nearest(word, SCOPES)) for word in words if word not in SCOPES]
    if wrong:
        raise UsageError(wrong)
    return [scope for scope in SCOPES if scope in words]


def _line(item: Token, *, expired: bool) -> str:
    from watcher.units import iso_z

    state = "expired" if expired else "until"
    return f"{item.name}  {', '.join(sorted(item.scopes))}  {state} {iso_z(item.expires_at)}"
