"""Who may ask, and how much. The checks follow OWASP's advice on DNS rebinding (Host) and CSRF (Origin, Fetch
Metadata, no simple content types); which headers a browser sends is in the Fetch standard and W3C Fetch Metadata."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from studio_kit import TOKEN

from composer.faults import Faults
from composer.studio.guard import MOST_BODY
from composer.studio.serve import HOST, listener

STRANGERS = ["evil.example:8000", "127.0.0.1:9999", "127.0.0.1", "localhost.evil.example:8000", ""]


@pytest.mark.parametrize("host", STRANGERS)
def test_another_host_is_refused(client, host: str) -> None:
    answer = client.get("api/state", headers={"host": host})
    assert (answer.status_code, answer.json()["error"]["kind"]) == (403, "refused")


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost:8000", "LOCALHOST:8000", "[::1]:8000"])
def test_this_computer_s_own_names_are_answered(client, host: str) -> None:
    assert client.get("api/state", headers={"host": host}).status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:8000", "http://127.0.0.1:8001"])
def test_another_origin_is_refused(client, origin: str) -> None:
    for ask in (lambda h: client.get("api/state", headers=h), lambda h: client.post("api/undo", json={}, headers=h)):
        assert ask({"origin": origin}).status_code == 403


def test_the_page_s_own_origin_is_answered(client) -> None:
    headers = {"origin": "http://127.0.0.1:8000", "sec-fetch-site": "same-origin"}
    answer = client.post("api/undo", json={}, headers=headers)
    assert answer.json()["error"]["kind"] == "nothing"


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_another_page_fetches_is_refused(client, site: str) -> None:
    assert client.get("page/main.js", headers={"sec-fetch-site": site}).status_code == 403


def test_a_link_may_lead_to_the_page_and_to_nothing_else(client) -> None:
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}
    assert client.get("", headers=headers).status_code == 200
    assert client.get("", headers={**headers, "sec-fetch-dest": "iframe"}).status_code == 403
    assert client.get("api/state", headers=headers).status_code == 403
    assert client.post("api/undo", json={}, headers=headers).status_code == 403


@pytest.mark.parametrize("path", ["/", "/api/state", "/wrong/api/state", f"/{TOKEN}", f"/{TOKEN}x/", f"/{TOKEN[:-1]}/"])
def test_without_the_token_there_is_nothing(client, path: str) -> None:
    answer = client.get(f"http://127.0.0.1:8000{path}")
    assert answer.status_code == 404
    assert b"tide" not in answer.content


@pytest.mark.parametrize(
    "name",
    [
        "../app.py", "..%2fapp.py", "%2e%2e/app.py", "..%5capp.py", "/etc/passwd", "%2fetc%2fpasswd", "....//app.py",
        "page/../../app.py", "%00", "a%00.js", "..", ".", "",
    ],
)  # fmt: skip
def test_no_path_leaves_the_page_s_folder(show_folder: Path, studio: Callable, name: str) -> None:
    with studio(show_folder) as running:
        port = int(running.url.split(":")[2].split("/")[0])
        for head in ("page/", ""):
            ask = http.client.HTTPConnection(HOST, port, timeout=10)  # as it stands: no client tidies the path
            ask.request("GET", f"/{TOKEN}/{head}{name}")
            answer = ask.getresponse()
            body = answer.read()
            assert answer.status in ((200, 307, 404) if name in ("", ".") else (404,))
            assert b"import" not in body and b"root:" not in body


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""])
def test_a_form_of_another_page_cannot_send(client, kind: str) -> None:
    answer = client.post("api/undo", content=b"{}", headers={"content-type": kind})
    assert (answer.status_code, answer.json()["error"]["kind"]) == (415, "type")


def test_large_bodies_are_refused_before_they_are_read(client, show_folder: Path, studio: Callable) -> None:
    body = b'{"base": "' + b"x" * MOST_BODY + b'"}'
    answer = client.post("api/edit", content=body, headers={"content-type": "application/json"})
    assert (answer.status_code, answer.json()["error"]["kind"]) == (413, "large")
    with studio(show_folder) as running:  # and where no length is told
        port = int(running.url.split(":")[2].split("/")[0])
        with socket.create_connection((HOST, port), timeout=10) as line:
            head = f"POST /{TOKEN}/api/edit HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\n"
            line.sendall((head + "Transfer-Encoding: chunked\r\n\r\n").encode())
            chunk = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
            for _ in range(MOST_BODY // 0x10000 + 2):
                line.sendall(chunk)
            assert b" 413 " in line.recv(4096).split(b"\r\n")[0]


@pytest.mark.parametrize("body", ["", "[]", "nonsense", '{"base": NaN}', "[" * 100_000, b"\xed\xa0\x80"])
def test_bodies_that_are_no_json_object_are_said(client, body: str | bytes) -> None:
    answer = client.post("api/edit", content=body, headers={"content-type": "application/json"})
    assert answer.status_code in (400, 409)
    assert answer.json()["error"]["kind"] in ("bad", "conflict")


@pytest.mark.parametrize("path", ["api/edit", "api/fix"])
@pytest.mark.parametrize(
    "more",
    [
        {"ops": None}, {"ops": []}, {"ops": [5]}, {"ops": [{"op": ["x"]}]}, {"ops": [{"op": "text", "text": 5}]},
        {"ops": [{"op": "text", "text": "\ud800"}]},
        {"ops": [{"op": "set", "where": "clip[1]", "key": "x", "value": {"a": None}}]},
        {"ops": [{"op": "add", "kind": "clip", "values": [1]}]},
        {"op": {}}, {"op": "anchor", "bar": "x"}, {"op": "text", "text": None},
        {"op": "label", "name": "[x]", "times": [1]}, {"op": "label", "name": "x", "times": ["\n"]},
        {"op": "sections", "list": [{}]}, {"op": "nudge", "ms": 1e300}, {"op": "shift", "beats": []},
        {"page": "x" * 1000},
    ],
)  # fmt: skip
def test_fields_that_are_not_what_they_should_be_are_said(client, path: str, more: dict) -> None:
    before = client.studio.session.score.path.read_bytes()
    state = client.state()
    base = state["score_id"] if path == "api/edit" else state["fixes_id"]
    answer = client.post(path, content=json.dumps({"base": base, **more}), headers={"content-type": "application/json"})
    assert answer.status_code in (400, 422)
    assert answer.json()["error"]["kind"] in ("bad", "faults", "layout")
    assert client.studio.session.score.path.read_bytes() == before


def test_the_socket_is_this_computer_s_alone() -> None:
    with listener(0) as made:
        assert made.getsockname()[0] == "127.0.0.1"


def test_a_taken_port_is_said() -> None:
    with listener(0) as made, pytest.raises(Faults, match=r"port \d+ cannot be used"):
        listener(made.getsockname()[1])


def test_every_answer_tells_the_browser_what_it_may_do(client) -> None:
    for path in ("", "api/state", "api/nothing", "roll.js", "http://127.0.0.1:8000/wrong/"):
        headers = client.get(path).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert "access-control-allow-origin" not in headers


def test_only_get_and_post(client) -> None:
    assert client.request("DELETE", "api/state").status_code == 405
    assert client.request("PUT", "api/edit", json={}).status_code == 405
    assert client.get("api/edit").status_code in (404, 405)
