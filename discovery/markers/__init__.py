"""Which are the candidates, and how sure are we: ranks, gains, shrunken effects, families, verdicts."""
