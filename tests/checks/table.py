"""Tables of measurements: columns of a CSV file, plain or packed, and what a check is asked on the command line."""

from __future__ import annotations

import argparse
import csv
import gzip
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

Column = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Position:
    """Where a file was measured, for the files that do not say."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float


class Table:
    """The columns of a file by name; a blank is nan."""

    def __init__(self, path: Path) -> None:
        read = gzip.open if path.suffix == ".gz" else open
        with read(path, "rt", encoding="utf-8", newline="") as lines:
            rows = list(csv.DictReader(lines))
        if not rows:
            raise SystemExit(f"{path}: no rows")
        self._path = path
        self._texts = {name: [row[name] for row in rows] for name in rows[0]}

    def texts(self, name: str) -> npt.NDArray[np.str_]:
        if name not in self._texts:
            raise SystemExit(f"{self._path}: no column {name}; it has {', '.join(self._texts)}")
        return np.array(self._texts[name])

    def numbers(self, name: str) -> Column:
        return np.array([float(text) if text else np.nan for text in self.texts(name)])

    def times(self, name: str) -> npt.NDArray[np.datetime64]:
        return self.texts(name).astype("datetime64[s]")


def asked(name: str) -> tuple[Table, Position | None]:
    """Return the file and the position of the command line of a check."""
    parser = argparse.ArgumentParser(prog=f"python -m {name}")
    parser.add_argument("file", type=Path)
    parser.add_argument("--position", type=_position, help="LAT,LON,ELEV_M; north and east positive")
    given = parser.parse_args()
    return Table(given.file), given.position


def _position(text: str) -> Position:
    latitude, longitude, elevation = (float(part) for part in text.split(","))
    return Position(latitude, longitude, elevation)


def rmse(difference: Column) -> float:
    return float(np.sqrt(np.mean(difference**2)))
