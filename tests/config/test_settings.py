"""The settings that a plant's record depends on."""

import stat

import pytest
from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.db import connection, transaction

from config.settings import kept_secret, link_base
from trace.management.commands.test import environment


def test_the_secret_is_made_once_and_is_the_owners_alone(tmp_path) -> None:
    path = tmp_path / "secret_key"
    first = kept_secret(path)
    assert len(first) > 60
    assert kept_secret(path) == first
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert list(tmp_path.iterdir()) == [path]


def test_the_test_run_ignores_the_plants_database(monkeypatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "postgres://plant/production")
    assert "DATABASE_URL" not in environment(None)
    assert environment("postgres://here/test")["DATABASE_URL"] == "postgres://here/test"


def test_the_address_on_labels_is_a_host_in_capitals() -> None:
    assert link_base("") == ""
    assert link_base("https://trace.example") == link_base("https://Trace.example/") == "HTTPS://TRACE.EXAMPLE/"
    assert link_base("http://10.0.0.7:8000") == "HTTP://10.0.0.7:8000/"
    for wrong in (
        "trace.example",
        "https://trace.example/plant",
        "https://trace.example?x",
        "ftp://x",
        "https://ä.example",
    ):
        with pytest.raises(ImproperlyConfigured):
            link_base(wrong)


def test_no_request_opens_a_transaction() -> None:
    assert settings.DATABASES["default"]["ATOMIC_REQUESTS"] is False


@pytest.mark.django_db(transaction=True)
def test_the_database_is_as_the_operations_need_it() -> None:
    def ask(question: str) -> object:
        with connection.cursor() as cursor:
            cursor.execute(question)
            return cursor.fetchone()[0]

    if connection.vendor == "postgresql":
        with transaction.atomic():
            assert ask("SHOW transaction_isolation") == "read committed"
        assert connection.pool is not None
    else:
        assert ask("PRAGMA journal_mode") == "wal"
        assert ask("PRAGMA foreign_keys") == 1
        assert ask("PRAGMA synchronous") == 2
        assert ask("PRAGMA busy_timeout") == 20_000
        assert connection.transaction_mode == "IMMEDIATE"
        assert not connection.is_in_memory_db()
