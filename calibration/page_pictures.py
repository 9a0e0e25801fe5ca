"""Pictures of the page of `handcapture serve` for README: every view, light and dark, on a desk and on a phone.

    python calibration/page_pictures.py

goes through a session with the samples in Chromium and writes samples/page/*.png.
"""

from __future__ import annotations

import re
import signal
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from helpers_browser import Server, chromium  # noqa: E402

SAMPLES = ROOT / "samples"
PICTURES = SAMPLES / "page"
VIEWS = ("", "photos", "rest", "layout", "compare", "check", "export")
DESK, PHONE = {"width": 1360, "height": 850}, {"width": 390, "height": 780}
_GAP_PX = 10


def main() -> None:
    """Walk through a session, and take the pictures."""
    PICTURES.mkdir(exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as folder,
        Server(Path(folder) / "journal") as server,
        chromium() as browser,
    ):
        context = browser.new_context(viewport=DESK)
        page = context.new_page()
        page.goto(server.enter)
        number = _session(page, server)
        for size, name, scale in ((DESK, "desk", 0.5), (PHONE, "phone", 0.8)):
            for scheme in ("light", "dark"):
                taken = _views(browser, context.cookies(), server, number, size, scheme)
                _sheet(taken, 2 if name == "desk" else 7, scale).save(PICTURES / f"{name}_{scheme}.png", optimize=True)
        server.end(signal.SIGINT)


def _session(page: Any, server: Server) -> int:
    """Measure three photos, fit, move a button, keep revisions, and check the print; return the session's number."""
    page.goto(server.home)
    page.get_by_label("Nickname").fill("Vesper")
    page.get_by_role("button", name="Begin", exact=True).click()
    page.wait_for_url("**/photos")
    number = int(re.findall(r"/s/(\d+)", page.url)[0])
    for k in (1, 2, 3):
        page.set_input_files("#camera", SAMPLES / f"rest_{k}.jpg")
        page.locator(f"#photo-{k} h3 .tag.good").wait_for(timeout=60_000)
    page.goto(f"{server.home}/s/{number}/layout")
    for kind, name in (("panel", "panel.toml"), ("plan", "try_plan.toml")):
        page.locator(f"#{kind}-text summary").click()
        page.locator(f"#{kind}-text textarea").fill((SAMPLES / name).read_text())
        page.locator(f"#{kind}-text").get_by_role("button").click()
        page.wait_for_timeout(1000)
    page.get_by_role("button", name="Fit the buttons", exact=True).click()
    page.locator("#bench[data-ready]").wait_for(timeout=60_000)
    page.fill("#keep-letter", "B")
    page.locator(".b[data-label='Fog']").focus()
    for _ in range(4):
        page.keyboard.press("Shift+ArrowUp")
    page.wait_for_timeout(1000)
    page.click("#do-save")
    page.wait_for_timeout(1500)
    page.goto(f"{server.home}/s/{number}/layout")
    page.get_by_role("button", name="Put on the table A").click()
    page.wait_for_timeout(1000)
    page.goto(f"{server.home}/s/{number}/check")
    for k in (1, 2, 3):
        page.set_input_files("#camera", SAMPLES / f"try_{k}.jpg")
        page.locator(f"#photo-{k + 3} h3 .tag:is(.good,.fair,.poor)").wait_for(timeout=60_000)
    page.wait_for_timeout(1500)
    page.get_by_role("button", name="Check the print").click()
    page.wait_for_timeout(6000)
    return number


def _views(browser: Any, cookies: Any, server: Server, number: int, size: Any, scheme: str) -> list[Image.Image]:
    """Return a picture of every view."""
    context = browser.new_context(viewport=size, color_scheme=scheme, is_mobile=size is PHONE, has_touch=size is PHONE)
    context.add_cookies(cookies)
    page = context.new_page()
    taken = []
    with tempfile.TemporaryDirectory() as folder:
        for view in VIEWS:
            page.goto(f"{server.home}/s/{number}/{view}" if view else server.home)
            if view == "layout":
                page.locator("#bench[data-ready]").wait_for()
                page.locator(".b[data-label='Rain'] .hole").click()
            page.wait_for_timeout(600)
            path = Path(folder) / f"{view or 'start'}.png"
            page.screenshot(path=path)
            taken.append(Image.open(path).convert("RGB"))
            taken[-1].load()
    return taken


def _sheet(pictures: list[Image.Image], columns: int, scale: float) -> Image.Image:
    """Return pictures side by side, row by row."""
    width, height = (round(scale * side) for side in pictures[0].size)
    rows = -(-len(pictures) // columns)
    size = (columns * (width + _GAP_PX) + _GAP_PX, rows * (height + _GAP_PX) + _GAP_PX)
    sheet = Image.new("RGB", size, "#8a8a8a")
    for k, picture in enumerate(pictures):
        place = (_GAP_PX + (k % columns) * (width + _GAP_PX), _GAP_PX + (k // columns) * (height + _GAP_PX))
        sheet.paste(picture.resize((width, height), Image.Resampling.LANCZOS), place)
    return sheet.quantize(128, method=Image.Quantize.MEDIANCUT).convert("P")


if __name__ == "__main__":
    main()
