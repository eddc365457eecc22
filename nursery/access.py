"""Who may ask for what: bearer tokens (only a digest is kept) and idempotency keys."""

import hashlib
import secrets
from datetime import datetime
from enum import StrEnum

from sqlalchemy import Text, UniqueConstraint
from sqlalchemy.exc import IntegrityError
from sqlmodel import Field, Session, SQLModel, select

from nursery.columns import Kind, UtcDateTime, one_of
from nursery.errors import Fault


class Role(StrEnum):
    """The three people who use the nursery's picture of the truth."""

    SHOP = "shop"
    PACKER = "packer"
    LEAD = "lead"


class Token(SQLModel, table=True):
    """A bearer token: its name, its role, the SHA-256 digest of its secret."""

    __tablename__ = "token"
    __table_args__ = (one_of("token", "role", Role),)
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    role: Role = Field(sa_type=Kind(Role))
    digest: str = Field(unique=True, min_length=64, max_length=64)
    made_at: datetime = Field(sa_type=UtcDateTime)
    revoked_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class IdempotencyKey(SQLModel, table=True):
    """One request of one token: the same key and body give the same answer for ever."""

    __tablename__ = "idempotency_key"
    __table_args__ = (UniqueConstraint("token_id", "key", name="uq_idempotency_key"),)
    id: int | None = Field(default=None, primary_key=True)
    token_id: int = Field(foreign_key="token.id", index=True)
    key: str = Field(min_length=1, max_length=120)
    digest: str = Field(max_length=64)
    answer: str = Field(sa_type=Text)
    at: datetime = Field(sa_type=UtcDateTime)


def digest_of(secret: str) -> str:
    """What is stored of a secret? Its SHA-256 in hex: the secret has 256 random bits."""
    return hashlib.sha256(secret.encode(errors="surrogatepass")).hexdigest()


def make_token(session: Session, name: str, role: Role, at: datetime) -> str:
    """Which secret does this name use from now on? Shown once, never stored.

    Raises `Fault` for a blank name, and where it is taken: revoke it first or choose another.
    """
    if not name.strip():
        raise Fault("Token", "needs a name", name, "say whose it is")
    if session.exec(select(Token).where(Token.name == name)).first() is not None:
        raise _taken(name)
    secret = secrets.token_urlsafe(32)
    session.add(Token(name=name, role=role, digest=digest_of(secret), made_at=at))
    try:
        session.flush()
    except IntegrityError:  # somebody else gave the name away at the same moment
        raise _taken(name) from None
    return secret


def _taken(name: str) -> Fault:
    return Fault(f"Token '{name}'", "names must be new", name, "choose another name")


def token_for(session: Session, secret: str) -> Token | None:
    """Whose secret is this? None where nobody's, or where it was revoked."""
    token = session.exec(select(Token).where(Token.digest == digest_of(secret))).first()
    return None if token is None or token.revoked_at is not None else token
