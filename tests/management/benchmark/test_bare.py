"""The bare page of a rush stands in nobody's way who only imports it."""

from __future__ import annotations

from django.conf import settings

from trace.management.commands.document import list_refusals


def test_every_module_can_be_imported_and_the_pages_stay_where_they_are() -> None:
    list_refusals()  # imports all there are
    assert settings.ROOT_URLCONF == "trace.urls"
