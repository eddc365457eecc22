"""How does a receiver know that a webhook is from this nursery, and as it was sent?

As Standard Webhooks has it: headers `webhook-id`, `webhook-timestamp` and `webhook-signature`, the
last one `v1,` and the base64 of HMAC-SHA256 over `id.timestamp.body`. While a secret is replaced
it has a signature by each secret that is in force, separated by spaces; one that fits is enough.
"""

import base64
import hashlib
import hmac
import secrets
from collections.abc import Sequence
from datetime import datetime

PREFIX = "whsec_"
_SECRET_BYTES = 32
"""Between 24 and 64, as the specification asks."""


def new_secret() -> str:
    """Which secret does a new receiver get? 256 random bits, as text."""
    return PREFIX + base64.b64encode(secrets.token_bytes(_SECRET_BYTES)).decode()


def new_message_id() -> str:
    """Under which id goes a new message, however often it is sent? Nobody else's, ever."""
    return f"msg_{secrets.token_hex(16)}"


def signed(in_force: Sequence[str], message_id: str, at: datetime, body: bytes) -> dict[str, str]:
    """Which headers go with this body, sent at this moment (with its zone) under this id?

    `in_force` are the secrets that sign, the newest first; at least one.
    """
    timestamp = str(int(at.timestamp()))
    content = f"{message_id}.{timestamp}.".encode() + body
    return {
        "webhook-id": message_id,
        "webhook-timestamp": timestamp,
        "webhook-signature": " ".join(_signature(secret, content) for secret in in_force),
    }


def _signature(secret: str, content: bytes) -> str:
    key = base64.b64decode(secret.removeprefix(PREFIX))
    digest = hmac.new(key, content, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"
