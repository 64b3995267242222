"""A desk to try: a planned unit, a client that speaks to the pages, and a real browser where there is one."""

from __future__ import annotations

import html
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("flask", reason="the desk's extra is not installed")

import kitplan
from kitplan.desk.app import create_app

PORT, SECRET = 8765, "a-secret-of-this-test"
ORIGIN = f"http://127.0.0.1:{PORT}"
BROWSER = "/usr/bin/chromium"


class Client:
    """Speaks to the pages as the desk's own browser would."""

    def __init__(self, folder: Path) -> None:
        self.app = create_app(folder, SECRET, PORT)
        self.http = self.app.test_client()
        self.http.get(f"/enter/{SECRET}", base_url=ORIGIN)
        from kitplan.desk.guard import form_mark

        self.mark = form_mark(SECRET)

    def get(self, path: str, **more):
        return self.http.get(path, base_url=ORIGIN, **more)

    def post(self, path: str, data=None, **more):
        headers = {"Origin": ORIGIN} | more.pop("headers", {})
        return self.http.post(path, data={"mark": self.mark} | (data or {}), base_url=ORIGIN, headers=headers,
                              follow_redirects=True, **more)


def words(response) -> str:
    """What a person reads on a page."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", response.get_data(as_text=True))))


@pytest.fixture(scope="session")
def planned(tmp_path_factory) -> Path:
    """A planned copy of the small sample, with a budget year, to be copied."""
    folder = tmp_path_factory.mktemp("planned") / "mill_lane"
    shutil.copytree(kitplan.sample_units()["mill_lane"], folder)
    with (folder / "unit.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[budget]\nstart = "2026-07"\namount = 9000\n')
    kitplan.plan(kitplan.load_unit(folder)).save(folder / "plan")
    return folder


@pytest.fixture
def home(planned, tmp_path) -> Path:
    """A folder with one planned unit."""
    place = tmp_path / "units"
    shutil.copytree(planned, place / "mill_lane")
    return place


@pytest.fixture
def client(home) -> Client:
    return Client(home)


@pytest.fixture
def empty_client(tmp_path) -> Client:
    return Client(tmp_path)


@pytest.fixture
def browser(tmp_path):
    """A real browser; required where KITPLAN_REQUIRE_BROWSER says so, else skipped where there is none."""
    if not Path(BROWSER).exists() or shutil.which("chromedriver") is None:
        if os.environ.get("KITPLAN_REQUIRE_BROWSER") == "1":
            pytest.fail("no browser on this machine")
        pytest.skip("no browser on this machine")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                 "--disable-background-networking", "--disable-component-update", "--disable-sync",
                 f"--user-data-dir={tmp_path / 'profile'}"):
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.set_window_size(1200, 900)
    yield driver
    driver.quit()


@pytest.fixture
def desk_at():
    """Start real desks on folders; each gives the address of its first link. `.stop()` ends them."""
    running = []

    def start(folder: Path) -> str:
        code = [sys.executable, "-m", "kitplan", "desk", str(folder), "--no-browser"]
        process = subprocess.Popen(code, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
                                   cwd=Path(kitplan.__file__).parents[1])
        running.append(process)
        return process.stdout.readline().strip()

    def stop() -> None:
        while running:
            running[-1].terminate()
            running.pop().wait(timeout=20)

    start.stop = stop
    yield start
    stop()
