"""From file, environment and secret files to settings. All that is wrong is said at once."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, SecretStr, ValidationError

from watcher.alerts.model import Policy
from watcher.errors import Problem, SettingsError, nearest
from watcher.reports.station import Station
from watcher.settings.model import SettingsText
from watcher.settings.people import DestinationSection, SubscriptionSection
from watcher.settings.words import is_loopback

DEFAULT_FILE = Path("hoarline.toml")
PREFIX = "HOARLINE_"
_NEVER_HERE = {"password": "password_file", "secret": "secret_file", "token": "token_file"}
_LISTS = ("feed", "destination", "subscription", "parked", "station")


@dataclass(frozen=True, slots=True)
class Settings:
    """The settings in force.

    `text`: the values. `provenance`: dotted key to where its value came from. `base`: the folder that relative paths
    count from. `secrets`: by the name of what needs them ("mail", "feed NAME", or a destination), never shown.
    """

    text: SettingsText
    provenance: Mapping[str, str]
    base: Path
    secrets: Mapping[str, tuple[SecretStr, ...]]

    def path(self, path: Path) -> Path:
        """Return a path of the settings; a relative one counts from the folder of the settings file."""
        return path if path.is_absolute() else self.base / path

    def policy(self) -> Policy:
        """Return the settings of the judgement."""
        watch = self.text.watch
        return Policy(
            watch.blind_margin,
            watch.first_cadence,
            watch.stale_after,
            watch.lead,
            watch.valid_for,
            self.text.notify.fallback_after,
        )

    def station_overrides(self) -> tuple[Station, ...]:
        """Return the stations that the settings add or correct."""
        return tuple(item.station() for item in self.text.station)


def load_settings(path: Path | None, environ: Mapping[str, str], *, required: bool = True) -> Settings:
    """Read the settings.

    Parameters
    ----------
    path
        The file; None: hoarline.toml in this folder.
    environ
        HOARLINE_SECTION__KEY overrides one value of a section, such as HOARLINE_STORE__URL.
    required
        False: without a file the defaults are in force.

    Raises
    ------
    SettingsError
        With everything that is wrong.
    """
    file = path if path is not None else DEFAULT_FILE
    raw = _read(file, required=required or path is not None)
    problems: list[Problem] = []
    provenance = dict.fromkeys(_keys(raw), str(file))
    _overlay(raw, environ, provenance, problems)
    _refuse_secrets(raw, file, problems)
    text = _validated(raw, str(file), problems)
    secrets: dict[str, tuple[SecretStr, ...]] = {}
    if text is not None:
        problems.extend(_contradictions(text, str(file)))
        secrets = _secrets(text, file.parent, environ, problems)
    if problems or text is None:
        raise SettingsError(problems)
    return Settings(text, provenance, file.parent, secrets)


def _read(file: Path, *, required: bool) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        if not required:
            return {}
        remedy = "write one, or name another with --config"
        raise SettingsError([Problem(str(file), "there is no such file", remedy)]) from error
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError([Problem(str(file), f"cannot be read: {error}")]) from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError([Problem(str(file), f"is no TOML: {error}")]) from error


def _keys(raw: Mapping[str, Any]) -> Iterator[str]:
    for section, values in raw.items():
        if isinstance(values, dict):
            yield from (f"{section}.{key}" for key in values)
        elif isinstance(values, list):
            yield from (
                f"{section}[{index}].{key}"
                for index, item in enumerate(values)
                if isinstance(item, dict)
                for key in item
            )


def _overlay(
    raw: dict[str, Any], environ: Mapping[str, str], provenance: dict[str, str], problems: list[Problem]
) -> None:
    for name, value in sorted(environ.items()):
        if not name.startswith(PREFIX) or "__" not in name:
            continue
        section, _, key = name.removeprefix(PREFIX).lower().partition("__")
        if section in _LISTS or section not in SettingsText.model_fields:
            known = [f"{PREFIX}{word.upper()}__…" for word in SettingsText.model_fields if word not in _LISTS]
            problems.append(Problem(f"environment {name}", "no such section", f"allowed: {', '.join(known)}"))
            continue
        raw.setdefault(section, {})[key] = _value(value)
        provenance[f"{section}.{key}"] = f"environment {name}"


def _value(text: str) -> object:
    """Return an environment text as TOML would read it; what is no TOML is the text itself."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (tomllib.TOMLDecodeError, RecursionError):
        return text


