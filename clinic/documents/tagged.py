"""Tagged, dated, reproducible PDF/A-2b: marked content and a structure tree over reportlab.

reportlab knows no tags. The canvas below notes which element every stretch of content belongs
to, and writes the tree, the output intent and the metadata when the file is closed.
Sources: ISO 32000-1, 14.6 to 14.8 (tags), ISO 19005-2 (archive form), both from memory; the
files are checked by a validator in the tests.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from functools import cache
from typing import Any
from xml.sax.saxutils import escape

from PIL import ImageCms
from reportlab.lib.utils import TimeStamp
from reportlab.pdfbase.pdfdoc import (
    PDFArray,
    PDFCatalog,
    PDFDictionary,
    PDFName,
    PDFPage,
    PDFStream,
    PDFString,
    PDFZCompress,
)
from reportlab.pdfbase.pdfmetrics import standardFonts
from reportlab.pdfgen.canvas import Canvas

from clinic.documents.fonts import BODY


class _Page(PDFPage):  # type: ignore[misc]  # reportlab is untyped
    """A page that may name its place in the structure tree."""

    __NoDefault__ = [*PDFPage.__NoDefault__, "StructParents", "Tabs"]


class _Catalog(PDFCatalog):  # type: ignore[misc]  # reportlab is untyped
    """A catalogue that may name the colours of the file."""

    __NoDefault__ = [*PDFCatalog.__NoDefault__, "OutputIntents"]


class Node:
    """An element of the structure tree; `kids` are elements or (page, mark) pairs."""

    def __init__(self, tag: str, parent: "Node | None" = None, **attributes: Any) -> None:
        self.tag, self.parent, self.attributes = tag, parent, attributes
        self.kids: list[Node | tuple[int, int]] = []
        if parent:
            parent.kids.append(self)


class TaggedCanvas(Canvas):  # type: ignore[misc]  # reportlab is untyped
    """A canvas that tags what is drawn; page furniture is drawn at the end, when x of y is known.

    Set on a subclass made for one paper: `dated`, `language`, `furniture(canvas, page, pages)`.
    """

    dated: date
    language = "en-GB"
    furniture: Callable[["TaggedCanvas", int, int], None] | None = None

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.root = self.at = Node("Document")
        self.marks: list[list[Node]] = [[]]  # page -> the element of each mark
        self.finished: list[dict[str, Any]] = []
        self._doc._timeStamp = _stamp(self.dated)  # noqa: SLF001  # reportlab gives no other way

    def open(self, tag: str, **attributes: Any) -> Node:
        """Begin an element that holds other elements."""
        self.at = Node(tag, self.at, **attributes)
        return self.at

    def close(self) -> None:
        """End the element opened last."""
        if self.at.parent is None:
            raise ValueError("closed more elements than were opened")
        self.at = self.at.parent

    @contextmanager
    def marked(self, tag: str, **attributes: Any) -> Iterator[None]:
        """Tag what is drawn inside as the content of a new element."""
        node, mark = self.open(tag, **attributes), len(self.marks[-1])
        self.marks[-1].append(node)
        node.kids.append((len(self.marks) - 1, mark))
        self._code.append(f"/{tag} <</MCID {mark}>> BDC")
        yield
        self._code.append("EMC")
        self.close()

    @contextmanager
    def artifact(self, kind: str = "") -> Iterator[None]:
        """Mark what is drawn inside as not part of the text: lines, page furniture."""
        self._code.append(f"/Artifact <</Type /{kind}>> BDC" if kind else "/Artifact BMC")
        yield
        self._code.append("EMC")

    def setFont(self, name: str, size: float, leading: float | None = None) -> None:  # noqa: N802  # reportlab's name
        """Set the font; a drawing that falls back to one of the unembedded fonts gets ours."""
        super().setFont(BODY if name in standardFonts else name, size, leading)

    def showPage(self) -> None:  # noqa: N802  # reportlab's name
        """Put the page aside until the number of pages is known."""
        self.finished.append(dict(self.__dict__))
        self.marks.append([])
        self._startPage()

    def save(self) -> None:
        """Draw the furniture of every page, then write tree, colours, metadata and file."""
        finished, root = self.finished, self.root
        for number, state in enumerate(finished, 1):
            self.__dict__.update(state)
            if self.furniture:
                type(self).furniture(self, number, len(finished))  # type: ignore[misc]  # a plain function of the subclass
            super().showPage()
        self.root = root
        self._write_tree()
        self._write_archive_marks()
        self._code: list[str] = []  # the canvas would add an empty page for what is left here
        self._doc.SaveToFile(self._filename, self)

    def _write_tree(self) -> None:
        doc = self._doc
        pages = [
            page if isinstance(page, PDFPage) else doc.idToObject[page.name]
            for page in doc.Pages.pages
        ]
        tree = PDFDictionary({"Type": PDFName("StructTreeRoot")})
        writer = _TreeWriter(doc, [doc.Reference(page) for page in pages])
        tree["K"] = PDFArray([writer.write(self.root, doc.Reference(tree))])
        numbers: list[Any] = []
        for index, page in enumerate(pages):
            page.__class__ = _Page
            page.StructParents, page.Tabs, page.Trans = index, PDFName("S"), None
            owners = [writer.references[id(node)] for node in self.marks[index]]
            numbers += [index, PDFArray(owners)]
        tree["ParentTree"] = PDFDictionary({"Nums": PDFArray(numbers)})
        tree["ParentTreeNextKey"] = len(pages)
        doc.Catalog.__class__ = _Catalog
        doc.Catalog.StructTreeRoot = tree
        doc.Catalog.MarkInfo = PDFDictionary({"Marked": "true"})

    def _write_archive_marks(self) -> None:
        doc = self._doc
        colours = PDFStream(content=srgb_profile(), filters=[PDFZCompress])
        colours.dictionary["N"] = 3
        intent = {
            "Type": PDFName("OutputIntent"),
            "S": PDFName("GTS_PDFA1"),
            "OutputConditionIdentifier": PDFString("sRGB"),
            "DestOutputProfile": doc.Reference(colours),
        }
        doc.Catalog.OutputIntents = PDFArray([PDFDictionary(intent)])
        about = PDFStream(content=self._metadata().encode(), filters=[])
        about.dictionary["Type"], about.dictionary["Subtype"] = PDFName("Metadata"), PDFName("XML")
        doc.Catalog.Metadata = about

    def _metadata(self) -> str:
        info = self._doc.info
        names = ("title", "author", "subject", "keywords", "creator", "producer")
        words = {name: escape(str(getattr(info, name) or "")) for name in names}
        stamp = f"{self.dated.isoformat()}T00:00:00+00:00"
        return METADATA.format(language=escape(self.language), stamp=stamp, **words)


def _stamp(dated: date) -> TimeStamp:
    """The paper's own date as the date of the file, so that the same paper has the same bytes."""
    at = datetime(dated.year, dated.month, dated.day, tzinfo=UTC)
    stamp = TimeStamp(1)
    stamp.t, stamp.lt = at.timestamp(), tuple(at.timetuple())
    stamp.YMDhms = stamp.lt[:6]
    return stamp


