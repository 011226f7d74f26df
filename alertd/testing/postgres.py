"""A temporary PostgreSQL server on a Unix socket, for tests and benchmarks of the store."""

import os
import pwd
import secrets
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Self
from urllib.parse import quote

_WHERE = (Path("/usr/local/bin"), Path("/opt/homebrew/bin"))
_DEBIAN = Path("/usr/lib/postgresql")
_NEEDED = ("initdb", "pg_ctl", "psql")
_ORDINARY_USERS = ("postgres", "nobody")
PASSWORD = "made-up/for:tests@only"  # noqa: S105 - of temporary servers; its characters need quoting in a URL


def server_programs() -> Path | None:
    """Return the folder of the newest PostgreSQL server programs; None when there is none."""
    found = shutil.which("initdb")
    versions = sorted(_DEBIAN.glob("*/bin"), key=lambda path: float(path.parent.name), reverse=True)
    folders = [*([Path(found).resolve().parent] if found else []), *versions, *_WHERE]
    return next((folder for folder in folders if all((folder / name).exists() for name in _NEEDED)), None)


class PostgresCluster:
    """Use as a context manager. The server requires a password and syncs to disk, like a production server."""

    def __init__(self, programs: Path) -> None:
        self._programs = programs

    def __enter__(self) -> Self:
        self.folder = Path(tempfile.mkdtemp(prefix="alertd-pg-"))  # short: a socket's path has at most 107 bytes
        # The server refuses to run as root.
        self._user = next(_known(_ORDINARY_USERS)) if os.geteuid() == 0 else None
        if self._user is not None:
            os.chown(self.folder, self._user.pw_uid, self._user.pw_gid)
        password = self.folder / "password"
        password.write_text(PASSWORD)
        password.chmod(0o644)
        auth = ["--auth=scram-sha-256", f"--pwfile={password}"]
        self._run("initdb", "-D", f"{self.folder}/data", "-U", "alertd", "-E", "UTF8", "--locale=C", *auth)
        self._start()
        return self

    def __exit__(self, *_: object) -> None:
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-m", "immediate", "-w", "stop")
        shutil.rmtree(self.folder, ignore_errors=True)

    def new_store_url(self) -> str:
        """Return the URL, with password, of an empty schema: a separate store, faster to create than a database."""
        name = f"s{secrets.token_hex(6)}"
        self.sql(f"CREATE SCHEMA {name}")
        return f"{self.url('postgres')}&options=-csearch_path%3D{name}"

    def url(self, database: str) -> str:
        """Return the URL of a database, with password."""
        return f"postgresql://alertd:{quote(PASSWORD, safe='')}@/{database}?host={self.folder}"

    def sql(self, statement: str) -> None:
        """Run one SQL statement. Raises RuntimeError when it fails."""
        self._run("psql", "-q", "-h", str(self.folder), "-U", "alertd", "-d", "postgres", "-c", statement)

    def restart(self) -> None:
        """Drop every connection, as a server crash does, and start again."""
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-m", "immediate", "-w", "stop")
        self._start()

    def _start(self) -> None:
        options = f"-c listen_addresses='' -k {self.folder} -c max_connections=50"
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-l", f"{self.folder}/log", "-o", options, "-w", "start")

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run(  # noqa: S603 - programs of this machine with our own arguments
            [self._programs / program, *arguments],
            cwd=self.folder,
            env={"PGPASSWORD": PASSWORD, "LC_ALL": "C", "PATH": str(self._programs)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            check=False,
            user=self._user and self._user.pw_uid,
            group=self._user and self._user.pw_gid,
            extra_groups=[] if self._user else None,
        )
        if done.returncode != 0:
            raise RuntimeError(f"{program} failed: {done.stderr.decode(errors='replace')}")


def _known(names: tuple[str, ...]) -> Iterator[pwd.struct_passwd]:
    for name in names:
        try:
            yield pwd.getpwnam(name)
        except KeyError:
            continue
