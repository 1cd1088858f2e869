"""Cells of a stored column (Arrow) as the text a person would write."""

from __future__ import annotations

from typing import Any

import numpy as np


def arrow_text(column: Any) -> list[str]:
    return [plain_text(value) for value in column.to_pylist()]


def plain_text(value: object) -> str:
    """A stored value as the text a person would write: whole numbers without a point."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        if np.isnan(value):
            return ""
        return str(int(value)) if value.is_integer() and abs(value) < 2**53 else repr(value)
    if isinstance(value, bytes):
        return value.decode("utf-8", errors="replace")
    return str(value)
