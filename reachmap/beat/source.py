"""Looking at a file before anything opens it: is it there, how large, what is it really, in which encoding."""

from __future__ import annotations

import codecs
import hashlib
import lzma
import posixpath
import re
import stat
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from reachmap.beat.messages import Report, stop

MEGABYTE = 1_000_000
LARGEST = {"json": 200 * MEGABYTE, "kml": 100 * MEGABYTE, "gpx": 200 * MEGABYTE, "table": 4000 * MEGABYTE}
LARGEST_OTHER = 1000 * MEGABYTE
"""Sizes above which a file is refused [bytes]: well beyond any survey of one reach, well below a machine's memory."""

KIND_WORDS = {
    "json": "GeoJSON",
    "gpkg": "GeoPackage",
    "shp": "shapefile",
    "zip": "zip archive",
    "kmz": "KMZ",
    "kml": "KML",
    "gpx": "GPX",
    "xlsx": "Excel workbook",
    "table": "text table",
    "nmea": "NMEA 0183 log",
    "tiff": "GeoTIFF",
}
_MAGIC = [
    (b"SQLite format 3\x00", "gpkg"),
    (b"\x00\x00\x27\x0a", "shp"),
    (b"II*\x00", "tiff"),
    (b"MM\x00*", "tiff"),
    (b"II+\x00", "tiff"),
    (b"MM\x00+", "tiff"),
]
SHP_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
"""Files of one name that a shapefile is made of."""

_NMEA = re.compile(r"\s*[$!][A-Z]{2}[A-Z0-9]{3},")
_CHUNK = 1 << 20
DAMAGED = (zipfile.BadZipFile, RuntimeError, ValueError, EOFError, zlib.error, lzma.LZMAError)
"""What Python's zipfile raises for an archive that it can't read: RuntimeError is for packings and passwords that it
doesn't know, the last two are of the packings themselves."""


@dataclass(frozen=True)
class Source:
    """A file that was looked at.

    Parameters
    ----------
    path : where it is
    name : as shown to the user, relative to the beat folder
    kind : what its first bytes say it is, a key of `KIND_WORDS`
    encoding : of a text file, else ""
    sha256 : of its bytes
    size : [bytes]
    beside : sha256 of the other files it is made of, by their names
    """

    path: Path
    name: str
    kind: str
    encoding: str
    sha256: str
    size: int
    beside: Mapping[str, str] = field(default_factory=dict)


