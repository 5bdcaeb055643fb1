"""Every file that is made of a dossier's record: `run` writes them, `verify` makes them again and compares."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from validation.dossier.document import build_document
from validation.dossier.html import render_html
from validation.dossier.listings import long_tables
from validation.dossier.pdf import source_of
from validation.dossier.raw_data import listings
from validation.dossier.record import DossierRecord
from validation.dossier.typesetting import typeset
from validation.dossier.workbook.book import WORKBOOK
from validation.threads import threads

HTML, PDF = "dossier.html", "dossier.pdf"

#: Makes a PDF of what `source_of` gives, in this process or another.
SetPages = Callable[[Mapping[str, Any]], bytes]


def set_here(source: Mapping[str, Any]) -> bytes:
    """The pages set in this process."""
    return typeset(**source)


def rendered(record: DossierRecord, set_pages: SetPages = set_here) -> dict[str, bytes]:
    """The pages and the files next to them, by name; the same record gives the same bytes.

    Parameters
    ----------
    record : the whole record
    set_pages : makes the PDF; another process may, so that both kinds of pages are made at once
    """
    document = build_document(record)
    source = source_of(document)
    with threads(1) as pool:
        pdf = pool.submit(set_pages, source)
        html = render_html(document).encode("utf-8")
        files = listings(record.study, record.judgement.flags) | long_tables(record.evaluations)
        return {HTML: html, PDF: pdf.result(), WORKBOOK: record.attached[WORKBOOK], **files}
