"""The one decorator for everything that changes the plant's record.

It stands here, not in `core`, because it writes the ledger; the hold gate is handed in from
`holds`, the layer above, so that no folder imports upwards.
"""

from __future__ import annotations

import functools
import hashlib
import inspect
import json
from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any, ParamSpec, TypeVar

from django.apps import apps
from django.db import IntegrityError, OperationalError, connection, transaction
from django.db.models import Model

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.permissions import check_permitted
from trace.core.sql import fetch, load_sql, planned_cursor
from trace.ledger.canonical import VERSION, canonical, plain, records_in, subject_of
from trace.ledger.models import Answer
from trace.ledger.source import check_here, check_stations, source_facts, true_moments

P = ParamSpec("P")
R = TypeVar("R")


class RequestReused(Refusal):
    """The same request key came again with a different request."""

    code = "request-reused"
    action = "Send the new request under a new key."


class UnknownActor(Refusal):
    """Nobody stands behind the operation."""

    code = "unknown-actor"
    action = "Sign in as yourself, or ask an administrator to link your account to a person."


TOGETHER = {"40P01", "23505"}
"""PostgreSQL's SQLSTATEs where another did something at the same moment: the transaction that it undid to end a
deadlock, and a key that was free when it was looked for. Tried again, the operation sees what the other did."""

RETRIES = 3


@dataclass(frozen=True)
class Request:
    """Who asked, under which key: a repeat of it gets the first answer and changes nothing."""

    client: str
    key: str


@dataclass
class _Running:
    """What an operation adds to its own event while it runs."""

    subjects: set[tuple[str, str]] = field(default_factory=set)
    facts: dict[str, Any] = field(default_factory=dict)


_running: ContextVar[_Running | None] = ContextVar("running operation", default=None)


def note(*subjects: Model | tuple[str, str], **facts: Any) -> None:
    """Inside an operation: name what else it is about (a record, or its kind and key), and facts
    worth keeping in its event."""
    running = _running.get()
    if running is None:
        raise RuntimeError("note() is for use inside an operation")
    running.subjects.update(subject if isinstance(subject, tuple) else subject_of(subject) for subject in subjects)
    running.facts.update(facts)


def operation(*, gate: Callable[[], None] | None = None) -> Callable[[Callable[P, R]], Callable[..., R]]:
    """Make a function one operation: gate, idempotency, the work, ledger event, in one transaction.

    The function takes keyword-only arguments, `by` (a Person) and `at` (when it happened, UTC)
    among them, and returns the record or records it made or changed. Callers may add
    `request=Request(client, key)`. Whatever the function raises undoes all of it.
    A record whose answer says more than its row has a method `said()`, which gives that as JSON can hold it,
    and `say_again(said)`, which takes it in: a repeated request gets the record as it is now, and hears the same.
    An operation calls no other operation: one change, one event. Refusals: RequestReused,
    UnknownActor, NotPermitted (the table of `core/permissions.py`), those of the request's source
    (`ledger/source.py`), and the function's own.
    """

    def decorate(work: Callable[P, R]) -> Callable[..., R]:
        parameters = inspect.signature(work).parameters
        if not {"by", "at"} <= parameters.keys() or any(
            parameter.kind is not parameter.KEYWORD_ONLY for parameter in parameters.values()
        ):
            raise TypeError(f"{work.__name__} must take keyword-only arguments, by and at among them")

        # By a clock: `Planned` moments are not.
        clocked = {name for name, parameter in parameters.items() if "datetime" in str(parameter.annotation)}

        @functools.wraps(work)
        def run(*, request: Request | None = None, **told: Any) -> R:
            if _running.get() is not None:
                raise RuntimeError(f"{work.__name__} was called inside another operation")
            arguments = true_moments(told, clocked)
            by, at = arguments["by"], arguments["at"]
            if by is None:
                raise UnknownActor("Nobody is named as the one who does this.")
            if by.retired and at > by.retired:
                raise UnknownActor(f"{by} is no longer here since {by.retired:%-d %B %Y}.")
            check_permitted(str(by), by.roles, work.__name__)
            check_here(records_in(arguments))
            for _ in range(RETRIES):
                try:
                    return carry_out(request, told, arguments)
                except (OperationalError, IntegrityError) as error:
                    if connection.in_atomic_block or getattr(error.__cause__, "sqlstate", "") not in TOGETHER:
                        raise
            return carry_out(request, told, arguments)

        def carry_out(request: Request | None, told: dict[str, Any], arguments: dict[str, Any]) -> R:
            with transaction.atomic():
                if gate:
                    gate()
                answer = _claim(request, work.__name__, told) if request else None
                if answer and answer.response:
                    return _recall(answer.response)
                running = _Running(facts=source_facts())
                token = _running.set(running)
                try:
                    result = work(**arguments)  # type: ignore[call-arg]
                finally:
                    _running.reset(token)
                check_here(records_in(result))  # a unit may be inside a station that nobody named
                check_stations(key for kind, key in running.subjects if kind == "station")
                _write_event(work.__name__, arguments, result, running)
                if answer:
                    answer.response = json.dumps(_refer(result))
                    answer.save(update_fields=["response"])
                return result

        run.is_operation = True  # type: ignore[attr-defined]
        return run

    return decorate


