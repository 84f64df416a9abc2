"""Reads procedures, aircraft and operations: one's own file where there is one, else the shipped one."""

from __future__ import annotations

from pathlib import Path

from watcher.service.rules_folder import file_in_force
from watcher.treatment.kinds import Place
from watcher.treatment.parse_aircraft import parse_aircraft
from watcher.treatment.parse_operations import parse_operations
from watcher.treatment.parse_procedure import parse_procedure
from watcher.treatment.procedures import Procedure
from watcher.treatment.profiles import Fleet, Operations


def load_procedure(place: Place, folder: Path | None = None) -> Procedure:
    """Return the procedure of a place; RulesError says all that is wrong with its file."""
    name, text = file_in_force(f"procedures/{place}.toml", folder)
    return parse_procedure(text, name)


def load_procedures(folder: Path | None = None) -> dict[Place, Procedure]:
    """Return the procedures of all places; RulesError says all that is wrong with the first file that has anything."""
    return {place: load_procedure(place, folder) for place in Place}


def load_fleet(folder: Path | None = None) -> Fleet:
    """Return the aircraft profiles; RulesError says all that is wrong with their file."""
    name, text = file_in_force("aircraft.toml", folder)
    return parse_aircraft(text, name)


def load_operations(folder: Path | None = None) -> dict[str, Operations]:
    """Return the operations by station; RulesError says all that is wrong with their file."""
    name, text = file_in_force("operations.toml", folder)
    return parse_operations(text, name)
