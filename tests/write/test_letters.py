"""Prints in any script: shaped and drawn from a font of the letters, searchable, the same bytes, no question mark."""

from __future__ import annotations

import io
import shutil
import subprocess

import pytest
from click.testing import CliRunner
from reportlab.pdfgen.canvas import Canvas

from kitplan.cli import main
from kitplan.resources import config_file, sample_units
from kitplan.write import letters
from kitplan.write.letters import draw_text, is_standard, lines_of, unprintable, width_of

SCRIPTS = {
    "Polish": "jałowa żółć", "Greek": "αποστειρωμένη", "Cyrillic": "стерильный бинт", "Vietnamese": "băng vô trùng",
    "Arabic": "محلول ملحي معقم", "Hebrew": "תמיסת מלח", "Hindi": "नमकीन पट्टी", "Bengali": "স্যালাইন",
    "Tamil": "உப்பு நீர்", "Telugu": "సెలైన్", "Thai": "น้ำเกลือ", "Lao": "ນ້ຳເກືອ", "Khmer": "ទឹកអំបិល",
    "Burmese": "ဆားရည်", "Amharic": "ስቴሪል", "Chinese": "无菌生理盐水", "Japanese": "滅菌ガーゼ", "Korean": "무균 거즈",
}


def page(*texts: str) -> bytes:
    out = io.BytesIO()
    canvas = Canvas(out, invariant=1, pageCompression=0)
    for k, text in enumerate(texts):
        draw_text(canvas, 50, 700 - 30 * k, text, 14, bold=k % 2 == 1)
    canvas.save()
    return out.getvalue()


@pytest.mark.parametrize("text", SCRIPTS.values(), ids=SCRIPTS)
def test_every_letter_of_a_script_has_a_font_and_an_outline(text):
    assert not is_standard(text)
    assert unprintable([text]) == ""
    runs = letters._runs(text, False)
    assert all(run.font is not None for run in runs)
    assert all(glyph != 0 for run in runs for glyph, _, _ in run.glyphs), "glyph 0 is the sign of a missing letter"
    assert width_of(text, 10) > 10


def test_letters_of_western_europe_are_in_the_font_that_every_reader_has():
    assert is_standard("Größe 3,5 mm, côté gauche, niño, £5 – “ok” €")
    assert b"/Helvetica" in page("Größe")


def test_text_that_follows_other_letters_is_visible_and_of_its_own_width():
    drawn = page("стерильный", "plain")
    before = drawn[:drawn.index(b"(plain)")]
    assert before.count(b"3 Tr") == 1
    assert before.count(b"\nq") + before.count(b" q ") == before.count(b"\nQ") + before.count(b" Q ")


def test_the_same_text_gives_the_same_bytes():
    assert page(*SCRIPTS.values()) == page(*SCRIPTS.values())


def test_arabic_letters_are_joined_and_run_from_right_to_left():
    """Isolated letters are wider than joined ones; the first letter of the word is the rightmost glyph."""
    word = "محلول"
    (run,) = letters._runs(word, False)
    assert run.width < sum(width_of(c, 1) for c in word)
    first = letters._runs(word[0] + "\u0640", False)[0].glyphs[-1][0]
    assert first == run.glyphs[-1][0]


def test_numbers_and_brackets_in_right_to_left_text_stand_as_the_unicode_algorithm_says():
    """Rules N0 (paired brackets), W2 and L2, L4 of Unicode Standard Annex 9, worked by hand."""
    assert "".join(words if not left else words[::-1] for words, left in
                   letters._in_order_of_the_eye("אב (10 גד)")) == "(דג 10) בא"
    assert [left for _, left in letters._in_order_of_the_eye("abc")] == [False]


