"""The code of a label.

Capitals, digits and the few signs of a link are the alphanumeric characters of a QR code (ISO/IEC 18004), of which it
holds half as many again as of others: the code stays small.
"""

from __future__ import annotations

from qrcode.constants import ERROR_CORRECT_M
from qrcode.main import QRCode
from qrcode.util import QRData

QUIET = 4
"""Modules of white that belong around a code (ISO/IEC 18004)."""


def encode(text: str) -> QRCode:
    """The smallest QR code at level M (15 % may be lost) that holds a text."""
    code = QRCode(error_correction=ERROR_CORRECT_M, border=QUIET)
    code.add_data(QRData(text), optimize=0)
    code.make()
    return code
