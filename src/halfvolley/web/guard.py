"""Who may talk to the workbench: the right Host, the right Origin, and off this machine a token.

A page of another site can make a browser send requests here, also under a name that it lets point
to this machine. Such requests carry that site's Origin or that name as Host, and are refused.
"""

import asyncio
import contextlib
import hmac
import ipaddress
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

ENTER = "/enter"
MAX_FORM_BYTES = 4096
GONE_AWAY = "No response returned."  # what Starlette says then
WRONG_TOKEN_WAIT_S = 1.0  # slows down guessing
READING = ("GET", "HEAD", "OPTIONS")
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "SAMEORIGIN",
    # the page frame compiles its templates in the browser, hence 'unsafe-eval'; nothing is loaded
    # from anywhere else, and no text of a person or a file becomes markup
    "Content-Security-Policy": (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
        "connect-src 'self' ws: wss:; object-src 'none'; base-uri 'self'; "
        "frame-ancestors 'self'; form-action 'self'"
    ),
}


def is_loopback(address: str) -> bool:
    """Whether only programs on this machine can reach an address."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def new_token() -> str:
    """What a person copies from the terminal into the page: 72 random bits."""
    return secrets.token_urlsafe(9)


@dataclass(frozen=True, slots=True)
class Rules:
    """What is let in."""

    address: str  # that the server listens on
    port: int
    token: str | None  # None: only programs on this machine can come here at all

    @property
    def cookie(self) -> str:
        """Cookies do not tell ports apart, so that their name must."""
        return f"halfvolley_{self.port}"

    def is_host(self, host: str) -> bool:
        """Whether a Host header names this server: no name but localhost ever does."""
        name, _, port = host.rpartition(":")
        if not name:
            name, port = host, "80"
        if port != str(self.port):
            return False
        name = name.strip("[]")
        if name in ("localhost", self.address):
            return True
        try:
            said = ipaddress.ip_address(name)
        except ValueError:
            return False
        if said.is_loopback:
            return is_loopback(self.address) or self.address in ("0.0.0.0", "::")
        return self.address in ("0.0.0.0", "::")

    def refuses(self, method: str, headers: Mapping[str, str]) -> str:
        """Why a request is not let in, in words; "" where it is.

        Parameters
        ----------
        method : str
            Of HTTP; "WEBSOCKET" for one of these.
        headers : mapping of str to str
            Keys in lower case.
        """
        host = headers.get("host", "")
        if not self.is_host(host):
            return "this is not the address that the workbench listens on; use the printed one"
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{host}":
            return "the request comes from the page of another site"
        if origin is None and method not in READING:
            return "a request that changes something must say from which page it comes"
        crossed = headers.get("sec-fetch-site") == "cross-site"
        if crossed and headers.get("sec-fetch-mode") != "navigate":
            return "the request comes from the page of another site"
        return ""

    def knows(self, cookies: str) -> bool:
        """Whether a Cookie header carries the token, where one is needed."""
        if self.token is None:
            return True
        jar = SimpleCookie()
        with contextlib.suppress(CookieError):
            jar.load(cookies)
        said = jar[self.cookie].value if self.cookie in jar else ""
        return hmac.compare_digest(said.encode(), self.token.encode())


class Guard:
    """Stands before the whole application, for pages and for web sockets."""

    def __init__(self, app: ASGIApp, rules: Rules) -> None:
        self._app, self._rules = app, rules

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or answer with the reason."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        socket = scope["type"] == "websocket"
        why = self._rules.refuses("WEBSOCKET" if socket else scope["method"], headers)
        known = self._rules.knows(headers.get("cookie", ""))
        if socket:
            if why or not known:
                await receive()
                await send({"type": "websocket.close", "code": 1008})
                return
            await self._app(scope, receive, send)
        elif why:
            answer: Response = PlainTextResponse(f"halfvolley: {why}", 403)
            await answer(scope, receive, with_headers(send))
        elif scope["path"] == ENTER:
            answer = await self._enter(Request(scope, receive))
            await answer(scope, receive, with_headers(send))
        elif not known:
            answer = RedirectResponse(ENTER, 303)
            await answer(scope, receive, with_headers(send))
        else:
            await self._pass_on(scope, receive, with_headers(send))

    async def _pass_on(self, scope: Scope, receive: Receive, send: Send) -> None:
        """A browser that went away before its answer was there is no fault to be told of."""
        try:
            await self._app(scope, receive, send)
        except RuntimeError as error:
            if str(error) != GONE_AWAY:
                raise

    async def _enter(self, request: Request) -> Response:
        token = self._rules.token
        if token is None:
            return RedirectResponse("/", 303)
        if request.method != "POST":
            return HTMLResponse(_page(""))
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > MAX_FORM_BYTES:
                return PlainTextResponse("halfvolley: that is no token", 413)
        said = parse_qs(body.decode("ascii", "replace")).get("token", [""])[0].strip()
        if not hmac.compare_digest(said.encode(), token.encode()):
            await asyncio.sleep(WRONG_TOKEN_WAIT_S)
            return HTMLResponse(_page("That is not the token. Copy it once more."), 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self._rules.cookie, token, httponly=True, samesite="strict")
        return answer


def with_headers(send: Send) -> Send:
    """Adds what tells a browser to be strict, where the answer does not say its own."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sending


def _page(trouble: str) -> str:
    words = f'<p role="alert" class="trouble">{escape(trouble)}</p>' if trouble else ""
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>halfvolley workbench: token</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<style>
:root {{ color-scheme: light dark; --ground: #f3f5f7; --paper: #fff; --ink: #1d2733;
  --soft: #52606d; --hair: #cfd7de; --accent: #12507b; --on-accent: #fff; --trouble: #ab2018; }}
@media (prefers-color-scheme: dark) {{ :root {{ --ground: #0f151b; --paper: #182029;
  --ink: #e8edf2; --soft: #a5b1bd; --hair: #34414d; --accent: #82bdec; --on-accent: #0a1824;
  --trouble: #ff9c92; }} }}
body {{ font: 16px/1.5 system-ui, sans-serif; margin: 0; background: var(--ground);
  color: var(--ink); }}
main {{ max-width: 24rem; margin: 16vh auto 0; padding: 1.6rem 1.8rem 1.9rem;
  background: var(--paper); border: 1px solid var(--hair); border-radius: 6px; }}
h1 {{ font-size: 1.3rem; margin: 0 0 .4rem; }}
p {{ color: var(--soft); margin: 0 0 1.1rem; }}
label {{ display: block; margin-bottom: .3rem; font-weight: 600; }}
input {{ font: 1.1rem ui-monospace, monospace; width: 100%; padding: .55rem .6rem;
  box-sizing: border-box; color: inherit; background: var(--paper);
  border: 1px solid var(--soft); border-radius: 6px; }}
:focus-visible {{ outline: 3px solid var(--accent); outline-offset: 2px; }}
button {{ font: inherit; font-weight: 560; margin-top: 1rem; padding: .5rem 1.2rem; border: 0;
  border-radius: 6px; background: var(--accent); color: var(--on-accent); cursor: pointer; }}
.trouble {{ border-left: 4px solid var(--trouble); padding-left: .7rem; color: var(--ink); }}
</style></head><body><main>
<h1>halfvolley workbench</h1>
<p>It runs on another machine. The terminal in which it was started shows a token.</p>
{words}
<form method="post" action="{ENTER}"><label for="token">Token</label>
<input id="token" name="token" autocomplete="off" autofocus required>
<button>Enter</button></form></main></body></html>
"""