def find_answer(request: Request) -> Any:
    """What came of a request when it was carried out, as a repeat of it would hear; None where it was not."""
    answer = Answer.objects.filter(client=request.client, key=request.key).exclude(response="").first()
    return _recall(answer.response) if answer else None


def _claim(request: Request, verb: str, arguments: dict[str, Any]) -> Answer:
    """The answer row of this request; whoever else holds it is waited for."""
    client, key = clean_text(request.client, 80, "The client"), clean_text(request.key, 80, "The request key")
    text = canonical({"verb": verb, "arguments": arguments})
    digest = hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()
    recorded = now()
    adapted = connection.ops.adapt_datetimefield_value(recorded)
    if new := fetch(__file__, "claim", client=client, key=key, digest=digest, recorded=adapted):
        return Answer(pk=new[0][0], client=client, key=key, digest=digest, recorded=recorded)
    answer = Answer.objects.select_for_update().get(client=client, key=key)
    if answer.digest != digest:
        raise RequestReused(f"Request {request.key} was used before for something else.")
    return answer


def _refer(result: Any) -> Any:
    if isinstance(result, Model):
        said = {"said": result.said()} if hasattr(result, "said") else {}
        return {"model": result._meta.label, "pk": result.pk, **said}
    if isinstance(result, list | tuple):
        return [_refer(item) for item in result]
    return {"value": plain(result)}


def _recall(response: str) -> Any:
    def recall(reference: Any) -> Any:
        if isinstance(reference, list):
            return [recall(item) for item in reference]
        if "model" in reference:
            record = apps.get_model(reference["model"])._default_manager.get(pk=reference["pk"])
            if "said" in reference:
                record.say_again(reference["said"])
            return record
        return reference["value"]

    return recall(json.loads(response))


def _write_event(verb: str, arguments: dict[str, Any], result: Any, running: _Running) -> None:
    by, happened, recorded = arguments["by"], arguments["at"], now()
    subjects = {subject_of(record) for record in records_in([arguments, result])} | running.subjects
    payload = {
        "version": VERSION,
        "verb": verb,
        "arguments": {k: v for k, v in arguments.items() if k not in ("by", "at")},
        "result": result,
        "facts": running.facts,
        "by": by,
        "happened": happened,
        "recorded": recorded,
    }
    row = {
        "verb": verb,
        "by": by.pk,
        "happened": connection.ops.adapt_datetimefield_value(happened),
        "recorded": connection.ops.adapt_datetimefield_value(recorded),
        "payload": canonical(payload),
        "subjects": json.dumps(sorted(subjects)),
    }
    with planned_cursor() as cursor:
        # SQLite takes one statement at a time.
        for statement in load_sql(__file__, "event", connection.vendor).split(";\n"):
            cursor.execute(statement, row)
