from __future__ import annotations

import pytest

from logan.cli import rendering

TABLES = [
    (("a", "long heading", "c"), [("x", 1, None), ("yyyyyy", "2 ± 3", "°")], (0, 2)),
    (("n",), [("1",), ("22",)], ()),
    (("n", "v"), [], (0,)),
    (("name", "value"), [("motor", 1234.5), ("日本", "wide"), ("e\u0301", "combining")], (0,)),
    (("name", "what it says"), [("a", "word " * 40)], (0, 1)),
]


@pytest.mark.parametrize(("headings", "rows", "left"), TABLES)
def test_the_quick_table_is_the_one_that_rich_draws(capsys, monkeypatch, headings, rows, left):
    rendering.print_table(headings, rows, left=left)
    quick = capsys.readouterr().out
    monkeypatch.setattr(rendering, "_narrow_table", lambda *arguments: None)
    rendering.print_table(headings, rows, left=left)
    drawn = capsys.readouterr().out
    assert [line.rstrip() for line in quick.splitlines()] == [line.rstrip() for line in drawn.splitlines()]


def test_paragraphs_are_wrapped_between_words_and_an_empty_one_is_a_blank_line(capsys):
    rendering.print_lines("one two " * 15, "", "a-hyphen-stays-whole " * 6)
    lines = capsys.readouterr().out.splitlines()
    assert all(len(line) <= 80 for line in lines)
    assert "" in lines
    assert " ".join(lines).split() == ["one", "two"] * 15 + ["a-hyphen-stays-whole"] * 6


def test_a_strangers_text_moves_no_cursor(capsys):
    rendering.print_lines("evil\x1b[2J\rtext")
    rendering.print_table(("name",), [("evil\x1b[2J",)])
    shown = capsys.readouterr().out
    assert "\x1b" not in shown
    assert "\r" not in shown