class _TreeWriter:
    """Writes elements as PDF objects and remembers the reference of each."""

    def __init__(self, doc: Any, pages: list[Any]) -> None:
        self.doc, self.pages = doc, pages
        self.references: dict[int, Any] = {}

    def write(self, node: Node, parent: Any) -> Any:
        element = PDFDictionary(
            {"Type": PDFName("StructElem"), "S": PDFName(node.tag), "P": parent}
        )
        reference = self.references[id(node)] = self.doc.Reference(element)
        element["K"] = PDFArray([self._kid(kid, reference) for kid in node.kids])
        if "alt" in node.attributes:
            element["Alt"] = PDFString(node.attributes["alt"])
        if layout := _attributes(node.attributes):
            element["A"] = PDFDictionary(layout)
        return reference

    def _kid(self, kid: Node | tuple[int, int], parent: Any) -> Any:
        if isinstance(kid, Node):
            return self.write(kid, parent)
        page, mark = kid
        return PDFDictionary({"Type": PDFName("MCR"), "Pg": self.pages[page], "MCID": mark})


def _attributes(given: dict[str, Any]) -> dict[str, Any]:
    if "bbox" in given:
        box = PDFArray(given["bbox"])
        return {"O": PDFName("Layout"), "BBox": box, "Placement": PDFName("Block")}
    if "scope" in given:
        return {"O": PDFName("Table"), "Scope": PDFName(given["scope"])}
    if "numbering" in given:
        return {"O": PDFName("List"), "ListNumbering": PDFName(given["numbering"])}
    return {}


@cache
def srgb_profile() -> bytes:
    """The sRGB colour profile with a fixed date and number, so that bytes repeat."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    data = bytearray(profile.tobytes())
    data[24:36] = bytes([7, 208, 0, 1, 0, 1] + [0] * 6)  # ICC.1, 7.2.8: 1 January 2000
    data[84:100] = bytes(16)  # ICC.1, 7.2.18: no profile id
    return bytes(data)


METADATA = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF \
xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" \
xmlns:pdf="http://ns.adobe.com/pdf/1.3/" xmlns:xmp="http://ns.adobe.com/xap/1.0/" \
xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/">
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt></dc:title>
<dc:creator><rdf:Seq><rdf:li>{author}</rdf:li></rdf:Seq></dc:creator>
<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{subject}</rdf:li></rdf:Alt></dc:description>
<dc:language><rdf:Bag><rdf:li>{language}</rdf:li></rdf:Bag></dc:language>
<pdf:Producer>{producer}</pdf:Producer><pdf:Keywords>{keywords}</pdf:Keywords>
<xmp:CreatorTool>{creator}</xmp:CreatorTool>\
<xmp:CreateDate>{stamp}</xmp:CreateDate><xmp:ModifyDate>{stamp}</xmp:ModifyDate>
<pdfaid:part>2</pdfaid:part><pdfaid:conformance>B</pdfaid:conformance>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="w"?>"""