def test_a_number_after_a_name_from_right_to_left_stays_beside_it_in_a_sentence_from_left_to_right():
    """The names turn within themselves and nothing else moves (isolates of that annex). One that begins turns all."""
    assert "".join(words if not left else words[::-1] for words, left in letters._in_order_of_the_eye(
        "Most: אב גד -212; הו, 8 זח 8x9 -186; Bag -133.")) == "Most: דג בא -212; חז 8 ,וה 8x9 -186; Bag -133."
    assert "".join(words if not left else words[::-1] for words, left in
                   letters._in_order_of_the_eye("אב: Bag 3")) == "Bag 3 :בא"


def test_devanagari_is_reordered():
    """The vowel sign i stands before its consonant on paper, after it in the text (Unicode Standard, chapter 12.1)."""
    (run,) = letters._runs("कि", False)
    (ka,) = letters._runs("क", False)
    assert run.glyphs[-1][0] == ka.glyphs[0][0]
    assert len(run.glyphs) == 2


def test_han_letters_follow_the_language_that_the_text_shows():
    fonts = {text: letters._runs(text, False)[0].font.name for text in ("直", "直すガーゼ", "직選")}
    assert fonts["直"].startswith("NotoSansSC")
    assert fonts["直すガーゼ"].startswith("NotoSansJP")
    assert fonts["직選"].startswith("NotoSansKR")


def test_bold_is_bold():
    assert width_of("стерильный", 10, bold=True) > width_of("стерильный", 10)


def test_long_text_is_broken_at_spaces_and_in_east_asia_between_letters():
    assert lines_of("стерильный бинт малый", 10, width_of("стерильный бинт", 10) + 1) == ["стерильный бинт", "малый"]
    text = "无菌生理盐水" * 3
    lines = lines_of(text, 10, 60)
    assert "".join(lines) == text
    assert all(width_of(line, 10) <= 60 for line in lines)


def test_a_letter_that_no_font_has_is_an_empty_box_and_no_question_mark(monkeypatch):
    monkeypatch.setattr(letters, "_first_font", lambda letter, east_asia: None)
    letters._runs.cache_clear()
    try:
        (run,) = letters._runs("ᚠᚢ", False)
        assert run.font is None
        assert len(run.glyphs) == 2
        assert unprintable(["ᚠᚢ plain"]) == "ᚠᚢ"
        assert b" re" in page("ᚠ")
    finally:
        letters._runs.cache_clear()


def polyglot_unit(folder, words):
    """The smallest sample whose items are described in one script, with its own route and recipe titles untouched."""
    shutil.copytree(sample_units()["mill_lane"], folder)
    head, *rows = config_file("items.csv").read_text(encoding="utf-8").strip().split("\n")
    at = head.split(",").index("description")
    import csv

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head.split(","))
    for cells in csv.reader(rows):
        cells[at] = f"{words} {cells[0]}"
        writer.writerow(cells)
    (folder / "items.csv").write_text(out.getvalue(), encoding="utf-8")
    return folder


@pytest.mark.parametrize("script", ["Polish", "Arabic", "Chinese"])
def test_prints_of_a_unit_in_its_own_letters(script, tmp_path):
    words = SCRIPTS[script]
    unit = polyglot_unit(tmp_path / "unit", words)
    result = CliRunner().invoke(main, ["labels", str(unit), "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    assert "no font" not in result.output
    prints = sorted((tmp_path / "out").rglob("*.pdf"))
    assert prints
    if shutil.which("pdftotext") and script != "Arabic":
        text = "".join(subprocess.run(["pdftotext", str(p), "-"], capture_output=True, text=True, check=True).stdout
                       for p in prints)
        assert words.split()[0] in text
        assert "?" not in text


def test_letters_without_a_font_are_told_of_before_printing(tmp_path, monkeypatch):
    monkeypatch.setattr(letters, "_packaged_fonts", tuple)
    letters._first_font.cache_clear()
    try:
        unit = polyglot_unit(tmp_path / "unit", "无菌")
        result = CliRunner().invoke(main, ["check", str(unit)])
        assert result.exit_code == 0, result.output
        assert "item saline_5ml" in result.output
        assert "'无菌'" in result.output
        assert "kitplan[letters]" in result.output
    finally:
        letters._first_font.cache_clear()
        letters._runs.cache_clear()
