"""The content of attachments: written once, verified whenever it is read."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from trace.approvals import files
from trace.approvals.files import ContentLost, FileTooLong, read, store


@pytest.fixture(autouse=True)
def folder(settings, tmp_path: Path) -> Path:
    settings.DATA_DIR = tmp_path
    return tmp_path / "attachments"


def kept(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def test_a_content_is_kept_once_under_its_sha256(folder: Path) -> None:
    """FIPS 180-2, appendix B.1: the SHA-256 of “abc”."""
    first, again = store([b"a", b"bc"]), store([b"abc"])
    assert first == again == ("ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", 3)
    (path,) = kept(folder)
    assert path.name == first.sha256 and path.stat().st_mode & 0o077 == 0
    assert read(first.sha256) == b"abc"


def test_an_altered_or_missing_content_is_told_and_not_overwritten(folder: Path) -> None:
    stored = store([b"abc"])
    (path,) = kept(folder)
    path.write_bytes(b"abd")
    for deed in (lambda: read(stored.sha256), lambda: store([b"abc"])):
        with pytest.raises(ContentLost, match="was altered since"):
            deed()
    assert path.read_bytes() == b"abd"
    path.unlink()
    with pytest.raises(ContentLost, match="is missing on this server"):
        read(stored.sha256)


def test_what_is_empty_or_too_long_leaves_nothing_behind(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MOST", 5)
    for pieces in ([], [b""], [b"abc", b"def"]):
        with pytest.raises(FileTooLong):
            store(pieces)
    assert kept(folder) == []
    assert store([b"abcde"]).sha256 == hashlib.sha256(b"abcde").hexdigest()
