"""Only this computer, only by the printed link, only from the desk's own pages; everything else is refused."""

import http.client
import io
import zipfile
from urllib.parse import urlsplit

import pytest

from kitplan.desk.guard import MOST_BYTES

from .conftest import ORIGIN, PORT, SECRET, words


def test_without_the_link_nothing_answers(client):
    stranger = client.app.test_client()
    for path in ("/", "/unit/mill_lane/", "/unit/mill_lane/paper/stock-room.xlsx", "/static/desk.css"):
        assert stranger.get(path, base_url=ORIGIN).status_code == 403, path
    assert stranger.get("/enter/another", base_url=ORIGIN).status_code == 403


def test_the_link_works_once_it_is_followed_and_its_cookie_is_kept_from_other_sites(client):
    reply = client.app.test_client().get(f"/enter/{SECRET}", base_url=ORIGIN)
    cookie = reply.headers["Set-Cookie"]
    assert reply.status_code == 302
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


@pytest.mark.parametrize("host", ["kitplan.example", f"kitplan.example:{PORT}", "127.0.0.1", "127.0.0.1:1", "0.0.0.0"])
def test_another_name_for_this_computer_is_refused(client, host):
    assert client.http.get("/", base_url=ORIGIN, headers={"Host": host}).status_code == 400


@pytest.mark.parametrize("origin", [None, "null", "http://kitplan.example", f"https://127.0.0.1:{PORT}",
                                    "http://127.0.0.1:1", f"http://localhost.example:{PORT}"])
def test_a_form_from_another_page_is_refused_and_nothing_is_done(client, home, origin):
    headers = {} if origin is None else {"Origin": origin}
    data = {"mark": client.mark, "unit_name": "Driven"}
    reply = client.http.post("/new", data=data, base_url=ORIGIN, headers=headers)
    assert reply.status_code == 403
    assert not (home / "driven").exists()


def test_a_form_without_the_pages_own_mark_is_refused(client, home):
    assert client.post("/new", {"mark": "0" * 64, "unit_name": "Driven"}).status_code == 403
    assert not (home / "driven").exists()


def test_every_page_forbids_scripts_and_frames_from_elsewhere(client):
    for path in ("/", "/unit/mill_lane/par", "/nothing"):
        policy = client.get(path).headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert client.get(path).headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize("path", [
    "/unit/../../etc/passwd", "/unit/..%2f..%2fetc/", "/unit/%2e%2e/", "/unit/mill_lane/paper/../unit.toml",
    "/unit/mill_lane/paper/..%2funit.toml", "/unit/mill_lane/paper//etc/passwd", "/unit/mill_lane/paper/saved/plan.zip",
    "/unit/mill_lane%00/", "/unit/.%2fmill_lane/",
])
def test_no_path_leads_out_of_the_plan(client, path):
    reply = client.get(path, follow_redirects=True)
    assert reply.status_code == 404
    assert "root:" not in words(reply)


@pytest.mark.parametrize("file", ["../unit.toml", "unit.toml", "/etc/passwd", "plan/tables/par_levels.csv"])
def test_only_tables_of_the_unit_can_be_corrected(client, home, file):
    before = (home / "mill_lane" / "unit.toml").read_bytes()
    assert client.post("/unit/mill_lane/correct", {"file": file, "seen": "x", "cell.1.0": "=1"}).status_code == 404
    assert (home / "mill_lane" / "unit.toml").read_bytes() == before


def test_a_huge_drop_is_refused_in_words(client):
    reply = client.post("/unit/mill_lane/census", {"census": (io.BytesIO(b"a" * (MOST_BYTES + 1)), "census.csv")})
    assert reply.status_code == 413
    assert "larger than any table" in words(reply)


def test_a_file_beyond_what_the_server_takes_is_refused_on_a_page_too(desk_at, home):
    address = urlsplit(desk_at(home))
    talk = http.client.HTTPConnection(address.netloc, timeout=60)
    talk.request("POST", "/new", b"a" * 51_000_000, {"Content-Type": "application/x-www-form-urlencoded"})
    assert "It did not work" in talk.getresponse().read().decode()


def test_a_workbook_that_unpacks_to_gigabytes_is_refused_and_the_census_stays(client, home):
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as parts:
        parts.writestr("xl/workbook.xml", b"<workbook/>")
        parts.writestr("xl/worksheets/sheet1.xml", b"0" * 300_000_000)
    before = (home / "mill_lane" / "census.csv").read_bytes()
    reply = client.post("/unit/mill_lane/census", {"census": (io.BytesIO(bomb.getvalue()), "census.xlsx")})
    assert reply.status_code == 409
    assert (home / "mill_lane" / "census.csv").read_bytes() == before


def test_what_is_no_table_is_told_on_the_page(client):
    reply = client.post("/unit/mill_lane/census", {"census": (io.BytesIO(b"%PDF-1.4 \x00\x01"), "census.csv")})
    assert reply.status_code in (200, 409)
    assert "is not a text file" in words(reply) or "quotation" in words(reply)


def test_a_unit_that_disappears_is_told(client, home):
    (home / "mill_lane" / "unit.toml").unlink()
    reply = client.get("/unit/mill_lane/")
    assert reply.status_code == 404
    assert "no such unit" in words(reply)


def test_letters_of_any_script_in_a_secret_are_refused_and_no_defect(client):
    assert client.app.test_client().get("/enter/é", base_url=ORIGIN).status_code == 403
    assert client.post("/new", {"mark": "é", "unit_name": "Driven"}).status_code == 403
