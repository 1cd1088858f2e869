"""Provenance: which inputs, settings and versions gave which files."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from discovery.files import sha256, write_bytes
from discovery.report.settings import RunSettings

SCHEMA = 1
NAME = "manifest.json"


def manifest(
    settings: RunSettings, study: Mapping[str, Any], folder: Path, run: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Everything that decides the results, and the SHA-256 of every file under `folder`.

    `study` is the study file as read, with its defaults filled in. What differs between two runs
    of the same study (clock, host, duration, workers) goes into `run` and nowhere else; any
    "workers" inside `study` is moved there.
    """
    asked = json.loads(json.dumps(study, default=str))
    about_run = dict(run or {})
    workers = asked.get("analysis", {}).pop("workers", None)
    if workers is not None:
        about_run.setdefault("workers", workers)
    return {
        "schema": SCHEMA,
        "name": settings.name,
        "seed": settings.seed,
        "inputs": dict(settings.input_hashes),
        "settings": asked,
        "versions": dict(settings.versions),
        "outputs": outputs(folder),
        "run": about_run,
    }


def write_replication_manifest(
    folder: Path,
    *,
    name: str,
    seed: int,
    inputs: Mapping[str, str],
    study: Mapping[str, Any],
    versions: Mapping[str, str],
    run: Mapping[str, Any],
) -> Path:
    """The manifest of a replication: as that of a run, the frozen findings being one of the inputs."""
    asked = json.loads(json.dumps(study, default=str))
    asked.get("analysis", {}).pop("workers", None)
    return _write(
        Path(folder),
        {
            "schema": SCHEMA,
            "name": name,
            "seed": seed,
            "inputs": dict(inputs),
            "settings": asked,
            "versions": dict(versions),
            "outputs": outputs(folder),
            "run": dict(run),
        },
    )


def outputs(folder: Path) -> dict[str, str]:
    """SHA-256 of every file under `folder` by its relative name, without the manifest and hidden files."""
    folder = Path(folder)
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        hidden = any(part.startswith(".") for part in path.relative_to(folder).parts)
        if path.is_file() and name != NAME and not hidden:
            found[name] = sha256(path)
    return found


def write_manifest(
    settings: RunSettings, study: Mapping[str, Any], folder: Path, run: Mapping[str, Any] | None = None
) -> Path:
    """Write `manifest.json` into `folder`, last of all, since it holds the hash of every other file."""
    return _write(Path(folder), manifest(settings, study, folder, run))


def _write(folder: Path, content: Mapping[str, Any]) -> Path:
    text = json.dumps(_finite(content), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return write_bytes(folder / NAME, (text + "\n").encode("utf-8"))


def _finite(value: Any) -> Any:
    """The same with NaN and infinity, which JSON does not have, as null."""
    if isinstance(value, dict):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
