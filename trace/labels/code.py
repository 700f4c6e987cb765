"""What the code of a label holds: a short link in capitals that a phone opens and the scan line reads.

Capitals, digits and the few signs of a link are the alphanumeric characters of a QR code (ISO/IEC 18004), of which it
holds half as many again as of others: the code stays small. Without an address of the plant (the setting LABEL_URL) a
code holds the key with its check character alone.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from django.conf import settings
from qrcode.constants import ERROR_CORRECT_M
from qrcode.main import QRCode
from qrcode.util import QRData

from trace.core.keys import label_text

LETTERS: Mapping[str, str] = {"container": "C"}
"""Kind of a thing: the letter that stands for it in a link. Letters are printed, and never change."""

LINK = re.compile(r"(HTTPS?://[^/]+/)([A-Z])/([A-Z0-9.-]+)")

QUIET = 4
"""Modules of white that belong around a code (ISO/IEC 18004)."""


def code_of(kind: str, key: str) -> str:
    """What the code on the label of a thing holds."""
    return f"{settings.LABEL_URL}{LETTERS[kind]}/{label_text(key)}" if settings.LABEL_URL else label_text(key)


def read_code(text: str) -> tuple[str, str] | None:
    """(kind, label text) of a scanned link of this plant; None where it is none."""
    link = LINK.fullmatch(text.strip().upper())
    if link is None or link[1] != settings.LABEL_URL:
        return None
    return next(((kind, link[3]) for kind, letter in LETTERS.items() if letter == link[2]), None)


def encode(text: str) -> QRCode:
    """The smallest QR code at level M (15 % may be lost) that holds a text."""
    code = QRCode(error_correction=ERROR_CORRECT_M, border=QUIET)
    code.add_data(QRData(text), optimize=0)
    code.make()
    return code
