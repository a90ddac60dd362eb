"""The sanitiser: any bytes are read or refused in one line, and no row of numbers is lost, padded or changed without a word."""

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from replay.errors import LogReadError
from replay.flightlog.text import parse_text

_SETTINGS = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


def mentioned(table) -> set[int]:
    """Every line number an issue names."""
    return {row for issue in table.issues for row in issue.rows}


def text_of(rows, header="t,ax,ay,az", delimiter=","):
    return "\n".join([header, *(delimiter.join(f"{value:.3f}" for value in row) for row in rows)]) + "\n"


def some_rows(n=30):
    t = np.arange(n) * 0.01
    return np.column_stack((t, np.sin(t), np.cos(t), 9.8 + 0 * t))


PLAIN = text_of(some_rows())


@given(st.binary(max_size=400))
@example(b"")
@example(b"\0" * 50)
@example(b"\xff\xfe")
@example(b"1,2")
@example(b"1,2\n")
@example(b'"')
@example(b'1,"\n2,3\n')
@example(b"\r\r\r")
@example(b"a,b\n1,2\na,b\n")
@_SETTINGS
def test_any_bytes_are_read_or_refused_in_one_line(raw):
    """No input crashes the reader: it gives a table of equal columns, or an error that says what was expected."""
    message = ""
    try:
        table = parse_text(raw, "x.csv")
    except LogReadError as error:
        message = str(error)
    if message:
        assert "\n" not in message
        return
    assert len({len(column) for column in table.columns} | {len(table.rows)}) == 1
    assert len(set(table.headers)) == len(table.headers)
    assert np.all(np.diff(table.rows) > 0)


_CELL = st.one_of(
    st.integers(-9999, 9999).map(str),
    st.floats(-1e4, 1e4).map(lambda v: f"{v:.3f}"),
    st.sampled_from(["", "nan", "ovf", "S", "#", "1e3", '"2"', "//"]),
)
_LINE = st.one_of(
    st.lists(_CELL, min_size=1, max_size=6).map(",".join),
    st.sampled_from(["", "# comment", "t,ax,ay,az", "1,2,3,4\0\0", "1,2,3,4,5,6", "word"]),
)


@given(st.lists(_LINE, max_size=25), st.booleans())
@_SETTINGS
def test_no_row_of_numbers_is_lost_without_a_word(lines, has_end):
    """Each line between good rows that holds a number is a row of the table, a named issue, or a comment."""
    good = [f"{0.01 * i:.3f},{i}.125,2.250,9.810" for i in range(30)]
    everything = ["t,ax,ay,az", *good, *lines, *[f"{1 + 0.01 * i:.3f},{i}.125,2.250,9.810" for i in range(30)]]
    raw = ("\n".join(everything) + ("\n" if has_end else "")).encode()
    table = parse_text(raw, "x.csv")
    accounted = set(table.rows.tolist()) | mentioned(table)
    for number, line in enumerate(everything, start=1):
        has_number = any(cell.strip('"').replace(".", "").replace("-", "").isdigit() for cell in line.split(","))
        if has_number:
            assert number in accounted, (number, line)


@given(st.lists(st.tuples(*[st.floats(-1e6, 1e6, width=32)] * 4), min_size=3, max_size=40), st.sampled_from([",", ";", "\t", " ", "|"]))
@_SETTINGS
def test_numbers_come_back_as_written(rows, delimiter):
    """Whatever the delimiter, what was written is what is read."""
    text = "t ax ay az".replace(" ", delimiter) + "\n" + "".join(delimiter.join(f"{v:.4f}" for v in row) + "\n" for row in rows)
    table = parse_text(text.encode(), "x.csv")
    assert table.headers == ("t", "ax", "ay", "az")
    assert_allclose(np.column_stack(table.columns), np.round(np.array(rows, dtype=float), 4), atol=1.0001e-4, rtol=1e-12)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiters(delimiter):
    """Comma, semicolon, tab and bar."""
    table = parse_text(PLAIN.replace(",", delimiter).encode(), "x.csv")
    assert table.headers == ("t", "ax", "ay", "az")
    assert_allclose(np.column_stack(table.columns), np.round(some_rows(), 3))
    assert table.issues == ()


def test_blanks_of_any_length_separate_columns():
    """A table lined up with blanks, with blanks in front."""
    lines = ["   t      ax      ay    az", *("".join(f"{v:10.3f}" for v in row) for row in some_rows())]
    table = parse_text("\n".join(lines).encode() + b"\n", "x.txt")
    assert table.headers == ("t", "ax", "ay", "az")
    assert_allclose(np.column_stack(table.columns), np.round(some_rows(), 3))


