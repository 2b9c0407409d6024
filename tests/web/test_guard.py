"""Who is answered, without a server: requests as plain values, one fault at a time."""

import asyncio
import json
from pathlib import Path

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request

from lastseen.core.errors import InputError, LastseenError, NothingFoundError, OutputExistsError, ResourceError
from lastseen.web.guard import (
    Guard,
    Settings,
    answer_error,
    answer_http_error,
    equal_secrets,
    geojson_response,
    json_response,
    media_type,
    png_response,
    read_json_body,
    read_parts,
)

SETTINGS = Settings(folder=Path("nowhere"), token="opensesame")
RIGHT = {"host": "127.0.0.1:8424", "authorization": "Bearer opensesame"}
FORCED = {
    b"content-security-policy", b"x-content-type-options", b"referrer-policy", b"cross-origin-opener-policy",
    b"cross-origin-resource-policy", b"permissions-policy",
}  # fmt: skip


def scope_of(headers, path="/api", query=b"", kind="http"):
    pairs = headers.items() if isinstance(headers, dict) else headers
    raw = [(name.encode(), value.encode()) for name, value in pairs]
    return {"type": kind, "path": path, "raw_path": path.encode(), "query_string": query, "headers": raw}


def body_of(*parts, more_comes=False):
    """A way to receive a body in parts, and how many parts are left; with ``more_comes`` it never ends."""
    left = [{"type": "http.request", "body": part, "more_body": k < len(parts) - 1 or more_comes}
            for k, part in enumerate(parts)]  # fmt: skip

    async def receive():
        if left:
            return left.pop(0)
        if more_comes:
            await asyncio.sleep(3600)
        return {"type": "http.disconnect"}

    return receive, left


async def plain_app(_scope, _receive, send):
    await send({"type": "http.response.start", "status": 200, "headers": [(b"x-app", b"1")]})
    await send({"type": "http.response.body", "body": b"fine"})


def ask(scope, app=plain_app, settings=SETTINGS, receive=None):
    """What is sent in answer."""
    sent = []

    async def send(message):
        sent.append(message)

    asyncio.run(Guard(app, settings)(scope, receive or body_of(b"")[0], send))
    return sent


def status_of(headers, settings=SETTINGS, **kwargs):
    return ask(scope_of(headers, **kwargs), settings=settings)[0]["status"]


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"authorization": "Bearer opensesame"}, 200),
        ({"authorization": "Bearer  opensesame "}, 200),
        ({"cookie": "lastseen_8424=opensesame"}, 200),
        ({"cookie": "a=b; lastseen_8424=opensesame; c=d"}, 200),
        ({"authorization": "Bearer wrong", "cookie": "lastseen_8424=opensesame"}, 200),
        ({"authorization": "Bearer opensesame", "cookie": "lastseen_8424=wrong"}, 200),
        ({}, 401),
        ({"authorization": "Bearer wrong"}, 401),
        ({"authorization": "Bearer "}, 401),
        ({"authorization": "Bearer opensesame2"}, 401),
        ({"cookie": "lastseen_8425=opensesame"}, 401),
        ({"cookie": "lastseen_8424="}, 401),
        ({"cookie": "lastseen_8424=wrong"}, 401),
    ],
)
def test_the_token_is_asked_for(headers, status):
    """In a header or in the cookie of this port; on the door alone it is not."""
    sent = ask(scope_of({"host": "127.0.0.1:8424"} | headers))
    assert sent[0]["status"] == status
    names = dict(sent[0]["headers"])
    assert set(names) >= FORCED
    assert (names.get(b"www-authenticate") == b"Bearer") == (status == 401)
    assert (b"x-app" in names) == (status == 200)
    assert status_of({"host": "127.0.0.1:8424"} | headers, path="/enter") == 200


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]", "rescue.example", "LOCALHOST"])
@pytest.mark.parametrize(("port", "ending", "answered"), [
    (8424, ":8424", True), (8424, "", False), (8424, ":80", False), (80, ":80", True), (80, "", True),
    (80, ":8424", False),
])  # fmt: skip
def test_only_its_own_names_are_answered(host, port, ending, answered):
    settings = Settings(folder=Path("nowhere"), token="opensesame", host="Rescue.Example", port=port)
    assert status_of(RIGHT | {"host": host + ending}, settings) == (200 if answered else 421)
    elsewhere = Settings(folder=Path("nowhere"), token="opensesame", port=port)
    known = host != "rescue.example"
    assert status_of(RIGHT | {"host": host + ending}, elsewhere) == (200 if answered and known else 421)


