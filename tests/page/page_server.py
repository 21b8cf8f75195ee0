"""The real server in a process of its own, as ``blockout serve`` starts it."""

from __future__ import annotations

import http.client
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qs, urlsplit


@dataclass
class Served:
    """A running server."""

    address: str
    process: subprocess.Popen

    @property
    def port(self):
        return urlsplit(self.address).port

    @property
    def key(self):
        return parse_qs(urlsplit(self.address).query)["key"][0]

    @property
    def origin(self):
        return f"http://127.0.0.1:{self.port}"

    def ask(self, method, path, *, body=None, cookie=True, host=None, origin=None, headers=()):
        """(status, headers, body) of one request that says exactly what it is told to say."""
        talk = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        said = {"Host": host or f"127.0.0.1:{self.port}", **dict(headers)}
        if cookie:
            said["Cookie"] = f"blockout-{self.port}={self.key}"
        if origin:
            said["Origin"] = origin
        talk.request(method, path, body=body, headers=said)
        answer = talk.getresponse()
        content = answer.read()
        talk.close()
        return answer.status, dict(answer.getheaders()), content

    def kill(self):
        """As when the power fails."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(timeout=20)


@contextmanager
def served(folder: Path, *arguments: str):
    """``blockout serve`` working in a folder."""
    about = {name: value for name, value in os.environ.items() if name != "PYTEST_CURRENT_TEST"}
    run = "from blockout.cli.main import run; run()"
    command = [sys.executable, "-c", run, "serve", "--no-open", "--folder", str(folder)]
    with tempfile.TemporaryDirectory() as place:
        log = Path(place) / "server.log"
        with log.open("w", encoding="utf-8") as said:
            process = subprocess.Popen(
                [*command, *arguments], stdout=said, stderr=said, env=about, cwd=folder
            )
        try:
            yield Served(_address(log, process), process)
        finally:
            _end(process)


def _end(process):
    if process.poll() is None:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(timeout=20)


def _address(log, process):
    for _ in range(600):
        found = re.findall(r"is at (http://\S+)", log.read_text(encoding="utf-8"))
        if found:
            return found[-1]
        assert process.poll() is None, log.read_text(encoding="utf-8")
        time.sleep(0.1)
    raise AssertionError("the server did not start within a minute")
