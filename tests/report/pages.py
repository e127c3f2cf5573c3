"""Pages, read: their elements, tables and texts, what they may not do, and what a browser makes of them."""

import json
import re
import shutil
import subprocess
from html.parser import HTMLParser

import pytest

VOID = {"meta", "br", "link", "img", "input", "hr"}


class Page(HTMLParser):
    """Checks nesting; keeps attributes, tables as rows of cell texts, and the text of every element with an id."""

    def __init__(self, text):
        super().__init__()
        self.open, self.attributes, self.tables, self.ids, self.texts = [], [], [], [], []
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag, attrs):
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        self.ids += [value for name, value in attrs if name == "id"]
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "table" in self.open and self.open[-1] not in ("table", "tr", "thead", "tbody"):
            self.tables[-1][-1][-1] += data
        if self.open and self.open[-1] not in ("script", "style"):
            self.texts.append(data)


def data_of(text):
    return json.loads(re.search(r'id="data">(.*?)</script>', text, re.DOTALL)[1])


def assert_it_stands_alone(page, text):
    """No element is there twice, nothing is loaded, links lead to places of the page, the library has its licence."""
    assert len(set(page.ids)) == len(page.ids)
    assert not re.search(r"https?:|//[a-z0-9.-]+\.[a-z]{2,}", text.replace("http://www.w3.org/2000/svg", ""))
    assert not [each for each in page.attributes if each[1] in ("src", "srcset", "data", "action")]
    anchors = [value for _, name, value in page.attributes if name == "href"]
    assert all(value.startswith("#") for value in anchors)
    assert {value[1:] for value in anchors} <= set(page.ids)
    assert not re.search(r"@import|url\(", text)
    assert "default-src 'none'" in text
    assert ("uPlot" in text) == ("Permission is hereby granted" in text), "the plotting library goes with its licence"


def drawn_by_a_browser(text, folder, width=1200):
    """Return the page as a browser has it after its scripts ran."""
    browser = shutil.which("chromium") or shutil.which("google-chrome")
    if browser is None:
        pytest.skip("NOT DRAWN: there is no chromium")
    path = folder / "page.html"
    path.write_text(text, encoding="utf-8")
    options = ["--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}"]
    options += ["--virtual-time-budget=3000", f"--window-size={width},2400", "--dump-dom", path.as_uri()]
    return subprocess.run([browser, *options], capture_output=True, text=True, timeout=120).stdout
