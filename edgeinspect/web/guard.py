"""What stands before every page: who may call, and what a browser may do with the answer.

Plain ASGI, so that streams pass through.
"""

from __future__ import annotations

import ipaddress
import json
import socket
from collections.abc import Sequence
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = {
    # Everything comes from this station itself: no script, style, picture or connection from anywhere else.
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # no-referrer would make browsers hide the Origin of our own forms as well
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
FORM_BYTES = 20_000


class Guard:
    """Security headers on every answer; refuses foreign host names and what another site's page sends.

    A browser on the shop floor may have any other page open. That page can send a form here (its Origin tells), or
    point a name of its own at this machine and read along (the Host tells: only IP addresses, localhost and this
    machine's names are answered).
    """

    def __init__(self, app: ASGIApp, host_names: Sequence[str] = (), large: Sequence[str] = ()) -> None:
        own = socket.gethostname().lower()
        self._app = app
        self._large = large  # paths that watch over the size of what they are sent themselves
        self._names = {
            "localhost",
            own,
            own.split(".")[0],
            f"{own.split('.')[0]}.local",
            *(name.lower() for name in host_names),
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out[name] = value
                if "cache-control" not in out:
                    out["Cache-Control"] = "no-store" if not scope["path"].startswith("/static/") else "no-cache"
            await send(message)

        host = headers.get("host", "")
        if not self._known(host):
            await _refuse(
                send_with_headers,
                421,
                f"This station does not answer to the name {host!r}: use its IP address, or start it with that name.",
            )
        elif scope["method"] not in SAFE_METHODS and _from_elsewhere(headers, host):
            await _refuse(send_with_headers, 403, "This came from a page of another site: nothing was changed.")
        elif scope["method"] not in SAFE_METHODS and scope["path"] not in self._large and not _is_small(headers):
            sentence = f"The form has more than {FORM_BYTES} bytes, or does not say how many: nothing was changed."
            await _refuse(send_with_headers, 413, sentence)
        else:
            await self._app(scope, receive, send_with_headers)

    def _known(self, host: str) -> bool:
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        if name in self._names:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True


def _is_small(headers: Headers) -> bool:
    length = headers.get("content-length", "0" if "transfer-encoding" not in headers else "")
    return length.isdecimal() and int(length) <= FORM_BYTES


def _from_elsewhere(headers: Headers, host: str) -> bool:
    """Browsers name the sender of every POST; programs without an Origin are no browsers and carry nobody's trust."""
    origin = headers.get("origin")
    if origin is not None:
        return urlsplit(origin).netloc.lower() != host.lower()
    return headers.get("sec-fetch-site", "none") not in ("same-origin", "none")


async def _refuse(send: Send, status: int, sentence: str) -> None:
    body = json.dumps({"error": {"status": status, "problems": [sentence]}}).encode()
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
