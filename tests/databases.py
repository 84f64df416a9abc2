"""A real PostgreSQL for tests: a cluster of its own in a folder of its own, reached through a unix socket, gone afterwards.

Debian's package `postgresql` brings the programs; they refuse to run as root, so they run as the user that it made.
"""

from __future__ import annotations

import getpass
import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg import sql

from watcher.store import schema

_FOLDERS = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda folder: int(folder.parent.name), reverse=True)
_USER = "postgres"
# Nothing here has to survive a power cut.
_SETTINGS = {"fsync": "off", "full_page_writes": "off", "listen_addresses": "", "max_connections": "200"}


def postgres_is_here() -> bool:
    """Return whether there are the programs of a PostgreSQL server."""
    return bool(_FOLDERS)


@dataclass(frozen=True, slots=True)
class Cluster:
    """A running server; its databases are made and dropped here."""

    folder: Path

    @property
    def socket_folder(self) -> Path:
        return self.folder / "socket"

    def url(self, name: str) -> str:
        return f"postgresql+psycopg://{_USER}@/{name}?host={self.socket_folder}"

    def connect(self, name: str = "postgres") -> psycopg.Connection:
        return psycopg.connect(host=str(self.socket_folder), user=_USER, dbname=name, autocommit=True)

    @contextmanager
    def database(self, template: str | None = None) -> Iterator[str]:
        """Make a database, empty or like another one, and return its URL for as long as the block runs."""
        name = f"test_{uuid.uuid4().hex[:12]}"
        like = sql.SQL(" TEMPLATE {}").format(sql.Identifier(template)) if template else sql.SQL("")
        with self.connect() as connection:
            connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)) + like)
        try:
            yield self.url(name)
        finally:
            with self.connect() as connection:
                connection.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))

    def make_template(self) -> str:
        """Make a database with our tables, for others to be like; return its name."""
        with self.connect() as connection:
            connection.execute("CREATE DATABASE hoarline_template")
        schema.upgrade(self.url("hoarline_template"))
        return "hoarline_template"

    def processor_s(self) -> float:
        """Return how much processor time those processes of the server have taken that serve or served anybody."""
        (postmaster, *_) = (self.folder / "data" / "postmaster.pid").read_text().splitlines()
        serving = Path(f"/proc/{postmaster}/task/{postmaster}/children").read_text().split()
        # Of a process itself, and of its children that have ended.
        ticks = sum(sum(_times(pid)[:2]) for pid in serving) + sum(_times(postmaster)[2:])
        return ticks / os.sysconf("SC_CLK_TCK")

    def stop(self, mode: str = "fast") -> None:
        """Stop the server as `pg_ctl` does: smart, fast, or immediate, which is a crash."""
        _run("pg_ctl", "-D", str(self.folder / "data"), "-m", mode, "-w", "stop")

    def start(self) -> None:
        """Start the server and wait until it answers."""
        options = " ".join(f"-c {name}='{value}'" for name, value in _SETTINGS.items())
        log, data = str(self.folder / "log"), str(self.folder / "data")
        _run("pg_ctl", "-D", data, "-l", log, "-w", "-o", f"-k {self.socket_folder} {options}", "start")


@contextmanager
def cluster() -> Iterator[Cluster]:
    """Run a fresh server for as long as the block runs."""
    # The path of a unix socket may have some 100 characters only, so this is not below pytest's own folder.
    folder = Path(tempfile.mkdtemp(prefix="hoarline-pg-"))
    try:
        made = Cluster(folder)
        made.socket_folder.mkdir()
        if _as_root():
            for path in (folder, made.socket_folder):
                shutil.chown(path, _USER)
        _run("initdb", "-D", str(folder / "data"), "-U", _USER, "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C")
        made.start()
        try:
            yield made
        finally:
            made.stop("immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _times(pid: str) -> list[int]:
    """Return utime, stime, cutime and cstime of a process, in ticks: fields 14 to 17 of proc(5)'s stat."""
    return [int(field) for field in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:15]]


def _as_root() -> bool:
    return os.geteuid() == 0


def _run(program: str, *arguments: str) -> None:
    command = [str(_FOLDERS[0] / program), *arguments]
    if _as_root() and getpass.getuser() != _USER:
        command = ["runuser", "-u", _USER, "--", *command]
    # The server keeps what it inherits open: no pipes.
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/", timeout=60)
