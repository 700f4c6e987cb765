"""A scanner: a keyboard faster than any hand."""

from __future__ import annotations

import time
from collections.abc import Mapping

from playwright.sync_api import Page

APART = 0.01
"""Seconds from key to key."""


def type_as_scanner(page: Page, text: str, pressed: Mapping[str, str] | None = None) -> None:
    """Type a text and Enter; `pressed` names the keys for characters that are on none. Pages tell a scanner from a hand
    by when its keys were pressed: that is told here with each key, so that a busy machine makes no hand of it."""
    keyboard = page.context.new_cdp_session(page)
    begun = time.time() - APART * len(text)
    for n, character in enumerate(f"{text}\n"):
        key = {"key": character, "text": character}
        if character == "\n":
            key = {"key": "Enter", "text": "\r", "windowsVirtualKeyCode": 13}
        elif pressed and character in pressed:
            key = {"key": pressed[character]}
        elif not character.isprintable():
            keyboard.send("Input.insertText", {"text": character})
            continue
        for what in ("keyDown", "keyUp"):
            keyboard.send("Input.dispatchKeyEvent", {"type": what, "timestamp": begun + n * APART, **key})
    keyboard.detach()