@pytest.mark.parametrize("delimiter", [";", "\t", " "])
def test_decimal_comma(delimiter):
    """`0,010;0,000` is two numbers, not three (the pandas default reads 200 whole numbers and says nothing)."""
    table = parse_text(PLAIN.replace(",", delimiter).replace(".", ",").encode(), "x.csv")
    assert table.headers == ("t", "ax", "ay", "az")
    assert_allclose(np.column_stack(table.columns), np.round(some_rows(), 3))


def test_decimal_comma_in_quotes_between_commas():
    """A spreadsheet's way to write decimal commas in a comma-separated file."""
    text = "t,ax\n" + "".join(f'"0,{i:02d}","1,{i:02d}"\n' for i in range(30))
    table = parse_text(text.encode(), "x.csv")
    assert_allclose(table.column("t"), np.arange(30) / 100)
    assert_allclose(table.column("ax"), 1 + np.arange(30) / 100)


@pytest.mark.parametrize(
    ("encoding", "label"), [("utf-8", None), ("utf-8-sig", None), ("utf-16", "UTF-16"), ("utf-16-le", "UTF-16"), ("utf-16-be", "UTF-16"),
                            ("latin-1", "Latin-1"), ("utf-32", "UTF-32")],
)  # fmt: skip
def test_encodings(encoding, label):
    """UTF-8 with and without a mark, UTF-16 either way round with and without one, Latin-1: headers and numbers come through."""
    text = PLAIN.replace("t,ax,ay,az", "t [µs],temp [°C],ay [m/s²],az")
    table = parse_text(text.encode(encoding), "x.csv")
    assert table.headers == ("t [µs]", "temp [°C]", "ay [m/s²]", "az")
    assert_allclose(np.column_stack(table.columns), np.round(some_rows(), 3))
    assert [issue.text for issue in table.issues] == ([f"read as {label}"] if label else [])


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end):
    """Unix, DOS and old Mac line ends; row numbers are the editor's."""
    table = parse_text(PLAIN.replace("\n", end).encode(), "x.csv")
    assert_array_equal(table.rows, np.arange(2, 32))


def test_preamble_header_and_comment_lines():
    """Lines above the table are kept apart; a commented header is still the header; comments in the middle are reported."""
    lines = PLAIN.splitlines()
    text = "\n".join(["Logger 7", "Sample rate: 100 Hz", "", "# " + lines[0], *lines[1:11], "# battery low", *lines[11:]]) + "\n"
    table = parse_text(text.encode(), "x.csv")
    assert table.headers == ("t", "ax", "ay", "az")
    assert table.preamble == ("Logger 7", "Sample rate: 100 Hz")
    (issue,) = table.issues
    assert issue.severity == "note"
    assert issue.rows == (15,)
    assert len(table.rows) == 30


def test_quoted_headers_with_the_delimiter_inside():
    """`"Acc X, g"` is one header."""
    table = parse_text(PLAIN.replace("t,ax,ay,az", '"Time, s","Acc X, g","Acc Y, g","Acc Z, g"').encode(), "x.csv")
    assert table.headers == ("Time, s", "Acc X, g", "Acc Y, g", "Acc Z, g")
    assert len(table.rows) == 30


def test_a_unit_row_under_the_header():
    """The second header line holds units and is no data."""
    table = parse_text(PLAIN.replace("az\n", "az\ns,m/s²,m/s²,m/s²\n", 1).encode(), "x.csv")
    assert table.headers == ("t", "ax", "ay", "az")
    assert table.units == ("s", "m/s²", "m/s²", "m/s²")
    assert len(table.rows) == 30


def test_without_a_header_columns_are_numbered():
    """All rows of numbers are data."""
    table = parse_text("\n".join(PLAIN.splitlines()[1:]).encode() + b"\n", "x.csv")
    assert table.headers == ("column 1", "column 2", "column 3", "column 4")
    assert not table.has_header
    assert len(table.rows) == 30


def damaged(line_number, replacement):
    """The plain file with one line (1-based) replaced."""
    lines = PLAIN.splitlines()
    lines[line_number - 1] = replacement
    return "\n".join(lines).encode() + b"\n"


