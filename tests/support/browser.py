"""A headless Chromium that opens a page as a tablet or a desk would, and what it reports of it."""

from __future__ import annotations

import base64
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from support.processes import until

_ARGUMENTS = (
    "--headless=new",
    # Root, as in CI, has no sandbox; the browser opens pages of this computer only.
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--disable-extensions",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-sync",
    "--no-first-run",
    "--no-proxy-server",
    "--force-color-profile=srgb",
    "--hide-scrollbars",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)


def missing_browser() -> str:
    """Why there is no browser to test with; empty if there is one."""
    missing = [name for name in ("chromium", "chromedriver") if shutil.which(name) is None]
    return f"{' and '.join(missing)} not found: apt-get install chromium chromium-driver" if missing else ""


class Browser:
    """One window. A context manager; raises AssertionError where there is no browser."""

    def __init__(self) -> None:
        if reason := missing_browser():
            raise AssertionError(reason)
        options = webdriver.ChromeOptions()
        options.binary_location = cast(str, shutil.which("chromium"))
        for argument in _ARGUMENTS:
            options.add_argument(argument)
        # Certificates of the tests are their own.
        options.accept_insecure_certs = True
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        # The driver is given: nothing is searched for on the network.
        os.environ["SE_OFFLINE"] = "true"
        os.environ["SE_AVOID_STATS"] = "true"
        # Parts of it have no types.
        self.driver: Any = webdriver.Chrome(options, Service(shutil.which("chromedriver")))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.driver.quit()

    def show_as(self, width: int, height: int = 900, *, is_dark: bool = False, less_motion: bool = False) -> None:
        """The size of the window, CSS px, and what the person prefers."""
        self._command(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600
        )
        features = [
            {"name": "prefers-color-scheme", "value": "dark" if is_dark else "light"},
            {"name": "prefers-reduced-motion", "value": "reduce" if less_motion else "no-preference"},
        ]
        self._command("Emulation.setEmulatedMedia", features=features)

    def open(self, address: str) -> None:
        """Opens a page; what was logged before is forgotten."""
        # The page that is open goes on complaining until it is left.
        self.driver.get("about:blank")
        self.driver.get_log("browser")
        self.driver.get_log("performance")
        self.driver.get(address)

    def run(self, script: str, *arguments: object) -> Any:
        """What a function body in JavaScript returns."""
        return self.driver.execute_script(script, *arguments)

    def text(self, name: str) -> str:
        """The text of the element with this id as it is seen; empty if it is not."""
        script = "const e = document.getElementById(arguments[0]); return e.checkVisibility() ? e.innerText.trim() : ''"
        return str(self.run(script, name))

    def until(self, condition: Callable[[], Any], what: str) -> Any:
        """Waits for ``condition()`` to be true, and returns it."""
        return until(condition, what)

    def complaints(self) -> list[str]:
        """What the console has got since the page was opened: errors, and what the policy has refused."""
        return [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")]

    def requested(self) -> list[str]:
        """Addresses that have been requested since the page was opened."""
        messages = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        return [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]

    def accessibility_tree(self) -> list[dict[str, Any]]:
        """What a screen reader is given: nodes with role, name and properties."""
        self._command("Accessibility.enable")
        nodes = self._command("Accessibility.getFullAXTree")["nodes"]
        return [
            {
                "role": node["role"]["value"],
                "name": node.get("name", {}).get("value", ""),
                **{p["name"]: p["value"].get("value") for p in node.get("properties", ())},
            }
            for node in nodes
            if not node["ignored"]
        ]

    def save_picture(self, path: Path) -> None:
        """The whole page as PNG."""
        height = self.run("return document.documentElement.scrollHeight")
        width = self.run("return document.documentElement.clientWidth")
        clip = {"x": 0, "y": 0, "width": width, "height": height, "scale": 1}
        shot = self._command("Page.captureScreenshot", format="png", captureBeyondViewport=True, clip=clip)
        path.write_bytes(base64.b64decode(shot["data"]))

    def _command(self, name: str, **parameters: object) -> dict[str, Any]:
        return cast(dict[str, Any], self.driver.execute_cdp_cmd(name, parameters))
