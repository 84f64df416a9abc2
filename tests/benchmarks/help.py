"""How long `hoarline --help` takes, a new process each time. Prints one JSON object."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.machine import machine

ROUNDS = 15


def seconds(*words: str) -> list[float]:
    command = [str(Path(sys.executable).parent / "hoarline"), *words]
    spans = []
    for _ in range(ROUNDS):
        started = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        spans.append(time.perf_counter() - started)
    return spans


def main() -> None:
    bare = []
    for _ in range(ROUNDS):
        started = time.perf_counter()
        subprocess.run([sys.executable, "-c", "pass"], check=True)
        bare.append(time.perf_counter() - started)
    spans = seconds("--help")
    print(
        json.dumps(
            {
                "help_median_s": round(statistics.median(spans), 3),
                "help_worst_s": round(max(spans), 3),
                "python_itself_median_s": round(statistics.median(bare), 3),
                **machine(),
            }
        )
    )


if __name__ == "__main__":
    main()
