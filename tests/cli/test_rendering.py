from __future__ import annotations

import pytest

from logan.cli import rendering


@pytest.mark.parametrize(
    ("headings", "rows", "left", "text"),
    [
        (
            ("a", "long heading", "c"), [("x", 1, None), ("yyyyyy", "2 ± 3", "°")], (0, 2),
            "a       long heading  c\nx                  1\nyyyyyy         2 ± 3  °\n",
        ),
        (("n",), [("1",), ("22",)], (), " n\n 1\n22\n"),
        (("n", "v"), [], (0,), "n  v\n"),
        (("name", "v"), [("日本", "1"), ("e\u0301", "2")], (0,), "name  v\n日本  1\ne\u0301     2\n"),
    ],
)  # fmt: skip
def test_a_table_stands_in_columns_without_blanks_at_the_end(capsys, headings, rows, left, text):
    rendering.print_table(headings, rows, left=left)
    assert capsys.readouterr().out == text


def test_what_is_too_wide_folds_in_the_columns_of_words_alone(capsys):
    rendering.print_table(("name", "n", "words"), [("a" * 12, "1,234", "word " * 40)], left=(0, 2))
    lines = capsys.readouterr().out.splitlines()
    assert all(len(line) <= 80 for line in lines)
    assert sum(line.count("word ") + line.endswith("word") for line in lines[1:]) == 40
    assert [line for line in lines if "1,234" in line] == lines[1:2]


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
