"""Tables as makers write them, and tables that are wrong: the row, the column, and what to try."""

import zipfile

import pytest

from buswright.errors import DatabaseError
from buswright.findings import Severity
from buswright.messages.sheet import xlsx
from buswright.messages.sheet.read import database_of, load_table

HEAD = "CAN ID,Message Name,DLC,Signal Name,Start Byte,Start Bit,Length,Byte Order,Signed,Factor,Offset,Unit,Cycle\n"


def read(tmp_path, text, readings=(), name="table.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return database_of(load_table(path), readings)


def signal(tmp_path, cells, readings=()):
    """Return the one signal of a row that begins behind the length of the message."""
    database = read(tmp_path, f"{HEAD}0x100,M,8,{cells}\n", readings)
    assert not [note for note in database.notes if note.severity > Severity.NOTE], database.notes
    ((one,),) = (message.signals for message in database.messages)
    return one


def places(one):
    return one.start, one.length, one.big_endian


def test_a_title_above_the_heads_and_cells_that_repeat_the_row_above(tmp_path):
    text = f"Pressure node rev 3,,\n,,\n{HEAD}0x6A0,PRESSURES,8,front,0,,16,Intel,no,0.1,0,bar,10 ms\n"
    text += ",,,rear,2,,16,Intel,no,0.1,0,bar,\n0x6A1,TEMPS,2,oil,0,,8,,yes,1,-40,°C,2 Hz\n"
    database = read(tmp_path, text)
    assert [message.name for message in database] == ["PRESSURES", "TEMPS"]
    assert [each.name for each in database.find("PRESSURES").signals] == ["front", "rear"]
    assert [message.cycle_time_ms for message in database] == [10, 500]
    oil = database.find("6A1").signal("oil")
    assert (oil.signed, oil.offset, oil.unit, oil.line) == (True, -40, "°C", 6)
    assert not database.notes


@pytest.mark.parametrize(
    ("cells", "place"),
    [
        ("a,2,,16,little,no,1,0,,", (16, 16, False)),
        ("a,2,,16,big,no,1,0,,", (23, 16, True)),
        ("a,2-3,,,Motorola,no,1,0,,", (23, 16, True)),
        ("a,2,4,4,little,no,1,0,,", (20, 4, False)),
        ("a,,20,12,Intel,no,1,0,,", (20, 12, False)),
        ("a,,23,12,Motorola,no,1,0,,", (23, 12, True)),
        ("a,,16..31,,little,no,1,0,,", (16, 16, False)),
        ("a,,16..31,,big,no,1,0,,", (23, 16, True)),
        ("a,,15..8,,big,no,1,0,,", (15, 8, True)),
        ("a,3,7:4,,little,no,1,0,,", (28, 4, False)),
        ("a,2,20,4,little,no,1,0,,", (20, 4, False)),
        ("a,1,,,,uint16 be,1,0,,", (15, 16, True)),
    ],
)
def test_a_place_is_read_as_makers_write_it(cells, place, tmp_path):
    assert places(signal(tmp_path, cells)) == place


@pytest.mark.parametrize(
    ("cells", "reading", "place"),
    [
        ("a,3,,16,little,no,1,0,,", "bytes-from-1", (16, 16, False)),
        ("a,,24,16,little,no,1,0,,", "bytes-from-1", (16, 16, False)),
        ("a,,16,16,big,no,1,0,,", "bits-as-sent", (23, 16, True)),
        ("a,,0,4,little,no,1,0,,", "bits-as-sent", (4, 4, False)),
        ("a,,24,16,big,no,1,0,,", "start-is-lsb", (23, 16, True)),
        ("a,,28,12,big,no,1,0,,", "start-is-lsb", (23, 12, True)),
    ],
)
def test_a_reading_moves_the_place(cells, reading, place, tmp_path):
    assert places(signal(tmp_path, cells, (reading,))) == place


@pytest.mark.parametrize(
    ("cells", "reading", "scaling"),
    [
        ("a,0,,16,,no,10,5,,", "scale-divides", (0.1, 5)),
        ("a,0,,16,,no,0.5,-40,,", "offset-first", (0.5, -20)),
        ("a,0,,16,,no,0.1,0,V,", "percent-of-5v", (0.1 * 0.05, 0)),
    ],
)
def test_a_reading_changes_the_scaling(cells, reading, scaling, tmp_path):
    one = signal(tmp_path, cells, (reading,))
    assert (one.scale, one.offset) == pytest.approx(scaling)


@pytest.mark.parametrize(
    ("scale", "number"),
    [("0.1", 0.1), ("1/10", 0.1), ('"0,1"', 0.1), ("2^-7", 2**-7), ("0.1 °C/bit", 0.1), ("x0.1", 0.1), ("4", 4)],
)
def test_a_scale_is_read_as_makers_write_it(scale, number, tmp_path):
    assert signal(tmp_path, f"a,0,,16,,no,{scale},0,,").scale == number


@pytest.mark.parametrize(
    ("head", "cell", "readings", "identifier"),
    [
        ("id", "416", (), "1A0"),
        ("id", "0x1A0", (), "1A0"),
        ("id", "1A0h", (), "1A0"),
        ("id", "1A0", (), "1A0"),
        ("id (hex)", "100", (), "100"),
        ("id", "100", ("id-hex",), "100"),
        ("id (hex)", "256", ("id-decimal",), "100"),
        ("id", "0x00000100", (), "00000100"),
        ("id", "0x18FEE500", (), "18FEE500"),
    ],
)
def test_an_identifier_is_read_as_makers_write_it(head, cell, readings, identifier, tmp_path):
    database = read(tmp_path, f"{head},signal,start bit,length\n{cell},a,0,8\n", readings)
    assert [message.identifier for message in database] == [identifier]


BAD = {
    "ten": ("0x100,M,8,a,0,,sixteen,,no,1,0,,", "column 'Length': 'sixteen' is no whole number"),
    "order": ("0x100,M,8,a,0,,16,upside,no,1,0,,", "column 'Byte Order': 'upside' is no byte order"),
    "sign": ("0x100,M,8,a,0,,16,,maybe,1,0,,", "column 'Signed': 'maybe' is no kind of number"),
    "scale": ("0x100,M,8,a,0,,16,,no,fast,0,,", "column 'Factor': 'fast' is no number"),
    "huge": ("0x100,M,8,a,0,,16,,no,1e999,0,,", "column 'Factor': '1e999' is too large"),
    "id": ("0xZZ,M,8,a,0,,16,,no,1,0,,", "column 'CAN ID': '0xZZ' is no identifier"),
    "id too large": ("0x20000000,M,8,a,0,,16,,no,1,0,,", "'20000000' is above 1FFFFFFF"),
    "no place": ("0x100,M,8,a,,,16,,no,1,0,,", "a: where it lies is not given"),
    "bit of no byte": ("0x100,M,8,a,1,16,4,,no,1,0,,", "a: bit 16 lies in no byte 1"),
    "no length": ("0x100,M,8,a,0,,,,no,1,0,,", "a: no length is given"),
    "no name": ("0x100,M,8,,0,,16,,no,1,0,,", "without a signal's name"),
    "no id": (",M,8,a,0,,16,,no,1,0,,", "message 'M' has no identifier"),
    "period": ("0x100,M,8,a,0,,16,,no,1,0,,3 often", "column 'Cycle': '3 often' is no period"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_row_is_said_with_its_place_and_costs_no_good_one(name, tmp_path):
    row, said = BAD[name]
    database = read(tmp_path, f"{HEAD}0x200,GOOD,8,good,0,,16,,no,1,0,,\n{row}\n0x201,ALSO,8,also,0,,16,,no,1,0,,\n")
    assert {"GOOD", "ALSO"} <= {message.name for message in database}
    assert "a" not in [each.name for message in database for each in message.signals]
    (note,) = (note for note in database.notes if note.severity == Severity.FAULT)
    assert note.line == 3
    assert said in note.text
    assert note.hint


@pytest.mark.parametrize(
    ("head", "cell", "place"),
    [("bits", "16", (8, 16)), ("bits", "3..0", (8, 4)), ("bit", "3", (11, 1)), ("bit", "3..0", (8, 4))],
)
def test_bits_are_a_number_of_them_or_which(head, cell, place, tmp_path):
    database = read(tmp_path, f"id,signal,byte,{head}\n0x100,a,1,{cell}\n")
    one = database.find("100").signal("a")
    assert (one.start, one.length) == place


def test_what_is_not_used_is_named(tmp_path):
    text = "id,signal,start bit,length,paint\n0x100,oil temp,0,8,red\n0x100,dup,8,8,red\n"
    said = [str(note) for note in read(tmp_path, text).notes]
    assert any("columns 'paint'" in each for each in said)
    assert any("'oil temp' is written oil_temp" in each for each in said)
    assert any("no length is given: 2 bytes" in each for each in said)


def test_two_rows_that_give_a_message_two_periods_are_named(tmp_path):
    text = f"{HEAD}0x100,M,8,a,0,,8,,no,1,0,,10\n0x100,M,8,b,1,,8,,no,1,0,,20\n"
    database = read(tmp_path, text)
    (note,) = (note for note in database.notes if note.severity == Severity.SUSPECT)
    assert "period '20.0' differs from '10.0' in row 2" in note.text
    assert database.find("M").cycle_time_ms == 10


def test_multiplexed_signals_need_one_that_selects(tmp_path):
    head = "id,message,signal,start bit,length,mux\n"
    database = read(tmp_path, f"{head}0x100,M,page,0,8,M\n,,a,8,8,1\n,,b,8,8,m2\n,,c,8,8,3-5\n")
    message = database.find("M")
    assert [(each.multiplexer, each.mux_values) for each in message.signals] == [
        (None, ()),
        ("page", ((1, 1),)),
        ("page", ((2, 2),)),
        ("page", ((3, 5),)),
    ]
    database = read(tmp_path, f"{head}0x100,M,a,8,8,1\n")
    assert "no signal of its message selects it" in database.notes[0].text
    assert not database.find("M").signals


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.csv", b"one,two\n1,2\n", "no row names the columns"),
        ("a.csv", b"", "no row names the columns"),
        ("a.toml", b"[[signal]\n", "Expected"),
        ("a.toml", b"x = 1\n", "no row names the columns"),
        ("a.xlsx", b"PK\x03\x04 no zip", "is a damaged workbook"),
    ],
)
def test_a_file_without_a_table_is_refused(name, content, said, tmp_path):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(DatabaseError, match=said) as refused:
        load_table(path)
    assert refused.value.hint


def workbook_with(tmp_path, part, content):
    """A workbook of ours with one part exchanged."""
    whole = xlsx.workbook(["id", "signal", "start bit", "length"], [["0x100", "a", "0", "8"]])
    (tmp_path / "sound.xlsx").write_bytes(whole)
    path = tmp_path / "evil.xlsx"
    with zipfile.ZipFile(tmp_path / "sound.xlsx") as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, content if name == part else old.read(name))
    return path


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><x>&b;</x>', "declares a document type"),
        (b" " * (xlsx.MOST_PART_BYTES + 1), "more than 48 MB"),
        (b"<worksheet><unclosed>", "is a damaged workbook"),
    ],
    ids=["entities", "bomb", "unclosed"],
)
def test_a_hostile_workbook_is_refused(content, said, tmp_path):
    with pytest.raises(DatabaseError, match=said):
        load_table(workbook_with(tmp_path, "xl/worksheets/sheet1.xml", content))


def test_numbers_of_a_spreadsheet_are_read_as_shown(tmp_path):
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    cells = "".join(f'<c t="str"><v>{head}</v></c>' for head in ("id", "signal", "start bit", "length", "scale"))
    numbers = '<c r="A5"><v>416</v></c><c r="B5" t="str"><v>a</v></c><c r="C5"><v>0</v></c><c r="D5"><v>16.0</v></c>'
    numbers += '<c r="E5"><v>1E-1</v></c>'
    sheet = f'<worksheet xmlns="{main}"><sheetData><row r="4">{cells}</row><row r="5">{numbers}'
    path = workbook_with(tmp_path, "xl/worksheets/sheet1.xml", f"{sheet}</row></sheetData></worksheet>".encode())
    database = database_of(load_table(path))
    one = database.find("1A0").signal("a")
    assert (one.length, one.scale, one.line) == (16, 0.1, 5)
