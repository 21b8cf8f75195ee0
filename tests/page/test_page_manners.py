"""The running server: whom it answers, what it takes, what it gives; over plain HTTP."""

import base64
import json
import os
import re
import shutil
import socket
import stat
from pathlib import Path

import numpy as np
import pytest
from page_server import served
from view_browser import ball

from blockout.cast.record import write_cast


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    write_cast(folder / "ball.ply", ball())
    (folder / "secret.txt").write_text("not yours", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def server(folder):
    with served(folder, "--largest-mb", "2") as running:
        yield running


def test_without_the_key_nothing_is_said(server):
    for path in ("/", "/at/x/cast", "/table/x", "/_nicegui/nothing"):
        status, _, body = server.ask("GET", path, cookie=False)
        assert status == 403
        assert b"ball" not in body


def test_a_rebound_name_and_another_page_are_refused(server):
    assert server.ask("GET", "/", host="attacker.example")[0] == 421
    assert server.ask("POST", "/at/x/depth", body=b"{}")[0] == 403
    status, _, _ = server.ask("POST", "/at/x/depth", body=b"{}", origin="http://attacker.example")
    assert status == 403


def test_a_websocket_needs_cookie_and_origin(server):
    def shake(*lines):
        with socket.create_connection(("127.0.0.1", server.port), timeout=20) as talk:
            key = base64.b64encode(os.urandom(16)).decode()
            head = [
                "GET /_nicegui_ws/socket.io/?EIO=4&transport=websocket HTTP/1.1",
                f"Host: 127.0.0.1:{server.port}",
                "Upgrade: websocket",
                "Connection: Upgrade",
                "Sec-WebSocket-Version: 13",
                f"Sec-WebSocket-Key: {key}",
                *lines,
            ]
            talk.sendall("\r\n".join([*head, "", ""]).encode())
            return int(talk.recv(64).split()[1])

    cookie = f"Cookie: blockout-{server.port}={server.key}"
    assert shake(f"Origin: {server.origin}") == 403
    assert shake(cookie) == 403
    assert shake(cookie, "Origin: http://attacker.example") == 403
    assert shake(cookie, f"Origin: {server.origin}") == 101


def test_a_file_over_the_limit_is_refused_with_words(server):
    status, _, body = server.ask("POST", "/", body=b"0" * 2_000_001, origin=server.origin)
    assert status == 413
    assert "--largest-mb" in json.loads(body)["what"]


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.txt",
        "/at/x/../../secret.txt",
        "/at/x/part/..%2F..%2Fsecret.txt",
        "/at/%2e%2e/get/secret.txt",
        "//secret.txt",
        "/_nicegui/../secret.txt",
    ],
)
def test_no_address_leads_to_a_file(server, path):
    status, _, body = server.ask("GET", path)
    assert status in (404, 422, 307)
    assert b"not yours" not in body


def test_the_first_page_asks_nothing_of_other_hosts(server):
    status, headers, body = server.ask("GET", "/")
    page = body.decode()
    assert status == 200
    assert "ball.ply" in page
    assert "secret" not in page
    outside = [
        address
        for address in re.findall(r'(?:src|href|import|from)\s*[=(]?\s*"(https?:[^"]+)"', page)
        if not address.startswith(server.origin)
    ]
    assert outside == []
    assert "default-src 'self'" in headers["content-security-policy"]
    assert "unsupported" not in page


def test_a_sitting_that_is_over_is_said(server):
    status, _, body = server.ask("GET", "/at/nobody/cast")
    assert status == 404
    assert b"Open the case again" in body


def test_it_listens_on_loopback_only(server):
    # the kernel's own table of listening sockets: address in hexadecimal, lowest byte first
    table = Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()[1:]
    listening = {row.split()[1] for row in table if row.split()[3] == "0A"}
    assert f"0100007F:{server.port:04X}" in listening
    assert f"00000000:{server.port:04X}" not in listening


