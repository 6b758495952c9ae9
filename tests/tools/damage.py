"""Accidents that happen to files: to bytes, to the XML in a workbook, to a Parquet table."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from decimal import Decimal
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from grr.shipped import shipped_folder

HOSTILE = (
    *(b"\x00", b"\xff\xfe", b'"', b";", b",", b"\n", b"\r", b"\t", b"=1+1", b"1e999", b"-0"),
    *(b"nan", "٣".encode(), "µ".encode(), b"[", b"]", b"'''", b"../../etc", b"9" * 400),
    b"\xf0\x9f",
)

#: What may stand in the XML of a workbook in place of what it says.
HOSTILE_XML = (
    *(b"", b" ", b"0", b"-1", b"1", b"1.5", b"1e999", b"NaN", b"INF", b"9" * 40, b"abc", b"true"),
    *(b"s", b"b", b"d", b"e", b"n", b"str", b"inlineStr", b"A1", b"XFD1048576", b"A0", b"AAAA1"),
    *(b"A1:XFD1048576", b"B2:A1", b"1:1", b"=1+1", b"&amp;&lt;", b"&#x10FFFF;", b"rId1", b"rId99"),
    *(b"2024-05-12T00:00:00", b"2024-13-45", b"hidden", b"../../../etc/passwd", b"\xc2\xb5", b"mm"),
    *(b"yyyy-mm-dd", b'0.000" mm"', b"#REF!", b"part", b"operator", b"trial", b"reading", b"study"),
)

#: Cells of a Parquet table.
HOSTILE_CELLS: tuple[Any, ...] = (
    *(None, "", " ", "abc", "1e999", "=1+1", "10,1", "a\x00b", "9" * 400, "٣", float("nan")),
    *(float("inf"), -0.0, 1e308, 5e-324, 0, -1, 2**53 + 1, True, b"\xff\xfe", b"1"),
    *(Decimal("10.0010"), dt.date(2024, 5, 12), dt.datetime(2024, 5, 12, 8), dt.time(8, 30)),
    *(dt.timedelta(seconds=1), [], [1.0], {"a": 1}),
)


def damaged_bytes(content: bytes, others: list[bytes], rng: np.random.Generator) -> bytes:
    """Return a content after one to six accidents."""
    data = bytearray(content)
    others = [other for other in others if other] or [b"?"]
    for _ in range(int(rng.integers(1, 7))):
        at, to = sorted(int(n) for n in rng.integers(0, len(data) + 1, size=2))
        to = min(to, at + 200)
        kind = int(rng.integers(6))
        if kind == 0:
            data[at:to] = rng.bytes(to - at)
        elif kind == 1:
            del data[at:to]
        elif kind == 2:
            data[at:at] = HOSTILE[int(rng.integers(len(HOSTILE)))]
        elif kind == 3:
            data[at:at] = data[at:to] * int(rng.integers(1, 4))
        elif kind == 4:
            del data[at:]
        else:
            other = others[int(rng.integers(len(others)))]
            start = int(rng.integers(len(other)))
            data[at:at] = other[start : start + 200]
    return bytes(data)


def damaged_workbook(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a workbook in which one to six places of its XML are altered."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    for _ in range(int(rng.integers(1, 7))):
        names = list(parts)
        sheets = [name for name in names if "worksheets/" in name or name.endswith("Strings.xml")]
        pool = sheets if sheets and rng.random() < 0.7 else names
        name = pool[int(rng.integers(len(pool)))]
        if rng.random() < 0.02 and len(names) > 1:
            del parts[name]
        else:
            parts[name] = _damaged_xml(parts[name], rng)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:  # stored: packing takes longer than reading
        for name, part in parts.items():
            archive.writestr(name, part)
    return packed.getvalue()


def _damaged_xml(xml: bytes, rng: np.random.Generator) -> bytes:
    """Return XML with one text, attribute or element exchanged, repeated or left out."""
    kind = rng.random()
    pattern = rb'(?<==")[^"]*(?=")' if kind < 0.5 else rb"(?<=>)[^<>]+(?=<)"
    if kind > 0.8:
        pattern = rb"<(\w+)[^<>]*(?:/>|>[^<>]*</\1>)"
    places = [match.span() for match in re.finditer(pattern, xml)]
    if not places:
        return damaged_bytes(xml, [xml], rng) if xml else xml
    start, end = places[int(rng.integers(len(places)))]
    if kind > 0.8:
        new = xml[start:end] * int(rng.choice([0, 0, 2, 3]))
    elif rng.random() < 0.3:
        other = places[int(rng.integers(len(places)))]
        new = xml[slice(*other)]
    else:
        new = HOSTILE_XML[int(rng.integers(len(HOSTILE_XML)))]
    return xml[:start] + new + xml[end:]


@cache
def _whole_table() -> pd.DataFrame:
    table = pd.read_csv(shipped_folder("demo_data") / "all_our_gauges.csv", nrows=180)
    return table.assign(reading=pd.to_numeric(table["reading"], errors="coerce"))


def damaged_parquet(rng: np.random.Generator) -> bytes:
    """Return a Parquet file of some studies after one to four accidents."""
    table = pa.Table.from_pandas(_whole_table(), preserve_index=bool(rng.random() < 0.3))
    for _ in range(int(rng.integers(1, 5))):
        table = _damaged_table(table, rng)
    file = io.BytesIO()
    pq.write_table(table, file)
    return file.getvalue()


def _damaged_table(table: pa.Table, rng: np.random.Generator) -> pa.Table:
    at = int(rng.integers(max(1, table.num_columns)))
    kind = int(rng.integers(8))
    if kind == 0 and table.num_columns > 1:
        return table.remove_column(at)
    if kind == 1:
        names = list(table.column_names)
        names[at] = str(rng.choice([*names, "", "Reading ", "part", "note", "time", "method"]))
        return table.rename_columns(names)
    if kind == 2:
        return table.slice(int(rng.integers(len(table) + 1)), int(rng.integers(40)))
    if kind == 3:
        metadata = (table.schema.metadata or {}).get(b"pandas", b"{}")
        return table.replace_schema_metadata({b"pandas": _damaged_xml(metadata, rng)})
    return table.set_column(at, table.field(at).name, _damaged_column(table.column(at), rng))


def _damaged_column(column: pa.ChunkedArray, rng: np.random.Generator) -> pa.Array:
    """Return a column with some cells of another kind, or all of another type."""
    cells = column.to_pylist()
    value = HOSTILE_CELLS[int(rng.integers(len(HOSTILE_CELLS)))]
    if rng.random() < 0.6:
        for row in rng.integers(len(cells), size=int(rng.integers(1, 4))) if cells else ():
            cells[int(row)] = value
    else:
        cells = [value] * len(cells)
    for kind in (None, pa.string(), pa.large_string(), pa.binary()):
        try:
            array = pa.array(cells, type=kind)
        except (pa.ArrowException, TypeError, ValueError, OverflowError):
            cells = [None if cell is None else str(cell) for cell in cells]
        else:
            break
    if rng.random() < 0.3 and array.type in (pa.string(), pa.int64(), pa.float64()):
        return array.dictionary_encode()
    return array
