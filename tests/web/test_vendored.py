"""What is vendored is what was published, file by file, and nothing else lies there."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from django.conf import settings
from django.test import Client

from tests.factories import Plant
from tests.web.conftest import make_user

VENDOR = Path(settings.BASE_DIR) / "trace" / "static" / "trace" / "vendor"
LIST = json.loads((VENDOR / "vendored.json").read_text())


def test_every_file_has_the_sum_that_is_listed() -> None:
    listed = {f"{name}/{file}": digest for name, told in LIST.items() for file, digest in told["sha256"].items()}
    found = {
        str(path.relative_to(VENDOR)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in VENDOR.rglob("*")
        if path.is_file() and path != VENDOR / "vendored.json"
    }
    assert found == listed
    assert all(told["version"] and told["licence"] and "LICENSE" in told["sha256"] for told in LIST.values())


def test_the_reader_was_made_for_this_module() -> None:
    """It names the version and the SHA-256 of the module that it loads."""
    reader, module = (VENDOR / "barcode-detector" / "ponyfill.js").read_text(), LIST["zxing-wasm"]
    assert module["sha256"]["zxing_reader.wasm"] in reader and module["version"] in reader


@pytest.mark.django_db
def test_only_the_page_of_a_station_may_compile_it(client: Client) -> None:
    Plant()
    client.force_login(make_user())
    assert "'wasm-unsafe-eval'" in client.get("/station/INSERT/")["Content-Security-Policy"]
    assert "wasm" not in client.get("/")["Content-Security-Policy"]