def _refuse_secrets(raw: dict[str, Any], file: Path, problems: list[Problem]) -> None:
    for section, values in raw.items():
        for item in values if isinstance(values, list) else [values]:
            if not isinstance(item, dict):
                continue
            for key in [key for key in item if key in _NEVER_HERE]:
                del item[key]
                where = f"{file}: [{section}] {key}"
                problems.append(Problem(where, "a secret does not stand in the settings", f"use {_NEVER_HERE[key]}"))


def _validated(raw: dict[str, Any], file: str, problems: list[Problem]) -> SettingsText | None:
    try:
        return SettingsText.model_validate(raw)
    except ValidationError as error:
        problems.extend(_problem(item, file) for item in error.errors())
        return None


def _problem(item: Mapping[str, Any], file: str) -> Problem:
    path = [str(part) for part in item["loc"]]
    place = f"{file}: {_dotted(path)}"
    if item["type"] == "extra_forbidden":
        return Problem(
            f"{file}: {_dotted(path[:-1]) or 'top level'}",
            f'"{path[-1]}" is not known',
            nearest(path[-1], _known(path)),
        )
    if item["type"] == "missing":
        return Problem(f"{file}: {_dotted(path[:-1])}", f'"{path[-1]}" is missing')
    if item["type"] == "literal_error":
        allowed = item["ctx"]["expected"].replace("'", "").replace(" or ", ", ").split(", ")
        return Problem(place, f'"{item["input"]}" is not allowed', nearest(str(item["input"]), allowed))
    return Problem(place, str(item["msg"]).removeprefix("Value error, "))


def _dotted(path: Sequence[str]) -> str:
    text = ""
    for part in path:
        text += f"[{int(part) + 1}]" if part.isdigit() else f".{part}" if text else part
    return text


def _known(path: Sequence[str]) -> list[str]:
    """Return the keys that may stand where an unknown one does."""
    if len(path) == 1:
        return list(SettingsText.model_fields)
    annotation = SettingsText.model_fields[path[0]].annotation
    candidates = [annotation, *getattr(annotation, "__args__", ())]
    for model in candidates:
        if isinstance(model, type) and issubclass(model, BaseModel):
            return [field.alias or name for name, field in model.model_fields.items()]
    return []


def _contradictions(text: SettingsText, file: str) -> Iterator[Problem]:
    for section in _LISTS:
        names = [item.code if section == "station" else item.name for item in getattr(text, section)]
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield Problem(f"{file}: {section}", f'"{name}" stands twice')
    if text.watch.stations == "all" or not text.watch.stations:
        remedy = "name them in [watch] stations, or use a bulk feed, which brings all"
        for feed in text.feed:
            if feed.kind == "query":
                yield Problem(f'{file}: feed "{feed.name}"', "a query feed asks for stations by their codes", remedy)
    for destination in text.destination:
        key = destination.lacks_secret_file()
        if key is not None:
            yield Problem(
                f'{file}: destination "{destination.name}"', f"{key} is missing", "name a file beside these settings"
            )
        if (destination.group() or timedelta()) >= text.watch.valid_for:
            what = "group_within is as long as [watch] valid_for: its messages would run out before they are sent"
            yield Problem(f'{file}: destination "{destination.name}"', what)
    for problem in fallback_problems(text.destination):
        yield replace(problem, where=f"{file}: {problem.where}")
    known = [destination.name for destination in text.destination]
    for subscription in text.subscription:
        for problem in subscription_problems(subscription, known, text.watch.stations):
            yield replace(problem, where=f"{file}: {problem.where}")
    yield from _caretaker_problems(text, f"{file}: caretaker")
    for parked in text.parked:
        if text.watch.stations != "all" and parked.station not in text.watch.stations:
            where = f'{file}: parked "{parked.name}"'
            yield Problem(where, f"{parked.station} is not watched", "add it to [watch] stations")
    if text.mail is None and any(destination.kind == "email" for destination in text.destination):
        yield Problem(f"{file}: mail", "an email destination needs the section [mail]", "with host and from")
    if text.web.open_reading and text.web.bind is not None and not is_loopback(text.web.bind):
        what = f"open_reading is for this machine only, and {text.web.bind} is reached from others"
        yield Problem(f"{file}: web", what, "bind 127.0.0.1, or give readers a token: hoarline token add")


