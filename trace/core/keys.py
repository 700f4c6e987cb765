"""Keys: the immutable upper-case names that stand in addresses, ledger and labels.

A label carries the key followed by its ISO/IEC 7064 MOD 37,36 check character, so that a mistyped
or badly read key is noticed before anything is looked up. MOD 37,36 detects every single wrong
character, but not every swap of two neighbours. Its code holds a short link in capitals that a phone
opens, or that text where the plant has no address (the setting LABEL_URL).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import chain, count

from django.conf import settings
from django.db.models import Model
from stdnum.iso7064 import mod_37_36

from trace.core.errors import Kind, Refusal
from trace.core.secrecy import SYMBOLOGY

KEY = re.compile(r"[A-Z0-9](?:[A-Z0-9-]*[A-Z0-9])?")
KEY_LENGTH = 40
UNSTORABLE = re.compile(r"[\x00\ud800-\udfff]")
"""Characters that no database takes."""

LETTERS: Mapping[str, str] = {
    "container": "C",
    "tape": "T",
    "unit": "U",
    "workorder": "W",
    "carrier": "R",
    "carton": "B",
    "pallet": "P",
    "shipment": "S",
}
"""Kind of a thing: the letter that stands for it in a link. Letters are printed, and never change."""

LINK = re.compile(r"(HTTPS?://[^/]+/)([A-Z])/([A-Z0-9.-]+)")


class BadKey(Refusal):
    """A key has a character it may not have, or its check character is wrong."""

    code = "bad-key"
    kind = Kind.UNREADABLE
    action = "Use capital letters, digits and hyphens only."


class BadText(Refusal):
    """A text is longer than its record takes, or has a character that can't be stored."""

    code = "bad-text"
    kind = Kind.UNREADABLE
    action = "Type it again, shorter and without special characters."


class KeyInUse(Refusal):
    """A new thing can't have the key of another."""

    code = "key-in-use"
    action = "Use a new label."


def clean_key(text: str) -> str:
    """The key in `text`, trimmed and in capitals. Refuses with BadKey what can't be a key."""
    key = text.strip().upper()
    if not KEY.fullmatch(key) or len(key) > KEY_LENGTH:
        raise BadKey(f"“{text.strip()[:60]}” is not a key.")
    return key


def clean_text(text: str, limit: int, what: str) -> str:
    """`text`, trimmed; it may be empty. Refuses with BadText what is too long or can't be stored,
    naming `what` it is."""
    text = text.strip()
    if UNSTORABLE.search(text):
        raise BadText(f"{what} has a character that can't be stored.")
    if len(text) > limit:
        raise BadText(f"{what} may have {limit} characters, not {len(text)}.")
    return text


def free_key(kind: type[Model], text: str) -> str:
    """The key in `text`, for a new record of this kind. Refuses with BadKey, and KeyInUse."""
    key = clean_key(text)
    if kind._default_manager.filter(key=key).exists():
        raise KeyInUse(f"{key} is already the key of another {kind._meta.verbose_name}.")
    return key


def find_free_key(names: Sequence[str], *kinds: type[Model], limit: int = KEY_LENGTH) -> str:
    """A key for a new record: as like the first of these names as a key can be that none of these kinds has; where all
    are taken, the last with a number behind."""
    plain = ["-".join(re.findall("[A-Z0-9]+", name.upper()))[:limit].strip("-") or "X" for name in names]
    tries = chain(plain, (f"{plain[-1][: limit - 5]}-X{n}" for n in count(2)))
    return next(key for key in tries if not any(kind._default_manager.filter(key=key).exists() for kind in kinds))


def next_key(kind: type[Model], prefix: str) -> str:
    """A key for a new record: the prefix and the number after those that there are (`CARTON-00012`)."""
    number = kind._default_manager.count()
    keys = (f"{prefix}-{n:05}" for n in count(number + 1))
    return next(key for key in keys if not kind._default_manager.filter(key=key).exists())


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A sort key that puts R2 before R10, whether in capitals or not."""
    pieces = re.findall(r"\d+|\D+", text.casefold())
    return tuple((0, int(piece), "") if piece.isdecimal() else (1, 0, piece) for piece in pieces)


def check_character(key: str) -> str:
    """The ISO/IEC 7064 MOD 37,36 check character of a key; hyphens do not count."""
    return mod_37_36.calc_check_digit(key.replace("-", ""))


def label_text(key: str) -> str:
    """What a label shows and codes: the key, a full stop, its check character (`CB-0001.W`)."""
    return f"{key}.{check_character(key)}"


def code_of(kind: str, key: str) -> str:
    """What the code on the label of a thing holds."""
    return f"{settings.LABEL_URL}{LETTERS[kind]}/{label_text(key)}" if settings.LABEL_URL else label_text(key)


def read_code(text: str) -> tuple[str, str] | None:
    """(kind, label text) of a scanned link of this plant; None where it is none."""
    link = LINK.fullmatch(text.strip().upper())
    if link is None or link[1] != settings.LABEL_URL:
        return None
    return next(((kind, link[3]) for kind, letter in LETTERS.items() if letter == link[2]), None)


def read_label(text: str) -> str:
    """The key in scanned or typed `text`: alone, with its check character, or as the link that a label codes.

    Refuses with BadKey when a check character is there and wrong.
    """
    text = SYMBOLOGY.sub("", text.strip())
    _, text = read_code(text) or ("", text)
    body, dot, check = text.upper().partition(".")
    key = clean_key(body)
    if dot and check != check_character(key):
        raise BadKey(
            f"The check character of {key} should be {check_character(key)}, not {check or 'missing'}.",
            action="One character was misread: scan again, or type the key from the label.",
        )
    return key