def look(path: Path, folder: Path, report: Report) -> Source:
    """Look at a file; InputError says why it can't be used at all."""
    name = shown_name(path, folder)
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):
            raise stop("not-a-file", name, kind="folder" if stat.S_ISDIR(mode) else "special file")
        size = path.stat().st_size
        if size == 0:
            raise stop("empty", name)
        with path.open("rb") as file:
            head = file.read(4096)
        kind = _kind(path, head, name)
        largest = LARGEST.get(kind, LARGEST_OTHER)
        if size > largest:
            raise stop("too-large", name, size=size // MEGABYTE, limit=largest // MEGABYTE)
        is_text = kind in ("json", "kml", "gpx", "table", "nmea")
        sha256, encoding = _scan(path, head, name, is_text)
        parts = shp_parts(path).values() if kind == "shp" else gpkg_log(path, kind)
        beside = {shown_name(part, folder): _scan(part, b"", name, False)[0] for part in parts if part != path}
    except OSError as error:
        raise stop("unreadable", name, why=error.strerror or type(error).__name__) from error
    if encoding == "cp1252":
        report.say("encoding-guessed", name)
    if kind in ("kml", "gpx"):
        _refuse_entities(path, encoding, name)
    return Source(path, name, kind, encoding, sha256, size, beside)


def shp_parts(path: Path) -> dict[str, Path]:
    """The files a shapefile is made of, by their endings in lower case."""
    found = {part.suffix.lower(): part for part in sorted(path.parent.iterdir()) if part.stem == path.stem}
    return {ending: found[ending] for ending in SHP_PARTS if ending in found}


def gpkg_log(path: Path, kind: str) -> tuple[Path, ...]:
    """The log that a GeoPackage has while another program holds it open, if any: what was saved last is only there."""
    log = path.with_name(f"{path.name}-wal")
    return (log,) if kind == "gpkg" and log.is_file() and log.stat().st_size else ()


def shown_name(path: Path, folder: Path) -> str:
    """The path as the user knows it."""
    try:
        return str(path.relative_to(folder))
    except ValueError:
        return str(path)


def inside(given: str, folder: Path, where: str) -> Path:
    """A path written in beat.toml as a path inside the beat folder.

    Addresses and virtual file systems are refused, since nothing is fetched; paths that lead out of the folder, since
    a beat may come from a stranger and its map may go to others.
    """
    path = given.replace("\\", "/")
    odd = "://" in path or path.lower().lstrip().startswith("/vsi") or not path.isprintable()
    if odd or re.match(r"[A-Za-z][A-Za-z0-9_]+:", path):
        raise stop("address", "beat.toml", where, value=given)
    if re.match(r"/|[A-Za-z]:", path) or posixpath.normpath(path).startswith(".."):
        raise stop("outside-folder", "beat.toml", where, value=given)
    return folder / path


def _kind(path: Path, head: bytes, name: str) -> str:
    """What the first bytes say; the name only decides between flavours of the same."""
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return kind
    if head.startswith(b"PK"):
        return _zip_kind(path, name)
    text = _decode_head(head).lstrip("\ufeff").lstrip()
    low = text[:2000].lower()
    if low.startswith("{") or (low.startswith("[") and path.suffix.lower() in (".json", ".geojson")):
        return "json"
    if low.startswith("<"):
        return _xml_kind(low, name)
    if _NMEA.match(text):
        return "nmea"
    if "\x00" in text or sum(c.isprintable() or c.isspace() for c in text) < 0.95 * len(text):
        raise stop("not-known", name)
    if path.suffix.lower() in (".geojson", ".json", ".gpkg", ".shp", ".kml", ".kmz", ".gpx", ".zip", ".tif", ".tiff"):
        raise stop("not-what-it-says", name, ending=path.suffix.lower(), really="plain text")
    return "table"


def _xml_kind(low: str, name: str) -> str:
    if "<ogrvrt" in low or "<vrtdataset" in low:
        raise stop("virtual", name)
    if "<!doctype html" in low or "<html" in low:
        raise stop("web-page", name)
    for tag, kind in (("<kml", "kml"), ("<gpx", "gpx")):
        if tag in low or f"<{kind}:{kind}" in low:
            return kind
    if "<!entity" in low or "<!doctype" in low:
        raise stop("entities", name)
    raise stop("not-known", name)


def _zip_kind(path: Path, name: str) -> str:
    try:
        with zipfile.ZipFile(path) as archive:
            inner = archive.namelist()
    except DAMAGED as error:
        raise stop("damaged", name, kind="zip archive", why=str(error)) from error
    if "xl/workbook.xml" in inner:
        return "xlsx"
    return "kmz" if path.suffix.lower() == ".kmz" else "zip"


def _decode_head(head: bytes) -> str:
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return head.decode("utf-16", "replace")
    try:
        return codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return head.decode("cp1252", "replace")


def _scan(path: Path, head: bytes, name: str, is_text: bool) -> tuple[str, str]:
    """Checksum of the whole file and, for text, the first encoding that fits all of it; in pieces."""
    digest = hashlib.sha256()
    encodings = ["utf-8-sig", "cp1252"] if is_text else []
    if is_text and head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encodings = ["utf-16"]
    decoders = {name: codecs.getincrementaldecoder(name)() for name in encodings}
    with path.open("rb") as file:
        while True:
            piece = file.read(_CHUNK)
            digest.update(piece)
            for encoding in list(decoders):
                try:
                    decoders[encoding].decode(piece, final=not piece)
                except UnicodeDecodeError:
                    del decoders[encoding]
            if not piece:
                break
    if is_text and not decoders:
        raise stop("encoding", name)
    return digest.hexdigest(), next(iter(decoders), "")


def _refuse_entities(path: Path, encoding: str, name: str) -> None:
    """XML that defines entities can grow without end or read other files; no map file needs them."""
    tail = ""
    with path.open(encoding=encoding, errors="replace") as file:
        while piece := file.read(_CHUNK):
            if "<!ENTITY" in (both := tail + piece) or "<!DOCTYPE" in both:
                raise stop("entities", name)
            tail = piece[-16:]


def unpack(source: Source, into: Path) -> list[Path]:
    """Unpack a zip archive's map files, flat, into a scratch folder, within limits.

    Names with folders are cut to their last part, so nothing can land elsewhere; links are never made;
    the size is counted while unpacking, whatever the archive claims.
    """
    limit, most = LARGEST_OTHER, 200
    out: list[Path] = []
    try:
        with zipfile.ZipFile(source.path) as archive:
            # Not by `is_dir`, which fails at an entry without a name.
            entries = [entry for entry in archive.infolist() if not entry.filename.endswith("/")]
            if len(entries) > most:
                raise stop("zip-many", source.name, count=len(entries), limit=most)
            for entry in entries:
                parts = Path(entry.filename.replace("\\", "/")).parts
                if ".." in parts or entry.filename.startswith(("/", "\\")) or ":" in entry.filename:
                    raise stop("zip-escape", source.name, entry=entry.filename)
                if stat.S_ISLNK(entry.external_attr >> 16):
                    raise stop("zip-escape", source.name, entry=entry.filename)
                if not parts:
                    raise zipfile.BadZipFile("an entry has no name")
                if "__MACOSX" in parts or parts[-1].startswith("._"):
                    continue  # what one system keeps about every file, under its name
                target = into / parts[-1]
                limit -= _unpack_one(archive, entry, target, limit, source)
                out.append(target)
    except (*DAMAGED, OSError) as error:
        raise stop("damaged", source.name, kind="zip archive", why=str(error)) from error
    return out


def _unpack_one(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, limit: int, source: Source) -> int:
    """Unpack one entry; its size, which may not exceed what is left of the limit nor a ratio no map file reaches."""
    done = 0
    most = min(limit, max(50 * MEGABYTE, 100 * source.size))
    with archive.open(entry) as file, target.open("wb") as out:
        while piece := file.read(_CHUNK):
            done += len(piece)
            if done > most:
                raise stop("zip-bomb", source.name, entry=entry.filename, limit=most // MEGABYTE)
            out.write(piece)
    return done
