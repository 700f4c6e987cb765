"""The code of a label.

Capitals, digits and the few signs of a link are the alphanumeric characters of a QR code (ISO/IEC 18004), of which it
holds half as many again as of others: the code stays small.
"""

from __future__ import annotations

from collections.abc import Mapping

from qrcode.constants import ERROR_CORRECT_H, ERROR_CORRECT_L, ERROR_CORRECT_M, ERROR_CORRECT_Q
from qrcode.main import QRCode
from qrcode.util import QRData

QUIET = 4
"""Modules of white that belong around a code (ISO/IEC 18004)."""


LEVELS: Mapping[str, int] = {"L": ERROR_CORRECT_L, "M": ERROR_CORRECT_M, "Q": ERROR_CORRECT_Q, "H": ERROR_CORRECT_H}
"""How much of a code may be lost and it is read all the same (ISO/IEC 18004): 7, 15, 25 and 30 % of its codewords."""


def encode(text: str, level: str = "M") -> QRCode:
    """The smallest QR code at a level that holds a text."""
    code = QRCode(error_correction=LEVELS[level], border=QUIET)
    code.add_data(QRData(text), optimize=0)
    code.make()
    return code
