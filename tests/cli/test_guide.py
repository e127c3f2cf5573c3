"""The manual can't go stale: what the program has, it describes; what it shows, the program takes."""

import argparse
import ast
import importlib
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import buswright
from buswright.bench.plan.load import check_against, load_plan
from buswright.channels.calibration.registry import COMMON_KEYS, KINDS, read_calibration, starter_sensors
from buswright.channels.carfile.keys import DOCUMENT, key_lines
from buswright.channels.carfile.load import check_car_file, load_car_file
from buswright.channels.carfile.model import POSITIONS, ROLES
from buswright.channels.formula.parse import parse_formula
from buswright.channels.formula.tree import FUNCTIONS
from buswright.channels.keys.tables import Named, lines
from buswright.channels.samples.series import BAD, Quality, describe_quality
from buswright.channels.units import UNITS
from buswright.cli.commands.guided.guide import plain
from buswright.cli.main import COMMANDS, build_parser, main
from buswright.cli.manual import EXPLAINED, TOPICS, page, source, whole_manual
from buswright.cli.manual.parts import PARTS
from buswright.diagnosis.detected import DETECTED
from buswright.errors import UserError
from buswright.findings import THRESHOLDS
from buswright.messages.checksum import KINDS as CHECKSUMS

ROOT = Path(__file__).parents[2]
PAGES = {topic: page(topic) for topic in TOPICS}
BLOCK = re.compile(r"^ *```(\w*)\n(.*?)^ *```$", re.MULTILINE | re.DOTALL)
BLOCKS = [(topic, language, text) for topic, text in PAGES.items() for language, text in BLOCK.findall(text)]
SHOWN = BLOCKS + [
    ("README", language, text) for language, text in BLOCK.findall((ROOT / "README.md").read_text(encoding="utf-8"))
]


def rows(text):
    """First cell of every table row, without code marks."""
    return [line.split("|")[1].strip().strip("`") for line in text.splitlines() if line.startswith("| `")]


def section(text, heading):
    """Return the part of a page under a heading, up to the next of its level or above."""
    level = len(heading) - len(heading.lstrip("#"))
    body = text.split(f"\n{heading}\n", 1)[1]
    return re.split(rf"\n#{{1,{level}}} ", body, maxsplit=1)[0]


# -- What there is, is described ------------------------------------------------------------------------------------


def test_every_page_has_a_line_in_the_list_and_every_line_a_page(capsys):
    folder = Path(buswright.__file__).parent / "cli" / "manual"
    assert {path.stem for path in folder.glob("*.md")} == set(TOPICS)
    assert main(["guide"]) == 0
    listed = capsys.readouterr().out
    for topic, line in TOPICS.items():
        assert re.search(rf"^  {topic} +{re.escape(line)}$", listed, re.MULTILINE)
    assert max(map(len, listed.splitlines())) <= 80


def test_every_place_is_filled_and_every_part_is_used():
    used = {name for topic in TOPICS for name in re.findall(r"^\{\{(\w+)", source(topic), re.MULTILINE)}
    assert used == set(PARTS)
    assert "{{" not in whole_manual()


