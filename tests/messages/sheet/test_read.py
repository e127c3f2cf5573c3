"""Tables as makers write them, and tables that are wrong: the row, the column, and what to try."""

import zipfile

import pytest

from buswright.errors import DatabaseError
from buswright.findings import Severity
from buswright.messages.model import Signal
from buswright.messages.sheet import xlsx
from buswright.messages.sheet.grid import Grid
from buswright.messages.sheet.read import _Reader, database_of, load_table
from buswright.messages.sheet.words import heads_of

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
        (b"<worksheet><unclosed>", "is a damaged workbook"),
    ],
    ids=["entities", "unclosed"],
)
def test_a_hostile_workbook_is_refused(content, said, tmp_path):
    with pytest.raises(DatabaseError, match=said):
        load_table(workbook_with(tmp_path, "xl/worksheets/sheet1.xml", content))


def test_a_part_of_a_workbook_is_as_large_as_is_taken_and_not_a_byte_larger(tmp_path, monkeypatch):
    """What is unpacked counts: a megabyte of blanks is a kilobyte in the file."""
    monkeypatch.setattr(xlsx, "MOST_PART_BYTES", 1 << 20)
    sound = xlsx.workbook(["id", "signal", "start bit", "length"], [["0x100", "a", "0", "8"]])
    (tmp_path / "sound.xlsx").write_bytes(sound)
    with zipfile.ZipFile(tmp_path / "sound.xlsx") as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml")
    fits = workbook_with(tmp_path, "xl/worksheets/sheet1.xml", sheet.ljust(1 << 20))
    assert fits.stat().st_size < 10_000
    assert [message.identifier for message in database_of(load_table(fits))] == ["100"]
    with pytest.raises(DatabaseError, match=r"xl/worksheets/sheet1\.xml: more than 1 MB"):
        load_table(workbook_with(tmp_path, "xl/worksheets/sheet1.xml", sheet.ljust((1 << 20) + 1)))


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


def notes_of(database, least=Severity.SUSPECT):
    return [(note.line, note.severity, note.message, note.signal, note.text, note.hint) for note in database.notes
            if note.severity >= least]  # fmt: skip


def test_every_column_has_its_place_in_the_database(tmp_path):
    """One row with all columns: each says something else, and each is found again where it belongs."""
    cells = {
        "id": "100", "message": "ENGINE", "message bytes": "12", "signal": "oil", "start bit": "8", "length": "10",
        "order": "big", "sign": "signed", "scale": "0.5", "offset": "-40", "minimum": "-40", "maximum": "150",
        "unit": 'deg"C', "period": "20", "multiplexer value": "M", "values": "0=cold; 1=hot", "initial": "5",
        "spn": "175", "comment": "of the sump", "receivers": "dash, logger", "sender": "engine; spare",
        "sent": "cyclic", "extended": "29 bit", "protocol": "can fd", "message comment": "all of it",
        "signal attributes": "Group=1", "message attributes": "Rate=2.5",
    }  # fmt: skip
    database = read(
        tmp_path, ";".join(cells) + "\n" + ";".join(f'"{text}"' for text in cells.values()).replace('deg"C', 'deg""C')
    )
    assert not notes_of(database, Severity.NOTE)
    (message,) = database
    assert message.signals == (
        Signal(
            "oil", 8, 10, big_endian=True, signed=True, scale=0.5, offset=-40, minimum=-40.0, maximum=150.0,
            unit="deg'C", comment="of the sump", choices={0: "cold", 1: "hot"}, initial=5.0, is_multiplexer=True,
            receivers=("dash", "logger"), spn=175, attributes={"Group": 1}, line=2,
        ),
    )  # fmt: skip
    assert (message.name, message.id, message.extended, message.length, message.fd) == ("ENGINE", 100, True, 12, True)
    assert (message.cycle_time_ms, message.send_type, message.senders) == (20.0, "cyclic", ("engine", "spare"))
    assert (message.protocol, message.comment, message.attributes) == ("", "all of it", {"Rate": 2.5})
    assert (message.path, message.line) == (str(tmp_path / "table.csv"), 2)
    assert [node.name for node in database.nodes] == ["engine", "spare"]
    assert database.paths == (str(tmp_path / "table.csv"),)


@pytest.mark.parametrize(
    ("said", "length", "fd", "protocol"),
    [
        ("8,,", 8, False, ""),
        ("9,,", 9, True, ""),
        ("64,,", 64, True, ""),
        ("65,,", 65, False, ""),  # no frame is so long
        ("8,CAN FD,", 8, True, ""),
        ("9,J1939,", 9, False, "j1939"),
        (",,", 3, False, ""),
    ],
)
def test_what_is_longer_than_eight_bytes_is_can_fd_but_for_j1939(said, length, fd, protocol, tmp_path):
    database = read(tmp_path, f"id,dlc,protocol,signal,start bit,length\n0x100,{said}a,16,8\n")
    (message,) = database
    assert (message.name, message.length, message.fd, message.protocol) == ("ID_100", length, fd, protocol)
    without = (
        2,
        Severity.NOTE,
        "ID_100",
        "",
        "ID_100: no length is given: 3 bytes, as its signals need",
        "add a column DLC",
    )
    assert notes_of(database, Severity.NOTE) == ([without] if said == ",," else [])


