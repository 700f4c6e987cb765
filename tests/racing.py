"""Several people do something at the same moment, in transactions of their own."""

from __future__ import annotations

import threading
from collections.abc import Callable

from django.db import connection

from trace.core.errors import Refusal


def race(*deeds: Callable[[], object]) -> list[str]:
    """Do all of these at once; the codes of the refusals. Whatever else goes wrong is raised."""
    together = threading.Barrier(len(deeds))
    refused: list[str] = []
    errors: list[BaseException] = []

    def do(deed: Callable[[], object]) -> None:
        try:
            together.wait(10)
            deed()
        except Refusal as refusal:
            refused.append(refusal.code)
        except BaseException as error:
            errors.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=do, args=[deed]) for deed in deeds]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert not any(thread.is_alive() for thread in threads), "not done within a minute"
    if errors:
        raise errors[0]
    return sorted(refused)
