"""Who is in the study and what is known of them: the study file, its tables, and every fault in them."""

from __future__ import annotations

from discovery.study.outcomes import Outcome
from discovery.study.study import Study, read_study

__all__ = ["Outcome", "Study", "read_study"]
