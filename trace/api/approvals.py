"""Signing, and files with a thing: what an operation's own request can't hold, a password and a content."""

from __future__ import annotations

from typing import Any

from django.urls import path
from django.urls.resolvers import URLPattern
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers, status
from rest_framework.exceptions import ValidationError
from rest_framework.parsers import MultiPartParser
from rest_framework.response import Response
from rest_framework.views import APIView

from trace.api.operations import KEY
from trace.api.problems import DEVICE_TIME, problems
from trace.api.things import serializer_of
from trace.approvals.content import SIGNED, find_record
from trace.approvals.files import store
from trace.approvals.models import Attachment, Meaning, Signature
from trace.approvals.operations import attach_file, sign
from trace.approvals.queries import verify_signature
from trace.core.clock import now
from trace.core.errors import NotFound
from trace.core.keys import clean_text
from trace.core.permissions import OPERATIONS, check_permitted, in_words
from trace.core.verbs import sentence
from trace.engineering.models import Part
from trace.engineering.operations import release_revision
from trace.exchange.arguments import MomentField, make_serializer
from trace.exchange.credentials import check_credentials
from trace.exchange.releasing import sign_and_release
from trace.ledger.operation import Request
from trace.ledger.source import by_our_clock

PROBLEMS = problems(400, 404, 406, 409, 413, 415)
IDEMPOTENT = [OpenApiParameter(KEY, str, OpenApiParameter.HEADER, required=True, description="One for each request.")]


def _request_of(request: Any) -> Request:
    key = clean_text(request.headers.get(KEY, ""), 80, f"The {KEY}")
    if not key:
        raise ValidationError({KEY: ["Give each request a key of its own, and repeat it under that key."]})
    return Request(f"api:{request.user.person.key}", key)


class SubjectFields(serializers.Serializer):
    """A thing by its kind and key."""

    kind = serializers.CharField(max_length=20)
    key = serializers.CharField(max_length=120)


class SignRequest(SubjectFields):
    """What is signed, with which meaning, and the two components of the signature."""

    kind = serializers.ChoiceField(choices=sorted(SIGNED))
    meaning = serializers.ChoiceField(choices=Meaning.choices)
    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=128, trim_whitespace=False, write_only=True)
    digest = serializers.CharField(max_length=64, required=False, help_text="SHA-256 of the content that was shown")


class Sign(APIView):
    """Sign a record."""

    @extend_schema(
        operation_id="sign",
        tags=["approvals"],
        summary="Sign a record",
        description=f"Account and password are those of who asks; no record keeps them. The moment is the server's. "
        f"For {in_words(OPERATIONS['sign'])}.",
        parameters=IDEMPOTENT,
        request=SignRequest,
        responses={201: serializer_of(Signature), **PROBLEMS},
    )
    def post(self, request: Any) -> Response:
        person = request.user.person
        check_permitted(str(person), person.roles, "sign")
        asked = _request_of(request)
        sent = SignRequest(data=request.data)
        sent.is_valid(raise_exception=True)
        told = sent.validated_data
        check_credentials(request._request, person, told["username"], told["password"])
        subject = find_record(told["kind"], told["key"])
        shown = told.get("digest", "")
        with by_our_clock():
            signature = sign(subject=subject, meaning=told["meaning"], digest=shown, by=person, at=now(), request=asked)
        return Response(serializer_of(Signature)(signature).data, status=status.HTTP_201_CREATED)


class ReleaseRequest(make_serializer("Release", release_revision, leave_out=("by",))):  # type: ignore[misc]
    """The draft, how it takes effect, and the two components of the signature that approves it."""

    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=128, trim_whitespace=False, write_only=True)
    digest = serializers.CharField(max_length=64, required=False, help_text="SHA-256 of the content that was shown")


class Release(APIView):
    """Approve a draft by signature, and release it."""

    @extend_schema(
        operation_id="sign_and_release",
        tags=["approvals"],
        summary="Approve a draft by signature and release it, both or neither",
        description="Account and password are those of who asks, who wrote nothing in the draft; no record keeps them. "
        f"The moment of the signature is the server's. For {in_words(OPERATIONS['release_revision'])}.",
        parameters=[*IDEMPOTENT, DEVICE_TIME],
        request=ReleaseRequest,
        responses={201: serializer_of(Part), **PROBLEMS},
    )
    def post(self, request: Any) -> Response:
        person = request.user.person
        asked = _request_of(request)
        sent = ReleaseRequest(data=request.data)
        sent.is_valid(raise_exception=True)
        released = sign_and_release(request._request, by=person, asked=asked, **sent.validated_data)
        return Response(serializer_of(Part)(released).data, status=status.HTTP_201_CREATED)


class VerdictAnswer(serializers.Serializer):
    """What became of a signature, in a word and a sentence."""

    verdict = serializers.CharField()
    sentence = serializers.CharField()


class Verify(APIView):
    """Verify a signature."""

    @extend_schema(
        operation_id="verify_signature",
        tags=["approvals"],
        summary="Verify a signature",
        description="Whether the record says what was signed, and whether the signature was made for it, and here.",
        responses={200: VerdictAnswer, **PROBLEMS},
    )
    def get(self, request: Any, number: int) -> Response:
        signature = Signature.objects.select_related("person").filter(pk=number).first()
        if signature is None:
            raise NotFound(f"There is no signature {number}.", action="Look for it in the list of signatures.")
        verified = verify_signature(signature)
        return Response({"verdict": str(verified.verdict), "sentence": verified.sentence})


class AttachRequest(SubjectFields):
    """A file, and the thing that it belongs to."""

    file = serializers.FileField(max_length=120)
    at = MomentField()


class Attach(APIView):
    """Put a file with a thing."""

    parser_classes = [MultiPartParser]

    @extend_schema(
        operation_id="attach_file",
        tags=["approvals"],
        summary=sentence("attach_file"),
        description=f"The content is kept by its SHA-256, once. For {in_words(OPERATIONS['attach_file'])}.",
        parameters=IDEMPOTENT,
        request={"multipart/form-data": AttachRequest},
        responses={201: serializer_of(Attachment), **PROBLEMS},
    )
    def post(self, request: Any) -> Response:
        person = request.user.person
        check_permitted(str(person), person.roles, "attach_file")
        asked = _request_of(request)
        sent = AttachRequest(data=request.data)
        sent.is_valid(raise_exception=True)
        told, file = sent.validated_data, sent.validated_data["file"]
        subject = find_record(told["kind"], told["key"])
        made = attach_file(
            subject=subject,
            sha256=store(file.chunks()).sha256,
            name=file.name,
            media_type=file.content_type or "",
            by=person,
            at=told["at"],
            request=asked,
        )
        return Response(serializer_of(Attachment)(made).data, status=status.HTTP_201_CREATED)


def make_routes() -> list[URLPattern]:
    """The addresses of signing and attaching."""
    return [
        path("signatures/sign/", Sign.as_view(), name="sign"),
        path("signatures/release/", Release.as_view(), name="sign-and-release"),
        path("signatures/<int:number>/verdict/", Verify.as_view(), name="verify"),
        path("files/attachment/", Attach.as_view(), name="file-attachment"),
    ]
