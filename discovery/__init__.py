"""Discovery: from right-ventricular pressure waveforms to markers of dysfunction, with honest uncertainty.

Every command is one function here; each takes a study (or DataFrames) and returns a result object
whose tables are DataFrames. Research software: no result is a threshold for care.
"""

from __future__ import annotations

import importlib

__version__ = "0.1.0"

# name -> module; loaded on first use, so that `import discovery` stays quick
_PUBLIC = {
    "InputError": "discovery.problems",
    "Problem": "discovery.problems",
    "read_study": "discovery.study",
    "check": "discovery.pipeline.check",
    "draft_study": "discovery.study",
    "run": "discovery.pipeline.run",
    "replicate": "discovery.pipeline.replicate",
    "demo": "discovery.pipeline.demo",
    "measure": "discovery.beats.measuring",
    "measure_study": "discovery.pipeline.measure",
    "feature_table": "discovery.beats.registry",
}

__all__ = ["__version__", *_PUBLIC]


def __getattr__(name: str):
    if name in _PUBLIC:
        return getattr(importlib.import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'discovery' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
