"""Reading the bill of material and the placements of a board from an IPC-2581 file (open standard, XML).

Source: IPC-2581, elements Bom (BomItem, RefDes) and Ecad (CadHeader, CadData: Layer, Step, Component).
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Iterable
from decimal import Decimal

from lxml import etree

from trace.engineering.csv_file import MAX_LINES, FileTable, decode
from trace.engineering.rules import shorten

MAX_BYTES = 32_000_000

AGAIN = "Export the board as IPC-2581 again."

KEPT = frozenset(
    ["Bom", "BomItem", "RefDes", "Ecad", "CadHeader", "CadData", "Layer", "Step", "Component", "Xform", "Location"]
)
"""Names of the elements that are read."""

UNITS = {"MILLIMETER": "mm", "MICRON": "um", "INCH": "in"}
"""Units of a CadHeader, as lengths are written in a placement file."""

BOM_COLUMNS = {
    "designators": "RefDes name",
    "quantity": "BomItem quantity",
    "part_number": "BomItem OEMDesignNumberRef",
    "value": "BomItem description",
}
PLACEMENT_COLUMNS = {
    "designator": "Component refDes",
    "x": "Location x",
    "y": "Location y",
    "rotation": "Xform rotation",
    "side": "Component layerRef",
    "value": "Component part",
    "do_not_place": "RefDes populate",
}


def is_xml(content: bytes) -> bool:
    """Whether a file begins as XML does, in UTF-8 or UTF-16."""
    return content[:100].lstrip(b"\xef\xbb\xbf\xff\xfe\0 \t\r\n").startswith(b"<")


def read_bom(content: bytes) -> FileTable:
    """The bill of material as a table for `import_bom`: a line for each BomItem, but documents.

    A RefDes with `populate` false stays empty and is left out; an item of such alone is remarked.
    The quantity may count those or not. Raises nothing on bad content: see `problems`.
    """
    table, root = _parse(content, BOM_COLUMNS)
    if root is None:
        return table
    for item in _limited(table, _only(table, root, "Bom", "BomItem")):
        if item.get("category") == "DOCUMENT":
            continue
        places = list(item.iterchildren("{*}RefDes"))
        filled = [place.get("name", "") for place in places if _filled(place)]
        line = item.sourceline or 1
        if places and not filled:
            number = shorten(item.get("OEMDesignNumberRef", ""))
            table.remarks.append(f"Line {line}: {number} is left out, since none of its places is populated.")
            continue
        quantity = re.sub(r"\.0*$", "", _digits(item.get("quantity", "")))
        if places and quantity == str(len(places)):
            quantity = str(len(filled))  # it may count the places that stay empty, or not
        cells = {"designators": ",".join(filled), "quantity": quantity}
        cells |= {"part_number": item.get("OEMDesignNumberRef", ""), "value": item.get("description", "")}
        table.lines.append((line, cells))
    return _whole(table, "bill of material")


def read_placements(content: bytes) -> FileTable:
    """The placements as a table for `import_placements`: a line for each Component of the board's Step, in order.

    x and y are of its Location, in the CadHeader's unit; the side is that of the layer it lies on. Places that the
    bill of material does not populate are marked. Raises nothing on bad content: see `problems`.
    """
    table, root = _parse(content, PLACEMENT_COLUMNS)
    if root is None:
        return table
    units = {header.get("units", "") for header in root.iterfind("{*}Ecad/{*}CadHeader")}
    if len(units) != 1 or not (unit := UNITS.get(units.pop())):
        return table.fault(f"Its CadHeader does not name one unit of {', '.join(UNITS)}.", AGAIN)
    sides = {layer.get("name"): layer.get("side", "") for layer in root.iterfind("{*}Ecad/{*}CadData/{*}Layer")}
    empty = {place.get("name") for place in root.iterfind("{*}Bom/{*}BomItem/{*}RefDes") if not _filled(place)}
    for component in _limited(table, _only(table, root, "Ecad/{*}CadData/{*}Step", "Component")):
        line, name, layer = component.sourceline or 1, component.get("refDes", ""), component.get("layerRef", "")
        form, location = component.find("{*}Xform"), component.find("{*}Location")
        xform, at = ({} if element is None else element.attrib for element in (form, location))
        if {_digits(xform.get(offset, "0")).strip("0.+-") for offset in ("xOffset", "yOffset")} != {""}:
            table.fault("Its Xform has an offset, which is not read.", "Give the place in its Location alone.", line)
        cells = {
            "designator": name,
            "rotation": _digits(xform.get("rotation", "0")),
            "value": component.get("part", ""),
        }
        cells |= {axis: at[axis] and _digits(at[axis]) + unit for axis in ("x", "y") if axis in at}
        cells |= {"side": sides.get(layer, layer), "do_not_place": "yes" if name in empty else ""}
        table.lines.append((line, cells))
    return _whole(table, "placements")


def _parse(content: bytes, columns: dict[str, str]) -> tuple[FileTable, etree._Element | None]:
    """The root of the file, or None and what is wrong. Nothing but the file itself is read for it."""
    table = FileTable(hashlib.sha256(content).hexdigest(), columns=dict(columns))
    if len(content) > MAX_BYTES:
        return table.fault(f"The file has more than {MAX_BYTES:,} bytes.", "Export it without copper layers."), None
    text = decode(content)
    if text is None:
        return table.fault("The file is neither UTF-8 nor UTF-16 text.", "Save it in UTF-8."), None
    # Entities, which read other files or grow without bound, are declared there alone. It is looked for in the text
    # and that is parsed as UTF-8, whatever its declaration says: no encoding hides it.
    if "<!DOCTYPE" in text:
        return table.fault("The file has a document type declaration.", "Take it out: IPC-2581 needs none."), None
    reader = etree.iterparse(
        io.BytesIO(text.encode()),
        encoding="utf-8",
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        dtd_validation=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        for _, element in reader:
            # Nearly all of a file is copper: what nobody reads is let go as soon as the next has been read.
            if (before := element.getprevious()) is not None and before.tag.rpartition("}")[2] not in KEPT:
                element.getparent().remove(before)
    except etree.XMLSyntaxError as error:
        return table.fault(f"It can't be read as XML: {shorten(error.msg or '', 200)}.", AGAIN, error.lineno or 1), None
    root = reader.root
    if etree.QName(root).localname != "IPC-2581":
        return table.fault(f"It is not IPC-2581, but {shorten(str(etree.QName(root).localname))}.", AGAIN), None
    return table, root


def _only(table: FileTable, root: etree._Element, path: str, child: str) -> list[etree._Element]:
    """The children of the one element at the path that has such; several are a fault."""
    found = [element for element in root.iterfind(f"{{*}}{path}") if element.find(f"{{*}}{child}") is not None]
    if len(found) > 1:
        names = shorten(", ".join(element.get("name", "") for element in found), 200)
        what = f"{len(found)} {etree.QName(found[0]).localname} elements have a {child}: {names}."
        table.fault(what, "Export one board at a time.", found[1].sourceline or 1)
        return []
    return [element for parent in found for element in parent.iterchildren(f"{{*}}{child}")]


def _limited(table: FileTable, elements: list[etree._Element]) -> Iterable[etree._Element]:
    if len(elements) > MAX_LINES:
        table.fault(f"The file has more than {MAX_LINES:,} of them.", "Import one assembly at a time.")
    return elements[:MAX_LINES]


def _whole(table: FileTable, what: str) -> FileTable:
    if not table.lines and not table.problems:
        table.fault(f"The file has no {what}.", AGAIN)
    return table


def _filled(place: etree._Element) -> bool:
    return place.get("populate", "true") not in ("false", "0")


def _digits(number: str) -> str:
    """A number of XML Schema's type double without its exponent; anything else as it is."""
    if re.fullmatch(r"\s*[+-]?([0-9]{1,20}(\.[0-9]{0,20})?|\.[0-9]{1,20})[eE][+-]?[0-9]{1,3}\s*", number):
        value = Decimal(number.strip())
        if abs(value) < 10**9:
            return f"{value.quantize(Decimal('1e-12')):f}"
    return number
