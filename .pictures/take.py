"""Takes the pictures of README.md: starts the workbench on the demo captures and photographs it.

Run from the top of the source tree, with the test extra and Chromium installed: python .pictures/take.py
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Literal

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

FOLDER = Path(__file__).resolve().parent
PORT = "8139"
LARGEST = 200_000
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
FINDING = '.entries [data-choose="finding:F1"] button'


def main() -> None:
    """Serve, photograph, stop serving."""
    command = [sys.executable, "-m", "latchtrace", "serve", "--port", PORT]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as server:
        try:
            assert server.stderr is not None
            address = next(line for line in server.stderr if "http" in line).split(" at ")[1].split()[0]
            _photograph(address)
        finally:
            server.terminate()


def _photograph(address: str) -> None:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=list(FLAGS))
        page = _open(browser, address, 890, "light")
        _keep("whole-night", page.screenshot())
        page.click(FINDING)
        page.wait_for_selector(".proof")
        page.wait_for_timeout(1500)
        _keep("self-unlock", page.screenshot())
        page = _open(browser, address, 2400, "light")
        page.click(FINDING)
        page.wait_for_selector(".proof")
        page.wait_for_timeout(1500)
        _keep("evidence", page.locator("#reading").screenshot())
        page = _open(browser, address, 890, "dark")
        page.click('[data-capture]:has-text("relock-test")')
        page.wait_for_timeout(1500)
        _keep("dark", page.screenshot())
        browser.close()


def _open(browser: Browser, address: str, height: int, scheme: Literal["light", "dark"]) -> Page:
    page = browser.new_context(viewport={"width": 1400, "height": height}, color_scheme=scheme).new_page()
    page.goto(address)
    page.wait_for_selector("html[data-ready]")
    page.wait_for_timeout(1500)
    return page


def _keep(name: str, shot: bytes) -> None:
    """The picture in 256 colours: half the size, and no difference to see."""
    target = FOLDER / f"{name}.png"
    picture = Image.open(io.BytesIO(shot)).convert("RGB")
    picture.quantize(256, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).save(target, optimize=True)
    assert target.stat().st_size < LARGEST, f"{target} is too large"
    print(f"{target.name}: {target.stat().st_size} bytes")


if __name__ == "__main__":
    main()
