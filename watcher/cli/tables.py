"""`hoarline rules tables`: list the holdover tables, check a set of one's own, and install it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption, RulesOption

if TYPE_CHECKING:
    from datetime import date

    from watcher.errors import Problem
    from watcher.treatment.tables import TableSet

app = typer.Typer(help="Holdover tables: list them, check and install this season's.", no_args_is_help=True)

FileArgument = Annotated[Path, typer.Argument(help="The head file of the set, or the folder with head.toml.")]


def own_folder(rules: Path | None, config: Path | None) -> Path | None:
    """Return one's own rules folder: as given, else as the settings name it; None where there is none."""
    from watcher.cli.options import settings_from

    if rules is not None:
        return rules
    settings = settings_from(config, required=config is not None)
    folder = settings.text.rules.folder
    return settings.path(folder) if folder is not None else None


@app.command("list")
def list_tables(rules: RulesOption = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the sets of tables: season, authority, validity, where the figures come from, and whether they are in force.

    Only a set in force gives minutes; the others do so for training, and say so.
    """
    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.service.tables_folder import load_tables

    today = utc_now().date()
    sets = load_tables(own_folder(rules, config)).sets
    if as_json:
        print_json([_summary(each, today) for each in sets])
        return
    for each in sets:
        typer.echo(f"{each.name:<26} {_force(each, today)}")
        typer.echo(f"  {each.authority}, season {each.season}, {each.valid_from} to {each.valid_until}, {_basis(each)}")
        typer.echo(f"  {'; '.join(_titles(each))}")
    if not any(each.in_force(today) for each in sets):
        typer.echo(
            "No set is in force: no minutes are given except for training. Install this season's official tables."
        )


@app.command()
def check(file: FileArgument, as_json: JsonOption = False) -> None:
    """Check a set of tables: every cell, gaps and overlaps, what must hold between columns, validity.

    Exit code 2 when it cannot be used. What is odd is said and does not hinder: compare it with the official issue.
    """
    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.service.tables_folder import read_set
    from watcher.treatment.check_tables import odd

    found = read_set(file)
    oddities = odd(found)
    today = utc_now().date()
    if as_json:
        print_json({**_summary(found, today), "odd": [str(problem) for problem in oddities]})
        return
    _print_check(found, oddities, today)


@app.command()
def install(
    file: FileArgument, rules: RulesOption = None, config: ConfigOption = None, as_json: JsonOption = False
) -> None:
    r"""Check a set and copy it into the folder of \[rules] in the settings; it replaces one of the same name.

    Compare it with the official issue once more, cell by cell: from then on its minutes are given.
    """
    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.errors import Problem, RulesError, UsageError
    from watcher.service.tables_folder import install_set, read_set
    from watcher.treatment.check_tables import odd

    folder = own_folder(rules, config)
    if folder is None:
        remedy = "name one in [rules] folder of the settings, or with --rules"
        raise UsageError(
            [Problem("hoarline rules tables install", "there is no folder for rules of one's own", remedy)]
        )
    found = read_set(file)
    try:
        place = install_set(file, folder)
    except OSError as error:
        raise RulesError([Problem(str(folder), f"cannot be written: {error}")]) from error
    today = utc_now().date()
    if as_json:
        print_json({**_summary(found, today), "odd": [str(each) for each in odd(found)], "installed": str(place)})
        return
    _print_check(found, odd(found), today)
    typer.echo(f"Installed in {place}.")


def _print_check(found: TableSet, oddities: list[Problem], today: date) -> None:
    cells = sum(len(row.cells) for table in found.holdover for row in table.rows)
    typer.echo(f"{found.name}: {'; '.join(_titles(found))}")
    typer.echo(f"  {found.authority}, season {found.season}; {cells} holdover cells, {_basis(found)}")
    typer.echo(f"  {_force(found, today)}")
    for problem in oddities:
        typer.echo(f"  odd: {problem}")
    typer.echo("Nothing is wrong with its form. Whether the figures are the official ones, only you can tell.")


def _force(each: TableSet, today: date) -> str:
    if each.in_force(today):
        return f"in force until {each.valid_until}"
    if each.use == "training":
        return "for training only, not in force"
    if today < each.valid_from:
        return f"not in force before {each.valid_from}"
    return f"not in force: out of season since {each.valid_until}"


def _titles(each: TableSet) -> list[str]:
    return [table.title for group in (each.holdover, each.frost, each.allowance, each.charts) for table in group]


def _basis(each: TableSet) -> str:
    words = {"official": "copied from the official issue", "seen": "read in an old copy", "memory": "from memory"}
    return f"figures {words[each.basis.value]}"


def _summary(each: TableSet, today: date) -> dict[str, object]:
    return {
        "name": each.name,
        "season": each.season,
        "authority": each.authority,
        "publisher": each.publisher,
        "valid_from": each.valid_from.isoformat(),
        "valid_until": each.valid_until.isoformat(),
        "use": each.use,
        "basis": each.basis.value,
        "in_force": each.in_force(today),
        "tables": _titles(each),
        "provenance": each.provenance,
        "rights": each.rights,
    }
