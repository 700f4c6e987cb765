"""Migrating a database from nothing takes longer than most files of tests: it is done once for a state of the
migrations, and each run and worker gets a copy. Django migrates the copy all the same, and finds nothing to do.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path
from urllib.parse import quote

import django
from django.conf import settings
from django.db import connection

ROOT = Path(settings.BASE_DIR)


def state() -> str:
    """What the migrations are: another after any change to one of them."""
    digest = hashlib.sha256(django.__version__.encode())
    for file in sorted((ROOT / "trace").rglob("migrations/*")):
        if file.is_file() and file.suffix in {".py", ".sql"}:
            digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def copy_database(folder: Path) -> None:
    """Put a migrated database under the name of this run's test database. `folder` is kept from run to run."""
    with open(folder / "lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        remove_database()
        (_copy_on_server if connection.vendor == "postgresql" else _copy_file)(folder, _name())


def remove_database() -> None:
    connection.close()
    if connection.vendor == "postgresql":
        connection.close_pool()  # type: ignore[attr-defined]
        with _server() as cursor:
            cursor.execute(f'DROP DATABASE IF EXISTS "{_name()}" WITH (FORCE)')
    else:
        for suffix in ("", "-wal", "-shm"):
            Path(f"{_name()}{suffix}").unlink(missing_ok=True)


def _name() -> str:
    return connection.creation._get_test_db_name()  # type: ignore[attr-defined]


def _migrate(url: str) -> None:
    subprocess.run(
        [sys.executable, "manage.py", "migrate", "--verbosity", "0"],
        check=True,
        cwd=ROOT,
        env={**os.environ, "DATABASE_URL": url, "TRACE_PYTHON_AS_IS": "1"},
    )


def _copy_file(folder: Path, name: str) -> None:
    kept = folder / f"{state()}.sqlite3"
    if not kept.exists():
        for older in folder.glob("*.sqlite3*"):
            older.unlink()
        draft = folder / "draft.sqlite3"
        _migrate(f"sqlite:///{draft}")
        draft.rename(kept)  # whoever closes a file last leaves no log beside it
    shutil.copyfile(kept, name)


def _copy_on_server(folder: Path, name: str) -> None:
    """Kept on the server, under a name of this folder's."""
    mine = f"migrated_{hashlib.sha256(str(folder).encode()).hexdigest()[:8]}_"
    kept, draft = f"{mine}{state()}", f"{mine}draft"
    with _server() as cursor:
        cursor.execute("SELECT datname FROM pg_database WHERE datname LIKE %s", [f"{mine}%"])
        names = [found for (found,) in cursor.fetchall()]
        if kept not in names:
            for older in names:
                cursor.execute(f'DROP DATABASE "{older}" WITH (FORCE)')
            cursor.execute(f'CREATE DATABASE "{draft}"')
            to = connection.settings_dict
            who = f"{quote(to['USER'])}:{quote(to['PASSWORD'])}" if to["PASSWORD"] else quote(to["USER"])
            _migrate(f"postgres://{who}@{to['HOST']}:{to['PORT'] or 5432}/{draft}")
            cursor.execute(f'ALTER DATABASE "{draft}" RENAME TO "{kept}"')
        cursor.execute(f'CREATE DATABASE "{name}" TEMPLATE "{kept}"')
        # No test pulls the plug of the server's machine.
        cursor.execute(f'ALTER DATABASE "{name}" SET synchronous_commit = off')


def _server():  # type: ignore[no-untyped-def]
    return connection._nodb_cursor()  # type: ignore[attr-defined]
