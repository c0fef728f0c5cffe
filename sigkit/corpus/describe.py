"""Write ``dataset.json``: Croissant 1.0 metadata (the MLCommons vocabulary) made from the files of the data set."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sigkit.capture.atomic_file import atomic_file
from sigkit.corpus.description import FILE_NAME, own_part, read_description
from sigkit.corpus.label_journal import LabelJournal
from sigkit.corpus.manifest import FILE_NAME as MANIFEST
from sigkit.corpus.manifest import manifest_columns, manifest_rules, read_manifest
from sigkit.corpus.splits import FILE_NAME as SPLITS_FILE
from sigkit.corpus.splits import RULES as SPLIT_RULES
from sigkit.corpus.typed_csv import ColumnRule
from sigkit.errors import DatasetError
from sigkit.provenance import file_hash, versions

#: The vocabulary's own context (Croissant 1.0); ``sigkit`` is ours, read as plain JSON.
CONTEXT: dict[str, Any] = {
    "@language": "en", "@vocab": "https://schema.org/", "citeAs": "cr:citeAs", "column": "cr:column",
    "conformsTo": "dct:conformsTo", "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/", "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"}, "dct": "http://purl.org/dc/terms/",
    "equivalentProperty": "cr:equivalentProperty", "examples": {"@id": "cr:examples", "@type": "@json"},
    "extract": "cr:extract", "field": "cr:field", "fileProperty": "cr:fileProperty", "fileObject": "cr:fileObject",
    "fileSet": "cr:fileSet", "format": "cr:format", "includes": "cr:includes", "isLiveDataset": "cr:isLiveDataset",
    "jsonPath": "cr:jsonPath", "key": "cr:key", "md5": "cr:md5", "parentField": "cr:parentField", "path": "cr:path",
    "recordSet": "cr:recordSet", "references": "cr:references", "regex": "cr:regex", "repeated": "cr:repeated",
    "replace": "cr:replace", "samplingRate": "cr:samplingRate", "sc": "https://schema.org/",
    "separator": "cr:separator", "source": "cr:source", "subField": "cr:subField", "transform": "cr:transform",
    "sigkit": {"@id": "urn:sigkit:dataset", "@type": "@json"},
}  # fmt: skip
_TYPES = {"text": "sc:Text", "number": "sc:Float", "count": "sc:Integer"}


@dataclass(frozen=True)
class Statement:
    """What a person says of a data set.

    Attributes
    ----------
    description : str
        What it is, one or two sentences.
    licence : str
        SPDX name.
    creator : str
        Who answers for it, no person's name.
    version : str
        Such as 1.0.0.
    published : str
        Date, ISO 8601.
    invented : bool
        The setting (engines, boats, faults) is invented.
    how_made : str
        How captures were made or recorded.
    not_for : str
        What it must not be used for, beside the standing exclusions.
    """

    description: str
    licence: str = "CC-BY-4.0"
    creator: str = "the contributors"
    version: str = "1.0.0"
    published: str = ""
    invented: bool = False
    how_made: str = ""
    not_for: str = ""


def write_description(
    folder: str | Path, statement: Statement | None = None, *, mixed_origins: bool = False,
    splits: dict[str, Any] | None = None, extra: dict[str, Any] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Write ``dataset.json`` anew from the files; what it said under ``sigkit`` is kept.

    Parameters
    ----------
    folder : path
    statement : Statement, optional
        By default the one written before.
    mixed_origins : bool
        Say that captures, or labels of one reader, are of several origins.
    splits : dict, optional
        How the splits were drawn; given by the command that draws them.
    extra : dict, optional
        Further entries under ``sigkit``.

    Raises
    ------
    DatasetError
        When there is no statement, or the splits are not the ones that were frozen.
    """
    home = Path(folder)
    own = own_part(read_description(home)) | (extra or {})
    if statement is None:
        if "statement" not in own:
            raise DatasetError(FILE_NAME, "does not say what the data set is", "run sigkit dataset card with "
                               "--description and --licence")  # fmt: skip
        statement = statement_of(own["statement"])
    own["statement"] = asdict(statement)
    path = home / SPLITS_FILE
    if splits is not None:
        own["splits"] = {**splits, "sha256": file_hash(path)}
    elif "splits" in own and (not path.is_file() or own["splits"].get("sha256") != file_hash(path)):
        raise DatasetError(SPLITS_FILE, "is not the file that was frozen", "bring it back: results that were "
                           "published belong to those splits")  # fmt: skip
    rules = manifest_rules(own.get("columns") or {})
    rows = read_manifest(home, rules)
    if mixed_origins:
        own["origins"] = found_origins(home, (row["origin"] for row in rows))
    own.setdefault("versions", versions())
    told: dict[str, Any] = {
        "@context": CONTEXT, "@type": "sc:Dataset", "conformsTo": "http://mlcommons.org/croissant/1.0",
        "name": home.resolve().name, "description": statement.description,
        "license": f"https://spdx.org/licenses/{statement.licence}.html", "version": statement.version,
        "creator": {"@type": "sc:Organization", "name": statement.creator},
    }  # fmt: skip
    if statement.published:
        told["datePublished"] = statement.published
    # A folder has no address on the web; the vocabulary wants one all the same.
    told |= {"url": f"urn:sigkit:dataset:{told['name']}", "isLiveDataset": False}
    told["citeAs"] = f"{statement.creator}: {told['name']}, version {statement.version}"
    told["distribution"] = _distribution(home)
    told["recordSet"] = [_record_set("manifest", {name: rules[name] for name in manifest_columns(rows, rules)})]
    if path.is_file():
        told["recordSet"].append(_record_set("splits", SPLIT_RULES))
    told["sigkit"] = own
    with atomic_file(home / FILE_NAME) as temporary:
        temporary.write_text(json.dumps(told, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return told


def statement_of(told: dict[str, Any]) -> Statement:
    """Return the statement that the metadata holds.

    Raises
    ------
    DatasetError
        When it has an entry that is not known, or lacks the description.
    """
    try:
        return Statement(**told)
    except TypeError as fault:
        raise DatasetError(FILE_NAME, f"the statement cannot be used ({fault})", "give description, licence, creator, "
                           "version, published, invented, how_made and not_for", "sigkit.statement") from fault


def found_origins(home: Path, captures: Iterable[str]) -> dict[str, Any]:
    """Return which origins occur, of captures and of each reader's labels."""
    labels: dict[str, list[str]] = {}
    for path in sorted((home / "labels").glob("*.jsonl")):
        journal = LabelJournal(path.parent, path.stem)
        found = {one.origin for one in journal.firings()} | {one.origin for one in journal.marks()}
        labels[path.stem] = sorted(found)
    return {"captures": sorted(set(captures)), "labels": labels}


def _distribution(home: Path) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = []
    for name, form in ((MANIFEST, "text/csv"), (SPLITS_FILE, "text/csv"),
                       ("truth.parquet", "application/vnd.apache.parquet"),
                       ("truth_intervals.parquet", "application/vnd.apache.parquet"),
                       ("captures/captures.csv", "text/csv")):  # fmt: skip
        if (home / name).is_file():
            listed.append({"@type": "cr:FileObject", "@id": name, "name": Path(name).stem, "contentUrl": name,
                           "encodingFormat": form, "sha256": file_hash(home / name)})  # fmt: skip
    # Labels grow, line by line, so they carry no checksum here; captures have theirs in the manifest.
    for what, pattern, form in (("captures", "captures/**/*", "application/octet-stream"),
                                ("labels", "labels/*.jsonl", "application/jsonlines")):  # fmt: skip
        if (home / what).is_dir():
            listed.append({"@type": "cr:FileSet", "@id": f"{what}-files", "name": what, "includes": pattern,
                           "encodingFormat": form})  # fmt: skip
    return listed


def _record_set(name: str, rules: dict[str, ColumnRule]) -> dict[str, Any]:
    return {
        "@type": "cr:RecordSet", "@id": name, "name": name,
        "field": [
            {"@type": "cr:Field", "@id": f"{name}/{column}", "name": column, "description": rule.meaning or column,
             "dataType": _TYPES[rule.kind],
             "source": {"fileObject": {"@id": f"{name}.csv"}, "extract": {"column": column}}}
            for column, rule in rules.items()
        ],
    }  # fmt: skip
