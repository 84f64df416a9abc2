"""Makes requirements.txt and build-requirements.txt: every package of a deployment, of one version, with its hashes.

`python deploy/make_requirements.py` asks the package index that pip is set up with; `--upgrade` takes newer versions.
It needs the package `pip-tools`, which the extra `dev` brings.
"""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).parent.parent
RUNTIME = Path("deploy") / "requirements.txt"
BUILD = Path("deploy") / "build-requirements.txt"
_HEADS = {
    RUNTIME: "# What the service runs with, all extras of production. Made by make_requirements.py.\n",
    BUILD: "# What builds the wheel. Made by make_requirements.py.\n",
}


# Who develops, and who sits at a desk with an archive.
_NOT_SERVING = frozenset({"dev", "replay", "cluster"})


def extras() -> tuple[str, ...]:
    """Return the extras of production: those that the service uses."""
    with (ROOT / "pyproject.toml").open("rb") as file:
        return tuple(
            name for name in tomllib.load(file)["project"]["optional-dependencies"] if name not in _NOT_SERVING
        )


def compiled(target: Path, *options: str) -> None:
    """Have one file made. What stands in it already stays as it is unless `--upgrade` is among the options."""
    command = [
        *(sys.executable, "-m", "piptools", "compile", "--quiet", "--generate-hashes", "--allow-unsafe"),
        *("--no-header", "--no-emit-index-url", "--no-emit-trusted-host", "--no-emit-find-links", "--no-emit-options"),
        *("--no-annotate", "--strip-extras", "--output-file", str(target), *options, "pyproject.toml"),
    ]
    subprocess.run(command, check=True, cwd=ROOT)  # noqa: S603 - words of our own
    path = ROOT / target
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    path.write_text(_HEADS[target] + "\n".join(lines).strip() + "\n", encoding="utf-8")


def main() -> None:
    """Make both files."""
    more = [option for option in sys.argv[1:] if option == "--upgrade"]
    compiled(RUNTIME, *(f"--extra={name}" for name in extras()), *more)
    compiled(BUILD, "--build-deps-for=wheel", "--only-build-deps", *more)


if __name__ == "__main__":
    main()
