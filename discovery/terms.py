"""Words that tables say and the report looks for, and limits that both speak of: each in this one place."""

from __future__ import annotations

LEAST_EVENTS = 10  # of what limits a model; below, no regression at all
ENOUGH = 10  # of it for each coefficient; below, estimates are fragile
PERMUTATION_FIRST = 30  # of it; below, tests that lean on large samples reject too often

STRONG, CANDIDATE, SUGGESTIVE = "strong candidate", "candidate", "suggestive"
NOT_SUPPORTED, SITE_DRIVEN, NOT_ASSESSABLE = "not supported", "site-driven", "not assessable"
REPLICATED, SMALLER = "replicated", "replicated, smaller than announced"

SUSPECTED, SEPARATES = "suspected leak", "separates the outcome"  # how such flags begin
GIVES_AWAY = (SUSPECTED, SEPARATES)  # the outcome: to be looked into before anything is believed of it

ADJUSTED_FOR_IT = "adjusted for it"  # in warnings of covariates that tell an outcome: what is left then
BASE_TELLS = "the base model alone tells the outcome apart, so that nothing is left for a feature"

LESS = " less "  # in the names of differences between two groups, and in no other
THIRDS_APART = f"highest{LESS}lowest third"

MAIN, COMPLETE = "main analysis", "complete cases, nothing imputed"  # alternatives of the sensitivity board
FINE_GRAY = "Fine-Gray, subdistribution hazard"  # another, whose ratio is of other hazards than the rest
COMPLETE_CASES = "complete cases"  # the model of the patients with a value, beside the imputed one
PROPORTIONAL = "proportional odds"  # the term of the rows that test it
RESTS_ON_FEW = "rests on few patients"  # how the note of such a row begins
MEAN_EPISODES = "mean number of episodes"  # such a curve
