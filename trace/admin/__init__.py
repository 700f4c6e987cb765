"""Master data in Django's admin. No rule lives here: what has an operation is changed by it, and only shown here."""

from trace.admin import master, people

__all__ = ["master", "people"]
