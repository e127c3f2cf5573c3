"""A car of two messages: a speed every 10 ms, and a level that comes more slowly."""

SPEED_ALONE = """format = 1
[car]
name = "x"
[bus.body]
bitrate = 500_000
interfaces = ["can0"]
databases = ["own.dbc"]
[channel.speed]
signal = "body/SPEED/Speed"
"""
"""A car file with one channel; what is added goes on with that channel."""


def database(step: float, *, slow_ms: int) -> str:
    """Write its database: what one step of both signals is worth, and how often the level comes."""
    return f"""VERSION ""
NS_ :
BS_:
BU_: node
BO_ 512 SPEED: 2 node
 SG_ Speed : 0|16@1- ({step},0) [0|0] "m/s" node
BO_ 513 SLOW: 2 node
 SG_ Level : 0|16@1+ ({step},0) [0|0] "l" node
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 100000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 512 10;
BA_ "GenMsgCycleTime" BO_ 513 {slow_ms};
"""
