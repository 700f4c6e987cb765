"""Two stations make use of a deviation at once: its last use is counted once."""

from __future__ import annotations

import threading

import pytest
from django.db import connection

from tests.approvals.signing import deviation
from tests.factories import Plant
from trace.core.errors import Refusal
from trace.floor.models import Skip, Unit
from trace.floor.operations.passes import start_pass

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.mark.parametrize("round", range(5))
def test_a_last_use_is_given_to_one(round: int) -> None:
    plant = Plant()
    it = deviation(plant, most=1)
    together = threading.Barrier(2)
    refused: list[Refusal] = []
    errors: list[BaseException] = []

    def enter(unit: Unit) -> None:
        try:
            together.wait(10)
            plant.do(start_pass, 10, unit=unit, station=plant.test)
        except Refusal as refusal:
            refused.append(refusal)
        except BaseException as error:
            errors.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=enter, args=[unit]) for unit in plant.boards(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    it.refresh_from_db()
    assert not errors, errors
    assert (it.used, Skip.objects.count(), len(refused)) == (1, 1, 1)
