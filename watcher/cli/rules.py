"""`hoarline rules`: list, show, test, schema and explain the rulebook."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import JsonOption, RulesOption

if TYPE_CHECKING:
    from pathlib import Path

    from watcher.rulebook.model import Rule

app = typer.Typer(help="Look at the rulebook and test it.", no_args_is_help=True)


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
    from rich.console import Console
    from rich.table import Table

    table = Table("rule", "flag", "level", "judged on", "says", box=None, pad_edge=False)
    for rule in found:
        level = rule.level.word if rule.no_time is None else f"{rule.level.word} ({rule.no_time.value})"
        table.add_row(rule.name, rule.flag.value, level, ", ".join(sorted(rule.kinds)), rule.text)
    Console().print(table)


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
        print_json(_summary(rule))
        return
    typer.echo(f"{rule.name}  ({rule.file})\n  {rule.text}\n  flag {rule.flag.value}, level {rule.level.word}")
    if rule.no_time is not None:
        typer.echo(f"  no holdover time: {rule.no_time.value}")
    typer.echo(f"  judged on {', '.join(sorted(rule.kinds))}")
    typer.echo(f"  begins after {rule.confirm_reports} report(s) that meet it")
    typer.echo(f"  settles after {rule.settle_reports} reports and {duration_text(rule.settle_for)} without it")
    typer.echo(f"  source: {rule.source}")


@app.command("test")
def run_examples(rules: RulesOption = None, as_json: JsonOption = False) -> None:
    """Load the rules and run every example in them; exit code 2 when one does not hold."""
    from watcher.cli.options import print_json
    from watcher.rulebook.parse import parse_rules
    from watcher.service.rules_folder import load_rulebook, read_rule_texts

    book = load_rulebook(rules)
    examples = sum(len(parse_rules(text, name).examples) for name, text in read_rule_texts(rules).items())
    if as_json:
        print_json({"rules": len(book.rules), "examples": examples, "fingerprint": book.fingerprint})
    else:
        typer.echo(f"{len(book.rules)} rules, {examples} examples, all hold ({book.fingerprint}).")


@app.command()
def schema() -> None:
    """Print the JSON Schema of a rule file, for an editor or a check of one's own."""
    from watcher.cli.options import print_json
    from watcher.rulebook.schema import rules_schema

    print_json(rules_schema())


@app.command()
def explain(
    name: Annotated[str, typer.Argument(help="Name of the rule.")],
    report: Annotated[str | None, typer.Option(help="A METAR or SPECI to judge.", show_default=False)] = None,
    held: Annotated[bool, typer.Option("--held", help="The rule holds already: judge its release.")] = False,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what a rule makes of a report, leaf by leaf; without a report, what it would want to know."""
    from dataclasses import asdict
    from datetime import UTC, datetime

    from watcher.cli.hand import hand_facts
    from watcher.cli.options import print_json
    from watcher.rulebook.facts import FACTS_BY_NAME, Facts
    from watcher.rulebook.findings import find
    from watcher.rulebook.words import Kind

    rule = _named(name, rules)
    empty = Facts("XNOR", datetime(2026, 1, 12, tzinfo=UTC), Kind.OBSERVED, {})
    finding = find(rule, hand_facts(report) if report is not None else empty, Kind.OBSERVED, held=held)
    if as_json:
        leaves = [{**asdict(leaf), "value": _plain(leaf.value)} for leaf in finding.because]
        print_json({"rule": rule.name, "verdict": finding.verdict, "why": finding.why, "because": leaves})
        return
    verdict = {True: "true", False: "false", None: "unknown"}
    typer.echo(f"{rule.name}: {verdict[finding.verdict]}. {finding.why}")
    for leaf in finding.because:
        denied = "not " if leaf.negated else ""
        unit = f" {leaf.unit}" if leaf.unit else ""
        value = "unknown" if leaf.value is None else f"{_plain(leaf.value)}{unit}"
        typer.echo(f"  {denied}{leaf.field} {leaf.op} {leaf.threshold}: {verdict[leaf.verdict]} ({value})")
        if leaf.value is None:
            typer.echo(f"    {FACTS_BY_NAME[leaf.field].meaning}")


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
