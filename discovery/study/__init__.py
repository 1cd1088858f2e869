"""Who is in the study and what is known of them: the study file, its tables, and every fault in them."""

from __future__ import annotations

from discovery.study.added_features import with_features
from discovery.study.draft import Draft, draft_study
from discovery.study.outcome import Outcome
from discovery.study.reading import read_study, read_study_so_far
from discovery.study.study import Study

__all__ = ["Draft", "Outcome", "Study", "draft_study", "read_study", "read_study_so_far", "with_features"]
