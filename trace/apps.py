from typing import Any

from django.apps import AppConfig
from django.contrib.admin.apps import AdminConfig
from django.core.checks import Tags, register
from django.db import connections
from django.db.models.signals import post_migrate


class MasterData(AdminConfig):
    """Django's admin, with a site of our own."""

    default_site = "trace.web.masterdata.MasterDataSite"


class TraceConfig(AppConfig):
    name = "trace"
    label = "trace"
    verbose_name = "Traceability"

    def ready(self) -> None:
        from trace.ledger import triggers

        def install(using: str, **_: Any) -> None:
            triggers.install(connections[using])

        # Held strongly: Django keeps only a weak reference, and this function has no other name.
        post_migrate.connect(install, sender=self, weak=False)
        register(Tags.database)(triggers.check_triggers)