def test_a_request_without_a_host_is_not_answered():
    assert status_of({"authorization": "Bearer opensesame"}) == 421


@pytest.mark.parametrize(
    ("host", "port", "origin"),
    [
        ("127.0.0.1", 8424, "http://127.0.0.1:8424"),
        ("127.0.0.1", 80, "http://127.0.0.1"),
        ("::1", 8424, "http://[::1]:8424"),
        ("0:0:0:0:0:0:0:1", 80, "http://[::1]"),
        ("Rescue.Example", 8424, "http://rescue.example:8424"),
    ],
)
def test_the_address_as_browsers_write_it(host, port, origin):
    settings = Settings(folder=Path("nowhere"), token="abc", host=host, port=port)
    assert settings.origin == origin
    assert settings.address == f"{origin}/enter?token=abc"
    assert settings.cookie == f"lastseen_{port}"
    assert origin.removeprefix("http://") in settings.hosts


@pytest.mark.parametrize(
    ("headers", "status", "at_the_door"),
    [
        ({"origin": "http://127.0.0.1:8424"}, 200, 200),
        ({"origin": "http://localhost:8424"}, 403, 403),
        ({"origin": "https://127.0.0.1:8424"}, 403, 403),
        ({"origin": "null"}, 403, 403),
        ({"sec-fetch-site": "same-origin"}, 200, 200),
        ({"sec-fetch-site": "none"}, 200, 200),
        ({"sec-fetch-site": "same-site"}, 403, 200),
        ({"sec-fetch-site": "cross-site"}, 403, 200),
    ],
)
def test_other_pages_are_not_answered(headers, status, at_the_door):
    """A link from elsewhere may lead to the door, where the token is asked for, and no farther."""
    assert status_of(RIGHT | headers) == status
    assert status_of(RIGHT | headers, path="/enter") == at_the_door


def test_what_is_wrong_first_is_said_first():
    """Name, then page, then length, then token."""
    wrong = {"host": "other", "origin": "http://evil", "authorization": "no"}
    long = b"a" * 5000
    assert status_of(wrong, query=long) == 421
    assert status_of(wrong | {"host": "127.0.0.1:8424"}, query=long) == 403
    assert status_of({"host": "127.0.0.1:8424"}, query=long) == 414
    assert status_of({"host": "127.0.0.1:8424"}) == 401


def test_addresses_have_a_length():
    """Path and query together up to 4096 bytes."""
    assert status_of(RIGHT, path="/" + "a" * 95, query=b"b" * 4000) == 200
    assert status_of(RIGHT, path="/" + "a" * 96, query=b"b" * 4000) == 414
    bare = scope_of(RIGHT) | {"raw_path": None}
    assert ask(bare)[0]["status"] == 200


@pytest.mark.parametrize("name", ["host", "origin", "authorization", "content-length", "sec-fetch-site"])
def test_a_header_that_decides_stands_once(name):
    """Twice, even alike and in other letters, it is refused."""
    values = RIGHT | {"origin": "http://127.0.0.1:8424", "content-length": "0", "sec-fetch-site": "none"}
    assert status_of(values) == 200
    assert status_of([*values.items(), (name.title(), values[name])]) == 400


def test_cookies_may_come_in_two_headers():
    pairs = [("host", "127.0.0.1:8424"), ("cookie", "a=b"), ("cookie", "lastseen_8424=opensesame")]
    assert status_of(pairs) == 200
    assert status_of(pairs[:2]) == 401


