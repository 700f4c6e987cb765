"""What must be known by those alone whom it concerns: how it is handed on, and what of it is kept."""

from __future__ import annotations

import hashlib
import re
import secrets
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Secret:
    """A secret on its way into an operation: no record, no error and no event shows what it is."""

    value: str = field(repr=False)


def secret_digest(secret: str | bytes) -> str:
    """The SHA-256 of a secret in hexadecimal, which is what is kept of those that nobody can guess."""
    return hashlib.sha256(secret.encode() if isinstance(secret, str) else secret).hexdigest()


SYMBOLOGY = re.compile(r"^\][A-Za-z][0-9A-Za-z]")
"""The symbology identifier of ISO/IEC 15424, which a scanner may send before what it read: ], a letter
for the kind of code, a modifier (common practice)."""


def clean_scan(text: str) -> str:
    """A scanned or typed text without what the scanner adds, in one line."""
    return SYMBOLOGY.sub("", "".join(c for c in text if c.isprintable()).strip()[:120]).strip()


def badge_digest(code: str) -> str:
    """Under which a badge is looked up: the SHA-256 of its code as scanned, small and capital letters alike."""
    return secret_digest(clean_scan(code).upper())


GROUPS, LETTERS = 5, "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
"""Letters that a hand copies without mistaking one for another: 32 of them, five bits each."""


def make_device_secret() -> str:
    """A new secret to be typed once into a device: 100 bits in groups of four."""
    return "-".join("".join(secrets.choice(LETTERS) for _ in range(4)) for _ in range(GROUPS))


def device_digest(secret: str) -> str:
    """The digest of a device's secret as somebody typed it."""
    return secret_digest(re.sub(r"[\s-]", "", secret).upper())
