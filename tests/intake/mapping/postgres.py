"""A PostgreSQL server for one run of the tests: its own data directory, loopback only, a random port, gone afterwards.

Uses the programs of the Debian package `postgresql` where they are there.
"""

import contextlib
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SUPERUSER = "keeper"
PASSWORD = "p@ss w/ord:1?"


@dataclass(frozen=True)
class Server:
    """A running server. psql: runs statements as the superuser, who needs no password on the local socket."""

    port: int
    place: Path
    programs: Path

    def url(self, user: str = "reader", database: str = "postgres") -> str:
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"

    def psql(self, statements: str) -> str:
        command = [str(self.programs / "psql"), "-XqAt", "-v", "ON_ERROR_STOP=1", "-h", str(self.place)]
        command += ["-p", str(self.port), "-U", SUPERUSER, "-d", "postgres"]
        ran = subprocess.run(command, input=statements, capture_output=True, text=True, check=False)
        assert ran.returncode == 0, ran.stderr
        return ran.stdout


def programs() -> Path | None:
    """The folder with the programs of the newest PostgreSQL server that is installed."""
    found = shutil.which("initdb")
    versions = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[4]))
    return versions[-1].parent if versions else Path(found).resolve().parent if found else None


@contextlib.contextmanager
def running(bin_folder: Path) -> Iterator[Server]:
    """A server with an empty database; the role `reader` may only read and has a password, over TCP needed by all."""
    # The server refuses to run as root, so it runs as the user that the package makes.
    as_owner = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
    with tempfile.TemporaryDirectory(prefix="pg") as folder, socket.socket() as probe:
        place = Path(folder)
        if as_owner:
            owner = pwd.getpwnam("postgres")
            os.chown(place, owner.pw_uid, owner.pw_gid)
        # Root reaches the socket all the same.
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        probe.close()
        data = place / "data"

        def run(program: str, *arguments: str) -> None:
            command = [*as_owner, str(bin_folder / program), *arguments]
            subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.STDOUT, check=True, cwd="/")

        run("initdb", "-D", str(data), "-U", SUPERUSER, "--no-sync", "--encoding=UTF8", "--locale=C",
            "--auth-local=trust", "--auth-host=scram-sha-256")  # fmt: skip
        settings = f"-c port={port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={place} -c fsync=off"
        run("pg_ctl", "-D", str(data), "-w", "-l", str(place / "log"), "-o", settings, "start")
        try:
            server = Server(port, place, bin_folder)
            server.psql(f"create role reader login password '{PASSWORD}'; grant usage on schema public to reader;")
            yield server
        finally:
            run("pg_ctl", "-D", str(data), "-m", "immediate", "stop")
