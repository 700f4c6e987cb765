"""Who asks: by a token, where no session of a page tells. What they may is asked of the table."""

from __future__ import annotations

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed, Throttled
from rest_framework.permissions import BasePermission
from rest_framework.throttling import SimpleRateThrottle

from trace.core.models import Token
from trace.core.permissions import PAGES, may, roles_of
from trace.core.secrecy import secret_digest
from trace.core.visitor import Visitor
from trace.ledger.source import bind


class BadTokens(SimpleRateThrottle):
    """So many tokens that are none from one address. Good ones from there are answered all the same: nobody guesses 256
    bits, and a program with an old token must not stop the line behind the same address."""

    scope = "bad-tokens"

    def get_cache_key(self, request: Any, view: Any) -> str:
        return f"bad-tokens-{self.get_ident(request)}"


class Requests(SimpleRateThrottle):
    """So many requests of one token, or of one person's sessions."""

    scope = "requests"

    def get_cache_key(self, request: Any, view: Any) -> str:
        return f"token-{request.auth.pk}" if request.auth else f"person-{request.user.person.pk}"


class ByToken(BaseAuthentication):
    """`Authorization: Bearer <secret>`; only its SHA-256 is on record."""

    def authenticate(self, request: Any) -> tuple[Visitor, Token] | None:
        scheme, _, secret = get_authorization_header(request).partition(b" ")
        if scheme.lower() != b"bearer":
            return None
        token = Token.objects.select_related("person").filter(digest=secret_digest(secret.strip()), ended=None).first()
        if token is None:
            if not (limit := BadTokens()).allow_request(request, None):
                raise Throttled(limit.wait())
            raise AuthenticationFailed("This token is not valid, or no longer. Ask an administrator for another.")
        if token.stations:
            bind(f"the token {token.name}", token.stations)
        return Visitor(token.person), token

    def authenticate_header(self, request: Any) -> str:
        return "Bearer"


class BearerSchema(OpenApiAuthenticationExtension):
    """The token in OpenAPI's words."""

    target_class = ByToken
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}


class HasRole(BasePermission):
    """Somebody with a role that may use the API."""

    message = "Your account is nobody's, or has no role. Ask an administrator."

    def has_permission(self, request: Any, view: Any) -> bool:
        return bool(request.user and request.user.is_authenticated) and may(roles_of(request.user), PAGES["api"])
