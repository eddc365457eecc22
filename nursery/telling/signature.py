"""How does a receiver know that a webhook is from this nursery, and as it was sent?

As Standard Webhooks has it: headers `webhook-id`, `webhook-timestamp` and `webhook-signature`, the
last one `v1,` and the base64 of HMAC-SHA256 over `id.timestamp.body`.
"""

import base64
import hashlib
import hmac
import secrets
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


def signed(secret: str, message_id: str, at: datetime, body: bytes) -> dict[str, str]:
    """Which headers go with this body, sent at this moment (with its zone) under this id?"""
    timestamp = str(int(at.timestamp()))
    key = base64.b64decode(secret.removeprefix(PREFIX))
    content = f"{message_id}.{timestamp}.".encode() + body
    digest = hmac.new(key, content, hashlib.sha256).digest()
    return {
        "webhook-id": message_id,
        "webhook-timestamp": timestamp,
        "webhook-signature": f"v1,{base64.b64encode(digest).decode()}",
    }
