"""What a workbook's file says of its cells and a reader of values does not: merged ones, formulas without a result."""

from __future__ import annotations

import posixpath
import zipfile
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from openpyxl.utils.cell import coordinate_to_tuple, range_boundaries

RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """Cells of a sheet, rows and columns counted from 0.

    Parameters
    ----------
    merged : tuple of (int, int, int)
        Column, first and last row of cells of one column that are merged.
    formulas : tuple of (int, int)
        Row and column of each formula whose result was not saved with it.
    """

    merged: tuple[tuple[int, int, int], ...] = ()
    formulas: tuple[tuple[int, int], ...] = ()


def unread_by_library(path: Path) -> defaultdict[str, Unread]:
    """Such cells of each sheet of a workbook, by the sheet's name."""
    found = defaultdict[str, Unread](Unread)
    with zipfile.ZipFile(path) as archive:
        names = set(archive.namelist())
        if not {"xl/workbook.xml", "xl/_rels/workbook.xml.rels"} <= names:
            return found
        relations = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
        target = {r.get("Id"): posixpath.join("/xl", r.get("Target", "")).lstrip("/") for r in relations}
        for sheet in ElementTree.fromstring(archive.read("xl/workbook.xml")).findall(".//{*}sheet"):
            place = target.get(sheet.get(RELATION), "")
            text = archive.read(place) if place in names else b""
            if b"<f" in text or b"mergeCell" in text:
                found[sheet.get("name", "")] = _unread(ElementTree.fromstring(text))
    return found


def _unread(sheet: ElementTree.Element) -> Unread:
    merged, formulas = [], []
    row = 0
    for line in sheet.findall(".//{*}sheetData/{*}row"):
        # Places need not be written: what has none follows the one before it.
        row, column = int(line.get("r", row + 1)), 0
        for cell in line.findall("{*}c"):
            column = coordinate_to_tuple(cell.get("r", ""))[1] if "r" in cell.attrib else column + 1
            # A formula that gives an empty text says so by the type of its cell.
            if cell.find("{*}f") is not None and not cell.findtext("{*}v") and cell.get("t") != "str":
                formulas.append((row - 1, column - 1))
    for area in sheet.findall(".//{*}mergeCell"):
        left, top, right, bottom = range_boundaries(area.get("ref", ""))
        if left == right:
            merged.append((left - 1, top - 1, bottom - 1))
    return Unread(merged=tuple(merged), formulas=tuple(formulas))
