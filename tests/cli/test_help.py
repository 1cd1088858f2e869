"""What the help of a command says is so."""

from __future__ import annotations

import pytest

from discovery.cli.main import main


@pytest.mark.parametrize(
    ("command", "folder"),
    [("run", "(default reports/<name>)"), ("replicate", "(default reports/<name>_replication, of the name")],
)
def test_where_results_go_by_default(capsys, command, folder):
    with pytest.raises(SystemExit):
        main([command, "--help"])
    assert folder in " ".join(capsys.readouterr().out.split())
