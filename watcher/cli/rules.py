"""`hoarline rules`: list, show, test, schema and explain the rulebook."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import JsonOption, RulesOption
from watcher.cli.tables import app as tables_app

if TYPE_CHECKING:
    from watcher.rulebook.model import Because, Finding, Rule

_VERDICTS = {True: "true", False: "false", None: "unknown"}

app = typer.Typer(help="Look at the rulebook and test it.", no_args_is_help=True)
app.add_typer(tables_app, name="tables")


def _rules(folder: Path | None) -> dict[str, Rule]:
    from watcher.service.rules_folder import load_rulebook

    return {rule.name: rule for rule in load_rulebook(folder).rules}


def _named(name: str, folder: Path | None) -> Rule:
    from watcher.errors import Problem, UsageError, nearest

    rules = _rules(folder)
    if name not in rules:
        raise UsageError([Problem(f'rule "{name}"', "is not known", nearest(name, rules))])
    return rules[name]


@app.command("list")
def list_rules(rules: RulesOption = None, as_json: JsonOption = False) -> None:
    """List every rule with its flag, level and text."""
    from watcher.cli.options import print_json

    found = _rules(rules).values()
    if as_json:
        print_json([_summary(rule) for rule in found])
        return
    for rule in sorted(found, key=lambda rule: (rule.flag.value, -rule.level)):
        judged = "" if len(rule.kinds) > 1 else f", {next(iter(rule.kinds)).value} only"
        typer.echo(f"{rule.flag.value:<24} {_level(rule):<20} {rule.name}")
        typer.echo(f"{'':<45} {rule.text}{judged}")


@app.command()
def show(
    name: Annotated[str, typer.Argument(help="Name of the rule.")],
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show one rule: what it asks, how soon it begins, how long it settles, and where it comes from."""
    from watcher.cli.options import print_json
    from watcher.units import duration_text

    rule = _named(name, rules)
    if as_json:
        print_json({**_summary(rule), "asks": list(_asks(rule))})
        return
    typer.echo(f"{rule.name}  ({rule.file})\n  {rule.text}\n  flag {rule.flag.value}, level {_level(rule)}")
    typer.echo(f"  judged on {', '.join(sorted(rule.kinds))}")
    for line in _asks(rule):
        typer.echo(f"    {line}")
    typer.echo(f"  begins after {rule.confirm_reports} report(s) that meet it")
    typer.echo(f"  settles after {rule.settle_reports} reports and {duration_text(rule.settle_for)} without it")
    typer.echo(f"  source: {rule.source}")


