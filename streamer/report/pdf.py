"""The page as a PDF, by WeasyPrint where it is installed. It fetches nothing."""

from importlib.util import find_spec
from pathlib import Path
from typing import Final

MISSING: Final = (
    "--pdf: the package 'weasyprint' is missing; install it with: pip install '.[pdf]' in the "
    "folder of streamer's sources. report.html is written: a browser can print it to a PDF too"
)
UNUSABLE: Final = (
    "--pdf: weasyprint cannot be used here: {}. It needs the libraries Pango and HarfBuzz of the "
    "system and its version 68 or newer. report.html is written: a browser can print it to a PDF "
    "too"
)


class PdfMissing(Exception):
    """No PDF can be made on this machine; the text says what to do. The HTML is written."""


def write_pdf(html: str, path: Path) -> None:
    """Print `html` to `path`. Raises PdfMissing where WeasyPrint is not there or cannot be used,
    OSError where the file cannot be written."""
    if find_spec("weasyprint") is None:
        raise PdfMissing(MISSING)
    try:
        from weasyprint import HTML  # noqa: PLC0415
        from weasyprint.urls import URLFetcher  # noqa: PLC0415
    except (ImportError, OSError) as error:  # OSError: a library of the system is missing
        raise PdfMissing(UNUSABLE.format(error)) from error
    # The page needs nothing from outside. Should a text ever slip in as markup, nothing of this
    # machine or of the network is fetched for it.
    nothing = URLFetcher(allowed_protocols=("data",), allow_redirects=False)
    made = HTML(string=html, url_fetcher=nothing).write_pdf(pdf_tags=True)
    path.write_bytes(made)
