"""The order book on disk: lines that were changed, lost, cut off or moved are seen, and nothing else is refused."""

import csv
import io
import json
from datetime import date

import pytest

from kitplan.read.order_book import Line, OrderBook, book_frames, last_record, read_book, read_use_rate
from kitplan.read.problems import InputError
from kitplan.write.tables import table_bytes

DAY = date(2026, 7, 1)


def write(folder, book):
    (folder / "book").mkdir(exist_ok=True)
    for table, frame in book_frames(book).items():
        (folder / "book" / f"{table}.csv").write_bytes(table_bytes(f"book_{table}", frame))
    (folder / "book" / "last.json").write_bytes(last_record(book))


@pytest.fixture
def book(tmp_path):
    lines = [
        Line("counts", DAY, "counted", "gauze", 200, 2, 30, date(2028, 1, 31), "00123", "2026-07-01"),
        Line("counts", DAY, "counted", "mask", 5, 0, 3, None, "=LOT", "2026-07-01"),
        Line("orders", DAY, "ordered", "gauze", 200, 3, number="1", price=4.8),
        Line("deliveries", date(2026, 7, 3), "received", "gauze", 200, 3, 0, None, "7E5", "1",
             trade_number="02000000010335"),
        Line("kits", date(2026, 7, 3), "built", "mask", 5, 0, 1, None, "=LOT", "A-1", "A"),
        Line("counts", date(2026, 7, 8), "asked", "gauze", 200, 30, 0, number="2026-07-08",
             note="30 packs where 3 were"),
    ]
    made = OrderBook().grown(lines, "AAAA-1111")
    write(tmp_path, made)
    return made


def rows(folder, table):
    return list(csv.reader(io.StringIO((folder / "book" / f"{table}.csv").read_text())))


def save(folder, table, lines, **kind):
    with open(folder / "book" / f"{table}.csv", "w", newline="") as file:
        csv.writer(file, **kind).writerows(lines)


def test_what_was_written_is_read_back(tmp_path, book):
    assert read_book(tmp_path) == book


def test_a_folder_without_a_book_has_an_empty_one(tmp_path):
    assert read_book(tmp_path) == OrderBook()


def test_growing_leaves_the_bytes_that_were_there(tmp_path, book):
    before = (tmp_path / "book" / "counts.csv").read_bytes()
    write(tmp_path, book.grown([Line("counts", date(2026, 7, 9), "counted", "mask", 5, 1, number="2026-07-09")], "B"))
    assert (tmp_path / "book" / "counts.csv").read_bytes().startswith(before)


