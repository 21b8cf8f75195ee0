"""Who may speak to the page's server: the browser that was given the address, and nobody else.

A page of another origin in the same browser can send requests to loopback too, and a name that
someone else owns can be made to point there. So each request, of HTTP and of websockets, must
name this server as its host, come from a page of this server where it says where it comes from,
and carry the key that stands in the start address. The first visit trades the key for a cookie.
"""

from __future__ import annotations

import hmac
import json
import secrets
from collections.abc import Awaitable, Callable, Iterable, Mapping, MutableMapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final
from urllib.parse import parse_qsl, urlencode

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

KEY_PARAMETER: Final = "key"
_LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")
_SAFE_METHODS: Final = ("GET", "HEAD", "OPTIONS")
_POLICY_VIOLATION: Final = 1008
_HEADERS: Final = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-resource-policy", b"same-origin"),
    # the page's framework writes scripts and styles into the page; nothing comes from elsewhere
    (
        b"content-security-policy",
        b"default-src 'self' 'unsafe-inline' 'unsafe-eval' data: blob:; frame-ancestors 'none'; "
        b"form-action 'self'; base-uri 'self'",
    ),
)


@dataclass(frozen=True)
class Doorway:
    """Where the server listens, and the key to it.

    Parameters
    ----------
    host : str
        Address it is bound to.
    port : int
    names : tuple of str
        Other names under which browsers may call it, such as the machine's name in the laboratory.
    key : str
    most_bytes : int
        No request's body may be larger.
    """

    host: str
    port: int
    names: tuple[str, ...] = ()
    key: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    most_bytes: int = 400_000_000

    @property
    def hosts(self) -> frozenset[str]:
        """What the header ``Host`` may say."""
        shown = f"[{self.host}]" if ":" in self.host else self.host
        return frozenset(f"{name}:{self.port}".lower() for name in (*_LOOPBACK, shown, *self.names))

    @property
    def origins(self) -> frozenset[str]:
        """What the header ``Origin`` may say."""
        return frozenset(f"http://{host}" for host in self.hosts)

    @property
    def cookie(self) -> str:
        """Name of the cookie; cookies do not tell ports apart, so it does."""
        return f"blockout-{self.port}"

    @property
    def address(self) -> str:
        """Start address, key included."""
        shown = f"[{self.host}]" if ":" in self.host else self.host
        if self.host in ("0.0.0.0", "::"):
            shown = self.names[0] if self.names else "127.0.0.1"
        return f"http://{shown}:{self.port}/?{urlencode({KEY_PARAMETER: self.key})}"


class Guard:
    """Lets through to ``app`` only what the doorway allows."""

    def __init__(self, app: App, doorway: Doorway) -> None:
        self._app = app
        self._doorway = doorway

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One connection, as ASGI has it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = {name.lower(): value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _refuse(scope, headers, send, *refusal)
            return
        if scope["type"] == "websocket":
            await self._app(scope, receive, send)
            return
        asked = dict(parse_qsl(scope["query_string"].decode("latin-1")))
        if KEY_PARAMETER in asked:
            await self._hand_over(scope, send, asked)
            return
        body = _Counted(receive, self._doorway.most_bytes)
        answer = _Guarded(send)
        try:
            await self._app(scope, body, answer)
        except Exception:
            if not body.is_over:
                raise
        if body.is_over and not answer.is_begun:
            await _refuse(scope, headers, send, 413, _too_large(self._doorway.most_bytes))

    def _refusal(self, scope: Scope, headers: dict[bytes, str]) -> tuple[int, str] | None:
        """Status and words, or None where all is well."""
        door = self._doorway
        if headers.get(b"host", "").lower() not in door.hosts:
            return 421, (
                "This server does not go by the name in your address. Use the address shown when "
                "it was started, or name it with --name."
            )
        origin = headers.get(b"origin")
        must_say = scope["type"] == "websocket" or scope["method"] not in _SAFE_METHODS
        if (origin is None and must_say) or (
            origin is not None and origin.lower() not in door.origins
        ):
            return 403, "This request does not come from this server's own page."
        if not self._knows_key(scope, headers):
            return 403, (
                "The key is missing. Open the whole address shown where the server was started."
            )
        try:
            announced = int(headers.get(b"content-length", "0"))
        except ValueError:
            return 400, "The length of the request is no number."
        if announced > door.most_bytes:
            return 413, _too_large(door.most_bytes, announced)
        return None

    def _knows_key(self, scope: Scope, headers: dict[bytes, str]) -> bool:
        given = []
        if scope["type"] == "http" and scope["method"] in _SAFE_METHODS:
            asked = dict(parse_qsl(scope["query_string"].decode("latin-1")))
            given.append(asked.get(KEY_PARAMETER, ""))
        try:
            jar = SimpleCookie(headers.get(b"cookie", ""))
        except CookieError:
            jar = SimpleCookie()
        if self._doorway.cookie in jar:
            given.append(jar[self._doorway.cookie].value)
        key = self._doorway.key.encode()
        return any(hmac.compare_digest(one.encode(), key) for one in given)

    async def _hand_over(self, scope: Scope, send: Send, asked: dict[str, str]) -> None:
        """Put the key into a cookie, and take it out of the address."""
        rest = urlencode({name: value for name, value in asked.items() if name != KEY_PARAMETER})
        target = "/" + scope["path"].lstrip("/") + (f"?{rest}" if rest else "")
        door = self._doorway
        cookie = f"{door.cookie}={door.key}; Path=/; HttpOnly; SameSite=Strict"
        headers = ((b"location", target.encode()), (b"set-cookie", cookie.encode()))
        await _answer(send, 303, "", headers)


class _Counted:
    """The same body, but past the limit the client counts as gone, whatever its header said."""

    def __init__(self, receive: Receive, most_bytes: int) -> None:
        self._receive, self._left = receive, most_bytes

    @property
    def is_over(self) -> bool:
        return self._left < 0

    async def __call__(self) -> Message:
        message = await self._receive()
        self._left -= len(message.get("body", b""))
        return {"type": "http.disconnect"} if self.is_over else message


class _Guarded:
    """The same answer, with the headers that tell the browser what the page may do."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.is_begun = False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.is_begun = True
            message = {**message, "headers": [*message.get("headers", ()), *_HEADERS]}
        await self._send(message)


def _too_large(most_bytes: int, announced: int | None = None) -> str:
    size = "" if announced is None else f"{announced / 1e6:,.0f} MB, "
    return (
        f"The file is too large: {size}at most {most_bytes / 1e6:,.0f} MB. Start the server with "
        "a larger --largest-mb."
    )


async def _refuse(
    scope: Scope, headers: Mapping[bytes, str], send: Send, status: int, words: str
) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": _POLICY_VIOLATION, "reason": words[:120]})
    elif "text/html" in headers.get(b"accept", ""):  # a person looks at it
        await _answer(send, status, f"{words}\n", kind=b"text/plain; charset=utf-8")
    else:
        await _answer(send, status, json.dumps({"what": words}, ensure_ascii=False))


async def _answer(
    send: Send,
    status: int,
    body: str,
    headers: Iterable[tuple[bytes, bytes]] = (),
    *,
    kind: bytes = b"application/json; charset=utf-8",
) -> None:
    told = [(b"content-type", kind), (b"cache-control", b"no-store"), *headers, *_HEADERS]
    await send({"type": "http.response.start", "status": status, "headers": told})
    await send({"type": "http.response.body", "body": body.encode()})
