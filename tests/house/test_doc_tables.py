"""The generated tables of the documentation are fresh, and the generator sees what it is there for."""

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


def test_every_page_has_whole_markers():
    for page in doc_tables.pages():
        text = page.read_text(encoding="utf-8")
        assert text.count("<!-- table:") == text.count("<!-- /table -->"), page