def test_a_spreadsheet_may_save_it_with_semicolons_and_quotes(tmp_path, book):
    save(tmp_path, "counts", rows(tmp_path, "counts"), delimiter=";", quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    assert read_book(tmp_path).lines == book.lines


def test_lines_in_another_order_are_read_by_their_numbers_and_it_is_said(tmp_path, book):
    head, *body = rows(tmp_path, "counts")
    save(tmp_path, "counts", [head, *reversed(body)])
    found = read_book(tmp_path)
    assert found.lines == book.lines
    assert "another order" in found.warnings[0]


@pytest.mark.parametrize(("heading", "typed"), [("packs", "9"), ("lot", "123"), ("day", "2026-07-02"), ("note", "x"),
                                                ("item", "mask"), ("pack", "36"), ("expires", "2029-01-31")])
def test_a_line_changed_by_hand_is_refused_with_its_row(tmp_path, book, heading, typed):
    lines = rows(tmp_path, "counts")
    lines[1][lines[0].index(heading)] = typed
    save(tmp_path, "counts", lines)
    with pytest.raises(InputError, match=r"counts.csv, row 2: does not fit its check letters.*--mend"):
        read_book(tmp_path)


def test_it_can_be_kept_as_it_stands(tmp_path, book):
    lines = rows(tmp_path, "counts")
    lines[1][lines[0].index("packs")] = "9"
    save(tmp_path, "counts", lines)
    mended = read_book(tmp_path, mend=True)
    assert mended.lines[0].packs == 9
    write(tmp_path, mended)
    assert read_book(tmp_path) == mended


@pytest.mark.parametrize(("table", "gone", "told"), [("counts", 1, "no entry 1"), ("counts", 3, "no entry 6"),
                                                     ("orders", 1, "no entry 3"), ("kits", 1, "no entry 5")])
def test_a_line_that_is_gone_is_missed(tmp_path, book, table, gone, told):
    lines = rows(tmp_path, table)
    del lines[gone]
    save(tmp_path, table, lines)
    with pytest.raises(InputError, match=told):
        read_book(tmp_path)
    mended = read_book(tmp_path, mend=True)
    write(tmp_path, mended)
    assert read_book(tmp_path) == mended
    assert mended.last_entry == 6


def test_no_number_is_given_again_that_a_lost_line_may_have_held():
    """Orders 1 to 3 of a line each; order 1 was changed after order 2 was made."""
    def order(number, event="ordered"):
        return Line("orders", DAY, event, "gauze", 200, 1, number=str(number))

    def following(*lost):
        book = OrderBook().grown([order(1), order(2), order(1, "will_not_come"), order(3)], "AAAA-1111")
        left = tuple(x for x in book.lines if x.entry not in lost)
        book = OrderBook(left, tuple((entry, entry) for entry in lost))
        return book.next_number((int(x.number), x) for x in book.lines)

    assert following() == following(1) == following(2, 3) == 4
    assert following(4) == 4
    assert following(2, 4) == 4
    assert following(1, 2, 3, 4) == 5


def test_a_table_that_is_gone_is_missed(tmp_path, book):
    (tmp_path / "book" / "counts.csv").unlink()
    with pytest.raises(InputError, match="no entries 1 to 2"):
        read_book(tmp_path)


def test_a_file_cut_off_in_the_middle_of_a_line_is_refused(tmp_path, book):
    path = tmp_path / "book" / "counts.csv"
    path.write_bytes(path.read_bytes()[:-25])
    with pytest.raises(InputError, match=r"counts\.csv, row 4"):
        read_book(tmp_path)


def test_a_file_cut_off_inside_quotation_marks_is_refused(tmp_path, book):
    path = tmp_path / "book" / "counts.csv"
    path.write_bytes(path.read_bytes().replace(b"30 packs where 3 were", b'"30 packs, where') + b"")
    path.write_bytes(path.read_bytes()[:-8])
    with pytest.raises(InputError, match=r"counts\.csv"):
        read_book(tmp_path)


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02" * 50, b"a,b\n1,2\n", b'entry,day\n"1,2026'])
def test_a_file_that_is_no_table_is_refused(tmp_path, book, content):
    (tmp_path / "book" / "orders.csv").write_bytes(content)
    with pytest.raises(InputError, match=r"orders\.csv"):
        read_book(tmp_path)


@pytest.mark.parametrize("spoil", [lambda path: path.unlink(), lambda path: path.write_bytes(b"\n")])
def test_a_table_that_is_gone_or_empty_is_named_in_one_line_and_can_be_gone_on_without(spoil, tmp_path, book):
    lost = [line.entry for line in book.of("counts")]
    spoil(tmp_path / "book" / "counts.csv")
    with pytest.raises(InputError) as told:
        read_book(tmp_path)
    (problem,) = told.value.problems
    assert "counts.csv" in problem.fault
    assert str(lost[0]) in problem.fault
    assert "from a copy of the folder" in problem.mend
    assert len(read_book(tmp_path, mend=True).lines) == len(book.lines) - len(lost)


def test_a_line_copied_in_the_file_is_refused(tmp_path, book):
    lines = rows(tmp_path, "counts")
    save(tmp_path, "counts", [*lines, lines[1]])
    with pytest.raises(InputError, match="stands twice"):
        read_book(tmp_path)


def test_without_its_record_the_book_is_read_by_its_lines(tmp_path, book):
    (tmp_path / "book" / "last.json").unlink()
    assert read_book(tmp_path).lines == book.lines
    assert json.loads(last_record(book)) == {"last_entry": 6, "gaps": []}


@pytest.mark.parametrize("content", [
    '{"last_entry": 1e999, "gaps": []}', '{"last_entry": 6, "gaps": [[1e999, 2]]}', "[" * 100_000, "[]",
    '{"last_entry": []}',
])
def test_a_record_of_the_last_entry_that_cannot_be_read_is_made_up_from_the_lines(content, tmp_path, book):
    (tmp_path / "book" / "last.json").write_text(content)
    assert read_book(tmp_path).lines == book.lines


@pytest.mark.parametrize("content", ['{"last_entry": 999999999999999, "gaps": []}'])
def test_a_last_entry_beyond_any_book_is_told_in_one_line_and_at_once(content, tmp_path, book):
    (tmp_path / "book" / "last.json").write_text(content)
    with pytest.raises(InputError, match="has no entries 7 to 999999999999999"):
        read_book(tmp_path)


@pytest.mark.parametrize("content", [
    '{"log_mean": 0, "log_sd": 0.2, "days": 1e999}', "[" * 100_000, "[]", '{"log_mean": {}}',
])
def test_what_counts_taught_is_left_aside_where_it_cannot_be_read(content, tmp_path):
    (tmp_path / "book").mkdir()
    (tmp_path / "book" / "learnt_rate.json").write_text(content)
    assert read_use_rate(tmp_path) is None