def _caretaker_problems(text: SettingsText, where: str) -> Iterator[Problem]:
    kinds = {destination.name: destination.kind for destination in text.destination}
    for name in text.caretaker.to:
        if name not in kinds:
            remedy = nearest(name, kinds) if kinds else "there is none"
            yield Problem(where, f'destination "{name}" is not known', remedy)
        elif kinds[name] == "cap":
            yield Problem(where, f'"{name}" takes weather warnings only', "name a destination of another kind")


def fallback_problems(destinations: Sequence[DestinationSection]) -> Iterator[Problem]:
    """Yield which fallbacks cannot be: unknown ones, CAP receivers, and rounds that lead back to where they began.

    Parameters
    ----------
    destinations
        All that there are, each name once.
    """
    kinds = {item.name: item.kind for item in destinations}
    behind = {item.name: item.fallback for item in destinations if item.fallback is not None}
    in_a_round: set[str] = set()
    for name, fallback in behind.items():
        where = f'destination "{name}"'
        if fallback not in kinds:
            yield Problem(where, f'its fallback "{fallback}" is not known', nearest(fallback, kinds))
        elif kinds[fallback] == "cap":
            what = f'"{fallback}" takes weather warnings only, and cannot say for whom they were meant'
            yield Problem(where, what, "name a fallback of another kind")
        way = [name]
        while way[-1] in behind and behind[way[-1]] not in way:
            way.append(behind[way[-1]])
        if behind.get(way[-1]) == name and name not in in_a_round:
            in_a_round.update(way)
            said = " -> ".join((*way, name))
            yield Problem(where, f"the fallbacks lead in a round: {said}", "leave one of them out")


def subscription_problems(
    subscription: SubscriptionSection, destinations: Collection[str], watched: Collection[str] | Literal["all"]
) -> Iterator[Problem]:
    """Yield what a subscription names that is not there: destinations, and stations that nobody watches.

    Parameters
    ----------
    subscription
        Written in the settings, or with a command.
    destinations
        The names that there are.
    watched
        The stations that are watched.
    """
    where = f'subscription "{subscription.name}"'
    for name in subscription.to:
        if name not in destinations:
            remedy = nearest(name, destinations) if destinations else "there is none"
            yield Problem(where, f'destination "{name}" is not known', remedy)
    if watched != "all" and subscription.stations not in {None, "all"}:
        for code in sorted(set(subscription.stations or ()).difference(watched)):
            yield Problem(where, f"{code} is not watched", "add it to [watch] stations")


def feed_key(name: str) -> str:
    """Return under which name the secret of a feed is kept: a destination may be called as a feed is."""
    return f"feed {name}"


def _secrets(
    text: SettingsText, base: Path, environ: Mapping[str, str], problems: list[Problem]
) -> dict[str, tuple[SecretStr, ...]]:
    found: dict[str, tuple[SecretStr, ...]] = {}
    if text.mail is not None and text.mail.password_file is not None:
        found["mail"] = _read_secrets([text.mail.password_file], "mail", base, environ, problems)
    for feed in text.feed:
        if feed.password_file is not None:
            where = f'feed "{feed.name}"'
            found[feed_key(feed.name)] = _read_secrets([feed.password_file], where, base, environ, problems)
    for destination in text.destination:
        files = destination.secret_files()
        if files:
            where = f'destination "{destination.name}"'
            found[destination.name] = _read_secrets(files, where, base, environ, problems)
    return found


def _read_secrets(
    files: Sequence[Path], where: str, base: Path, environ: Mapping[str, str], problems: list[Problem]
) -> tuple[SecretStr, ...]:
    secrets = []
    for file in files:
        try:
            secrets.append(SecretStr(_secret_path(file, base, environ).read_text(encoding="utf-8").strip()))
        except (OSError, ValueError) as error:  # a name with a null in it is a ValueError, as is text that is not UTF-8
            remedy = "it is looked for beside the settings and in $CREDENTIALS_DIRECTORY"
            problems.append(Problem(f"{where}: {file}", f"cannot be read ({type(error).__name__})", remedy))
    return tuple(secrets)


def _secret_path(file: Path, base: Path, environ: Mapping[str, str]) -> Path:
    if file.is_absolute():
        return file
    beside = base / file
    credentials = environ.get("CREDENTIALS_DIRECTORY")
    return beside if beside.exists() or credentials is None else Path(credentials) / file
