"""What a new HTML page needs beside its body: whatever is forgotten fails here, by name."""

import re
from pathlib import Path

import pytest

import buswright
from buswright.report.page import html_table, render_page

PACKAGE = Path(buswright.__file__).parent
REPORT = PACKAGE / "report"
PAGES = [path for path in REPORT.rglob("*page.py") if path.parent != REPORT]
WRITTEN_TO_OUT = {"buswright.report.layout.page": "the command is for nothing but the document"}
SOURCES = {path: path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")}


def users_of(page):
    """The name of the page's module, and by name the commands that write it, themselves or by `written` beside it."""
    module = ".".join(("buswright", *page.relative_to(PACKAGE).with_suffix("").parts))
    users = {path: text for path, text in SOURCES.items() if f"from {module} " in text}
    written = {path.parent.name: text for path, text in users.items() if path.stem == "written"}
    return module, written | {path.stem: text for path, text in users.items() if "commands" in path.parts}


def test_there_are_pages():
    assert PAGES


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.stem)
def test_a_page_is_put_together_by_render_page_and_has_its_option(page):
    assert "render_page(" in SOURCES[page], "put together by render_page of report/page.py"
    module, users = users_of(page)
    assert users, "its option in a command of cli/commands/"
    assert module in WRITTEN_TO_OUT or any("add_html(" in text or '"--html"' in text for text in users.values()), (
        "its option in the command"
    )


@pytest.mark.parametrize("page", PAGES, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_a_page_is_looked_at_in_a_browser(page):
    _, commands = users_of(page)
    looked_at = (Path(__file__).parent.parent / "acceptance" / "pages_made.py").read_text(encoding="utf-8")
    assert any(f'"{command}"' in looked_at for command in commands), "a call in tests/acceptance/pages_made.py"


@pytest.mark.parametrize(("columns", "kinds"), [(3, "sortable"), (4, "sortable cards"), (13, "sortable cards broad")])
def test_broad_tables_have_a_form_for_phone_and_paper(columns, kinds):
    table = html_table([f"head {k}" for k in range(columns)], [["a", "", *"b" * (columns - 2)]], label="label")
    assert f'<table class="{kinds}">' in table
    assert ('<td data-head="head 1" data-empty>' in table) == (columns > 3)
    css = (REPORT / "assets" / "page.css").read_text(encoding="utf-8")
    assert all(f"table.{kind}" in css for kind in kinds.split())


def test_every_script_of_the_folder_is_on_a_page():
    """And a page whose script isn't there can't be made."""
    pages = "".join(SOURCES[path] for path in [*PAGES, REPORT / "page.py"])
    forgotten = [
        path.name
        for path in (REPORT / "assets").iterdir()
        if path.suffix in (".js", ".css") and not re.search(rf"""["']{path.name}["']""", pages)
    ]
    assert not forgotten, "name it in the scripts of its page"
    with pytest.raises(FileNotFoundError):
        render_page("title", "body", data={}, scripts=["none.js"])
