"""Files as rows of cells: which sign splits, which row has the heads, where a row stands, and how much is taken."""

import csv
import zipfile

import pytest

from buswright.errors import DatabaseError
from buswright.messages.sheet import grid, xlsx
from buswright.messages.sheet.grid import grid_bytes, is_table, read_grid
from buswright.messages.sheet.words import head_of, heads_of, squeezed

HEADS = ["id", "signal", "start bit"]
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def written(tmp_path, content, name="t.csv"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def cells_of(found):
    """Each row as (number, cells by the column's name)."""
    names = {place: head.column.name for place, head in found.heads.items()}
    return [
        (row.number, {names[place]: text for place, text in row.cells.items() if place in names}) for row in found.rows
    ]


@pytest.mark.parametrize("sign", [",", ";", "\t", "|"])
def test_the_sign_that_splits_most_splits(sign, tmp_path):
    text = f"id{sign}signal{sign}start bit\n0x100{sign}a{sign}8\n"
    assert cells_of(read_grid(written(tmp_path, text))) == [(2, {"id": "0x100", "signal": "a", "start bit": "8"})]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_unit_is_read_in_every_encoding(encoding, tmp_path):
    path = written(tmp_path, "id,signal,unit\n0x100,a,°C\n".encode(encoding))
    assert cells_of(read_grid(path)) == [(2, {"id": "0x100", "signal": "a", "unit": "°C"})]


def test_rows_keep_their_numbers_past_titles_empty_rows_and_cells_of_two_lines(tmp_path):
    text = 'A title\n\n id , signal ,start bit,,paint\n0x100,a,0\n,,\n0x101,"b\nc",8,lost,red\n0x102,d,16\n'
    found = read_grid(written(tmp_path, text))
    assert [row.number for row in found.rows] == [4, 6, 8]
    assert found.rows[0].cells == {"0": "0x100", "1": "a", "2": "0"}
    assert found.rows[1].cells["1"] == "b\nc"
    assert found.unknown == ("paint",)
    assert [head.text for head in found.heads.values()] == [" id ", " signal ", "start bit"]


def test_heads_are_looked_for_in_the_first_sixty_rows(tmp_path):
    heads = "id,signal,start bit\n0x100,a,0\n"
    assert [row.number for row in read_grid(written(tmp_path, "note\n" * 59 + heads)).rows] == [61]
    with pytest.raises(DatabaseError, match="no row names the columns"):
        read_grid(written(tmp_path, "note\n" * 60 + heads))


def test_a_table_has_as_many_rows_as_are_taken_and_not_one_more(tmp_path, monkeypatch):
    monkeypatch.setattr(grid, "MOST_ROWS", 3)
    rows = "id,signal,start bit\n0x100,a,0\n0x101,b,0\n"
    assert len(read_grid(written(tmp_path, rows)).rows) == 2
    with pytest.raises(DatabaseError, match="more than 3 rows"):
        read_grid(written(tmp_path, f"{rows}0x102,c,0\n"))


def test_a_file_is_as_large_as_is_taken_and_not_a_byte_larger(tmp_path, monkeypatch):
    text = "id,signal,start bit\n0x100,a,0\n"
    monkeypatch.setattr(grid, "MOST_BYTES", len(text))
    assert len(read_grid(written(tmp_path, text)).rows) == 1
    with pytest.raises(DatabaseError, match="more than 0 MB"):
        read_grid(written(tmp_path, text + "\n"))


def test_a_cell_without_end_is_refused_with_its_line(tmp_path, monkeypatch):
    before = csv.field_size_limit()
    monkeypatch.setattr(grid, "_MOST_CELL", 20)
    try:
        with pytest.raises(DatabaseError, match=r"t\.csv:2: field larger than field limit"):
            read_grid(written(tmp_path, f"id,signal,start bit\n0x100,{'a' * 21},0\n"))
    finally:
        csv.field_size_limit(before)


def test_the_entries_of_a_toml_file_are_its_rows(tmp_path):
    text = """title = "front node"
[[signal]]
id = 0x1A0
signal = "a"
start_bit = 0
signed = true
values = { 0 = "off", 1 = "on" }
receivers = ["dash", "logger"]
empty = ""
[[more]]
id = 417
signal = "b"
signed = false
paint = "red"
"""
    found = read_grid(written(tmp_path, text, "t.toml"))
    assert cells_of(found) == [
        (
            1,
            {
                "id": "416",
                "signal": "a",
                "start bit": "0",
                "sign": "yes",
                "values": "0=off; 1=on",
                "receivers": "dash, logger",
            },
        ),
        (2, {"id": "417", "signal": "b", "sign": "no"}),
    ]
    assert found.unknown == ("empty", "paint")


def test_a_workbook_gives_its_first_sheet_with_a_table(tmp_path, monkeypatch):
    sheets = {
        "notes": [["made on a rainy day"]],
        "signals": [HEADS, ["0x100", "a", "0"]],
        "old": [HEADS, ["0x200", "b", "0"]],
    }
    path = tmp_path / "book.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        places = "".join(f'<sheet name="{name}" r:id="r{k}"/>' for k, name in enumerate(sheets))
        relation = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
        archive.writestr(
            "xl/workbook.xml", f'<workbook xmlns="{MAIN}" xmlns:r="{relation}"><sheets>{places}</sheets></workbook>'
        )
        # Targets are given from the workbook's folder, or from the root.
        targets = "".join(
            f'<Relationship Id="r{k}" Target="{"/xl/" if k else ""}sheets/{k}.xml"/>' for k in range(len(sheets))
        )
        archive.writestr("xl/_rels/workbook.xml.rels", f"<Relationships>{targets}</Relationships>")
        for k, rows in enumerate(sheets.values()):
            with zipfile.ZipFile(written(tmp_path, xlsx.workbook(rows[0], rows[1:]), "one.xlsx")) as one:
                archive.writestr(f"xl/sheets/{k}.xml", one.read("xl/worksheets/sheet1.xml"))
    found = read_grid(path)
    assert found.path == f"{path}[signals]"
    assert found.rows[0].cells == {"0": "0x100", "1": "a", "2": "0"}
    assert found.passed_over == ("notes", "old")
    monkeypatch.setattr(xlsx, "MOST_SHEETS", 2)
    assert list(xlsx.sheets(path.read_bytes(), "book.xlsx")) == ["notes", "signals"]


@pytest.mark.parametrize("name", ["t.csv", "t.tsv", "t.txt", "t.toml", "t.xlsx"])
def test_what_is_written_is_read_back(name, tmp_path):
    rows = [["0x100", 'a "quoted", two\nlines; | and\ttab', "8"], ["0x101", "", "\x7f°"]]
    path = written(tmp_path, grid_bytes(tmp_path / name, HEADS, rows), name)
    assert [cells for _, cells in cells_of(read_grid(path))] == [
        {head: text for head, text in zip(HEADS, row, strict=True) if text} for row in rows
    ]
    assert is_table(path)


def test_a_written_toml_file_is_what_a_person_would_write(tmp_path):
    rows = [["0x100", "oil °C", ""], ["0x101", 'a "b"\x7f', "8"]]
    assert grid_bytes(tmp_path / "t.toml", HEADS, rows).decode() == (
        '[[signal]]\nid = "0x100"\nsignal = "oil °C"\n\n'
        '[[signal]]\nid = "0x101"\nsignal = "a \\"b\\"\\u007f"\nstart_bit = "8"\n'
    )


def test_csv_has_commas_and_the_other_texts_tabulators(tmp_path):
    assert grid_bytes(tmp_path / "t.csv", ["id", "signal"], [["1", "a"]]) == b"id,signal\n1,a\n"
    assert grid_bytes(tmp_path / "t.TSV", ["id", "signal"], [["1", "a"]]) == b"id\tsignal\n1\ta\n"
    assert grid_bytes(tmp_path / "t.txt", ["id", "signal"], [["1", "a"]]) == b"id\tsignal\n1\ta\n"
    assert not is_table(tmp_path / "t.pdf")
    with pytest.raises(DatabaseError, match=r"tables are \.csv"):
        grid_bytes(tmp_path / "t.pdf", ["id"], [])


@pytest.mark.parametrize("column", [0, 25, 26, 51, 52, 701, 702, 511])
def test_columns_of_a_workbook_are_lettered(column):
    """A, Z, AA, AZ, BA, ZZ, AAA: twenty-six letters without a nought."""
    letters = {0: "A", 25: "Z", 26: "AA", 51: "AZ", 52: "BA", 511: "SR", 701: "ZZ", 702: "AAA"}[column]
    assert xlsx._letters(column) == letters
    assert xlsx._column(letters) == column


def sheet_with(tmp_path, content):
    """The rows of a workbook with this sheet."""
    whole = written(tmp_path, xlsx.workbook(HEADS, []), "whole.xlsx")
    path = tmp_path / "t.xlsx"
    with zipfile.ZipFile(whole) as old, zipfile.ZipFile(path, "w") as new:
        for name in old.namelist():
            new.writestr(name, content if name == "xl/worksheets/sheet1.xml" else old.read(name))
        shared = "<si><t>first</t></si><si><r><t>se</t></r><r><t>cond</t></r><rPh><t>reading</t></rPh></si>"
        new.writestr("xl/sharedStrings.xml", f'<sst xmlns="{MAIN}">{shared}</sst>')
    return xlsx.sheets(path.read_bytes(), "t.xlsx")["signals"]


def row_of(*cells, number=""):
    said = f' r="{number}"' if number else ""
    return f"<row{said}>{''.join(cells)}</row>"


def test_cells_of_a_workbook_are_read_as_their_kind_says(tmp_path):
    """ECMA-376 part 1, 18.18.11: b boolean, inlineStr, n number, s shared string, str formula's text."""
    cells = [
        '<c t="s"><v>0</v></c>',
        '<c t="s"><v>1</v></c>',
        '<c t="s"><v>2</v></c>',  # there is none
        '<c t="b"><v>1</v></c>',
        '<c t="b"><v>0</v></c>',
        '<c t="inlineStr"><is><t>inline</t></is></c>',
        "<c><v>416</v></c>",
        "<c><v>16.0</v></c>",
        "<c><v>-0.25</v></c>",
        "<c><v>9007199254740992</v></c>",  # 2**53: a float holds no neighbour of it
        "<c><v>9007199254740991</v></c>",
        "<c/>",
        '<c t="str"><v>1.50</v></c>',
    ]
    sheet = f'<worksheet xmlns="{MAIN}"><sheetData>{row_of(*cells)}</sheetData></worksheet>'
    expected = ["first", "second", "", "yes", "no", "inline", "416", "16", "-0.25", "9007199254740992.0"]
    assert sheet_with(tmp_path, sheet) == [(1, [*expected, "9007199254740991", "", "1.50"])]


def test_rows_and_cells_of_a_workbook_stand_where_they_say_or_behind_the_last(tmp_path):
    one = '<c r="{}"><v>1</v></c>'.format
    rows = [
        row_of(one("C1")),
        row_of("<c><v>7</v></c>", one("C5"), "<c><v>8</v></c>", number="5"),
        row_of(one("A6")),
        row_of(one("SR1"), one("SS1"), number="99999999"),  # columns beyond the 512th aren't taken
    ]
    sheet = f'<worksheet xmlns="{MAIN}"><sheetData>{"".join(rows)}</sheetData></worksheet>'
    *found, last = sheet_with(tmp_path, sheet)
    assert found == [(1, ["", "", "1"]), (5, ["7", "", "1", "8"]), (6, ["1"])]
    assert (last[0], len(last[1])) == (7, 512)


def test_a_workbook_has_as_many_rows_as_are_taken_and_not_one_more(tmp_path, monkeypatch):
    monkeypatch.setattr(xlsx, "MOST_ROWS", 2)
    for count, taken in ((2, True), (3, False)):
        sheet = f'<worksheet xmlns="{MAIN}"><sheetData>{row_of() * count}</sheetData></worksheet>'
        if taken:
            assert len(sheet_with(tmp_path, sheet)) == count
        else:
            with pytest.raises(DatabaseError, match="more than 2 rows"):
                sheet_with(tmp_path, sheet)


def test_a_zip_file_that_is_no_workbook_is_refused(tmp_path):
    path = tmp_path / "t.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("readme.txt", "hello")
    with pytest.raises(DatabaseError, match="is a ZIP file, but no workbook"):
        xlsx.sheets(path.read_bytes(), "t.zip")


def test_the_same_table_gives_the_same_workbook_without_signs_that_xml_forbids():
    assert xlsx.workbook(["a\x00b\r"], [["<&>"]]) == xlsx.workbook(["a\x00b\r"], [["<&>"]])
    assert xlsx.sheets(xlsx.workbook(["a\x00b\r"], [["<&>"]]), "t.xlsx") == {"signals": [(1, ["a?b\r"]), (2, ["<&>"])]}


@pytest.mark.parametrize(
    ("text", "column", "hint"),
    [
        ("CAN ID (hex)", "id", "hex"),
        ("StartBit", "start bit", ""),
        ("Start-Bit", "start bit", ""),
        ("Length [bytes]", "length", "bytes"),
        ("Period [ms]", "period", "ms"),
        ("Cycle Time (s)", "period", "s"),
        ("Factors", "scale", ""),
        ("units", "unit", ""),
        ("Bits", "bits", "bits"),
        ("paint", None, ""),
        ("ms", None, ""),
    ],
)
def test_a_head_is_known_by_its_words_and_what_else_it_says(text, column, hint):
    head = head_of(text)
    assert (head and head.column.name, head.hint if head else "") == (column, hint)


def test_of_two_heads_of_one_meaning_the_first_counts():
    assert {place: head.text for place, head in heads_of({"0": "Name", "1": "Signal", "2": ""}).items()} == {
        "0": "Name"
    }
    assert squeezed("StartBit  (0..63) µs%") == "start bit 0 63 µs%"


@pytest.mark.parametrize(
    ("heads", "are"),
    [
        ("id,signal,start bit", True),
        ("message,signal,length", True),
        ("id,signal", False),
        ("signal,start bit,length", False),
    ],
)
def test_heads_name_a_frame_and_two_columns_more(heads, are, tmp_path):
    path = written(tmp_path, f"{heads}\n")
    if are:
        assert len(read_grid(path).heads) == 3
    else:
        with pytest.raises(DatabaseError):
            read_grid(path)
