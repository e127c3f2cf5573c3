"""Damage: what a torn disk, a bad cable, another program or a stranger makes of a good file."""

import re

TOKENS = (
    *(b"NaN", b"nan", b"Infinity", b"-Infinity", b"inf", b"1e400", b"-1e308", b"5e-324", b"-0", b"-1", b"0", b"00"),
    *(b"4294967295", b"4294967296", b"100000000", b"9223372036854775807", b"18446744073709551616", b"9" * 400),
    *(b"0x", b"1_000", b"+5", b"1e3", b"\xc2\xb2", b"\xd9\xa3", b"\xf0\x9d\x9f\x97"),  # digits that aren't ASCII
    *(b"\0", b"\0" * 64, b"\x1b]0;owned\x07", b"\xe2\x80\xae", b"\x9b2J", b"\x1a", b"\x7f", b"\x0b\x0c", b"\x85"),
    *(b"\xff\xfe", b"\xff", b"\xed\xa0\x80", b"\xe2\x80\xa8", b"\r", b"\n", b"\r\n", b"\n\n\n", b"\t", b" " * 500),
    *(b"[" * 3000, b"{" * 3000, b"(" * 3000, b'{"a":' * 1500, b'"', b"'", b"\\", b"#", b";", b"|", b"]", b"}", b")"),
    *(b"null", b"true", b"[]", b"{}", b'""', b"%s%n", b"../../../etc/passwd", b"=1+1", b"1980-13-45", b"$" * 50),
)
_NUMBER = re.compile(rb"\d+")
LONG_LINE = (1 << 20) + 4000


def _place(rng, data):
    return rng.randrange(len(data) + 1)


def _range(rng, data):
    start = _place(rng, data)
    return start, min(len(data), start + rng.choice((1, 2, 8, 50, 400, 5000)))


def flip_bits(rng, data):
    damaged = bytearray(data)
    for _ in range(rng.choice((1, 1, 3, 20, 200))):
        if damaged:
            damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
    return bytes(damaged)


def other_bytes(rng, data):
    damaged = bytearray(data)
    start, end = _range(rng, data)
    damaged[start:end] = rng.randbytes(end - start)
    return bytes(damaged)


def cut_off(rng, data):
    return data[: _place(rng, data)]


def torn_out(rng, data):
    start, end = _range(rng, data)
    return data[:start] + data[end:]


def spliced(rng, data):
    a, b = _place(rng, data), _place(rng, data)
    return data[:a] + data[b:]


def repeated(rng, data):
    start, end = _range(rng, data)
    return data[:end] + data[start:end] * rng.choice((1, 2, 20, 100)) + data[end:]


def token_in(rng, data):
    for _ in range(rng.choice((1, 1, 4))):
        at = _place(rng, data)
        data = data[:at] + rng.choice(TOKENS) + data[at + rng.choice((0, 0, 1, 3)) :]
    return data


def other_number(rng, data):
    numbers = list(_NUMBER.finditer(data))
    for found in sorted(rng.sample(numbers, min(len(numbers), rng.choice((1, 1, 5)))), key=lambda m: -m.start()):
        data = data[: found.start()] + rng.choice(TOKENS[:25]) + data[found.end() :]
    return data


def lines_moved(rng, data):
    lines = data.split(b"\n")
    for _ in range(rng.choice((1, 3, 30))):
        a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
        lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


def lines_gone(rng, data):
    return b"\n".join(line for line in data.split(b"\n") if rng.random() > 0.1)


def lines_again(rng, data):
    lines = data.split(b"\n")
    a = rng.randrange(len(lines))
    again = lines[a : a + rng.choice((1, 2, 10))]
    return b"\n".join(lines[:a] + again * rng.choice((2, 30)) + lines[a:])


def other_line_ends(rng, data):
    return data.replace(b"\n", rng.choice((b"\r\n", b"\r", b"\n\n", b"\n\0", b" \t\n")))


def long_line(rng, data):
    at = _place(rng, data)
    return data[:at] + rng.choice((b"x", b"A", b"0", b" ", b"\0", b"#", b"9 ", b"[")) * LONG_LINE + data[at:]


def in_utf16(rng, data):
    return data.decode("latin-1").encode(rng.choice(("utf-16", "utf-16-le", "utf-16-be")))


def with_mark(rng, data):
    return rng.choice((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")) + data


def in_nothing(rng, data):
    return rng.choice((b"", b"\0" * 5000, b"\n" * 3000, rng.randbytes(3000), data[:1], b"\0" * 4096 + data))


EVERYWHERE = (flip_bits, other_bytes, cut_off, torn_out, spliced, repeated, token_in)
IN_TEXT = (
    *(*EVERYWHERE, token_in, other_number, other_number, lines_moved, lines_gone, lines_again),
    *(other_line_ends, in_utf16, with_mark, in_nothing),
)


def mutated(rng, data, *, text):
    """Damage a file in one to three ways."""
    if text and rng.random() < 0.02:
        return long_line(rng, data)
    for _ in range(rng.choice((1, 1, 2, 3))):
        data = rng.choice(IN_TEXT if text else (*EVERYWHERE, in_nothing))(rng, data)
    return data


def with_bad_lines(rng, data, bad, *, behind):
    """Put lines that nothing can be made of between the lines of a good file, behind its head; say how many."""
    lines = data.split(b"\n")
    number = rng.choice((1, 3, 30))
    for _ in range(number):
        lines.insert(rng.randrange(behind, len(lines)), rng.choice(bad))
    return b"\n".join(lines), number
