"""Moments on paper."""

from __future__ import annotations

from django.utils import timezone

from trace.core.clock import from_ticks


def show(ticks: int) -> str:
    """A moment as the plant's clock shows it."""
    return f"{timezone.localtime(from_ticks(ticks)):%Y-%m-%d %H:%M}"
