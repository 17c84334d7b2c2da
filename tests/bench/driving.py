"""A real browser, headless, driven through the W3C WebDriver protocol (https://www.w3.org/TR/webdriver2/)."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import shutil
import socket
import subprocess
import time
from pathlib import Path
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.request import Request, urlopen

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
DRIVER = shutil.which("chromedriver")
WHY_NOT = "no Chromium with its driver here: on Debian and Ubuntu 'apt install chromium chromium-driver'"
ELEMENT = "element-6066-11e4-a52e-4f735466cecf"  # the protocol's own key of an element
KEYS = {"Tab": "\ue004", "Enter": "\ue007", "Space": "\ue00d", "Shift": "\ue008", "Down": "\ue015"}
# A page is there for hands once it is loaded, its scripts with it, and painted: what is pressed before its first paint
# the browser throws away, since nobody can have meant what was not to be seen yet.
SHOWN = "return document.readyState === 'complete' && performance.getEntriesByType('paint').length > 0"


class Chromium:
    """One browser window. Use as a context manager."""

    def __init__(self, folder: Path, width: int = 360, height: int = 740) -> None:
        with contextlib.closing(socket.socket()) as probe:
            probe.bind(("127.0.0.1", 0))
            self._port = probe.getsockname()[1]
        self._folder, self._size = folder, (width, height)
        self._driver: subprocess.Popen | None = None
        self._session = ""

    def __enter__(self) -> Chromium:
        self._driver = subprocess.Popen(
            [DRIVER, f"--port={self._port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until = time.monotonic() + 30
        while True:
            try:
                self._call("GET", "/status")
                break
            except (URLError, ConnectionError):
                assert time.monotonic() < until, "the driver does not answer"
                time.sleep(0.1)
        flags = ["--headless=new", "--disable-gpu", "--hide-scrollbars", f"--user-data-dir={self._folder / 'profile'}"]
        flags += ["--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream", "--mute-audio"]
        flags += ["--no-first-run", "--disable-dev-shm-usage"]  # containers often have little shared memory
        flags += ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        options = {"args": flags, "binary": CHROMIUM}
        about = {"browserName": "chrome", "goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
        wanted = {"capabilities": {"alwaysMatch": about}}
        self._session = f"/session/{self._call('POST', '/session', wanted)['sessionId']}"
        self.size(*self._size)
        return self

    def __exit__(self, *error: object) -> None:
        with contextlib.suppress(Exception):
            self._call("DELETE", self._session)
        if self._driver is not None:
            self._driver.terminate()
            self._driver.wait(10)

    def _call(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None and method != "POST" else json.dumps(body or {}).encode()
        wanted = Request(
            f"http://127.0.0.1:{self._port}{path}", data, {"Content-Type": "application/json"}, method=method
        )
        try:
            with urlopen(wanted, timeout=60) as got:
                return json.loads(got.read())["value"]
        except HTTPError as failed:
            raise AssertionError(json.loads(failed.read())["value"]["message"]) from None

    def size(self, width: int, height: int, phone: bool | None = None) -> None:
        """The window's inner size; a narrow one is a phone's."""
        mobile = width < 600 if phone is None else phone
        told = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": mobile}
        self.tool("Emulation.setDeviceMetricsOverride", told)

    def theme(self, name: str) -> None:
        """light or dark."""
        features = [{"name": "prefers-color-scheme", "value": name}]
        self.tool("Emulation.setEmulatedMedia", {"features": features})

    def tool(self, name: str, told: dict) -> Any:
        """A command of the browser's developer tools."""
        return self._call("POST", f"{self._session}/goog/cdp/execute", {"cmd": name, "params": told})

    def open(self, url: str) -> None:
        """Go there; the page is shown when this returns."""
        self._call("POST", f"{self._session}/url", {"url": url})
        self.shown()

    def shown(self) -> None:
        """Wait until the page that is open can be seen, and so takes what is pressed."""
        self.until(SHOWN, pause_s=0.02)

    @property
    def url(self) -> str:
        return self._call("GET", f"{self._session}/url")

    def run(self, script: str, *told: Any) -> Any:
        """Run a script in the page; what it returns, or what its promise brings."""
        return self._call("POST", f"{self._session}/execute/sync", {"script": script, "args": list(told)})

    def find(self, css: str) -> str:
        return self._call("POST", f"{self._session}/element", {"using": "css selector", "value": css})[ELEMENT]

    def click(self, css: str) -> None:
        """Click on it once it lies free: on a busy machine the page may still be moving under the first try."""
        self.shown()
        until = time.monotonic() + 20
        while True:
            self.run("document.querySelector(arguments[0]).scrollIntoView({block: 'center'})", css)
            try:
                self._call("POST", f"{self._session}/element/{self.find(css)}/click")
                return
            except AssertionError as failed:
                if "click intercepted" not in str(failed) or time.monotonic() > until:
                    raise
            time.sleep(0.2)

    def type(self, css: str, text: str) -> None:
        """Type into a field, or give a file field its file."""
        self.shown()
        self._call("POST", f"{self._session}/element/{self.find(css)}/value", {"text": text})

    def press(self, *names: str) -> None:
        """Press keys one after the other, wherever the focus is; 'Shift+Tab' holds the first."""
        self.shown()
        actions = []
        for name in names:
            *held, last = name.split("+")
            down = [{"type": "keyDown", "value": KEYS[key]} for key in held]
            up = [{"type": "keyUp", "value": KEYS[key]} for key in held]
            value = KEYS.get(last, last)
            actions += [*down, {"type": "keyDown", "value": value}, {"type": "keyUp", "value": value}, *up]
        keys = {"type": "key", "id": "keys", "actions": actions}
        self._call("POST", f"{self._session}/actions", {"actions": [keys]})

    def until(self, script: str, *told: Any, most_s: float = 60, pause_s: float = 0.15) -> Any:
        """Wait until a script returns something true; that."""
        end = time.monotonic() + most_s
        while True:
            with contextlib.suppress(AssertionError):
                if found := self.run(script, *told):
                    return found
            assert time.monotonic() < end, f"not so within {most_s} s: {script} at {self.url}"
            time.sleep(pause_s)

    def complaints(self) -> list[str]:
        """What the browser has complained about since last asked: errors of scripts, refusals of the policy."""
        found = self._call("POST", f"{self._session}/se/log", {"type": "browser"})
        return [each["message"] for each in found if each["level"] == "SEVERE"]

    def offline(self, gone: bool) -> None:
        """Cut the connection to the server, as lost Wi-Fi does, or bring it back."""
        self.tool("Network.enable", {})
        told = {"offline": gone, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        self.tool("Network.emulateNetworkConditions", told)

    def pdf(self) -> bytes:
        """The page printed to PDF."""
        return base64.b64decode(self.tool("Page.printToPDF", {"preferCSSPageSize": True})["data"])

    def picture(self, path: Path) -> Path:
        """The whole page as PNG."""
        told = {"format": "png", "captureBeyondViewport": True}
        path.write_bytes(base64.b64decode(self.tool("Page.captureScreenshot", told)["data"]))
        return path
