"""Script in any text of a pack reaches no page as anything but text."""

import re
from html.parser import HTMLParser

import pytest

from buswright.cli.main import main
from buswright.layout.handover.manifest import Holds
from buswright.layout.handover.pack import archived
from tests.cli.outputs import RUN
from tests.layout.handover.packs import CAR, EXAMPLES, good, with_files

SCRIPT = "</script><script>alert(1)</script><img src=x onerror=alert(1)>'-->]]>${alert(1)}"


class Acted(HTMLParser):
    """Collects what a browser would act on of the script above."""

    def __init__(self, page):
        super().__init__()
        self.found, self._in_script = [], False
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        self._in_script = tag == "script"
        self.found += [(tag, *each) for each in attributes if "alert(1)" in str(each) and each[0].startswith("on")]
        self.found += [(tag, *each) for each in attributes if each == ("src", "x")]

    def handle_data(self, data):
        if self._in_script and data.strip().startswith("alert(1)"):
            self.found.append(("script", data))
        self._in_script = False


def with_script(text):
    """Put script into every text of a car file that a person writes."""
    text = re.sub(r'(?m)^(name|unit) = "(?!mm|V|bar)([^"]*)"', _named, text)
    text = re.sub(r'\b(by|why|as_found|as_left|plug|supply|ground|input) = "', rf"\g<0>{SCRIPT}", text)
    return re.sub(r'(?m)^cautions = \["', rf"\g<0>{SCRIPT}", text)


def _named(found):
    return f'{found[1]} = "{found[2]}{SCRIPT}"' if found[1] == "name" else found[0]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("scripts")
    car = with_script(CAR.read_text(encoding="utf-8"))
    assert car.count("alert") > 100
    files = {CAR.name: (Holds.CAR, car.encode())}
    for path in EXAMPLES.glob("wrenfell_*.dbc"):
        if path.name in good().contents:
            text = path.read_text(encoding="cp1252")
            text = re.sub(r'(?m)^(CM_ .* ")', rf"\g<1>{SCRIPT}", text).replace('"%"', f'"{SCRIPT}"')
            files[path.name] = (Holds.DATABASE, text.encode("cp1252"))
    (where / "evil.zip").write_bytes(archived(with_files(good(), files)))
    (where / "run.log").write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:700]))
    assert main(["unpack", str(where / "evil.zip"), "--out", str(where / "got"), "--fail-on", "never"]) == 0
    assert main(["unpack", str(where / "evil.zip"), "--out", str(where / "got"), "--fail-on", "fault", "--force"]) == 0
    return where


PAGES = [
    ["health", "run.log", "--car", "{car}", "--fail-on", "never", "--html", "page.html", "--all"],
    ["diagnose", "run.log", "--car", "{car}", "--fail-on", "never", "--html", "page.html", "--all"],
    ["layout", "run.log", "--car", "{car}", "--out", "page.html"],
    ["capacity", "run.log", "--car", "{car}", "--fail-on", "never", "--html", "page.html"],
]


@pytest.mark.parametrize("words", PAGES, ids=lambda words: words[0])
def test_a_page_shows_script_and_runs_none(words, folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    assert main([each.format(car=f"got/{CAR.name}") for each in [*words, "--force"]]) == 0
    capsys.readouterr()
    page = (folder / "page.html").read_text(encoding="utf-8")
    assert "alert(1)" in page, "the page shows none of it: is this test still one?"
    assert Acted(page).found == []


def test_a_page_that_ran_it_would_be_noticed():
    assert [each[0] for each in Acted(f"<p>{SCRIPT}</p>").found] == ["script", "img", "img"]
