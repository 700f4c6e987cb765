"""The content of attachments: files named by their SHA-256, written once and verified whenever they are read."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from django.conf import settings

from trace.core.errors import Kind, Refusal

MOST = 20_000_000
"""Bytes of one file."""


class FileTooLong(Refusal):
    """A file is longer than an attachment may be, or empty."""

    code = "file-too-long"
    kind = Kind.TOO_LONG
    action = f"Attach a file of up to {MOST // 1_000_000} MB."


class ContentLost(Refusal):
    """The file of an attachment is missing or is no longer what was attached."""

    code = "content-lost"
    kind = Kind.MISSING
    action = "Have it restored from the backup; until then do not rely on it."


class Stored(NamedTuple):
    """What was stored: its SHA-256, its length in bytes."""

    sha256: str
    size: int


def store(pieces: Iterable[bytes]) -> Stored:
    """Keep a content, whole or not at all; the same content is kept once.

    Refuses with FileTooLong what is empty or longer than MOST, and with ContentLost where what is kept under its
    name is something else: nothing is ever overwritten.
    """
    folder = _folder()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    digest, size = hashlib.sha256(), 0
    handle, draft = tempfile.mkstemp(dir=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            for piece in pieces:
                size += len(piece)
                if size > MOST:
                    raise FileTooLong("The file is too long.")
                digest.update(piece)
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        if not size:
            raise FileTooLong("The file is empty.")
        kept = _path(digest.hexdigest())
        kept.parent.mkdir(mode=0o700, exist_ok=True)
        with suppress(FileExistsError):
            os.link(draft, kept)  # refuses to overwrite, and never shows a half-written file
        _sync(kept.parent)
    finally:
        os.unlink(draft)
    read(digest.hexdigest())
    return Stored(digest.hexdigest(), size)


def read(sha256: str) -> bytes:
    """The content of a SHA-256. Refuses with ContentLost where its file is missing, or is something else."""
    try:
        content = _path(sha256).read_bytes()
    except OSError:
        raise ContentLost(f"The file {sha256[:12]}… is missing on this server.") from None
    if hashlib.sha256(content).hexdigest() != sha256:
        raise ContentLost(f"The file {sha256[:12]}… was altered since it was attached: it is not given out.")
    return content


def _folder() -> Path:
    return Path(settings.DATA_DIR) / "attachments"


def _path(sha256: str) -> Path:
    return _folder() / sha256[:2] / sha256


def _sync(folder: Path) -> None:
    """A new name is in a folder once the folder itself is on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