@app.command("test")
def run_examples(
    files: Annotated[
        list[Path] | None, typer.Argument(help="Rule files to test alone; left out: all in force.", show_default=False)
    ] = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Load the rules and run every example in them; exit code 2 when one does not hold."""
    from watcher.cli.options import print_json
    from watcher.errors import RulesError
    from watcher.outlook.examples import check_examples
    from watcher.rulebook.parse import build_rulebook, parse_rules
    from watcher.service.rules_folder import read_rule_texts

    texts = _texts(files) if files else read_rule_texts(rules)
    book = build_rulebook(texts)
    parsed = [parse_rules(text, name) for name, text in texts.items()]
    problems = check_examples(parsed)
    if problems:
        raise RulesError(problems)
    examples = sum(len(file.examples) for file in parsed)
    if as_json:
        print_json({"rules": len(book.rules), "examples": examples, "fingerprint": book.fingerprint})
    else:
        typer.echo(f"{len(book.rules)} rules, {examples} examples, all hold ({book.fingerprint}).")


@app.command()
def schema(_as_json: JsonOption = True) -> None:
    """Print the JSON Schema of a rule file, for an editor or a check of one's own. It is always JSON."""
    from watcher.cli.options import print_json
    from watcher.rulebook.schema import rules_schema

    print_json(rules_schema())


@app.command()
def explain(  # noqa: PLR0917 - options of a command
    what: Annotated[str, typer.Argument(help="Name of a rule, or a METAR or SPECI to judge by all of them.")],
    report: Annotated[str | None, typer.Option(help="The METAR or SPECI for one rule.", show_default=False)] = None,
    position: Annotated[
        str | None, typer.Option(help="Place, for day and night: 60.20,11.10,210.", show_default=False)
    ] = None,
    held: Annotated[bool, typer.Option("--held", help="The rule holds already: judge its release.")] = False,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what a rule makes of a report, leaf by leaf; without a report, what it would want to know.

    With a report in place of a name: what all rules make of it, those it does not meet left out.
    """
    from datetime import UTC, datetime

    from watcher.cli.hand import hand_facts
    from watcher.cli.options import print_json
    from watcher.rulebook.facts import Facts
    from watcher.rulebook.findings import find
    from watcher.rulebook.words import Kind
    from watcher.service.look import finding_as_contract

    if report is None and " " in what.strip():
        facts = hand_facts(what, position)
        asked = [rule for rule in _rules(rules).values() if Kind.OBSERVED in rule.kinds]
    else:
        nothing = Facts("XNOR", datetime(2026, 1, 12, tzinfo=UTC), Kind.OBSERVED, {})
        facts = hand_facts(report, position) if report is not None else nothing
        asked = [_named(what, rules)]
    findings = [find(rule, facts, Kind.OBSERVED, held=held) for rule in asked]
    shown = findings if len(asked) == 1 else [finding for finding in findings if finding.verdict is not False]
    if as_json:
        lines = [finding_as_contract(finding) for finding in shown]
        print_json(lines[0] if len(asked) == 1 else lines)
        return
    for finding in shown:
        _print_finding(finding, leaves=len(asked) == 1)
    if not shown:
        typer.echo("No rule is met by this report.")


def _texts(files: list[Path]) -> dict[str, str]:
    from watcher.errors import Problem, RulesError

    texts: dict[str, str] = {}
    problems = []
    for path in files:
        try:
            texts[str(path)] = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            problems.append(Problem(str(path), f"cannot be read: {error}"))
    if problems:
        raise RulesError(problems)
    return texts


def _asks(rule: Rule) -> tuple[str, ...]:
    from watcher.rulebook.condition import Tree
    from watcher.rulebook.describe import described

    return described(rule.when.root) if isinstance(rule.when, Tree) else ()


def _level(rule: Rule) -> str:
    return rule.level.word if rule.no_time is None else f"{rule.level.word} ({rule.no_time.value})"


def _print_finding(finding: Finding, *, leaves: bool) -> None:
    from watcher.rulebook.facts import FACTS_BY_NAME

    typer.echo(f"{finding.rule}: {_VERDICTS[finding.verdict]}. {finding.why}")
    for leaf in finding.because if leaves else ():
        denied = "not " if leaf.negated else ""
        unit = f" {leaf.unit}" if leaf.unit else ""
        value = "unknown" if leaf.value is None else f"{_plain(leaf.value)}{unit}"
        typer.echo(f"  {denied}{leaf.field} {leaf.op} {_threshold(leaf)}: {_VERDICTS[leaf.verdict]} ({value})")
        if leaf.value is None:
            typer.echo(f"    {FACTS_BY_NAME[leaf.field].meaning}")


def _threshold(leaf: Because) -> str:
    bounds = leaf.threshold if isinstance(leaf.threshold, tuple) else (leaf.threshold,)
    return " to ".join(map(str, bounds)) if leaf.op == "between" else " or ".join(map(str, bounds))


def _plain(value: object) -> object:
    return sorted(value) if isinstance(value, frozenset) else value


def _summary(rule: Rule) -> dict[str, object]:
    return {
        "name": rule.name,
        "flag": rule.flag.value,
        "level": rule.level.word,
        "no_time": rule.no_time.value if rule.no_time is not None else None,
        "kinds": sorted(rule.kinds),
        "text": rule.text,
        "source": rule.source,
        "confirm_reports": rule.confirm_reports,
        "settle_reports": rule.settle_reports,
        "settle_minutes": rule.settle_for.total_seconds() / 60,
        "file": rule.file,
    }
