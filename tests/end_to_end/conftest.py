"""What whole runs are compared by."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def digest():
    """`digest(folder)`: file -> hash of what must not change, of the manifest all but its `run`."""

    def hashes(folder: Path) -> dict[str, str]:
        found = {}
        for path in sorted(path for path in folder.rglob("*") if path.is_file()):
            content = path.read_bytes()
            if path.name == "manifest.json":
                manifest = json.loads(content)
                manifest.pop("run")
                content = json.dumps(manifest, sort_keys=True).encode()
            found[str(path.relative_to(folder))] = hashlib.sha256(content).hexdigest()
        return found

    return hashes
