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


def test_what_was_typed_stays_with_its_line_when_the_list_of_lines_has_changed(browser, desk_at, home):
    """Typing is kept by item, so that a line that has gone moves nothing onto another item."""
    base = opened(browser, desk_at, home)
    browser.get(base + "week/count")
    line = browser.find_elements(By.CSS_SELECTOR, "div.line")[2]
    item = line.get_attribute("data-key")
    line.find_element(By.NAME, "packs").send_keys("17")
    browser.execute_script("""const kept = JSON.parse(localStorage["desk-mill_lane-count"]);
        localStorage["desk-mill_lane-count"] = JSON.stringify({"gone packs": "4", ...kept});""")
    browser.get(base + "week/count")
    held = {f.find_element(By.XPATH, "ancestor::div[@data-key]").get_attribute("data-key"): f.get_attribute("value")
            for f in browser.find_elements(By.NAME, "packs") if f.get_attribute("value")}
    assert held == {item: "17"}
    assert "not saved yet" in browser.find_element(By.CSS_SELECTOR, ".kept").text
    browser.find_element(By.CSS_SELECTOR, ".kept button").click()
    browser.get(base + "week/count")
    assert not [f for f in browser.find_elements(By.NAME, "packs") if f.get_attribute("value")]


def test_what_was_typed_outlives_a_refusal_and_a_desk_that_is_started_again(browser, desk_at, home):
    base = opened(browser, desk_at, home)
    browser.get(base + "week/count")
    browser.find_element(By.ID, "packs1").send_keys("two")
    browser.find_element(By.XPATH, "//button[text()='Save the count']").click()
    browser.execute_script("document.forms[0].noValidate = true")
    browser.find_element(By.XPATH, "//button[text()='Save the count']").click()
    wait(browser).until(lambda b: "It did not work" in b.title)
    for page in ("", "week"):  # looking elsewhere first throws nothing away
        browser.get(base + page)
    desk_at.stop()
    assert opened(browser, desk_at, home) == base, "the same folder has the same address"
    assert "Another desk" not in browser.find_element(By.TAG_NAME, "body").text
    browser.get(base + "week/count")
    field = browser.find_element(By.ID, "packs1")
    assert field.get_attribute("value") == "two"
    field.clear()
    field.send_keys("2")
    browser.find_element(By.XPATH, "//button[text()='Save the count']").click()
    wait(browser).until(lambda b: "The week" in b.title)
    browser.get(base + "week/count")
    assert browser.find_element(By.ID, "packs1").get_attribute("value") == ""


def test_pages_that_are_printed_show_what_is_written_on_and_fit_the_paper(browser, desk_at, home):
    base = opened(browser, desk_at, home)
    paper = {"width": 680, "height": 1000, "deviceScaleFactor": 1, "mobile": False}  # A4 within its margins
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", paper)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    for page in PAGES:
        browser.get(base + page)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= paper["width"], page
        assert not browser.find_element(By.TAG_NAME, "nav").is_displayed()
    for page in ("week/count", "week/receive"):
        browser.get(base + page)
        assert browser.find_element(By.NAME, "packs").is_displayed(), page


def test_what_one_window_typed_outlives_what_another_saved(browser, desk_at, home):
    base = opened(browser, desk_at, home)
    first = browser.current_window_handle
    browser.get(base + "week/count")
    browser.switch_to.new_window("window")
    browser.get(base + "week/count")
    browser.find_element(By.ID, "packs1").send_keys("3")
    second = browser.current_window_handle
    browser.switch_to.window(first)
    browser.find_element(By.ID, "packs2").send_keys("4")
    press(browser, "Save the count")
    wait(browser).until(lambda b: "The week" in b.title)
    browser.switch_to.window(second)
    press(browser, "Save the count")
    wait(browser).until(lambda b: b.find_element(By.LINK_TEXT, "Back to the page before").click() is None)
    wait(browser).until(lambda b: b.find_element(By.ID, "packs1").get_attribute("value") == "3")


def test_going_back_puts_nothing_onto_the_line_of_another_item(browser, desk_at, home):
    """A browser gives fields back by their place: after a line has gone, typing would stand on the line below it."""
    base = opened(browser, desk_at, home)
    browser.get(base + "week/count")
    for field in browser.find_elements(By.NAME, "packs")[:6]:
        field.send_keys("0")
    press(browser, "Save the count")
    press(browser, "Put this order into the book")
    wait(browser).until(lambda b: "This is order 1" in b.find_element(By.TAG_NAME, "main").text)
    windows = [browser.current_window_handle]
    browser.get(base + "week/receive")
    browser.switch_to.new_window("window")
    windows.append(browser.current_window_handle)
    browser.get(base + "week/receive")

    def typed_in(line: int, packs: str) -> str:
        place = browser.find_elements(By.CSS_SELECTOR, "details.line")[line]
        place.find_element(By.TAG_NAME, "summary").click()
        place.find_element(By.NAME, "packs").send_keys(packs)
        return place.get_attribute("data-key")

    gone = typed_in(0, "99")
    browser.switch_to.window(windows[0])
    line = typed_in(1, "1")
    browser.switch_to.window(windows[1])
    browser.execute_script("document.querySelector('[name=packs]').value = arguments[0]", browser.find_element(
        By.CSS_SELECTOR, "summary").text.split(": ")[1].split(" ")[0])
    press(browser, "Save what came")
    wait(browser).until(lambda b: "The week" in b.title)
    browser.switch_to.window(windows[0])
    press(browser, "Save what came")
    wait(browser).until(lambda b: "It did not work" in b.title)
    browser.back()
    wait(browser).until(lambda b: "Receive" in b.title)
    held = {f.find_element(By.XPATH, "ancestor::details[@data-key]").get_attribute("data-key"): f.get_attribute("value")
            for f in browser.find_elements(By.CSS_SELECTOR, "details [name=packs]") if f.get_attribute("value")}
    assert gone not in browser.page_source
    assert held == {line: "1"}


def test_the_way_back_from_a_refusal_gives_a_class_back_as_it_was_typed(browser, desk_at, home):
    base = opened(browser, desk_at, home)
    browser.get(base + "class")
    browser.find_element(By.ID, "title").send_keys("Spring course")
    browser.find_element(By.ID, "learners").send_keys("a dozen")
    press(browser, "Work out the lists")
    wait(browser).until(lambda b: b.find_element(By.LINK_TEXT, "Back to the page before").click() is None)
    wait(browser).until(lambda b: "Spring course" in b.find_element(By.ID, "title").get_attribute("value"))
