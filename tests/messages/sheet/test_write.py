"""A database as a table: each cell of it, and what a table has no place for."""

from types import MappingProxyType

from buswright.messages.model import J1939, Database, Message, Node, Signal
from buswright.messages.sheet.write import not_in_a_table, table_bytes, table_rows

FULL = Signal(
    "oil", 23, 12, big_endian=True, signed=True, scale=0.5, offset=-40, minimum=-40.0, maximum=150.5, unit="°C",
    comment=" of the sump ", choices=MappingProxyType({0: "cold; dry", 1: "hot"}), initial=5.0, is_multiplexer=True,
    multiplexer="page", mux_values=((1, 1), (3, 5)), receivers=("dash", "logger"), spn=175,
    attributes={"Group": "a;b", "SPN": 175},
)  # fmt: skip


def rows_of(*messages):
    return list(table_rows(Database((), messages)))


def test_each_cell_of_a_full_row():
    message = Message(
        "ENGINE", 0x18FEE500, True, 8, (FULL,), cycle_time_ms=12.5, send_type="cyclic", senders=("engine", "spare"),
        protocol=J1939, comment="all of it\n", attributes={"Rate": 2.5, "GenMsgCycleTime": 12},
    )  # fmt: skip
    assert rows_of(message) == [
        {
            "id": "0x18FEE500", "message": "ENGINE", "message bytes": "8", "period": "12.5 ms",
            "sender": "engine, spare", "sent": "cyclic", "protocol": "J1939", "message comment": "all of it",
            "message attributes": "Rate=2.5", "signal": "oil", "start bit": "23", "length": "12", "order": "big",
            "sign": "signed", "scale": "0.5", "offset": "-40", "minimum": "-40", "maximum": "150.5", "unit": "°C",
            "multiplexer value": "1, 3-5 M", "multiplexer": "page", "values": "0=cold\\; dry; 1=hot", "initial": "5",
            "spn": "175", "comment": "of the sump", "receivers": "dash, logger", "signal attributes": 'Group="a\\;b"',
        }
    ]  # fmt: skip


def test_what_is_not_said_has_no_cell():
    plain = {"id": "0x100", "message": "M", "message bytes": "8"}
    own = {"start bit": "0", "length": "8", "order": "little", "scale": "1", "offset": "0"}
    float_ = {**own, "length": "32"}
    assert rows_of(
        Message("M", 0x100, False, 8, (Signal("a", 0, 8), Signal("b", 0, 32, is_float=True))),
        Message("M", 0x100, False, 8, fd=True),
    ) == [
        plain | own | {"signal": "a", "sign": "unsigned"},
        plain | float_ | {"signal": "b", "sign": "float"},
        plain | {"protocol": "CAN FD"},  # without signals a row of its own
    ]


def test_a_table_has_the_usual_columns_and_those_that_hold_anything(tmp_path):
    message = Message("M", 0x100, False, 8, (Signal("a", 0, 8, minimum=1.0),))
    head, row = table_bytes(Database((), (message,)), tmp_path / "t.csv").decode().splitlines()
    assert head == (
        "id,message,message bytes,signal,start bit,length,order,sign,scale,offset,minimum,unit,period,"
        "multiplexer value,sender"
    )
    assert row == "0x100,M,8,a,0,8,little,unsigned,1,0,1,,,,"


def test_what_a_table_has_no_place_for_is_named():
    message = Message("M", 0x100, False, 8, senders=("engine",))
    nodes = (Node("engine", "loud"), Node("dash"), Node("engine"))
    database = Database((), (message,), nodes=nodes, version="2", attributes={"Title": "x"})
    assert not_in_a_table(database) == ["attribute Title", "comment of module engine", "module dash", "version"]
    assert not_in_a_table(Database((), (message,), nodes=nodes[2:])) == []