@pytest.mark.parametrize(
    ("replacement", "words"),
    [
        ("0.080,0.1", "fewer than the 4 fields"),
        ("0.080,0.1,0.2,9.8,0.090,0.1,0.2,9.8", "more than the 4 fields"),
        ("0.080,0.1,0.2\0\0\0\0,9.8", "NUL bytes"),
        ("t,ax,ay,az", "header repeated 1 time"),
        ("garbage", "without the table's delimiter"),
        ("x,y,z,w", "words without a number"),
    ],
)
def test_each_kind_of_damage_is_dropped_and_named(replacement, words):
    """One bad line costs one row, and the issue names the line."""
    table = parse_text(damaged(10, replacement), "x.csv")
    (issue,) = [issue for issue in table.issues if words in issue.text]
    assert issue.severity == "warning"
    assert issue.rows == (10,)
    assert len(table.rows) == 29
    assert 10 not in table.rows
    assert all(column.dtype.kind == "f" for column in table.columns)


@pytest.mark.parametrize("cell", ["ovf", "---", "E#12", "inf"])
def test_a_cell_that_is_no_number_is_blank_and_named(cell):
    """The row stays, the cell is NaN, the issue names line and column."""
    table = parse_text(damaged(10, f"0.080,{cell},0.997,9.800"), "x.csv")
    (issue,) = table.issues
    assert issue.column == "ax"
    assert issue.rows == (10,)
    assert np.isnan(table.column("ax")[8])
    assert len(table.rows) == 30


def test_a_repeated_header_marks_the_restart():
    """The row after it is where the logger started again."""
    lines = PLAIN.splitlines()
    table = parse_text("\n".join([*lines[:11], lines[0], *lines[11:]]).encode() + b"\n", "x.csv")
    assert table.i_restart == (10,)
    assert len(table.rows) == 30


@pytest.mark.parametrize("tail", ["0.300,0.296,0.9", "0.300,0.2", "0.300,0.296,0.956,9.8", "0.300,0.296,0.956,"])
def test_a_torn_last_line_is_dropped(tail):
    """Cut in the middle of a row, or in the middle of its last number."""
    table = parse_text((PLAIN + tail).encode(), "x.csv")
    assert len(table.rows) == 30
    assert mentioned(table) == {32}


def test_a_whole_last_line_without_its_end_is_kept():
    """Many writers leave the last line end out; that is no damage."""
    table = parse_text(PLAIN.rstrip("\n").encode(), "x.csv")
    assert len(table.rows) == 30
    assert table.issues == ()


def test_a_tail_of_nul_bytes():
    """A file laid out in advance and never filled: the bytes are counted, the torn row before them goes."""
    table = parse_text(PLAIN.encode() + b"0.300,0.2" + b"\0" * 4096, "x.csv")
    assert len(table.rows) == 30
    assert any("4096 NUL bytes" in issue.text for issue in table.issues)
    assert any("torn" in issue.text for issue in table.issues)


def test_a_block_of_nul_bytes_in_the_middle():
    """A sector lost in a power cut takes the lines it touches and no more."""
    lines = PLAIN.splitlines()
    text = "\n".join(lines[:12]) + "\n" + lines[12][:9] + "\0" * 512 + lines[15][6:] + "\n" + "\n".join(lines[16:]) + "\n"
    table = parse_text(text.encode(), "x.csv")
    assert [issue.rows for issue in table.issues] == [(13,)]
    assert len(table.rows) == 30 - 4


def test_rows_cut_short_by_habit_are_padded_and_named():
    """A logger that leaves blank cells at the end of a row out: nothing is lost, and every padded row is named."""
    rows = [f"{0.01 * i:.2f},{i},2,3" + (f",{101325 + i}" if i % 5 == 0 else "") for i in range(50)]
    table = parse_text(("t,ax,ay,az,p\n" + "\n".join(rows) + "\n").encode(), "x.csv")
    assert len(table.rows) == 50
    assert_array_equal(np.isfinite(table.column("p")), np.arange(50) % 5 == 0)
    (issue,) = table.issues
    assert issue.severity == "note"
    assert len(issue.rows) == 40


def test_a_delimiter_at_every_line_end():
    """A trailing delimiter makes no column and no issue, whether or not the header has it too."""
    for header in ("t,ax,ay,az", "t,ax,ay,az,"):
        text = PLAIN.replace("\n", ",\n").replace("t,ax,ay,az,", header, 1)
        table = parse_text(text.encode(), "x.csv")
        assert table.headers == ("t", "ax", "ay", "az")
        assert len(table.rows) == 30
        assert table.issues == ()


