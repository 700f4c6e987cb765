"""The plant's own application server, as production runs it, in a process of its own."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from http.client import HTTPConnection
from pathlib import Path
from types import TracebackType
from typing import Any

from django.conf import settings

WORKERS, THREADS = 2, 4
STARTING = 60
"""Seconds within which it answers."""


class Server:
    """gunicorn on a free port of this machine, on a database given by its URL; `with` starts and ends it."""

    def __init__(self, database_url: str, folder: Path, application: str = "config.wsgi", **environment: str) -> None:
        self.environment = {
            **os.environ,
            "DATABASE_URL": database_url,
            "DATA_DIR": str(folder),
            "HTTPS": "off",
            "API_RATE": "1000000/min",
            **environment,
        }
        self.application = application
        self.log = folder / "server.log"
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [
                    *(sys.executable, "-m", "gunicorn", f"{self.application}:application"),
                    *("-b", f"127.0.0.1:{self.port}", "-k", "gthread", "-w", str(WORKERS), "--threads", str(THREADS)),
                ],
                cwd=settings.BASE_DIR,
                env=self.environment,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        until = time.monotonic() + STARTING
        while not self.answers():
            if self.process.poll() is not None or time.monotonic() > until:
                self.kill()
                raise RuntimeError(f"the server did not start:\n{self.log.read_text()[-2_000:]}")
            time.sleep(0.05)

    def answers(self) -> bool:
        connection = HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            connection.request("GET", "/sign-in/")
            return connection.getresponse().status < 500
        except OSError:
            return False
        finally:
            connection.close()

    def kill(self) -> None:
        """End it and its workers at once, whatever they are about: SIGKILL, as when the power fails."""
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def __enter__(self) -> Server:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.kill()


def url_of(database: Mapping[str, Any]) -> str:
    """The address of a database by Django's settings of it."""
    if database["ENGINE"].endswith("sqlite3"):
        return f"sqlite:///{database['NAME']}"
    login = f"{database['USER']}:{database['PASSWORD']}" if database["PASSWORD"] else database["USER"]
    return f"postgres://{login}@{database['HOST']}:{database['PORT'] or 5432}/{database['NAME']}"