def test_a_refusal_is_a_sentence_for_people_and_json_for_programs():
    for accept, kind in (("text/html,*/*", b"text/plain; charset=utf-8"), ("*/*", b"application/json")):
        start, body = ask(scope_of({"host": "127.0.0.1:8424", "accept": accept}))
        headers = dict(start["headers"])
        assert headers[b"content-type"] == kind
        assert headers[b"content-length"] == str(len(body["body"])).encode()
        assert headers[b"connection"] == b"close"
        text = body["body"].decode()
        sentence = text if accept.startswith("text") else json.loads(text)["error"]
        assert sentence.startswith("To get in, open the whole address")


def test_only_plain_requests_are_answered():
    assert ask(scope_of(RIGHT, kind="websocket")) == [{"type": "websocket.close", "code": 1008}]
    seen = []

    async def app(scope, _receive, _send):
        seen.append(scope["type"])

    assert ask({"type": "lifespan"}, app) == []
    assert seen == ["lifespan"]


@pytest.mark.parametrize(("headers", "rest"), [({}, 0), ({"expect": "100-continue"}, 3)])
def test_a_refused_body_is_let_come_before_the_answer(headers, rest):
    """All of it, so that the answer arrives; nothing is waited for where the sender waits for leave."""
    receive, left = body_of(b"a", b"b", b"c")
    left_at_answer = []

    async def send(_message):
        left_at_answer.append(len(left))

    asyncio.run(Guard(plain_app, SETTINGS)(scope_of({"host": "other"} | headers), receive, send))
    assert left_at_answer[0] == rest


def test_a_refused_body_that_never_ends_is_waited_for_a_second(monkeypatch):
    monkeypatch.setattr("lastseen.web.guard._DRAINED_S", 0.05)
    sent = ask(scope_of({"host": "other"}), receive=body_of(b"a", more_comes=True)[0])
    assert sent[0]["status"] == 421


def test_a_refused_body_that_comes_slowly_is_let_come():
    parts, left = body_of(b"a", b"b", b"c")

    async def receive():
        await asyncio.sleep(0.02)
        return await parts()

    assert ask(scope_of({"host": "other"}), receive=receive)[0]["status"] == 421
    assert left == []


def test_the_application_reads_the_body_as_it_comes():
    got = []

    async def reads(scope, receive, send):
        got.extend([await receive(), await receive()])
        await plain_app(scope, receive, send)

    assert ask(scope_of(RIGHT), reads, receive=body_of(b"a", b"b")[0])[0]["status"] == 200
    assert [(message["body"], message["more_body"]) for message in got] == [(b"a", True), (b"b", False)]


def test_the_token_is_long_new_each_time_and_not_shown():
    """24 bytes are 32 letters."""
    one, other = Settings(folder=Path("nowhere")), Settings(folder=Path("nowhere"))
    assert len(one.token) == 32
    assert one.token != other.token
    assert one.token not in repr(one)


def test_an_answered_body_is_left_to_the_application():
    receive, left = body_of(b"a", b"b")
    assert ask(scope_of(RIGHT), receive=receive)[0]["status"] == 200
    assert len(left) == 2


def test_an_unexpected_error_is_an_answer_and_goes_on_to_the_log():
    async def breaks(_scope, _receive, _send):
        raise ZeroDivisionError("secret")

    async def breaks_late(scope, receive, send):
        await plain_app(scope, receive, send)
        raise ZeroDivisionError("secret")

    for app, statuses in ((breaks, [500]), (breaks_late, [200])):
        sent = []

        async def send(message, sent=sent):
            sent.append(message)

        with pytest.raises(ZeroDivisionError):
            asyncio.run(Guard(app, SETTINGS)(scope_of(RIGHT), body_of(b"")[0], send))
        assert [message["status"] for message in sent if "status" in message] == statuses
        assert set(dict(sent[0]["headers"])) >= FORCED
        assert b"secret" not in sent[1]["body"]
        assert (b"ZeroDivisionError" in sent[1]["body"]) == (app is breaks)