def test_surplus_blank_cells_on_one_row_cost_nothing():
    """A row with empty cells too many is read; one with values too many is not."""
    table = parse_text(damaged(10, "0.080,0.080,0.997,9.800,,"), "x.csv")
    assert len(table.rows) == 30
    assert_allclose(np.column_stack(table.columns), np.round(some_rows(), 3))


def test_mixed_delimiters_are_damage():
    """A row written with another delimiter is dropped by name, not merged into a word."""
    table = parse_text(damaged(10, "0.080;0.080;0.997;9.800"), "x.csv")
    assert mentioned(table) == {10}
    assert len(table.rows) == 29


def test_an_unbalanced_quote_costs_its_row_at_most():
    """The rest of the file is not swallowed by a quote that never closes."""
    table = parse_text(damaged(10, '0.080,"0.080,0.997,9.800'), "x.csv")
    assert len(table.rows) >= 29
    assert set(range(2, 32)) - set(table.rows.tolist()) <= mentioned(table)


def test_blank_lines_are_no_rows_and_no_damage():
    """Skipped; row numbers still count them."""
    lines = PLAIN.splitlines()
    table = parse_text("\n".join([lines[0], "", *lines[1:11], "  ", "", *lines[11:]]).encode() + b"\n", "x.csv")
    assert_array_equal(table.rows, [*range(3, 13), *range(15, 35)])
    assert table.issues == ()


def test_headers_that_stand_twice_are_told_apart():
    """The second is renamed, and said so."""
    table = parse_text(PLAIN.replace("t,ax,ay,az", "t,acc,acc,acc").encode(), "x.csv")
    assert table.headers == ("t", "acc", "acc (2)", "acc (3)")
    assert len(table.issues) == 2


def test_whole_numbers_stay_whole():
    """Nanoseconds since 1970 do not pass through a float."""
    stamps = 1775328038453262073 + np.arange(20) * 10_000_019
    text = "stamp,ax\n" + "".join(f"{s},1.5\n" for s in stamps)
    table = parse_text(text.encode(), "x.csv")
    assert table.column("stamp").dtype == np.int64
    assert_array_equal(table.column("stamp"), stamps)


def test_columns_of_words_stay_words():
    """A flight state is kept as written."""
    text = "t,ax,state\n" + "".join(f"{0.01 * i:.2f},1.5,{'PAD' if i < 10 else 'BOOST'}\n" for i in range(30))
    table = parse_text(text.encode(), "x.csv")
    assert table.column("state").tolist() == ["PAD"] * 10 + ["BOOST"] * 20


@pytest.mark.parametrize(
    ("raw", "got"),
    [(b"", "an empty file"), (b"\0\0\0\0", "an empty file"), (b"hello\nworld\n", "no row of two or more numbers"),
     (b"t,ax,ay\n", "no row of two or more numbers"), (b"/rate, 50\n/name, 3\n/port, 8101\n", "fewer than two columns of numbers")],
)  # fmt: skip
def test_what_is_no_table_is_refused_in_one_line(raw, got):
    """Empty, words only, a header only, a list of settings."""
    with pytest.raises(LogReadError) as caught:
        parse_text(raw, "x.csv")
    assert caught.value.got == got


def test_a_long_read_tells_how_far_it_is_and_can_be_stopped(monkeypatch):
    """Progress grows from 0 to 1; a cancel is heeded within a piece."""
    from replay.errors import Cancelled
    from replay.flightlog import sanitise

    monkeypatch.setattr(sanitise, "_PIECE", 200)
    told = []
    table = parse_text(PLAIN.encode(), "x.csv", lambda fraction, text: told.append(fraction))
    assert len(table.rows) == 30
    assert len(told) > 4
    assert told == sorted(told)
    assert told[0] >= 0.0
    assert told[-1] <= 1.0
    asked = iter([False, False, True])
    with pytest.raises(Cancelled):
        parse_text(PLAIN.encode(), "x.csv", cancel=lambda: next(asked))


def test_pieces_change_nothing(monkeypatch):
    """Read in pieces of a few lines, damage and all, the table is the same."""
    from replay.flightlog import sanitise

    raw = damaged(10, "0.080,ovf,0.997,9.800").replace(b"0.120,", b"# stop\n0.120,")
    whole = parse_text(raw, "x.csv")
    monkeypatch.setattr(sanitise, "_PIECE", 100)
    pieces = parse_text(raw, "x.csv")
    assert whole.issues == pieces.issues
    assert_array_equal(whole.rows, pieces.rows)
    for a, b in zip(whole.columns, pieces.columns, strict=True):
        assert_array_equal(a, b)