def test_a_port_that_is_taken_and_a_missing_file_are_bad_input(server, folder):
    taken = pytest.raises(AssertionError, match=r"cannot listen there(.|\n)*Name another --port")
    with taken, served(folder, "--port", str(server.port)):
        pass
    missing = pytest.raises(AssertionError, match="no such file")
    with missing, served(folder, "nothing.stl"):
        pass


def test_what_a_sitting_gives_is_what_the_survey_says(tmp_path):
    """In this process: routes and guard over one sitting, without the page around them."""
    import asyncio

    from fastapi import FastAPI

    from blockout.case.settings import PathSettings
    from blockout.surveying.survey import survey
    from blockout.web.routes import sitting_routes
    from blockout.web.showing import Showing
    from blockout.web.sitting import open_sitting

    write_cast(tmp_path / "ball.ply", ball())
    sitting = open_sitting(tmp_path / "ball.ply")
    app = FastAPI()
    app.include_router(sitting_routes({sitting.id: Showing(sitting)}.get))

    def ask(method, path, body=b""):
        sent, parts = [], [{"type": "http.request", "body": body}]

        async def receive():
            return parts.pop(0)

        async def send(message):
            sent.append(message)

        scope = {
            "type": "http", "method": method, "path": path, "query_string": b"", "raw_path": b"",
            "headers": [(b"content-type", b"application/json")], "root_path": "",
        }  # fmt: skip
        asyncio.run(app(scope, receive, send))
        content = b"".join(message.get("body", b"") for message in sent)
        return sent[0]["status"], dict(sent[0]["headers"]), content

    tilts = {"anterior_tilt_deg": 3.0, "lateral_tilt_deg": -2.0}
    status, headers, levels = ask(
        "POST", f"/at/{sitting.id}/depth", json.dumps({"sequence": 7, **tilts}).encode()
    )
    assert (status, headers[b"x-sequence"]) == (200, b"7")
    read = survey(sitting.cast, path=PathSettings(**tilts))
    shown_mm = np.frombuffer(levels, np.uint8) * 0.01
    assert len(shown_mm) == len(sitting.cast.mesh.vertices)
    # where only one of the two sees something above, the depth is under half a step of a byte
    assert read.depth_mm[(shown_mm > 0.0) != (read.depth_mm > 0.0)].max(initial=0.0) < 0.005
    most_mm = 255 * 0.01  # of a byte
    off_mm = np.abs(shown_mm - np.minimum(read.depth_mm, most_mm))[read.depth_mm > 0.0]
    assert np.percentile(off_mm, 90) < 0.02

    up = sitting.cast.frame.points_to_file(np.array([[0.0, 0.0, 60.0]]))[0]
    down = -sitting.cast.frame.matrix[:3, 2]
    ray = {"origin_mm": up.tolist(), "direction": down.tolist(), "sequence": 1}
    status, _, body = ask("POST", f"/at/{sitting.id}/probe", json.dumps(ray).encode())
    told = json.loads(body)
    assert status == 200
    # closed form: the top of a ball of radius 5 with its equator at 4.5
    height = sitting.cast.frame.points_to_cast(np.array([told["point_mm"]]))[0][2]
    assert height == pytest.approx(9.5, abs=0.02)
    assert told["said"].endswith("no undercut")
    assert ask("POST", f"/at/{sitting.id}/probe", b"{}")[0] == 400
    assert ask("GET", f"/at/{sitting.id}/part/none")[0] == 422
    assert ask("GET", f"/at/{sitting.id}/get/passwd")[0] == 404
    status, _, case = ask("GET", f"/at/{sitting.id}/get/case")
    assert status == 200
    assert b'schema = "blockout-case/1"' in case


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    if os.geteuid() == 0:
        pytest.skip("the superuser may write everywhere")
    from blockout.errors import OutputError
    from blockout.web.sitting import open_sitting

    scan = tmp_path / "locked" / "ball.ply"
    scan.parent.mkdir()
    write_cast(scan, ball())
    scan.parent.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        with pytest.raises(OutputError):
            open_sitting(scan)
    finally:
        scan.parent.chmod(stat.S_IRWXU)
        shutil.rmtree(scan.parent)
