"""Stores on both databases: a file, and a private PostgreSQL cluster where one can be started."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

pytest.importorskip("sqlalchemy", reason="the extra 'practice' is not installed")
pytest.importorskip("alembic", reason="the extra 'practice' is not installed")

POSTGRES_FOLDERS = "/usr/lib/postgresql/*/bin"
NOT_ROOT = "postgres"
"""initdb refuses root; Debian's package makes this user."""


class Ticking:
    """A clock that moves on by itself and can be set."""

    def __init__(self) -> None:
        self.time = datetime(2030, 1, 1, 12, tzinfo=UTC)
        self.step = timedelta(seconds=1)

    def __call__(self) -> datetime:
        self.time += self.step
        return self.time


def _tool(name: str) -> str | None:
    found = sorted(Path("/").glob(f"{POSTGRES_FOLDERS.lstrip('/')}/{name}"))
    return str(found[-1]) if found else shutil.which(name)


def _as_user(*command: str) -> list[str]:
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        return ["runuser", "-u", NOT_ROOT, "--", *command]
    return list(command)


@pytest.fixture(scope="session")
def postgres_cluster() -> Iterator[str]:
    """Address of a private cluster on a socket of its own; skipped with a reason where none can be started."""
    pytest.importorskip("pg8000", reason="the extra 'practice' is not installed")
    initdb, pg_ctl = _tool("initdb"), _tool("pg_ctl")
    if initdb is None or pg_ctl is None:
        pytest.skip("PostgreSQL is not installed")
    folder = Path(tempfile.mkdtemp(prefix="pg", dir="/tmp"))
    folder.chmod(0o777)
    data, socket = folder / "data", folder
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE, "cwd": "/tmp", "timeout": 60}
    try:
        made = subprocess.run(
            _as_user(initdb, "-D", str(data), "-A", "trust", "-U", "tester", "--no-sync", "-E", "UTF8"), **quiet
        )
        options = f"-k {socket} -c listen_addresses='' -c max_connections=60 -c fsync=off"
        started = made.returncode == 0 and subprocess.run(
            _as_user(pg_ctl, "-D", str(data), "-w", "-l", str(folder / "log"), "-o", options, "start"), **quiet
        )
        if not started or started.returncode != 0:
            reason = (started or made).stderr.decode(errors="replace").strip().splitlines()
            pytest.skip(f"PostgreSQL cannot be started here ({reason[-1] if reason else 'no reason given'})")
        try:
            yield f"postgresql://tester@/postgres?unix_sock={socket}/.s.PGSQL.5432"
        finally:
            subprocess.run(_as_user(pg_ctl, "-D", str(data), "-m", "immediate", "stop"), **quiet)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if folder.exists():
            subprocess.run(_as_user("rm", "-rf", str(folder)), **quiet)


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """An empty database of either kind."""
    if request.param == "sqlite":
        yield str(tmp_path / "practice.db")
        return
    from sqlalchemy import create_engine, make_url, text

    cluster = make_url(request.getfixturevalue("postgres_cluster")).set(drivername="postgresql+pg8000")
    engine = create_engine(cluster, isolation_level="AUTOCOMMIT")
    name = f"practice_{os.urandom(4).hex()}"
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    yield cluster.set(database=name).render_as_string(hide_password=False)
    with engine.connect() as connection:
        connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    engine.dispose()


@pytest.fixture
def clock() -> Ticking:
    return Ticking()
