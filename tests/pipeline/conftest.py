"""What the tests of masked counts share: one study of episodes, run with small counts masked and plain."""

from __future__ import annotations

import pytest

import discovery

SPELLS = """[[outcomes]]
name = "spells"
kind = "recurrent"
file = "spells.csv"
time = "hours"
followup = "watched"
terminal = "died"
"""


@pytest.fixture(scope="session")
def both_runs(study_text):
    """The results of two runs in `folder`, with counts below `limit` masked and with all of them: the tables
    are `patients`, `features` and `spells`, `more` the text of further outcomes."""

    def run(folder, limit, tables, *, more="", adjust_for=("age",), imputations=0):
        for name, table in tables.items():
            table.to_csv(folder / f"{name}.csv", index=False)
        results = []
        for below in (limit, 0):
            text = study_text(
                SPELLS + more, adjust_for=adjust_for, replicates=0, permutations=0, phenotypes=False,
                imputations=imputations, suppress_below=below,
            )  # fmt: skip
            (folder / "study.toml").write_text(text)
            results.append(discovery.run(folder, out=folder / f"out {below}", workers=1))
        return results

    return run