def test_every_command_and_option_is_described():
    parser = build_parser()
    (commands,) = (a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    assert set(commands.choices) == set(COMMANDS)
    for name, command in commands.choices.items():
        text = section(PAGES["commands"], f"## {name}")
        for action in command._actions:
            if action.dest == "help":
                continue
            assert action.help, f"{name}: {action.dest} says nothing of itself"
            for word in action.option_strings or [str(action.metavar)]:
                assert re.search(rf"^\|.*`{re.escape(word)}[ `]", text, re.MULTILINE), f"{name} {word}"


def test_no_command_is_left_out_of_the_help_of_the_guide():
    for name in COMMANDS:
        assert any(f"buswright {name}" in text for text in PAGES.values()), name


@pytest.mark.parametrize("name", COMMANDS)
def test_the_name_of_a_command_leads_to_the_page_that_explains_it(name, capsys):
    assert main(["guide", name, "--markdown"]) == 0
    shown = capsys.readouterr().out
    topic = EXPLAINED.get(name, name)
    assert shown.endswith(PAGES[topic])
    assert re.search(rf"buswright {name}\b", source(topic).replace("{{commands}}", PAGES["commands"]))
    assert (name in TOPICS) != (f"`buswright {name} --help` lists its options" in shown)


def test_every_key_of_the_car_file_is_described():
    headings = {
        "car": "## [car]",
        "bus": "## [bus.NAME]",
        "module": "## [module.NAME]",
        "sensor": "## [sensor.NAME]",
        "channel": "## [channel.NAME]",
        "frame": '## [frame."BUS/ID"]',
        "calibration_log": "## [[calibration_log]]",
    }
    assert {key.name for key in DOCUMENT.keys} == {"format", *headings}
    text = PAGES["car-file"]
    for line in key_lines():
        table, dot, rest = line.path.partition(".")
        table = table.removesuffix("[]")
        if not dot:
            assert line.path in rows(section(text, "## The whole"))
            continue
        key = re.sub(r'^(NAME|"bus/ID")\.', "", rest)
        if table == "sensor" and key not in {one.name for one in COMMON_KEYS}:
            assert key in rows(PAGES["calibrations"]), line.path
        else:
            assert key in rows(section(text, headings[table])), line.path
            assert line.key.meaning in text or table == "sensor"
    assert sum(isinstance(key.kind, Named) for key in DOCUMENT.keys) == 5


def test_every_kind_of_calibration_and_every_key_of_it_is_described_and_shown():
    for name, kind in KINDS.items():
        text = section(PAGES["calibrations"], f"## {name}")
        assert kind.meaning in text
        assert kind.formula in text
        for line in lines(kind.keys):
            assert line.path in rows(text), (name, line.path)
        (example,) = (tomllib.loads(block) for language, block in BLOCK.findall(text) if language == "toml")
        (table,) = example["sensor"].values()
        assert table["kind"] == name
        assert read_calibration(table) is not None


def test_every_role_position_threshold_and_checksum_is_described():
    described = rows(PAGES["roles"])
    assert sorted(described) == sorted(ROLES)
    for position in POSITIONS:
        assert f"`{position}`" in PAGES["roles"]
    assert set(THRESHOLDS) <= set(rows(PAGES["thresholds"]))
    assert set(CHECKSUMS) <= set(rows(PAGES["car-file"]))


def test_every_function_and_operator_of_formulas_is_described():
    usages = rows(PAGES["formulas"])
    for function in FUNCTIONS.values():
        assert function.usage in usages
    operators = " ".join(usages)
    for operator in ("+", "-", "*", "/", "**", "%", "<", "<=", ">", ">=", "==", "!=", "and", "or", "not"):
        assert operator in operators.split(), operator


def test_every_finding_about_buses_is_described():
    text = PAGES["health"]
    assert set(rows(section(text, "## Findings"))) == set(DETECTED)


def test_every_quality_bit_is_described_in_words():
    for bit in Quality:
        usable = "no" if bit & BAD else "yes"
        assert f"| {int(bit)} | `{bit.name}` | {usable} | {describe_quality(bit)} |" in PAGES["quality"]


def test_every_unit_and_spelling_is_described():
    text = PAGES["units"].replace("\\", "")
    for unit in UNITS.values():
        assert f"`{unit.name}`" in text, unit.name
        assert all(alias in text for alias in unit.aliases), unit.name


# -- What is shown, is true -----------------------------------------------------------------------------------------


def commands_in(text):
    for line in text.splitlines():
        words = line.strip().removeprefix("$ ")
        if words.startswith("buswright "):
            yield words


def parse(words):
    """Parse with the real parser, which would let a shortened option pass."""
    parser = build_parser()
    parser.parse_args(words)
    (commands,) = (a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    known = {*parser._option_string_actions, *commands.choices[words[0]]._option_string_actions}
    assert [word for word in words if word.startswith("--") and word.split("=")[0] not in known] == []


COMMAND_LINES = sorted(
    {
        line
        for topic, language, text in SHOWN
        if language in ("", "sh", "console") and not (topic == "commands" and "[--" in text)
        for line in commands_in(text)
    }
)


def test_there_are_commands_to_check():
    assert len(COMMAND_LINES) > 12


@pytest.mark.parametrize("line", COMMAND_LINES)
def test_every_command_line_is_one_that_the_program_takes(line):
    words = shlex.split(re.split(r" (?:>|\||\|\|) ", line)[0])[1:]
    parse(words)


@pytest.mark.parametrize(
    "line", sorted({c for text in PAGES.values() for c in re.findall(r"`(buswright [^`]+)`", text)})
)
def test_every_command_in_running_text_is_one_that_the_program_takes(line):
    words = shlex.split(line.split(" > ")[0])[1:]
    if words[0] == "guide" and len(words) > 2:
        return  # words to search for
    if words[0] in ("COMMAND",) or words[-1:] in (["TOPIC"], ["--help"]):
        assert words[0] in COMMANDS or words[0] == "COMMAND"
        return
    assert words[0] in COMMANDS
    if len(words) > 1:
        parse(words)
    if words[0] == "guide" and len(words) > 1 and not words[1].startswith("-"):
        assert words[1] in {*TOPICS, *EXPLAINED}


@pytest.mark.parametrize("number", range(sum(language == "toml" for _, language, _ in SHOWN)))
def test_every_toml_block_is_valid_in_whole_or_in_part(number, tmp_path):
    topic, _, text = [block for block in SHOWN if block[1] == "toml"][number]
    document = tomllib.loads(text)
    assert document, topic
    for name, table in document.get("sensor", {}).items():
        assert read_calibration(table) is not None, (topic, name)
    for table in document.get("channel", {}).values():
        if "formula" in table:
            parse_formula(table["formula"])
    if "plan" in document:
        (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
        check_against(load_plan(tmp_path / "plan.toml"), load_car_file(ROOT / "dbc_examples" / "wrenfell.toml"))
    elif "format" in document:
        for path in (ROOT / "dbc_examples").glob("*.dbc"):
            shutil.copy(path, tmp_path)
        (tmp_path / "car.toml").write_text(text, encoding="utf-8")
        assert [str(fault) for fault in check_car_file(tmp_path / "car.toml").faults] == []


@pytest.mark.parametrize("number", range(sum(language == "python" for _, language, _ in SHOWN)))
def test_every_python_block_compiles_and_uses_names_that_exist(number):
    _, _, text = [block for block in SHOWN if block[1] == "python"][number]
    tree = ast.parse(text)
    compile(tree, "manual", "exec")
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "bw":
            assert node.attr in buswright.__all__, node.attr
            assert hasattr(buswright, node.attr)
        if isinstance(node, ast.ImportFrom):
            module = importlib.import_module(str(node.module))
            assert all(hasattr(module, alias.name) for alias in node.names)


def test_links_between_pages_lead_somewhere():
    for topic, text in PAGES.items():
        for word in re.findall(r"buswright guide ([\w-]+)(?![\w-]| \w)", text):
            assert word in {*TOPICS, *EXPLAINED} or word.isupper() or word.startswith("-"), (topic, word)


# -- How it is printed ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("topic", [topic for topic in TOPICS if topic != "sensors"])
def test_a_page_in_a_pipe_is_plain_text_of_80_columns(topic, capsys):
    assert main(["guide", topic]) == 0
    text = capsys.readouterr().out
    assert [line for line in text.splitlines() if len(line) > 80] == []
    assert "```" not in text
    assert "**" not in re.sub(r"`[^`]*`|m/s\*\*2|\*\*  +power", "", text)
    assert "\0" not in text
    assert "| ---" not in text


@pytest.mark.parametrize("topic", ["document", "workbench", "handing-over", "season"])
def test_a_long_command_goes_on_in_the_next_line_as_a_shell_takes_it(topic, capsys):
    assert main(["guide", topic]) == 0
    shown = capsys.readouterr().out
    commands = [each for each in commands_in(PAGES[topic]) if "'select" not in each]
    assert max(map(len, commands)) > 78
    joined = {" ".join(each.split()) for each in re.sub(r" [\\`]\n", " ", shown).splitlines()}
    assert joined.issuperset(commands)


def test_sensors_in_a_pipe_are_toml_and_nothing_else(capsys):
    assert main(["guide", "sensors"]) == 0
    text = capsys.readouterr().out
    assert text == starter_sensors()
    assert tomllib.loads(text)["sensor"]


def test_markdown_of_a_page_and_of_the_whole(capsys):
    assert main(["guide", "quality", "--markdown"]) == 0
    assert capsys.readouterr().out == PAGES["quality"]
    assert main(["guide", "--markdown"]) == 0
    whole = capsys.readouterr().out
    assert all(text in whole for text in PAGES.values())


@pytest.mark.parametrize("columns", [60, 80, 200])
def test_on_a_terminal_a_page_is_laid_out_in_its_width(columns, capsys, monkeypatch):
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("TERM", "xterm")
    for topic in ("quality", "car-file"):
        assert main(["guide", topic]) == 0
        text = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out)
        assert max(map(len, text.splitlines())) <= min(columns, 100)
        assert "{{" not in text


def asked(capsys, words):
    """Return what `guide` prints for words, and the pages that it took passages from, in order."""
    assert main(["guide", words]) == 0
    text = " ".join(capsys.readouterr().out.split())
    return text, re.findall(r"(?:-|=) `buswright guide ([\w-]+)`", text)


@pytest.mark.parametrize(
    ("words", "page_of"),
    [
        ("calibration", "calibrations"),
        ("thermistor", "calibrations"),
        ("hold_s", "car-file"),
        ("degC", "units"),
        ("lagged", "formulas"),
        ("pressure", "add-sensor"),
        ("troubleshooting", "wrong-value"),
        ("install", "getting-started"),
        ("healthy", "car-file"),
        ("PULL up", "calibrations"),
    ],
)
def test_any_word_leads_to_passages_that_have_it(words, page_of, capsys):
    text, pages = asked(capsys, words)
    assert page_of in pages
    assert 1 <= len(pages) <= 5
    assert words.split()[0].lower().rstrip("s") in text.lower()


QUESTIONS = {
    "my sensor reads 4.1 V and I get 0.2 bar, why?": ("wrong-value", "Swapped, or in reverse order?"),
    "how do I add a pressure sensor?": ("add-sensor", "Put in the figures of the data sheet"),
    "which wire is open?": ("flaky", "0 V on a three-wire sensor"),
    "is it the module or my laptop?": ("flaky", "your recorder"),
    "what does 65535 mean?": ("wrong-value", "not available"),
    "why are there no frames?": ("wrong-value", "CAN high and low swapped"),
    "how do I set the zero?": ("calibrate", "value = curve + zero"),
    "will a new module fit on the bus?": ("capacity", "buswright capacity"),
    "does the car still match the document?": ("layout", "buswright verify"),
    "my temperature is -40, what is wrong?": ("wrong-value", "A thermistor whose wire is open"),
    "what are unknown IDs?": ("wrong-value", "11-bit and 29-bit identifiers mixed up"),
}


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_is_answered_within_one_call(question, capsys):
    page_of, answer = QUESTIONS[question]
    text, pages = asked(capsys, question)
    assert pages[0] == page_of
    assert answer in text
    assert answer in " ".join(plain(PAGES[page_of]).split())


def test_what_nobody_wrote_of_says_so_and_a_slip_of_the_finger_is_forgiven():
    with pytest.raises(UserError, match="says nothing") as caught:
        main(["guide", "xyzzy"])
    assert "lists the topics" in caught.value.hint
    with pytest.raises(UserError, match="says nothing") as caught:
        main(["guide", "capasity"])
    assert caught.value.hint == "buswright guide capacity"


def test_nothing_is_printed_twice():
    """No paragraph and no long row of a table stands on two pages."""
    found = {}
    for topic, text in PAGES.items():
        outside_code = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
        for block in re.split(r"\n\s*\n|\n(?=\|)", outside_code):
            said = " ".join(block.split())
            if len(said) > 70:
                found.setdefault(said, []).append(topic)
    assert {said: topics for said, topics in found.items() if len(set(topics)) > 1} == {}


def test_an_option_that_many_commands_have_is_explained_once():
    shared = [line for line in section(PAGES["commands"], "## Shared options").splitlines() if line.startswith("| `")]
    assert {"--car FILE", "--json", "--force"} <= set(rows("\n".join(shared)))
    for line in shared:
        assert PAGES["commands"].count(line) == 1, line


def test_topics_are_found_however_they_are_written(capsys):
    assert main(["guide", "Car File"]) == 0
    assert main(["guide", "car_file"]) == 0
    one, other = capsys.readouterr().out.split("The car file\n============")[1:]
    assert one == other


def test_the_list_needs_nothing_heavy():
    code = (
        "import sys\nfrom buswright.cli.main import main\nmain(['guide'])\n"
        "print([n for n in ('numpy', 'cantools', 'rich', 'pydantic') if n in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stderr.strip() == "[]"


def test_plain_text_wraps_tables_lists_and_paragraphs():
    markdown = (
        "# Title\n\nSome *emphasised* and **strong** words with `a * b * c` in code.\n\n"
        "- one\n  goes on\n- two\n\n| key | meaning |\n| --- | --- |\n| `a` | one or \\| other |\n| `b` | "
        + "word " * 30
        + "|\n\n```\nkept   as *it* is\n```\n"
    )
    text = plain(markdown, 40)
    assert text.startswith("Title\n=====\n\nSome emphasised and strong words with\n`a * b * c` in code.\n\n")
    assert " • one goes on\n • two\n" in text
    assert " a    one or | other\n" in text
    assert " kept   as *it* is\n" in text
    assert max(map(len, text.splitlines())) <= 40
    assert text.count("word") == 31


def test_plain_text_leaves_escaped_signs_as_they_are():
    assert plain(r"picks \*/18FF\* and a\_b") == "picks */18FF* and a_b\n"
