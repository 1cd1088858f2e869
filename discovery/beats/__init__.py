"""Beats of right-ventricular and pulmonary artery pressure: detection, landmarks, features."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from discovery.beats.measurer import MeasuredBeats as MeasuredBeats
    from discovery.beats.measurer import Measurer as Measurer
    from discovery.beats.measuring import measure as measure
    from discovery.beats.options import Options as Options
    from discovery.beats.registry import feature_table as feature_table

_HOME = {
    "measure": "discovery.beats.measuring",
    "MeasuredBeats": "discovery.beats.measurer",
    "Measurer": "discovery.beats.measurer",
    "Options": "discovery.beats.options",
    "feature_table": "discovery.beats.registry",
}
__all__ = ["MeasuredBeats", "Measurer", "Options", "feature_table", "measure"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        from importlib import import_module

        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(name)