def test_secrets_are_equal_or_not():
    assert equal_secrets("a-b", "a-b")
    assert not equal_secrets("a-b", "a-B")
    assert not equal_secrets("", "a")
    assert not equal_secrets("\udcff", "a")


def read(reader, headers, *parts, most=10):
    """A body as it is read, or the status of the refusal."""
    request = Request(scope_of(headers), body_of(*parts)[0])

    async def whole():
        result = reader(request, most)
        return await result if asyncio.iscoroutine(result) else b"".join([part async for part in result])

    try:
        return asyncio.run(whole())
    except HTTPException as error:
        return error.status_code


@pytest.mark.parametrize(
    ("headers", "parts", "expected"),
    [
        ({}, (b"12345", b"67890"), b"1234567890"),
        ({"content-length": "10"}, (b"1234567890",), b"1234567890"),
        ({"content-length": "11"}, (b"1",), 413),
        ({"content-length": "-1"}, (b"1",), 413),
        ({"content-length": "many"}, (b"1",), 413),
        ({}, (b"12345", b"678901"), 413),
        ({"content-length": "2"}, (b"12345678901",), 413),
        ({}, (b"",), b""),
    ],
)
def test_bodies_have_a_length(headers, parts, expected):
    """Ten bytes may come and eleven may not, declared or not."""
    assert read(read_parts, headers, *parts) == expected
    assert read(read_json_body, headers | {"content-type": "application/json"}, *parts) == expected


@pytest.mark.parametrize(
    ("kind", "answered"),
    [("application/json", True), ("Application/JSON; charset=utf-8", True), (" application/json ;", True),
     ("text/plain", False), ("", False), ("application/jsonx", False)],
)  # fmt: skip
def test_json_says_that_it_is(kind, answered):
    assert read(read_json_body, {"content-type": kind}, b"{}") == (b"{}" if answered else 415)


@pytest.mark.parametrize(
    ("error", "status"),
    [(NothingFoundError, 404), (OutputExistsError, 409), (ResourceError, 429), (InputError, 422), (LastseenError, 422)],
)
def test_errors_of_the_family_have_a_status(error, status):
    answer = asyncio.run(answer_error(None, error("what is wrong")))
    assert (answer.status_code, json.loads(answer.body)) == (status, {"error": "what is wrong"})
    assert answer.headers["cache-control"] == "no-store"


def test_errors_of_the_protocol_keep_their_headers():
    answer = asyncio.run(answer_http_error(None, HTTPException(413, "too long", {"connection": "close"})))
    assert (answer.status_code, json.loads(answer.body)) == (413, {"error": "too long"})
    assert answer.headers["connection"] == "close"
    assert asyncio.run(answer_http_error(None, HTTPException(404))).status_code == 404
    with pytest.raises(ValueError, match="other"):
        asyncio.run(answer_http_error(None, ValueError("other")))


def test_answers_say_what_they_are():
    """JSON is never kept, a picture for an hour, GeoJSON is asked for again; no number that JSON does not know."""
    answer = json_response({"ä": [1, 2]}, 201)
    assert (answer.status_code, answer.body.decode()) == (201, '{"ä":[1,2]}')
    assert answer.media_type == "application/json"
    with pytest.raises(ValueError, match="JSON"):
        json_response(float("nan"))
    assert geojson_response("{}").headers["cache-control"] == "no-cache"
    assert png_response(b"").headers["cache-control"] == "private, max-age=3600"


def test_what_a_browser_could_run_is_only_downloaded():
    assert media_type(Path("a.PNG")) == "image/png"
    assert media_type(Path("plan.gpx")) == "application/gpx+xml"
    for name in ("page.html", "a.svg", "a.js", "a", "a.json.html"):
        assert media_type(Path(name)) == "application/octet-stream"
