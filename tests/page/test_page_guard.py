"""Who may speak to the page's server: the guard alone, without a server."""

import asyncio
import json

import pytest

from blockout.web.guard import Doorway, Guard

DOOR = Doorway(host="127.0.0.1", port=8700, key="the-key", most_bytes=1000)
COOKIE = (b"cookie", b"other=1; blockout-8700=the-key")
HOST = (b"host", b"127.0.0.1:8700")
ORIGIN = (b"origin", b"http://127.0.0.1:8700")


def ask(*headers, method="GET", path="/at/x/cast", query=b"", kind="http", body=(b"",), door=DOOR):
    """What the guard answers: status or ``close``, its headers, its body; and what came through."""
    came, sent = [], []

    async def app(scope, receive, send):
        taken = b""
        if scope["type"] == "http":
            while True:
                message = await receive()
                if message["type"] == "http.disconnect":
                    return
                taken += message.get("body", b"")
                if not message.get("more_body"):
                    break
            came.append(taken)
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await send({"type": "http.response.body", "body": b"in"})
        else:
            came.append(b"")
            await send({"type": "websocket.accept"})

    parts = [
        {"type": "http.request", "body": part, "more_body": number < len(body)}
        for number, part in enumerate(body, start=1)
    ]

    async def receive():
        return parts.pop(0)

    async def send(message):
        sent.append(message)

    scope = {
        "type": kind, "method": method, "path": path, "query_string": query,
        "headers": list(headers),
    }  # fmt: skip
    asyncio.run(Guard(app, door)(scope, receive, send))
    first = sent[0]
    status = first.get("status", first["type"].removeprefix("websocket."))
    return status, dict(first.get("headers", ())), sent[-1].get("body", b""), came


def test_its_own_page_comes_in():
    status, headers, _, came = ask(HOST, COOKIE)
    assert (status, came) == (200, [b""])
    assert headers[b"x-frame-options"] == b"DENY"
    assert b"default-src 'self'" in headers[b"content-security-policy"]
    assert ask(HOST, COOKIE, ORIGIN, method="POST", body=(b"ab", b"c"))[3] == [b"abc"]
    assert ask(HOST, COOKIE, ORIGIN, kind="websocket")[0] == "accept"


@pytest.mark.parametrize(
    ("headers", "more", "status"),
    [
        ((COOKIE,), {}, 421),
        (((b"host", b"evil.example:8700"), COOKIE), {}, 421),  # a name rebound to loopback
        (((b"host", b"127.0.0.1:9999"), COOKIE), {}, 421),
        ((HOST,), {}, 403),
        ((HOST, (b"cookie", b"blockout-8700=the-kez")), {}, 403),
        ((HOST, (b"cookie", b"blockout-9999=the-key")), {}, 403),
        ((HOST, (b"cookie", b"\x01=;;;")), {}, 403),
        ((HOST, COOKIE, (b"origin", b"http://evil.example")), {}, 403),
        ((HOST, COOKIE, (b"origin", b"null")), {}, 403),
        ((HOST, COOKIE), {"method": "POST"}, 403),  # a browser always says where it posts from
        ((HOST, ORIGIN), {"method": "POST", "query": b"key=the-key"}, 403),
        ((HOST,), {"query": b"key=another"}, 403),
        ((HOST, COOKIE, (b"content-length", b"1001")), {}, 413),
        ((HOST, COOKIE, (b"content-length", b"x")), {}, 400),
    ],
)
def test_others_stay_out(headers, more, status):
    answered, _, body, came = ask(*headers, **more)
    assert (answered, came) == (status, [])
    assert json.loads(body)["what"].endswith(".")


@pytest.mark.parametrize(
    "headers",
    [(HOST, COOKIE), (HOST, ORIGIN), (COOKIE, ORIGIN), (HOST, COOKIE, (b"origin", b"http://x"))],
)
def test_a_websocket_of_others_is_closed(headers):
    assert ask(*headers, kind="websocket")[0] == "close"


def test_the_key_becomes_a_cookie_and_leaves_the_address():
    status, headers, _, came = ask(HOST, path="/", query=b"key=the-key&open=1")
    assert (status, came) == (303, [])
    assert headers[b"location"] == b"/?open=1"
    cookie = headers[b"set-cookie"].decode()
    assert cookie.startswith("blockout-8700=the-key;")
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))


def test_a_path_with_two_slashes_leads_nowhere_else():
    _, headers, _, _ = ask(HOST, path="//evil.example/x", query=b"key=the-key")
    assert headers[b"location"] == b"/evil.example/x"


def test_a_body_that_lies_about_its_length_breaks_off():
    assert ask(HOST, COOKIE, ORIGIN, method="POST", body=(b"a" * 1000,))[0] == 200
    status, _, body, came = ask(
        HOST, COOKIE, ORIGIN, (b"content-length", b"10"), method="POST", body=(b"a" * 600,) * 2
    )
    assert (status, came) == (413, [])
    assert "--largest-mb" in json.loads(body)["what"]


def test_a_person_gets_plain_words():
    status, headers, body, _ = ask(HOST, (b"accept", b"text/html,*/*"))
    assert status == 403
    assert headers[b"content-type"].startswith(b"text/plain")
    assert b"Open the whole address" in body


def test_other_names_count_only_when_given():
    lab = Doorway(host="0.0.0.0", port=80, names=("lab.local",), key="k")
    assert lab.address == "http://lab.local:80/?key=k"
    assert "lab.local:80" in lab.hosts
    assert "lab.local:8700" not in DOOR.hosts
    assert len({Doorway(host="127.0.0.1", port=1).key for _ in range(50)}) == 50


def test_start_and_end_of_the_server_pass():
    came = []

    async def app(scope, receive, send):
        came.append(scope["type"])

    asyncio.run(Guard(app, DOOR)({"type": "lifespan"}, None, None))
    assert came == ["lifespan"]
