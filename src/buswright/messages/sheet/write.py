"""A database in, a data-sheet table out: one row a signal, each cell as the reader understands it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path

from buswright.messages.dbc.writing import SAID_ELSEWHERE, number_text, short_text
from buswright.messages.model import J1939, Database, Message, Signal
from buswright.messages.sheet.cells import guarded
from buswright.messages.sheet.grid import grid_bytes
from buswright.messages.sheet.words import ALL


def table_bytes(database: Database, path: Path) -> bytes:
    """Write a database as a table, in the format that the ending of `path` stands for.

    Raises
    ------
    DatabaseError
        The ending stands for no table.
    """
    rows = list(table_rows(database))
    columns = [column for column in ALL if column.always or any(column.name in row for row in rows)]
    heads = [column.name for column in columns]
    return grid_bytes(path, heads, [[row.get(head, "") for head in heads] for row in rows])


def table_rows(database: Database) -> Iterator[dict[str, str]]:
    """Yield the cells of each row by the names of the columns; a message without signals has a row of its own."""
    for message in database.messages:
        own = _of_message(message)
        for signal in message.signals or (None,):
            row = own | (_of_signal(signal) if signal is not None else {})
            yield {name: text for name, text in row.items() if text}


def _of_message(message: Message) -> dict[str, str]:
    period = message.cycle_time_ms
    protocol = "J1939" if message.protocol == J1939 else "CAN FD" if message.fd else ""
    return {
        "id": f"0x{message.identifier}",
        "message": message.name,
        "message bytes": str(message.length),
        "period": "" if period is None else f"{short_text(period)} ms",
        "sender": ", ".join(message.senders),
        "sent": message.send_type,
        "protocol": protocol,
        "message comment": message.comment.strip(),
        "message attributes": _attributes(message.attributes),
    }


def _of_signal(signal: Signal) -> dict[str, str]:
    spans = ", ".join(str(low) if low == high else f"{low}-{high}" for low, high in signal.mux_values)
    return {
        "signal": signal.name,
        "start bit": str(signal.start),
        "length": str(signal.length),
        "order": "big" if signal.big_endian else "little",
        "sign": "float" if signal.is_float else "signed" if signal.signed else "unsigned",
        "scale": number_text(signal.scale),
        "offset": number_text(signal.offset),
        "minimum": "" if signal.minimum is None else short_text(signal.minimum),
        "maximum": "" if signal.maximum is None else short_text(signal.maximum),
        "unit": signal.unit,
        "multiplexer value": " ".join(filter(None, (spans, "M" if signal.is_multiplexer else ""))),
        "multiplexer": signal.multiplexer or "",
        "values": "; ".join(f"{raw}={guarded(text)}" for raw, text in signal.choices.items()),
        "initial": "" if signal.initial is None else short_text(signal.initial),
        "spn": "" if signal.spn is None else str(signal.spn),
        "comment": signal.comment.strip(),
        "receivers": ", ".join(signal.receivers),
        "signal attributes": _attributes(signal.attributes),
    }


def _attributes(attributes: Mapping[str, object]) -> str:
    return "; ".join(
        f"{name}={guarded(json.dumps(value, ensure_ascii=False))}"
        for name, value in attributes.items()
        if name not in SAID_ELSEWHERE
    )


def not_in_a_table(database: Database) -> list[str]:
    """Name what a database says that its table doesn't: of the file and its modules, for which a table has no row."""
    lost = [f"attribute {name}" for name in database.attributes]
    lost += [f"comment of module {node.name}" for node in database.nodes if node.comment]
    senders = {sender for message in database for sender in message.senders}
    lost += [f"module {node.name}" for node in database.nodes if node.name not in senders]
    lost += ["version"] if database.version else []
    return lost
