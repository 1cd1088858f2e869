"""Frozen findings as a file: the same bytes from the same findings, and every fault of a file in words."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from discovery.files import write_bytes
from discovery.markers.frozen import SCHEMA, SCHEMA_VERSION, FrozenFindings
from discovery.markers.frozen_faults import findings_in, in_json
from discovery.problems import InputError, Problem
from discovery.study.findings import Findings

LARGEST_FILE = 50_000_000  # bytes
OURS = "a frozen.json that a run wrote is wanted"
NOT_JSON = f"{OURS}; this is not JSON"
READABLE = (1, 2, 3, SCHEMA_VERSION)


def write_frozen(findings: FrozenFindings, path: Path | str) -> Path:
    """The file as JSON, in this schema version, keys in the order of the schema."""
    findings = findings.model_copy(update={"schema_version": SCHEMA_VERSION})
    content = findings.model_dump(mode="json", by_alias=True)
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    return write_bytes(path, (text + "\n").encode("utf-8"))


def read_frozen(path: Path | str) -> FrozenFindings:
    """Read a file of `write_frozen`, of this schema version or an older one.

    Raises
    ------
    InputError
        No such file, not JSON, another schema, or every field that is wrong, at once.
    """
    path, found = Path(path), Findings()
    content = _content(path, found)
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise _fault(path, OURS, "another kind of JSON file")
    version = content.get("schema_version")
    if type(version) is not int or version not in READABLE:
        wanted = f"schema version {SCHEMA_VERSION} or older is wanted; use the program version that wrote it"
        raise _fault(path, wanted, in_json(version))
    findings = findings_in(content, str(path), found)
    found.raise_errors()
    assert findings is not None
    return findings


def phenotypes_in(path: Path | str) -> dict[str, Any] | None:
    """The phenotypes of a file that has faults elsewhere; None where it has none, or is no such file."""
    try:
        content = _content(Path(path), Findings())
    except InputError:
        return None
    kept = content.get("phenotypes") if isinstance(content, dict) else None
    return kept if isinstance(kept, dict) else None


def _content(path: Path, found: Findings) -> Any:
    """What the file holds; keys that stand twice in an object are noted in `found`."""
    if path.is_dir():
        raise _fault(path, f"{OURS} first, then the study", "a folder")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        keys = dict(pairs)
        if len(keys) < len(pairs):
            for key in keys:
                if [name for name, _ in pairs].count(key) > 1:
                    found.error("key twice", str(path), "each key once in an object is wanted", found=key)
        return keys

    try:
        if path.stat().st_size > LARGEST_FILE:
            raise _fault(path, "a file of frozen findings is small", f"{path.stat().st_size} bytes")
        text = path.read_text(encoding="utf-8-sig")
        return json.loads(text, object_pairs_hook=once)
    except OSError as error:
        raise _fault(path, f"a file that can be read is wanted ({error.strerror})") from None
    except json.JSONDecodeError as error:
        lines = error.doc.split("\n")
        raise _fault(path, NOT_JSON, lines[error.lineno - 1].strip(), error.lineno) from None
    except UnicodeDecodeError as error:
        byte = f"byte {error.start} of the file"
        raise _fault(path, f"{NOT_JSON}, which is UTF-8 text", byte) from None
    except (RecursionError, ValueError):
        wanted = f"{NOT_JSON} that can be read: too deep, or a number of thousands of digits"
        raise _fault(path, wanted) from None


def _fault(path: Path, wanted: str, found: str = "", row: int | None = None) -> InputError:
    return InputError([Problem(file=str(path), found=found, wanted=wanted, row=row)])