@pytest.mark.parametrize(
    ("rows", "signals", "fault"),
    [
        ("0x100,M,a,0,8,\n,,b,8,8,\n", {"M": ["a", "b"]}, None),
        ("0x100,M,a,0,8,\n0x100,M,b,8,8,\n", {"M": ["a", "b"]}, None),
        ("0x100,M,a,0,8,\n0x100,,b,8,8,\n", {"M": ["a", "b"]}, None),
        ("0x100,M,a,0,8,\n0x200,N,b,0,8,\n,M,c,8,8,\n,,d,16,8,\n", {"M": ["a", "c", "d"], "N": ["b"]}, None),
        ("0x100,M,a,0,8,\n0x100,N,b,8,8,\n", {"M": ["a"], "N": ["b"]}, None),  # two messages of one identifier
        ("0x1a0,M,a,0,8,\n1A0,,b,8,8,\n", {"M": ["a", "b"]}, None),
        (",,a,0,8,\n0x100,M,b,8,8,\n", {"M": ["b"]}, (2, "no identifier is given; the row is left out")),
        ("0x100,M,a,0,8,\n,N,b,8,8,\n", {"M": ["a"]}, (3, "message 'N' has no identifier; the row is left out")),
        # The row behind one that is left out is not of the message before it.
        (
            "0x100,M,a,0,8,\n,N,b,8,8,\n,,c,8,8,\n",
            {"M": ["a"]},
            (3, "message 'N' has no identifier; the row is left out"),
        ),
    ],
)
def test_a_row_is_of_the_message_that_it_names_or_of_the_one_above(rows, signals, fault, tmp_path):
    database = read(tmp_path, f"id,message,signal,start bit,length,unit\n{rows}")
    assert {message.name: [each.name for each in message.signals] for message in database} == signals
    faults = [(line, text) for line, _, _, _, text, _ in notes_of(database)]
    assert faults[:1] == ([fault] if fault else [])


def test_only_one_signal_that_selects_is_taken_for_the_one_that_is_meant(tmp_path):
    head = "id,message,signal,start bit,length,mux,selector\n"
    two = "0x100,M,page,0,8,M,\n,,other,8,8,M,\n,,a,16,8,1,\n,,b,16,8,2,page\n,,c,16,8,3,gone\n"
    database = read(tmp_path, head + two)
    assert [(each.name, each.multiplexer) for each in database.find("M").signals] == [
        ("page", None), ("other", None), ("b", "page"),
    ]  # fmt: skip
    hint = "write M as the multiplexer value of the signal that selects, or name it in a column multiplexer"
    assert [each[3:] for each in notes_of(database)] == [
        ("a", "a: 2 signals could select it; the signal is left out", hint),
        ("c", "c: 2 signals could select it; the signal is left out", hint),
    ]
    # Named as the one that selects is enough; and one that selects can be selected itself.
    named = read(tmp_path, head + "0x100,M,page,0,8,,\n,,in,8,8,1 M,\n,,a,16,8,1,in\n,,b,16,8,2,page\n")
    assert [(each.name, each.is_multiplexer, each.multiplexer) for each in named.find("M").signals] == [
        ("page", True, None), ("in", True, "page"), ("a", False, "in"), ("b", False, "page"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        (("upside",), "there is no reading 'upside'"),
        (("signed", "unsigned"), "signed and unsigned contradict each other"),
        (("id-hex", "id-decimal"), "id-hex and id-decimal contradict each other"),
    ],
)
def test_readings_are_known_and_do_not_contradict(readings, said, tmp_path):
    with pytest.raises(DatabaseError, match=said) as refused:
        read(tmp_path, "id,signal,start bit,length\n0x100,a,0,8\n", readings)
    assert refused.value.hint


@pytest.mark.parametrize(
    ("head", "row", "what", "value"),
    [
        ("start bit,length (bytes)", "0,2", "length", 16),
        ("start bit,length", "0,2 bytes", "length", 16),
        ("start bit,length", "0,12 bits", "length", 12),
        ("start bit,length,divisor", "0,8,10", "scale", 0.1),
        ("start bit,length,scale,divisor", "0,8,2,10", "scale", 2),
        ("start bit,length,scale", "0,8,-", "scale", 1),
        ("start bit,length,range", "0,8,-5..10", "minimum", -5.0),
        ("start bit,length,range,min", "0,8,-5..10,-4", "minimum", -4.0),
        ("start bit,length,range,max", "0,8,-5..10,9", "maximum", 9.0),
        ("start bit,length,range", "0,8,-5..10", "maximum", 10.0),
        ("start bit,length,type,order", "7,8,uint8 be,little", "big_endian", False),
        ("start bit,type", "0,uint16", "length", 16),
        ("start bit", "15..8", "start", 8),
        ("bits", "4..7", "length", 4),
        ("bits,length,order", "15..8,8,big", "start", 15),
        ("bits,length", "8,4", "start", 8),  # one bit number beside a length is where it starts
    ],
)  # fmt: skip
def test_columns_that_say_the_same_in_other_words(head, row, what, value, tmp_path):
    database = read(tmp_path, f"id;signal;{head.replace(',', ';')}\n0x100;a;{row.replace(',', ';')}\n")
    assert not notes_of(database)
    assert getattr(database.find("100").signal("a"), what) == value


