"""A Firefox without a network, spoken to in its own remote protocol (Marionette: lines of `length:json` over a socket).

The page must run in more than one engine. No further package is needed for the few words used here.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

NAMES = ("firefox-esr", "firefox")
PREFS = {
    "marionette.port": 0,
    "network.proxy.type": 1,
    "network.proxy.http": "127.0.0.1",
    "network.proxy.http_port": 9,
    "network.proxy.ssl": "127.0.0.1",
    "network.proxy.ssl_port": 9,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "app.update.enabled": False,
}
"""A free port for the remote; every request to a proxy that isn't there."""


def find_firefox() -> Path | None:
    """The Firefox on the path, if there is one."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    return Path(found) if found else None


class Firefox:
    """One running Firefox."""

    def __init__(self, profile: Path) -> None:
        port = _free_port()
        prefs = PREFS | {"marionette.port": port}
        lines = [f"user_pref({json.dumps(k)}, {json.dumps(v)});" for k, v in prefs.items()]
        (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
        command = [str(find_firefox()), "--headless", "--marionette", "--no-remote", "--profile", str(profile)]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self.socket = _connect(port)
        self.count = 0
        self._receive()
        self.ask("WebDriver:NewSession", {})

    def ask(self, name: str, values: dict[str, Any]) -> Any:
        """One command and its answer."""
        self.count += 1
        text = json.dumps([0, self.count, name, values]).encode()
        self.socket.sendall(str(len(text)).encode() + b":" + text)
        _, _, error, answer = self._receive()
        if error:
            raise RuntimeError(f"{name}: {error.get('message')}")
        return answer

    def open(self, path: Path) -> None:
        """Open a file."""
        self.ask("WebDriver:Navigate", {"url": path.as_uri()})

    def run(self, script: str, *args: Any) -> Any:
        """The value a script in the page returns."""
        return self.ask("WebDriver:ExecuteScript", {"script": script, "args": list(args), "sandbox": None})["value"]

    def wait(self, script: str, seconds: float = 30) -> None:
        """Wait until a script in the page returns something true."""
        end = time.monotonic() + seconds
        while not self.run(script):
            assert time.monotonic() < end, f"never true in Firefox: {script}"
            time.sleep(0.1)

    def close(self) -> None:
        """End it."""
        self.socket.close()
        self.process.terminate()
        self.process.wait(20)

    def _receive(self) -> Any:
        length = b""
        while not length.endswith(b":"):
            length += self.socket.recv(1)
        text, wanted = b"", int(length[:-1])
        while len(text) < wanted:
            text += self.socket.recv(wanted - len(text))
        return json.loads(text)


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def _connect(port: int, seconds: float = 60) -> socket.socket:
    end = time.monotonic() + seconds
    while True:
        try:
            return socket.create_connection(("127.0.0.1", port), timeout=60)
        except ConnectionRefusedError:
            if time.monotonic() > end:
                raise
            time.sleep(0.2)


@pytest.fixture(scope="module")
def firefox(tmp_path_factory):
    """One Firefox for a module's tests."""
    one = Firefox(tmp_path_factory.mktemp("firefox"))
    yield one
    one.close()
