"""Whose request is this, and may this role ask for it?

A bearer token in the `Authorization` header (or in a web socket's first message); only its digest
is stored. It is looked up in the very transaction that does the work, so that a revoked token is
refused from the next request on.
"""

from collections.abc import Mapping

from sqlmodel import Session

from api.refusals import Code, Refusal, refuse
from nursery.access import Role, Token, token_for


def bearer(header: str | None) -> str | None:
    """Which secret is in this `Authorization` header? None where it carries none."""
    scheme, _, secret = (header or "").strip().partition(" ")
    return secret.strip() or None if scheme.lower() == "bearer" else None


def secret_in(payload: Mapping[str, object]) -> str | None:
    """Which secret is in a web socket's first message? `{"Authorization": "Bearer ..."}`."""
    for name, value in payload.items():
        if name.lower() == "authorization" and isinstance(value, str):
            return bearer(value)
    return None


def allowed(session: Session, secret: str | None, roles: tuple[Role, ...]) -> Token | Refusal:
    """Which token may do this, or why is it refused?"""
    token = token_for(session, secret) if secret else None
    if token is None:
        return refuse(
            Code.UNAUTHENTICATED,
            "No valid token came with the request",
            next="send the header 'Authorization: Bearer TOKEN'; `nursery token` makes one",
        )
    if token.role not in roles:
        named = " or ".join(role.value for role in roles)
        return refuse(
            Code.FORBIDDEN,
            f"This is for the {named}; the token '{token.name}' is for the {token.role.value}",
            next="use a token of that role",
        )
    return token
