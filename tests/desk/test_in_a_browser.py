"""Each person's week in a real browser: by clicks that are counted, by keyboard alone, on a phone, at 200 % zoom."""

import csv
from importlib.resources import files

import pytest
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

import kitplan

pytestmark = pytest.mark.browser

PAGES = ("", "census", "par", "par/saline_5ml", "curve", "week", "week/receive", "week/count", "week/kits", "class",
         "months", "recall?lot=L1")


def wait(browser) -> WebDriverWait:
    """Waits for a page that loads itself anew while a plan is at work: what was found may be gone a moment later, which
    the browser says in more than one way."""
    return WebDriverWait(browser, 200, ignored_exceptions=(WebDriverException,))


def press(browser, words: str) -> None:
    """Press the button of these words as soon as it is there."""
    wait(browser).until(lambda b: b.find_element(By.XPATH, f"//button[text()='{words}']").click() is None)


def opened(browser, desk_at, home) -> str:
    address = desk_at(home)
    browser.get(address)
    return address.split("/enter")[0] + "/unit/mill_lane/"


def test_the_first_plan_from_a_dropped_census_takes_at_most_six_clicks(browser, desk_at, tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    browser.get(desk_at(home))
    clicks = 2  # to choose a file: its button, and the file in the system's own window
    browser.find_element(By.ID, "unit_name").send_keys("Quiet Shore")
    browser.find_element(By.ID, "census").send_keys(str(kitplan.sample_units()["mill_lane"] / "census.csv"))
    for words in ("Make the unit", "Plan"):
        press(browser, words)
        clicks += 1
    wait(browser).until(lambda b: "Readiness:" in b.find_element(By.TAG_NAME, "main").text)
    assert clicks <= 6
    assert (home / "quiet_shore" / "plan" / "stock-room.xlsx").is_file()


def test_a_plan_at_work_can_be_stopped_and_leaves_what_was_there(browser, desk_at, home):
    base = opened(browser, desk_at, home)
    before = (home / "mill_lane" / "plan" / "plan.json").read_bytes()
    browser.get(base)
    press(browser, "Plan again")
    press(browser, "Stop")
    wait(browser).until(lambda b: "Stopped" in b.find_element(By.TAG_NAME, "main").text)
    assert (home / "mill_lane" / "plan" / "plan.json").read_bytes() == before


def test_a_count_by_keyboard_alone_reaches_the_book(browser, desk_at, home):
    base = opened(browser, desk_at, home)
    browser.get(base + "week/count")
    first = browser.find_element(By.ID, "packs1")
    while browser.switch_to.active_element != first:
        browser.switch_to.active_element.send_keys(Keys.TAB)
    browser.switch_to.active_element.send_keys("3", Keys.ENTER, "0", Keys.ENTER)
    assert browser.switch_to.active_element.get_attribute("id") == "packs2"
    while browser.switch_to.active_element.tag_name != "button":
        browser.switch_to.active_element.send_keys(Keys.TAB)
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    wait(browser).until(lambda b: "The week" in b.title)
    with (home / "mill_lane" / "book" / "counts.csv").open(encoding="utf-8-sig") as file:
        assert [row["packs"] for row in csv.DictReader(file)][:1] == ["3"]
    assert browser.execute_script("return Object.keys(localStorage).length") == 0


def test_what_was_typed_is_there_again_when_the_page_was_closed_without_saving(browser, desk_at, home):
    base = opened(browser, desk_at, home)
    browser.get(base + "week/count")
    browser.find_element(By.ID, "packs2").send_keys("17")
    browser.get(base)
    browser.get(base + "week/count")
    assert browser.find_element(By.ID, "packs2").get_attribute("value") == "17"


def test_a_reader_that_types_like_a_keyboard_jumps_to_the_line(browser, desk_at, home):
    base = opened(browser, desk_at, home)
    browser.get(base + "week/count")
    line = browser.find_elements(By.CSS_SELECTOR, "[data-codes]")[4]
    code = line.get_attribute("data-codes").split(" ")[0]
    browser.find_element(By.ID, "reader").send_keys(code, Keys.ENTER)
    assert browser.switch_to.active_element == line.find_element(By.CSS_SELECTOR, "input:not([type=hidden])")


@pytest.mark.parametrize(("width", "zoom"), [(390, 1), (1200, 2)])
def test_no_page_needs_scrolling_sideways_on_a_phone_or_at_200_percent(browser, desk_at, home, width, zoom):
    base = opened(browser, desk_at, home)
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride",
                            {"width": width // zoom, "height": 800, "deviceScaleFactor": zoom, "mobile": False})
    for page in PAGES:
        browser.get(base + page)
        wide = browser.execute_script("return document.documentElement.scrollWidth")
        assert wide <= width // zoom, page


def test_no_serious_fault_of_accessibility_on_any_page(browser, desk_at, home):
    base = opened(browser, desk_at, home)
    engine = files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    root = base.split("/unit")[0] + "/"
    for page in (root, *(base + page for page in PAGES)):
        browser.get(page)
        browser.execute_script(engine)
        found = browser.execute_async_script("axe.run().then(arguments[0])")["violations"]
        bad = [(v["id"], v["nodes"][0]["html"]) for v in found if v["impact"] in ("serious", "critical")]
        assert not bad, page


def test_a_second_desk_on_the_same_folder_says_so(browser, desk_at, home):
    desk_at(home)
    browser.get(desk_at(home))
    assert "Another desk serves this folder" in browser.find_element(By.TAG_NAME, "body").text
