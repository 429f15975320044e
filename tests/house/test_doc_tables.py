"""The generated tables of the documentation are fresh, and the generator sees what it is there for."""

import re

import pytest

from support import doc_tables


def test_every_table_is_fresh():
    stale = [str(page.relative_to(doc_tables.ROOT)) for page in doc_tables.stale_pages()]
    assert not stale, "run: python -m support.doc_tables"


def test_a_changed_table_is_out_of_date(tmp_path, monkeypatch):
    page = tmp_path / "page.md"
    fresh = doc_tables.refreshed("<!-- table: codes -->\n<!-- /table -->\n")
    page.write_text(fresh.replace("kept, goal met", "something else"))
    monkeypatch.setattr(doc_tables, "pages", lambda: [page])
    assert doc_tables.stale_pages() == [page]
    page.write_text(fresh)
    assert doc_tables.stale_pages() == []


def test_an_unknown_table_is_named():
    with pytest.raises(ValueError, match="no table is called 'nonsense'"):
        doc_tables.refreshed("<!-- table: nonsense -->\n<!-- /table -->\n")


@pytest.mark.parametrize("package", ["eyebolt", "eyebolt_sim"])
def test_the_table_of_errors_has_every_remedy_and_no_code(package):
    rows = [line.split(" | ") for line in doc_tables.table(f"errors {package}").splitlines()[2:]]
    assert len(rows) > 10
    for code, _, remedy, modules in rows:
        assert remedy, code
        assert re.findall(r"`<(.*?)>`", remedy) == re.findall(r"`<([a-z0-9 +]+)>`", remedy), code
        assert all(module.split(".")[0] == package for module in re.findall(r"`([a-z_.]+)`", modules))


def test_the_table_of_log_events_has_those_of_a_level_chosen_before():
    rows = [line.split(" | ") for line in doc_tables.table("log-events eyebolt.daemon").splitlines()]
    assert ["| `reply sent`", "info, warning", "`aux`, `code`, `kept`, `message`, `seq` |"] in rows


def test_every_page_has_whole_markers():
    for page in doc_tables.pages():
        text = page.read_text(encoding="utf-8")
        assert text.count("<!-- table:") == text.count("<!-- /table -->"), page
