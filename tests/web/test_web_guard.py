"""Who is let in: Host, Origin and token, without a browser."""

import asyncio
from types import SimpleNamespace

import pytest

from halfvolley.web.guard import Guard, Rules, is_loopback, new_token

LOCAL = Rules("127.0.0.1", 8642, None)
HALL = Rules("192.168.7.20", 8642, "a-token")
OWN = {"host": "127.0.0.1:8642", "origin": "http://127.0.0.1:8642"}
IN_HALL = {"host": "192.168.7.20:8642", "origin": "http://192.168.7.20:8642"}


async def _inside(scope, receive, send):
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        return
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"inside"})


def ask(rules, method, path, headers, body=b""):
    """What the guard answers: status, headers and text; for a web socket the first message."""
    sent = []

    async def receive():
        if method == "WEBSOCKET":
            return {"type": "websocket.connect"}
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message):
        sent.append(message)

    scope = {
        "type": "websocket" if method == "WEBSOCKET" else "http", "method": method, "path": path,
        "headers": [(k.encode(), v.encode()) for k, v in headers.items()], "query_string": b"",
    }  # fmt: skip
    asyncio.run(Guard(_inside, rules)(scope, receive, send))
    if method == "WEBSOCKET":
        return sent[0]["type"]
    told = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    text = b"".join(m.get("body", b"") for m in sent[1:]).decode()
    return SimpleNamespace(status=sent[0]["status"], headers=told, text=text)


@pytest.mark.parametrize(
    ("host", "is_ours"),
    [
        ("127.0.0.1:8642", True), ("localhost:8642", True), ("[::1]:8642", True),
        ("127.0.0.1:80", False), ("127.0.0.1", False), ("evil.example:8642", False),
        ("127.0.0.1.evil.example:8642", False), ("192.168.7.20:8642", False), ("", False),
        ("localhost:8642:8642", False),
    ],
)  # fmt: skip
def test_only_this_machines_own_names_are_hosts(host, is_ours):
    assert LOCAL.is_host(host) == is_ours


def test_all_addresses_take_numbers_but_no_names():
    everywhere = Rules("0.0.0.0", 8642, "t")
    assert everywhere.is_host("192.168.7.20:8642")
    assert everywhere.is_host("127.0.0.1:8642")
    assert not everywhere.is_host("hall.example:8642"), "a name can be made to point anywhere"


@pytest.mark.parametrize(
    ("method", "headers", "let_in"),
    [
        ("GET", {"host": "127.0.0.1:8642"}, True),
        ("GET", OWN, True),
        ("POST", OWN, True),
        ("POST", {"host": "127.0.0.1:8642"}, False),
        ("PUT", OWN | {"origin": "http://evil.example"}, False),
        ("GET", OWN | {"origin": "null"}, False),
        ("GET", OWN | {"origin": "http://127.0.0.1:9999"}, False),
        ("WEBSOCKET", OWN, True),
        ("WEBSOCKET", {"host": "127.0.0.1:8642"}, False),
        ("WEBSOCKET", OWN | {"origin": "http://evil.example"}, False),
        ("GET", {"host": "127.0.0.1:8642", "sec-fetch-site": "cross-site"}, False),
        (
            "GET",
            {
                "host": "127.0.0.1:8642",
                "sec-fetch-site": "cross-site",
                "sec-fetch-mode": "navigate",
            },
            True,
        ),
    ],
)
def test_pages_of_other_sites_are_refused(method, headers, let_in):
    assert (LOCAL.refuses(method, headers) == "") == let_in


def test_web_sockets_of_other_sites_are_closed():
    assert ask(LOCAL, "WEBSOCKET", "/ws", OWN) == "websocket.accept"
    foreign = OWN | {"origin": "http://evil.example"}
    assert ask(LOCAL, "WEBSOCKET", "/ws", foreign) == "websocket.close"


def test_a_refusal_says_why():
    answer = ask(LOCAL, "POST", "/", OWN | {"origin": "http://evil.example"})
    assert answer.status == 403
    assert "another site" in answer.text


def test_the_token_opens_the_door_and_nothing_else_does(monkeypatch):
    monkeypatch.setattr("halfvolley.web.guard.WRONG_TOKEN_WAIT_S", 0.0)
    answer = ask(HALL, "GET", "/picture/x", IN_HALL)
    assert (answer.status, answer.headers["location"]) == (303, "/enter")
    assert "Token" in ask(HALL, "GET", "/enter", IN_HALL).text
    wrong = ask(HALL, "POST", "/enter", IN_HALL, b"token=guess")
    assert wrong.status == 403
    assert "set-cookie" not in wrong.headers
    assert ask(HALL, "POST", "/enter", IN_HALL, b"token=" + b"x" * 9999).status == 413
    right = ask(HALL, "POST", "/enter", IN_HALL, b"token=+a-token+")
    assert right.status == 303
    cookie = right.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    known = IN_HALL | {"cookie": cookie.split(";")[0]}
    assert ask(HALL, "GET", "/", known).text == "inside"
    assert ask(HALL, "WEBSOCKET", "/ws", known) == "websocket.accept"
    for wrong in (
        "halfvolley_8642=other",
        "halfvolley_8642=",
        "\x00=;;=",
        "halfvolley_8643=a-token",
    ):
        assert ask(HALL, "GET", "/", IN_HALL | {"cookie": wrong}).status == 303
    assert ask(HALL, "WEBSOCKET", "/ws", IN_HALL) == "websocket.close"


def test_a_page_may_load_nothing_from_elsewhere():
    headers = ask(LOCAL, "GET", "/", OWN).headers
    assert "default-src 'self'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"


def test_loopback():
    assert is_loopback("127.0.0.1")
    assert is_loopback("::1")
    assert not is_loopback("0.0.0.0")
    assert not is_loopback("192.168.7.20")


def test_tokens_differ():
    assert len({new_token() for _ in range(50)}) == 50
    assert len(new_token()) >= 12
