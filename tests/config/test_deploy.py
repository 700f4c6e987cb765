"""As a plant runs it: Django's own check of a deployment finds nothing, behind a proxy or not; the demo needs none."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from django.conf import settings

PRODUCTION = {"SECRET_KEY": "0123456789abcdef" * 4, "ALLOWED_HOSTS": "plant.example", "HTTPS": "true"}
ASK = """
import django
django.setup()
from django.test import Client
answer = Client(headers={"host": "plant.example", **%r}).get("/static/trace/icon.svg", secure=%r)
print(answer.status_code, answer.get("Location", "-"), answer.get("Strict-Transport-Security", "-"))
"""


def run(tmp_path: Path, *command: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Python from the top, with the environment of a plant of its own."""
    kept = {name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ}
    told = {**kept, "TRACE_PYTHON_AS_IS": "1", "DJANGO_SETTINGS_MODULE": "config.settings", "DATA_DIR": str(tmp_path)}
    return subprocess.run(
        [sys.executable, *command], cwd=settings.BASE_DIR, capture_output=True, text=True, env={**told, **environment}
    )


def ask(tmp_path: Path, headers: dict[str, str] | None = None, secure: bool = False, **environment: str) -> str:
    asked = run(tmp_path, "-c", ASK % (headers or {}, secure), **{**PRODUCTION, **environment})
    assert not asked.returncode, asked.stderr
    return asked.stdout.strip()


@pytest.mark.lint
@pytest.mark.parametrize("proxy", ["false", "true"])
def test_nothing_is_found_in_a_deployment(tmp_path: Path, proxy: str) -> None:
    command = ("manage.py", "check", "--deploy", "--fail-level", "WARNING")
    found = run(tmp_path, *command, **PRODUCTION, BEHIND_PROXY=proxy)
    assert found.returncode == 0 and "no issues" in found.stdout, found.stdout + found.stderr
    assert run(tmp_path, *command, **{**PRODUCTION, "HTTPS": "false"}).returncode == 1


@pytest.mark.lint
def test_plain_http_is_led_to_https_but_in_the_demo(tmp_path: Path) -> None:
    year = "max-age=31536000; includeSubDomains; preload"
    assert ask(tmp_path) == "301 https://plant.example/static/trace/icon.svg -"
    assert ask(tmp_path, secure=True) == f"200 - {year}"
    assert ask(tmp_path, HTTPS="false") == "200 - -"


@pytest.mark.lint
def test_a_proxy_is_believed_only_where_one_is_told_of(tmp_path: Path) -> None:
    forwarded = {"X-Forwarded-Proto": "https"}
    assert ask(tmp_path, forwarded).startswith("301 ")
    assert ask(tmp_path, forwarded, BEHIND_PROXY="true").startswith("200 - max-age=31536000")
    assert ask(tmp_path, {"X-Forwarded-Proto": "http"}, BEHIND_PROXY="true").startswith("301 ")
