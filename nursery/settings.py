"""How is this nursery's software set up on this machine? Read once, from the environment."""

import os
import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from nursery.errors import Fault

_YES = frozenset({"1", "true", "yes", "on"})
_NO = frozenset({"", "0", "false", "no", "off"})


@dataclass(frozen=True)
class Settings:
    """Which database, and what may the API do? Every default is the careful one.

    - `database` (NURSERY_DATABASE): address or path of the database.
    - `introspection` (NURSERY_INTROSPECTION): the schema may be asked for, and the explorer is
      shown to a browser. Off: the SDL is in the tree.
    - `test_clock` (NURSERY_TEST_CLOCK): a lead's token may shift the database's clock, so that a
      shop's developer can try lapsing. Never on where real orders come in.
    - `max_body_bytes`, `max_depth`, `max_aliases`, `max_tokens`, `max_fields`
      (NURSERY_MAX_...): a request over one of them is refused before anything is asked.
    - `threads` (NURSERY_THREADS): how many requests may talk to the database at a time.
    - `poll_seconds` (NURSERY_POLL_SECONDS): how often a subscription looks for news.
    - `forecast_minutes` (NURSERY_FORECAST_MINUTES): how often the server fetches the forecasts of
      the stations that have a source (180; 0 never does). Several server processes share it.
    - `forecast_key` (NURSERY_FORECAST_KEY): what takes the place of `{key}` in their addresses.
    - `secure_cookies` (NURSERY_SECURE_COOKIES): pages send their cookie over HTTPS only. Turn it
      on wherever the server is reached over HTTPS.
    - `allowed_origins` (NURSERY_ALLOWED_ORIGINS, separated by spaces): other sites whose pages may
      open a web socket here.
    - `receiver_hosts` (NURSERY_RECEIVER_HOSTS, separated by spaces): hosts that webhooks may go to
      although they are in a private network or have no HTTPS. This machine itself always may.
    - `receiver_authorities` (NURSERY_RECEIVER_AUTHORITIES): a file of certificates (PEM) of
      authorities that are trusted for webhooks besides the public ones, such as a shop's own.
    - `subscriptions_a_token` (NURSERY_SUBSCRIPTIONS_A_TOKEN): how many subscriptions one token may
      hold at a time in one server process.

    Raises Fault for a number that is not above 0, and for a file that holds no certificates.
    """

    database: str = "nursery.sqlite"
    introspection: bool = False
    test_clock: bool = False
    max_body_bytes: int = 65_536
    max_depth: int = 12
    max_aliases: int = 15
    max_tokens: int = 1_000
    max_fields: int = 400
    threads: int = 16
    poll_seconds: float = 0.5
    forecast_minutes: float = 180.0
    forecast_key: str = field(default="", repr=False)
    secure_cookies: bool = False
    allowed_origins: tuple[str, ...] = ()
    receiver_hosts: tuple[str, ...] = ()
    receiver_authorities: str = ""
    subscriptions_a_token: int = 20

    def __post_init__(self) -> None:
        for name in ("max_body_bytes", "max_depth", "max_aliases", "max_tokens", "max_fields"):
            _above_nothing(name, getattr(self, name))
        _above_nothing("threads", self.threads)
        _above_nothing("poll_seconds", self.poll_seconds)
        _above_nothing("subscriptions_a_token", self.subscriptions_a_token)
        if self.receiver_authorities:
            _certificates("receiver_authorities", self.receiver_authorities)
        if self.forecast_minutes < 0:
            minutes = self.forecast_minutes
            raise Fault("NURSERY_FORECAST_MINUTES", "must be >= 0", minutes, "0 never fetches")


def read_settings(environment: Mapping[str, str] | None = None) -> Settings:
    """Which settings does this environment (else the process's own) ask for?

    Raises Fault for a value that is no number, or neither yes nor no.
    """
    found = os.environ if environment is None else environment
    plain = Settings()

    def text(name: str, default: str) -> str:
        return found.get(f"NURSERY_{name}", default).strip()

    return Settings(
        database=text("DATABASE", plain.database) or plain.database,
        introspection=_yes("INTROSPECTION", text("INTROSPECTION", "")),
        test_clock=_yes("TEST_CLOCK", text("TEST_CLOCK", "")),
        max_body_bytes=int(_number("MAX_BODY_BYTES", text, plain.max_body_bytes)),
        max_depth=int(_number("MAX_DEPTH", text, plain.max_depth)),
        max_aliases=int(_number("MAX_ALIASES", text, plain.max_aliases)),
        max_tokens=int(_number("MAX_TOKENS", text, plain.max_tokens)),
        max_fields=int(_number("MAX_FIELDS", text, plain.max_fields)),
        threads=int(_number("THREADS", text, plain.threads)),
        poll_seconds=_number("POLL_SECONDS", text, plain.poll_seconds),
        forecast_minutes=_number("FORECAST_MINUTES", text, plain.forecast_minutes),
        forecast_key=text("FORECAST_KEY", ""),
        secure_cookies=_yes("SECURE_COOKIES", text("SECURE_COOKIES", "")),
        allowed_origins=tuple(text("ALLOWED_ORIGINS", "").split()),
        receiver_authorities=text("RECEIVER_AUTHORITIES", ""),
        receiver_hosts=tuple(text("RECEIVER_HOSTS", "").split()),
        subscriptions_a_token=int(
            _number("SUBSCRIPTIONS_A_TOKEN", text, plain.subscriptions_a_token)
        ),
    )


def _yes(name: str, text: str) -> bool:
    if text.lower() in _YES | _NO:
        return text.lower() in _YES
    raise Fault(f"NURSERY_{name}", "must be yes or no", text, "write 1 or 0")


def _number(name: str, text: Callable[[str, str], str], default: float) -> float:
    written = text(name, str(default))
    try:
        return float(written)
    except ValueError:
        raise Fault(f"NURSERY_{name}", "must be a number", written, "write a number") from None


def _certificates(name: str, file: str) -> None:
    try:
        ssl.create_default_context(cafile=file)
    except OSError as error:  # an SSLError is one
        rule = f"must be a file of certificates as PEM ({error.strerror or error})"
        raise Fault(f"NURSERY_{name.upper()}", rule, file, "name another file") from None


def _above_nothing(name: str, value: float) -> None:
    if not value > 0:
        raise Fault(f"NURSERY_{name.upper()}", "must be above 0", value, "give a larger number")
