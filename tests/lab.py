"""A JupyterLab of a test's own, started as run.py starts it, and a browser that looks at it."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.parse import urlsplit
from urllib.request import urlopen

import nbformat
from ipykernel.kernelspec import write_kernel_spec

from forecast.compiled import cache_folder
from tests.test_page import CHROMIUM, FLAGS

ROOT = Path(__file__).parent.parent
SECONDS = 90
LOOPBACK = {"127.0.0.1", "localhost", "::1"}
OVER_A_NETWORK = ("http", "https", "ws", "wss")


@dataclass(frozen=True)
class Lab:
    """A JupyterLab that runs: where it is, and the token that it asks for."""

    address: str
    token: str

    def of(self, notebook: str) -> str:
        """The address of a notebook, without the token."""
        return f"{self.address}/lab/tree/{notebook}"


@dataclass
class Visit:
    """A page in a browser, and every address that was asked for on the way."""

    page: Any
    asked: list[str] = field(default_factory=list)

    @property
    def strangers(self) -> set[str]:
        """Hosts besides this machine."""
        parts = [urlsplit(address) for address in self.asked]
        hosts = {part.hostname or "" for part in parts if part.scheme in OVER_A_NETWORK}
        return hosts - LOOPBACK


def notebook_in(folder: Path, name: str, parameters: Mapping[str, str]) -> Path:
    """A copy of a notebook whose parameters are others; each is Python as it would be typed."""
    read: Any = nbformat.read  # nbformat has no types
    book = read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
    for cell in book.cells:
        if "parameters" in cell.metadata.get("tags", []):
            more = "\n".join(f"{key} = {value}" for key, value in parameters.items())
            cell.source = f"{cell.source}\n{more}"
    write: Any = nbformat.write
    write(book, folder / f"{name}.ipynb")
    return folder / f"{name}.ipynb"


def _run_py() -> Any:
    """The script that starts JupyterLab for people."""
    spec = spec_from_file_location("run_py", ROOT / "run.py")
    assert spec is not None
    assert spec.loader is not None
    script = module_from_spec(spec)
    spec.loader.exec_module(script)
    return script


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


def _environment(home: Path) -> dict[str, str]:
    """Nobody's settings, but those of run.py."""
    write_kernel_spec(str(home / "data" / "kernels" / "python3"))
    for plugin, values in _run_py().LAB_OVERRIDES.items():
        extension, _, name = plugin.partition(":")
        path = home / "config" / "lab" / "user-settings" / extension / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(values))
    kept = {key: value for key, value in os.environ.items() if not key.startswith("JUPYTER_TOKEN")}
    return kept | {
        "HOME": str(home),
        "IPYTHONDIR": str(home / "ipython"),
        "JUPYTER_CONFIG_DIR": str(home / "config"),
        "JUPYTER_DATA_DIR": str(home / "data"),
        "JUPYTER_RUNTIME_DIR": str(home / "runtime"),
        "JUPYTERLAB_SETTINGS_DIR": str(home / "config" / "lab" / "user-settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(home / "workspaces"),
        "PYTHONPATH": str(ROOT),
        "NUMBA_CACHE_DIR": _where_compiled(),
    }


def _where_compiled() -> str:
    """Where this process keeps machine code: in another home all would be compiled again."""
    folder = cache_folder()
    return "" if folder is None else str(folder.parent)


@contextmanager
def running_lab(place: Path, home: Path) -> Iterator[Lab]:
    """A JupyterLab on this machine only, that sees a folder.

    Args:
        place: the folder.
        home: an empty folder for what belongs to its user.
    """
    port = _free_port()
    quiet = ["--no-browser", "--allow-root", f"--port={port}", "--ServerApp.port_retries=0"]
    with (home / "log").open("w") as log:
        server = subprocess.Popen(
            [sys.executable, *_run_py().lab_arguments(str(place), quiet)],
            env=_environment(home),
            cwd=place,
            stdout=log,
            stderr=log,
        )
        try:
            address = f"http://127.0.0.1:{port}"
            token = _token(home / "runtime", server)
            _wait_for(f"{address}/api/status?token={token}", server)
            yield Lab(address, token)
        finally:
            server.terminate()
            server.wait(30)


def _token(runtime: Path, server: subprocess.Popen[bytes]) -> str:
    """The token that JupyterLab has made for itself; it keeps it where its own user may read it."""
    for _ in range(SECONDS * 2):
        assert server.poll() is None, "JupyterLab has ended"
        for path in runtime.glob("jpserver-*.json"):
            if text := path.read_text():
                token: str = json.loads(text)["token"]
                return token
        time.sleep(0.5)
    raise AssertionError("JupyterLab does not begin")


def _wait_for(address: str, server: subprocess.Popen[bytes]) -> None:
    for _ in range(SECONDS * 2):
        assert server.poll() is None, "JupyterLab has ended"
        try:
            urlopen(address, timeout=5).close()
        except URLError:
            time.sleep(0.5)
        else:
            return
    raise AssertionError("JupyterLab does not answer")


@contextmanager
def visit(
    lab: Lab, notebook: str, cells: int = 0, width: int = 1280, height: int = 1000
) -> Iterator[Visit]:
    """A notebook in a browser.

    Args:
        lab: where it is.
        notebook: its name.
        cells: how many are run, each by the keyboard; 0: all of them, by the menu.
        width: of the window, pixels.
        height: likewise.
    """
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": width, "height": height})
        page.set_default_timeout(SECONDS * 1000)
        seen = Visit(page)
        page.on("request", lambda request: seen.asked.append(request.url))
        page.on("websocket", lambda socket: seen.asked.append(socket.url))
        page.goto(f"{lab.of(notebook)}?token={lab.token}")
        page.get_by_text(re.compile(r"Python 3.*\| Idle")).first.wait_for()
        if not cells:
            page.get_by_role("menuitem", name="Run", exact=True).click()
            page.get_by_text("Run All Cells", exact=True).click()
        for _ in range(cells):
            page.keyboard.press("Shift+Enter")
        yield seen
        browser.close()
