"""Reads holdover tables: the shipped folder and one's own laid over it; puts a set into one's own folder."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from watcher.errors import Problem, RulesError
from watcher.service.rules_folder import file_in_force, rules_dir
from watcher.treatment.application import FluidRules
from watcher.treatment.check_tables import wrong
from watcher.treatment.parse_fluids import parse_fluids
from watcher.treatment.parse_tables import head_of, parse_tables
from watcher.treatment.parse_weather import parse_conditions, parse_weather_rows
from watcher.treatment.tables import Tables, TableSet, collected

HEAD = "head.toml"
FOLDER = "holdover"
# A set of a season is some 20 kB; whatever is larger is no set.
_LARGEST_BYTES = 1_000_000


def load_tables(folder: Path | None = None) -> Tables:
    """Return all holdover tables; a set of one's own replaces the shipped one of its name.

    Raises
    ------
    RulesError
        With everything that is wrong in any file.
    """
    problems: list[Problem] = []
    sets: dict[str, TableSet] = {}
    for place in (rules_dir(), *([folder] if folder is not None else [])):
        sets.update(_sets_in(place / FOLDER, problems))
    weather_name, weather = file_in_force(f"{FOLDER}/weather.csv", folder)
    conditions_name, conditions = file_in_force(f"{FOLDER}/conditions.csv", folder)
    if problems:
        raise RulesError(problems)
    return collected(
        tuple(sets.values()),
        parse_weather_rows(weather, weather_name),
        parse_conditions(conditions, conditions_name),
    )


def _sets_in(place: Path, problems: list[Problem]) -> dict[str, TableSet]:
    sets: dict[str, TableSet] = {}
    for head in sorted(place.glob(f"*/{HEAD}")):
        try:
            found = read_set(head)
        except RulesError as error:
            problems.extend(error.problems)
            continue
        if found.name in sets:
            remedy = "give it a name of its own, or remove one"
            problems.append(Problem(str(head), f'the name "{found.name}" stands in two folders', remedy))
        sets[found.name] = found
    return sets


def load_fluid_rules(folder: Path | None = None) -> FluidRules:
    """Return the rules for fluids; RulesError says all that is wrong with their files."""
    return parse_fluids(file_in_force("fluids.toml", folder), file_in_force(f"{FOLDER}/application.csv", folder))


def read_set(path: Path) -> TableSet:
    """Return the set of a head file, or of the folder it stands in.

    Raises
    ------
    RulesError
        When a file cannot be read, or with everything that is wrong in them.
    """
    head, texts = _texts(path)
    found = parse_tables(texts.pop(HEAD), texts, str(head))
    if problems := wrong(found):
        raise RulesError(problems)
    return found


def install_set(path: Path, folder: Path) -> Path:
    """Copy a set into a rules folder, whole or not at all, and return where it lies; one of its name is replaced.

    Raises
    ------
    RulesError
        When the set cannot be used.
    OSError
        When it cannot be written.
    """
    _, texts = _texts(path)
    place = folder / FOLDER / read_set(path).name
    place.parent.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=place.parent, prefix=".install-") as aside:
        new = Path(aside) / "new"
        new.mkdir()
        for name, text in texts.items():
            (new / name).write_text(text, encoding="utf-8")
        if place.exists():
            place.rename(Path(aside) / "old")
        new.rename(place)
    return place


def _texts(path: Path) -> tuple[Path, dict[str, str]]:
    head = path / HEAD if path.is_dir() else path
    text = _read(head)
    names = [table.file for table in head_of(text, str(head)).table]
    found = {name: _read(head.parent / name) for name in names if (head.parent / name).exists()}
    return head, {HEAD: text, **found}


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise RulesError([Problem(str(path), f"is larger than {_LARGEST_BYTES} bytes")])
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RulesError([Problem(str(path), f"cannot be read: {error}")]) from error
