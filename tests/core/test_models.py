from django.db import models

from trace.core.models import KeyField


def test_a_key_that_is_not_unique_is_so_in_a_migration_too() -> None:
    """Django leaves an option with its default value out of migrations; KeyField has another default."""
    for unique in (True, False):
        field = KeyField(unique=unique)
        _, path, arguments, options = field.deconstruct()
        assert path == "trace.core.models.KeyField"
        assert KeyField(*arguments, **options).unique is unique
    assert isinstance(KeyField(), models.CharField)
