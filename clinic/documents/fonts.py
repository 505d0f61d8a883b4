"""The letter shapes of the papers, embedded in every file."""

import re
import unicodedata
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import font_source_sans_pro
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from clinic.domain.paper import Unprintable

BODY = "Body"
BOLD = "Body-Bold"
_STYLES = {BODY: "Regular", BOLD: "Bold"}
_BLANKS = re.compile(r"\r\n?|[\t\x0b\x0c\x85\u2028\u2029]")


@cache
def register() -> None:
    """Make the fonts known to reportlab, once."""
    folder = Path(font_source_sans_pro.__file__).parent / "files"
    for name, style in _STYLES.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / f"SourceSansPro-{style}.ttf")))
    # the papers use no italics: an <i> that slipped in must not name a font that is not there
    pdfmetrics.registerFontFamily(BODY, normal=BODY, bold=BOLD, italic=BODY, boldItalic=BOLD)


def composed(text: str) -> str:
    """The text with accents composed and every line end and blank in one form."""
    plain = _BLANKS.sub(lambda found: " " if found[0] == "\t" else "\n", text)
    return unicodedata.normalize("NFC", plain)


def refuse_unprintable(texts: Iterable[str]) -> None:
    """Raises Unprintable, naming each character that has no shape in both fonts."""
    register()
    shapes = [pdfmetrics.getFont(name).face.charToGlyph for name in _STYLES]
    letters = set("".join(composed(text) for text in texts)) - {"\n"}
    unknown = sorted(char for char in letters if any(ord(char) not in face for face in shapes))
    if unknown:
        raise Unprintable(tuple(unknown))