@given(st.text(alphabet=' \t\v\f",;\x1c\x85\xa0é\n0123456789.-', max_size=200))
@example('1 2\n3 4\n5 "6\t7"\n8 9\n')
@example("1 2\n3 4\n5\f6 7\n8 9\n")
@_SETTINGS
def test_blanks_and_quotes_of_every_kind_never_crash_the_reader(text):
    """What counts the cells and what reads them agree on what a blank is."""
    try:
        table = parse_text(text.encode(), "x.txt")
    except LogReadError:
        return
    assert len({len(column) for column in table.columns} | {len(table.rows)}) == 1


def test_a_binary_file_is_refused_in_one_line():
    """A photograph, an archive or a logger's binary dump is no text log, even where some of its bytes look like numbers."""
    noise = np.random.default_rng(3).integers(0, 256, 20_000, dtype=np.uint8).tobytes()
    with pytest.raises(LogReadError, match=r"expected a text log .* got a binary file"):
        parse_text(b"1 2\n3 4\n5 6\n" + noise, "x.csv")


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf_16_without_a_mark_whose_first_line_is_not_latin(encoding):
    """Greek or Cyrillic letters have no zero byte; the numbers after them tell."""
    table = parse_text(("# Ω и Ѐ\n" + PLAIN).encode(encoding), "x.csv")
    assert table.headers == ("t", "ax", "ay", "az")
    assert len(table.rows) == 30


@pytest.mark.parametrize(
    ("cells", "last", "is_kept"),
    [
        (["landed"] * 29, "lan", False), (["landed"] * 29, "", False), (["pad", "boost"] * 14 + ["pad"], "boost", True),
        (["land"] * 20 + ["landed"] * 9, "land", True), (["98358"] * 29, "983", False), (["98358"] * 29, "98357", True),
        (["", "98358"] * 14 + [""], "983", False), (["9", "10", "11"] * 9 + ["12", "13"], "8", True),
    ],
)  # fmt: skip
def test_a_last_cell_cut_short_is_torn(cells, last, is_kept):
    """The front of a word, too few digits or nothing at all, where no line end says the row was whole."""
    rows = [f"{0.01 * i:.2f},{i},{cell}" for i, cell in enumerate([*cells, last])]
    table = parse_text(("t,n,c\n" + "\n".join(rows)).encode(), "x.csv")
    assert len(table.rows) == 30 - (not is_kept)
    assert any("torn" in issue.text for issue in table.issues) != is_kept


def test_a_header_repeated_with_other_blanks_marks_the_restart():
    """The same names with a blank after each comma, or in quotes: the logger started again there all the same."""
    head, rows = "time_s,ax,ay", [f"{i}.5,1.0,2.0" for i in range(40)]
    for again in ("time_s, ax, ay", '"time_s","ax","ay"'):
        table = parse_text("\n".join([head, *rows[:20], again, *rows[20:]]).encode() + b"\n", "log.csv")
        assert table.i_restart == (20,)
        assert [(issue.text, issue.rows) for issue in table.issues] == [
            ("header repeated 1 time among the data: the logger started again there", (22,))
        ]


def test_short_rows_with_words_where_numbers_belong_have_lost_a_field():
    """Forty rows lack a field in the middle, so their word stands under a number: dropped, not padded."""
    rows = [f"{i}.5,1.0,2.0,3.0,pad" for i in range(400)]
    rows[100:140] = [f"{i}.5,1.0,2.0,pad" for i in range(100, 140)]
    table = parse_text("\n".join(["t,ax,ay,az,state", *rows]).encode() + b"\n", "log.csv")
    assert len(table.rows) == 360
    issue = next(issue for issue in table.issues if "a field is missing in the middle" in issue.text)
    assert issue.rows == tuple(range(102, 142))


def test_an_odd_cell_beside_a_column_left_out_is_named_by_its_own_column():
    """A nameless blank column in front is left out; the words are under az all the same."""
    rows = [f",{i}.5,1.0,{'ERR' if i == 7 else 2.0}" for i in range(40)]
    table = parse_text("\n".join([",t,ax,az", *rows]).encode() + b"\n", "log.csv")
    assert table.headers == ("t", "ax", "az")
    assert [(issue.column, issue.rows) for issue in table.issues] == [("az", (9,))]
