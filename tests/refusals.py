"""What every test of a refusal looks at: its code, its words, and that nothing at all was written."""

from __future__ import annotations

from typing import Any

import pytest
from django.apps import apps

from tests.factories import Plant
from trace.core.errors import Refusal


def contents() -> dict[str, list[dict[str, Any]]]:
    """Every row of every table of ours."""
    return {
        model._meta.label: list(model._default_manager.order_by("pk").values())
        for model in apps.get_app_config("trace").get_models()
    }


def refused(plant: Plant, code: str, operation: Any, minute: float = 50, **arguments: Any) -> Refusal:
    """The operation refuses with this code, says what is wrong and what to do, and writes nothing."""
    before = contents()
    with pytest.raises(Refusal) as error:
        plant.do(operation, minute, **arguments)
    refusal = error.value
    assert refusal.code == code, refusal
    assert refusal.message and refusal.action
    assert contents() == before
    return refusal