def test_a_rate_in_the_head_makes_hertz_of_plain_numbers(tmp_path):
    for head, period in (("rate", 50.0), ("frequency", 50.0), ("period", 20.0), ("period (s)", 20_000.0)):
        database = read(tmp_path, f"id,signal,start bit,length,{head}\n0x100,a,0,8,20\n")
        assert database.find("100").cycle_time_ms == period, head


def test_a_divisor_of_nothing_is_refused_in_its_row(tmp_path):
    database = read(tmp_path, "id,signal,start bit,length,divisor\n0x100,a,0,8,0\n")
    (fault,) = notes_of(database)
    assert fault == (2, Severity.FAULT, "", "", "column 'divisor': '0' is 0; the row is left out", "write a number: 10")


def test_identifiers_without_a_mark_are_hexadecimal_if_one_of_them_must_be(tmp_path):
    head = "id,signal,start bit,length\n"
    assert [each.id for each in read(tmp_path, f"{head}100,a,0,8\n1A0,b,0,8\n")] == [0x100, 0x1A0]
    assert [each.id for each in read(tmp_path, f"{head}100,a,0,8\n0x1A0,b,0,8\n")] == [100, 0x1A0]


def test_what_is_not_read_is_said_once_and_in_short(tmp_path):
    unknown = [f"paint{n}" for n in range(14)]
    database = read(tmp_path, f"id,signal,start bit,length,{','.join(unknown)}\n0x100,my sig,0,8\n0x200,my sig,0,8\n")
    said = [text for _, _, _, _, text, _ in notes_of(database, Severity.NOTE)]
    shown = ", ".join(repr(name) for name in unknown[:12])
    assert said.count("'my sig' is written my_sig") == 1
    assert said[0] == f"not used: columns {shown} and 2 more"
    assert [note.line for note in database.notes] == sorted(note.line for note in database.notes)
    exactly = read(tmp_path, f"id,signal,start bit,length,{','.join(unknown[:12])}\n0x100,a,0,8\n")
    assert exactly.notes[0].text == f"not used: columns {shown}"


@pytest.mark.parametrize(
    ("name", "made"), [("oil temp", "oil_temp"), ("2nd", "_2nd"), ("(a)", "a"), ("µ", "_"), ("ok_1", "ok_1")]
)
def test_names_are_made_into_what_a_dbc_can_hold(name, made, tmp_path):
    database = read(tmp_path, f"id,message,signal,start bit,length\n0x100,{name},{name},0,8\n")
    (message,) = database
    assert (message.name, message.signals[0].name) == (made, made)


def test_what_is_shown_of_a_long_text_is_its_beginning(tmp_path):
    long, other = "long " * 20, "other" * 20
    database = read(
        tmp_path, f"id;signal;start bit;length;sender;{long}\n0x100;{long};0;8;{long};\n0x100;b;8;8;{other};\n"
    )
    assert [note.text for note in database.notes] == [
        f"not used: columns {long[:40]!r}",
        f"{long[:60]!r} is written {'long_' * 19}long",
        "ID_100: no length is given: 2 bytes, as its signals need",
        f"sender {other[:40]!r} differs from {long[:40]!r} in row 2; the first is used",
    ]
    wrong = read(tmp_path, f"id;signal;start bit;length\n0x100;a;{other};8\n")
    assert wrong.notes[0].text == f"column 'start bit': {other[:40]!r} is no whole number; the row is left out"
    nameless = read(tmp_path, f"id;message;signal;start bit;length\n;{other};a;0;8\n")
    assert nameless.notes[0].text == f"message {other[:40]!r} has no identifier; the row is left out"


def test_other_sheets_of_a_workbook_are_named_in_short():
    sheets = tuple(f"s{n}" for n in range(14))
    heads = heads_of({"0": "id", "1": "signal", "2": "start bit"})
    (note,) = _Reader(Grid("t.xlsx[a]", heads, (), (), sheets)).table().notes
    assert note.text == f"other sheets of the workbook are not read: {', '.join(sheets[:12])}"
    assert (note.line, note.severity, note.path) == (0, Severity.NOTE, "t.xlsx[a]")


@pytest.mark.parametrize(("bit", "fits"), [(32760, True), (32761, False)])
def test_a_bit_lies_within_the_longest_message(bit, fits, tmp_path):
    """4,095 bytes (ISO 15765-2) have bits 0 to 32,759; a length may be all of them."""
    database = read(tmp_path, f"id;signal;start bit;length\n0x100;a;0;{bit}\n")
    assert [note.text for note in database.notes if note.severity > Severity.NOTE] == (
        [] if fits else [f"column 'length': '{bit}' is above 32760; the row is left out"]
    )
